"""The faceplate of a wiring shows what its sheet says: as many pickups, stops and knobs, and what is hidden."""

from __future__ import annotations

import re

import pytest

from labkit.catalogue import catalogue
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import FixedCapacitor, FixedResistor, Pot
from labkit.view.drawings.faceplate import draw_faceplate, hidden_word, two_coil_slots

NAMES = catalogue().usable_names("harness")


def load(name: str) -> Harness:
    return catalogue().load("harness", name)


@pytest.mark.parametrize("name", NAMES)
def test_every_knob_and_every_stop_of_the_sheet_is_drawn(name):
    harness, drawn = load(name), draw_faceplate(load(name))
    assert len(re.findall(r'<circle [^>]*r="12"', drawn)) == len(harness.knobs)
    # a line across is a stop, one per position; lines down are switch slots and pointers of knobs
    across = [match for match in re.findall(r'y1="([\d.]+)" x2="[\d.]+" y2="([\d.]+)"', drawn) if match[0] == match[1]]
    assert len(across) == sum(len(selector.positions) for selector in harness.selectors)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_drawn_outside_the_plate(name):
    places = [float(x) for x in re.findall(r'c?x[12]?="([\d.]+)"', draw_faceplate(load(name)))]
    assert max(places) <= 220


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("one volume, one tone", ""),
        ("buffer after the volume", "battery"),
        ("volume with a capacitor bleed", "bleed C"),
        ("volume with a parallel bleed", "bleed C ∥ R"),
        ("volume with a series bleed", "bleed C + R"),
        ("one volume with load trims", "load trims"),  # its C and R meet at ground, which is no bleed
        ("two-coil, series or shunt split", "split"),
        ("tapped coil", "tap"),
        ("two pickups, two volumes, two tones, independent", "independent"),
        ("two pickups, two volumes, two tones, coupled", ""),
        ("tone on the volume's output", "tone after volume"),
        ("one volume, tone with a small capacitor", "4.7 nF"),
    ],
)
def test_what_cannot_be_seen_is_named(name, word):
    assert hidden_word(load(name)) == word


def test_a_capacitor_elsewhere_is_no_bleed():
    pot = Pot(name="volume", nodes=("bridge.hot", "tip", "ground"), value=250e3)
    shunt = FixedCapacitor(name="c", nodes=("tip", "ground"), value=1e-9)
    across = FixedResistor(name="r", nodes=("bridge.hot", "tip"), value=150e3)
    plain = Harness(name="own", slots=("bridge",), output="tip", parts={"volume": pot, "c": shunt})
    assert hidden_word(plain) == ""
    # a resistor alone bends the taper and keeps no treble
    assert hidden_word(plain.with_part(across)) == ""


def test_pickups_with_coils_reached_one_by_one_are_drawn_as_two_coils():
    split = load("two two-coil pickups, five-way with splits")
    assert two_coil_slots(split) == ("neck", "bridge")
    assert draw_faceplate(split).count('height="60" fill="none"') == 2
    assert two_coil_slots(load("two pickups, blend")) == ()
