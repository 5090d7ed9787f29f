"""Colours against the WCAG 2.2 contrast formula and the eye's weak spots."""

from __future__ import annotations

import itertools

import pytest

from labkit.view.palette import BLUE, COPPER, EDGE, GREEN, INK, MUTED, NOW, PAPER, PINS, VIOLET
from tests.view.contrast import contrast


@pytest.mark.parametrize("colour", [INK, MUTED, COPPER, BLUE, GREEN, VIOLET])
def test_text_colours_reach_contrast_aa_on_paper(colour):
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text of ordinary size
    assert contrast(colour) >= 4.5


def test_borders_of_controls_reach_non_text_contrast():
    # WCAG 2.2, 1.4.11: 3 to 1 for the parts of a control
    assert contrast(EDGE) >= 3.0


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


def test_curves_differ_in_hue_and_dash():
    styles = (NOW, *PINS)
    for one, other in itertools.combinations(styles, 2):
        assert one.colour != other.colour
        assert one.dash != other.dash


def test_paper_is_light():
    assert contrast(PAPER, "#FFFFFF") < 1.2
