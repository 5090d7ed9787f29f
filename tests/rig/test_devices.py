"""Real switches for the joins of a sheet, and what is soldered to what: every wiring read back from wires alone."""

from __future__ import annotations

import dataclasses
import itertools
from collections import Counter
from functools import lru_cache

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.joined import Joined
from labkit.core.sheet import parse_sheet
from labkit.rig.devices.device import Device, device_called, read_device
from labkit.rig.devices.fit import fit_device, fit_devices, switches_of
from labkit.rig.devices.plan import CAN, WIRES_A_LUG, Lug, SolderPlan, harness_as_soldered, solder_plan
from labkit.rig.harness import Harness, read_harness
from labkit.rig.hum import switch_settings
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig
from tests.rig.unseen_wirings import NAMES, unseen

CATALOGUE = catalogue().names("harness")
WIRINGS = (*CATALOGUE, *NAMES)
FREQUENCY_HZ = np.array([40.0, 400.0, 2500.0, 7000.0])


@lru_cache
def harness_called(name: str) -> Harness:
    return unseen(name) if name in NAMES else catalogue().load("harness", name)


@lru_cache
def plan_of(name: str) -> SolderPlan:
    return solder_plan(harness_called(name))


def worst_difference(rig: Rig, other: Rig) -> float:
    """Largest difference in gain over every position, knobs at 10, 6 and 0, and every source alone."""
    worst = 0.0
    for place in switch_settings(rig.harness.selectors):
        for knob in (10.0, 6.0, 0.0):
            settings = {**place, **{each.name: knob for each in rig.harness.knobs}}
            one, two = rig.replace(settings=settings), other.replace(settings=settings)
            for source in rig.sources:
                gains = [each.evaluate(FREQUENCY_HZ, source=source) for each in (one, two)]
                worst = max(worst, float(np.max(np.abs(gains[0] - gains[1]))))
    return worst


def soldered(rig: Rig, plan: SolderPlan, joints: list[tuple[Lug, Lug]] | None = None) -> Rig:
    return rig.replace(harness=harness_as_soldered(plan, joints))


@pytest.mark.parametrize("name", WIRINGS)
def test_wires_and_devices_alone_sound_as_the_sheet(name: str) -> None:
    rig = demo_rig(harness_called(name))
    # rounding of the solver is some 1e-15 of a gain of order 1
    assert worst_difference(rig, soldered(rig, plan_of(name))) < 1e-12


@pytest.mark.parametrize("name", WIRINGS)
def test_wires_make_the_nodes_and_none_is_too_many(name: str) -> None:
    plan = plan_of(name)
    joined = Joined(plan.strands)
    for wire in plan.wires:
        assert plan.node(wire.one) == plan.node(wire.other) == wire.node
        assert joined.join(wire.one, wire.other), f"a second way: {plan.wire_words(wire)}"
    for part in plan.parts.values():
        for lug, node in part.nodes.items():
            others = [
                Lug(each.name, end) for each in plan.parts.values() for end in each.nodes if each.nodes[end] == node
            ]
            assert all(joined.same(Lug(part.name, lug), other) for other in others)


@pytest.mark.parametrize("name", WIRINGS)
def test_no_lug_takes_more_wires_than_it_has_room_for(name: str) -> None:
    plan = plan_of(name)
    ends = Counter(lug for wire in plan.wires for lug in (wire.one, wire.other))
    for lug, count in ends.items():
        assert count <= plan.parts[lug.part].room(lug.lug)
        assert count <= WIRES_A_LUG or lug.lug == CAN


@pytest.mark.parametrize("name", WIRINGS)
def test_legs_of_one_part_follow_each_other_and_go_straight_to_lugs(name: str) -> None:
    plan = plan_of(name)
    parts = [wire.one.part for wire in plan.wires if wire.is_leg]
    assert len(list(itertools.groupby(parts))) == len(set(parts))
    small = {part.name for part in plan.parts.values() if part.device.lug_is == "leg"}
    assert {wire.one.part for wire in plan.wires if wire.is_leg} == small


@pytest.mark.parametrize(
    "name", ["three pickups, five-way, one volume, two tones", "two pickups, phase switch", "one volume, rotary tone"]
)
def test_a_missing_wire_is_heard_or_belongs_to_the_screening(name: str) -> None:
    rig, plan = demo_rig(harness_called(name)), plan_of(name)
    unheard = []
    for missing in plan.wires:
        left = [(wire.one, wire.other) for wire in plan.wires if wire is not missing]
        if worst_difference(rig, soldered(rig, plan, left)) < 1e-9:
            unheard.append(missing)
    for wire in unheard:  # only what carries no signal: screens, the bridge, a can at the end of the chain
        dead_ends = [lug for lug in (wire.one, wire.other) if lug.lug in (CAN, "screen", "wire")]
        assert dead_ends, plan.wire_words(wire)
    assert len(unheard) < 0.3 * len(plan.wires)


def test_every_switch_of_the_catalogue_is_a_real_one() -> None:
    count = 0
    for name in CATALOGUE:
        for fit in fit_devices(harness_called(name)).values():
            assert fit.is_found
            assert fit.device is not None
            (style,) = {switch.style for switch in switches_of(harness_called(name), fit.control)}
            assert fit.device.style == style
            count += 1
    assert count >= 30


def test_a_coil_that_is_not_heard_hangs_on_ground() -> None:
    fit = fit_devices(harness_called("two two-coil pickups, five-way with splits"))["selector"]
    assert fit.soldered
    assert all("ground" in pair for pair in fit.soldered)
    # a third pole buys that too
    rotary = fit_devices(harness_called("rotary_of_one_two_coil"))["voice"]
    assert all("ground" in pair for pair in rotary.soldered)


def test_a_switch_with_too_few_poles_is_refused_with_the_reason() -> None:
    harness = harness_called("two pickups, phase switch")
    fit = fit_device(harness, "phase", device_called("toggle, 1 pole, 2 positions", "switch"))
    assert fit.verdict == "impossible"
    assert "needs more poles" in fit.reason
    off = device_called("toggle, 2 poles, 3 positions, off in the middle", "switch")
    fit = fit_device(harness_called("two pickups, one volume, one tone, three-way"), "selector", off)
    assert fit.verdict == "impossible"
    assert "joins nothing there" in fit.reason
    wrong_count = fit_device(harness, "phase", off)
    assert wrong_count.reason == f"switch 'phase' has 2 positions; '{off.name}' has 3"


def test_a_search_that_is_broken_off_does_not_say_impossible(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("labkit.rig.devices.fit.BUDGET", 3)
    harness = harness_called("two two-coil pickups, five-way with splits")
    fit = fit_device(harness, "selector", device_called("lever, 4 poles, 5 positions", "switch"))
    assert fit.verdict == "not found"
    assert "there may be one" in fit.reason


def with_device(harness: Harness, part: str, device: str) -> Harness:
    return harness.with_part(dataclasses.replace(harness.part(part), device=device))  # type: ignore[call-arg]


def test_a_wiring_that_names_a_switch_which_cannot_do_it_is_not_drawn() -> None:
    harness = harness_called("two pickups, phase switch")
    with pytest.raises(InputError, match="cannot be soldered as it stands: switch 'phase': no wiring of"):
        solder_plan(with_device(harness, "phase", "toggle, 1 pole, 2 positions"))
    with pytest.raises(InputError, match="Did you mean 'toggle, 2 poles, 2 positions'"):
        solder_plan(with_device(harness, "phase", "toggle, 2 pols, 2 positions"))
    with pytest.raises(InputError, match="is a pot; a switch is needed here"):
        solder_plan(with_device(harness, "phase", "pot"))


def test_pots_on_one_shaft_are_one_part() -> None:
    blend = plan_of("two pickups, blend").parts["blend"]
    assert blend.terminals == {"neck_gang": ("A3", "A2", "A1"), "bridge_gang": ("B3", "B2", "B1")}
    stacked = [part.name for part in plan_of("stacked_controls").parts.values() if part.kind == "pot"]
    assert stacked == ["neck_volume", "bridge_volume"]


@pytest.mark.parametrize("name", ["buffer after the volume", "preamplifier with treble and bass"])
def test_a_board_without_its_battery_is_silent(name: str) -> None:
    rig, plan = demo_rig(harness_called(name)), plan_of(name)
    assert plan.part_of_kind("jack").device.name == "jack, stereo"  # type: ignore[union-attr]
    supply = [wire for wire in plan.wires if wire.mark == "supply"]
    boards = sum(part.kind == "buffer" for part in plan.parts.values())
    assert len(supply) == 1 + boards
    for missing in (wire for wire in supply if "battery" in (wire.one.part, wire.other.part)):
        left = [(wire.one, wire.other) for wire in plan.wires if wire is not missing]
        assert np.max(np.abs(soldered(rig, plan, left).evaluate(FREQUENCY_HZ))) < 1e-6


BOARDS = """
sheet = "harness"
format = 1
name = "inverting stage and a transistor follower"
summary = "A volume, an operational amplifier that turns the signal round, and a transistor that drives the cable."
pickups = ["bridge"]
output = "tip"

[parts.volume]
kind = "pot"
nodes = ["bridge.hot", "wiper", "ground"]
value = "500k"

[parts.into]
kind = "resistor"
nodes = ["wiper", "summing"]
value = "1M"

[parts.back]
kind = "resistor"
nodes = ["summing", "stage_out"]
value = "1M"

[parts.stage]
kind = "operational amplifier"
nodes = ["ground", "summing", "stage_out"]

[parts.follower]
kind = "transistor"
nodes = ["ground", "stage_out", "tip"]
transconductance = "3 mS"

[parts.follower_load]
kind = "resistor"
nodes = ["tip", "ground"]
value = "10k"
"""
"""A harness with an operational amplifier and a transistor."""


def test_amplifier_and_transistor_boards_have_a_battery_and_sound_as_the_sheet() -> None:
    harness = read_harness(parse_sheet(BOARDS, "boards.toml"))
    plan, rig = solder_plan(harness), demo_rig(harness)
    devices = {part.device.name for part in plan.parts.values()}
    assert devices >= {"operational amplifier board", "transistor board", "battery, 9 V", "jack, stereo"}
    # rounding of the solver, of a gain of order 1
    assert worst_difference(rig, soldered(rig, plan)) < 1e-9
    left = [
        (w.one, w.other) for w in plan.wires if not {Lug("battery", "plus"), Lug("battery", "minus")} & {w.one, w.other}
    ]
    assert len(left) == len(plan.wires) - 2
    assert np.max(np.abs(soldered(rig, plan, left).evaluate(FREQUENCY_HZ))) < 1e-6


def test_a_screened_lead_stands_between_pickup_and_pot() -> None:
    plan = plan_of("one volume, one tone, screened leads")
    kinds = [
        {plan.parts[lug.part].kind for lug in (wire.one, wire.other)}
        for wire in plan.wires
        if "pickup_lead" in (wire.one.part, wire.other.part) and wire.mark == "hot"
    ]
    assert sorted(map(sorted, kinds)) == [["pickup", "screened lead"], ["pot", "screened lead"]]
    assert sum(wire.mark == "screen" for wire in plan.wires) == 2


DEVICE = """
sheet = "device"
format = 1
name = "a switch"
kind = "switch"
style = "toggle"
source = "common practice, no source"
"""


@pytest.mark.parametrize(
    ("rest", "said"),
    [
        ('poles = 1\ncloses = [[1], [2]]\ncolumns = [["A1", "A2"]]', "must name the lugs of its poles: A1, A2, AC"),
        ('poles = 1\ncloses = [[1], ["2"]]\ncolumns = [["A1", "AC", "A2"]]', "must list for each position"),
        (
            'poles = 2\nunlike_poles = true\ncloses = [[[1], [2]]]\ncolumns = [["A1"]]',
            "one list for each of the 2 poles",
        ),
        ('poles = 1\ncloses = [[1], [2]]\ncolumns = [["A1", "A1"]]', "each once"),
    ],
)
def test_a_device_sheet_that_does_not_add_up_is_refused(rest: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        read_device(parse_sheet(DEVICE + rest, "device.toml"))


@pytest.mark.parametrize("name", catalogue().names("device"))
def test_every_device_is_read(name: str) -> None:
    device: Device = catalogue().load("device", name)
    assert device.lugs
    assert device.source
    for position in range(device.position_count):
        assert all(lug in device.lugs for pair in device.joined(position) for lug in pair)
