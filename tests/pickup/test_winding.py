"""Winding: worked numbers, inverses, refusals and intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.errors import InputError
from labkit.pickup.materials.wire import Wire, copper_resistivity, gauge_law_diameter, resistance_at_20, wire
from labkit.pickup.winding.air_coil import DEVIATIONS, predict_air_coil
from labkit.pickup.winding.winding import Winding, build_up, coil_resistance, mean_turn, turn_area

CORE = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3}


def winding(**changes: object) -> Winding:
    fields: dict = {"turns": 8000.0, "wire": wire("AWG 42 single build"), **CORE, **changes}
    return Winding(**fields)


def test_worked_single_coil_has_its_build_up_and_mean_turn() -> None:
    # hand calculation, printed to 0.01 mm and 1 mm
    assert winding().build_up == pytest.approx(4.33e-3, abs=0.005e-3)
    assert winding().mean_turn == pytest.approx(133e-3, abs=0.5e-3)


@pytest.mark.parametrize(("celsius", "ohms"), [(0, 5349), (20, 5805), (40, 6262)])
def test_worked_single_coil_has_its_resistance_at_three_temperatures(celsius: float, ohms: float) -> None:
    # hand calculation, printed to 1 Ω from d_o = 71.1 µm; the table's 71.12 µm adds 0.4 Ω
    assert winding().resistance(celsius) == pytest.approx(ohms, abs=1.0)


def test_packing_moves_resistance_by_some_two_per_cent() -> None:
    # hand calculation: F 0.95 → 0.75 is +2.4 % of the coil at 0.85, printed to 0.1 %
    change = winding(packing=0.75).resistance() - winding(packing=0.95).resistance()
    assert change / winding(packing=0.85).resistance() == pytest.approx(0.024, abs=5e-4)


def test_resistance_answers_to_the_square_of_the_bare_diameter() -> None:
    thin = coil_resistance(wire_length=1000.0, bare_diameter=63.5e-6 * 0.985)
    nominal = coil_resistance(wire_length=1000.0, bare_diameter=63.5e-6)
    assert thin / nominal - 1 == pytest.approx(0.03, abs=1e-3)  # 1.5 % in diameter is 3 %, to first order


def test_ten_degrees_are_four_per_cent() -> None:
    # bench rule R20 = R/(1 + 0.00393·(T − 20 °C)), printed as +3.9 % for 10 °C
    assert winding().resistance(30) / winding().resistance(20) - 1 == pytest.approx(0.0393, abs=1e-12)
    assert resistance_at_20(resistance=winding().resistance(35), temperature_c=35) == pytest.approx(
        winding().resistance(20), rel=1e-12
    )


def test_mass_is_section_times_length_times_density() -> None:
    coil = winding()
    # 8.89 g/cm³ (IEC 60028) over 1066 m of 63.5 µm: 30.0 g by hand
    assert coil.copper_mass == pytest.approx(30.0e-3, rel=2e-3)
    assert winding(stretch=0.01).copper_mass == pytest.approx(coil.copper_mass / 1.01, rel=1e-12)


def test_a_wire_drawn_longer_has_its_resistance_up_by_the_square_of_its_length() -> None:
    """Any text on electricity: drawn to n times its length at the same volume, a wire has n² times the resistance."""
    supplied = coil_resistance(wire_length=1.0, bare_diameter=63.5e-6)
    drawn = coil_resistance(wire_length=1.01, bare_diameter=63.5e-6, stretch=0.01)
    assert drawn / supplied == pytest.approx(1.01**2, rel=1e-12)
    # of the finished coil the length is settled by the bobbin, so only the thinner section is left
    coil = winding(stretch=0.01)
    assert coil.resistance() / winding().resistance() == pytest.approx(1.01, rel=1e-12)
    # and length with weight give the resistance whatever happened to the section: R = ρ·ℓ²·δ/m, IEC 60028 for ρ and δ
    by_weight = 1.7241e-8 * coil.wire_length**2 * 8890 / coil.copper_mass
    assert coil.resistance() == pytest.approx(by_weight, rel=1e-12)


def test_layers_and_turns_per_layer_follow_the_overall_diameter() -> None:
    coil = winding()
    assert coil.turns_per_layer == pytest.approx(11e-3 / 71.12e-6, rel=1e-9)
    assert coil.layers * coil.turns_per_layer == pytest.approx(coil.turns, rel=1e-12)


def test_finished_size_is_the_core_and_twice_the_build_up() -> None:
    length, width = winding().finished_size
    assert length == pytest.approx(52e-3 + 2 * (2.5e-3 + winding().build_up), rel=1e-12)
    assert width == pytest.approx(2 * (2.5e-3 + winding().build_up), rel=1e-12)


def test_turn_area_is_the_mean_over_the_layers() -> None:
    depth = (np.arange(20_000) + 0.5) / 20_000 * 4.3e-3
    each = 52e-3 * 2 * (2.5e-3 + depth) + math.pi * (2.5e-3 + depth) ** 2
    mean = turn_area(straight_length=52e-3, end_radius=2.5e-3, build_up=4.3e-3)
    assert mean == pytest.approx(each.mean(), rel=1e-8)  # midpoint rule of 20 000 layers is exact to 1e-9


@given(
    turns=st.integers(500, 12_000),
    packing=st.floats(0.7, 1.0),
    celsius=st.floats(-10, 60),
    stretch=st.floats(0, 0.015),
)
def test_turns_for_a_resistance_invert_the_resistance(
    turns: int, packing: float, celsius: float, stretch: float
) -> None:
    coil = winding(turns=float(turns), packing=packing, stretch=stretch)
    assert coil.turns_in(coil.resistance(celsius), celsius) == pytest.approx(turns, rel=1e-10)
    assert coil.for_resistance(coil.resistance(celsius), celsius).turns == turns


@given(turns=st.integers(500, 12_000), packing=st.floats(0.7, 1.0), spare=st.floats(0, 0.99))
def test_full_bobbin_holds_the_turns_that_fill_it(turns: int, packing: float, spare: float) -> None:
    coil = winding(turns=float(turns), packing=packing)
    one_turn = coil.build_up / turns
    room = coil.end_radius + coil.build_up + spare * one_turn
    full = coil.full_bobbin(room)
    assert full.turns == turns
    with pytest.raises(InputError, match="overflow"):
        winding(turns=full.turns + 1, packing=packing, flange_radius=room)


@given(wound=st.floats(10, 7990))
def test_turns_left_complete_the_coil(wound: float) -> None:
    part = winding(turns=wound)
    whole = winding()
    assert whole.turns_left(part.resistance()) == pytest.approx(8000 - wound, abs=1e-6)
    # a coil from the same spool gives the same without knowing the wire
    thicker = Wire(name="unknown spool", bare_nominal=65e-6, overall_nominal=71.12e-6)
    measured, full = winding(turns=wound, wire=thicker).resistance(), winding(wire=thicker).resistance()
    assert whole.turns_left(measured, full_resistance=full) == pytest.approx(8000 - wound, abs=1e-6)


def test_overflow_says_by_how_much_and_how_many_turns_fit() -> None:
    with pytest.raises(InputError) as caught:
        winding(flange_radius=6.5e-3)
    assert "0.33 mm" in str(caught.value)
    assert "7394 turns fit" in str(caught.value)
    assert winding(turns=7394.0, flange_radius=6.5e-3).outer_radius <= 6.5e-3
    assert "7394" in str(winding(turns=100.0).turns_that_fit(6.5e-3))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"turns": 0.0}, "turns must lie between 1 and"),
        ({"turns": math.nan}, "turns must lie between 1 and"),
        ({"winding_height": 0.0}, "winding height must lie between"),
        ({"winding_height": 0.1e-3, "wire": wire("AWG 36 single build")}, "must hold one turn"),
        ({"end_radius": -1e-3}, "end radius must lie between"),
        ({"straight_length": -1e-3}, "straight length must lie between 0 m"),
        ({"packing": 1.3}, "packing must lie between"),
        ({"packing": 0.1}, "packing must lie between"),
        ({"stretch": 0.2}, "stretch must lie between"),
        ({"flange_radius": 2e-3}, "flange radius must exceed"),
    ],
)
def test_impossible_windings_are_refused_in_one_sentence(changes: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        winding(**changes)


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(InputError, match="above 0 Ω"):
        winding().turns_in(-5.0)
    with pytest.raises(InputError, match="more than the"):
        winding().turns_left(9000.0)
    with pytest.raises(InputError, match="flange radius"):
        winding().full_bobbin()
    with pytest.raises(InputError, match="not one turn"):
        winding().full_bobbin(2.5e-3 + 1e-9)
    with pytest.raises(InputError, match="Did you mean 'bare diameter'"):
        predict_air_coil(winding(), deviations={"bare diametre": 0.0})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bare_nominal": 80e-6}, "must exceed the bare one"),
        ({"bare_min": 0.0}, "0 < min"),
        ({"bare_min": 70e-6}, "bare diameters must satisfy"),
        ({"overall_max": 60e-6}, "overall diameters must satisfy"),
    ],
)
def test_impossible_wires_are_refused(changes: dict, words: str) -> None:
    fields: dict = {"name": "odd", "bare_nominal": 63.5e-6, "overall_nominal": 71e-6, **changes}
    with pytest.raises(InputError, match=words):
        Wire(**fields)


def test_unknown_wire_names_the_nearest() -> None:
    with pytest.raises(InputError, match="Did you mean 'AWG 42 single build'"):
        wire("AWG 42 singel build")


def test_the_two_gauge_conventions_differ_as_known() -> None:
    # wire handbook data, rounded nominal against exact law, Ω/1000 ft: 1079/1049, 1659/1668, 2143/2103, 2593/2652
    for gauge, percent in {40: 2.9, 42: -0.5, 43: 1.9, 44: -2.2}.items():
        item = wire(f"AWG {gauge} single build")
        rounded, exact = (
            item.resistance_per_length("rounded nominal diameter"),
            item.resistance_per_length("exact gauge law"),
        )
        assert 100 * (rounded / exact - 1) == pytest.approx(percent, abs=0.05)  # printed to 0.1 %


def test_exact_gauge_law_gives_the_handbook_resistances() -> None:
    # wire gauge table (handbook, solid copper at 20 °C), Ω/km, printed to four digits: AWG 36 … 40
    for gauge, ohm_per_km in {36: 1360, 37: 1715, 38: 2163, 39: 2728, 40: 3440}.items():
        exact = wire(f"AWG {gauge} single build").resistance_per_length("exact gauge law")
        # the table gives Ω/1000 ft to four digits and metric values that are off by up to 0.06 %
        assert exact * 1e3 == pytest.approx(ohm_per_km, rel=1e-3)
    assert gauge_law_diameter(36) == pytest.approx(127e-6, rel=1e-12)
    assert gauge_law_diameter(36) / gauge_law_diameter(37) == pytest.approx(1.1229322, rel=1e-7)  # ASTM B258


def test_metric_standard_resistance_is_built_on_58_5_megasiemens() -> None:
    # IEC 60317-0-1 (from memory): 0.050 mm 8.706 Ω/m; standard copper would give 8.781
    assert wire("0.050 mm grade 1").resistance_per_length("metric standard") == pytest.approx(8.706, abs=5e-4)
    assert wire("0.050 mm grade 1").resistance_per_length() == pytest.approx(8.781, abs=5e-4)
    with pytest.raises(InputError, match="no gauge number"):
        wire("0.050 mm grade 1").resistance_per_length("exact gauge law")
    with pytest.raises(InputError, match="must be one of"):
        wire("0.050 mm grade 1").resistance_per_length("exact law")  # type: ignore[arg-type]


def test_functions_broadcast() -> None:
    depth = build_up(turns=[[1000], [2000]], overall_diameter=71e-6, winding_height=[10e-3, 11e-3, 12e-3])
    assert depth.shape == (2, 3)
    assert mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=depth).shape == (2, 3)
    assert copper_resistivity(temperature_c=[0.0, 20.0]).shape == (2,)


def test_wire_diameter_causes_most_of_the_doubt_of_resistance() -> None:
    predicted = predict_air_coil(winding())["resistance"]
    assert predicted.largest == "bare diameter"
    # the rule of the trade for a predicted resistance is ± 5–7 %
    assert 0.045 < predicted.half_width_fraction < 0.075
    assert predicted.low < 5805 < predicted.high
    assert sum(item.share for item in predicted.contributions) == pytest.approx(1.0, abs=1e-12)


def test_measured_wire_and_counted_turns_narrow_the_interval() -> None:
    loose = predict_air_coil(winding())
    tight = predict_air_coil(winding(), deviations={"bare diameter": 0.0, "turns": 0.0, "stretch": 0.0})
    assert tight["resistance"].half_width_fraction < 0.5 * loose["resistance"].half_width_fraction
    assert tight["resistance"].value == pytest.approx(loose["resistance"].value, rel=1e-12)


def test_air_coil_interval_agrees_with_a_monte_carlo_draw() -> None:
    # independent of linear propagation: 4000 normal draws of the same inputs through the closed-form resistance
    rng = np.random.default_rng(5)
    count = 4000
    item = wire("AWG 42 single build")

    def ratio(name: str) -> np.ndarray:
        return np.exp(rng.normal(0, DEVIATIONS[name][0], count))

    bare = rng.normal(item.bare_nominal, item.bare_limits.deviation, count)
    overall = item.overall_nominal - item.bare_nominal + bare
    turns = 8000 * ratio("turns")
    height, packing = 11e-3 * ratio("winding height"), 0.85 * ratio("packing")
    depth = build_up(turns=turns, overall_diameter=overall, winding_height=height, packing=packing)
    turn = mean_turn(
        straight_length=52e-3 * ratio("straight length"), end_radius=2.5e-3 * ratio("end radius"), build_up=depth
    )
    drawn = coil_resistance(
        wire_length=turns * turn,
        bare_diameter=bare,
        temperature_c=rng.normal(20, DEVIATIONS["temperature"][0], count),
        stretch=rng.normal(0, DEVIATIONS["stretch"][0], count),
        resistivity_20=1.7241e-8 * ratio("copper resistivity"),
    )
    predicted = predict_air_coil(winding())["resistance"]
    low, high = np.percentile(drawn, [2.5, 97.5])
    # a 2.5 % quantile of 4000 draws is known to 4 % of the half-width; twice that is allowed
    half = (predicted.high - predicted.low) / 2
    assert low == pytest.approx(predicted.low, abs=0.08 * half)
    assert high == pytest.approx(predicted.high, abs=0.08 * half)
