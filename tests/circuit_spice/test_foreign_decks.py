"""Netlists as people write them: read by labkit they have the curve that the circuit simulator gives for their text."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.solve.solver import solve
from labkit.circuit.spice.deck import read_spice, spice_deck
from labkit.core.errors import CircuitError
from tests.circuit_spice.foreign_decks import DECKS


def test_there_are_thirty_decks() -> None:
    assert len(DECKS) >= 30


def simulated(texts: list[str], folder: Path) -> list[tuple[np.ndarray, np.ndarray]]:
    """Run decks through one process of the simulator as they stand; frequency, Hz, and the voltage at ``out``."""
    commands = ["set noaskquit", "set numdgt=14", "set wr_singlescale"]
    for number, text in enumerate(texts):
        (folder / f"d{number}.cir").write_text(text, encoding="utf-8")
        commands += [f"source d{number}.cir", "ac dec 10 20 20k", f"wrdata w{number} v(out)"]
    (folder / "all.cir").write_text("\n".join(["* all", ".control", *commands, "quit", ".endc", ".end", ""]), "ascii")
    done = subprocess.run(
        ["ngspice", "-b", "all.cir"],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    found = []
    for number, name in enumerate(DECKS):
        file = folder / f"w{number}"
        assert file.exists() or file.with_suffix(".data").exists(), (
            f"{name}: {done.stdout[-2000:]}{done.stderr[-2000:]}"
        )
        table = np.loadtxt(file if file.exists() else file.with_suffix(".data"), ndmin=2)
        found.append((table[:, 0], table[:, 1] + 1j * table[:, 2]))
    return found


@pytest.mark.ngspice
def test_a_deck_as_people_write_it_has_the_curve_of_the_circuit_simulator(tmp_path: Path) -> None:
    for (name, text), (frequency, voltage) in zip(DECKS.items(), simulated(list(DECKS.values()), tmp_path)):
        ours = solve(read_spice(text), frequency).transfer
        # the simulator's floors (1e-12 S) and the digits of the deck
        assert np.max(np.abs(ours - voltage)) < 2e-5 * np.max(np.abs(voltage)), name


@pytest.mark.ngspice
def test_a_deck_that_was_read_is_written_for_the_circuit_simulator_again(tmp_path: Path) -> None:
    circuits = [read_spice(text) for text in DECKS.values()]
    written = [spice_deck(circuit).partition(".control")[0] + ".end\n" for circuit in circuits]
    for name, circuit, (frequency, voltage) in zip(DECKS, circuits, simulated(written, tmp_path)):
        assert np.max(np.abs(solve(circuit, frequency).transfer - voltage)) < 2e-5 * np.max(np.abs(voltage)), name


def test_letters_in_place_of_the_point_are_read() -> None:
    circuit = read_spice("t\nV1 in 0 AC 1\nR1 in out 2k2\nR2 out 0 4R7\nC1 out 0 4n7\nR3 out 0 1meg5\n")
    values = [circuit["R1"].resistance, circuit["R2"].resistance, circuit["C1"].capacitance, circuit["R3"].resistance]
    assert values == [2200.0, 4.7, 4.7e-9, 1.5e6]


REFUSED = {
    "t\nV1 out 0 AC 1\nD1 out 0 dmod": "line 3 .*'D1' is a diode.*small-signal resistance",
    "t\nV1 out 0 AC 1\nQ1 a b c mod": "line 3 .*'Q1' is a transistor.*small-signal circuit: G",
    "t\nV1 out 0 AC 1\nB1 out 0 V=2*v(a)": "line 3 .*behavioural source.*controlled source E or G",
    "t\nV1 out 0 AC 1\nR1 out 0 1k\n.step param x 1 2 1": "line 4 .*'.step' is not read",
    "t\nV1 out 0 AC 1\nX1 out nothing": "no subcircuit is named 'nothing'",
    "t\nV1 out 0 AC 1\n.subckt load a\nR1 a 0 1k\n.ends\nX1 out laod": "Did you mean 'load'",
    "t\nV1 out 0 AC 1\n.subckt load a\nR1 a 0 1k\n.ends\nX1 out 0 load": r"has 1 nodes \(a\); got 2",
    "t\nV1 out 0 AC 1\n.subckt load a r=1\nR1 a 0 {r}\n.ends\nX1 out load q=2": "has no parameter 'q'",
    "t\nV1 out 0 AC 1\n.subckt load a\nX1 a load\n.ends\nX1 out load": "does one contain itself",
    "t\nV1 out 0 AC 1\n.subckt load a\nR1 a 0 1k": "line 3 .*is not closed",
    "t\nV1 out 0 AC 1\n.ends": "closes no subcircuit",
    "t\nV1 out 0 AC 1\n.param a={b} b={a}\nR1 out 0 {a}": "line 3 ",
    "t\nV1 out 0 AC 1\nR1 out 0 {1/0}": "has no value",
    "t\nV1 out 0 AC 1\nR1 out 0 {2*}": "a value is missing",
    "t\nV1 out 0 AC 1\nR1 out 0 {foo(2)}": "'foo' is no function here",
    "t\nV1 out 0 AC 1\nR1 out 0 {__import__}": "has no value|needs a number",
    "t\nV1 out 0 AC 1\nR1 out 0 {" + "(" * 90 + "1" + ")" * 90 + "}": "nested too deeply",
    "t\nV1 out 0 AC 1\nR1 out 0 {9^9^9^9}": "has no",
    "t\nV1 out 0 AC 1\nE1 out 0 POLY(1) a 0 1 2": "is written 'E1 out 0 in 0 gain'",
    "t\nV1 out 0 AC 1\nF1 out 0 V2 3": "none is named 'V2'",
}


@pytest.mark.parametrize(("text", "sentence"), REFUSED.items(), ids=[str(index) for index in range(len(REFUSED))])
def test_what_is_not_read_is_refused_by_line_with_what_to_write(text: str, sentence: str) -> None:
    with pytest.raises(CircuitError, match=sentence) as caught:
        read_spice(text)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 320
