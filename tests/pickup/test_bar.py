"""Bar magnets under two rows of poles: a handbook capacitance, flux balance, and what a keeper does to inductance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import Table
from labkit.pickup.magnetics.bar import (
    ALNICO_FIELD_SPREAD,
    BarMagnet,
    PoleRows,
    bar_from_sheet,
    bar_inductance_factor,
    pole_field,
    predict_bar_field,
    row_charge,
    row_potential,
)
from labkit.pickup.magnetics.magnet import magnet, polarisation
from labkit.pickup.winding.inductance import MU_0

ROWS = PoleRows(count=6, pitch=10e-3, radius=2.4e-3, length=13e-3, spacing=18e-3)


def bar(grade: str = "Alnico 5", **changed: float) -> BarMagnet:
    return BarMagnet(grade=grade, **({"length": 62e-3, "thickness": 3.2e-3} | changed))


@pytest.mark.parametrize("slenderness", [2.0, 3.0, 5.0])
def test_a_lone_pole_charges_like_the_solid_cylinder_of_the_handbook(slenderness: float) -> None:
    """Smythe, J. Appl. Phys. 33 (1962) 2966: C/ε0 = (8 + 6.95 (l/d)^0.76)·R, within 0.2 % (formula from memory)."""
    radius = 2e-3
    rows = PoleRows(count=1, pitch=0.0, radius=radius, length=2 * radius * slenderness, spacing=100.0)
    # 2 %: eight bands matched on the axis instead of the surface
    assert row_charge(rows).sum() == pytest.approx((8 + 6.95 * slenderness**0.76) * radius, rel=0.02)


def test_potential_on_the_axes_is_what_was_asked_for() -> None:
    """Between the matching points too, from the field: the drop along the axis outside equals the potential."""
    distance = np.geomspace(1e-6, 5.0, 4000)
    field = pole_field(ROWS, potential=100.0, distance=distance)[2] / MU_0
    drop = np.trapezoid(field * distance, np.log(distance))
    assert drop == pytest.approx(100.0, rel=0.01)  # quadrature from 1 µm, far end at 5 m


@pytest.mark.parametrize("grade", ["Alnico 2", "Alnico 5", "hard ferrite"])
def test_flux_out_of_the_bar_is_the_flux_of_the_poles(grade: str) -> None:
    stuff = magnet(grade)
    potential = row_potential(ROWS, bar(grade), stuff)
    field = 2 * potential / (ROWS.spacing - 2 * ROWS.radius)
    inside = polarisation(
        field=-field, remanence=stuff.remanence.value, coercivity=stuff.coercivity.value, shape=stuff.shape
    )
    supplied = 62e-3 * 3.2e-3 * (float(inside) - MU_0 * field)
    assert supplied == pytest.approx(MU_0 * float(row_charge(ROWS).sum()) * potential, rel=1e-6)


def test_field_of_a_pair_lies_where_pickups_read_and_falls_with_distance() -> None:
    """Common practice, no source: poles of two-coil pickups read a few tens of millitesla; alnico 5 more than 2."""
    distance = np.array([1.0, 2.0, 3.0, 4.0]) * 1e-3
    five, two = (
        predict_bar_field(ROWS, bar(name), magnet(name), distance=distance) for name in ("Alnico 5", "Alnico 2")
    )
    for strong, weak in zip(five, two, strict=True):
        assert 0.010 < weak.value < strong.value < 0.080
        assert strong.high / strong.value == pytest.approx(1 + ALNICO_FIELD_SPREAD)
    assert all(np.diff([item.value for item in five]) < 0)


def test_charge_scales_the_field_and_a_thicker_bar_raises_it() -> None:
    stuff = magnet("Alnico 2")
    full = row_potential(ROWS, bar("Alnico 2"), stuff)
    assert row_potential(ROWS, bar("Alnico 2", charge=0.7), stuff) == pytest.approx(0.7 * full)
    assert row_potential(ROWS, bar("Alnico 2", thickness=4e-3), stuff) > full
    assert full < stuff.coercivity.value * (ROWS.spacing - 2 * ROWS.radius) / 2


def test_bar_and_keeper_raise_inductance_and_ferrite_hardly_does() -> None:
    """Finite elements of one pair: alnico bar × 1.083, with keeper 4.78 H for 4.16 H, ferrite with keeper × 1.035."""
    assert bar_inductance_factor(family="alnico", keeper=True).value == pytest.approx(4.78 / 4.16)
    assert bar_inductance_factor(family="alnico", keeper=False).value == 1.083
    ferrite = bar_inductance_factor(family="ferrite", keeper=True)
    assert 1 < ferrite.value < 1.083
    assert all(bar_inductance_factor(family="ferrite", keeper=keeper).spread > 0.05 for keeper in (True, False))
    with pytest.raises(InputError, match="alnico or the ferrite family; got 'steel'"):
        bar_inductance_factor(family="steel", keeper=True)


def test_a_build_sheet_gives_its_bar_magnet() -> None:
    data = {"grade": "Alnico 2", "length": "62 mm", "thickness": "0.125 in", "charge": "90 %"}
    found = bar_from_sheet(Table(data, "built.toml", "bar"))
    assert (found.grade, found.charge, found.keeper) == ("Alnico 2", 0.9, True)
    assert found.thickness == pytest.approx(3.175e-3)
    assert found.grade in catalogue().names("magnet")


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"charge": "140 %"}, r"bar: charge must lie between 0 % and 100 %.*got 140 %"),
        ({"thickness": "0 mm"}, "thickness must be above 0"),
        ({"keeper": "yes"}, "keeper: must be true or false"),
        ({"widht": "12 mm"}, "widht: is not a key"),
    ],
)
def test_unusable_bars_are_refused_in_one_sentence(changed: dict[str, object], sentence: str) -> None:
    data = {"grade": "Alnico 2", "length": "62 mm", "thickness": "3.2 mm"} | changed
    with pytest.raises(SheetError, match=sentence):
        bar_from_sheet(Table(data, "built.toml", "bar"))


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"count": 0}, "at least one rod"),
        ({"spacing": 4e-3}, "spacing of two rows .* above their diameter of 4.8 mm; got 4 mm"),
        ({"pitch": 4e-3}, "pitch of two rows"),
        ({"radius": math.inf}, "radius must be above 0"),
    ],
)
def test_impossible_rows_are_refused(changed: dict[str, float], sentence: str) -> None:
    data = {"count": 6, "pitch": 10e-3, "radius": 2.4e-3, "length": 13e-3, "spacing": 18e-3} | changed
    with pytest.raises(InputError, match=sentence):
        PoleRows(**data)
    with pytest.raises(InputError, match="above 0 mm"):
        pole_field(ROWS, potential=1.0, distance=0.0)
