"""A standard netlist becomes a Circuit, or one clear sentence."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Buffer, Capacitor, Contact, Coupling, Inductor, Resistor, Source
from labkit.circuit.solve.solver import solve
from labkit.circuit.spice.deck import read_spice
from labkit.core.errors import CircuitError


def one(line: str) -> object:
    """Read one element out of a minimal netlist."""
    circuit = read_spice(f"title\nV0 out 0 AC 1\nL1 out 0 1\nL2 out 0 1\n{line}\n.end\n")
    return circuit[line.split()[0]]


@pytest.mark.parametrize(
    ("text", "ohms"),
    [
        # SPICE multipliers as in the SPICE3 user's manual, section 3.2 (from memory): M is milli, MEG is mega.
        ("1k", 1e3),
        ("1K", 1e3),
        ("1m", 1e-3),
        ("1MEG", 1e6),
        ("2.2Meg", 2.2e6),
        ("1megohm", 1e6),
        ("1mil", 25.4e-6),
        ("10kohm", 1e4),
        ("10ohm", 10.0),
        ("1e3", 1e3),
        ("1.5e-3k", 1.5),
        (".5", 0.5),
        ("3.", 3.0),
        ("1T", 1e12),
        ("1G", 1e9),
        ("1u", 1e-6),
        ("1µ", 1e-6),
        ("1n", 1e-9),
        ("1p", 1e-12),
        ("1F", 1e-15),
        ("R=4.7k", 4700.0),
        ("{4.7k}", 4700.0),
    ],
)
def test_multipliers_are_those_of_spice(text: str, ohms: float) -> None:
    part = one(f"R1 out 0 {text}")
    assert isinstance(part, Resistor)
    assert part.resistance == ohms


def test_every_kind_of_element_is_read() -> None:
    circuit = read_spice(
        """* a coil, a buffer and a load
.param rload=1meg turns = 5
Vemf a 0 DC 0 AC 0.5 180
Vsense a a2 0
R1 a2 b 6k
L1 b c 2.4 ic=0
L2 d 0 100m
K12 L1 L2 0.3
C1 c 0 110p
Ebuf e 0 c 0 0.9
R2 e Out {rload} $ trailing remark
C2 Out GND 500p ; another remark
* a comment line
R3 d 0
+ 10k
.options reltol=1e-6
.ac dec 10 20 20k
.print ac vdb(out)
.control
run
.endc
.end
nonsense after the end
"""
    )
    assert circuit.name == "a coil, a buffer and a load"
    assert circuit.output == "Out"
    assert circuit["Vemf"] == Source(name="Vemf", nodes=("a", GROUND), voltage=-0.5)
    assert circuit["Vsense"] == Contact(name="Vsense", nodes=("a", "a2"), closed=True)
    assert circuit["L2"] == Inductor(name="L2", nodes=("d", GROUND), inductance=0.1)
    assert circuit["K12"] == Coupling(name="K12", inductors=("L1", "L2"), coefficient=0.3)
    assert circuit["Ebuf"] == Buffer(name="Ebuf", nodes=("c", "e"), gain=0.9)
    assert circuit["C2"] == Capacitor(name="C2", nodes=("Out", GROUND), capacitance=500e-12)
    assert circuit["R2"].resistance == 1e6
    assert circuit["R3"].resistance == 10e3


def test_windows_line_ends_and_capitals_do_not_matter() -> None:
    circuit = read_spice("T\r\nv1 IN 0 ac 1\r\nr1 in OUT 3K\r\nR2 out 0 1K\r\n.END\r\n")
    gain = solve(circuit, np.array([1000.0])).transfer[0]
    # a divider of 3 kΩ over 1 kΩ; the solver is good to 1e-12
    assert gain == pytest.approx(0.25, rel=1e-12)


def test_coupled_coils_follow_the_dot_at_the_first_node() -> None:
    """Handbook relation for an ideal pair: open-circuit secondary voltage = k·√(L2/L1) with both dots on top."""
    for sign, second in ((1, "L2 out 0 4"), (-1, "L2 0 out 4")):
        circuit = read_spice(f"t\nV1 in 0 AC 1\nL1 in 0 1\n{second}\nR9 out 0 1g\nK1 L1 L2 0.5\n")
        gain = solve(circuit, np.array([1000.0])).transfer[0]
        # 1 GΩ beside 25 kΩ of reactance: 3e-5
        assert gain == pytest.approx(sign * 1.0, abs=1e-4)


def test_three_inductors_on_one_coupling_line_couple_pairwise() -> None:
    circuit = read_spice("t\nV1 out 0 AC 1\nL1 out 0 1\nL2 a 0 1\nL3 b 0 1\nK1 L1 L2 L3 0.2\n")
    assert {coupling.inductors for coupling in circuit.of_kind(Coupling)} == {("L1", "L2"), ("L1", "L3"), ("L2", "L3")}


def test_output_may_be_given_or_asked_for_or_named_out() -> None:
    text = "t\nV1 in 0 AC 1\nR1 in x 1k\nR2 x out 1k\nR3 out 0 1k\n"
    assert read_spice(text).output == "out"
    assert read_spice(text, output="X").output == "x"
    assert read_spice(text + ".print ac v(x)").output == "x"


BAD = {
    "": "holds no element",
    "V1 out 0 AC 1": "line 1 .*reads as part of the circuit.*first line of a netlist is its title.*first_line=",
    ".param load=1meg\nR1 out 0 {load}": "line 1 .*reads as part of the circuit",
    "X1 in out coil\nR1 out 0 1k": "line 1 .*reads as part of the circuit",
    "+ 10k\nR1 out 0 1k": "line 1 .*reads as part of the circuit",
    "t\nV1 in 0 AC 1 Rser=1k": r"line 2 .*'Rser=1k' after the nodes is not read; write .*'RV1_series node node value'",
    "t\nV1 in 0 AC 1 whatever=2": "'whatever=2' after the nodes is not read; take it out",
    "t\nV1 in 0 AC=1": "'AC=1' after the nodes is not read",
    "t\nC1 out 0 1n Rser=5": "a resistor in series, as an element of its own",
    "t\nL1 out 0 1 Rpar=5meg": "a resistor across it, as an element of its own",
    "t\nV1 out 0 SIN(0 1 1k)": "line 2 .*SIN is a course over time.*Write 'AC 1'",
    "t\nV1 out 0 PULSE 0 1 1k": "PULSE is a course over time",
    "t\nV1 out 0 5\nR1 out 0 1k": "line 2 .*nothing drives this circuit",
    "t\nR1 out 0 1M": "line 2 .*'1M' is 1 milli in SPICE.*1 mega to most.*write 1m or 1meg, or say capital_m=",
    "t\n.param load=2.5Mohm\nR1 out 0 {load}": "write 2.5m or 2.5meg",
    "t\nC1 out 0 0.001F": "'0.001F' is in femtofarads in SPICE.*write 0.001 for farads",
    "t\nR1 out 0 1k\n.step param x 1 2 1": "line 3 .*'.step' is not read; a netlist is read for one set of values",
    "t\nR1 out 0 1k\n.control\nalter R1 = 2k\n.endc": "line 4 .*'alter' may change a value later on",
    "t\nR1 out 0 1k\n.frobnicate 3": "line 3 .*'.frobnicate' is not known, and may change the answer",
    "t\nR1 out 0 1k\n.optoins rshunt=1k": r"Did you mean '\.options'",
    "t\nR1 out 0 1k\n.options rshunt=1meg": "line 3 .*'rshunt=1meg' puts a part from every node to ground",
    "t\n.param x=1 x=2\nR1 out 0 {x}": "parameter 'x' is given twice",
    "t\nR1 out 0 4k7k": "line 2 .*needs a number.*got '4k7k'",
    "t\nR1 out 0 abc": "needs a number.*'abc'",
    "t\nR1 out 0 {load}": r"needs a number.*No \.param",
    "t\n.param lod=3\nR1 out 0 {load}": "Did you mean 'lod'",
    "t\nR1 out 0 -5": "resistance must be 0 Ω or more",
    "t\nR1 out 0": "is written 'R1 node node 1k'",
    "t\nR1 out 0 1k tc1=3": "'tc1=3' after the nodes is not read; write the value at your temperature",
    "t\nR1 out 0 1e999": "finite",
    "t\nL1 out 0 0": "more than 0 H",
    "t\nR1 out 0 1k\nr1 out 0 1k": "line 3 .*two elements are named 'r1'",
    "t\nQ1 a b c mod": "'Q1' is a transistor",
    "t\nX1 a b sub": "no subcircuit is named 'sub'",
    "t\nI1 a": "a source is written 'I1 node node AC 1'",
    "t\n? a b": "is no element",
    "t\n.include other.cir": r"'\.include' is not read",
    "t\n+ 10k": "continuation line",
    "t\nV1 out 0 AC 1 45": "0 or 180 degrees; got 45",
    "t\nR1 ground 0 1k": "node 0; a node named 'ground' is ambiguous",
    "t\nL1 out 0 1\nK1 L1 L9 0.5": r"no inductor is named 'L9'\. Known: L1\.",
    "t\nL1 out 0 1\nL2 a 0 1\nK1 L1 L2 1.5": "between −1 and 1",
    "t\nE1 a b c d": "is written 'E1 out 0 in 0 gain'",
    "t\nR1 a 0 1k": "which node is its output",
    "t\nR1 a 0 1k\n.print ac v(b)": "the output 'b' is no node",
    "t\nR1 a \0 1k": "binary",
    "t\n.param x\nR1 out 0 1k": "name=value",
    "x" * 400_001: "shorter than 400000",
}


@pytest.mark.parametrize(("text", "sentence"), BAD.items(), ids=[str(index) for index in range(len(BAD))])
def test_bad_netlist_gets_one_sentence(text: str, sentence: str) -> None:
    with pytest.raises(CircuitError, match=sentence) as caught:
        read_spice(text)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 320


def test_netlist_must_be_text_not_a_path_or_bytes() -> None:
    with pytest.raises(CircuitError, match="must be text; got bytes"):
        read_spice(b"t\nR1 a 0 1")  # type: ignore[arg-type]


def test_values_are_the_nearest_floats() -> None:
    circuit = read_spice("t\nC1 out 0 22n\nR1 out 0 4.7k\n")
    assert circuit["C1"].capacitance == 22e-9
    assert math.isclose(circuit["R1"].resistance, 4700.0, rel_tol=0.0)


def test_a_first_line_that_is_an_element_is_read_or_dropped_as_the_user_says() -> None:
    text = "R1 out 0 3k\nR2 in out 1k\nV1 in 0 AC 1\n"
    as_element, as_title = read_spice(text, first_line="element"), read_spice(text, first_line="title")
    frequency = np.array([1000.0])
    assert solve(as_element, frequency).transfer[0] == pytest.approx(0.75, rel=1e-12)  # 3 kΩ under 1 kΩ
    assert solve(as_title, frequency).transfer[0] == pytest.approx(1.0, rel=1e-12)
    assert as_title.name == "R1 out 0 3k"


@pytest.mark.parametrize(
    "title", ["Voltage divider", "Rig with a 5 m cable", "Coil 3, wound in May", "* R1 out 0 1k", ""]
)
def test_a_plain_title_raises_no_question(title: str) -> None:
    assert read_spice(f"{title}\nV1 out 0 AC 1\nR1 out 0 1k\n").sources


def test_lines_are_counted_from_the_element_that_the_user_put_first() -> None:
    with pytest.raises(CircuitError, match=r"^line 2 "):
        read_spice("R1 out 0 3k\nR2 in out 4k7k\n", first_line="element")


@pytest.mark.parametrize(("meant", "ohms"), [("milli", 1e-3), ("mega", 1e6)])
def test_a_capital_m_is_what_the_user_says(meant: Any, ohms: float) -> None:
    circuit = read_spice("t\nR1 out 0 1M\nR2 out 0 2m\nR3 out 0 1MEG\nR4 out 0 1MIL\n", capital_m=meant)
    assert [circuit[f"R{number}"].resistance for number in (1, 2, 3, 4)] == [ohms, 2e-3, 1e6, 25.4e-6]


def test_a_course_over_time_beside_an_ac_value_is_left_alone() -> None:
    circuit = read_spice("t\nV1 out 0 DC 1 SIN (0 1 1k) AC 0.5\nV2 b 0 9\nR1 out b 1k\n")
    assert circuit["V1"] == Source(name="V1", nodes=("out", GROUND), voltage=0.5)
    assert circuit["V2"] == Contact(name="V2", nodes=("b", GROUND), closed=True)
