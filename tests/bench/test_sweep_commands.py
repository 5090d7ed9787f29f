"""`labkit sweep` and `labkit fit` on recordings, from the command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from labkit.cli.main import main
from tests.bench import sound_interface as simulated

COIL = simulated.coils(3)[2]
RATE = 44_100


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("takes")
    interface = simulated.Interface(rate=RATE)
    for number, take in enumerate(("source", "open", "shorted", "pickup", "again")):
        samples = simulated.record(interface, take, COIL, seed=number)
        soundfile.write(folder / f"{take}.wav", samples.T, RATE, subtype="PCM_24")
    opened = simulated.record(interface, "open again", seed=7)
    soundfile.write(folder / "open again.wav", opened.T, RATE, subtype="PCM_24")
    driven = simulated.record(interface, "pickup", COIL, seed=8, exciter=True, level_db=-3.0)
    soundfile.write(folder / "driven.flac", driven.T, RATE, subtype="PCM_24")
    soundfile.write(folder / "clipped.wav", np.clip(samples.T, -0.03, 0.03), RATE, subtype="PCM_24")
    return folder


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_write_makes_what_is_played_and_says_how_to_record_it(tmp_path, capsys) -> None:
    code, _, said = run(capsys, "sweep", "write", tmp_path / "bench", "--rate", 44_100)
    assert code == 0
    assert "wrote" in said
    played, rate = soundfile.read(tmp_path / "bench" / "sweeps.wav")
    assert rate == 44_100
    assert 20 * np.log10(np.abs(played).max()) == pytest.approx(-12.0, abs=0.1)
    np.testing.assert_array_equal(played[:, 0], played[:, 1])
    note = (tmp_path / "bench" / "how to record.txt").read_text()
    assert "Phantom power off" in note
    assert "Disconnect headphones and loudspeakers" in note
    code, _, said = run(capsys, "sweep", "write", tmp_path / "bench")
    assert code == 2
    assert "exists already" in said


def test_recordings_become_the_pickup(takes, tmp_path, capsys) -> None:
    sheet, record = tmp_path / "pickup.toml", tmp_path / "record.html"
    files = [takes / f"{take}.wav" for take in ("source", "open", "shorted", "pickup", "again")]
    code, out, _ = run(capsys, "fit", *files, "--series", "220k ± 1 %", "--json", "--sheet", sheet, "--record", record)
    data = json.loads(out)
    assert code == 0
    for key, truth in (("resistance_ohm", COIL.R), ("inductance_h", COIL.L), ("capacitance_f", COIL.C)):
        assert data[key]["value"] == pytest.approx(truth, rel=3e-3)
    assert "pickup" in sheet.read_text()
    assert "<svg" in record.read_text()


def test_the_pickup_off_once_more_is_taken_by_its_name(takes, capsys) -> None:
    roles = ("source", "open", "shorted", "pickup", "open again", "again")
    code, out, _ = run(capsys, "fit", *(takes / f"{role}.wav" for role in roles), "--series", "220k")
    assert code == 0
    assert "told from the take with the pickup off once more" in out


def test_a_kept_calibration_serves_the_next_pickup(takes, tmp_path, capsys) -> None:
    kept = tmp_path / "box.toml"
    calibration = [takes / f"{take}.wav" for take in ("source", "open", "shorted", "again")]
    code, out, _ = run(
        capsys, "sweep", "calibrate", *calibration, "--series", "220k", "--name", "box", "--output", kept, "--json"
    )
    data = json.loads(out)
    assert code == 0
    assert data["input_resistance_ohm"] == pytest.approx(1e6, rel=0.01)
    assert data["shift_db"] < 0.01
    code, out, _ = run(capsys, "fit", takes / "pickup.wav", takes / "again.wav", "--interface", kept, "--json")
    assert code == 0
    assert json.loads(out)["inductance_h"]["value"] == pytest.approx(COIL.L, rel=3e-3)


def test_an_exciter_with_its_current_sensed_gives_the_same_coil(takes, tmp_path, capsys) -> None:
    files = [takes / "source.wav", takes / "open.wav", takes / "shorted.wav", takes / "driven.flac"]
    arguments = ["--series", "220k", "--kind", "exciter", "--resistance", f"{COIL.R:.0f} Ω ± 0.5 %", "--json"]
    code, out, said = run(capsys, "fit", *files, *arguments)
    assert code == 0, said
    data = json.loads(out)
    # from the curve's shape alone, with the input's load taken out
    assert data["inductance_h"]["value"] == pytest.approx(COIL.L, rel=0.02)
    assert data["capacitance_f"]["value"] == pytest.approx(COIL.C, rel=0.05)
    assert data["rig_corner_hz"] is None


def test_check_names_what_is_wrong_and_ends_with_one(takes, capsys) -> None:
    code, out, _ = run(capsys, "sweep", "check", takes / "pickup.wav", takes / "clipped.wav")
    assert code == 1
    good, bad = out.strip().splitlines()
    assert good.startswith("pickup.wav: good (sweeps; peaks ")
    assert bad.startswith("clipped.wav: cannot be used: both channels are clipped")


BARE = ("source.wav", "open.wav", "shorted.wav", "--series", "220k")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["fit", "pickup.wav"], "recordings need --series"),
        (["fit", "pickup.wav", "--series", "220k"], "a calibration needs the take with both channels"),
        (["fit", "source.wav", "open.wav", "shorted.wav", "--series", "220k"], "none of the recordings is of a pickup"),
        (["fit", "clipped.wav", "--series", "220k"], "clipped.wav: both channels are clipped"),
        (["fit", "pickup.wav", "sweep.csv", "--series", "220k"], "sweep.csv: is no recording"),
        (["fit", "sweep.csv", "--sense", "100"], "belong to recordings"),
        (["fit", "open again.wav", *BARE, "driven.flac", "pickup.wav"], "shows the lead as it lay in one recording"),
        (["sweep", "calibrate", "open again.wav", "--series", "220k", "--name", "x"], "fit the pickup with labkit fit"),
        (["sweep", "calibrate", "pickup.wav", "--series", "220k", "--name", "x"], "fit the pickup with labkit fit"),
        (["sweep", "calibrate", "open.wav", "--series", "22 Ω", "--name", "x"], "1 kΩ to 10 MΩ"),
        (["sweep", "write", "out", "--rate", "8000"], "44100 to 192000"),
        (["sweep", "check", "absent.wav"], "there is no file"),
    ],
)
def test_bad_input_gets_one_sentence(takes, capsys, monkeypatch, arguments, words) -> None:
    monkeypatch.chdir(takes)
    code, _, said = run(capsys, *arguments)
    assert code == 2
    assert words in said
    assert said.count("\n") == 1
    assert not (takes / "out").exists()


# playing and recording on this machine


class SoundSystem:
    """Stands in for the library sounddevice: an interface that the simulated takes come from, beside two others.

    Names and defaults of arguments are those of sounddevice 0.5.6.
    """

    class PortAudioError(Exception):
        pass

    def __init__(self, folder: Path) -> None:
        self.folder, self.take, self.status, self.stopped, self.asked = folder, "source", "", 0, {}
        self.default = SimpleNamespace(device=[0, 0])
        self.devices = [
            {"name": "laptop", "max_input_channels": 1, "max_output_channels": 2},
            {"name": "Bench Box, inputs", "max_input_channels": 4, "max_output_channels": 0},
            {"name": "Bench Box, outputs", "max_input_channels": 0, "max_output_channels": 2},
        ]

    def query_devices(self, number: int | None = None):
        return self.devices if number is None else self.devices[number]

    def playrec(
        self,
        data,
        samplerate=None,
        channels=None,
        dtype=None,
        out=None,
        input_mapping=None,
        output_mapping=None,
        blocking=False,
        *,
        device=None,
    ):
        self.asked = {"data": data, "input_mapping": input_mapping, "device": device}
        if samplerate != RATE:
            raise self.PortAudioError("Invalid sample rate [PaErrorCode -9997]")
        samples, _ = soundfile.read(self.folder / f"{self.take}.wav", dtype=dtype)
        if not blocking:
            return np.zeros_like(samples)  # filled while the caller goes on
        return samples if input_mapping == [1, 2] else samples[:, ::-1]

    def get_status(self):
        return self.status

    def stop(self):
        self.stopped += 1


@pytest.fixture
def system(takes, monkeypatch) -> SoundSystem:
    made = SoundSystem(takes)
    monkeypatch.setitem(sys.modules, "sounddevice", made)
    return made


def test_five_takes_recorded_on_this_machine_become_the_pickup(system, tmp_path, capsys) -> None:
    files = []
    for system.take in ("source", "open", "shorted", "pickup", "again"):
        files.append(tmp_path / f"{system.take}.wav")
        code, out, said = run(capsys, "sweep", "record", files[-1], "--device", "bench", "--rate", RATE, "--yes")
        assert code == 0, said
        assert out.startswith(f"{system.take}.wav: good (sweeps; peaks ")
    assert system.asked["device"] == (1, 2)
    played = system.asked["data"]
    assert played.shape[1] == 2
    assert 20 * np.log10(np.abs(played).max()) == pytest.approx(-12.0, abs=0.1)
    assert system.stopped == 5
    code, out, _ = run(capsys, "fit", *files, "--series", "220k", "--json")
    assert json.loads(out)["inductance_h"]["value"] == pytest.approx(COIL.L, rel=3e-3)


def test_a_take_that_cannot_be_used_is_kept_and_ends_with_one(system, tmp_path, capsys) -> None:
    system.take = "shorted"
    arguments = ["sweep", "record", tmp_path / "x.wav", "--device", "Box", "--inputs", "2,1", "--rate", RATE, "--yes"]
    code, out, _ = run(capsys, *arguments)
    assert code == 1
    assert "channels are swapped" in out
    assert (tmp_path / "x.wav").exists()
    assert system.asked["input_mapping"] == [2, 1]


def test_nothing_plays_before_the_cautions_are_answered(system, tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.setattr("click.termui.visible_prompt_func", lambda _: "n")
    code, _, said = run(capsys, "sweep", "record", tmp_path / "pickup.wav", "--device", "bench", "--rate", RATE)
    assert code == 130
    assert "stopped" in said
    assert not system.asked
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--device", "studio"], "named 'studio' has an output and 2 inputs; this machine has: laptop (1 in, 2 out); "),
        ([], "of the system's choice has an output and 2 inputs"),
        (["--device", "bench", "--inputs", "3,9"], "and 9 inputs"),
        (["--device", "bench", "--inputs", "1,1"], "two different inputs"),
        (["--device", "bench", "--inputs", "one"], "such as 1,2; got 'one'"),
        (["--device", "bench", "--rate", "96000"], "cannot play and record at 96000 Hz (Invalid sample rate"),
    ],
)
def test_a_recording_that_cannot_begin_gets_one_sentence(system, tmp_path, capsys, arguments, words) -> None:
    code, _, said = run(capsys, "sweep", "record", tmp_path / "pickup.wav", "--yes", "--rate", RATE, *arguments)
    assert code == 2
    assert words in said
    assert not list(tmp_path.iterdir())
    assert "Traceback" not in said


def test_samples_that_the_system_lost_and_an_interruption_leave_no_file(system, tmp_path, capsys, monkeypatch) -> None:
    arguments = ["sweep", "record", tmp_path / "pickup.wav", "--device", "bench", "--rate", RATE, "--yes"]
    system.status = "input overflow"
    code, _, said = run(capsys, *arguments)
    assert code == 2
    assert "the sound system lost samples (input overflow)" in said

    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(system, "playrec", interrupted)
    code, _, said = run(capsys, *arguments)
    assert code == 130
    assert system.stopped == 2
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("library", [None, "broken"])
def test_without_the_library_one_sentence_says_what_to_do(tmp_path, capsys, monkeypatch, library) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    if library == "broken":
        monkeypatch.delitem(sys.modules, "sounddevice")
        (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
        monkeypatch.syspath_prepend(tmp_path)
    code, _, said = run(capsys, "sweep", "record", tmp_path / "pickup.wav", "--yes")
    assert code == 2
    assert ("pip install sounddevice" if library is None else "PortAudio library not found") in said
    assert said.count("\n") == 1
