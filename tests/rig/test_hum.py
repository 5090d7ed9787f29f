"""Hum residual and phase of selections, against the trade's table."""

from __future__ import annotations

import math

import pytest

from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.hum import hum_residual, mismatch_residual_db, phase_table
from labkit.rig.sheet import load_rig

SINGLE = "Saltmarsh Lane, narrow single coil"
PAIR = "Saltmarsh Lane, two pickups"


def _coil(wound, facing, turns=8000.0, area=6e-4):
    return Coil(resistance=6e3, inductance=2.4, turns=turns, area=area, wound=wound, facing=facing)


def test_the_phase_table_is_the_trades():
    # common practice, no source: in phase with same wind and magnet or both opposite; hum cancels with opposite wind
    rows = {(row.same_wind, row.same_magnet): (row.in_phase, row.cancels_hum) for row in phase_table()}
    assert rows == {
        (True, True): (True, False),
        (True, False): (False, False),
        (False, True): (False, True),
        (False, False): (True, True),
    }


@pytest.mark.parametrize(("mismatch", "level"), [(0.01, -40), (0.02, -34), (0.05, -26), (0.1, -20)])
def test_mismatched_coils_leave_the_known_hum(mismatch, level):
    # common practice, no source: 1/2/5/10 % leave −40/−34/−26/−20 dB of one coil; printed to whole decibels
    assert mismatch_residual_db(mismatch) == pytest.approx(level, abs=0.5)
    first = _coil("clockwise", "north")
    second = _coil("counter-clockwise", "south", turns=8000 * (1 - mismatch))
    rig = load_rig(SINGLE).replace(pickups={"bridge": Pickup(name="p", coils={"a": first, "b": second})})
    assert hum_residual(rig).level_db == pytest.approx(level, abs=0.5)


def test_one_coil_alone_hums_like_one_coil():
    assert hum_residual(load_rig(SINGLE)).level_db == pytest.approx(0.0, abs=1e-9)


def test_two_pickups_wound_opposite_cancel_only_together():
    rig = load_rig(PAIR).replace(
        pickups={
            "neck": Pickup(name="n", coils={"m": _coil("clockwise", "north")}),
            "bridge": Pickup(name="b", coils={"m": _coil("counter-clockwise", "south")}),
        },
        settings={"selector": "both"},
    )
    assert hum_residual(rig).level_db < -100
    assert hum_residual(rig.replace(settings={"selector": "neck"})).level_db == pytest.approx(0, abs=1e-6)


def test_what_a_sheet_does_not_say_is_told():
    found = hum_residual(
        load_rig(SINGLE).replace(pickups={"bridge": Pickup(name="p", coils={"m": Coil(resistance=6e3, inductance=2)})})
    )
    assert len(found.assumptions) == 2
    assert math.isfinite(found.level_db)
