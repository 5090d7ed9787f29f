"""Wirings of the trade, written by hand as drawings to be laid out (common practice, no source; values invented).

One part a line: kind, name, nodes (0 is ground, - an open end), then after bars label lines; contacts and poles
may end in the states of their contacts, such as ``=10`` for the first of two closed. `CHAIN` adds what follows
the jack.
"""

from __future__ import annotations

from labkit.view.schematic import DrawnCircuit, DrawnPart

CHAIN = """
connector jack tip cable_end | jack
line cable cable_end in 0 | cable 5 m | 500 pF
input input in 0 | input | 1 MΩ ∥ 100 pF
output out in | output
"""
NECK = "coil neck n 0 | neck | 6.0 kΩ, 2.4 H"
BRIDGE = "coil bridge b 0 | bridge | 7.0 kΩ, 3.0 H"
MIDDLE = "coil middle m 0 | middle | 6.2 kΩ, 2.5 H"


def tone(net: str, name: str = "tone") -> str:
    return f"""
pot {name} - {name}_node {net} | {name.replace("_", " ")} | 250 kΩ | at 8
capacitor {name}_capacitor {name}_node 0 | {name.replace("_", " ")} capacitor | 22 nF
"""


def volume(cw: str, wiper: str, ccw: str = "0", name: str = "volume") -> str:
    return f"pot {name} {cw} {wiper} {ccw} | {name.replace('_', ' ')} | 250 kΩ audio | at 7\n"


WIRINGS: dict[str, str] = {
    "pickup straight to the jack": "coil neck tip 0 | neck | 6.0 kΩ, 2.4 H" + CHAIN,
    "one volume": BRIDGE + "\n" + volume("b", "tip") + CHAIN,
    "one volume, one tone at the input": BRIDGE + tone("b") + volume("b", "tip") + CHAIN,
    "one volume, one tone at the output": BRIDGE + tone("tip") + "\n" + volume("b", "tip") + CHAIN,
    "no-load tone with limiter": f"""{BRIDGE}
pot tone - t1 b | no-load tone | 250 kΩ
resistor limit t1 t2 | limiter | 4.7 kΩ
capacitor tone_capacitor t2 0 | tone capacitor | 47 nF
{volume("b", "tip")}{CHAIN}""",
    "tone to an inductor": f"""{BRIDGE}
pot tone t1 b - | notch | 500 kΩ
inductor choke t1 t2 | choke | 1.5 H
capacitor notch t2 0 | notch capacitor | 10 nF
{volume("b", "tip")}{CHAIN}""",
    "treble bleed, capacitor alone": f"{BRIDGE}\n{volume('b', 'tip')}capacitor bleed b tip | bleed | 680 pF{CHAIN}",
    "treble bleed, parallel": f"""{BRIDGE}
{volume("b", "tip")}capacitor bleed b tip | bleed | 1 nF
resistor bleed_resistor b tip | bleed resistor | 150 kΩ{CHAIN}""",
    "treble bleed, series": f"""{BRIDGE}
{volume("b", "tip")}capacitor bleed b x | bleed | 1.2 nF
resistor bleed_resistor x tip | bleed resistor | 130 kΩ{CHAIN}""",
    "independent volumes": f"""{NECK}
{BRIDGE}
{volume("tip", "n", name="neck_volume")}{volume("tip", "b", name="bridge_volume")}{tone("tip")}{CHAIN}""",
    "coupled volumes": f"""{NECK}
{BRIDGE}
{volume("n", "tip", name="neck_volume")}{volume("b", "tip", name="bridge_volume")}{tone("tip")}{CHAIN}""",
    "bass cut and treble cut": f"""{BRIDGE}
capacitor bass_capacitor b c | bass capacitor | 2.2 nF
pot bass b c c | bass cut | 1 MΩ reverse audio | at 6
{tone("c")}{volume("c", "tip")}{CHAIN}""",
    "bass cut on a switch": f"""{BRIDGE}
capacitor bass_capacitor b c | bass capacitor | 3.3 nF
contact bass_switch b c | bass switch =1
{volume("c", "tip")}{tone("c")}{CHAIN}""",
    "two pickups, three-way, master volume and tone": f"""{NECK}
{BRIDGE}
pole selector bus n b | selector | both =11
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "two volumes, two tones": f"""{NECK}
{tone("n", "neck_tone")}{volume("n", "nw", name="neck_volume")}{BRIDGE}
{tone("b", "bridge_tone")}{volume("b", "bw", name="bridge_volume")}
pole selector tip nw bw | selector | both =11
{CHAIN}""",
    "two volumes, two tones, tones at the outputs": f"""{NECK}
{tone("nw", "neck_tone")}{volume("n", "nw", name="neck_volume")}{BRIDGE}
{tone("bw", "bridge_tone")}{volume("b", "bw", name="bridge_volume")}
pole selector tip nw bw | selector | neck =10
{CHAIN}""",
    "master volume and a tone per pickup": f"""{NECK}
{tone("n", "neck_tone")}{BRIDGE}
{tone("b", "bridge_tone")}
pole selector bus n b | selector | both =11
{volume("bus", "tip")}{CHAIN}""",
    "three pickups, five-way, one volume and two tones": f"""{NECK}
{MIDDLE}
{BRIDGE}
pole selector bus n m b | selector | neck and middle =110
{tone("n", "neck_tone")}{tone("m", "middle_tone")}{volume("bus", "tip")}{CHAIN}""",
    "three pickups, five-way of two poles": f"""{NECK}
{MIDDLE}
{BRIDGE}
pole selector_a bus n m b | selector a | neck and middle =110
pole selector_b tone_bus n m - | selector b | neck and middle =110
{tone("tone_bus")}{volume("bus", "tip")}{CHAIN}""",
    "three pickups on switches of their own": f"""{NECK}
{MIDDLE}
{BRIDGE}
contact neck_switch n bus | neck switch =1
contact middle_switch m bus | middle switch =0
contact bridge_switch b bus | bridge switch =1
{tone("bus")}{volume("bus", "tip")}{CHAIN}""",
    "two preset circuits on a slide switch": f"""{NECK}
{BRIDGE}
pole selector bus n b | selector =10
{volume("bus", "w1", name="lead_volume")}{tone("bus", "lead_tone")}
resistor rhythm_feed n r | rhythm feed | 33 kΩ
{volume("r", "w2", name="rhythm_volume")}{tone("r", "rhythm_tone")}
pole slide tip w1 w2 | slide | lead =10
{CHAIN}""",
    "bypass of all controls": f"""{BRIDGE}
{tone("b")}{volume("b", "w")}
pole bypass tip w b | bypass | off =10
{CHAIN}""",
    "two coils in series with a shunt split": f"""
coil screw h c | screw coil | 4.0 kΩ, 2.0 H
coil slug c 0 | slug coil | 4.0 kΩ, 2.0 H
contact split c 0 | split | pulled =1
{volume("h", "tip")}{tone("h")}{CHAIN}""",
    "partial split through a resistor": f"""
coil screw h c | screw coil | 4.0 kΩ, 2.0 H
coil slug c 0 | slug coil | 4.0 kΩ, 2.0 H
contact split c s | split =1
resistor split_resistor s 0 | split resistor | 2.2 kΩ
{volume("h", "tip")}{tone("h")}{CHAIN}""",
    "lifted split": f"""
coil screw h c | screw coil | 4.0 kΩ, 2.0 H
coil slug c s | slug coil | 4.0 kΩ, 2.0 H
pole split h2 h c | split =01
contact lift s 0 | lift =0
{volume("h2", "tip")}{tone("h2")}{CHAIN}""",
    "two coils, series or parallel": f"""
coil screw h c | screw coil | 4.0 kΩ, 2.0 H
coil slug d 0 | slug coil | 4.0 kΩ, 2.0 H
pole lower c 0 d | series/parallel a =01
pole upper d h - | series/parallel b =00
{volume("h", "tip")}{tone("h")}{CHAIN}""",
    "phase switch": f"""{NECK}
coil bridge p q | bridge | 7.0 kΩ, 3.0 H
pole phase_a p h 0 | phase a =10
pole phase_b q 0 h | phase b =10
pole selector bus n h | selector | both =11
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "half out of phase": f"""{NECK}
coil bridge 0 b | bridge, reversed | 7.0 kΩ, 3.0 H
capacitor half b bus | half-phase capacitor | 22 nF
contact join n bus | join =1
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "four-way with series": f"""
coil neck n x | neck | 6.0 kΩ, 2.4 H
{BRIDGE}
pole selector_a bus n b | selector a | series =10
pole selector_b x 0 b | selector b | series =01
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "blend of two gangs": f"""{NECK}
{BRIDGE}
pot blend_a n mix 0 | blend, gang a | 250 kΩ | at 5
pot blend_b 0 mix b | blend, gang b | 250 kΩ | at 5
{volume("mix", "tip")}{tone("mix")}{CHAIN}""",
    "blend by one track, wiper out": f"""{NECK}
{BRIDGE}
{volume("n", "mix", "b", "blend")}{volume("mix", "tip")}{CHAIN}""",
    "blend by one track, wiper grounded": f"""{NECK}
{BRIDGE}
pot blend n 0 b | blend | 500 kΩ | at 5
resistor mix_n n tip | mixing resistor | 22 kΩ
resistor mix_b b tip | mixing resistor | 22 kΩ
{CHAIN}""",
    "no-load rheostat joining a third pickup": f"""{NECK}
{MIDDLE}
{BRIDGE}
pole selector bus m b | selector =10
pot blend n bus - | neck blend | 250 kΩ no-load
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "load trims": f"""{BRIDGE}
resistor trim b 0 | trim | 470 kΩ
{volume("b", "tip")}capacitor trim_capacitor tip 0 | trim capacitor | 1 nF{CHAIN}""",
    "rotary tone": f"""{BRIDGE}
pole rotary b r1 r2 r3 r4 r5 | rotary =00100
capacitor c1 r1 0 | 2.2 nF
capacitor c2 r2 0 | 10 nF
capacitor c3 r3 0 | 39 nF
capacitor c4 r4 0 | 47 nF
capacitor c5 r5 0 | 100 nF
resistor bleed1 b r1 | 10 MΩ
resistor bleed2 b r2 | 10 MΩ
resistor bleed3 b r3 | 10 MΩ
{volume("b", "tip")}{CHAIN}""",
    "added capacitance before a buffer": f"""{BRIDGE}
pole rotary b r1 r2 r3 - | added capacitance =0100
capacitor c1 r1 0 | 220 pF
capacitor c2 r2 0 | 470 pF
capacitor c3 r3 0 | 1 nF
input buffer_input b 0 | buffer input | 2.2 MΩ ∥ 10 pF
buffer buffer b bo | buffer | ×1, 1 kΩ
{volume("bo", "tip")}{CHAIN}""",
    "buffer after the volume": f"""{BRIDGE}
{tone("b")}{volume("b", "w")}
input buffer_input w 0 | buffer input | 1 MΩ ∥ 10 pF
buffer buffer w tip | buffer | ×1, 1 kΩ
{CHAIN}""",
    "shielded wire inside": f"""
coil bridge b0 0 | bridge | 7.0 kΩ, 3.0 H
line lead b0 b 0 | shielded lead | 80 pF
{tone("b")}{volume("b", "w")}
line lead2 w tip 0 | shielded lead | 60 pF
{CHAIN}""",
    "dummy coil in series": f"""
coil neck n x | neck | 6.0 kΩ, 2.4 H
coil bridge b x | bridge | 7.0 kΩ, 3.0 H
coil dummy 0 x | dummy coil | 3.0 kΩ, 0.5 H
contact dummy_bypass x 0 | dummy bypass =0
pole selector bus n b | selector =01
{volume("bus", "tip")}{tone("bus")}{CHAIN}""",
    "dummy coil in parallel": f"""{BRIDGE}
coil dummy 0 d | dummy coil | 3.0 kΩ, 0.5 H
contact dummy_switch d b | dummy switch =1
{volume("b", "tip")}{tone("b")}{CHAIN}""",
    "passive Y into two inputs": f"""{BRIDGE}
{tone("b")}{volume("b", "tip")}
line cable_a tip in_a 0 | cable a | 500 pF
line cable_b tip in_b 0 | cable b | 300 pF
input input_a in_a 0 | input a | 1 MΩ ∥ 100 pF
input input_b in_b 0 | input b | 1 MΩ ∥ 50 pF
output out in_a | output a
output out_b in_b | output b
""",
    "amplifier input with grid stopper": f"""{BRIDGE}
{tone("b")}{volume("b", "tip")}
cable cable tip 0 | cable 6 m | 600 pF
resistor leak tip 0 | grid leak | 1 MΩ
resistor stopper tip grid | grid stopper | 34 kΩ
capacitor miller grid 0 | Miller capacitance | 100 pF
output out grid | grid
""",
    "volume pedal and buffer on the floor": f"""{BRIDGE}
{tone("b")}{volume("b", "tip")}
line cable tip p 0 | cable 3 m | 300 pF
pot pedal p pw 0 | volume pedal | 250 kΩ | at 9
line patch pw e 0 | patch lead | 40 pF
input buffer_input e 0 | buffer input | 1 MΩ ∥ 20 pF
buffer buffer e f | buffer | ×1, 100 Ω
line long f in 0 | cable 30 m | 3 nF
input input in 0 | input | 1 MΩ ∥ 100 pF
output out in | output
""",
    "tone of two halves": f"""{BRIDGE}
pot tone t1 b t2 | two-way tone | 500 kΩ | at 5
capacitor dark t1 0 | dark | 22 nF
capacitor light t2 u | light | 4.7 nF
inductor choke u 0 | choke | 2 H
{volume("b", "tip")}{CHAIN}""",
    "three pickups, four poles, splits in between": f"""
coil neck_screw n nc | neck screw coil | 4.0 kΩ, 2.0 H
coil neck_slug nc 0 | neck slug coil | 4.0 kΩ, 2.0 H
{MIDDLE}
coil bridge_screw b bc | bridge screw coil | 4.3 kΩ, 2.2 H
coil bridge_slug bc 0 | bridge slug coil | 4.3 kΩ, 2.2 H
pole selector_a bus n m b | selector a =110
contact neck_split nc 0 | selector b =1
contact bridge_split bc 0 | selector c =0
pole selector_d tone_bus n b | selector d =10
{tone("tone_bus")}{volume("bus", "tip")}{CHAIN}""",
    "a track tied end to end": f"""{BRIDGE}
pot odd b w b | odd pot | 250 kΩ
{volume("w", "tip")}{CHAIN}""",
}


def circuit(name: str) -> DrawnCircuit:
    return DrawnCircuit(name=name, summary="common practice", parts=tuple(_parts(WIRINGS[name])))


def _parts(text: str):
    for line in filter(None, (row.strip() for row in text.splitlines())):
        line, _, states = line.partition(" =")
        head, *label = (piece.strip() for piece in line.split("|"))
        kind, name, *nodes = head.split()
        yield DrawnPart(
            kind=kind,
            name=name,
            nodes=tuple("ground" if node == "0" else node for node in nodes),
            label=tuple(label),
            closed=tuple(state == "1" for state in states.strip()),
        )
