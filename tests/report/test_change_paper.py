"""The customer sheet of a change: both curves, both loads, one sentence, cautions; nothing from outside runs in it."""

from __future__ import annotations

import re

import pytest

from labkit.report.change_paper import DOUBT, ChangeSheet, change_cautions, change_sheet_html, load_in_words
from labkit.report.paper_page import DEFER, PLUG, SOLDER
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, load_rig, set_value


@pytest.fixture
def rig() -> Rig:
    return load_rig("Saltmarsh Lane, narrow single coil")


def sheet(rig: Rig, **changes) -> ChangeSheet:
    after = set_value(rig, "cable.length", "10 m")
    given = {
        "title": "Cable",
        "sentence": "The peak moves.",
        "before": rig.response(),
        "after": after.response(),
        "before_label": "5 m",
        "after_label": "10 m",
        "before_load": load_in_words(rig),
        "after_load": load_in_words(after),
    }
    return ChangeSheet(**{**given, **changes})


def test_both_peaks_of_the_command_line_stand_in_the_table(rig):
    html = change_sheet_html(sheet(rig))
    for length in ("5 m", "10 m"):
        peak = set_value(rig, "cable.length", length).response().peak.frequency_hz
        assert f"<td>{peak / 1e3:.1f} kHz</td>" in html
    assert html.count("<polyline") == 2
    assert DOUBT in html
    assert "Not modelled" in html


def test_the_load_names_knobs_parts_cable_and_input(rig):
    words = load_in_words(rig)
    for part in ("volume at 10", "tone pot 250 kΩ", "tone capacitor 22 nF", "cable 5 m at 100 pF/m (500 pF)", "1 MΩ"):
        assert part in words


def test_a_switch_and_a_valve_input_are_named():
    words = load_in_words(load_rig("Saltmarsh Lane, three pickups"))
    assert "selector: neck and middle" in words
    assert words.endswith("valve input")


def test_a_rig_that_only_falls_has_no_peak_on_its_sheet(rig):
    dull = set_value(set_value(rig, "volume", "5"), "cable.length", "20 m")
    html = change_sheet_html(sheet(rig, after=dull.response()))
    assert "<td>no peak</td>" in html


def test_hostile_text_is_text(rig):
    evil = "<script>alert(1)</script>"
    html = change_sheet_html(
        sheet(rig, title=evil, sentence=evil, before_label=evil, after_load=evil, facts=((evil, evil),), advice=(evil,))
    )
    assert "<script" not in html


def test_the_sheet_asks_for_nothing_outside_itself(rig):
    html = change_sheet_html(sheet(rig)).replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?://|url\(|src=", html)


@pytest.mark.parametrize(
    ("name", "value", "solder", "plug"),
    [
        ("cable.length", "10 m", False, True),
        ("input.resistance", "500 kΩ", False, True),
        ("volume.value", "500 kΩ", True, False),
        ("tone_capacitor", "47 nF", True, False),
        ("volume", "5", False, False),
    ],
)
def test_cautions_stand_only_where_they_apply(rig, name, value, solder, plug):
    told = change_cautions(rig, set_value(rig, name, value))
    assert (SOLDER in told) == solder
    assert (PLUG in told) == plug
    assert DEFER in told


def test_another_pickup_calls_for_solder(rig):
    other = rig.replace(pickups={"bridge": load_pickup("two-coil")})
    assert SOLDER in change_cautions(rig, other)


def test_ends_of_curves_are_named_in_full_or_by_another_word(rig):
    html = change_sheet_html(sheet(rig, before_label="a name that is much too long to stand at a line's end"))
    assert "…" not in html
    assert ">B before</text>" in html
    assert ">A 10 m</text>" in html
