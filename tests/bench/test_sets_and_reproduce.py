"""Level and hum balance of sets, and the search for the build behind an original."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.bench.fit.fixture import Fixture, Load
from labkit.bench.fit.model import fixture_reading
from labkit.bench.reproduce import BuildChoice, Original, Wound, curve_distance_db, reproduce
from labkit.bench.sets import level_balance, match_pairs, pair_verdict, set_phases
from labkit.core.errors import InputError
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.winding.winding import build_up, coil_resistance, mean_turn


def coil(inductance=2.4, **more):
    return Coil(resistance=6e3, inductance=inductance, capacitance=110e-12, **more)


def test_a_set_within_one_and_a_half_decibels_is_balanced():
    """Common practice, no source: levels within 1 to 2 dB at final heights."""
    balance = level_balance({"neck": 0.6, "middle": 0.0, "bridge": -0.8})
    assert balance.is_balanced
    assert balance.advice == ()
    assert balance.offset_db == pytest.approx({"neck": 0.7, "middle": 0.1, "bridge": -0.7})  # middle of 0.6 and −0.8


def test_an_unbalanced_set_says_what_would_balance_it():
    balance = level_balance({"neck": 3.0, "bridge": -3.0})
    assert not balance.is_balanced
    assert "raise" in balance.advice[1]
    assert "+41 %" in balance.advice[1]  # 3 dB is a factor 1.41 in turns, twice that in inductance
    with pytest.raises(InputError, match="at least two"):
        level_balance({"neck": 0.0})


def test_opposite_polarity_pair_is_in_phase_and_cancels_hum():
    middle = coil(facing="south", wound="counter-clockwise")
    neck = coil(facing="north", wound="clockwise")
    verdict = pair_verdict(neck, middle)
    assert (verdict.in_phase, verdict.hum_cancels, verdict.within) == (True, True, True)
    same = pair_verdict(neck, replace(neck, inductance=2.4))
    assert (same.in_phase, same.hum_cancels) == (True, False)
    assert "hum adds" in same.sentences[0]
    reversed_only = pair_verdict(neck, coil(facing="south", wound="clockwise"))
    assert reversed_only.in_phase is False
    assert set_phases({"neck": neck, "middle": middle}) == (("neck", "middle", "in phase", "cancels"),)
    assert pair_verdict(neck, coil()).in_phase is None


def test_hum_residual_follows_turns_times_area():
    """Common practice: 5 % mismatch leaves −26 dB of one coil."""
    first = coil(turns=8000, area=900e-6, facing="north", wound="clockwise")
    second = coil(turns=8000, area=945e-6, facing="south", wound="counter-clockwise")
    verdict = pair_verdict(first, second)
    assert verdict.hum_db == pytest.approx(-26.0, abs=0.05)
    assert not verdict.within


def test_pairing_is_as_good_as_trying_every_pairing():
    """Exhaustive search over all 15 pairings of six coils is the second route."""
    random = np.random.default_rng(4)
    batch = {f"coil {i}": coil(2.0 * (1 + 0.08 * random.standard_normal())) for i in range(6)}
    pairs, left = match_pairs(batch, tolerance=1.0)
    assert left == ()
    hum = {name: np.sqrt(entry.inductance) for name, entry in batch.items()}

    def pairings(names):
        if not names:
            yield []
            return
        for other in names[1:]:
            rest = [name for name in names if name not in (names[0], other)]
            for further in pairings(rest):
                yield [(names[0], other), *further]

    def cost(pairing):
        return sum(max(hum[a], hum[b]) / min(hum[a], hum[b]) - 1 for a, b in pairing)

    assert sum(match.difference for match in pairs) == pytest.approx(min(map(cost, pairings(list(batch)))))
    assert len(list(itertools.islice(pairings(list(batch)), 99))) == 15


def test_an_odd_batch_leaves_the_stray_coil_over_and_breaks_bad_pairs():
    batch = {"a": coil(2.0), "b": coil(2.01), "stray": coil(3.0), "c": coil(2.2), "d": coil(2.21)}
    pairs, left = match_pairs(batch)
    assert {frozenset((match.first, match.second)) for match in pairs} == {frozenset("ab"), frozenset("cd")}
    assert left == ("stray",)


WIRES = {"42 single": (63.5e-6, 71.1e-6), "43 single": (56.4e-6, 63.5e-6), "44 single": (50.2e-6, 56e-6)}
MAGNETS = {"Alnico 5": (1.882 / 1.493, 0.101), "Alnico 2": (2.203 / 1.493, 0.071)}


def build(choice):
    """A plain winding: 52 mm straight, 2.5 mm end radius, 11 mm high; L with turns squared and the magnet's factor."""
    bare, overall = WIRES[choice.wire]
    width = float(build_up(turns=choice.turns, overall_diameter=overall, winding_height=11e-3))
    if width > 6e-3:
        raise InputError(f"{choice.turns:.0f} turns of {choice.wire} overflow the flange")
    turn = float(mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=width))
    resistance = float(coil_resistance(wire_length=choice.turns * turn, bare_diameter=bare))
    inductance = 1.75 * (choice.turns / 8000) ** 2 * MAGNETS[choice.magnet][0]
    pickup = Pickup(
        name="built",
        coils={"main": Coil(resistance=resistance, inductance=inductance, capacitance=110e-12, turns=choice.turns)},
    )
    copper = choice.turns * turn * math.pi / 4 * bare**2 * 8890.0
    return Wound(pickup=pickup, build_up=width, wire_weight=copper, wire_diameter=bare)


def rig(pickup, frequency):
    fixture = Fixture(kind="exciter", load=Load(resistance=110e3, capacitance=650e-12), exciter_differentiates=False)
    return fixture_reading(pickup.coils["main"], fixture, frequency)


def original(choice, spread=0.02, field=None):
    made = build(choice).pickup
    values = made.coils["main"]
    readings = {
        "resistance": Interval.relative(values.resistance, spread),
        "inductance": Interval.relative(values.inductance, spread),
        "capacitance": Interval.relative(values.capacitance, 0.2),
    }
    return Original(pickup=made, readings=readings | ({"field": field} if field else {}))


def search(wanted, **more):
    return reproduce(
        wanted, wires=list(WIRES), magnets=list(MAGNETS), turns=(5000, 11_000), build=build, rig=rig, **more
    )


def test_the_build_of_a_known_original_is_found():
    truth = BuildChoice(wire="43 single", magnet="Alnico 2", turns=7600.0)
    best = search(original(truth))[0]
    assert (best.choice.wire, best.choice.magnet) == (truth.wire, truth.magnet)
    assert best.choice.turns == pytest.approx(7600, abs=8)  # the search stops within a turn of a flat minimum
    assert best.distance_db.value < 0.02
    assert best.distance_db.low <= best.distance_db.value <= best.distance_db.high
    assert abs(best.off["resistance"]) < 0.005
    assert best.is_same
    assert best.has_same_curve


def test_another_gauge_may_have_the_same_curve_and_is_not_the_same():
    """43 for 42 gauge: inductance can be met, and resistance is then a quarter off."""
    ranked = search(original(BuildChoice(wire="42 single", magnet="Alnico 5", turns=8000.0)), order="curve")
    other = next(item for item in ranked if item.choice.wire == "43 single" and item.choice.magnet == "Alnico 5")
    assert other.has_same_curve
    assert not other.is_same
    assert other.off["resistance"] > 0.2
    assert other.deviations["resistance"] > 5
    assert other.share < 0.01
    assert "is not the original" in other.text()
    best = search(original(BuildChoice(wire="42 single", magnet="Alnico 5", turns=8000.0)))[0]
    assert best.choice.wire == "42 single"


def test_shares_of_the_stock_sum_to_one_and_follow_the_misfit():
    ranked = search(original(BuildChoice(wire="43 single", magnet="Alnico 2", turns=7600.0)))
    assert sum(item.share for item in ranked) == pytest.approx(1.0)
    assert [item.misfit for item in ranked] == sorted(item.misfit for item in ranked)


def test_a_dead_original_goes_by_size_weight_and_wire():
    """Open coil: rule, scale and micrometer, each read 1 % off, still give gauge and turns."""
    truth = build(BuildChoice(wire="43 single", magnet="Alnico 5", turns=7600.0))
    readings = {
        "build-up": Interval.relative(1.01 * truth.build_up, 0.03),
        "wire weight": Interval.relative(0.99 * truth.wire_weight, 0.03),
        "wire diameter": Interval.relative(1.01 * truth.wire_diameter, 0.02),
    }
    ranked = search(Original(readings=readings))
    assert ranked[0].choice.wire == "43 single"
    assert ranked[0].choice.turns == pytest.approx(7600, rel=0.03)
    assert ranked[0].is_same
    assert ranked[0].distance_db is None
    assert not any(item.is_same for item in ranked if item.choice.wire != "43 single")
    with pytest.raises(InputError, match="dead original has no curve"):
        search(Original(readings=readings), order="curve")
    with pytest.raises(InputError, match="nothing is known"):
        Original(readings={})


def test_charge_follows_from_the_field_and_a_weak_grade_is_named():
    truth = BuildChoice(wire="42 single", magnet="Alnico 5", turns=8000.0)
    wanted = original(truth, field=Interval.relative(0.080, 0.05))
    ranked = search(wanted, full_field=lambda choice: MAGNETS[choice.magnet][1])
    by_magnet = {item.choice.magnet: item for item in ranked}
    assert by_magnet["Alnico 5"].choice.charge == pytest.approx(0.080 / 0.101)
    assert by_magnet["Alnico 2"].choice.charge == 1.0
    assert "89 % of the original's field" in by_magnet["Alnico 2"].notes[0]


def test_builds_that_do_not_fit_are_left_out_and_an_empty_stock_is_refused():
    truth = BuildChoice(wire="44 single", magnet="Alnico 5", turns=9000.0)
    with pytest.raises(InputError, match="at least one wire"):
        reproduce(original(truth), wires=[], magnets=["Alnico 5"], turns=(1, 2), build=build, rig=rig)
    with pytest.raises(InputError, match=r"nothing in stock fits: .* overflow"):
        reproduce(
            original(truth), wires=["42 single"], magnets=["Alnico 5"], turns=(12_000, 13_000), build=build, rig=rig
        )


def test_distance_is_about_shape_not_level():
    frequency = np.geomspace(100, 10_000, 96)
    curve = rig(build(BuildChoice(wire="42 single", magnet="Alnico 5", turns=8000)).pickup, frequency)
    assert curve_distance_db(curve, 0.5 * curve)[0] == pytest.approx(0.0, abs=1e-12)
    assert curve_distance_db(curve, curve * np.where(frequency > 1000, 2.0, 1.0))[1] > 3.0
