"""`reproduce` on real builds: winding, poles, losses and field of the build side."""

import numpy as np
import pytest

from labkit.bench.fit.fixture import Fixture, Load
from labkit.bench.fit.model import fixture_reading
from labkit.bench.reproduce import BuildChoice, Original, built, reproduce, stock_build, stock_field
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet
from labkit.core.sourced import Interval
from labkit.pickup.predict.built import read_build

BOBBIN = read_build(
    parse_sheet(
        """
sheet = "pickup"
format = 1
name = "narrow single coil"
[coil.main]
turns = 8000
wire = "AWG 42 single build"
straight_length = "52 mm"
end_radius = "2.5 mm"
winding_height = "11 mm"
wound = "clockwise"
[coil.main.poles]
kind = "rod magnet"
grade = "Alnico 5"
count = 6
diameter = "4.8 mm"
length = "17 mm"
pitch = "10.4 mm"
charge = "100 %"
facing = "north"
""",
        "bobbin",
    )
)


def rig(pickup, frequency):
    fixture = Fixture(kind="exciter", load=Load(resistance=110e3, capacitance=650e-12), exciter_differentiates=False)
    return fixture_reading(pickup.coils["main"], fixture, frequency)


def test_a_worn_original_leads_back_to_its_turns_and_charge():
    """An original of 8150 turns at 70 % charge, rebuilt on the same bobbin from the right wire and magnet."""
    truth = built(BOBBIN, BuildChoice(wire="AWG 42 single build", magnet="Alnico 5", turns=8150, charge=0.7))
    coil = truth.pickup.coils["main"]
    field = dict(zip(truth.field_at, truth.field_t))[1e-3].value
    original = Original(
        pickup=truth.pickup,
        readings={
            "resistance": Interval.relative(coil.resistance, 0.01),
            "inductance": Interval.relative(coil.inductance, 0.02),
            "capacitance": Interval.relative(coil.capacitance, 0.1),
            "field": Interval.relative(float(field), 0.05),
        },
    )
    best = reproduce(
        original,
        wires=["AWG 42 single build"],
        magnets=["Alnico 5"],
        turns=(7000, 9000),
        build=stock_build(BOBBIN),
        rig=rig,
        full_field=stock_field(BOBBIN, distance=1e-3),
    )[0]
    assert best.choice.turns == pytest.approx(
        8150, abs=15
    )  # turns are whole, the search stops within one of a flat minimum
    assert best.choice.charge == pytest.approx(0.7, abs=0.01)
    assert best.distance_db.value < 0.02
    assert best.is_same
    assert best.has_same_curve
    assert best.distance_db.high > 0.05  # the doubt of a finished build is larger than the distance


def test_winding_again_keeps_the_rest_of_the_build():
    again = built(BOBBIN, BuildChoice(wire="AWG 43 single build", magnet="Alnico 2", turns=7600))
    assert again.pickup.coils["main"].turns == 7600
    assert again.pickup.coils["main"].resistance > BOBBIN.pickup.coils["main"].resistance
    full = stock_field(BOBBIN, distance=1.5e-3)
    fields = [
        full(BuildChoice(wire="AWG 42 single build", magnet=grade, turns=8000)) for grade in ("Alnico 5", "Alnico 2")
    ]
    assert fields[0] > fields[1] > 0
    assert np.isclose(full(BuildChoice(wire="", magnet="Alnico 5", turns=1)), fields[0])


def test_a_measured_pickup_cannot_be_wound_again():
    given = read_build(
        parse_sheet(
            'sheet = "pickup"\nformat = 1\nname = "given"\n[coil.main]\nresistance = "6 kΩ"\ninductance = "2.4 H"\n',
            "given",
        )
    )
    with pytest.raises(InputError, match="must be a build"):
        built(given, BuildChoice(wire="AWG 42 single build", magnet="Alnico 5", turns=8000))
