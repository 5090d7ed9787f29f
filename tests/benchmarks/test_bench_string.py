"""Strings over a pickup: geometry once, then magnets and heights; a take once, then through other rigs."""

from __future__ import annotations

import pytest

from labkit.pickup.predict import output
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.under_strings import pole_sources
from labkit.pickup.string import fields
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_spots, coil_transfers
from labkit.sound.take.sheet import load_take
from labkit.sound.take.take import synthesise
from tests.benchmarks.conftest import Timed, cpu_seconds

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

GROUP = "six strings over a pickup"
SINGLE = load_built("narrow single coil, built")
STRINGS, PLACES = output.strings_over(SINGLE.build)
WIRES = tuple(each.wire for each in STRINGS)


def forget() -> None:
    for cached in (output._rows, output.transducers, output.path_gain):
        cached.cache_clear()


def test_fields_of_a_geometry(timed: Timed) -> None:
    (source,) = pole_sources(SINGLE.build)

    def run() -> object:
        fields.pole_basis.cache_clear()
        fields.coil_basis.cache_clear()
        return source.fields(PLACES)

    assert timed(GROUP, "fields along six strings, once a geometry", 1, run) is not None


def test_output_with_intervals_after_another_charge(timed: Timed) -> None:
    build = SINGLE.with_charge(0.8).build

    def run() -> object:
        forget()
        return output.string_outputs(build)

    assert len(timed(GROUP, "six outputs with intervals after a magnet or height", 1, run)) == 6


def test_best_values_after_another_charge(timed: Timed) -> None:
    build = SINGLE.with_charge(0.8).build

    def run() -> object:
        forget()
        return output.transducers(build, WIRES)

    assert timed(GROUP, "six best values, window and curvature too", 1, run) is not None


def test_a_chord_once_and_through_another_rig(timed: Timed) -> None:
    rig = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", "narrow single coil, built")
    chord, spots = load_take("E chord"), coil_spots(rig)
    take = timed("four-second chord", "synthesised once", 1, lambda: synthesise(chord, spots))
    assert take.duration_s == 4.0


def test_a_chord_through_another_rig(timed: Timed) -> None:
    rig = set_value(load_rig("Saltmarsh Lane, narrow single coil"), "bridge", "narrow single coil, built")
    renderer = Renderer(synthesise(load_take("E chord"), coil_spots(rig)))
    other = set_value(rig, "volume", "5")
    renderer.render(coil_transfers(rig, renderer.take.coils))
    sound = timed(
        "four-second chord",
        "through another rig",
        1,
        lambda: renderer.render(coil_transfers(other, renderer.take.coils)),
    )
    assert sound.size == 192_000
