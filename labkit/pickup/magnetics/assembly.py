"""Poles of any size and grade beside one another, with bar magnets: one list, solved together.

The slices of `labkit.pickup.magnetics.slices` for rods that differ in diameter, length, height, grade, charge and
polarity, each in the field of all others and of the bars. A row of equal rods gives the numbers of that module. A bar
is one block of even magnetisation, whose working point the steel around it decides. The list itself, `StandingPole`, is
what anything that asks for a string's field reads: place, size, grade, charge and polarity of every pole, and whose
string it stands under.

Axes as in the slices: z up, 0 at the winding's mid-height; x along the row of strings; y across it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.by_numpy import elliptic_integrals
from labkit.core.errors import InputError
from labkit.pickup.magnetics.field import crowding_factor
from labkit.pickup.magnetics.magnet import REFERENCE_CELSIUS, MagnetGrade, temperature_factor
from labkit.pickup.magnetics.slices import (
    SLICES,
    coil_field,
    far_kernel,
    gauss_points,
    own_kernel,
    section_points,
    slice_edges,
    surface_charge,
)
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape

_MOST_STEPS = 60
_SMALLEST_STEP = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingPole:
    """One pole as a field sees it.

    Parameters
    ----------
    along, across : float, m
        Its axis.
    radius, length : float, m
    top : float, m
        Height of its top face over the winding's mid-height.
    string : int
        The string it stands under, from 0.
    permeability : float
        Small-signal, of magnet or steel, above 1.
    grade : MagnetGrade or None
        None for steel.
    charge : float
        0 … 1, of a magnet.
    sign : 1 or -1
        North or south seen from the strings.
    group : int
        Poles of one group answer alike to a coil: one material and size.
    """

    along: float
    across: float = 0.0
    radius: float
    length: float
    top: float
    string: int
    permeability: float
    grade: MagnetGrade | None = None
    charge: float = 1.0
    sign: int = 1
    group: int = 0

    def __post_init__(self) -> None:
        if not self.permeability > 1:
            raise InputError(f"relative permeability of a pole must be above 1; got {self.permeability:g}")

    @property
    def edges(self) -> np.ndarray:
        """Heights of the slice boundaries, shape (SLICES + 1,), m, bottom to top."""
        edges: np.ndarray = self.top - self.length / 2 + slice_edges(self.length)
        return edges

    @property
    def centres(self) -> np.ndarray:
        """Mid-height of each slice, shape (SLICES,), m."""
        edges = self.edges
        middle: np.ndarray = (edges[1:] + edges[:-1]) / 2
        return middle

    @property
    def volumes(self) -> np.ndarray:
        """Volume of each slice, shape (SLICES,), m³."""
        return math.pi * self.radius**2 * np.diff(self.edges)


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingBar:
    """One bar magnet, evenly magnetised along y or z.

    Parameters
    ----------
    centre : (float, float, float), m
    size : (float, float, float), m
        Along the row, across it and upright.
    axis : 1 or 2
        Magnetised across (y) or upright (z).
    sign : 1 or -1
        Towards positive y or z.
    grade : MagnetGrade
    charge : float
    """

    centre: tuple[float, float, float]
    size: tuple[float, float, float]
    axis: int
    sign: int
    grade: MagnetGrade
    charge: float = 1.0

    @property
    def volume(self) -> float:
        """Volume, m³."""
        return math.prod(self.size)

    @property
    def points(self) -> tuple[np.ndarray, np.ndarray]:
        """Gauss points inside, shape (K, 3), m, and their weights, which sum to 1."""
        parts = [gauss_points(count) for count in (6, 4, 4)]
        nodes = np.meshgrid(*(node for node, _ in parts), indexing="ij")
        weight = np.einsum("i,j,k->ijk", *(weight / 2 for _, weight in parts)).ravel()
        inside = np.stack([node.ravel() for node in nodes], axis=1) * np.array(self.size) / 2 + np.array(self.centre)
        return inside, weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """Poles and bars of a pickup."""

    poles: tuple[StandingPole, ...]
    bars: tuple[StandingBar, ...] = ()

    def __post_init__(self) -> None:
        if not self.poles:
            raise InputError("a pickup's field needs at least one pole; got none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Magnetised:
    """An assembly and its magnetisation.

    Attributes
    ----------
    assembly : Assembly
    poles : ndarray, shape (poles, SLICES), A/m, positive up
    bars : ndarray, shape (bars,), A/m, positive along the bar's axis
    """

    assembly: Assembly
    poles: np.ndarray
    bars: np.ndarray

    def field(self, points: ArrayLike) -> np.ndarray:
        """Return B at points outside, shape (K, 3), T: rings and discs of charge in closed form, blocks too.

        Over a pole's face its own field is cut as in `labkit.pickup.magnetics.field.axis_field`, for charge that crowds
        to the rim: in full on the axis, by nothing over the rim (between them an assumption).

        Validity: 0.5 mm and more from any face.
        """
        places = np.atleast_2d(np.asarray(points, dtype=float))
        total = np.zeros_like(places)
        for pole, magnetisation in zip(self.assembly.poles, self.poles):
            total += _pole_field(pole, magnetisation, places)
        for bar, magnetisation in zip(self.assembly.bars, self.bars):
            total += magnetisation * block_field(bar, places)
        return MU_0 * total


@lru_cache(maxsize=32)
def settled(
    assembly: Assembly,
    *,
    celsius: float = REFERENCE_CELSIUS,
    remanence: float = 1.0,
    coercivity: float = 1.0,
) -> Magnetised:
    """Return where magnets and steel settle in one another's field.

    Magnets first with all of them saturated, H_c(M − M_s)/(M_s − aM) = (N·M), steel beside them linear; charge and
    temperature then multiply the magnets, and the steel answers anew. A grade's remanence and coercivity may be scaled.

    Parameters
    ----------
    assembly : Assembly
    celsius : float, °C
    remanence, coercivity : float
        Factors on those of every grade.

    Returns
    -------
    Magnetised

    Raises
    ------
    InputError
        If the steps do not settle.

    Validity: steel below saturation, in air, no keeper or baseplate; bars of even magnetisation.
    """
    matrix = interaction(assembly)
    bodies: list[StandingPole | StandingBar] = [*assembly.poles, *assembly.bars]
    cells = [SLICES] * len(assembly.poles) + [1] * len(assembly.bars)
    state = np.zeros(len(matrix))
    magnets = np.repeat([body.grade is not None for body in bodies], cells)
    if magnets.any():
        steel = ~magnets
        soft = [pole for pole in assembly.poles if pole.grade is None]
        inverse = np.repeat([1 / (pole.permeability - 1) for pole in soft], SLICES)
        # steel follows the magnets linearly, so it is eliminated
        follows = np.linalg.solve(np.diag(inverse) - matrix[np.ix_(steel, steel)], matrix[np.ix_(steel, magnets)])
        reduced = matrix[np.ix_(magnets, magnets)] + matrix[np.ix_(magnets, steel)] @ follows

        rows = [
            (
                body.sign,
                remanence * grade.remanence.value / MU_0,
                coercivity * grade.coercivity.value,
                grade.shape,
                body.charge
                * float(temperature_factor(celsius=celsius, coefficient=grade.temperature_coefficient.value)),
            )
            for body, count in zip(bodies, cells)
            if (grade := body.grade) is not None
            for _ in range(count)
        ]
        sign, saturation, limit, shape, factor = np.array(rows).T
        state[magnets] = _on_curves(reduced * np.outer(sign, sign), saturation, limit, shape) * sign * factor
        state[steel] = follows @ state[magnets]
    count = len(assembly.poles) * SLICES
    poles, bars = state[:count].reshape(-1, SLICES), state[count:]
    poles.flags.writeable = bars.flags.writeable = False
    return Magnetised(assembly=assembly, poles=poles, bars=bars)


def answered(assembly: Assembly, drive: np.ndarray, susceptibility: np.ndarray | None = None) -> np.ndarray:
    """Return the linear answer of all poles to an axial field in every slice, M = χ·(H + N·M); bars do not answer.

    Parameters
    ----------
    assembly : Assembly
    drive : ndarray, shape (poles·SLICES,), A/m
        Mean over each slice, as `labkit.pickup.magnetics.slices.coil_field_in_rods` gives it.
    susceptibility : ndarray or None, shape (poles,)
        Complex where eddy currents are counted; None takes the poles' own.

    Returns
    -------
    ndarray, shape (poles, SLICES), A/m
    """
    matrix = interaction(Assembly(poles=assembly.poles))
    own = np.array([pole.permeability - 1 for pole in assembly.poles]) if susceptibility is None else susceptibility
    chi = np.repeat(own, SLICES)
    state: np.ndarray = np.linalg.solve(np.eye(len(chi)) - chi[:, None] * matrix, chi * drive)
    return state.reshape(-1, SLICES)


def _on_curves(matrix: np.ndarray, saturation: np.ndarray, limit: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Damped Newton steps for N·M = H_c(M − M_s)/(M_s − aM), each element on its own curve."""
    state: np.ndarray = 0.3 * saturation
    ceiling = saturation / np.maximum(shape, 1.0)

    def miss(trial: np.ndarray) -> np.ndarray:
        curve = (trial - saturation) / (saturation - shape * trial)
        difference: np.ndarray = matrix @ trial / limit - curve
        return difference

    error = miss(state)
    for _ in range(_MOST_STEPS):
        slope = limit * saturation * (1 - shape) / (saturation - shape * state) ** 2
        change = np.linalg.solve((matrix - np.diag(slope)) / limit[:, None], -error)
        size = 1.0
        while size > _SMALLEST_STEP:
            trial: np.ndarray = state + size * change
            if np.all(trial < ceiling):
                trial_error = miss(trial)
                if np.linalg.norm(trial_error) < np.linalg.norm(error):
                    break
            size /= 2
        else:
            break
        state, error = trial, trial_error
        if np.max(np.abs(change) / saturation) < 1e-9:
            break
    if np.linalg.norm(error) < 1e-6:
        settled_state: np.ndarray = state
        return settled_state
    raise InputError("the operating point of these magnets did not settle; check grades, sizes and places")


@lru_cache(maxsize=32)
def interaction(assembly: Assembly) -> np.ndarray:
    """Return N of all slices and then bars, H = N·M along each one's own axis, square, read-only."""
    poles, bars = assembly.poles, assembly.bars
    centres = np.stack([pole.centres for pole in poles])
    edges = np.stack([pole.edges for pole in poles])
    radius = np.array([pole.radius for pole in poles])
    place = np.array([(pole.along, pole.across) for pole in poles])
    gap = centres[:, None, :, None] - edges[None, :, None, :]  # target pole, source pole, slice, boundary
    square = ((place[:, None] - place[None]) ** 2).sum(axis=-1)
    apart = np.where(square > 0, square, 1.0)[..., None, None]
    kernel = far_kernel(gap, apart, radius[None, :, None, None], radius[:, None, None, None])
    for index in range(len(poles)):
        kernel[index, index] = own_kernel(gap[index, index], float(radius[index]))
    count = len(poles) * SLICES
    blocks = kernel[..., 1:] - kernel[..., :-1]
    matrix = np.zeros((count + len(bars), count + len(bars)))
    matrix[:count, :count] = blocks.transpose(0, 2, 1, 3).reshape(count, count)
    volumes = np.concatenate([pole.volumes for pole in poles])
    inside = _section_points(poles)
    for index, bar in enumerate(bars):
        column = block_field(bar, inside.reshape(-1, 3))[:, 2].reshape(count, -1).mean(axis=1)
        matrix[:count, count + index] = column
        matrix[count + index, :count] = column * volumes / bar.volume  # reciprocity
        for other, source in enumerate(bars):
            points, weight = bar.points
            matrix[count + index, count + other] = weight @ block_field(source, points)[:, bar.axis]
    matrix.flags.writeable = False
    return matrix


def coil_drive(assembly: Assembly, shape: CoilShape, *, across: float = 0.0) -> np.ndarray:
    """Return a coil's axial field, mean over every slice, shape (poles·SLICES,), A/m per ampere-turn.

    Parameters
    ----------
    assembly : Assembly
    shape : CoilShape
    across : float, m
        Where the coil's long axis lies.
    """
    points = _section_points(assembly.poles)
    field: np.ndarray = coil_field(
        x=points[..., 0],
        y=points[..., 1] - across,
        z=points[..., 2],
        straight_length=shape.straight_length,
        end_radius=shape.end_radius,
        build_up=shape.build_up,
        winding_height=shape.winding_height,
    ).mean(axis=1)
    return field


def _section_points(poles: Sequence[StandingPole]) -> np.ndarray:
    """Four points at R/√2 in the middle of every slice, shape (poles·SLICES, 4, 3), m."""
    found = []
    for pole in poles:
        ring = np.pad(section_points(pole.radius), [(0, 0), (0, 1)])
        middle = np.stack([np.full(SLICES, pole.along), np.full(SLICES, pole.across), pole.centres], axis=1)
        found.append(middle[:, None] + ring)
    return np.concatenate(found)


def block_field(bar: StandingBar, points: np.ndarray) -> np.ndarray:
    """Return H of a bar of unit magnetisation along its axis, its sign left out, shape (K, 3): two charged rectangles.

    Parameters
    ----------
    bar : StandingBar
    points : ndarray, shape (K, 3), m

    Source: field of a uniformly charged rectangle, textbook potential theory; held against a general field library.
    """
    axis = bar.axis
    one, two = (0, 2) if axis == 1 else (0, 1)
    centred: np.ndarray = points - np.array(bar.centre)
    half = np.array(bar.size) / 2
    field: np.ndarray = np.zeros_like(centred)
    for face, charge in ((half[axis], 1.0), (-half[axis], -1.0)):
        w = centred[:, axis] - face
        for corner in (-1.0, 1.0):
            u = centred[:, one] - corner * half[one]
            for other in (-1.0, 1.0):
                v = centred[:, two] - other * half[two]
                reach = np.sqrt(u**2 + v**2 + w**2)
                weight = charge * corner * other / (4 * math.pi)
                field[:, axis] += weight * np.arctan(u * v / np.where(w == 0, 1e-15, w) / reach)
                field[:, one] -= weight * np.log(np.maximum(reach + v, 1e-12))
                field[:, two] -= weight * np.log(np.maximum(reach + u, 1e-12))
    return field


def _pole_field(pole: StandingPole, magnetisation: np.ndarray, points: np.ndarray) -> np.ndarray:
    """H of one pole's discs and rings of charge at points, shape (K, 3), A/m."""
    charge = math.pi * pole.radius**2 * surface_charge(magnetisation)
    apart = points[:, :2] - (pole.along, pole.across)
    rho = np.hypot(*apart.T)
    away = np.divide(apart, rho[:, None], out=np.zeros_like(apart), where=rho[:, None] > 0)
    height = points[:, 2:] - pole.edges
    nodes, weights = gauss_points(10)
    share = (nodes + 1) / 2  # radius of a shell over the pole's; its area is 2·share·d(share)
    radial, axial = _ring(rho[:, None], height, pole.radius)
    for end in (0, -1):
        parts = _ring(rho[:, None], height[:, [end]], pole.radius * share)
        radial[:, end], axial[:, end] = (part @ (weights * share) for part in parts)
    found = np.column_stack([away * (radial @ charge)[:, None], axial @ charge])
    over = (rho < pole.radius) & (height[:, -1] > 0)
    cut = 1 / crowding_factor(np.maximum(height[:, -1], 0.0), pole.radius) - 1
    scaled: np.ndarray = found * (1 + np.where(over, cut * (1 - (rho / pole.radius) ** 2), 0.0)[:, None])
    return scaled


def _ring(rho: np.ndarray, z: np.ndarray, radius: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Radial and axial field of a ring of unit charge at distance rho from its axis and height z, 1/m²."""

    rho, z, radius = np.broadcast_arrays(rho, z, radius)
    near, far = (rho - radius) ** 2 + z**2, (rho + radius) ** 2 + z**2
    modulus = 4 * rho * radius / far
    first, second = elliptic_integrals(modulus)
    axial = z * second / (2 * math.pi**2 * near * np.sqrt(far))
    middle = rho < 1e-9
    safe = np.where(middle, 1.0, rho)
    radial = (first - (radius**2 - rho**2 + z**2) / near * second) / (4 * math.pi**2 * safe * np.sqrt(far))
    return np.where(middle, 0.0, radial), axial
