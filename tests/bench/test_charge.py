"""Field readings over a build say how much charge is left, with bounds that hold the truth."""

from dataclasses import replace

import pytest

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import FieldValue, Plan, Readings, load_plan
from labkit.pickup.predict.bench import meter_reading


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("narrow single coil, built")


@pytest.mark.parametrize("charge", [0.4, 0.7])
def test_a_reading_of_an_aged_magnet_gives_its_charge_back(plan, charge):
    """The reading is what the model predicts of the aged rods at another gap than the usual one."""
    aged = plan.built.with_charge(charge)
    gap = 1e-3
    readings = Readings(name="worn", field=(FieldValue(value=meter_reading(aged, gap=gap).value, gap=gap),))
    (found,) = diagnose_readings(plan, readings).charges
    assert found.charge.holds(charge)
    # same model on both sides, so only the demagnetisation's bend of a strongly discharged alloy may differ: 5 %
    assert found.charge.value == pytest.approx(charge, rel=0.05)


def test_a_pole_called_by_its_number_is_read_alone(plan):
    """An end pole has one neighbour, so less of the others' return flux; the same reading means another charge."""
    reading = FieldValue(value=0.060)
    end, inner, row = (
        diagnose_readings(plan, Readings(name="x", field=(replace(reading, pole=pole),))).charges[0].charge.value
        for pole in ("1", "3", "mean of the row")
    )
    assert end != pytest.approx(inner, rel=1e-3)
    assert min(end, inner) < row < max(end, inner)


def test_a_poorer_meter_widens_the_charge(plan):
    def width(accuracy: float) -> float:
        (found,) = diagnose_readings(
            plan, Readings(name="x", field=(FieldValue(value=0.06, accuracy=accuracy),))
        ).charges
        return found.charge.high / found.charge.low

    assert width(0.3) > 1.2 * width(0.02)


def test_more_than_saturation_is_doubted(plan):
    (found,) = diagnose_readings(plan, Readings(name="x", field=(FieldValue(value=0.3),))).charges
    assert found.charge.low > 1
    assert "check gap" in found.warnings[0]


def test_a_charge_is_not_claimed_where_the_magnet_is_not_known(plan):
    given = Plan(pickup=plan.pickup)
    readings = Readings(name="x", resistance=5800.0, field=(FieldValue(value=0.06, planned=0.1),))
    assert diagnose_readings(given, readings).charges == ()
    assert diagnose_readings(load_plan("two-coil, built"), readings).charges == ()


def test_the_charge_is_said_in_text_and_data(plan):
    verdict = diagnose_readings(plan, Readings(name="x", field=(FieldValue(value=0.06, pole="2"),)))
    assert "charge of the magnet at pole 2:" in verdict.text()
    assert verdict.as_dict()["charge"][0]["charge"]["low"] < verdict.charges[0].charge.value
