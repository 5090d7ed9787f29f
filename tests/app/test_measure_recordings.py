"""Recording steps of the measure page without a browser: takes in, values out, a step done again."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
import soundfile

from labkit.app.kit.files import PIECE_BYTES, GivenFile
from labkit.app.pages.measure.page import MeasurePage
from labkit.app.pages.measure.recorder import Recorder, RecordingBench
from labkit.app.pages.measure.state import MeasurePageState
from labkit.app.pages.measure.sweeps import fit_asked
from labkit.bench.recording.excitation import excitation
from labkit.bench.recording.interface import SeriesResistor, interface_sheet_text
from labkit.core.errors import InputError
from tests.bench import sound_interface as simulated

COIL = simulated.coils(5)[4]
RATE = 44_100
SERIES = SeriesResistor()


def wav(samples: np.ndarray, name: str) -> GivenFile:
    buffer = io.BytesIO()
    soundfile.write(buffer, samples.T, RATE, format="WAV", subtype="FLOAT")
    return GivenFile(name=name, content=buffer.getvalue())


@pytest.fixture(scope="module")
def takes() -> dict[str, GivenFile]:
    interface = simulated.Interface(rate=RATE)
    made = {}
    for number, role in enumerate(("source", "open", "shorted", "pickup", "again")):
        made[role] = wav(simulated.record(interface, role, COIL, seed=number), f"{role}.wav")
    return made


def step(bench: RecordingBench, role: str) -> dict:
    return next(step for step in bench.view(SERIES)["steps"] if step["key"] == role)


def test_steps_follow_each_other_and_one_can_be_done_again(takes) -> None:
    bench = RecordingBench()
    assert step(bench, "source")["is_next"]
    bench.take("source", takes["source"])
    assert step(bench, "source")["said"].startswith("peaks −16 and −16 dBFS".replace("−", "-"))
    assert step(bench, "open")["is_next"]
    samples = soundfile.read(io.BytesIO(takes["open"].content))[0].T
    bench.take("open", wav(np.clip(samples, -0.03, 0.03), "open.wav"))
    assert "clipped" in step(bench, "open")["refused"]
    assert step(bench, "open")["is_next"]
    bench.take("open", takes["open"])
    assert step(bench, "open")["refused"] == ""
    assert step(bench, "shorted")["is_next"]
    assert bench.measurement(SERIES) is None


def test_the_steps_lead_to_the_pickup_off_once_more_and_what_it_narrows_is_said_without_it(takes) -> None:
    bench = RecordingBench()
    for role in ("source", "open", "shorted", "pickup"):
        bench.take(role, takes[role])
    assert bench.next_role() == "open again"
    without = bench.measurement(SERIES)
    assert any("a take with the pickup off once more" in warning for warning in without.sweep.warnings)
    before = without.fixture
    moved = simulated.record(simulated.Interface(rate=RATE), "open again", seed=6, drift=(0.0, 1e-12))
    bench.take("open again", wav(moved, "open again.wav"))
    assert bench.next_role() == "again"
    whole = bench.measurement(SERIES)
    assert not any("pickup off once more" in warning for warning in whole.sweep.warnings)
    after = whole.fixture
    assert after.meter_capacitance - before.meter_capacitance == pytest.approx(1e-12, rel=0.1)
    assert after.meter_capacitance_tolerance < 0.5 * before.meter_capacitance_tolerance


def test_takes_that_do_not_go_together_are_a_problem_of_all(takes) -> None:
    bench = RecordingBench()
    for role in ("source", "open", "pickup"):
        bench.take(role, takes[role])
    bench.take("shorted", takes["pickup"])
    assert "clips did not touch" in bench.view(SERIES)["problem"]


def test_the_page_fits_what_was_recorded(takes) -> None:
    state = MeasurePageState(query="?v=1&own.bench=recordings")
    assert state.is_recording
    assert state.asked is None
    assert "first four takes" in state.problem
    for role, given in takes.items():
        state.recording.take(role, given)
    asked = state.asked
    assert asked is not None
    assert asked.name == "pickup, measured"
    assert asked.resistance is None  # the demo's reading is no reading of this pickup
    assert state.fit is None
    assert state.needs_fit
    fit = fit_asked(asked)
    state.take_fit(asked, fit)
    assert state.fit is fit
    assert fit.inductance.value == pytest.approx(COIL.L, rel=3e-3)
    lines, rests = state.curves()
    assert len(rests) == 1
    assert any(line.is_measured for line in lines)


def test_a_kept_calibration_leaves_the_pickup_and_the_last_take(takes) -> None:
    first = RecordingBench()
    for role, given in takes.items():
        first.take(role, given)
    text = interface_sheet_text(first.calibration(SERIES))
    bench = RecordingBench()
    bench.keep(GivenFile(name="interface.toml", content=text.encode()))
    assert bench.next_role() == "pickup"
    assert "made today" in bench.view(SERIES)["calibration"]
    bench.take("pickup", takes["pickup"])
    bench.take("again", takes["again"])
    one, other = bench.measurement(SERIES), first.measurement(SERIES)
    np.testing.assert_allclose(one.sweep.magnitude, other.sweep.magnitude, rtol=1e-6)
    with pytest.raises(InputError, match="is no calibration"):
        bench.keep(GivenFile(name="photo.jpg", content=b"\xff\xd8\xff"))


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("take.mp3", b"ID3", "a WAV or FLAC file is due here"),
        ("take.wav", b"RIFF....", "breaks off|not a readable"),
        ("take.flac", b"fLaC" + bytes(40), "not a readable"),
    ],
)
def test_what_is_no_recording_is_refused_beside_its_step(name, content, words) -> None:
    bench = RecordingBench()
    bench.take("source", GivenFile(name=name, content=content))
    said = step(bench, "source")["refused"]
    assert re.search(words, said)
    assert "/" not in said.replace("WAV or FLAC", "")


def test_a_take_arrives_in_pieces_with_its_step(takes) -> None:
    recorder, sent, came = Recorder(), [], []
    recorder.send = lambda content, buffers=None: sent.append((content, buffers))
    recorder.on_take(lambda role, given: came.append((role, given.name, len(given.content))))
    content = takes["open"].content
    recorder._receive(
        recorder, {"do": "file-begin", "number": 1, "step": "open", "name": "a.wav", "size": len(content)}, []
    )
    for begin in range(0, len(content), PIECE_BYTES):
        recorder._receive(recorder, {"do": "file-piece", "number": 1}, [content[begin : begin + PIECE_BYTES]])
    recorder._receive(recorder, {"do": "file-end", "number": 1}, [])
    assert came == [("open", "a.wav", len(content))]
    assert sent[-1][0] == {"number": 1, "done": True}


def test_the_browser_gets_the_sound_at_its_own_rate() -> None:
    recorder, sent = Recorder(), []
    recorder.send = lambda content, buffers=None: sent.append((content, buffers))
    recorder._receive(recorder, {"do": "sound", "rate": 48_000}, [])
    ((content, buffers),) = sent
    assert content == {"sound": 48_000}
    np.testing.assert_allclose(np.frombuffer(buffers[0], dtype=np.float32), excitation("sweeps", 48_000), atol=1e-7)
    recorder._receive(recorder, {"do": "sound", "rate": 8000}, [])
    assert "44100 to 192000 Hz are due" in sent[-1][0]["no_sound"]


def test_the_page_shows_steps_only_where_they_belong() -> None:
    page = MeasurePage(MeasurePageState(query="?v=1&own.bench=recordings"))
    page.show()
    assert all("lab-away" not in part._dom_classes for part in page.recording_parts)
    assert "lab-away" in page.sweep_parts[0]._dom_classes
    assert "lab-away" in page.curve_box._dom_classes  # an empty drawing would say nothing
    assert "loudspeakers disconnected" in page.cautions.value
    page.state.set_index("own.bench", 0)
    page.show()
    assert all("lab-away" in part._dom_classes for part in page.recording_parts)
