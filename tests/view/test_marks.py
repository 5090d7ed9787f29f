"""What is marked on a curve: at the place that the reading says, in words of the bench, and never out of the plot."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from labkit.rig.sheet import load_rig, set_value
from labkit.view.curve.curve import BENCH_DB, RIG_DB, Curve, draw_curves
from labkit.view.curve.marks import level_difference, shade_outside
from labkit.view.palette import COPPER, NOW, PINS
from labkit.view.words import read_response

SVG = "{http://www.w3.org/2000/svg}"
RIG = "Saltmarsh Lane, narrow single coil"
GRID = np.geomspace(50.0, 20_000.0, 220)


def rig_curve(label, style=NOW, **changes):
    rig = load_rig(RIG)
    for key, value in changes.items():
        rig = set_value(rig, key.replace("__", "."), value)
    response = rig.response(GRID)
    return Curve(
        frequency_hz=GRID, gain_db=response.shown_gain_db, label=label, style=style, reading=read_response(response)
    )


LONG, SHORT = rig_curve("A 10 m", cable__length="10 m"), rig_curve("B 3 m", PINS[0], cable__length="3 m")


def drawing(*curves, width=790, compares=True, **more):
    return ElementTree.fromstring(
        draw_curves(curves, title="t", description="d", width=width, compares=compares, **more)
    )


def words(svg):
    return [text.text for text in svg.iter(f"{SVG}text")]


def place(svg, frequency_hz):
    left, right, _, _ = map(float, svg.get("data-frame").split())
    low, high, _, _ = map(float, svg.get("data-range").split())
    return left + np.log(frequency_hz / low) / np.log(high / low) * (right - left)


def test_the_peak_is_ringed_where_it_lies_and_said_with_its_note():
    svg = drawing(LONG, SHORT)
    rings = {ring.get("stroke"): ring for ring in svg.iter(f"{SVG}circle")}
    for curve in (LONG, SHORT):
        # coordinates are written to two decimals
        assert float(rings[curve.style.colour].get("cx")) == pytest.approx(place(svg, curve.reading.peak_hz), abs=0.01)
    # 2.8 kHz lies nearest to F7, 2794 Hz (ISO 16)
    assert "peak 2.8 kHz · F7 · +5.4 dB" in words(svg)
    assert sum("peak" in text for text in words(svg)) == 1


def test_a_curve_that_falls_away_says_from_where():
    assert "−3 dB at 4.5 kHz" in words(drawing(LONG))
    open_coil = rig_curve("A", cable__length="0 m", tone__value="10 MΩ", volume__value="10 MΩ")
    flat = Curve(frequency_hz=GRID, gain_db=np.zeros(GRID.size), label="A", reading=None)
    assert not any("−3 dB" in text for text in words(drawing(flat)))
    assert open_coil.reading.peak_hz > LONG.reading.peak_hz


def test_dull_is_where_the_first_falls_three_decibels_behind_whatever_its_level():
    difference = level_difference(LONG, SHORT)
    dull = difference.dull_hz
    behind = LONG.gain_db - SHORT.gain_db
    at_100, at_dull = np.interp(np.log([100.0, dull]), np.log(GRID), behind)
    assert at_dull - at_100 == pytest.approx(-3.0, abs=1e-6)  # interpolated between two points of the grid
    assert np.all(behind[dull > GRID] - at_100 > -3.0)
    least = level_difference(LONG, SHORT, dull_db=1.0).dull_hz
    assert least < dull < level_difference(LONG, SHORT, dull_db=6.0).dull_hz
    quiet = Curve(frequency_hz=GRID, gain_db=LONG.gain_db - 6, label="A")
    assert level_difference(quiet, SHORT).dull_hz == dull
    assert level_difference(Curve(frequency_hz=GRID, gain_db=SHORT.gain_db - 6, label="A"), SHORT).dull_hz is None
    assert any(text.startswith("dull from") for text in words(drawing(LONG, SHORT)))
    assert not any(text.startswith("dull from") for text in words(drawing(SHORT, LONG)))


def test_curves_on_other_frequencies_are_compared_at_the_first_ones():
    coarse = Curve(frequency_hz=GRID[::3], gain_db=SHORT.gain_db[::3], label="B")
    exact, between = level_difference(LONG, SHORT).level_db, level_difference(LONG, coarse).level_db
    # straight lines between thrice as wide steps of a smooth curve
    assert np.max(np.abs(exact[: GRID.size - 3] - between[: GRID.size - 3])) < 0.1


def test_the_strip_is_filled_where_the_first_is_louder_and_hatched_where_it_is_weaker():
    svg = drawing(LONG, SHORT)
    louder = next(area for area in svg.iter(f"{SVG}polygon") if area.get("class") == "lab-louder")
    weaker = next(area for area in svg.iter(f"{SVG}polygon") if area.get("class") == "lab-weaker")
    assert louder.get("fill") == COPPER
    assert weaker.get("fill") == "none"
    highest = min(louder.get("points").split(), key=lambda point: float(point.split(",")[1]))
    most = GRID[np.argmax(LONG.gain_db - SHORT.gain_db)]
    assert float(highest.split(",")[0]) == pytest.approx(place(svg, most), abs=0.06)
    assert "A minus B: most +3.3 dB at" in svg.get("aria-label")


def test_outside_the_band_of_a_conversion_the_drawing_is_shaded_beneath_its_curves():
    plain = draw_curves([LONG], title="Curve", description="Words.", width=790)
    svg = ElementTree.fromstring(shade_outside(plain, (20.0, 4100.0)))
    (shade,) = [each for each in svg.iter(f"{SVG}rect") if each.get("class") == "lab-untrue"]
    start, width = float(shade.get("x")), float(shade.get("width"))
    # the band begins below the axis, so only its upper end is drawn; coordinates are written to two decimals
    assert start == pytest.approx(place(svg, 4100.0), abs=0.01)
    assert start + width == pytest.approx(float(svg.get("data-frame").split()[1]), abs=0.06)
    assert "true to 4.1 kHz" in words(svg)
    assert not any(text.startswith("true from") for text in words(svg))
    assert "What is heard of the recording is true from 20 Hz to 4.1 kHz." in svg.get("aria-label")
    order = list(svg.iter())
    assert order.index(shade) < order.index(next(svg.iter(f"{SVG}polyline"))), "curves lie on top"


def test_without_a_second_curve_there_is_no_strip():
    alone, both = drawing(LONG), drawing(LONG, SHORT)
    assert not any("minus" in (text or "") for text in words(alone))
    assert float(both.get("height")) > float(alone.get("height"))
    assert alone.get("data-frame") == both.get("data-frame")


def test_axes_and_plot_stay_whatever_is_drawn():
    named = rig_curve("B a name that would never fit beside a plot", PINS[0], volume="4")
    loud = Curve(frequency_hz=GRID, gain_db=SHORT.gain_db + 40, label="A")
    silent = Curve(frequency_hz=GRID, gain_db=np.full(GRID.size, -600.0), label="A")
    frames = {drawing(*curves).get("data-frame") for curves in ((LONG,), (LONG, named), (loud, named), (silent,))}
    ranges = {drawing(*curves).get("data-range") for curves in ((LONG,), (loud, named), (silent,))}
    assert len(frames) == 1
    assert ranges == {f"50 20000 {RIG_DB[0]:g} {RIG_DB[1]:g}"}
    assert drawing(LONG, levels=BENCH_DB).get("data-range") == "50 20000 -20 20"


def test_every_curve_keeps_its_whole_name_at_its_end():
    name = "B worn single coil, cable 10 m"
    for width in (480, 790, 1200):
        svg = drawing(LONG, rig_curve(name, PINS[0]), width=width)
        (label,) = [text for text in svg.iter(f"{SVG}text") if text.text == name]
        # a bold letter at 13 CSS pixels is 7.3 wide on average
        assert float(label.get("x")) - 7.3 * len(name) >= 0
        assert label.get("text-anchor") == "end"


def test_the_doubt_of_a_level_is_a_bar_with_its_number():
    curve = Curve(frequency_hz=GRID, gain_db=np.full(GRID.size, -2.3), label="A", doubt_db=1.5)
    svg = drawing(curve)
    bar = next(line for line in svg.iter(f"{SVG}line") if line.get("class") == "lab-level")
    _, _, top, bottom = map(float, svg.get("data-frame").split())
    size = (bottom - top) * 3.0 / (RIG_DB[1] - RIG_DB[0])
    assert abs(float(bar.get("y2")) - float(bar.get("y1"))) == pytest.approx(size, abs=0.02)
    assert "level −2.3 dB, ±1.5" in words(svg)


def test_a_band_has_edges_beside_its_tint():
    level = SHORT.gain_db
    svg = drawing(Curve(frequency_hz=GRID, gain_db=level, low_db=level - 1, high_db=level + 1, label="A"))
    assert [path.get("fill") for path in svg.iter(f"{SVG}path") if path.get("class") == "lab-band-edge"] == ["none"]


@pytest.mark.parametrize("width", [240, 368, 430, 440, 520, 884, 1600])
def test_marks_lie_inside_the_drawing(width):
    svg = drawing(LONG, SHORT, width=width)
    marked = [text for text in svg.iter(f"{SVG}text") if text.get("class") == "lab-marked"]
    assert marked
    for text, (before, after) in itertools.product(marked, [(0, 1)]):
        size = 6.4 * len(text.text)
        start = float(text.get("x")) - {"end": size, "middle": size / 2}.get(text.get("text-anchor"), 0)
        # the average letter at 13 CSS pixels is 6.4 wide
        assert before <= start
        assert start + size <= width * after + 4
        assert 0 <= float(text.get("y")) <= float(svg.get("height"))


def test_no_two_drawings_share_an_id():
    assert re.findall(r'\bid="', draw_curves([LONG, SHORT], title="t", description="d", compares=True)) == []


def test_the_words_of_the_minus_3_db_point_are_not_crossed_by_the_foot_of_dull():
    svg = drawing(LONG, SHORT)
    words = next(text for text in svg.iter(f"{SVG}text") if (text.text or "").startswith("−3 dB at"))
    foot = place(svg, level_difference(LONG, SHORT).dull_hz)
    assert words.get("text-anchor") == "end"
    assert float(words.get("x")) < foot < place(svg, LONG.reading.minus_3db_hz)
