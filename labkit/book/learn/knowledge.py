"""Past coils of a workshop taken into the prediction of its next one: Gaussian conditioning in logarithms.

The covariance of all readings follows from the causes and their levels (`levels`); the factors by which coils, shop,
spools and lots of this workshop scatter more or less than stated are learned with it, on a grid. Everything is worked
out from the records each time, so a reading that is crossed out or a better model of the pickup counts at once.

The records come as groups of like coils (`groups`); of a large book older groups are joined into averages, whose
covariance is exact as well.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.book.learn.evidence import CoilPlace
from labkit.book.learn.groups import HALF_MONTHS, OWN_IF_EMPTY, CoilGroup, Records, coil_covariance
from labkit.book.learn.levels import (
    DRIFT_MONTHS,
    LEVELS,
    SCALE_CORRELATION,
    SCALE_PRIORS,
    SCALED,
    Level,
    ScaledPart,
    shares_of,
)

MOST_ROWS = 56
"""Averages of readings that are conditioned on at once; a larger book is joined into fewer, older ones first. Matrices
of this size are decomposed in a fraction of a millisecond, by one thread; larger ones by threads that wait for each
other."""

WIRE_OWN = 1e-4
"""Of a length of wire on the ohmmeter, beside its stated doubts: keeps the arithmetic regular."""

CONFLICT = 0.005
"""Probability below which the readings are said to contradict the plan."""

_SHARED: tuple[Level, ...] = tuple(level for level in LEVELS if level != "coil")
_PARTS: tuple[ScaledPart, ...] = ("shop and models", "spool", "lot")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Average:
    """An average over groups of the same readings, with the weight of each."""

    groups: tuple[CoilGroup, ...]
    alike: bool = True

    @property
    def first(self) -> CoilGroup:
        return self.groups[0]

    @property
    def mean(self) -> np.ndarray:
        found: np.ndarray = self.weights @ np.array([group.mean for group in self.groups])
        return found

    @property
    def scatter(self) -> float:
        """Of all coils about their groups, and of groups about their average where only their sessions differ."""
        found = math.fsum(group.scatter for group in self.groups)
        if len(self.groups) == 1 or not self.alike:
            return found
        own = coil_covariance(self.first.names, self.first.effects)
        room = (self.first.effects * _weights(self.first.names, "session")) @ self.first.effects.T
        away = np.array([group.mean for group in self.groups]) - self.mean
        for group, row in zip(self.groups, away):
            found += group.count * float(row @ np.linalg.solve(own + group.count * room, row))
        return found

    @property
    def freedom(self) -> int:
        between = len(self.first.mean) * (len(self.groups) - 1) if self.alike and self.first.kinds else 0
        return sum(group.freedom for group in self.groups) + between

    @property
    def weights(self) -> np.ndarray:
        counts = np.array([group.count for group in self.groups], dtype=float)
        found: np.ndarray = counts / counts.sum()
        return found

    @property
    def count(self) -> int:
        return sum(group.count for group in self.groups)


def _averages(records: Records, place: CoilPlace, most_rows: int) -> list[_Average]:
    """Join groups until they are few enough: sessions first, then older spools, then the oldest are dropped."""

    def rows(joined: Sequence[_Average]) -> int:
        return sum(len(each.first.mean) for each in joined)

    def joined(key: Mapping[int, tuple[object, ...]]) -> list[_Average]:
        found: dict[tuple[object, ...], list[CoilGroup]] = {}
        for group in records.groups:
            found.setdefault(key[id(group)], []).append(group)
        return [
            _Average(groups=tuple(groups), alike=len({coarse[id(group)] for group in groups}) == 1)
            for groups in found.values()
        ]

    averages = [_Average(groups=(group,)) for group in records.groups]
    if rows(averages) <= most_rows:
        return averages
    kinds = {
        id(group): (group.names, group.kinds, id(group.build), round(group.place.extra_celsius, 1))
        for group in records.groups
    }
    coarse = {
        id(g): (*kinds[id(g)], g.place.machine, g.place.bobbin, g.place.spool, g.place.lot) if g.kinds else (id(g),)
        for g in records.groups
    }
    averages = joined(coarse)
    if rows(averages) <= most_rows:
        return averages
    ranked = sorted(
        averages,
        key=lambda each: (
            each.first.place.spool == place.spool or each.first.place.lot == place.lot,
            each.first.place.design == place.design,
            max(group.place.months for group in each.groups),
        ),
        reverse=True,
    )
    kept: set[tuple[object, ...]] = set()
    size = 0
    for each in ranked:
        size += len(each.first.mean)
        if size > most_rows // 2:
            break
        kept.add(coarse[id(each.first)])
    rough = {
        id(g): coarse[id(g)]
        if coarse[id(g)] in kept
        else (*kinds[id(g)], g.place.machine, g.place.bobbin, round(g.place.months / 12))
        for g in records.groups
    }
    averages = sorted(
        joined(rough),
        key=lambda each: (
            coarse[id(each.first)] in kept,
            each.first.place.design == place.design,
            max(group.place.months for group in each.groups),
        ),
        reverse=True,
    )
    while averages and rows(averages) > most_rows:
        averages.pop()
    return averages


def _level_ids(group: CoilGroup, index: int, level: Level) -> str:
    place = group.place
    if level == "own":
        return f"{index}"
    if level in OWN_IF_EMPTY:
        return getattr(place, level) or f"\0{'+'.join(group.serials)}{index}"
    if level == "grade" or level == "shop" or level == "meter":
        return ""  # the names of causes hold the material, and the meter
    return str(getattr(place, level))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """What the records leave open, for coils of one place. Made by `posterior_of`."""

    place: CoilPlace
    shape: tuple[object, ...]
    names: tuple[str, ...]
    effects: np.ndarray
    alike: Mapping[Level, np.ndarray]
    means: np.ndarray
    whitening: np.ndarray
    values: np.ndarray
    vectors: np.ndarray
    scales: np.ndarray
    coil_scales: np.ndarray
    weights: np.ndarray
    used: tuple[CoilGroup, ...]

    @property
    def coil_scale(self) -> float:
        """How much coils scatter against what is stated: middle of the learned factor."""
        return math.exp(float(self.weights.sum(axis=0) @ np.log(self.coil_scales)))

    @property
    def shared_scales(self) -> dict[ScaledPart, float]:
        """The same of shop and models, spools and lots."""
        if not self.means.size:
            return dict.fromkeys(_PARTS, 1.0)
        middle = np.exp(self.weights.sum(axis=1) @ np.log(self.scales))
        return {part: float(value) for part, value in zip(_PARTS, middle)}

    def _columns(self, names: Sequence[str], effects: np.ndarray) -> np.ndarray:
        """Effects on targets in the order of the posterior's own causes, shape (targets, causes)."""
        places = {name: column for column, name in enumerate(self.names)}
        found = np.zeros((len(effects), len(self.names)))
        for column, name in enumerate(names):
            if name in places:
                found[:, places[name]] = effects[:, column]
        return found

    def of_cause(
        self, names: Sequence[str], effects: np.ndarray, name: str, level: Level
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return covariances of what one cause does to targets at one level: with the averages, with one another.

        At the best scales; shapes (targets, rows) and (targets, targets).
        """
        part = SCALED[level]
        scale = self.best_scales[_PARTS.index(part)] if part in _PARTS else 1.0
        share = scale**2 * shares_of(name).get(level, 0.0)
        mine = effects[:, names.index(name)]
        across = np.zeros((len(effects), self.means.size))
        if name in self.names:
            column = self.effects[:, self.names.index(name)]
            across = share * np.outer(mine, column) * self.alike[level]
        return across, share * np.outer(mine, mine)

    @property
    def best_scales(self) -> np.ndarray:
        """Of shop and models, spool and lot, at the best point of the grid."""
        found: np.ndarray = self.scales[int(self.weights.sum(axis=1).argmax())]
        return found

    def shared_parts(self, names: Sequence[str], effects: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return covariances of targets with the averages and with one another, by scaled part (fixed last).

        Returns
        -------
        tuple of ndarray, shapes (4, targets, rows) and (4, targets, targets)
        """
        columns = self._columns(names, effects)
        across = np.zeros((len(_PARTS) + 1, len(effects), self.means.size))
        own = np.zeros((len(_PARTS) + 1, len(effects), len(effects)))
        for level in _SHARED:
            part = _PARTS.index(SCALED[level]) if SCALED[level] in _PARTS else len(_PARTS)
            weight = _weights(names, level)
            if weight.any():
                own[part] += (effects * weight) @ effects.T
            known = _weights(self.names, level)
            if known.any() and self.alike[level].any():
                across[part] += ((columns * known) @ self.effects.T) * self.alike[level]
        return across, own

    def predict(self, names: Sequence[str], effects: np.ndarray) -> Predicted:
        """Return how the next coil's values lie about the plan, as logarithms (or as they are, of a linear result).

        Parameters
        ----------
        names : sequence of str
            Causes.
        effects : ndarray, shape (targets, causes)
            Change of each target with one standard deviation of each cause.
        """
        from scipy.special import ndtr

        across, own = self.shared_parts(names, effects)
        own_coil = coil_covariance(names, effects)
        diagonal = np.diagonal(own, axis1=1, axis2=2)
        if not self.means.size:
            deviation = np.sqrt(diagonal.sum(axis=0) + np.diag(own_coil))
            zero = np.zeros(len(effects))
            return Predicted(mean=zero, low=-1.959964 * deviation, high=1.959964 * deviation, shared=own.sum(axis=0))
        best = int(self.weights.sum(axis=1).argmax())
        rows = np.flatnonzero(self.weights.max(axis=1) > 1e-3 * self.weights.max())
        squares = np.column_stack([self.scales[rows] ** 2, np.ones(len(rows))])
        vectors, coil_square = self.vectors[rows], self.coil_scales[None, :, None] ** 2
        crossed = np.einsum("bq,qtm->btm", squares, across) @ self.whitening.T @ vectors
        turned = (self.whitening @ self.means) @ vectors
        inverse = 1 / (self.values[rows][:, None, :] + coil_square)
        middle = inverse @ (crossed * turned[:, None, :]).transpose(0, 2, 1)
        taken = inverse @ (crossed**2).transpose(0, 2, 1)
        variance = np.maximum((squares @ diagonal)[:, None, :] - taken, 0.0) + coil_square * np.diag(own_coil)
        weights = self.weights[rows].ravel()
        chosen = weights > 1e-3 * weights.max()
        weights = weights[chosen] / weights[chosen].sum()
        middle = middle.reshape(-1, len(effects))[chosen]
        deviation = np.sqrt(variance.reshape(-1, len(effects))[chosen])
        mean = weights @ middle
        bounds = []
        for share in (0.025, 0.975):
            low, high = mean - 12 * deviation.max(axis=0), mean + 12 * deviation.max(axis=0)
            for _ in range(30):
                half = (low + high) / 2
                below = weights @ ndtr((half - middle) / np.maximum(deviation, 1e-300)) < share
                low, high = np.where(below, half, low), np.where(below, high, half)
            bounds.append((low + high) / 2)
        place, scale = int(np.flatnonzero(rows == best)[0]), int(self.weights[best].argmax())
        shared = np.einsum("q,qts->ts", squares[place], own)
        shared = shared - (crossed[place] * inverse[place, scale]) @ crossed[place].T
        return Predicted(mean=mean, low=bounds[0], high=bounds[1], shared=shared)

    def conditioned(self, across: np.ndarray, *, stated: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and covariance taken away of things of known covariance (things, rows) with the averages.

        At the best scales, or with ``stated`` at those the plan states.
        """
        row = (
            int(np.abs(np.log(self.scales)).sum(axis=1).argmin()) if stated else int(self.weights.sum(axis=1).argmax())
        )
        crossed = across @ self.whitening.T @ self.vectors[row]
        inverse = 1 / (self.values[row] + self.coil_scale**2)
        return (
            (crossed * inverse) @ (self.vectors[row].T @ (self.whitening @ self.means)),
            (crossed * inverse) @ crossed.T,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Predicted:
    """Targets about their plan, each of shape (targets,), and the covariance of what the next coils share."""

    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    shared: np.ndarray


def _weights(names: Sequence[str], level: Level) -> np.ndarray:
    return np.array([shares_of(name).get(level, 0.0) for name in names])


def posterior_of(
    records: Records, place: CoilPlace, *, most_rows: int = MOST_ROWS, like: Posterior | None = None
) -> Posterior:
    """Condition on the records, for coils of one place.

    Parameters
    ----------
    records : Records
    place : CoilPlace
        Of the coils to predict; a spool or lot that is not among the records is a new one.
    most_rows : int
        Averages of readings that are conditioned on.
    like : Posterior, optional
        Of records that differ in their values only: its decomposition is used again.
    """
    averages = _averages(records, place, most_rows)
    shape = tuple(
        (group.place, group.names, group.count, len(each.groups)) for each in averages for group in each.groups
    )
    near = {level: _alike(averages, place, level) for level in _SHARED}
    sizes = [len(each.first.mean) for each in averages]
    row_of = np.repeat(np.arange(len(averages)), sizes)
    if like is None or like.shape != shape:
        like = _decomposed(averages, place, shape, {level: between for level, (between, _) in near.items()}, row_of)
    means = np.concatenate([each.mean for each in averages]) if averages else np.zeros(0)
    weights = np.full((len(like.scales), len(like.coil_scales)), 1.0 / len(like.scales) / len(like.coil_scales))
    if means.size:
        turned = np.einsum("bmk,m->bk", like.vectors, like.whitening @ means)
        variance = like.values[:, None, :] + like.coil_scales[None, :, None] ** 2
        likely = -0.5 * (np.log(variance) + turned[:, None, :] ** 2 / variance).sum(axis=2)
        freedom = sum(each.freedom for each in averages)
        scatter = math.fsum(each.scatter for each in averages)
        likely -= 0.5 * (freedom * np.log(like.coil_scales**2) + scatter / like.coil_scales**2)
        likely += log_prior(("coil",), like.coil_scales[:, None])
        likely += log_prior(_PARTS, like.scales)[:, None]
        weights = np.exp(likely - likely.max())
        weights /= weights.sum()
    return replace(
        like,
        place=place,
        alike={level: target[row_of] for level, (_, target) in near.items()},
        means=means,
        weights=weights,
        used=tuple(group for each in averages for group in each.groups),
    )


def _decomposed(
    averages: Sequence[_Average],
    place: CoilPlace,
    shape: tuple[object, ...],
    between: Mapping[Level, np.ndarray],
    row_of: np.ndarray,
) -> Posterior:
    """Decompose the whitened covariance of the averages for every set of scales; no reading counts here."""
    from scipy.linalg import eigh

    names = tuple(dict.fromkeys(name for each in averages for name in each.first.names))
    column = {name: index for index, name in enumerate(names)}
    rows = row_of.size
    effects, whitening = np.zeros((rows, len(names))), np.zeros((rows, rows))
    for index, each in enumerate(averages):
        part = np.flatnonzero(row_of == index)
        effects[np.ix_(part, np.array([column[name] for name in each.first.names]))] = each.first.effects
        own = coil_covariance(each.first.names, each.first.effects) / each.count
        if not each.first.kinds:  # wire has no scatter of coils: what is its own is fixed
            own = np.eye(part.size) * WIRE_OWN**2
        whitening[np.ix_(part, part)] = np.linalg.inv(np.linalg.cholesky(own))
    parts = np.zeros((len(_PARTS) + 1, rows, rows))
    for level in _SHARED:
        weight = _weights(names, level)
        if weight.any() and rows:
            part_of = _PARTS.index(SCALED[level]) if SCALED[level] in _PARTS else len(_PARTS)
            parts[part_of] += ((effects * weight) @ effects.T) * between[level][np.ix_(row_of, row_of)]
    scales = np.array(list(itertools.product(*(SCALE_PRIORS[part].grid for part in _PARTS))))
    values, vectors = np.zeros((len(scales), rows)), np.zeros((len(scales), rows, rows))
    if rows:
        squares = np.column_stack([scales**2, np.ones(len(scales))])
        for index, whole in enumerate(np.einsum("bq,qij->bij", squares, whitening @ parts @ whitening.T)):
            # QR iteration: of such small matrices faster than divide and conquer, whose threads wait for each other
            values[index], vectors[index] = eigh(whole, driver="ev", check_finite=False)
    return Posterior(
        place=place,
        shape=shape,
        names=names,
        effects=effects,
        alike={},
        means=np.zeros(rows),
        whitening=whitening,
        values=np.maximum(values, 0.0),
        vectors=vectors,
        scales=scales,
        coil_scales=np.array(SCALE_PRIORS["coil"].grid),
        weights=np.zeros(0),
        used=(),
    )


def log_prior(parts: Sequence[ScaledPart], scales: np.ndarray) -> np.ndarray:
    """Of factors of shape (points, parts), up to a constant."""
    priors = [SCALE_PRIORS[part] for part in parts]
    away = np.log(scales / [prior.middle for prior in priors]) / [prior.deviation for prior in priors]
    size = len(parts)
    inverse = np.linalg.inv(np.full((size, size), SCALE_CORRELATION) + (1 - SCALE_CORRELATION) * np.eye(size))
    found: np.ndarray = -0.5 * np.einsum("pi,ij,pj->p", away, inverse, away)
    return found


def _alike(averages: Sequence[_Average], place: CoilPlace, level: Level) -> tuple[np.ndarray, np.ndarray]:
    """How much of a level averages share with one another, and with the place: 1 for the same thing at one time."""
    months = DRIFT_MONTHS.get(level)
    seen: dict[tuple[str, float], int] = {}
    entries: list[tuple[int, int, float]] = []
    counter = itertools.count()
    for index, each in enumerate(averages):
        for group, weight in zip(each.groups, each.weights):
            name = _level_ids(group, next(counter), level)
            time = round(group.place.months * HALF_MONTHS) / HALF_MONTHS if months else 0.0
            entries.append((index, seen.setdefault((name, time), len(seen)), float(weight)))
    share = np.zeros((len(averages), len(seen)))
    for index, thing, weight in entries:
        share[index, thing] += weight
    target = "" if level in ("grade", "shop", "meter") else "\1" if level == "own" else str(getattr(place, level))
    if level in OWN_IF_EMPTY and not target:
        target = "\1"
    things = list(seen)
    names = np.array([name for name, _ in things], dtype=object)
    times = np.array([time for _, time in things])
    near = (names == target).astype(float) if things else np.zeros(0)
    if months is None:
        return share @ share.T, share @ near
    same = (names[:, None] == names[None, :]).astype(float)
    same *= 0.5 + 0.5 * np.exp(-np.abs(times[:, None] - times[None, :]) / months)
    near = near * (0.5 + 0.5 * np.exp(-np.abs(times - place.months) / months))
    return share @ same @ share.T, share @ near
