"""The drawing of coils on their bobbins: to scale, overflow shown, said in words."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from labkit.core.errors import InputError
from labkit.pickup.magnetics.poles import Pole
from labkit.view.drawings.bobbin import CoilOutline, draw_bobbin

RODS = Pole(kind="rod magnet", grade="Alnico 5", count=6, diameter=4.8e-3, length=17e-3, pitch=10.4e-3)
COIL = CoilOutline(
    name="main",
    straight_length=52e-3,
    end_radius=2.5e-3,
    winding_height=11e-3,
    build_up=4.3e-3,
    flange_radius=7.2e-3,
    poles=RODS,
)
OVERFLOWING = replace(COIL, build_up=6e-3)
# coordinates are written to a hundredth of a pixel
ROUNDING = 0.02


def drawn(*coils: CoilOutline, width: int = 790, title: str = "A coil") -> ElementTree.Element:
    return ElementTree.fromstring(draw_bobbin(coils, title=title, width=width))


def parts(svg: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [node for node in svg.iter() if node.get("data-part") == name]


def size(node: ElementTree.Element) -> tuple[float, float]:
    return float(node.get("width")), float(node.get("height"))


@pytest.mark.parametrize("width", [320, 400, 790, 1400])
def test_plan_and_section_are_drawn_in_one_scale(width):
    svg = drawn(COIL, width=width)
    scale = float(svg.get("data-scale")) * 1000  # pixels a metre
    plan, *section = parts(svg, "flange")
    assert size(plan) == pytest.approx(((52e-3 + 14.4e-3) * scale, 14.4e-3 * scale), abs=ROUNDING)
    assert size(section[0])[0] == pytest.approx(14.4e-3 * scale, abs=ROUNDING)
    winding, *sides = parts(svg, "winding")
    assert size(winding) == pytest.approx(((52e-3 + 13.6e-3) * scale, 13.6e-3 * scale), abs=ROUNDING)
    assert [size(side) for side in sides] == [pytest.approx((4.3e-3 * scale, 11e-3 * scale), abs=ROUNDING)] * 2


def test_poles_stand_at_their_pitch_and_go_through_the_section():
    svg = drawn(COIL)
    scale = float(svg.get("data-scale")) * 1000
    *rods, cut = parts(svg, "pole")
    places = [float(rod.get("cx")) for rod in rods]
    assert len(places) == 6
    assert [b - a for a, b in pairwise(places)] == pytest.approx([10.4e-3 * scale] * 5, abs=ROUNDING)
    assert size(cut) == pytest.approx((4.8e-3 * scale, 17e-3 * scale), abs=ROUNDING)


def test_everything_lies_inside_the_drawing():
    for coils in ((COIL,), (OVERFLOWING,), (replace(COIL, across=-9e-3), replace(OVERFLOWING, across=9e-3))):
        for width in (240, 400, 790):
            svg = drawn(*coils, width=width)
            high, wide = float(svg.get("height")), float(svg.get("width"))
            for node in svg.iter():
                if node.tag.endswith("rect"):
                    left, top = float(node.get("x")), float(node.get("y"))
                    assert min(left, top) >= 0
                    assert left + size(node)[0] <= wide
                    assert top + size(node)[1] <= high


def test_what_stands_out_over_the_flange_is_drawn_apart_and_said():
    assert parts(drawn(COIL), "overflow") == []
    svg = drawn(OVERFLOWING)
    scale = float(svg.get("data-scale")) * 1000
    plan, *sides = parts(svg, "overflow")
    assert size(plan)[1] == pytest.approx(17e-3 * scale, abs=ROUNDING)
    # 2.5 + 6.0 − 7.2 mm on either side
    assert [size(side)[0] for side in sides] == [pytest.approx(1.3e-3 * scale, abs=ROUNDING)] * 2
    assert "overflows by 1.3 mm" in svg.get("aria-label")
    assert all(node.get("stroke-dasharray") for node in (plan, *sides))  # not by colour alone


def test_two_coils_stand_at_their_spacing_and_are_told_apart():
    svg = drawn(replace(COIL, name="screw", across=-9e-3), replace(COIL, name="slug", across=9e-3))
    scale = float(svg.get("data-scale")) * 1000
    first, second = (node for node in parts(svg, "core") if node.get("rx"))
    assert float(second.get("y")) - float(first.get("y")) == pytest.approx(18e-3 * scale, abs=ROUNDING)
    assert "Screw coil:" in svg.get("aria-label")
    assert "Slug coil:" in svg.get("aria-label")


def test_a_blade_and_a_coil_without_poles_can_be_drawn():
    blade = Pole(kind="blade", count=1, diameter=3e-3, length=15e-3, width=55e-3)
    svg = drawn(replace(COIL, poles=blade))
    scale = float(svg.get("data-scale")) * 1000
    assert size(parts(svg, "pole")[0]) == pytest.approx((55e-3 * scale, 3e-3 * scale), abs=ROUNDING)
    assert parts(drawn(replace(COIL, poles=None)), "pole") == []


def test_a_name_cannot_bring_markup_along():
    text = draw_bobbin([COIL], title='<script>alert(1)</script>"', width=790)
    assert "<script" not in text
    ElementTree.fromstring(text)


def test_the_sentence_gives_depth_room_and_what_stays_free():
    assert COIL.sentence == (
        "The winding is 4.3 mm deep on a core 5.0 mm wide, 11.0 mm high; the flange leaves room for 4.7 mm, "
        "so 0.4 mm stay free."
    )


def test_measures_written_beside_the_drawing_are_those_of_the_coil():
    texts = [node.text for node in drawn(OVERFLOWING).iter() if node.tag.endswith("text")]
    # length over all 52 + 2·8.5, width 2·8.5, height between the flanges
    assert {"69.0 mm", "17.0 mm", "11.0 mm"} <= set(texts)


@pytest.mark.parametrize("change", [{"end_radius": 0.0}, {"build_up": math.nan}, {"flange_radius": 3.0}])
def test_an_impossible_coil_is_refused(change):
    with pytest.raises(InputError, match=re.compile("must lie")):
        replace(COIL, **change)


def test_nothing_cannot_be_drawn():
    with pytest.raises(InputError, match="no coil"):
        draw_bobbin([], title="Nothing")
