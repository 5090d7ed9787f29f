"""What lies under the strings of a build: poles with the charge of their magnets, and their answer to the coil."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from labkit.pickup.magnetics.bar import row_potential
from labkit.pickup.magnetics.magnet import operating_point
from labkit.pickup.magnetics.pair import coil_arguments, mirrored_rods
from labkit.pickup.magnetics.slices import Rods, coil_field_in_rods, interaction_matrix, row_positions
from labkit.pickup.predict.field import bar_magnet, magnet_route, pair_state, pole_rows, rod_magnets
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild
from labkit.pickup.predict.standing import pole_susceptibility, standing_source
from labkit.pickup.string.fields import charged_rods, charged_rows, rod_charge, row_charges
from labkit.pickup.string.sources import PoleSource, Source
from labkit.pickup.string.wire import StringGrid
from labkit.pickup.winding.spectral import CoilShape


def pole_sources(build: PickupBuild, *, frequency_hz: float = 0.0) -> tuple[Source, ...]:
    """Return what lies under the strings of a build: one source for each row, for two rows in series, or for all.

    Parameters
    ----------
    build : PickupBuild
    frequency_hz : float, Hz
        Where the answer of the poles to the coil is wanted, eddy currents counted.

    Returns
    -------
    tuple of PoleSource or StandingSource
        Empty where output is not modelled; the same ones at every height of the strings, which only an assembly of
        poles asks for.
    """
    return _sources(build if magnet_route(build) == "assembly" else build.without_strings, frequency_hz)


@lru_cache(maxsize=64)
def _sources(build: PickupBuild, frequency_hz: float) -> tuple[Source, ...]:
    route = magnet_route(build)
    windings = [coil.winding for _, coil in build.coils if coil.winding is not None]
    if route == "none" or not windings:
        return ()
    shapes = {winding.shape for winding in windings}
    if route == "assembly" or build.tapped is not None or (route == "rod pair" and len(shapes) > 1):
        return (standing_source(build, frequency_hz=frequency_hz),)
    turns = sum(winding.turns for winding in windings) / len(windings)
    if route == "bar":
        bar, grade = bar_magnet(build)
        rows = pole_rows(build)
        steel = next(coil for _, coil in build.coils if coil.permeability is not None)
        near = Rods(positions=row_positions(count=rows.count, pitch=rows.pitch), radius=rows.radius, length=rows.length)
        potential = row_potential(rows, bar, grade, celsius=build.temperature_c)
        grid = StringGrid(row=rows.spacing / 2, parity="even")
        rise = sum(coil.poles.rise for _, coil in build.coils if coil.poles is not None) / 2
        response = _pair_response(near, windings[0].shape, steel, spacing=rows.spacing, rise=rise, hz=frequency_hz)
        # the static charge sits on bands and ends, the answer to the coil on the slices: two sets of rings
        return (
            PoleSource(
                poles=charged_rows(rows),
                static=row_charges(rows, potential),
                answering=charged_rods(mirrored_rods(near, rows.spacing)),
                response=response,
                shape=windings[0].shape,
                level=rows.length / 2 + rise,
                grid=grid,
                spacing=rows.spacing,
                turns=turns,
            ),
        )
    if route == "rod pair":
        (first, _), (second, _) = rod_magnets(build), rod_magnets(build, 1)
        coil = next(coil for _, coil in build.coils if coil.grade is not None)
        assert build.spacing is not None
        near = first.rods()
        grid = StringGrid(row=build.spacing / 2, parity="even" if first.facing != second.facing else "odd")
        rods = mirrored_rods(near, build.spacing)
        response = _pair_response(
            near, windings[0].shape, coil, spacing=build.spacing, rise=first.rise, hz=frequency_hz, parity=grid.parity
        )
        return (
            PoleSource(
                poles=charged_rods(rods),
                static=rod_charge(rods, pair_state(build)),
                response=response,
                shape=windings[0].shape,
                level=near.length / 2 + first.rise,
                grid=grid,
                spacing=build.spacing,
                turns=turns,
            ),
        )
    found = []
    for _, coil in build.coils:
        if coil.grade is None or coil.poles is None or coil.winding is None:
            continue
        rods = coil.poles.rods()
        state = operating_point(rods, coil.grade, charge=coil.poles.charge, celsius=build.temperature_c)
        found.append(
            row_source(
                rods,
                state.magnetisation,
                coil.winding.shape,
                turns=coil.winding.turns,
                rise=coil.poles.rise,
                susceptibility=_susceptibility(coil, rods.radius, frequency_hz),
            )
        )
    return tuple(found)


def row_source(
    rods: Rods,
    magnetisation: np.ndarray,
    shape: CoilShape,
    *,
    turns: float,
    susceptibility: complex,
    rise: float = 0.0,
) -> PoleSource:
    """Return one row of rods in its coil, with the charge of their magnetisation and of their answer to the coil."""
    drive = coil_field_in_rods(rods, rise=rise, **coil_arguments(shape))
    state = _linear_state(interaction_matrix(rods), drive, susceptibility).reshape(-1, rods.slices)
    return PoleSource(
        poles=charged_rods(rods),
        static=rod_charge(rods, magnetisation),
        response=rod_charge(rods, state),
        shape=shape,
        level=rods.length / 2 + rise,
        grid=StringGrid(),
        turns=turns,
    )


def _pair_response(
    near: Rods, shape: CoilShape, coil: CoilBuild, *, spacing: float, rise: float, hz: float, parity: str = "even"
) -> np.ndarray:
    rods = mirrored_rods(near, spacing)
    sign = -1.0 if parity == "even" else 1.0
    own, far = np.split(coil_field_in_rods(rods, coil_across=spacing / 2, rise=rise, **coil_arguments(shape)), 2)
    matrix = interaction_matrix(rods)
    size = own.size
    joined = matrix[:size, :size] + sign * matrix[:size, size:]
    row = _linear_state(joined, own + sign * far, _susceptibility(coil, near.radius, hz)).reshape(-1, rods.slices)
    return rod_charge(rods, np.concatenate([row, sign * row]))


def _linear_state(matrix: np.ndarray, drive: np.ndarray, susceptibility: complex) -> np.ndarray:
    """M = χ·(H + N·M), written so that χ may pass through zero."""
    found: np.ndarray = np.linalg.solve(np.eye(len(matrix)) - susceptibility * matrix, susceptibility * drive)
    return found


def _susceptibility(coil: CoilBuild, radius: float, frequency_hz: float) -> complex:
    return pole_susceptibility(coil.kinds[0], coil.losses, radius, frequency_hz)
