"""Strings lifted by a shim on the measure page: recordings in, verdict and steel out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.app.kit.files import GivenFile
from labkit.app.pages.measure.lifts import LiftBench
from labkit.app.pages.measure.page import MeasurePage
from labkit.app.pages.measure.state import MeasurePageState
from labkit.bench.recording.interface import interface_sheet_text
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.core.wav import wav_bytes
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.lift import predicted_lifts
from labkit.pickup.string.known_steel import steel_from_sheet
from tests.bench.shim_bench import Lift
from tests.bench.test_recording import calibration

FULL_SCALE = 1.9
_HEAD = ("sheet", "format")
BUILD = "narrow single coil, built"
PLAN = predicted_lifts(load_built(BUILD).build, gap=2e-3, lift=1e-3)
QUERY = f"?v=1&own.bench=lifts&own.lift_scale={FULL_SCALE:g}"


def recorded(note: str, factor: float, moves: int = 8) -> GivenFile:
    """A string that puts out ``factor`` of what the build predicts, recorded with an open first channel."""
    bench = Lift(flux_per_mm=factor * PLAN[note].value * 1e-3, full_scale=FULL_SCALE, hum=1e-3, moves=moves)
    samples = bench.recording(4)
    return GivenFile(name=f"{note}.wav", content=wav_bytes(np.stack([0 * samples, samples]), bench.rate))


@pytest.fixture
def page() -> MeasurePage:
    page = MeasurePage(MeasurePageState(query=QUERY))
    page.show()
    return page


def give(page: MeasurePage, note: str, given: GivenFile) -> None:
    page._recorded(note, given)


def step(page: MeasurePage, note: str) -> dict:
    return next(each for each in page.recorder.view["steps"] if each["key"] == note)


def test_each_string_is_a_step_and_the_sound_is_not_played(page) -> None:
    assert [each["title"] for each in page.recorder.view["steps"]] == ["E4", "B3", "G3", "D3", "A2", "E2"]
    assert page.recorder.view["plays"] is False
    assert step(page, "E4")["is_next"]
    assert "lab-away" in page.of_sweeps._dom_classes
    assert "lab-away" in page.curve_box._dom_classes
    assert "lab-away" in page.steel_box._dom_classes
    assert "eye protection" in page.cautions.value
    assert "Two shims" in page.wiring.value


def test_a_string_within_the_prediction_is_said_so_and_leaves_steel_to_keep(page) -> None:
    give(page, "E4", recorded("E4", 1.05))
    give(page, "E2", recorded("E2", 1.05))
    assert "8 good pulses on channel 2" in step(page, "E4")["said"]
    assert "E4 and E2 lie within what narrow single coil, built predicts." in page.said.value
    judged = page.state.judged_lifts()
    # 2 %: the shim's and the input's own tolerances do not enter a simulated truth, the reading's scatter does
    assert judged.lifts[0].sensitivity.value == pytest.approx(1.05 * PLAN["E4"].value, rel=0.02)
    assert judged.lifts[0].sensitivity.low < judged.lifts[0].sensitivity.value < judged.lifts[0].sensitivity.high
    made = page._steel_sheet()
    assert made.name == "shop_steel.toml"
    kept = steel_from_sheet(parse_sheet(made.content.decode(), "shop_steel.toml", kinds=("string steel",)))
    assert kept.deviations["wrap_susceptibility"] < 0.9 * 0.5  # a wound string was lifted; before it is ×/÷ 1.65
    assert kept.rests_on == f"E4, E2 lifted by 1 mm from 2 mm over {BUILD}"
    assert "lab-away" not in page.steel_box._dom_classes


def test_a_string_outside_the_prediction_is_named_with_its_side(page) -> None:
    give(page, "G3", recorded("G3", 0.4))
    assert "Outside what narrow single coil, built predicts: G3, " in page.said.value
    assert " dB less. Height, turns" in page.said.value
    assert "would be taken for the steel" in page.said.value
    assert "are not what the sheet says" in page.said.value


def test_without_volts_per_full_scale_the_page_asks_for_them(page) -> None:
    page._then_show(page.state.set_index, "own.lift_scale", 0)
    give(page, "E4", recorded("E4", 1.0))
    assert "Volts per full scale are due" in page.recorder.view["problem"]
    assert page.said.value == ""
    with pytest.raises(InputError, match="volts per full scale"):
        page._steel_sheet()


def test_a_kept_calibration_states_full_scale(page) -> None:
    page._then_show(page.state.set_index, "own.lift_scale", 0)
    give(page, "E4", recorded("E4", 1.0))
    text = interface_sheet_text(replace(calibration(), full_scale=FULL_SCALE, full_scale_tolerance=0.01))
    page._recorded("calibration", GivenFile(name="box.toml", content=text.encode()))
    assert page.recorder.view["problem"] == ""
    assert "full scale 1.9 V" in page.recorder.view["calibration"]
    assert "E4 lies within" in page.said.value
    with pytest.raises(InputError, match="states no volts per full scale"):
        LiftBench().keep(GivenFile(name="box.toml", content=interface_sheet_text(calibration()).encode()))


def test_a_damaged_recording_is_refused_beside_its_string_and_the_others_stay(page) -> None:
    give(page, "E4", recorded("E4", 1.0))
    give(page, "B3", recorded("B3", 1.0, moves=4))
    assert "4 good pulses, at least 6 are due" in step(page, "B3")["refused"]
    assert "/" not in step(page, "B3")["refused"]
    assert step(page, "E4")["is_done"]
    give(page, "B3", GivenFile(name="b.mp3", content=b"ID3"))
    assert "a WAV or FLAC file is due here" in step(page, "B3")["refused"]
    assert "E4 lies within" in page.said.value


def test_without_a_build_the_strings_are_measured_and_nothing_is_claimed(page) -> None:
    page._then_show(page.state.set_index, "own.lift_over", 0)
    give(page, "E4", recorded("E4", 1.0))
    assert "mV/(m/s)" in page.said.value
    assert "predicts" not in page.said.value.replace("Build predicts", "")
    assert "lab-away" in page.steel_box._dom_classes


def test_an_opened_build_is_what_strings_are_lifted_over(page) -> None:
    table = {**catalogue().item("pickup", BUILD).data, "name": "mine"}
    page.open_sheet(sheet_text("pickup", {key: value for key, value in table.items() if key not in _HEAD}), "mine.toml")
    assert page.state.values["own.lift_over"] == "mine (opened)"
    give(page, "E4", recorded("E4", 1.0))
    assert "E4 lies within what mine predicts" in page.said.value
