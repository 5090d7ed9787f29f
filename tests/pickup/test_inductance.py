"""Inductance: published values, two independent routes, scaling laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ellipe, ellipk

from labkit.core.errors import InputError
from labkit.pickup.winding.inductance import (
    CLOSED_FORM_RANGES,
    CLOSED_FORM_RMS,
    MU_0,
    closed_form_warnings,
    inductance_closed_form,
    inductance_integral,
    round_wire_correction,
    stacked_mutual_inductance,
)
from labkit.pickup.winding.spectral import (
    CoilShape,
    mutual_inductance,
    spectral_inductance,
)

SINGLE = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3, "build_up": 4.33e-3}
PAIR_COIL = CoilShape(straight_length=48e-3, end_radius=2.5e-3, winding_height=6.5e-3, build_up=5.5e-3)


def random_coils(count: int, seed: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {name: rng.uniform(limits.low, limits.high, count) for name, limits in CLOSED_FORM_RANGES.items()}


def circle_mutual(radius: np.ndarray, other: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Two coaxial circles by Maxwell's elliptic formula: a route that shares nothing with the package."""
    m = 4 * radius * other / ((radius + other) ** 2 + distance**2)
    k = np.sqrt(m)
    value: np.ndarray = MU_0 * np.sqrt(radius * other) * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))
    return value


# --- published values -------------------------------------------------------------------------------------------------

NAGAOKA = {
    # length/diameter: K. Grover, Inductance Calculations, table 36, p. 144; the same as Nagaoka 1909 where both give it
    0.10: 0.203324,
    0.20: 0.319825,
    0.25: 0.365432,
    0.30: 0.405269,
    0.40: 0.471865,
    0.50: 0.525510,
    0.60: 0.569691,
    0.70: 0.606689,
    0.80: 0.638094,
    0.90: 0.665054,
    1.00: 0.688423,
}


@pytest.mark.parametrize(("ratio", "coefficient"), NAGAOKA.items())
def test_thin_round_coil_has_the_nagaoka_coefficient(ratio: float, coefficient: float) -> None:
    radius, depth = 10e-3, 2e-8
    height = 2 * radius * ratio
    inductance = inductance_integral(
        turns=100, straight_length=0, end_radius=radius - depth / 2, winding_height=height, build_up=depth
    )
    sheet = MU_0 * 100**2 * math.pi * radius**2 / height
    # quadrature is exact to 3e-5 and the build-up of 20 nm instead of nothing takes off 1e-5 at most
    assert float(inductance) / sheet == pytest.approx(coefficient, rel=5e-5)


def test_short_thin_coil_has_the_1909_coefficient_within_its_own_slip() -> None:
    # Nagaoka 1909 prints 0.203315 at 2R/l = 10, 4.4e-5 below the exact 0.203324
    inductance = inductance_integral(turns=1, straight_length=0, end_radius=10e-3, winding_height=2e-3, build_up=1e-7)
    assert float(inductance) / (MU_0 * math.pi * 10e-3**2 / 2e-3) == pytest.approx(0.203315, rel=2e-4)


def test_long_single_layer_coil_of_a_radio_handbook() -> None:
    # NBS Circular 74 (1924), single layer (from memory): 400 turns, r = 10 cm, l = 40 cm: current sheet 12920 µH
    inductance = inductance_integral(
        turns=400, straight_length=0, end_radius=0.1 - 5e-6, winding_height=0.4, build_up=1e-5
    )
    assert float(inductance) * 1e6 == pytest.approx(12920, abs=5)  # printed to four digits


def test_brooks_coil_by_both_routes() -> None:
    # Brooks/Grover constant 0.025491 µH per cm of side and turn²; exact Bessel integration 0.0254907
    shape = {"straight_length": 0.0, "end_radius": 10e-3, "winding_height": 10e-3, "build_up": 10e-3}
    assert float(inductance_integral(turns=1, **shape)) == pytest.approx(0.0254907e-6, rel=5e-5)  # quadrature 2e-5
    # the sampled stream function blurs the kink of ψ: 0.2 % is what was seen at worst for round coils
    assert spectral_inductance(CoilShape(**shape), turns=1) == pytest.approx(0.0254907e-6, rel=2e-3)


@pytest.mark.parametrize(
    ("radius", "height", "depth", "percent"),
    [
        (1, 0.5, 0.5, 0.08),
        (1, 1, 1, -0.53),
        (1.5, 1, 1, -0.71),
        (1, 1, 0.5, -0.27),
        (1, 2, 0.5, -0.32),
        (1, 0.25, 0.25, 2.2),
    ],
)
def test_multilayer_formula_of_1928_errs_by_what_exact_integration_says(
    radius: float, height: float, depth: float, percent: float
) -> None:
    # Wheeler, Simple Inductance Formulas for Radio Coils, Proc. IRE 16 (1928): L = 0.8 a²n²/(6a + 9b + 10c), inches;
    # its errors against an exact integration elsewhere are the percentages
    formula = 0.8e-6 * radius**2 / (6 * radius + 9 * height + 10 * depth)
    inch = 0.0254
    exact = inductance_integral(
        turns=1,
        straight_length=0,
        end_radius=(radius - depth / 2) * inch,
        winding_height=height * inch,
        build_up=depth * inch,
    )
    assert 100 * (formula / float(exact) - 1) == pytest.approx(
        percent, abs=0.051 if percent > 1 else 0.015
    )  # as printed


@pytest.mark.parametrize(("radius", "height", "depth", "percent"), [(1, 1, 0.5, 0.5), (1, 2, 0.5, -0.7)])
def test_multilayer_formula_of_a_radio_handbook_errs_as_known(
    radius: float, height: float, depth: float, percent: float
) -> None:
    # Radiotron Designer's Handbook, 4th ed., ch. 10; errors against exact integration printed to 0.1 %
    inch = 0.0254
    formula = 1e-6 * radius**2 / (9 * radius + 10 * height + 8.4 * depth + 3.2 * depth * height / radius)  # inches
    exact = inductance_integral(
        turns=1,
        straight_length=0,
        end_radius=(radius - depth / 2) * inch,
        winding_height=height * inch,
        build_up=depth * inch,
    )
    assert 100 * (formula / float(exact) - 1) == pytest.approx(percent, abs=0.06)


def test_maxwell_coaxial_circles() -> None:
    # Rosa & Grover, Bull. Bureau of Standards 8 (1911), example 1 (from memory): A 25, a 20, d 10 cm: 248.7874 cm
    size = 1e-4  # of a thread's section: it adds 1e-7 at that distance
    mutual = stacked_mutual_inductance(
        turns=(1, 1),
        straight_length=0,
        end_radius=(0.25 - size / 2, 0.20 - size / 2),
        winding_height=(size, size),
        build_up=(size, size),
        distance=0.10,
    )
    assert float(mutual) == pytest.approx(0.2487874e-6, rel=1e-6)


def rectangle(a: float, b: float, r: float) -> float:
    """Rectangle a × b of round wire of radius r, H and m: Grover, Inductance Calculations, ch. 8 (from memory)."""
    g = math.hypot(a, b)
    return 4e-7 * (
        a * math.log(2 * a / r)
        + b * math.log(2 * b / r)
        + 2 * g
        - a * math.asinh(a / b)
        - b * math.asinh(b / a)
        - 2 * (a + b)
        + 0.25 * (a + b)
    )


def test_rectangle_formula_gives_its_worked_number() -> None:
    # a = 10, b = 5, r = 0.05 cm: 0.26270 µH
    assert rectangle(0.10, 0.05, 0.5e-3) == pytest.approx(0.26270e-6, abs=5e-12)


def test_a_longer_loop_gains_what_a_longer_rectangle_gains() -> None:
    # Far from its ends a loop does not know their shape, so a piece of both straights adds the same to an obround
    # as to a rectangle. A bundle of square section c has the geometric mean distance 0.44705·c of itself (Grover),
    # a round wire e^(−1/4)·r.
    width, side = 10e-3, 0.2e-3
    radius = 0.44705 * side / math.exp(-0.25)

    def obround(straight: float) -> float:
        shape = {"end_radius": width / 2 - side / 2, "winding_height": side, "build_up": side}
        return float(inductance_integral(turns=1, straight_length=straight, **shape))

    gain = obround(0.4) - obround(0.2)
    # the ends act on one another as 1/length²: 1e-4 of the gain; quadrature of a section this thin: 5e-5
    assert gain == pytest.approx(rectangle(0.4, width, radius) - rectangle(0.2, width, radius), rel=3e-4)


# --- independent routes -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("radius", "depth", "height"), [(5e-3, 5e-3, 5e-3), (8e-3, 2e-3, 12e-3), (3e-3, 6e-3, 4e-3)])
def test_round_coils_agree_with_a_stack_of_circles(radius: float, depth: float, height: float) -> None:
    count = 60
    r = radius + (np.arange(count) + 0.5) / count * depth
    z = np.arange(count) / count * height
    weight = np.where(np.arange(count) == 0, 1.0, 2.0) * (count - np.arange(count))
    cell = math.sqrt(depth * height) / count * 0.44705  # geometric mean distance of a square from itself
    total = 0.0
    for steps in range(count):
        distance = np.full((count, count), z[steps])
        if steps == 0:
            distance = distance + np.eye(count) * cell
        total += weight[steps] * float(circle_mutual(r[:, None], r[None, :], distance).sum())
    stack = total / count**4
    integral = float(
        inductance_integral(turns=1, straight_length=0, end_radius=radius, winding_height=height, build_up=depth)
    )
    # 3600 circles: the neighbours of each are taken at their middles, worth some 1e-4
    assert integral == pytest.approx(stack, rel=5e-4)


def test_spectral_route_is_within_half_a_per_cent_of_the_integral_on_200_coils() -> None:
    coils = random_coils(200, seed=7)
    integral = inductance_integral(turns=1, **coils)
    spectral = np.array(
        [
            spectral_inductance(CoilShape(**{name: float(value[i]) for name, value in coils.items()}), turns=1)
            for i in range(200)
        ]
    )
    error = spectral / integral - 1
    assert np.abs(error).max() < 5e-3
    assert (
        np.sqrt(np.mean(error**2)) < 1e-3
    )  # the worst are the thinnest build-ups, where the plane is sampled coarsely


def test_finer_sampling_brings_the_spectral_route_nearer() -> None:
    shape = CoilShape(straight_length=55e-3, end_radius=2.1e-3, winding_height=5e-3, build_up=1.7e-3)
    integral = float(
        inductance_integral(turns=1, straight_length=55e-3, end_radius=2.1e-3, winding_height=5e-3, build_up=1.7e-3)
    )
    coarse, fine = (abs(spectral_inductance(shape, turns=1, points=n) / integral - 1) for n in (64, 256))
    assert fine < coarse / 4
    assert fine < 5e-4


def test_closed_form_is_as_good_as_it_claims() -> None:
    coils = random_coils(400, seed=11)
    error = inductance_closed_form(turns=1, **coils) / inductance_integral(turns=1, **coils) - 1
    # stated rms 0.4 % and worst 1.8 %; a fresh draw of 400 may differ by a tenth
    assert np.sqrt(np.mean(error**2)) < 1.1 * CLOSED_FORM_RMS
    assert np.abs(error).max() < 0.020
    assert np.sqrt(np.mean(error**2)) > 0.002  # so it cannot be the integral itself


def test_worked_single_coil_agrees_by_three_routes() -> None:
    integral = float(inductance_integral(turns=8000, **SINGLE))
    assert spectral_inductance(CoilShape(**SINGLE), turns=8000) == pytest.approx(integral, rel=1e-3)
    assert float(inductance_closed_form(turns=8000, **SINGLE)) == pytest.approx(integral, rel=0.007)


@given(
    straight=st.floats(0, 80e-3),
    radius=st.floats(1e-3, 12e-3),
    height=st.floats(2e-3, 20e-3),
    depth=st.floats(0.3e-3, 10e-3),
)
def test_a_coil_is_its_two_halves_and_twice_their_mutual(
    straight: float, radius: float, height: float, depth: float
) -> None:
    shape = {"straight_length": straight, "end_radius": radius, "build_up": depth}
    half = inductance_integral(turns=1, winding_height=height / 2, **shape)
    mutual = stacked_mutual_inductance(
        turns=(1, 1),
        straight_length=straight,
        end_radius=(radius, radius),
        winding_height=(height / 2, height / 2),
        build_up=(depth, depth),
        distance=height / 2,
    )
    whole = inductance_integral(turns=2, winding_height=height, **shape)
    assert float(2 * half + 2 * mutual) == pytest.approx(float(whole), rel=1e-9)  # the same kernel, rounding only


def test_nested_coils_make_one_thick_coil() -> None:
    # two build-ups side by side, the turns shared evenly: L = L₁ + L₂ + 2M, M through the rule for unequal sections
    common = {"straight_length": 50e-3, "winding_height": 8e-3}
    inner = inductance_integral(turns=1, end_radius=3e-3, build_up=2e-3, **common)
    outer = inductance_integral(turns=1, end_radius=5e-3, build_up=2e-3, **common)
    mutual = stacked_mutual_inductance(
        turns=(1, 1),
        straight_length=50e-3,
        end_radius=(3e-3, 5e-3),
        winding_height=(8e-3, 8e-3),
        build_up=(2e-3, 2e-3),
        distance=0.0,
    )
    whole = inductance_integral(turns=2, end_radius=3e-3, build_up=4e-3, **common)
    # the sections touch, where the rule for unequal sections meets the kink of the kernel: some 1e-4
    assert float(inner + outer + 2 * mutual) == pytest.approx(float(whole), rel=5e-4)


def test_stacked_pair_agrees_by_both_routes() -> None:
    shape = CoilShape(straight_length=50e-3, end_radius=2.5e-3, winding_height=6e-3, build_up=5e-3)
    integral = stacked_mutual_inductance(
        turns=(5000, 5000),
        straight_length=50e-3,
        end_radius=(2.5e-3, 2.5e-3),
        winding_height=(6e-3, 6e-3),
        build_up=(5e-3, 5e-3),
        distance=7e-3,
    )
    spectral = mutual_inductance(shape, shape, turns=(5000, 5000), above=7e-3)
    assert spectral == pytest.approx(
        float(integral), rel=2e-3
    )  # plane waves fall with distance: sampling hardly counts


# --- scaling laws and limits ------------------------------------------------------------------------------------------

measures = st.floats(1e-3, 12e-3)


@given(turns=st.floats(1, 20_000), radius=measures, height=measures, depth=measures, factor=st.floats(0.2, 5))
def test_inductance_goes_with_turns_squared_and_with_size(
    turns: float, radius: float, height: float, depth: float, factor: float
) -> None:
    shape = {"straight_length": 50e-3, "end_radius": radius, "winding_height": height, "build_up": depth}
    scaled = {name: factor * value for name, value in shape.items()}
    for route in (inductance_integral, inductance_closed_form):
        assert float(route(turns=turns, **scaled)) == pytest.approx(
            float(turns**2 * factor * route(turns=1, **shape)), rel=1e-9
        )
    spectral = spectral_inductance(CoilShape(**shape), turns=1, points=48)
    assert spectral_inductance(CoilShape(**scaled), turns=turns, points=48) == pytest.approx(
        turns**2 * factor * spectral, rel=1e-9
    )


def test_straights_may_shrink_to_a_round_coil() -> None:
    lengths = np.array([0.0, 1e-7, 1e-6, 1e-5])
    values = inductance_integral(turns=1, straight_length=lengths, end_radius=5e-3, winding_height=6e-3, build_up=4e-3)
    assert np.all(
        np.abs(values / values[0] - 1) < 5e-3 * lengths / 1e-5 + 5e-5
    )  # 5e-5: the quadrature at short straights


def test_long_coil_approaches_a_solenoid() -> None:
    inductance = inductance_integral(turns=1, straight_length=0, end_radius=1e-3, winding_height=1.0, build_up=1e-6)
    assert float(inductance) == pytest.approx(MU_0 * math.pi * 1e-3**2 / 1.0, rel=2e-3)  # end effect 0.85·r/l


@pytest.mark.parametrize("route", [inductance_integral, inductance_closed_form])
def test_impossible_shapes_are_refused(route: object) -> None:
    for name in ("end_radius", "winding_height", "build_up"):
        with pytest.raises(InputError, match=f"{name.replace('_', ' ')} must be above 0 mm"):
            route(turns=1, **{**SINGLE, name: 0.0})  # type: ignore[operator]
    with pytest.raises(InputError, match="straight length"):
        route(turns=1, **{**SINGLE, "straight_length": -1e-3})  # type: ignore[operator]


def test_closed_form_warns_outside_its_ranges() -> None:
    assert closed_form_warnings(**SINGLE) == ()
    warnings = closed_form_warnings(**{**SINGLE, "build_up": 9e-3, "winding_height": 2e-3})
    assert len(warnings) == 2
    assert "build-up in the closed form 9 mm is above 8 mm" in " ".join(warnings)


def test_integral_broadcasts() -> None:
    values = inductance_integral(
        turns=[[1000], [2000]],
        straight_length=52e-3,
        end_radius=[2e-3, 3e-3, 4e-3],
        winding_height=11e-3,
        build_up=4e-3,
    )
    assert values.shape == (2, 3)
    assert np.allclose(values[1] / values[0], 4.0, rtol=1e-12)


@pytest.mark.parametrize("height", [0.5e-3, 1e-3, 2e-3])
def test_one_turn_is_a_loop_of_round_wire_however_high_its_bobbin(height: float) -> None:
    radius, wire = 20e-3, 63.5e-6
    turn = 2 * math.pi * radius
    sheet = inductance_integral(turns=1, straight_length=0, end_radius=radius, winding_height=height, build_up=1e-6)
    found = sheet + round_wire_correction(turns=1, mean_turn=turn, winding_height=height, bare_diameter=wire)
    # the textbook loop of uniform current, L = μ0·R·(ln(8R/a) − 7/4); what is left goes with (h/R)²
    loop = MU_0 * radius * (math.log(8 * radius / (wire / 2)) - 1.75)
    assert float(found) == pytest.approx(loop, rel=0.01)


def test_round_wires_that_fill_a_layer_are_nearly_an_even_sheet() -> None:
    # 155 turns of 71 µm on 11 mm: the correction is below half a per cent, so the two formulas meet at one layer
    shape = SINGLE | {"build_up": 71e-6}
    sheet = inductance_integral(turns=155, **shape)
    apart = round_wire_correction(turns=155, mean_turn=0.12, winding_height=11e-3, bare_diameter=63.5e-6)
    assert abs(float(apart / sheet)) < 0.006
