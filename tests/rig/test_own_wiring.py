"""An own wiring from words: what was asked for is what the wires and the real switch do."""

from __future__ import annotations

import pytest

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.rig.devices.own_wiring import SWITCH, OwnWiring, nearest_wiring, own_wiring, read_wish
from labkit.rig.devices.plan import harness_as_soldered, solder_plan
from labkit.rig.harness import harness_data, read_harness
from labkit.rig.hum import PositionFacts, broken_claims, position_facts
from labkit.rig.rewiring import demo_rig
from labkit.rig.sheet import load_rig


def made(*lines: str, start: str | None = None, style: str | None = None) -> OwnWiring:
    harness = None if start is None else catalogue().load("harness", start)
    return own_wiring([read_wish(line) for line in lines], harness, style=style)


def as_soldered(found: OwnWiring) -> dict[str, PositionFacts]:
    """What each position does by the wires of the plan and the contacts of the device alone."""
    rig = found.rig.replace(harness=harness_as_soldered(solder_plan(found.harness)))
    return {position: position_facts(rig.replace(settings={SWITCH: position})) for position in found.fit.order}


def slots(facts: PositionFacts) -> set[str]:
    return {name.partition(".")[0] for name in facts.heard}


def test_words_are_read_as_a_technician_means_them() -> None:
    wish = read_wish("inner: neck split + bridge first coil, out of phase, hum adds")
    assert [(voice.slot, voice.mode) for voice in wish.voices] == [("neck", "split"), ("bridge", "first")]
    assert (wish.in_series, wish.phase, wish.hum) == (False, "out", "adds")
    assert read_wish("fat: Neck and Bridge in series").in_series
    assert [voice.mode for voice in read_wish("low: neck in parallel").voices] == ["parallel"]
    assert read_wish("off: silent").voices == ()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("neck", "write POSITION: PICKUPS"),
        ("a: nek", "there is no pickup 'nek' here. Did you mean 'neck'"),
        ("a: neck splt", "'splt' says nothing of a pickup. Did you mean 'split'"),
        ("a: neck + neck split", "a pickup is named twice"),
        ("a: neck + bridge in series in parallel", "exclude each other"),
        ("a: off, hum cancels", "a silent position"),
    ],
)
def test_words_that_are_not_understood_are_refused_with_what_is(line: str, said: str) -> None:
    with pytest.raises(InputError, match=said.replace("(", r"\(")):
        read_wish(line, ("neck", "bridge"))


def test_five_voices_are_what_was_asked_for_when_soldered() -> None:
    found = made(
        "neck: neck",
        "both: neck + bridge",
        "fat: neck + bridge in series",
        "thin: neck + bridge out of phase",
        "off: off",
    )
    facts = as_soldered(found)
    assert slots(facts["neck"]) == {"neck"}
    assert slots(facts["both"]) == slots(facts["fat"]) == slots(facts["thin"]) == {"neck", "bridge"}
    assert (facts["both"].phase, facts["fat"].phase, facts["thin"].phase) == ("in", "in", "out")
    # two like pickups in series give up to 6 dB more than side by side, less what the tone loads
    assert 4.5 < facts["fat"].level_db - facts["both"].level_db < 6.1
    assert facts["off"].heard == ()


def test_a_split_takes_the_coils_that_cancel_hum() -> None:
    found = made("neck: neck", "inner: neck split + bridge split, hum cancels", "bridge: bridge")
    inner = as_soldered(found)["inner"]
    assert len(inner.heard) == 2
    assert inner.hum == "cancels"
    claim = next(claim for claim in found.harness.claims if claim.where == {SWITCH: "inner"})
    assert claim.selects is not None
    assert {name.partition(".")[2] for name in claim.selects} == {"first", "second"}


def test_coils_of_one_pickup_in_series_parallel_and_split() -> None:
    facts = as_soldered(made("whole: pickup", "low: pickup coils in parallel", "one: pickup split", style="lever"))
    assert [len(facts[each].heard) for each in ("whole", "low", "one")] == [2, 2, 1]
    # half the coils, or both side by side: half the voltage
    assert facts["low"].level_db == pytest.approx(facts["whole"].level_db - 6, abs=0.5)
    assert facts["one"].level_db == pytest.approx(facts["whole"].level_db - 6, abs=0.5)


@pytest.mark.parametrize(
    ("start", "lines"),
    [
        ("two pickups, two volumes, two tones, independent", ("neck: neck", "both: neck + bridge", "off: off")),
        ("two pickups, two volumes, two tones, coupled", ("neck: neck", "thin: neck + bridge out of phase")),
        ("three pickups, five-way, one volume, two tones", ("neck: neck", "outer: neck + bridge", "bridge: bridge")),
        ("one volume, one tone", ("neck: neck", "all: neck + middle + bridge", "middle: middle")),
    ],
)
def test_pots_of_the_start_stay_and_its_switch_goes(start: str, lines: tuple[str, ...]) -> None:
    found = made(*lines, start=start)
    before = catalogue().load("harness", start)
    kept = {name for name, part in found.harness.parts.items() if part.kind == "pot"}
    assert kept <= {name for name, part in before.parts.items() if part.kind == "pot"}
    assert "volume" in kept or "neck_volume" in kept
    assert [control.name for control in found.harness.selectors] == [SWITCH]
    for line in lines:
        wish = read_wish(line)
        facts = as_soldered(found)[wish.position]
        assert slots(facts) == {voice.slot for voice in wish.voices}


def test_a_tone_follows_its_pickup_to_the_new_switch() -> None:
    found = made("neck: neck", "bridge: bridge", start="three pickups, five-way, one volume, two tones")
    joins = {frozenset(pair) for pair in found.harness.parts[SWITCH].positions["neck"]}  # type: ignore[attr-defined]
    assert frozenset({"neck_tone_hot", "bus"}) in joins
    assert not any("neck_tone_hot" in pair for pair in found.fit.joins("bridge"))


def test_the_plainest_switch_is_taken_and_a_style_is_kept_to() -> None:
    lines = ("neck: neck", "both: neck + bridge", "bridge: bridge")
    assert made(*lines).fit.device == made(*lines, style="toggle").fit.device
    assert made(*lines, style="rotary").harness.parts[SWITCH].style == "rotary"  # type: ignore[attr-defined]
    with pytest.raises(InputError, match="no push-pull switch of the catalogue makes these joins") as refused:
        made(*lines, style="push-pull")
    assert "One switch is searched; a second one" in str(refused.value)


@pytest.mark.parametrize(
    ("start", "lines", "said"),
    [
        (None, ("a: neck split, hum cancels", "b: neck"), "position 'a': no way to join the leads of neck"),
        (None, ("a: neck", "a: bridge"), "given twice"),
        (None, ("a: neck",), "needs at least two positions"),
        (None, ("a: off", "b: off"), "no position says which pickup"),
        ("two pickups, blend", ("a: neck", "b: bridge"), "does not lead its pickups through a switch alone"),
        ("two pickups, phase switch", ("a: middle", "b: bridge"), "has no pickup 'middle'"),
        (
            "two pickups, two volumes, two tones, independent",
            ("a: neck", "b: neck + bridge in series"),
            "has a knob of its own before the switch",
        ),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(start: str | None, lines: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        made(*lines, start=start)


def test_the_nearest_wiring_has_the_pickups_and_most_of_the_positions() -> None:
    def nearest(*lines: str) -> str:
        return nearest_wiring([read_wish(line) for line in lines])

    assert nearest("neck: neck", "both: neck + bridge") == "two pickups, one volume, one tone, three-way"
    assert nearest("a: neck", "thin: neck + bridge out of phase") == "two pickups, phase switch"
    assert nearest("whole: pickup", "one: pickup split") == "one volume, one tone"


def test_the_sheet_reads_back_and_keeps_its_claims() -> None:
    found = made("neck: neck", "thin: neck + bridge out of phase", "mute: off")
    again = read_harness(parse_sheet(sheet_text("harness", harness_data(found.harness)), "own"))
    assert harness_data(again) == harness_data(found.harness)
    assert broken_claims(demo_rig(again)) == ()


def test_the_pickups_of_a_rig_are_those_that_are_tried() -> None:
    rig = load_rig("Saltmarsh Lane, two pickups")
    found = own_wiring([read_wish("neck: neck"), read_wish("both: neck + bridge")], rig.harness, rig=rig)
    assert {slot: pickup.name for slot, pickup in found.rig.pickups.items()} == {
        slot: pickup.name for slot, pickup in rig.pickups.items()
    }


def test_leads_that_only_go_to_ground_are_left_as_they_are() -> None:
    found = made("neck: neck", "both: neck + bridge")
    assert GROUND not in {node for pair in found.harness.parts[SWITCH].contacts() for node in pair}  # type: ignore[attr-defined]
