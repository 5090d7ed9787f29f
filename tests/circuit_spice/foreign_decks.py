"""Netlists as people write them, each with a node ``out``: read by labkit, run by the circuit simulator."""

from __future__ import annotations

DECKS = {
    "suffixes in every spelling": """Bench 3
V1 in 0 AC 1
R1 in a 6.2K
L1 a out 2.4H
C1 out 0 470PF
R2 out 0 4.7Meg
R3 out 0 470kohm
C2 out 0 0.22nF
""",
    "comments and continuation": """* pickup into a cable
* drawn in May
V1 1 0 ac 1 ; the string
R1 1 2
+ 7.5k   $ winding
L1 2 out
* between the lines
+ 3.1
C1 out 0 620p
Rin out 0 1meg
.end
""",
    "capitals do not matter": """T
vEMF IN gnd AC 1
rDC In A 5k
LCOIL a OUT 1.8
cCable out 0 500P
RLOAD OUT GND 250K
.AC DEC 10 20 20K
.PRINT AC V(OUT)
""",
    "parameters": """p
.param rload=220k cc = 560p
.param turns=7000 lpt={50n}
V1 in 0 AC 1
R1 in a 6k
L1 a out {lpt*turns*turns}
C1 out 0 {cc}
R2 out 0 {rload}
""",
    "a parameter below its use": """p
V1 in 0 AC 1
R1 in out {half*2}
C1 out 0 {c0}
.param half=5k
.param c0={1n/2 + 100p}
""",
    "quoted expressions": """p
.param x='2*(3+4)' y='x^2'
V1 in 0 AC 1
R1 in out 'x * 1k'
R2 out 0 '(y + 4) * 100'
C1 out 0 '10n / x'
""",
    "functions": """p
.param f0=3k l=2.2
.param pi2='2*3.14159265358979'
.param c='1/(pi2*f0*pi2*f0*l)'
V1 in 0 AC 1
R1 in a {sqrt(36e6)}
L1 a out {l}
C1 out 0 {c}
R2 out 0 {max(100k, min(1meg, 220k))}
""",
    "a choice in a parameter": """p
.param turned=3
V1 in 0 AC 1
R1 in out {turned > 5 ? 10k : 90k}
R2 out 0 {10k*exp(ln(2)*turned)}
C1 out 0 500p
""",
    "a pickup as a subcircuit": """two pickups
.subckt coil top bottom
V1 e bottom AC 1
R1 e m 6k
L1 m top 2.2
C1 top bottom 110p
.ends
Xneck a 0 coil
Xbridge b 0 coil
Rn a out 10k
Rb b out 22k
Cc out 0 600p
Rin out 0 1meg
""",
    "a subcircuit with parameters": """s
.subckt coil top bottom l=2 r=5k
V1 e bottom AC 1
R1 e m {r}
L1 m top {l}
Cown top bottom {50p*l}
.ends coil
X1 a 0 coil l=3.4 r=8.1k
X2 b a coil
Rv b out 1k
Cc out 0 470p
Ri out 0 470k
""",
    "subcircuits in a subcircuit": """s
.subckt pot top wiper bottom r=500k x=0.5
Ru top wiper {r*(1-x)}
Rl wiper bottom {r*x}
.ends
.subckt controls hot jack r=250k
Xv hot jack 0 pot r={r} x=0.7
Xt hot t t pot r={r} x=0.4
Ct t 0 22n
.ends
V1 e 0 AC 1
R1 e m 6k
L1 m hot 2.4
C1 hot 0 120p
Xc hot out controls r=500k
Cc out 0 700p
Rin out 0 1meg
""",
    "a subcircuit below its use": """s
V1 in 0 AC 1
X1 in out low PARAMS: f=2k
.subckt low a b PARAMS: f=1k
R1 a b 10k
C1 b 0 {1/(2*3.14159265358979*f*10k)}
.ends
""",
    "ground inside a subcircuit": """s
V1 in 0 AC 1
X1 in out load
.subckt load in out
Rin in out 47k
Rg out 0 100k
Cg out 0 330p
.ends
""",
    "coupled coils": """humbucker
V1 a 0 AC 0.5
R1 a b 4k
L1 b m 1.4
V2 c m AC 0.5
R2 c d 4k
L2 d out 1.4
K1 L1 L2 0.15
C1 out 0 700p
R3 out 0 200k
""",
    "a transformer": """t
V1 in 0 AC 1
Rs in p 150
Lp p 0 4
Ls out 0 100
Kt Lp Ls 0.995
Rl out 0 100k
Cl out 0 220p
""",
    "coupled coils in a subcircuit": """t
.subckt trafo p1 p2 s1 s2 n=3 lp=2
Lp p1 p2 {lp}
Ls s1 s2 {lp*n*n}
Kps Lp Ls 0.98
.ends
V1 in 0 AC 1
R1 in p 600
X1 p 0 out 0 trafo n=5
Rl out 0 47k
""",
    "a floating follower": """e
V1 in 0 AC 1
R1 in a 10k
C1 a 0 1n
E1 b c a 0 2.5
Rb b out 1k
Rc c 0 3.3k
Ro out 0 10k
""",
    "a buffer before a cable": """e
V1 in 0 AC 1
R1 in a 6k
L1 a b 2.5
C1 b 0 150p
Rg b 0 1meg
Ebuf c 0 b 0 0.98
Ro c out 220
Cc out 0 1n
Rl out 0 10k
""",
    "a transconductance stage": """g
V1 in 0 AC 1
Rg in g 68k
Ri g 0 1meg
Cgs g s 5p
Cgd g out 2p
Gm out s g s 5m
Rs s 0 470
Cs s 0 22u
Rd out 0 4k7e0
Rl out 0 100k
""".replace("4k7e0", "4.7k"),
    "an operational amplifier with feedback": """o
.subckt opamp plus minus output
Rin plus minus 2meg
E1 a 0 plus minus 200k
R1 a b 1k
C1 b 0 31.8u
E2 c 0 b 0 1
Ro c output 75
.ends
V1 in 0 AC 1
Rs in p 10k
X1 p m out opamp
Rf out m 22k
Rg m q 2.2k
Cg q 0 47n
Cf out m 220p
Rl out 0 10k
""",
    "an inverting mixer": """o
.subckt amp p n o gbw=1meg
Rid p n 1meg
G1 0 x p n 1
Rx x 0 1e5
Cx x 0 {1/(2*3.14159265358979*gbw)}
Eo o 0 x 0 1
.ends
V1 a 0 AC 1
V2 b 0 AC 0.3
Ra a n 100k
Rb b n 47k
Rf n out 150k
Cf n out 33p
X1 0 n out amp gbw=3meg
Rl out 0 10k
""",
    "a current-controlled current": """f
V1 in 0 AC 1
R1 in a 10k
Vs a b 0
R2 b 0 4.7k
F1 0 out Vs 2
Ro out 0 6.8k
Co out 0 4.7n
""",
    "a current-controlled voltage": """h
V1 in 0 AC 1
R1 in a 5k
C1 a b 10n
Vsense b 0 DC 0
H1 c 0 Vsense 12k
Ro c out 1k
Co out 0 22n
""",
    "the driving source's own current": """f
V1 in 0 AC 1
R1 in a 2.2k
C1 a 0 33n
F1 out 0 V1 3
Ro out 0 1k
""",
    "two readers of one current": """fh
V1 in 0 AC 1
R1 in a 10k
Vs a 0 0
F1 0 b Vs 0.5
R2 b 0 1k
H1 c b Vs 3k
R3 c out 1k
R4 out 0 2.2k
C4 out 0 10n
""",
    "a current source": """norton
I1 0 a AC 100u
R1 a 0 10k
L1 a out 1.2
C1 out 0 1n
R2 out 0 100k
""",
    "a supply and a bias that are shorts for signals": """dc
Vcc vcc 0 DC 9
Ibias 0 b DC 1m
V1 in 0 SIN(0 1 1k) AC 1
C1 in b 100n
R1 vcc b 1meg
R2 b 0 470k
R3 b out 10k
C2 out 0 1n
""",
    "a source out of phase": """two
V1 a 0 AC 1
V2 b 0 AC 0.6 180
R1 a out 7k
L2 b c 2.2
R2 c out 5k
C1 out 0 560p
R3 out 0 220k
""",
    "a control block and plots": """c
V1 in 0 dc 0 ac 1
R1 in out 33k
C1 out 0 2n2
.ac dec 20 20 20k
.save v(out)
.control
run
plot vdb(out)
.endc
.end
""".replace("2n2", "2.2n"),
    "values with their names": """v
V1 in 0 AC=1
R1 in a R=6.8k
L1 a out L=2.1 ic=0
C1 out 0 C=680p ic=0
R2 out 0 r={2*110k}
""".replace("AC=1", "AC 1"),
    "a tone stack": """tone stack
.param rt=250k rb=1meg rm=25k t=0.5 b=0.4 m=0.6
V1 in 0 AC 1
Rs in a 38k
C1 a top 250p
Rtu top out {rt*(1-t)}
Rtl out mid {rt*t}
Rsl a s 56k
C2 s mid 22n
C3 s low 22n
Rb mid low {rb*b + 1}
Rm low w {rm*(1-m)}
Rw w 0 {rm*m}
Rl out 0 1meg
""",
    "a bleed across a volume pot": """bleed
.param x = 0.2 r = 500k
V1 e 0 AC 1
R1 e m 7.2k
L1 m hot 4.1
Cp hot 0 130p
Ru hot out { r * (1 - x) }
Rlo out 0 { r * x }
Cb hot k 1n
Rbl k out 150k
Cc out 0 500p
Rin out 0 1meg
""",
}
