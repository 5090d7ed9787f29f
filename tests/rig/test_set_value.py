"""Changes in the words of ``--set``: pickups from the inside, and another wiring."""

from __future__ import annotations

import pytest

from labkit.core.errors import InputError
from labkit.pickup.predict.built import load_built
from labkit.rig.rewiring import rewired
from labkit.rig.sheet import load_rig, set_value


@pytest.fixture
def rig():
    return load_rig("Saltmarsh Lane, narrow single coil")


def test_a_value_of_a_coil_is_set_by_slot_and_coil(rig):
    changed = set_value(rig, "bridge.main.inductance", "3 H")
    assert changed.pickups["bridge"].coils["main"].inductance == 3.0
    assert changed.pickups["bridge"].coils["main"].resistance == rig.pickups["bridge"].coils["main"].resistance
    # more inductance, same capacitance behind it: the peak goes down by the root of the ratio, loads aside
    assert changed.response().peak.frequency_hz < rig.response().peak.frequency_hz


@pytest.mark.parametrize("key", ["bridge.main.turns", "bridge.coil.main.turns"])
def test_a_key_of_a_build_sheet_is_set_and_everything_follows(rig, key):
    built = set_value(rig, "bridge", "narrow single coil, built")
    fewer = set_value(built, key, "5000")
    expected = load_built("narrow single coil, built", {"coil.main.turns": "5000"}).pickup
    assert fewer.pickups["bridge"].coils["main"] == expected.coils["main"]
    # and once more on top of it
    again = set_value(fewer, key, "8000")
    assert again.pickups["bridge"].coils["main"] == built.pickups["bridge"].coils["main"]


def test_another_wiring_keeps_pickups_settings_and_chain(rig):
    turned = set_value(rig, "volume", "7")
    changed = set_value(turned, "wiring", "one volume, bass cut")
    assert changed.harness.name == "one volume, bass cut"
    assert changed.pickups["bridge"] == rig.pickups["bridge"]
    assert changed.settings["volume"] == 7.0
    assert [stage.data() for stage in changed.chain] == [stage.data() for stage in rig.chain]


def test_a_wiring_for_more_pickups_fills_its_slots_with_what_is_at_hand(rig):
    changed = rewired(rig, "two pickups, blend")
    assert set(changed.pickups) == set(changed.harness.slots)
    assert changed.pickups["bridge"] == rig.pickups["bridge"]


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("bridge.main.inductence", "3 H", "inductance"),
        ("bridge.main.inductance", "banana", "is not an inductance"),
        ("bridge.lower.inductance", "3 H", "lower"),
        ("wiring", "one volum", "one volume"),
        ("wirring", "one volume", "wiring"),
    ],
)
def test_what_cannot_be_set_is_said_in_one_sentence(rig, name, text, said):
    with pytest.raises(InputError) as caught:
        set_value(rig, name, text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
