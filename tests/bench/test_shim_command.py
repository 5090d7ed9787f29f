"""`labkit shim`, from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from labkit.cli.main import main
from labkit.core.wav import write_wav
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.lift import predicted_lifts
from tests.bench.shim_bench import Lift

BUILD = "narrow single coil, built"
FLUX = {"E4": 33e-6, "G3": 101e-6, "E2": 250e-6}  # some 10 % over the plan at 2 mm
COMMON = ("--shim", "1 mm ± 0.02 mm", "--full-scale", "1.9 V ± 1 %")


@pytest.fixture(scope="module")
def lifted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lifted")
    for seed, (note, flux) in enumerate(FLUX.items()):
        bench = Lift(flux_per_mm=flux, full_scale=1.9, hum=1e-3)
        write_wav(folder / f"{note}.wav", bench.recording(seed), bench.rate)
    return folder


def run(capsys, *arguments: object) -> tuple[int, str, str]:  # type: ignore[no-untyped-def]
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_volts_per_velocity_come_out_with_their_interval(lifted: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = run(capsys, "shim", lifted / "E4.wav", "--string", "E4", *COMMON, "--pulses", "8", "--json")
    assert code == 0
    found = json.loads(out)["strings"][0]
    assert found["sensitivity_v_per_m_per_s"]["low"] < 33e-3 < found["sensitivity_v_per_m_per_s"]["high"]
    assert found["integral_v_s"]["value"] == pytest.approx(33e-6, rel=0.01)
    assert [pulse["fault"] for pulse in found["pulses"]] == [None] * 8
    assert found["predicted_v_per_m_per_s"] is None
    code, out, _ = run(capsys, "shim", lifted / "E4.wav", "--string", "E4", *COMMON)
    assert "mV/(m/s)" in out
    assert "8 pulses" in out
    assert "most of the doubt: height of the shim" in out


def test_lifted_strings_narrow_what_a_build_predicts(lifted: Path, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    files = [lifted / f"{note}.wav" for note in FLUX]
    notes = [part for note in FLUX for part in ("--string", note)]
    sheet = tmp_path / "shop_steel.toml"
    code, out, said = run(
        capsys, "shim", *files, *notes, *COMMON, "--against", BUILD, "--height", "2 mm", "--sheet", sheet, "--json"
    )
    assert code == 0, said
    data = json.loads(out)
    plan = predicted_lifts(load_built(BUILD).build, gap=2e-3, lift=1e-3)
    for row in data["strings"]:
        assert row["predicted_v_per_m_per_s"]["value"] == pytest.approx(plan[row["string"]].value)
        over = 20 * np.log10(row["sensitivity_v_per_m_per_s"]["value"] / plan[row["string"]].value)
        assert row["over_plan_db"]["value"] == pytest.approx(over)
    widths = []
    for setting in ((), ("--set", f"string_steel={sheet}")):
        _, out, _ = run(capsys, "pickup", BUILD, *setting, "--json")
        output = json.loads(out)["output"]
        widths.append(
            [
                row["sensitivity_v_per_m_per_s"]["high"] / row["sensitivity_v_per_m_per_s"]["low"]
                for row in output["strings"]
            ]
        )
    assert np.all(np.log(widths[1]) < 0.9 * np.log(widths[0]))
    assert output["basis"].startswith("model, its string steel told from lifted strings (E4, G3, E2 lifted by 1 mm")
    _, out, _ = run(capsys, "shim", *files, *notes, *COMMON, "--against", BUILD, "--height", "2 mm")
    assert "what this leaves of the steel's doubt" in out
    assert "plan 29" in out


def test_full_scale_may_come_from_a_kept_calibration(lifted: Path, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    from labkit.bench.recording.excitation import excitation

    played = excitation("sweeps", 44_100)
    for name, share in (("source", 0.9), ("open", 0.7), ("shorted", 1e-4)):
        write_wav(tmp_path / f"{name}.wav", np.stack([played, share * played]), 44_100)
    takes = [tmp_path / f"{name}.wav" for name in ("source", "open", "shorted")]
    box, bare = tmp_path / "box.toml", tmp_path / "bare.toml"
    stated = ("--full-scale", "1.9 V ± 1 %")
    assert (
        run(capsys, "sweep", "calibrate", *takes, "--series", "220k", "--name", "box", *stated, "--output", box)[0] == 0
    )
    assert run(capsys, "sweep", "calibrate", *takes, "--series", "220k", "--name", "box", "--output", bare)[0] == 0
    lift = ("shim", lifted / "E4.wav", "--string", "E4", "--shim", "1 mm")
    code, out, _ = run(capsys, *lift, "--interface", box, "--json")
    assert code == 0
    assert json.loads(out)["full_scale_v"] == pytest.approx(1.9)
    code, _, said = run(capsys, *lift, "--interface", bare)
    assert code == 2
    assert "states no volts per full scale; give --full-scale" in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--string", "E4", "--shim", "1 mm"), "volts per full scale are due: --full-scale '1.9 V ± 1 %'"),
        (("--string", "E4", "--string", "B3", *COMMON), "give one --string for each recording, in order; got 2 for 1"),
        (("--string", "E4", *COMMON, "--sheet", "x.toml"), "name the pickup's build with --against"),
        (("--string", "E4", *COMMON, "--height", "2 mm"), "name the pickup's build with --against"),
        (("--string", "E9", *COMMON, "--against", BUILD), "no string over narrow single coil, built is called 'E9'"),
        (("--string", "E4", *COMMON, "--against", BUILD, "--height", "9 kΩ"), "--height: "),
        (("--string", "E4", "--shim", "1 kΩ", "--full-scale", "1 V"), "--shim: "),
        (("--string", "E4", "--shim", "50 mm", "--full-scale", "1 V"), "the shim must be 0.1 to 5 mm high; got 50 mm"),
        (("--string", "E4", "--shim", "1 mm", "--full-scale", "1 V ± 80 %"), "tolerance must be 0 to 50 %; got 80 %"),
        (("--string", "E4", *COMMON, "--pulses", "9"), "9 pulses were expected and 8 found"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    lifted: Path,
    capsys,
    arguments: tuple[str, ...],
    said: str,  # type: ignore[no-untyped-def]
) -> None:
    code, _, error = run(capsys, "shim", lifted / "E4.wav", *arguments)
    assert code == 2
    assert said in error
    assert error.count("\n") == 1
