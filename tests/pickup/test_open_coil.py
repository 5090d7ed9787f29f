"""What an old coil was: turns from size, weight and resistance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.pickup.materials.wire import wire
from labkit.pickup.predict.propagation import Doubtful
from labkit.pickup.winding.open_coil import FILM_DENSITY, OpenCoil, identify_coil
from labkit.pickup.winding.winding import Winding

TRUE = Winding(
    turns=7600.0,
    wire=wire("AWG 43 single build"),
    straight_length=51e-3,
    end_radius=2.6e-3,
    winding_height=10.5e-3,
    packing=0.82,
)


def film_mass(coil: Winding) -> float:
    ring = math.pi / 4 * (coil.wire.overall_nominal**2 - coil.wire.bare_nominal**2)
    return coil.wire_length * ring * FILM_DENSITY.value


def measured(*, parts: tuple[str, ...] = (), factor: dict[str, float] | None = None, packing: float = 0.82) -> OpenCoil:
    scale = {"weight": 1.0, "resistance": 1.0, "build_up": 1.0, **(factor or {})}
    return OpenCoil(
        straight_length=Doubtful.percent(51e-3, 0.01),
        end_radius=Doubtful.percent(2.6e-3, 0.05),
        winding_height=Doubtful.percent(10.5e-3, 0.02),
        build_up=Doubtful.percent(TRUE.build_up * scale["build_up"], 0.05),
        bare_diameter=Doubtful.plus_minus(TRUE.wire.bare_nominal, 0.7e-6),
        overall_diameter=Doubtful.plus_minus(TRUE.wire.overall_nominal, 1e-6),
        packing=Doubtful.percent(packing, 0.12),
        wire_mass=Doubtful.percent((TRUE.copper_mass + film_mass(TRUE)) * scale["weight"], 0.03)
        if "weight" in parts
        else None,
        resistance=Doubtful.percent(TRUE.resistance(25.0) * scale["resistance"], 0.005)
        if "resistance" in parts
        else None,
        temperature_c=25.0,
    )


def test_every_route_finds_the_turns_of_a_known_coil() -> None:
    found = identify_coil(measured(parts=("weight", "resistance")))
    for prediction in (*found.by_route.values(), found.turns):
        assert prediction.value == pytest.approx(7600, rel=1e-9)  # the measurements are exact here
    assert found.resistance.value == pytest.approx(TRUE.resistance(20.0), rel=1e-9)
    assert found.warnings == ()


def test_routes_together_are_better_than_the_best_alone() -> None:
    found = identify_coil(measured(parts=("weight", "resistance")))
    best = min(prediction.half_width_fraction for prediction in found.by_route.values())
    assert found.turns.half_width_fraction < best
    alone = identify_coil(measured())
    assert alone.turns.half_width_fraction > found.turns.half_width_fraction
    assert list(alone.by_route) == ["size"]
    assert alone.turns.value == pytest.approx(alone.by_route["size"].value, rel=1e-12)


def test_size_alone_is_as_doubtful_as_the_packing() -> None:
    found = identify_coil(measured()).turns
    assert found.largest == "packing"
    assert 0.10 < found.half_width_fraction < 0.20


def test_a_part_left_unwound_or_wax_in_the_weight_is_noticed() -> None:
    heavy = identify_coil(measured(parts=("weight", "resistance"), factor={"weight": 1.25}))
    assert any("weight" in sentence for sentence in heavy.warnings)
    shorted = identify_coil(measured(parts=("weight", "resistance"), factor={"resistance": 0.7}))
    assert any("resistance" in sentence for sentence in shorted.warnings)


def test_the_interval_holds_the_turns_in_95_of_100_coils() -> None:
    rng = np.random.default_rng(3)
    hits, count = 0, 300
    for _ in range(count):
        exact = measured(parts=("weight", "resistance"))

        def draw(item: Doubtful) -> Doubtful:
            step = rng.normal(0.0, item.deviation)
            value = item.value * math.exp(step) if item.scale == "log" else item.value + step
            return Doubtful(value=value, deviation=item.deviation, scale=item.scale)

        read = OpenCoil(
            temperature_c=25.0,
            **{
                name: draw(getattr(exact, name))
                for name in exact.__slots__
                if name != "temperature_c" and getattr(exact, name) is not None
            },
        )
        hits += identify_coil(read).turns.interval.holds(7600.0)
    # 285 expected of 300; three standard deviations of the count are 11
    assert 274 <= hits <= 296


def test_impossible_measurements_are_refused() -> None:
    with pytest.raises(InputError, match="over the film must exceed"):
        OpenCoil(
            straight_length=Doubtful.exactly(51e-3),
            end_radius=Doubtful.exactly(2.6e-3),
            winding_height=Doubtful.exactly(10e-3),
            build_up=Doubtful.exactly(4e-3),
            bare_diameter=Doubtful.exactly(60e-6),
            overall_diameter=Doubtful.exactly(60e-6),
        )
    with pytest.raises(InputError, match="build up must be above zero"):
        OpenCoil(
            straight_length=Doubtful.exactly(51e-3),
            end_radius=Doubtful.exactly(2.6e-3),
            winding_height=Doubtful.exactly(10e-3),
            build_up=Doubtful.exactly(0.0),
            bare_diameter=Doubtful.exactly(56e-6),
            overall_diameter=Doubtful.exactly(62e-6),
        )
