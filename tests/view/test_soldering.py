"""The soldering drawing: nothing lies on anything else, and the picture alone gives back the wiring."""

from __future__ import annotations

import random
import re
from collections import Counter
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.joined import Joined
from labkit.core.sheet import parse_sheet
from labkit.rig.devices.plan import Lug, SolderPlan, harness_as_soldered
from labkit.rig.harness import Harness, read_harness
from labkit.rig.rewiring import demo_rig
from labkit.view.palette import DARK, LIGHT
from labkit.view.soldering.checks import faults, read_back
from labkit.view.soldering.drawing import MARKS, SolderDrawing, draw_soldering
from labkit.view.soldering.routing import Router
from labkit.view.soldering.shapes import variants
from labkit.view.soldering.words import linked_html, plan_text
from tests.rig.test_devices import BOARDS, worst_difference
from tests.rig.unseen_wirings import NAMES, unseen

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "soldering-crossings.md"
SOME = (
    "no controls",
    "one volume, one tone, screened leads",
    "added capacitance before a buffer",
    "two pickups, blend",
    "two pickups, phase switch",
    "two-coil, series, split or parallel",
    "three pickups, five-way, one volume, two tones",
    "hum_coil_on_a_switch",
    "rotary_of_one_two_coil",
    "stacked_controls",
)
"""One of each kind of part and layout; every wiring is drawn by ``python -m tests.view.soldering_table``."""


@lru_cache
def harness_called(name: str) -> Harness:
    return unseen(name) if name in NAMES else catalogue().load("harness", name)


@lru_cache
def drawn(name: str) -> tuple[SolderDrawing, str]:
    drawing = draw_soldering(harness_called(name))
    return drawing, drawing.to_svg()


def nets(plan: SolderPlan, joints: list[tuple[Lug, Lug]]) -> set[frozenset[Lug]]:
    """Lugs that are one by the joints alone; those that stand alone are left out."""
    joined = Joined([*joints, *plan.strands])
    groups: dict[Lug, set[Lug]] = {}
    for part in plan.parts.values():
        for lug in part.nodes:
            groups.setdefault(joined.root(Lug(part.name, lug)), set()).add(Lug(part.name, lug))
    return {frozenset(group) for group in groups.values() if len(group) > 1}


def meant(plan: SolderPlan) -> set[frozenset[Lug]]:
    """The same, by the nodes of the plan."""
    groups: dict[str, set[Lug]] = {}
    for part in plan.parts.values():
        for lug, node in part.nodes.items():
            groups.setdefault(node, set()).add(Lug(part.name, lug))
    return {frozenset(group) for group in groups.values() if len(group) > 1}


@pytest.mark.parametrize("name", SOME)
def test_nothing_lies_on_anything_else(name: str) -> None:
    drawing, _ = drawn(name)
    assert faults(drawing) == []


def test_boards_with_their_battery_are_drawn_and_read_back() -> None:
    drawing = draw_soldering(read_harness(parse_sheet(BOARDS, "boards.toml")))
    assert faults(drawing) == []
    assert nets(drawing.plan, read_back(drawing.to_svg())) == meant(drawing.plan)
    assert "operational amplifier board" in "\n".join(plan_text(drawing.plan))
    assert sum(wire.mark == "supply" for wire in drawing.plan.wires) == 3


@pytest.mark.parametrize("name", SOME)
def test_the_picture_alone_sounds_as_the_sheet(name: str) -> None:
    drawing, picture = drawn(name)
    joints = read_back(picture)
    assert nets(drawing.plan, joints) == meant(drawing.plan)
    rig = demo_rig(harness_called(name))
    # rounding of the solver is some 1e-15 of a gain of order 1
    assert worst_difference(rig, rig.replace(harness=harness_as_soldered(drawing.plan, joints))) < 1e-12


@pytest.mark.parametrize("name", SOME)
def test_wires_that_cross_are_few(name: str) -> None:
    drawing, _ = drawn(name)
    assert drawing.crossings <= max(3, 0.4 * len(drawing.plan.wires))


def test_small_parts_stand_where_their_legs_are_short_and_cross_little() -> None:
    drawing, _ = drawn("one volume, rotary tone")
    legs = [len(route.cells) - 1 for route in drawing.routes if route.wire.is_leg]
    # where small parts kept to rows, 16 legs took 606 steps, the longest 84, and wires crossed 15 times
    assert len(legs) == 16
    assert sum(legs) < 320
    assert max(legs) < 50
    assert drawing.crossings < 12


def test_a_part_that_stands_badly_is_moved_and_takes_its_wires_along() -> None:
    drawing, _ = drawn("one volume, one tone")
    plan, layout = drawing.plan, drawing.layout
    shapes = {name: variants(part) for name, part in plan.parts.items()}
    away = replace(layout.parts["tone_capacitor"], x=layout.width - 12, y=10)
    spoilt = replace(layout, parts={**layout.parts, "tone_capacitor": away})
    router = Router(plan, spoilt, shapes)
    router.lay()
    before = router.routes
    assert router.improve()
    router.settle()
    after = router.routes
    assert len(after) == len(before) == len(plan.wires)
    assert router.layout.parts["tone_capacitor"] != away
    assert sum(len(route.cells) for route in after) < sum(len(route.cells) for route in before)
    kept = [part.name for part in plan.parts.values() if part.kind in ("pickup", "jack", "bridge")]
    assert len(kept) == 3
    for name in kept:
        one, other = router.layout.parts[name], layout.parts[name]
        assert (one.x, one.y) == (other.x, other.y)


def test_the_page_says_of_every_wiring_that_its_picture_reads_back_as_the_sheet() -> None:
    rows = [line.strip("| ").split(" | ") for line in PAGE.read_text("utf-8").splitlines() if line.startswith("| ")][2:]
    said = {row[0]: row for row in rows}
    assert set(said) == {harness_called(name).name for name in (*catalogue().names("harness"), *NAMES)}
    for name, wires, crossings, before, verdict, noticed in said.values():
        assert verdict == "same", name
        assert noticed == f"{wires} of {wires}", name
        assert before.strip() == "" or int(crossings) <= int(before), name
        assert int(crossings) < 12, name
        assert int(crossings) <= 6 or int(wires) > 20, name
    for name in SOME:  # the page is that of the drawings of today
        drawing, _ = drawn(name)
        assert said[drawing.plan.harness.name][1:3] == [str(len(drawing.plan.wires)), str(drawing.crossings)]


def wire_paths(picture: str) -> list[str]:
    return re.findall(r'<path [^>]*data-wire="[^>]*/>', picture)


@pytest.mark.parametrize("name", SOME)
def test_a_wire_that_is_missing_from_the_picture_is_noticed(name: str) -> None:
    drawing, picture = drawn(name)
    paths = wire_paths(picture)
    assert len(paths) == len(drawing.plan.wires)
    for path in paths:
        assert nets(drawing.plan, read_back(picture.replace(path, ""))) != meant(drawing.plan)


@pytest.mark.parametrize("name", ["two pickups, phase switch", "three pickups, five-way, one volume, two tones"])
def test_a_wire_moved_to_a_lug_of_another_node_is_noticed(name: str) -> None:
    drawing, picture = drawn(name)
    places = re.findall(r'cx="([\d.]+)" cy="([\d.]+)" data-lug="([^"|]*)\|([^"]*)"', picture)
    choose = random.Random(3)
    moved = 0
    for path in wire_paths(picture):
        x, y, part, lug = choose.choice(places)
        run = re.search(r' d="([^"]*)"', path)
        assert run is not None
        elsewhere = re.sub(r"L[\d.]+ [\d.]+$", f"L{x} {y}", run[1])
        before = dict(zip(wire_paths(picture), read_back(picture)))[path]
        changed = picture.replace(path, path.replace(run[1], elsewhere))
        node = drawing.plan.node(Lug(part, lug))
        if node == drawing.plan.node(before[0]):
            continue
        moved += 1
        assert nets(drawing.plan, read_back(changed)) != meant(drawing.plan)
    assert moved > 8


def test_a_wire_that_ends_beside_a_lug_is_refused() -> None:
    _, picture = drawn("no controls")
    path = wire_paths(picture)[0]
    run = re.search(r' d="([^"]*)"', path)
    assert run is not None
    short = re.sub(r"L([\d.]+) ([\d.]+)$", r"L\1 1", run[1])
    with pytest.raises(InputError, match="ends where no lug is"):
        read_back(picture.replace(path, path.replace(run[1], short)))


def test_faults_name_what_lies_on_what() -> None:
    drawing, _ = drawn("two pickups, phase switch")
    route = next(route for route in drawing.routes if len(route.corners()) > 2)
    index = drawing.routes.index(route)
    part = drawing.layout.parts["tone"]
    middle = (part.x + 5, part.y + 5)
    across = replace(route, cells=(route.cells[0], middle, route.cells[-1]))
    spoilt = replace(drawing, routes=(*drawing.routes[:index], across, *drawing.routes[index + 1 :]))
    assert any("runs over 'tone'" in fault for fault in faults(spoilt))
    twice = replace(drawing, routes=(*drawing.routes, replace(route, wire=drawing.routes[index - 1].wire)))
    assert any("lies on wire" in fault for fault in faults(twice))
    moved = replace(part, x=drawing.layout.parts["volume"].x)
    stacked = replace(drawing.layout, parts={**drawing.layout.parts, "tone": moved})
    assert any("stands on" in fault for fault in faults(replace(drawing, layout=stacked)))


def test_every_wire_has_a_name_a_number_and_a_place_in_the_order_of_keys() -> None:
    drawing, picture = drawn("three pickups, five-way, one volume, two tones")
    root = ElementTree.fromstring(picture)
    groups = [group for group in root.iter("{http://www.w3.org/2000/svg}g") if group.get("class") == "lab-wire"]
    names = {int(group.get("data-step", "0")): group for group in groups}
    assert list(names) == list(range(1, len(drawing.plan.wires) + 1))  # the tab key goes on to the next step
    for number, group in names.items():
        words = f"{number}: {drawing.plan.wire_words(drawing.plan.wires[number - 1])}"
        assert group.get("aria-label") == words
        assert group.get("tabindex") == "0"
        title = group.find("{http://www.w3.org/2000/svg}title")
        assert title is not None
        assert title.text == words
    page = linked_html(picture, drawing.plan)
    assert Counter(re.findall(r'data-step="(\d+)"', page.partition("</style>")[2])) == {
        str(number): 2 for number in names
    }


def test_colours_are_those_that_a_page_turns_to_its_scheme() -> None:
    _, picture = drawn("added capacitance before a buffer")
    assert set(re.findall(r"#[0-9A-Fa-f]{6}", picture)) <= set(LIGHT.values())
    assert len(DARK) == len(LIGHT)
    looks = [(colour, dash) for _, colour, _, dash in MARKS.values()]
    assert len(set(looks)) == len(looks)


def test_poles_that_are_alike_are_lettered_from_left_to_right() -> None:
    for name in ("two pickups, phase switch", "three pickups, five-way, one volume, two tones"):
        drawing, _ = drawn(name)
        for control in drawing.plan.fits:
            lugs = drawing.layout.parts[control].shape.lugs
            at = {lug[0]: cells[0][0] for lug, cells in lugs.items()}
            assert sorted(at, key=lambda letter: at[letter]) == sorted(at)


def test_one_drawing_serves_all_values_of_the_pickups_and_is_made_once() -> None:
    harness = harness_called("no controls")
    assert draw_soldering(harness) is draw_soldering(harness)


def test_the_list_says_every_wire_of_the_drawing() -> None:
    drawing, _ = drawn("two pickups, phase switch")
    text = "\n".join(plan_text(drawing.plan))
    assert "phase: push-pull, 2 poles, 2 positions. Joined to the common: in phase A1 B1; reversed A2 B2." in text
    for number, wire in enumerate(drawing.plan.wires, start=1):
        assert f"{number:2} {drawing.plan.wire_words(wire)}" in text


def test_lines_of_straight_wires_are_counted_where_they_cross() -> None:
    from labkit.view.soldering.layout import _crossings

    lines = np.array([[0, 0, 4, 4], [0, 4, 4, 0], [0, 0, 4, 0], [5, 0, 5, 9]], dtype=float)
    assert _crossings(lines) == 1
