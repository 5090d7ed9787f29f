"""Built pickups against one another, and on the bench: swaps, charge, meter readings, strings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.pickup.magnetics.field import calibrate_meter
from labkit.pickup.predict.bench import charge_from_reading, meter_reading, string_levels_db
from labkit.pickup.predict.built import given_pickup, read_build
from labkit.pickup.predict.propagation import difference, exactly, prediction, ratio
from labkit.pickup.sheet import pickup_data, read_pickup
from tests.pickup.builds import PAIR, SINGLE, SLUG_COIL, built

MEASURED = {
    "name": "measured",
    "coil": {"main": {"resistance": "6 kΩ", "inductance": "2.4 H", "capacitance": "110 pF"}},
}


def test_alnico_5_against_alnico_2_in_the_same_wind_has_a_higher_loaded_peak_and_no_settled_level() -> None:
    """Common practice, no source: alnico 5 is called louder and brighter; the model does not settle the level."""
    change = built(changes={"coil.main.poles.grade": "Alnico 2"}).magnet_swap("Alnico 5")
    assert change.level_db.low < 0 < change.level_db.high
    assert change.loaded_resonance.low > 1
    assert change.inductance.high < 1
    assert change.loss[5e3].high < 1
    assert change.resistance.low == change.resistance.high == 1
    # air is about 20 % below alnico 5 and 32 % below alnico 2 (six-rod set): a ratio of 0.85
    assert change.inductance.value == pytest.approx(0.85, rel=0.03)


def test_a_swap_is_known_better_than_either_pickup() -> None:
    before = built()
    change = before.magnet_swap("Alnico 2")
    assert change.inductance.half_width_fraction < 0.8 * before.total.inductance.half_width_fraction
    assert change.inductance.largest in ("permeability of Alnico 5", "permeability of Alnico 2")
    assert change.after.build.name == before.name


def test_a_pickup_against_itself_differs_in_nothing() -> None:
    for data in (SINGLE, PAIR):
        change = built(data).change_to(built(data))
        assert (change.level_db.low, change.level_db.high) == (0.0, 0.0)
        for value in (change.inductance, change.resistance, change.loaded_resonance, *change.loss.values()):
            assert (value.low, value.value, value.high) == (1.0, 1.0, 1.0)
        assert change.loaded_height_db.high == change.loaded_height_db.low == 0.0


@pytest.mark.parametrize("data", [SINGLE, PAIR], ids=["rods", "bar"])
def test_charge_changes_level_and_field_and_nothing_else(data: dict) -> None:
    full, weak = built(data), built(data).with_charge(0.5)
    change = full.change_to(weak)
    # a string near saturation loses less than the magnets did
    assert 20 * math.log10(0.5) < change.level_db.low < change.level_db.value < change.level_db.high < 0
    assert change.level_db.largest == "steel of the strings", "the model's doubt cancels, that of the steel does not"
    assert change.inductance.value == change.loaded_resonance.value == 1.0
    assert weak.field_t[1].value == pytest.approx(full.field_t[1].value / 2, rel=1e-9)


def test_pickups_without_magnets_cannot_be_swapped_or_charged() -> None:
    bare = built(PAIR, without="bar")
    for attempt in (lambda: bare.with_magnet("Alnico 5"), lambda: bare.with_charge(0.5)):
        with pytest.raises(InputError, match="no magnet on its sheet"):
            attempt()
    with pytest.raises(InputError, match="0 % and 100 %"):
        built().with_charge(1.4)
    with pytest.raises(InputError, match="no magnet is named"):
        built().with_magnet("Alnico 55")


def test_two_pickups_of_a_set_are_compared() -> None:
    neck, bridge = built(), built(changes={"coil.main.turns": 9000})
    change = neck.change_to(bridge)
    # N² in inductance; the build-up widens the turns and lengthens the path, which nearly cancels: 2 %
    assert change.inductance.value == pytest.approx((9 / 8) ** 2, rel=0.02)
    assert change.resistance.value > 9 / 8
    assert change.level_db.value > 0
    assert change.inductance.half_width_fraction < 0.01, "the doubts of one bobbin and one spool cancel"


def test_swaps_over_a_bar_move_the_level_by_a_doubtful_amount() -> None:
    change = built(PAIR).magnet_swap("Alnico 2")
    assert change.level_db.value < 0
    assert change.level_db.high - change.level_db.value > 1.5


def test_draws_are_subtracted_one_by_one_and_keep_their_bounds_lopsided() -> None:
    draws = np.linspace(-1.0, 1.0, 101)
    one = prediction(3.0, {"steel": draws**2, "field": 0.1}, log=False)
    other = prediction(1.0, {"steel": 0.5 * draws**2, "field": 0.1}, log=False)
    assert one.high - one.value > 3 * (one.value - one.low)
    change = difference(one, other)
    assert change.high == pytest.approx(2.0 + 0.5 * np.quantile(draws**2, 0.975), rel=1e-9)
    assert change.low == pytest.approx(2.0, abs=1e-9), "the field cancels and no draw lies below"
    opposite = prediction(1.0, {"steel": -(draws**2)}, log=False)
    assert difference(one, opposite).high > 2.0 + 1.9 * np.quantile(draws**2, 0.975), "opposite draws add"
    assert difference(one, one).high == difference(one, one).low == 0.0


def test_shared_causes_cancel_and_others_add() -> None:
    one = prediction(2.0, {"turns": 0.03, "wire": 0.04}, log=True)
    other = prediction(1.0, {"turns": 0.03, "poles": 0.04}, log=True)
    found = ratio(one, other)
    deviations = {item.name: item.deviation for item in found.contributions}
    assert deviations == pytest.approx({"turns": 0.0, "wire": 0.04, "poles": -0.04})
    assert difference(exactly(3.0), exactly(1.0)).interval.as_dict() == {"value": 2.0, "low": 2.0, "high": 2.0}


def test_the_charge_of_a_predicted_reading_comes_back() -> None:
    weak = built().with_charge(0.8)
    reading = meter_reading(weak, gap=0.5e-3, rod=2)
    estimate = charge_from_reading(built(), reading.value, gap=0.5e-3, rod=2)
    assert estimate.charge.value == pytest.approx(0.8, rel=1e-6)
    assert estimate.charge.low < 0.8 < estimate.charge.high


def test_a_meter_that_reads_low_is_predicted_to_read_low() -> None:
    calibration = calibrate_meter(reading=0.045, known=0.050)
    plain, low = meter_reading(built()), meter_reading(built(), calibration=calibration)
    assert low.value == pytest.approx(0.9 * plain.value)
    assert "distance of the sensor" in {item.name for item in plain.contributions}


def test_readings_fall_with_the_gap_and_their_doubt_of_distance_with_it() -> None:
    near, far = meter_reading(built()), meter_reading(built(), gap=3e-3)
    assert far.value < near.value
    shares = [{item.name: item.deviation for item in value.contributions} for value in (near, far)]
    assert abs(shares[0]["distance of the sensor"]) > 0.02


def test_impossible_readings_are_refused() -> None:
    with pytest.raises(InputError, match="not both 0"):
        meter_reading(built(), sensor_depth=0.0)
    with pytest.raises(InputError, match="no magnet"):
        meter_reading(built(PAIR, without="bar"))
    with pytest.raises(InputError, match="6 poles"):
        meter_reading(built(), rod=6)
    with pytest.raises(InputError, match="one row of rod magnets"):
        charge_from_reading(built(PAIR), 0.05)


def test_string_balance_answers_to_pole_heights() -> None:
    flat = string_levels_db(built())
    assert sum(flat.values()) == pytest.approx(0.0, abs=1e-9)
    assert len(flat) == 6
    raised = string_levels_db(built(), distance=[3e-3, 3e-3, 4e-3, 3e-3, 3e-3, 3e-3])
    third = list(flat)[2]
    assert raised[third] < flat[third] - 1, "a string further from its pole is quieter"
    # a plain third string is the loudest of the plain ones by its section (common practice, no source)
    plain = list(flat.values())[:3]
    assert np.argmax(plain) == 2


def test_string_balance_needs_one_string_for_each_pole() -> None:
    with pytest.raises(InputError, match="7 strings and the row 6 poles"):
        string_levels_db(built(), strings="seven strings 10-59")
    with pytest.raises(InputError, match="not modelled"):
        string_levels_db(built(PAIR, without="bar"))


def test_a_change_of_turns_or_of_wire_keeps_no_doubt_of_the_output_model() -> None:
    """Both share magnets, poles and bobbin; N alone gives 20·lg(7500/8000) = −0.56 dB, the slimmer coil the rest."""
    fewer = built().change_to(built(changes={"coil.main.turns": 7500})).level_db
    assert -0.7 < fewer.value < -0.56
    thinner = built().change_to(built(changes={"coil.main.wire": "AWG 44 single build"})).level_db
    for level in (fewer, thinner):  # the other build-up changes the window a little
        assert level.high - level.low < 0.1
    half = built().change_to(built(changes={"coil.main.poles.charge": "50 %"})).level_db
    both = built().change_to(built(changes={"coil.main.turns": 7500, "coil.main.poles.charge": "50 %"})).level_db
    assert both.value == pytest.approx(fewer.value + half.value, abs=0.02)


@pytest.mark.parametrize(
    "changes",
    [{"coil.main.poles.grade": "Alnico 2"}, {"coil.main.winding_height": "9 mm"}, {"string_distance": "2 mm"}],
)
def test_other_magnets_bobbins_and_string_heights_keep_the_doubt_between_two_pickups(changes: dict[str, str]) -> None:
    level = built().change_to(built(changes=changes)).level_db
    assert level.high - level.value > 0.6
    assert level.value - level.low > 0.6


def test_a_bar_magnet_keeps_its_wider_doubt_against_rods_and_against_another_bar() -> None:
    pair = built(PAIR)
    against_rods = built().change_to(pair).level_db
    assert against_rods.high - against_rods.value > 1.5
    other = pair.change_to(built(PAIR, {"spacing": "20 mm"})).level_db
    assert other.high - other.value > 1.5
    alike = pair.change_to(built(PAIR, {"bar.charge": "50 %"})).level_db
    assert alike.value > -20 * math.log10(2)
    assert alike.high - alike.low < other.high - other.low


def test_a_stated_output_is_compared_with_a_predicted_one_and_an_unknown_one_with_nothing() -> None:
    table = Table({**MEASURED, "output": "−2 dB", "output_doubt": "1 dB"}, "pickup")
    stated = given_pickup(read_pickup(table))
    assert (stated.output_db.value, stated.output_db.low, stated.output_db.high) == pytest.approx((-2, -3, -1))
    change = built().change_to(stated).level_db
    assert change.value == pytest.approx(-2.0, abs=0.01)
    own = built().output_db
    assert change.high - change.value == pytest.approx(math.hypot(1.0, own.high - own.value), abs=1e-6)
    unknown = given_pickup(read_pickup(Table(dict(MEASURED), "pickup")))
    assert unknown.output_db is None
    assert built().change_to(unknown).level_db is None


def test_an_output_reads_back_from_the_sheet_that_was_written() -> None:
    half = built(changes={"coil.main.poles.charge": "50 %"}).pickup
    again = read_pickup(Table(pickup_data(half), "pickup")).output
    assert again.value == pytest.approx(half.output.value, abs=1e-4)
    assert again.high - again.low == pytest.approx(half.output.high - half.output.low, abs=1e-4)


def test_a_build_that_predicts_its_output_takes_none_and_one_that_cannot_takes_it() -> None:
    with pytest.raises(InputError, match="leave it out"):
        built(changes={"output": "3 dB"})
    coil = {**SINGLE["coil"]["main"], "poles": SLUG_COIL["poles"]}
    data = {**SINGLE, "output": "3 dB", "coil": {"main": coil}}
    assert read_build(Table(data, "pickup")).pickup.output.value == 3.0


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"output_doubt": "1 dB"}, "state both"),
        ({"output": "2 V"}, "dB"),
        ({"output": "2 dB", "output_doubt": "-1 dB"}, "output_doubt"),
        ({"outptu": "2 dB"}, "output"),
    ],
)
def test_an_output_that_cannot_be_read_is_refused_by_name(keys: dict[str, str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_pickup(Table({**MEASURED, **keys}, "pickup"))


def test_uncharged_magnets_are_silent_and_not_unknown() -> None:
    pickup = built(changes={"coil.main.poles.charge": "0 %"})
    assert pickup.output_db is None
    assert pickup.pickup.output.value == -300.0


def test_two_coils_in_parallel_have_the_emf_of_the_same_coils_in_series() -> None:
    series, parallel = built(PAIR).pickup, built(PAIR, {"connection": "parallel"}).pickup
    assert parallel.output.value == pytest.approx(series.output.value - 20 * math.log10(2), abs=1e-9)
    assert parallel.emf.value == pytest.approx(series.emf.value, abs=1e-9)
