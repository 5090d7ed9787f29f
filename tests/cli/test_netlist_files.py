"""A netlist where a rig sheet goes, as a user runs the commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from labkit.cli.main import main

DECK = """Bench pickup
.subckt load a r=1meg
R1 a 0 {r}
C1 a 0 640p
.ends
V1 in 0 AC 1
R1 in a 5k
L1 a out 2.5
X1 out load r=250k
.print ac v(out)
"""


@pytest.fixture
def deck(tmp_path: Path) -> str:
    file = tmp_path / "bench.cir"
    file.write_text(DECK, encoding="utf-8")
    return str(file)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(list(arguments))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_response_of_a_netlist_is_that_of_its_divider(deck: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "response", deck, "--json", "--at", "100,1k,4k", "--set", "R1=8k")
    assert (code, err) == (0, "")
    data = json.loads(out)
    s = 2j * np.pi * np.array([100.0, 1e3, 4e3])
    load = 1 / (1 / 250e3 + s * 640e-12)
    gain = load / (load + 8e3 + 2.5 * s)
    assert data["gain_db"] == pytest.approx(20 * np.log10(np.abs(gain)), abs=1e-9)
    assert data["noise"]["rms_v"] > 0


@pytest.mark.parametrize(
    ("sweep", "expected"),
    [
        (".ac dec 10 100 10k", np.geomspace(100, 10e3, 21)),
        (".ac oct 2 100 1k", 100 * 2.0 ** (np.arange(7) / 2)),
        (".ac lin 5 1k 3k", [1000, 1500, 2000, 2500, 3000]),
    ],
)
def test_the_frequencies_of_a_netlist_are_its_own(
    sweep: str, expected: np.ndarray, deck: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(deck).write_text(f"{DECK}{sweep}\n", encoding="utf-8")
    data = json.loads(run(capsys, "response", deck, "--json")[1])
    assert data["frequency_hz"] == pytest.approx(expected, rel=1e-12)
    assert len(data["gain_db"]) == len(expected)
    assert json.loads(run(capsys, "response", deck, "--json", "--at", "2k")[1])["frequency_hz"] == [2000]


@pytest.mark.parametrize(
    ("sweep", "words"),
    [
        (".ac dec 10 100", "a sweep is written"),
        (".ac dec 10 10k 100", "the lower one first"),
        (".ac dec 1meg 20 20k", "at most 100000 frequencies"),
        (".ac lin 3 20 5meg", ".ac: "),
        (".ac dec 10 20 20k\n.ac dec 5 20 20k", "a second '.ac'"),
    ],
)
def test_a_sweep_that_cannot_be_had_is_one_line_and_code_2(
    sweep: str, words: str, deck: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(deck).write_text(f"{DECK}{sweep}\n", encoding="utf-8")
    code, _, err = run(capsys, "response", deck)
    assert (code, err.count("\n")) == (2, 1)
    assert words in err


def test_a_netlist_has_a_customer_sheet_and_no_lugs(deck: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "report", deck, "--set", "R1=8k")
    assert (code, err) == (0, "")
    assert "Bench pickup" in out
    assert "<svg" in out
    code, _, err = run(capsys, "wiring", deck)
    assert (code, err.count("\n")) == (2, 1)
    assert "a netlist stands for a rig" in err


def test_formula_drawing_and_deck_of_a_netlist(deck: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = run(capsys, "formula", deck)[1]
    assert "3.98 kHz" in text  # 1/(2π·√(2.5 · 640e-12))
    assert "Zs = R_R1 5.00 kΩ + L_L1 2.50 H" in text
    assert "<svg" in run(capsys, "schematic", deck)[1]
    assert run(capsys, "netlist", deck)[1].startswith("Bench pickup")


def test_tolerance_of_a_netlist_varies_its_parts(deck: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "tolerance", deck, "--json", "--count", "64", "--vary", "L1.value=10%")
    assert code == 0, err
    assert "L1" in out


@pytest.mark.parametrize(
    ("line", "words"),
    [("Q1 out b 0 any", "'Q1' is a transistor"), (".step param r 1k 2k 1k", "'.step' is not read")],
)
def test_what_a_netlist_cannot_hold_is_one_line_and_code_2(
    line: str, words: str, deck: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(deck).write_text(f"{DECK}{line}\n", encoding="utf-8")
    code, _, err = run(capsys, "response", deck)
    assert (code, err.count("\n")) == (2, 1)
    assert words in err
    assert "line 11" in err


def test_sound_of_a_netlist_is_refused(deck: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, _, err = run(capsys, "render", deck, "--output", str(tmp_path / "a.wav"))
    assert code == 2
    assert "needs at least one coil under the strings" in err
