"""Which outputs of pickups count where rigs are compared."""

from __future__ import annotations

import math

import pytest

from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value

SINGLE = load_rig("Saltmarsh Lane, narrow single coil")
PAIR = load_rig("Saltmarsh Lane, two pickups")


def with_values(rig: Rig, **changes: str) -> Rig:
    for name, value in changes.items():
        rig = set_value(rig, name.replace("__", "."), value)
    return rig


BUILT = with_values(SINGLE, bridge="narrow single coil, built")


def test_the_output_of_every_pickup_is_reached_from_the_rig() -> None:
    assert SINGLE.outputs == {"bridge": None}
    half = with_values(BUILT, bridge__main__poles__charge="50 %").outputs["bridge"]
    assert half is not None
    assert -4.5 < half.value < -1.5  # a string near saturation: half the charge costs less than 6 dB
    assert half.low < half.value < half.high
    assert with_values(SINGLE, bridge__output="-2 dB").outputs["bridge"].value == -2.0  # type: ignore[union-attr]


def test_the_gain_stays_at_equal_emf_whatever_the_output() -> None:
    half = with_values(BUILT, bridge__main__poles__charge="50 %")
    assert half.source_weights() == BUILT.source_weights()
    counted = counted_outputs(BUILT, half)
    first, second = (rig.source_weights(levels_db=levels) for rig, levels in zip((BUILT, half), counted.levels_db))
    outputs = [rig.outputs["bridge"].value for rig in (BUILT, half)]  # type: ignore[union-attr]
    change = 20 * math.log10(second["bridge.main.emf"] / first["bridge.main.emf"])
    assert change == pytest.approx(outputs[1] - outputs[0], abs=1e-9)


def test_a_pickup_of_unknown_output_against_another_puts_both_at_equal_emf() -> None:
    counted = counted_outputs(SINGLE, with_values(BUILT, bridge__main__poles__charge="50 %"))
    assert not counted.is_counted
    assert [dict(levels) for levels in counted.levels_db] == [{"bridge": 0.0}] * 2
    assert counted.words.startswith("at equal EMF: the output of 'narrow single coil' is not known; state it")


def test_one_and_the_same_pickup_needs_no_output() -> None:
    assert counted_outputs(SINGLE, with_values(SINGLE, volume="5")).words == ""
    assert counted_outputs(SINGLE).words == ""


def test_an_unknown_neighbour_that_stays_counts_as_the_reference_coil() -> None:
    before = with_values(PAIR, neck="narrow single coil, built")
    after = with_values(before, neck__main__poles__charge="50 %")
    counted = counted_outputs(before, after)
    assert counted.is_counted
    assert -4.5 < counted.levels_db[1]["neck"] - counted.levels_db[0]["neck"] < -1.5
    assert counted.words.startswith("with 'two-coil' at the EMF of the reference coil")


def test_two_unknown_pickups_together_are_at_equal_emf_and_that_is_said() -> None:
    assert counted_outputs(PAIR).words.startswith("at equal EMF: the output of 'narrow single coil' and 'two-coil'")


def test_a_level_given_from_outside_stands_in_place_of_the_pickups_own() -> None:
    counted = counted_outputs(BUILT, with_values(BUILT, bridge__main__poles__charge="50 %"), stated=("bridge",))
    assert [dict(levels) for levels in counted.levels_db] == [{"bridge": 0.0}] * 2
    assert counted.words == ""
