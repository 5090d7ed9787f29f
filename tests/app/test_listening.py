"""The page's sound: length, loudness, refusals."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from labkit.app.kit.sound import render_sound, take_names
from labkit.app.pages.rig.state import RigPageState
from labkit.core.errors import InputError
from labkit.sound.loudness import QUIET_LUFS, integrated_loudness


@pytest.fixture(scope="module")
def pair():
    state = RigPageState(query="cable.length=20&pin=cable.length%3D1")
    compared = state.compared
    return render_sound(state.rig, other=state.rig_of(compared.pin.setup), other_name=compared.short)


def test_both_versions_last_as_long_as_the_take(pair):
    # the usual take states a duration of 4 s; files hold whole samples
    for data in (pair.now, pair.other):
        assert soundfile.info(io.BytesIO(data)).duration == pytest.approx(4.0, abs=1 / 48_000)


def test_both_versions_are_equally_loud_and_quiet(pair):
    levels = [integrated_loudness(*_read(data)) for data in (pair.now, pair.other)]
    # trade practice for a fair comparison: within 0.1 dB
    assert levels[0] == pytest.approx(levels[1], abs=0.1)
    # the meter is good to 0.1 LU; 16-bit rounding is far below
    assert max(levels) <= QUIET_LUFS + 0.1


def test_the_two_versions_are_not_the_same_sound(pair):
    assert pair.now != pair.other


def test_the_level_difference_before_matching_is_stated(pair):
    assert "same loudness" in pair.note
    assert " dB " in pair.note or "as loud as" in pair.note


def test_a_volume_turned_down_is_softer_and_the_other_way_round_louder():
    down, up = RigPageState(query="volume=5").rig, RigPageState().rig
    assert " dB softer than the other" in render_sound(down, other=up, other_name="up").note
    assert " dB louder than the other" in render_sound(up, other=down, other_name="down").note


def test_a_caution_about_hearing_is_always_there(pair):
    alone = render_sound(RigPageState().rig)
    assert "damages hearing" in pair.note
    assert "damages hearing" in alone.note
    assert alone.other == b""


def test_silence_is_refused_with_what_to_do():
    with pytest.raises(InputError, match="Turn the volume up"):
        render_sound(RigPageState(query="volume=0").rig)


def test_takes_are_offered_with_the_chord_first():
    names = take_names()
    assert names[0] == "E chord"
    assert len(names) == len(set(names))


def _read(data: bytes) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(io.BytesIO(data))
    return samples, rate
