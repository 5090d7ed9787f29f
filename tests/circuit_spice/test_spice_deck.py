"""The exported deck, run by ngspice, gives what the numeric solver gives."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    CustomAdmittance,
    Element,
    Inductor,
    Resistor,
    Source,
)
from labkit.circuit.solve.solver import solve
from labkit.circuit.spice.deck import read_spice, spice_deck, spice_node_names
from labkit.core.errors import CircuitError, InputError

NGSPICE = shutil.which("ngspice") or "ngspice"


def run_deck(deck: str, node: str, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Run a deck unchanged but for a block that writes the complex output with all digits."""
    data = folder / "out.txt"
    block = f".control\nset wr_singlescale\nset numdgt=15\nrun\nwrdata {data} v({node})\nquit 0\n.endc\n.end\n"
    source = folder / "deck.cir"
    source.write_text(deck.replace(".end\n", block) if deck.endswith(".end\n") else deck + block, encoding="utf-8")
    done = subprocess.run([NGSPICE, "-b", source.name], cwd=folder, capture_output=True, text=True, timeout=60)
    assert data.exists(), done.stdout + done.stderr
    for bad in ("singular", "rror", "unknown", "can't"):
        assert bad not in done.stderr, done.stderr
    table = np.loadtxt(data)
    return table[:, 0], table[:, 1] + 1j * table[:, 2]


def assert_deck_equals_solver(circuit: Circuit, folder: Path, tolerance_db: float = 1e-5) -> None:
    deck = spice_deck(circuit, points_per_decade=10)
    frequency, voltage = run_deck(deck, spice_node_names(circuit)[circuit.output], folder)
    expected = solve(circuit, frequency).transfer
    loud = np.abs(expected) > 1e-5
    assert np.any(loud)
    ratio = voltage[loud] / expected[loud]
    # ngspice solves with doubles and 1e15 Ω from each node to ground: 1e-8 relative beside 10 MΩ; with margin 1e-6.
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < tolerance_db
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 10 * tolerance_db


@pytest.mark.ngspice
@pytest.mark.parametrize("name", ["two_floating_coils", "switched"])
def test_a_subcircuit_gives_in_another_deck_what_the_solver_gives(name: str, tmp_path: Path) -> None:
    circuit = globals()[name]()
    written = spice_deck(circuit, as_subcircuit=True)
    called = re.search(r"^\.subckt (\w+) \w+$", written, re.MULTILINE)
    assert called
    # as an editor of schematics calls it, with the next part of the chain outside
    deck = f"* caller\n{written}\nX1 out {called[1]}\nR2 out 0 100k\n.ac dec 10 20 20000\n"
    frequency, voltage = run_deck(deck, "out", tmp_path)
    loaded = (*circuit.elements, Resistor(name="outside", nodes=(circuit.output, GROUND), resistance=100e3))
    expected = solve(replace(circuit, elements=loaded), frequency).transfer
    np.testing.assert_allclose(voltage, expected, rtol=1e-6, atol=1e-9)  # 1e15 Ω from each node to ground


def coil(prefix: str, hot: str, cold: str, *, weight: float = 1.0, scale: float = 1.0) -> tuple[Element, ...]:
    """A coil with one eddy section, whose ends may float."""
    return (
        Source(name=f"{prefix}.emf", nodes=(f"{prefix}.1", cold), voltage=weight),
        Resistor(name=f"{prefix}.resistance", nodes=(f"{prefix}.1", f"{prefix}.2"), resistance=6e3 * scale),
        Inductor(name=f"{prefix}.inductance", nodes=(f"{prefix}.2", f"{prefix}.3"), inductance=2.2 * scale),
        Inductor(name=f"{prefix}.core", nodes=(f"{prefix}.3", hot), inductance=0.3 * scale),
        Resistor(name=f"{prefix}.core loss", nodes=(f"{prefix}.3", hot), resistance=12e3),
        Capacitor(name=f"{prefix}.capacitance", nodes=(hot, cold), capacitance=110e-12),
    )


def load(node: str = "tip") -> tuple[Element, ...]:
    return (
        Capacitor(name="cable", nodes=(node, GROUND), capacitance=500e-12),
        Resistor(name="input", nodes=(node, GROUND), resistance=1e6),
    )


def two_floating_coils() -> Circuit:
    return Circuit(
        name="two coils in series, out of phase",
        output="tip",
        elements=(
            *coil("bridge", "tip", "middle"),
            *coil("neck", GROUND, "middle", weight=-0.7, scale=1.3),
            Coupling(name="k", inductors=("bridge.inductance", "neck.inductance"), coefficient=0.1),
            *load(),
        ),
    )


def switched() -> Circuit:
    return Circuit(
        name="shorts and opens",
        output="tip",
        elements=(
            *coil("bridge", "bridge.hot", GROUND),
            Contact(name="selector bridge", nodes=("bridge.hot", "bus"), closed=True),
            Contact(name="selector bridge again", nodes=("bridge.hot", "bus"), closed=True),
            Contact(name="selector neck", nodes=("nowhere", "bus"), closed=False),
            Resistor(name="volume.upper", nodes=("bus", "tip"), resistance=0.0),
            Resistor(name="volume.lower", nodes=("tip", GROUND), resistance=250e3),
            Resistor(name="tone", nodes=("bus", "tone node"), resistance=np.inf),
            Capacitor(name="tone capacitor", nodes=("tone node", GROUND), capacitance=22e-9),
            Capacitor(name="no capacitor", nodes=("tip", GROUND), capacitance=0.0),
            Resistor(name="wire", nodes=("tip", "jack"), resistance=1e-8),
            *load("jack"),
        ),
    )


def buffered(output_resistance: float) -> Circuit:
    return Circuit(
        name="buffer",
        output="tip",
        elements=(
            *coil("bridge", "bridge.hot", GROUND),
            Resistor(name="buffer input", nodes=("bridge.hot", GROUND), resistance=1e6),
            Buffer(name="buffer", nodes=("bridge.hot", "after"), gain=0.9, output_resistance=output_resistance),
            Resistor(name="series", nodes=("after", "tip"), resistance=10e3),
            *load(),
        ),
    )


def lossy_capacitor() -> Circuit:
    return Circuit(
        name="lossy tone capacitor",
        output="tip",
        elements=(
            *coil("bridge", "tip", GROUND),
            Resistor(name="tone", nodes=("tip", "tone"), resistance=100.0),
            Capacitor(name="tone capacitor", nodes=("tone", GROUND), capacitance=22e-9, dissipation=0.03),
            *load(),
        ),
    )


class RootLaw:
    """Y ∝ √(jω): a skin-effect like row with real and imaginary part."""

    def __call__(self, omega: np.ndarray) -> np.ndarray:
        return np.sqrt(1j * omega / 6283.0)


@pytest.mark.ngspice
@pytest.mark.parametrize(
    "circuit",
    [two_floating_coils(), switched(), buffered(500.0), buffered(0.0), lossy_capacitor()],
    ids=lambda circuit: circuit.name,
)
def test_deck_gives_what_the_solver_gives(circuit: Circuit, tmp_path: Path) -> None:
    assert_deck_equals_solver(circuit, tmp_path)


@pytest.mark.ngspice
@pytest.mark.parametrize("ends", [("tip", GROUND), (GROUND, "tip"), ("tip", "inside")])
def test_any_frequency_dependence_is_exported_as_a_table(ends: tuple[str, str], tmp_path: Path) -> None:
    circuit = Circuit(
        name="root law",
        output="tip",
        elements=(
            *coil("bridge", "tip", GROUND),
            Resistor(name="shield", nodes=("inside", GROUND), resistance=5e3),
            CustomAdmittance(name="loss", nodes=ends, row=RootLaw(), coefficient=20e-6),
            *load(),
        ),
    )
    # 80 points a decade, linear: the √f law is met within 3e-5, that is 3e-4 dB where this branch decides alone.
    assert_deck_equals_solver(circuit, tmp_path, tolerance_db=3e-4)
    assert "tabulated" in spice_deck(circuit)


def random_circuit(seed: int) -> Circuit:
    """A random connected network of 4–7 nodes with up to two EMFs, couplings, shorts and opens."""
    random = np.random.default_rng(seed)
    nodes = [GROUND, *(f"n.{index}" for index in range(random.integers(3, 7)))]
    elements: list[Element] = list(coil("a", nodes[1], GROUND, weight=float(random.uniform(-1, 1))))
    if random.random() < 0.5:
        elements += coil("b", nodes[2], nodes[1], weight=1.0, scale=float(random.uniform(0.3, 2)))
        elements.append(
            Coupling(name="k", inductors=("a.inductance", "b.inductance"), coefficient=float(random.uniform(-0.9, 0.9)))
        )
    for index in range(2, len(nodes)):
        other = nodes[random.integers(0, index)]
        elements.append(
            Resistor(name=f"tree {index}", nodes=(nodes[index], other), resistance=float(10 ** random.uniform(2, 6)))
        )
    for index in range(random.integers(2, 7)):
        one, two = random.choice(len(nodes), 2, replace=False)
        pair = (nodes[one], nodes[two])
        name = f"part {index}"
        kind = random.integers(0, 6)
        if kind == 0:
            elements.append(Resistor(name=name, nodes=pair, resistance=float(random.choice([0.0, np.inf, 1e3, 2.5e5]))))
        elif kind == 1:
            elements.append(Contact(name=name, nodes=pair, closed=bool(random.integers(0, 2))))
        elif kind == 2:
            elements.append(Inductor(name=name, nodes=pair, inductance=float(random.uniform(0.01, 3))))
        else:
            dissipation = float(random.choice([0.0, 0.02]))
            value = float(10 ** random.uniform(-11, -7))
            elements.append(Capacitor(name=name, nodes=pair, capacitance=value, dissipation=dissipation))
    elements += load(nodes[-1])
    return Circuit(name=f"random {seed}", output=nodes[-1], elements=tuple(elements))


@pytest.mark.ngspice
@pytest.mark.parametrize("seed", range(25))
def test_random_deck_gives_what_the_solver_gives(seed: int, tmp_path: Path) -> None:
    circuit = random_circuit(seed)
    if np.max(np.abs(solve(circuit, np.geomspace(20, 2e4, 31)).transfer)) < 1e-5:
        circuit = random_circuit(seed + 1000)
    # Inductors in loops get 1 mΩ: beside 1.3 Ω (20 Hz, 10 mH) that is 1e-3 in quadrature, 5e-6 dB among kilohms.
    assert_deck_equals_solver(circuit, tmp_path, tolerance_db=1e-4)


@pytest.mark.ngspice
def test_single_source_is_driven_with_one_volt(tmp_path: Path) -> None:
    circuit = two_floating_coils()
    deck = spice_deck(circuit, source="neck.emf", points_per_decade=5)
    frequency, voltage = run_deck(deck, "tip", tmp_path)
    solution = solve(circuit, frequency, per_source=True)
    expected = solution.transfer[solution.sources.index("neck.emf")]
    assert np.allclose(voltage, expected, rtol=1e-6)  # doubles and 1e15 Ω shunts


@pytest.mark.ngspice
def test_deck_runs_as_it_stands_and_prints_decibels(tmp_path: Path) -> None:
    (tmp_path / "deck.cir").write_text(spice_deck(switched(), points_per_decade=3), encoding="utf-8")
    done = subprocess.run([NGSPICE, "-b", "deck.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=60)
    rows = [line.split() for line in done.stdout.splitlines() if line[:1].isdigit()]
    assert len(rows) == 10
    # columns: index, frequency, real part with a comma, imaginary part, dB, degrees
    expected = solve(switched(), np.array([float(rows[4][1])])).transfer[0]
    assert float(rows[4][-2]) == pytest.approx(20 * np.log10(abs(expected)), abs=1e-5)
    assert float(rows[4][-1]) == pytest.approx(np.degrees(np.angle(expected)), abs=1e-4)


def test_names_that_differ_only_in_signs_or_capitals_stay_apart() -> None:
    circuit = Circuit(
        output="A.b",
        elements=(
            Source(name="E", nodes=("A.b", GROUND)),
            Resistor(name="r 1", nodes=("A.b", "a_b"), resistance=1.0),
            Resistor(name="r.1", nodes=("a_b", "a-B"), resistance=1.0),
            Resistor(name="R_1", nodes=("a-B", "gnd"), resistance=1.0),
            Resistor(name="µ", nodes=("gnd", "0"), resistance=1.0),
        ),
    )
    names = spice_node_names(circuit)
    assert len(set(names.values())) == len(names)
    assert [node for node, name in names.items() if name in ("0", "gnd")] == [GROUND]
    designators = [line.split()[0].lower() for line in spice_deck(circuit).splitlines()[1:] if line[:1] in "RV"]
    assert len(designators) == len(set(designators)) == 5


def test_a_line_break_in_a_name_cannot_add_a_statement() -> None:
    circuit = Circuit(
        name="title\nR_evil tip 0 1",
        output="tip",
        elements=(
            Source(name="emf", nodes=("tip", GROUND)),
            Contact(name="open\n.include x", nodes=("tip", "b"), closed=False),
        ),
    )
    lines = spice_deck(circuit).splitlines()
    assert not any(line.startswith(("R_evil", ".include")) for line in lines)


def test_unknown_source_is_named_with_the_nearest() -> None:
    with pytest.raises(CircuitError, match=r"no source is named 'neck'\. Did you mean 'neck.emf'\?"):
        spice_deck(two_floating_coils(), source="neck")


def test_empty_sweep_is_refused() -> None:
    with pytest.raises(InputError, match="0 < low < high"):
        spice_deck(switched(), low_hz=100.0, high_hz=10.0)


@pytest.mark.parametrize(
    "circuit", [two_floating_coils(), switched(), buffered(500.0)], ids=lambda circuit: circuit.name
)
def test_reading_the_deck_back_gives_the_same_response(circuit: Circuit) -> None:
    frequency = np.geomspace(20, 20e3, 13)
    again = read_spice(spice_deck(circuit))
    assert again.output == spice_node_names(circuit)[circuit.output]
    # the deck carries 15 digits or more of each value
    assert np.allclose(solve(again, frequency).transfer, solve(circuit, frequency).transfer, rtol=1e-10)


READ_AND_RUN = {
    "a coil, two sources, a supply and a buffer": """a coil behind a buffer
.param rload = 1meg
Vemf a 0 DC 0.1 AC 0.5 180 SIN(0 1 1k)
Vsupply plus 0 9
R9 plus out 10meg
R1 a b 6.2k
L1 b c 2.4 ic=0
L2 d 0 100m
K12 L1 L2 0.3
C1 c 0
+ 110p
Ebuf e 0 c 0 0.9
R2 e out {rload} $ trailing remark
C2 out gnd 500p ; another remark
R3 d 0 10kohm
.options reltol=1e-6 rshunt=1e15
.nodeset v(out)=0
.ac dec 10 20 20k
.end
""",
    "a resistance in series written out": """Rser written out
V1 in 0 AC 1
RV1_series in out 1k
R1 out 0 1k
.ac dec 10 20 20k
.end
""",
    "milli in small letters": """a small resistor
V1 in 0 AC 1
R1 in out 1m
R2 out 0 1e-3
.ac dec 10 20 20k
.end
""",
}


@pytest.mark.ngspice
@pytest.mark.parametrize("deck", READ_AND_RUN)
def test_a_deck_as_read_gives_what_ngspice_makes_of_it(deck: str, tmp_path: Path) -> None:
    frequency, voltage = run_deck(READ_AND_RUN[deck], "out", tmp_path)
    # ngspice prints 15 digits and adds at most 1e15 Ω to ground beside 10 MΩ: 1e-8; with margin 1e-6
    np.testing.assert_allclose(voltage, solve(read_spice(READ_AND_RUN[deck]), frequency).transfer, rtol=1e-6)


@pytest.mark.ngspice
@pytest.mark.parametrize(
    ("changing", "without"),
    [
        ("R1 out 0 1M\n", "R1 out 0 1meg\n"),
        (".options rshunt=1k\n", ""),
        (".control\nalter R2 = 9k\n.endc\n", ""),
        ("V2 out 0 SIN(0 1 1k)\n", ""),
    ],
)
def test_what_is_refused_does_change_the_answer_of_ngspice(changing: str, without: str, tmp_path: Path) -> None:
    """A line that changed nothing would be refused for no reason."""
    before, after = "t\nV1 in 0 AC 1\nR2 in out 1k\nC2 out 0 1n\n", ".ac dec 10 20 20k\n.end\n"
    (tmp_path / "with").mkdir()
    (tmp_path / "without").mkdir()
    _, one = run_deck(before + changing + after, "out", tmp_path / "with")
    _, other = run_deck(before + without + after, "out", tmp_path / "without")
    assert np.max(np.abs(one - other)) > 0.1
    with pytest.raises(CircuitError, match=r"^line [56] "):
        read_spice(before + changing + after)


def test_a_circuit_named_like_an_element_is_written_so_that_its_name_stays_a_title() -> None:
    circuit = Circuit(name="R1 out 0 1k", output="a", elements=(Source(name="emf", nodes=("a", GROUND)), *load("a")))
    assert read_spice(spice_deck(circuit)).name == circuit.name
