"""The field of a build over an area at one height: what a field meter on a stand would read, place by place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.validity import range_called
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.predict.under_strings import pole_sources
from labkit.pickup.string.sources import Source

MAP_MARGIN = 8e-3
"""How far a map reaches beyond the outer poles, m."""

MAP_STEP = 1e-3
FIELD_DISTANCE = range_called("field_distance")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldMap:
    """Flux density over a pickup at one height over its poles' faces.

    Attributes
    ----------
    name : str
    height : float, m
        Over the highest face; of a reading over the pole's own.
    across_strings : ndarray, shape (X,), m
        Along the row of poles, 0 at its middle.
    along_strings : ndarray, shape (Y,), m
        Along the strings, 0 over the middle of the pickup.
    field : ndarray, shape (X, Y, 3), T
        Components along the row, along the strings, and upwards.
    poles : ndarray, shape (P, 2), m
        Centres of the poles, by the same two places.
    readings : ndarray, shape (P,), T
        Upward field over the middle of every pole.
    """

    name: str
    height: float
    across_strings: np.ndarray
    along_strings: np.ndarray
    field: np.ndarray
    poles: np.ndarray
    readings: np.ndarray

    def csv(self) -> str:
        """Return the map as a table, one line for each place: mm and mT."""
        lines = ["across_strings_mm,along_strings_mm,b_across_mt,b_along_mt,b_up_mt"]
        for x, row in zip(self.across_strings, self.field):
            for y, (bx, by, bz) in zip(self.along_strings, row):
                lines.append(f"{1e3 * x:.3f},{1e3 * y:.3f},{1e3 * bx:.4f},{1e3 * by:.4f},{1e3 * bz:.4f}")
        return "\n".join(lines) + "\n"


def field_map(build: PickupBuild, *, height: float, step: float = MAP_STEP) -> FieldMap:
    """Return the field over a build, ± 15 % over rods and ± 40 % over a bar magnet, ± 60 % over one of alnico (95 %).

    Parameters
    ----------
    build : PickupBuild
    height : float, m
        Over the poles' faces: of poles of several heights the map over the highest, a reading over each one's own.
    step : float, m
        Between places.

    Raises
    ------
    InputError
        If the field of this pickup is not modelled, or the height or the step cannot be used.

    Validity: rings and discs of charge in closed form; the cut for charge that crowds to the rim of a face is full on
    its axis and nothing over its rim, an assumption in between.
    """
    FIELD_DISTANCE.check(height)
    if not 0.1e-3 <= step <= 10e-3:
        raise InputError(f"the step of a field map must be 0.1 to 10 mm; got {1e3 * step:g} mm")
    sources = pole_sources(build)
    if not sources:
        raise InputError(f"the field of pickup '{build.name}' is not modelled: it has no magnet that counts")
    poles = np.array([place for source in sources for place in source.positions])
    reach = np.abs(poles).max(axis=0) + MAP_MARGIN
    x, y = (step * np.arange(-math.ceil(end / step), math.ceil(end / step) + 1) for end in reach)
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    field = sum(source.flux_density(grid, height) for source in sources)
    return FieldMap(
        name=build.name,
        height=height,
        across_strings=x,
        along_strings=y,
        field=np.reshape(field, (x.size, y.size, 3)),
        poles=poles,
        readings=_readings(sources, poles, height),
    )


def _readings(sources: tuple[Source, ...], poles: np.ndarray, height: float) -> np.ndarray:
    """Over every pole's own face; rows that are modelled one by one add up."""
    if len(sources) == 1:
        return sources[0].readings(height)
    over: np.ndarray = np.sum([source.flux_density(poles, height) for source in sources], axis=0)
    return over[:, 2]
