"""`labkit fit` and `labkit diagnose` from the command line: exit codes, JSON keys, files, one-line refusals."""

import json

import numpy as np
import pytest

from labkit.bench.fit.fit import fit_sheet_text, fit_sweeps
from labkit.bench.fit.fixture import NO_LOAD, STANDARD_LOAD, Fixture, Measurement
from labkit.bench.fit.model import fixture_reading
from labkit.bench.read.sweep import Sweep
from labkit.cli.main import main
from labkit.core.sheet import parse_sheet
from labkit.pickup.electrical import Coil, EddySection
from labkit.pickup.sheet import read_pickup
from labkit.rig.sheet import load_pickup

COIL = Coil(
    resistance=6200.0, inductance=2.6, capacitance=120e-12, eddy=(EddySection(fraction=0.15, corner_hz=3000.0),)
)
FREQUENCY = np.geomspace(50, 15_000, 80)


def write_sweep(path, load=NO_LOAD, kind="impedance", header="Frequency [Hz],Impedance [ohm]"):
    fixture = Fixture(kind=kind, load=load, series_resistance=1e6 if kind == "divider" else None)
    values = np.abs(fixture_reading(COIL, fixture, FREQUENCY))
    path.write_text(header + "\n" + "".join(f"{f:.4f},{v:.8g}\n" for f, v in zip(FREQUENCY, values)))
    return str(path)


def test_fit_prints_the_agreed_json(tmp_path, capsys):
    code = main(["fit", write_sweep(tmp_path / "bare.csv"), "--json"])
    data = json.loads(capsys.readouterr().out)
    assert code == 0
    assert data["inductance_h"]["low"] <= data["inductance_h"]["value"] <= data["inductance_h"]["high"]
    # noise-free: the sweep holds eight digits, the optimiser stops at 1e-8 of the sum of squares
    assert data["inductance_h"]["value"] == pytest.approx(2.6, rel=1e-3)
    assert data["resistance_ohm"]["value"] == pytest.approx(6200.0, rel=1e-3)
    assert data["capacitance_f"]["value"] == pytest.approx(120e-12, rel=1e-3)
    assert data["eddy"][0]["fraction"]["value"] == pytest.approx(0.15, rel=1e-2)
    assert data["residual_db"] < 0.01
    assert data["warnings"] == []


def test_fit_of_two_loads_writes_a_sheet_that_any_rig_can_load(tmp_path, capsys):
    bare, loaded = write_sweep(tmp_path / "bare.csv"), write_sweep(tmp_path / "loaded.csv", STANDARD_LOAD)
    sheet = tmp_path / "pickup.toml"
    arguments = [
        "fit",
        bare,
        loaded,
        "--load",
        "none",
        "--load",
        "200k+470p",
        "--sheet",
        str(sheet),
        "--name",
        "bench 4",
    ]
    assert main(arguments) == 0
    assert "95 % bounds" in capsys.readouterr().out
    pickup = load_pickup(str(sheet))
    assert pickup.name == "bench 4"
    # the sheet keeps four digits
    assert pickup.coils["main"].inductance == pytest.approx(2.6, rel=1e-3)
    assert "bare.csv" in sheet.read_text()
    assert "95 % bounds" in sheet.read_text()
    assert main(arguments) == 2
    assert "exists already" in capsys.readouterr().err


def test_fitted_sheet_reads_back_to_the_fit():
    fixture = Fixture(kind="impedance")
    sweep = Sweep(frequency_hz=FREQUENCY, magnitude=np.abs(fixture_reading(COIL, fixture, FREQUENCY)), kind="impedance")
    fit = fit_sweeps([Measurement(sweep=sweep, fixture=fixture)], fit_loss=True)
    pickup = read_pickup(parse_sheet(fit_sheet_text(fit), "fitted"))
    coil = pickup.coils["main"]
    # half a unit in the fourth digit is at most 5e-4
    assert coil.resistance == pytest.approx(fit.resistance.value, rel=5e-4)
    assert coil.capacitance == pytest.approx(fit.capacitance.value, rel=5e-4)
    assert coil.eddy[0].corner_hz == pytest.approx(fit.eddy[0].corner_hz.value, rel=5e-4)


def test_divider_and_dc_reading_options(tmp_path, capsys):
    path = write_sweep(tmp_path / "divider.csv", kind="divider", header="Frequency [Hz],ratio V/V")
    code = main(["fit", path, "--kind", "divider", "--series", "1M", "--resistance", "6.2 kΩ ± 0.5 %", "--json"])
    data = json.loads(capsys.readouterr().out)
    assert code == 0
    assert data["inductance_h"]["value"] == pytest.approx(2.6, rel=1e-3)
    assert any("DC resistance" in line for line in data["provenance"])
    assert any("their sum" in warning for warning in data["warnings"])


REFUSALS = {
    "no kind": (["--magnitude-unit", "linear"], "give --kind"),
    "loads do not match": (["--load", "none", "--load", "none"], "one --load for each sweep"),
    "bad load": (["--load", "3x"], "not a unit"),
    "bad sections": (["--sections", "many"], "whole number or 'auto'"),
    "bad band": (["--band", "40"], "LOW-HIGH"),
    "divider without resistor": (["--kind", "divider", "--magnitude-unit", "linear"], "series resistor"),
    "bad column": (["--column", "3"], "ROLE=COLUMN"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_bad_options_end_in_one_line_and_exit_code_two(case, tmp_path, capsys):
    options, sentence = REFUSALS[case]
    path = write_sweep(tmp_path / "sweep.csv", header="Frequency [Hz],value")
    assert main(["fit", path, *options]) == 2
    message = capsys.readouterr().err
    assert sentence in message
    assert message.count("\n") == 1


def test_missing_sweep_is_refused(tmp_path, capsys):
    assert main(["fit", str(tmp_path / "none.csv")]) == 2
    assert "no sweep file" in capsys.readouterr().err


PLAN = """
sheet = "pickup"
format = 1
name = "narrow single coil, planned"
[coil.main]
resistance = "5.805 kΩ"
inductance = "2.4 H"
capacitance = "110 pF"
"""


def readings(resistance):
    return f'sheet = "readings"\nformat = 1\nname = "no. 14"\ntemperature = "20 °C"\nresistance = "{resistance}"\n'


def test_diagnose_passes_fails_and_writes_the_record(tmp_path, capsys):
    plan, good, bad = tmp_path / "plan.toml", tmp_path / "good.toml", tmp_path / "bad.toml"
    plan.write_text(PLAN)
    good.write_text(readings("5.83 kΩ"))
    bad.write_text(readings("7.35 kΩ"))
    assert main(["diagnose", str(plan), str(good)]) == 0
    assert "Within the plan's tolerances" in capsys.readouterr().out
    record = tmp_path / "record.html"
    assert main(["diagnose", str(plan), str(bad), "--json", "--record", str(record)]) == 1
    data = json.loads(capsys.readouterr().out)
    assert data["passes"] is False
    assert "wrong wire gauge" in [finding["cause"] for finding in data["findings"]]
    assert all(finding["check"] for finding in data["findings"])
    assert "Not passed" in record.read_text()


def test_diagnose_refuses_a_sheet_of_another_kind(tmp_path, capsys):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    assert main(["diagnose", str(plan), str(plan)]) == 2
    assert "'pickup' sheet" in capsys.readouterr().err


def meter_file(path, mark="."):
    """Four readings of an LCR meter in millihenries, without a unit in the header, from the fit's own coil."""
    hertz = np.array([100.0, 1e3, 4e3, 10e3])
    z = fixture_reading(COIL, Fixture(kind="impedance"), hertz)
    rows = [f"{f:g};{v.imag / (2 * np.pi * f) * 1e3:.9g};{v.imag / v.real:.9g}" for f, v in zip(hertz, z)]
    path.write_text("Frequency (Hz);Primary;Secondary\n" + "\n".join(rows).replace(".", mark) + "\n")
    return str(path)


@pytest.mark.parametrize("mark", [".", ","])
def test_every_option_that_a_question_names_is_taken(mark, tmp_path, capsys):
    file = meter_file(tmp_path / "meter.csv", mark)
    assert main(["fit", file, "--json"]) == 2
    assert "say which: --column magnitude=2 or --column magnitude=3" in capsys.readouterr().err
    options = ["--column", "Ls=2:mH", "--column", "Q=3", "--separator", "semicolon"]
    decimal = ["--decimal", "comma" if mark == "," else "point"]
    assert main(["fit", file, "--json", *options, *decimal]) == 0
    # nine digits of the very model
    assert json.loads(capsys.readouterr().out)["inductance_h"]["value"] == pytest.approx(2.6, rel=1e-4)


def test_a_two_port_and_a_logarithm_are_settled_on_the_command_line(tmp_path, capsys):
    z = fixture_reading(COIL, Fixture(kind="impedance"), FREQUENCY)
    through = 2e6 / (z + 2e6)
    rows = [f"{f:.6f} 0 0 {s.real:.15f} {s.imag:.15f} 0 0 0 0\n" for f, s in zip(FREQUENCY, through)]
    (tmp_path / "box.s2p").write_text("# Hz S RI R 1e6\n" + "".join(rows))
    assert main(["fit", str(tmp_path / "box.s2p"), "--json"]) == 2
    assert "--through series" in capsys.readouterr().err
    assert main(["fit", str(tmp_path / "box.s2p"), "--json", "--through", "series"]) == 0
    assert json.loads(capsys.readouterr().out)["inductance_h"]["value"] == pytest.approx(2.6, rel=1e-4)
    logarithms = "".join(f"{np.log10(f):.9f},{abs(v):.9g}\n" for f, v in zip(FREQUENCY, z))
    (tmp_path / "log.csv").write_text(f"f,Impedance (ohm)\n{logarithms}")
    assert main(["fit", str(tmp_path / "log.csv"), "--json", "--frequency-unit", "log10 Hz"]) == 0
    assert json.loads(capsys.readouterr().out)["inductance_h"]["value"] == pytest.approx(2.6, rel=1e-2)
