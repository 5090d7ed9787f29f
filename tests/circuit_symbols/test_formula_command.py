"""The commands ``formula`` and ``netlist`` as a user runs them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.solve.solver import solve
from labkit.circuit.spice.deck import read_spice
from labkit.cli.main import main
from labkit.rig.sheet import load_rig

ONE = "Saltmarsh Lane, narrow single coil"
TWO = "Saltmarsh Lane, two pickups"


@pytest.fixture
def run(capsys):
    def call(*arguments: str) -> tuple[int, str, str]:
        code = main(list(arguments))
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_formula_json_agrees_with_the_response_command(run) -> None:
    code, out, _ = run("formula", ONE, "--json", "--method", "ring", "--set", "tone=0")
    data = json.loads(out)
    response = json.loads(run("response", ONE, "--json", "--set", "tone=0")[1])
    assert code == 0
    assert data["source"] == "all"
    # the tone capacitor's loss is left out of the formula; its effect here is stated and below a decibel
    assert data["peak"]["frequency_hz"] == pytest.approx(response["peak"]["frequency_hz"], rel=0.01)
    assert {"numerator", "denominator", "latex", "symbols", "poles_rad_per_s", "sensitivities"} <= set(data)
    assert data["output_impedance"]["numerator"]


def test_formula_text_and_latex_are_printed(run) -> None:
    code, out, _ = run("formula", ONE, "--method", "ring", "--full")
    assert (code, "H(s) = N(s) / D(s)" in out) == (0, True)
    assert run("formula", ONE, "--method", "ring", "--latex")[1].startswith("\\begin{aligned}")
    assert "Z_out(s)" in run("formula", ONE, "--method", "ring", "--impedance")[1]


def test_closed_forms_come_first_and_the_whole_on_request(run) -> None:
    code, out, _ = run("formula", ONE)
    assert code == 0
    assert len(out.splitlines()) <= 12
    assert "f0 = 1/(2π√(L·C))" in out
    assert "H(s) = N(s)" not in out
    assert "n_k" in run("formula", ONE, "--coefficients", "--method", "ring")[1]
    data = json.loads(run("formula", ONE, "--json", "--method", "ring")[1])
    resonance = data["closed_forms"][0]
    # 2.4 H with 717 pF is 3837 Hz by hand; the tone branch adds half a picofarad
    assert resonance["value"] == pytest.approx(3837, rel=2e-3)
    assert resonance["error"] == pytest.approx(resonance["value"] / data["peak"]["frequency_hz"] - 1, rel=1e-4)


def test_a_written_python_module_is_the_formula(run, tmp_path: Path) -> None:
    file = tmp_path / "gain.py"
    assert run("formula", ONE, "--python", "--method", "ring", "--output", str(file))[0] == 0
    space: dict = {}
    exec(compile(file.read_text(encoding="utf-8"), str(file), "exec"), space)
    frequency = np.geomspace(20, 20e3, 31)
    # the tone capacitor of this rig has no loss, so that nothing is left out
    assert np.allclose(space["gain"](frequency), load_rig(ONE).evaluate(frequency), rtol=1e-9)
    halved = space["gain"](frequency, C_1=717e-12 / 2)
    assert np.argmax(np.abs(halved)) > np.argmax(np.abs(space["gain"](frequency)))


def test_kept_parts_are_the_symbols(run) -> None:
    data = json.loads(run("formula", TWO, "--json", "--keep", "cable", "--keep", "volume")[1])
    parts = {part for symbol in data["symbols"].values() for part in symbol["parts"]}
    assert "cable" in parts
    assert parts <= {"cable", "volume.upper", "volume.lower"}


def test_one_pickup_alone_is_the_response_of_that_source(run) -> None:
    data = json.loads(run("formula", TWO, "--json", "--source", "neck", "--set", "selector=both", "--keep", "cable")[1])
    rig = load_rig(TWO)
    rig = rig.replace(settings={"selector": "both"})
    peak = rig.response(source="neck").peak
    assert peak is not None
    assert data["peak"]["frequency_hz"] == pytest.approx(peak.frequency_hz, rel=1e-3)


def test_netlist_read_back_is_the_rig(run, tmp_path: Path) -> None:
    file = tmp_path / "deck.cir"
    code, _, _ = run("netlist", TWO, "--set", "volume=6", "--output", str(file))
    assert code == 0
    circuit = read_spice(file.read_text(encoding="utf-8"))
    rig = load_rig(TWO).replace(settings={"volume": 6.0})
    frequency = np.geomspace(20, 20e3, 9)
    # the deck carries every digit
    assert np.allclose(solve(circuit, frequency).transfer, rig.evaluate(frequency), rtol=1e-9)
    assert json.loads(run("netlist", ONE, "--json")[1])["spice"].rstrip().endswith(".end")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("formula", ONE, "--keep", "cabel"), "Did you mean 'cable'"),
        (("formula", ONE, "--json", "--latex"), "exclude each other"),
        (("formula", ONE, "--source", "nek"), "no source"),
        (("formula", ONE, "--method", "magic"), "magic"),
        (("netlist", "no such rig"), "no such rig"),
        (("netlist", ONE, "--source", "nek"), "no source"),
    ],
)
def test_bad_requests_get_one_line_and_code_2(arguments: tuple[str, ...], words: str, run) -> None:
    code, _, err = run(*arguments)
    assert code == 2
    assert err.count("\n") == 1
    assert words in err
