"""Poles of a build sheet: read, refused, and warned about."""

from __future__ import annotations

import pytest

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.pickup.magnetics.poles import (
    MODEL_SPREAD,
    Pole,
    pole_from_sheet,
)
from labkit.pickup.magnetics.slices import (
    Rods,
    magnetise,
)
from tests.pickup.worked import row

SHEET = {
    "kind": "rod magnet",
    "grade": "Alnico 5",
    "count": 6,
    "diameter": "4.8 mm",
    "length": "17 mm",
    "pitch": "10.4 mm",
    "charge": "100 %",
    "facing": "north",
}


def read(**changed: object) -> Pole:
    return pole_from_sheet(Table(SHEET | changed, "built.toml", "coil.main.poles"))


def test_a_build_sheet_gives_its_poles() -> None:
    pole = read(charge="80 %", facing="south")
    assert (pole.diameter, pole.length, pole.charge, pole.facing) == (4.8e-3, 17e-3, 0.8, "south")
    assert pole.rods().positions == row().positions


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"charge": "140 %"}, "charge must lie between 0 % and 100 %.*got 140 %"),
        ({"count": 0}, "at least 1 of them; got 0"),
        ({"kind": "rod magnets"}, "one of rod magnet, slug, screw or blade.*Did you mean 'rod magnet'"),
        ({"lenth": "17 mm"}, "lenth: is not a key.*Did you mean 'length'"),
        ({"pitch": "4 mm"}, "4.8 mm diameter do not fit a pitch of 4 mm"),
        ({"kind": "slug"}, "grade: is not a key"),
        ({"length": "17"}, "17.*unit"),
        ({"length": "-17 mm"}, "length must be above 0"),
    ],
)
def test_unusable_poles_are_refused_in_one_sentence(changed: dict[str, object], sentence: str) -> None:
    with pytest.raises(InputError, match=sentence) as caught:
        read(**changed)
    assert "coil.main.poles" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_rods_that_run_into_each_other_are_refused() -> None:
    with pytest.raises(InputError, match="run into each other"):
        Rods(positions=((0.0, 0.0), (3e-3, 0.0)), radius=2.4e-3, length=17e-3)
    with pytest.raises(InputError, match="at least one rod"):
        Rods(positions=(), radius=2.4e-3, length=17e-3)
    with pytest.raises(InputError, match="above 1"):
        magnetise(row(), field=1.0, relative_permeability=1.0)


def test_poles_that_do_not_suit_their_bobbin_are_said_to() -> None:
    bobbin = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3}
    assert read().fit_warnings(**bobbin) == ()
    (long,) = read().fit_warnings(bobbin_height=15e-3, **bobbin)
    assert "2 mm more than its bobbin (15 mm)" in long
    assert "length of a pole over the winding's height 0.5455 is below 0.6" in " ".join(
        read(length="6 mm").fit_warnings(**bobbin)
    )
    assert "do not go into a core 5 mm wide" in " ".join(read(diameter="6 mm").fit_warnings(**bobbin))
    assert "the outer poles would cut into the winding" in " ".join(read(pitch="12 mm").fit_warnings(**bobbin))
    screw = Pole(kind="screw", count=6, diameter=4.5e-3, length=18e-3, pitch=10e-3)
    assert f"±{100 * MODEL_SPREAD['screw']:.0f} %" in " ".join(screw.fit_warnings(**bobbin))
