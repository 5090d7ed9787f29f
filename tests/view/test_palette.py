"""Colours against the WCAG 2.2 contrast formula and the eye's weak spots, in both schemes."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

import labkit
from labkit.view.palette import DARK, EDGE, LIGHT, NOW, PINS
from tests.view.colour_vision import VISIONS, difference, seen
from tests.view.contrast import contrast

SCHEMES = pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
CURVES = ("now", "c2", "c3", "c4")


@SCHEMES
@pytest.mark.parametrize("name", ["ink", "muted", "now", "c2", "c3", "c4", "warn", "good"])
@pytest.mark.parametrize("ground", ["paper", "card"])
def test_text_colours_reach_contrast_aa(scheme, name, ground):
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text of ordinary size
    assert contrast(scheme[name], scheme[ground]) >= 4.5


@SCHEMES
def test_text_in_a_trough_and_on_the_colour_of_a_can_be_read(scheme):
    assert min(contrast(scheme[name], scheme["well"]) for name in ("ink", "muted")) >= 4.5
    assert contrast(scheme["on-now"], scheme["now"]) >= 4.5
    assert contrast(scheme["paper"], scheme["ink"]) >= 4.5


@SCHEMES
def test_borders_of_controls_and_the_ring_of_the_focus_reach_non_text_contrast(scheme):
    # WCAG 2.2, 1.4.11: 3 to 1 for the parts of a control
    for name, ground in itertools.product(("edge", "focus"), ("paper", "card", "well")):
        assert contrast(scheme[name], scheme[ground]) >= 3.0, (name, ground)


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize(("scheme", "least"), [(LIGHT, 16), (DARK, 20)], ids=["light", "dark"])
def test_curves_lie_apart_for_every_eye(scheme, least, vision):
    for one, other in itertools.combinations(CURVES, 2):
        assert difference(scheme[one], scheme[other], vision) >= least, (one, other)


@SCHEMES
def test_curves_differ_in_lightness(scheme):
    lightness = sorted(seen(scheme[name])[0] for name in CURVES)
    assert min(b - a for a, b in itertools.pairwise(lightness)) >= 4


def test_a_known_difference():
    # CIE 15:2004: L* of the 18 % grey card is about 50, ΔE*ab of neutral colours is the difference of L*
    assert seen("#777777")[0] == pytest.approx(50, abs=0.3)
    assert difference("#777777", "#000000") == pytest.approx(50, abs=0.3)


def test_curves_differ_in_dash_and_take_their_colours_from_the_light_scheme():
    styles = (NOW, *PINS)
    assert [style.colour for style in styles] == [LIGHT[name] for name in CURVES]
    for one, other in itertools.combinations(styles, 2):
        assert one.dash != other.dash


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # Worked values of the formula: black on white is 21 by definition; #767676 on white is
        # the usual limit case, 4.54
        ("#000000", "#FFFFFF", 21.0),
        ("#767676", "#FFFFFF", 4.54),
        ("#FFFFFF", "#FFFFFF", 1.0),
    ],
)
def test_contrast_formula_gives_known_ratios(one, other, ratio):
    # printed to two decimals
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)


def test_paper_is_light():
    assert contrast(LIGHT["paper"], "#FFFFFF") < 1.2
    assert contrast(EDGE) >= 3.0


WEB = Path(labkit.__file__).parent / "data" / "voila" / "web"


def _sheet(name):
    return (WEB / name).read_text(encoding="utf-8")


def test_the_style_sheet_holds_both_schemes():
    found = re.findall(r"--([\w-]+): light-dark\((#[0-9A-F]{6}), (#[0-9A-F]{6})\)", _sheet("tokens.css"))
    assert {name: light for name, light, _ in found} == LIGHT
    assert {name: dark for name, _, dark in found} == DARK


def test_no_other_style_sheet_or_script_names_a_colour():
    for path in (*WEB.glob("*.css"), *WEB.glob("*.js")):
        if path.name != "tokens.css":
            assert re.findall(r"#[0-9A-Fa-f]{6}\b|#[0-9a-f]{3}\b(?=[;\s,)])", path.read_text(encoding="utf-8")) == []


def test_a_drawing_takes_the_colours_of_the_scheme():
    told = dict(re.findall(r'\[fill="(#\w{6})"\] \{ fill: var\(--([\w-]+)\)', _sheet("tokens.css")))
    outlined = dict(re.findall(r'\[stroke="(#\w{6})"\] \{ stroke: var\(--([\w-]+)\)', _sheet("tokens.css")))
    assert told == outlined
    for colour, name in told.items():
        assert LIGHT[name] == colour
    assert set(told) == set(LIGHT.values()) - {LIGHT["good"], LIGHT["focus"]}  # which no drawing uses
