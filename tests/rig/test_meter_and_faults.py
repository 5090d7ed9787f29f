"""What a meter shows at the jack, what each single fault does, and which fault explains a reading."""

from __future__ import annotations

import math
import random
from functools import lru_cache

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError
from labkit.rig.devices.faults import FaultFinder, Signature
from labkit.rig.devices.meter import jack_reading, tolerances_of, with_resistances
from labkit.rig.devices.plan import solder_plan
from labkit.rig.devices.single_faults import single_faults
from labkit.rig.devices.steps import fault_table, knob_checks, position_checks, shopping_list, soldering_steps
from labkit.rig.hum import switch_settings
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig, changed
from tests.rig.fault_study import finder_of, instrument, study, within
from tests.rig.unseen_wirings import NAMES, unseen

PHASE = "two pickups, phase switch"
FIVE_WAY = "three pickups, five-way, one volume, two tones"
WIRINGS = (*catalogue().names("harness"), *NAMES)


@lru_cache
def rig_of(name: str) -> Rig:
    return demo_rig(unseen(name) if name in NAMES else catalogue().load("harness", name))


@pytest.mark.parametrize("name", WIRINGS)
def test_a_reading_is_the_impedance_at_no_frequency(name: str) -> None:
    rig = rig_of(name).replace(chain=())
    for place in (*switch_settings(rig.harness.selectors)[:8],):
        for knob in (10.0, 4.0):
            settings = {**place, **{each.name: knob for each in rig.harness.knobs}}
            reading = jack_reading(rig, settings)
            if reading is None:
                assert any(part.kind not in ("pot", "switch", "capacitor") for part in rig.harness.parts.values())
                continue
            impedance = abs(solve(rig.replace(settings=settings).circuit, np.array([1e-3])).output_impedance[0])
            if reading.is_open:
                assert impedance > 1e7
            else:
                # 0.1 Ω stands for a wiper at its end, in each of two pots at most
                assert impedance == pytest.approx(reading.ohms, rel=1e-4, abs=0.3)


def test_shares_are_how_the_reading_moves() -> None:
    rig = rig_of(PHASE)
    reading = jack_reading(rig, {"volume": 4.0})
    assert reading is not None
    pot = rig.harness.parts["volume"]
    more = jack_reading(rig.replace(parts={"volume": changed(pot, value=pot.value * 1.001)}), {"volume": 4.0})  # type: ignore[attr-defined]
    assert more is not None
    assert math.log(more.ohms / reading.ohms) / math.log(1.001) == pytest.approx(reading.shares["volume"], rel=2e-3)
    assert sum(reading.shares.values()) == pytest.approx(1.0, abs=1e-6)


def test_bounds_hold_instruments_inside_their_tolerance() -> None:
    rig, choose = rig_of(PHASE), random.Random(5)
    reading = jack_reading(rig)
    assert reading is not None
    bounds = reading.interval(tolerances_of(rig))
    others = [jack_reading(instrument(rig, choose)) for _ in range(60)]
    held = sum(bounds.holds(other.ohms) for other in others if other is not None)
    assert held >= 55  # 95 of 100, less two standard deviations of so few
    assert bounds.high / bounds.low < 1.12


def test_resistances_of_pickups_are_those_at_their_leads() -> None:
    rig = with_resistances(rig_of(PHASE), {"neck": 7300.0})
    reading = jack_reading(rig, {"selector": "neck"})
    assert reading is not None
    assert reading.ohms == pytest.approx(1 / (1 / 7300 + 1 / 500e3), rel=1e-4)
    with pytest.raises(InputError, match="no pickup 'nek'"):
        with_resistances(rig_of(PHASE), {"nek": 7300.0})
    with pytest.raises(InputError, match="above 0"):
        with_resistances(rig_of(PHASE), {"neck": -1.0})


def test_electronics_at_the_jack_give_no_reading() -> None:
    assert jack_reading(rig_of("buffer after the volume")) is None


def test_every_wire_can_be_missing_and_every_fault_changes_what_is_joined() -> None:
    plan = finder_of(PHASE).plan
    faults = single_faults(plan)
    missing = [fault.wires for fault in faults if fault.kind == "missing wire"]
    assert missing == [(number,) for number in range(1, len(plan.wires) + 1)]
    whole = tuple((wire.one, wire.other) for wire in plan.wires)
    assert all(fault.joints != whole for fault in faults)
    assert {fault.kind for fault in faults} == {
        "missing wire",
        "bridged lugs",
        "exchanged wires",
        "wire on the wrong lug",
        "broken part",
        "shorted part",
    }


def test_faults_do_what_a_technician_knows() -> None:
    shown = {fault.words: signature for fault, signature in finder_of("one volume, one tone").faults}
    tip = next(each for words, each in shown.items() if "jack tip" in words and words.startswith("wire"))
    assert tip.readings["always"] is not None
    assert tip.readings["always"].is_open
    assert tip.heard == {"always": "silent"}
    outer = shown["what belongs on volume lug 3 and volume lug 1 is exchanged"]
    assert outer.heard["always"] == "silent" or outer.turned["volume"] == "backwards"
    assert shown["the tone capacitor is open inside"].turned["tone"] == "does nothing"
    assert shown["the tone capacitor is short, or its legs touch"].turned["tone"] == "silences"
    link = shown["wire 1, link from volume lug 1 to the back of the volume pot"]
    assert link.turned["volume"] == "does not close"
    phase = {fault.words: signature for fault, signature in finder_of(PHASE).faults}
    swapped = phase["what belongs on bridge hot lead and bridge ground lead is exchanged"]
    assert swapped.heard["phase=in_phase, selector=both"] == "out of phase"
    assert swapped.heard["phase=in_phase, selector=neck"] == "as it should"


def test_the_screen_and_the_strings_are_found_at_the_sleeve() -> None:
    found = finder_of(PHASE)
    seen = [
        found.observation("the wire from the bridge: open"),
        found.observation("phase=in_phase, selector=neck: 5.7k"),
    ]
    first = found.causes(seen)[0]
    assert any(
        fault.words.startswith(f"wire {len(found.plan.wires)}, the wire from the bridge") for fault in first.faults
    )
    assert all(fault.wires == (len(found.plan.wires),) for fault in first.faults)


def test_one_reading_names_the_wire_and_what_to_read_next() -> None:
    found = finder_of(FIVE_WAY)
    seen = [found.observation("neck: open"), found.observation("bridge: 5.9k")]
    causes = found.causes([found.observation("neck: 245k"), found.observation("neck and middle: 5.6k")])
    assert "neck hot lead to selector A1" in causes[0].faults[0].words or any(
        "neck hot lead to selector A1" in fault.words for fault in causes[0].faults
    )
    assert causes[0].share > 0.8
    assert found.next_place(found.causes(seen), seen) not in {each.place for each in seen}
    assert sum(cause.share for cause in causes) == pytest.approx(1.0)


def test_a_whole_wiring_is_called_whole() -> None:
    found = finder_of(FIVE_WAY)
    seen = [
        found.observation(f"{place}: {reading.ohms:.0f} ohm")
        for place in found.positions
        if (reading := found.whole.readings[place]) is not None
    ]
    assert found.causes([*seen, found.observation("volume: as it should")])[0].faults == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("neck 5k", "write PLACE: READING"),
        ("nek: 5k", "'nek' is no place to read here. Did you mean 'neck'?"),
        ("neck: quiet", "expected ohms"),
        ("volume: quiet", "of a knob say 'as it should'"),
        ("neck: -5k", "not below zero"),
        ("selector=nek: 5k", "Did you mean 'neck'?"),
    ],
)
def test_what_is_no_reading_is_refused(text: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        finder_of(FIVE_WAY).observation(text)
    assert says in str(caught.value)


def test_a_place_of_ones_own_is_read_too() -> None:
    harness = catalogue().load("harness", "one volume")
    found = FaultFinder(solder_plan(harness), demo_rig(harness))
    seen = found.observation("volume=3: 20k")
    assert seen.place == "volume=3"
    assert found.causes([seen])


def test_faults_put_in_are_among_the_first_three_causes() -> None:
    trials, _, _ = study(("one volume, one tone", PHASE, FIVE_WAY), 30, 7)
    assert len(trials) == 30
    assert within(trials, "by_meter") >= 0.85
    assert within(trials, "by_ear") >= 0.9


@pytest.mark.parametrize("name", [PHASE, FIVE_WAY, "two two-coil pickups, five-way with splits", "stacked_controls"])
def test_steps_hold_every_wire_once_and_solder_every_lug(name: str) -> None:
    plan = finder_of(name).plan
    steps = soldering_steps(plan)
    assert [number for step in steps for number in step.wires] == list(range(1, len(plan.wires) + 1))
    ends = {lug for wire in plan.wires for lug in (wire.one, wire.other)}
    lugs = {plan.lug_words(lug) for lug in ends if plan.parts[lug.part].device.lug_is == "lug"}
    assert {words for step in steps for words in step.solder} == lugs
    last = {words: step for step in steps for words in step.solder}
    for lug in ends:
        if plan.parts[lug.part].device.lug_is == "lug":
            numbers = [n for n, wire in enumerate(plan.wires, start=1) if lug in (wire.one, wire.other)]
            assert max(numbers) in last[plan.lug_words(lug)].wires
    legs = [step for step in steps if any(plan.wires[number - 1].is_leg for number in step.wires)]
    assert all(len(step.wires) == 2 for step in legs if step.words.startswith("tone capacitor"))


def test_the_shopping_list_counts_equal_parts_and_states_tolerances() -> None:
    rows = {row.use: row for row in shopping_list(finder_of(FIVE_WAY).plan)}
    assert rows["volume, neck tone and middle tone"].count == 3
    assert rows["volume, neck tone and middle tone"].value == "250 kΩ, audio 10 %, ± 20 %"
    assert rows["tone capacitor"].value == "22 nF, ± 10 %"
    assert rows["selector"].what.startswith("lever")


def test_checks_name_the_leads_on_tip_and_sleeve() -> None:
    checks = {check.place: check for check in position_checks(finder_of(PHASE))}
    assert checks["in phase, both"].tip == ("neck hot", "bridge hot")
    assert checks["reversed, neck"].tip == ("neck ground",)
    assert "neck hot" in checks["reversed, neck"].sleeve
    assert checks["reversed, both"].phase == "out of phase"
    ohms = checks["in phase, neck"].ohms
    assert ohms is not None
    assert ohms.holds(1 / (1 / 5800 + 1 / 500e3))
    assert ("in phase, bridge, volume at 0", "0 Ω") in knob_checks(finder_of(PHASE))


def test_the_fault_table_breaks_every_wire() -> None:
    for name in (PHASE, FIVE_WAY):
        rows = fault_table(finder_of(name))
        wires = sorted(number for row in rows for number in row.wires)
        assert wires == list(range(1, len(finder_of(name).plan.wires) + 1))
        assert rows[0].complaint == "no sound"
        assert any(row.complaint == "a knob" and "tone does nothing" in row.shows for row in rows)


def test_a_plan_of_bare_wires_is_what_its_rig_is() -> None:
    harness = catalogue().load("harness", "no controls")
    found = FaultFinder(solder_plan(harness), demo_rig(harness))
    assert list(found.positions) == ["always"]
    assert position_checks(found)[0].tip == ("bridge hot",)


def test_a_capacitor_that_hangs_loose_is_told_by_the_treble() -> None:
    finder = finder_of("one volume, rotary tone")
    leg = next(
        fault for fault, _ in finder.faults if fault.kind == "missing wire" and "leg from the capacitor4" in fault.words
    )
    shown = dict(finder.faults)[leg]
    assert shown.heard["100n"] == "bright"
    assert shown.heard["open"] == "as it should"
    causes = finder.causes([finder.observation("100n: bright")])
    assert any(leg in cause.faults for cause in causes[:3])
    rows = {number: row.complaint for row in fault_table(finder) for number in row.wires}
    assert rows[leg.wires[0]] == "another sound"
    assert all(row.shows == "nothing at the jack" for row in fault_table(finder) if row.complaint == "nothing")


def test_a_fault_that_shows_in_many_positions_is_said_of_six_and_the_rest_is_counted() -> None:
    harness = catalogue().load("harness", "three pickups, a switch for each")
    finder = FaultFinder(solder_plan(harness), demo_rig(harness))
    rows = [(len(_changed(finder, signature)), finder.shows(signature)) for _, signature in finder.missing_wires]
    long = [(count, said) for count, said in rows if count > 7 and "everywhere" not in said]
    assert long
    for count, said in long:
        assert f"and {count - 6} more positions" in said
        assert said.count("kΩ") == 6


def _changed(finder: FaultFinder, signature: Signature) -> list[str]:
    pairs = ((place, signature.readings[place], finder.whole.readings[place]) for place in finder.positions)
    return [place for place, now, meant in pairs if now and meant and finder.is_told_apart(now, meant)]
