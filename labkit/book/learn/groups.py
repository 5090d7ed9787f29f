"""Past coils made ready to teach: compared with their plan, grouped, and cleared of those that would teach wrongly.

Coils that are alike in everything but themselves are a group; its mean loses nothing. A group has one time, the mean of
its coils'. A coil far from the others of its group is set aside as a stray one, by a scatter that medians tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from labkit.book.learn.evidence import (
    SESSION_TEMPERATURE,
    CoilEvidence,
    CoilPlace,
    Kind,
    ReadingModel,
    WireEvidence,
    reading_model,
    wire_reading,
)
from labkit.book.learn.levels import shares_of
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.winding.air_coil import DEVIATIONS

LEAST_OF_A_GROUP = 4
"""Coils of a group from which on its median shows a stray one."""

STRAY = 1e-4
"""Probability below which a coil is set aside as a stray one, by the scatter of its own group."""

STRAY_OF_PLAN = 1e-6
"""The same of a coil in a smaller group, against the plan with all doubts doubled: slips of a unit."""

HALF_MONTHS = 2.0
"""Times are rounded to parts of a month of this number."""

OWN_IF_EMPTY = ("spool", "lot", "session")
"""Things of which one that is not said is shared with no other coil."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoilGroup:
    """Readings of coils that are alike in all but themselves, or of one length of wire.

    ``mean`` and ``effects`` have a row a reading, ``readings`` and ``months`` one a coil; ``scatter`` is the sum of the
    squared distances of the coils from their mean, in stated standard deviations of a coil, of ``freedom`` degrees.
    """

    kinds: tuple[Kind, ...]
    build: PickupBuild | None
    place: CoilPlace
    names: tuple[str, ...]
    effects: np.ndarray
    mean: np.ndarray
    serials: tuple[str, ...]
    readings: np.ndarray
    months: np.ndarray
    scatter: float = 0.0
    freedom: int = 0

    @property
    def count(self) -> int:
        """Coils."""
        return max(len(self.serials), 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Records:
    """What a workshop's records hold, made ready for any number of predictions.

    Attributes
    ----------
    groups : tuple of CoilGroup
    left_out : mapping of str to str
        Serial of a coil that does not teach, and why.
    unread : int
        Older coils of a large book that were not taken in.
    """

    groups: tuple[CoilGroup, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)
    unread: int = 0

    @property
    def coils(self) -> int:
        """Coils that teach."""
        return sum(len(group.serials) for group in self.groups)


def records_of(coils: Iterable[CoilEvidence], wires: Iterable[WireEvidence] = ()) -> Records:
    """Return records made ready: compared with the plan, grouped, and cleared of coils that would teach wrongly.

    Parameters
    ----------
    coils : iterable of CoilEvidence
    wires : iterable of WireEvidence
    """
    left_out: dict[str, str] = {}
    alike: dict[tuple[object, ...], list[CoilEvidence]] = {}
    for coil in coils:
        if coil.fault:
            left_out[coil.serial] = coil.fault
            continue
        if not coil.readings:
            left_out[coil.serial] = "nothing was read that teaches"
            continue
        place = coil.place
        time = None if place.session else round(place.months * HALF_MONTHS)
        alike.setdefault((id(coil.build), *_things(place), time, tuple(coil.readings)), []).append(coil)
    groups = []
    for same in alike.values():
        for group in _grouped(same):
            if group is None:
                left_out |= {coil.serial: "its readings are not predicted for this design" for coil in same}
            else:
                groups.append(group)
    groups = _without_strays(groups, left_out)
    return Records(
        groups=(*groups, *(_group_of_wire(each, number) for number, each in enumerate(wires))), left_out=left_out
    )


def _things(place: CoilPlace) -> tuple[object, ...]:
    things = (place.design, place.spool, place.maker, place.lot, place.machine, place.bobbin, place.session)
    return (*things, place.celsius, place.celsius_deviation, place.meters)


def model_of(
    build: PickupBuild, place: CoilPlace, kinds: tuple[Kind, ...]
) -> tuple[ReadingModel, tuple[str, ...], np.ndarray]:
    """Return the plan of readings at a place, with the doubt of its room's temperature: model, causes and effects."""
    model = reading_model(build, kinds, place.meters)
    if not place.extra_celsius or "temperature" not in model.names:
        return model, model.names, model.effects
    column = model.effects[:, model.names.index("temperature")] * place.extra_celsius / DEVIATIONS["temperature"][0]
    return model, (*model.names, SESSION_TEMPERATURE), np.column_stack([model.effects, column])


def residuals(model: ReadingModel, coils: Sequence[CoilEvidence], celsius: float | None) -> np.ndarray:
    """Return logarithms of readings over the plan's, shape (coils, kinds)."""
    logs = np.array([[kind.logarithm(coil.readings[kind]) for kind in model.kinds] for coil in coils])
    found: np.ndarray = logs - model.at(20.0 if celsius is None else celsius)
    return found


def _grouped(coils: Sequence[CoilEvidence]) -> list[CoilGroup | None]:
    first = coils[0]
    model, names, effects = model_of(first.build, first.place, tuple(sorted(first.readings)))
    known = np.isfinite(model.planned).all(axis=0)
    if not known.any():
        return [None]
    kinds = tuple(kind for kind, is_known in zip(model.kinds, known) if is_known)
    away = residuals(model, coils, first.place.celsius)[:, known]
    group = CoilGroup(
        kinds=kinds,
        build=first.build,
        place=first.place,
        names=names,
        effects=effects[known],
        mean=away.mean(axis=0),
        serials=tuple(coil.serial for coil in coils),
        readings=away,
        months=np.array([coil.place.months for coil in coils]),
    )
    if all(getattr(first.place, thing) for thing in OWN_IF_EMPTY):
        return [group]
    # coils of no known spool, lot or session share none: each is a group of its own
    return [
        replace(group, mean=row, serials=(serial,), readings=row[None], months=group.months[index : index + 1])
        for index, (row, serial) in enumerate(zip(away, group.serials))
    ]


def _group_of_wire(evidence: WireEvidence, number: int) -> CoilGroup:
    away, effects = wire_reading(evidence)
    row = np.array([list(effects.values())])
    place = evidence.place if evidence.place.session else replace(evidence.place, session=f"wire reading {number}")
    mean = np.array([away])
    return CoilGroup(
        kinds=(),
        build=None,
        place=place,
        names=tuple(effects),
        effects=row,
        mean=mean,
        serials=(),
        readings=mean[None],
        months=np.array([place.months]),
    )


def coil_covariance(names: Sequence[str], effects: np.ndarray) -> np.ndarray:
    """Return the stated covariance of what no two coils share, shape (readings, readings)."""
    weight = np.array([shares_of(name).get("coil", 0.0) for name in names])
    found: np.ndarray = (effects * weight) @ effects.T
    return found


def prior_covariance(names: Sequence[str], effects: np.ndarray) -> np.ndarray:
    """Return the stated covariance of readings with all doubts, shared and own, shape (readings, readings)."""
    weight = np.array([math.fsum(shares_of(name).values()) for name in names])
    found: np.ndarray = (effects * weight) @ effects.T
    return found


def robust_scale(
    squares: Sequence[np.ndarray], sizes: Sequence[int], *, middle: float = 1.25, weight: float = 4.0
) -> tuple[float, float]:
    """Return by how much coils scatter against what is stated, and the standard deviation of its logarithm.

    From medians, so that a few bad coils do not count.

    ln ĝ = (w·ln g_prior + ln g_median/τ²)/(w + 1/τ²), with g_median² the median of d²/median of χ²_k.

    Parameters
    ----------
    squares : sequence of ndarray
        Squared distances of coils from the medians of their group, in stated standard deviations, by group.
    sizes : sequence of int
        Readings of a coil, k, by group.
    middle, weight
        What is known already: a factor, and 1/variance of its logarithm.
    """
    if not squares:
        return middle, 1 / math.sqrt(weight)
    ratios = np.concatenate([found / _beyond(0.5, k) for found, k in zip(squares, sizes)])
    k, count = max(sizes), ratios.size
    spread = {1: 0.26, 2: 0.16}.get(k, 0.13) * math.sqrt(20 / count)
    small = {1: 0.071, 2: 0.031}.get(k, 0.016) * 20 / count  # medians of few coils lie too near their own coils
    found = 0.5 * math.log(max(float(np.median(ratios)), 1e-6)) + small
    known = weight + 1 / spread**2
    return math.exp((weight * math.log(middle) + found / spread**2) / known), 1 / math.sqrt(known)


def stray_limit(scale: tuple[float, float], size: int) -> float:
    """Return the squared distance beyond which a coil of ``size`` readings is a stray one of its group.

    The scatter may be larger than found by two of its standard deviations: a small group sets few coils aside.

    Parameters
    ----------
    scale : tuple of float
        From `robust_scale`.
    """
    return float(scale[0] ** 2 * math.exp(4 * scale[1]) * _beyond(STRAY, size))


@lru_cache(maxsize=64)
def _beyond(part: float, size: int) -> float:
    """The squared distance that a part of coils of ``size`` readings lie beyond: upper quantile of χ²."""
    from scipy.special import chdtri

    return float(chdtri(size, part))


def _whitened(group: CoilGroup, about: np.ndarray) -> np.ndarray:
    root = np.linalg.cholesky(coil_covariance(group.names, group.effects))
    found: np.ndarray = np.linalg.solve(root, (group.readings - about).T).T
    return found


def _without_strays(groups: Sequence[CoilGroup], left_out: dict[str, str]) -> list[CoilGroup]:
    large = [group for group in groups if group.count >= LEAST_OF_A_GROUP]
    squares = [(_whitened(group, np.median(group.readings, axis=0)) ** 2).sum(axis=1) for group in large]
    scale = robust_scale(squares, [len(group.kinds) for group in large])
    by_group = {id(group): found for group, found in zip(large, squares)}
    kept = []
    for group in groups:
        size = len(group.kinds)
        if id(group) in by_group:
            good = by_group[id(group)] <= stray_limit(scale, size)
            why = "far from the coils read with it: look at it again"
        else:
            covariance = 4 * prior_covariance(group.names, group.effects)
            distance = np.einsum("ni,ni->n", group.readings, np.linalg.solve(covariance, group.readings.T).T)
            good = distance <= _beyond(STRAY_OF_PLAN, size)
            why = "beyond anything its build allows: look at the reading and its unit"
        left_out |= {serial: why for serial, is_good in zip(group.serials, good) if not is_good}
        if good.any():
            kept.append(_summed(group, good))
    return kept


def _summed(group: CoilGroup, good: np.ndarray) -> CoilGroup:
    readings = group.readings[good]
    mean = readings.mean(axis=0)
    months = group.months[good]
    found = replace(
        group,
        place=replace(group.place, months=float(months.mean())),
        months=months,
        readings=readings,
        mean=mean,
        serials=tuple(serial for serial, is_good in zip(group.serials, good) if is_good),
    )
    if len(readings) == 1:
        return found
    scatter = float((_whitened(found, mean) ** 2).sum())
    return replace(found, scatter=scatter, freedom=(len(readings) - 1) * len(group.kinds))
