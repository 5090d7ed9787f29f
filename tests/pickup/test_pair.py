"""Mirror symmetry of two rows of poles against the full equations of all rods."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.pickup.magnetics.pair import coil_arguments, magnetise_mirrored, mirrored_rods, pair_core, single_core
from labkit.pickup.magnetics.poles import pole_inductance
from labkit.pickup.magnetics.slices import Rods, coil_field_in_rods, magnetise, row_positions
from labkit.pickup.winding.spectral import CoilShape

ROW = Rods(positions=row_positions(count=4, pitch=10e-3), radius=2.4e-3, length=13e-3)
SHAPE = CoilShape(straight_length=30e-3, end_radius=3e-3, winding_height=6.5e-3, build_up=4.6e-3)
SPACING = 18e-3


@pytest.mark.parametrize("mu", [2.8, 100.0])
def test_opposite_mode_is_the_inductance_of_the_series_pair(mu: float) -> None:
    core = pair_core(ROW, SHAPE, relative_permeability=mu, spacing=SPACING)
    full = pole_inductance(
        mirrored_rods(ROW, SPACING),
        turns=5000,
        relative_permeability=mu,
        pair_spacing=SPACING,
        **coil_arguments(SHAPE),
    )
    # 1e-9: the same equations, folded
    assert 2 * 5000**2 * core.opposite.added(mu - 1) == pytest.approx(full.inductance, rel=1e-9)
    assert core.opposite.demagnetising_factor == pytest.approx(full.demagnetising_factor, rel=1e-9)


@pytest.mark.parametrize("opposite", [True, False])
def test_half_the_equations_give_the_whole_magnetisation(opposite: bool) -> None:
    rods = mirrored_rods(ROW, SPACING)
    near = coil_field_in_rods(rods, coil_across=SPACING / 2, **coil_arguments(SHAPE))
    far = coil_field_in_rods(rods, coil_across=-SPACING / 2, **coil_arguments(SHAPE))
    sign = -1.0 if opposite else 1.0
    drive = near + sign * far
    whole = magnetise(rods, field=drive, relative_permeability=50.0)
    folded = magnetise_mirrored(rods, field=drive[: drive.size // 2], relative_permeability=50.0, opposite=opposite)
    np.testing.assert_allclose(whole, np.concatenate([folded, sign * folded]), rtol=1e-9)


def test_distant_rows_do_not_notice_one_another() -> None:
    alone = single_core(ROW, SHAPE, relative_permeability=100.0)
    apart = pair_core(ROW, SHAPE, relative_permeability=100.0, spacing=0.5)
    for mode in (apart.opposite, apart.alike):
        assert mode.added(99.0) == pytest.approx(alone.added(99.0), rel=1e-3)  # (30 mm / 500 mm)³ and some


def test_rows_alike_share_less_than_rows_opposed() -> None:
    core = pair_core(ROW, SHAPE, relative_permeability=100.0, spacing=SPACING)
    assert core.opposite.added(99.0) > core.alike.added(99.0), "the mutual part is positive when it adds in series"


def test_a_pole_without_permeability_is_refused() -> None:
    rods = mirrored_rods(ROW, SPACING)
    with pytest.raises(InputError, match="above 1"):
        magnetise_mirrored(rods, field=np.zeros(ROW.slices * 4), relative_permeability=1.0)
