"""A batch judged together: what all its coils share, and each coil's own verdict with what to do next.

Readings of coil i lie about what the book expects by s + e_i: s is shared by the batch (spool, room, counter, meter)
and known as well as the records know it, e_i is each coil's own. A coil is held against the others of its batch, so
what they share cancels. How much coils scatter is learned from the batch by medians and from the records; the worst
coil is taken out and the rest judged again, so bad coils neither widen the scatter nor move the middle, nor teach.

Each of the faults of `labkit.bench.diagnose.faults`, at every size, is weighed against "good" and "something not on the
list" by a multivariate Student's t.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from labkit.book.learn.evidence import LOSS, CoilEvidence, Kind
from labkit.book.learn.faults import FAULTY, UNLISTED, UNLISTED_SPAN, FaultShifts, fault_shifts
from labkit.book.learn.groups import LEAST_OF_A_GROUP, Records, coil_covariance, model_of, robust_scale
from labkit.book.learn.knowledge import Posterior, posterior_of
from labkit.book.learn.levels import shares_of
from labkit.book.learn.prediction import CAUSE_WORDS, cause_keys
from labkit.core.errors import InputError, join_words
from labkit.core.sourced import Interval

NOT_LISTED = "something not on the list"
PASSES, FLAGGED = 0.9, 0.5
"""Probability of a good coil above which it passes, and below which it is flagged; between, it is read again."""

SEVERAL = 25.0
"""Variance, against what is left open of it, of a cause that is out of the usual."""

UNUSUAL = 0.05
"""Probability below which the readings of a batch together are said to lie otherwise than expected."""

LEAST_OF_A_CAUSE = 0.05
"""Probability from which on a cause that all coils share is named."""

LIKE = 0.95
"""Cosine from which on two causes move the readings alike and are never told apart."""

Tier = Literal["good", "read again", "fault"]

READ_AGAIN = (
    "read it again after an hour at the room's temperature, not held in the hand, with the thermometer beside it"
)
READ_LOSS = "read the series resistance at 1 kHz: it tells shorted turns from missing ones"
COUNT_TURNS = "resistance and inductance say so together: weigh the coil against a good one, or count its turns"
READ_TWICE = "read again, each value twice, with temperature and frequency noted; then look at the coil"

CAUSE_CHECKS: Mapping[str, str] = MappingProxyType(
    {
        "counter": "count the turns of one more coil by hand or by a second counter",
        "bobbin": "measure a bobbin of this delivery",
        "packing": "measure the build-up of a coil",
        "tension": "measure the resistance of a coil against its wire's length, and the tension",
        "wire of the spool": "read ten metres of this spool on the ohmmeter",
        "way of laying": "look at how the wire is laid, and its passes",
        "room's temperature": "let a coil lie for an hour beside the thermometer and read it again",
        "magnets or steel": "read field and inductance with poles of another lot",
        "size of the poles": "measure the poles of this lot",
        "meter": "read a known piece on the same meter",
    }
)
"""What settles a shared cause (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilVerdict:
    """One coil of a batch.

    Attributes
    ----------
    serial : str
    good : float
        Probability that nothing is wrong with it.
    tier : "good", "read again" or "fault"
    causes : tuple of (str, str, float)
        Fault, its likeliest size and its probability, likeliest first; those of 1 % and more.
    action : str
        What to do next; empty for a good coil.
    """

    serial: str
    good: float
    tier: Tier
    causes: tuple[tuple[str, str, float], ...]
    action: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedCause:
    """Causes that move the readings of all coils of a batch alike, and by how much they may have done so.

    Attributes
    ----------
    causes : tuple of str
        Likeliest first; where there are several, the readings cannot tell which.
    probability : float
        That one of them was out of the usual, of all causes that are known here and of none.
    shifts : mapping of Kind to Interval
        What they then did to each reading, as ratios less 1.
    check : str
        What would tell.
    """

    causes: tuple[str, ...]
    probability: float
    shifts: Mapping[Kind, Interval]
    check: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchVerdict:
    """A batch judged together.

    Attributes
    ----------
    coils : tuple of CoilVerdict
        In the order of the batch.
    shift : mapping of Kind to Interval
        Of the batch's good coils against what the records expect, as ratios less 1.
    as_expected : float
        Probability that a batch without anything unusual lies so far off or farther, all its readings together.
    shared : tuple of SharedCause
        What may have moved the whole batch, likeliest first.
    scatter : float
        Of its coils against what labkit takes.
    past : int
        Coils of the records that were used.
    """

    coils: tuple[CoilVerdict, ...]
    shift: Mapping[Kind, Interval]
    as_expected: float
    shared: tuple[SharedCause, ...]
    scatter: float
    past: int

    @property
    def good(self) -> tuple[str, ...]:
        """Serials of the coils that are not flagged: those that may teach."""
        return tuple(coil.serial for coil in self.coils if coil.tier != "fault")

    @property
    def moved(self) -> Mapping[Kind, Interval]:
        """Shifts beyond what was expected: none unless all readings together lie so, for one of several often does."""
        if self.as_expected > UNUSUAL:
            return {}
        return {kind: shift for kind, shift in self.shift.items() if shift.low > 0 or shift.high < 0}

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the batch shares, in words."""
        moved = [
            f"{kind.words} {100 * abs(shift.value):.1f} % {'higher' if shift.value > 0 else 'lower'} "
            f"({100 * shift.low:+.1f} to {100 * shift.high:+.1f} %)".replace("-", "−")
            for kind, shift in self.moved.items()
        ]
        if not moved:
            return ("the batch lies where it was expected",)
        said = [f"the whole batch reads otherwise than expected: {', '.join(moved)}"]
        for each in self.shared:
            several = len(each.causes) > 1
            said.append(
                f"{join_words(each.causes, 'or')} may have done it ({100 * each.probability:.0f} %)"
                + ("; they move the readings alike, and these readings cannot tell which" if several else "")
                + (f": {each.check}" if each.check else "")
            )
        return tuple(said)

    def as_dict(self) -> dict[str, object]:
        """Return the JSON form."""

        def ratios(shifts: Mapping[Kind, Interval]) -> list[dict[str, object]]:
            return [{"quantity": kind.words, **shift.as_dict()} for kind, shift in shifts.items()]

        return {
            "coils": [
                {
                    "serial": coil.serial,
                    "p_good": coil.good,
                    "tier": coil.tier,
                    "causes": [{"cause": name, "size": size, "p": part} for name, size, part in coil.causes],
                    "action": coil.action,
                }
                for coil in self.coils
            ],
            "shift": ratios(self.shift),
            "p_as_expected": self.as_expected,
            "common_shift": [
                {
                    "causes": list(each.causes),
                    "p": each.probability,
                    "check": each.check,
                    "shifts": ratios(each.shifts),
                }
                for each in self.shared
            ],
            "said": list(self.sentences),
            "coil_scatter": self.scatter,
            "past_coils": self.past,
        }


def judge_batch(batch: Sequence[CoilEvidence], records: Records | None = None) -> BatchVerdict:
    """Judge coils of one design, wound from one spool and read in one session, against one another and the records.

    Parameters
    ----------
    batch : sequence of CoilEvidence
        Coils that lack a reading are judged by the others; of one place, but for their dates.
    records : Records, optional
        Past coils, without this batch; none for the first batch of a workshop.

    Raises
    ------
    InputError
        If the batch is empty, or of several designs.
    """
    from scipy.special import chdtrc

    records = records or Records()
    if not batch:
        raise InputError("a batch has one coil or more; got none")
    if any(coil.build != batch[0].build for coil in batch):
        raise InputError("a batch is of one design; judge each design by itself")
    kinds = tuple(sorted({kind for coil in batch for kind in coil.readings}))
    build, place = batch[0].build, batch[0].place
    model, names, effects = model_of(build, place, kinds)
    planned = model.at(20.0 if place.celsius is None else place.celsius)
    known = np.isfinite(planned)
    kinds = tuple(kind for kind, is_known in zip(kinds, known) if is_known)
    effects, planned = effects[known], planned[known]
    away = np.array(
        [[kind.logarithm(coil.readings[kind]) if kind in coil.readings else np.nan for kind in kinds] for coil in batch]
    )
    if not kinds or np.isnan(away).all(axis=1).any():
        raise InputError("every coil of a batch needs a reading that its design predicts, such as its resistance")
    posterior = posterior_of(records, place)
    about = _expected(posterior, names, effects)
    judge = _Judge(
        away=away - planned,
        expected=about[0],
        shared=about[1],
        own=coil_covariance(names, effects),
        situations=fault_shifts(build, kinds, 20.0 if place.celsius is None else place.celsius),
        prior=_prior_scatter(posterior),
    )
    weighed = judge.run()
    moved, spread = judge.apart()
    return BatchVerdict(
        coils=tuple(
            _verdict(coil, row, judge.situations, size) for coil, row, size in zip(batch, weighed, judge.sizes)
        ),
        shift=_ratios(kinds, moved, np.sqrt(np.diag(spread))),
        as_expected=float(chdtrc(len(kinds), moved @ np.linalg.solve(spread, moved))),
        shared=_shared_causes(posterior, names, effects, kinds, judge),
        scatter=judge.scatter,
        past=sum(len(group.serials) for group in posterior.used),
    )


def _expected(posterior: Posterior, names: Sequence[str], effects: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if posterior.means.size:
        found = posterior.predict(names, effects)
        return found.mean, found.shared
    weight = np.array([math.fsum(part for level, part in shares_of(name).items() if level != "coil") for name in names])
    return np.zeros(len(effects)), (effects * weight) @ effects.T


def _prior_scatter(posterior: Posterior) -> tuple[float, float]:
    """Middle of the coils' scatter before the batch, and 1/variance of its logarithm."""
    if not posterior.means.size:
        return 1.25, 4.0
    logs = np.log(posterior.coil_scales)
    weights = posterior.weights.sum(axis=0)
    middle = float(weights @ logs)
    return math.exp(middle), 1 / max(float(weights @ (logs - middle) ** 2), 1e-3)


class _Judge:
    """Working state of one batch: who is kept, by how much its coils scatter."""

    def __init__(
        self,
        *,
        away: np.ndarray,
        expected: np.ndarray,
        shared: np.ndarray,
        own: np.ndarray,
        situations: FaultShifts,
        prior: tuple[float, float],
    ) -> None:
        self.away, self.expected, self.situations, self.prior = away, expected, situations, prior
        self.shared = shared + 1e-12 * np.eye(len(expected))
        self.stated = own
        self.root = np.linalg.cholesky(own)
        self.kept = np.ones(len(away), dtype=bool)
        self.scatter, self.own, self.freedom = prior[0], own * prior[0] ** 2, math.inf
        self.sizes: list[np.ndarray] = [np.zeros(0)] * len(away)

    def run(self) -> np.ndarray:
        """Return probabilities of good, of every fault and of what is not listed, shape (coils, 2 + faults)."""
        full = ~np.isnan(self.away).any(axis=1)
        middle, weight = self.prior
        if full.sum() >= LEAST_OF_A_GROUP:
            about = self.away[full] - np.median(self.away[full], axis=0)
            squares = (np.linalg.solve(self.root, about.T) ** 2).sum(axis=0)
            self.scatter, _ = robust_scale([squares], [len(self.expected)], middle=middle, weight=weight)
            self.own = self.stated * self.scatter**2
        found = self._without_the_worst()
        if full.sum() >= LEAST_OF_A_GROUP:
            for _ in range(2):
                self._learn_scatter(full)
                found = self._without_the_worst()
        return found

    def _learn_scatter(self, full: np.ndarray) -> None:
        """Take the scatter from the coils that are kept: its size, and how readings move together."""
        middle, weight = self.prior
        chosen = self.away[self.kept & full]
        if len(chosen) < 2:
            return
        size = len(self.expected)
        apart = np.linalg.solve(self.root, (chosen - chosen.mean(axis=0)).T).T
        known = weight / 2
        square = (known * middle**2 + float((apart**2).sum())) / (known + size * (len(chosen) - 1))
        self.scatter = math.sqrt(square)
        tied = 10 * square * np.eye(size) + apart.T @ apart
        self.own = self.root @ (tied / (9 + len(chosen))) @ self.root.T
        self.freedom = 10.0 + len(chosen) - size

    def _without_the_worst(self) -> np.ndarray:
        """Weigh, take the worst coil out and weigh again; what was out before comes back first where it is good now."""
        if not self.kept.all():
            self.kept |= self._weigh()[:, 0] >= FLAGGED
        while True:
            found = self._weigh()
            good = np.where(self.kept, found[:, 0], 2.0)
            worst = int(good.argmin())
            if good[worst] >= FLAGGED or self.kept.sum() <= max(len(self.away) // 2, 1):
                return found
            self.kept[worst] = False

    def middle(self, without: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and covariance of what the kept coils share.

        ``without`` leaves a coil of that pattern of readings aside: the mean is then that of all, still to be freed
        from the coil (`_others`).
        """
        precision = np.linalg.inv(self.shared)
        read = ~np.isnan(self.away)
        pull = precision @ self.expected
        for pattern in np.unique(read[self.kept], axis=0):
            chosen = self.kept & (read == pattern).all(axis=1)
            inverse = np.linalg.inv(self.own[np.ix_(pattern, pattern)])
            left = int(chosen.sum()) - int(without is not None and bool((pattern == without).all()))
            precision[np.ix_(pattern, pattern)] += left * inverse
            pull[pattern] += inverse @ self.away[chosen][:, pattern].sum(axis=0)
        covariance = np.linalg.inv(precision)
        return (covariance @ pull if without is None else pull), covariance

    def _weigh(self) -> np.ndarray:
        """Weigh every fault of every coil against the others of its batch, shape (coils, 2 + faults)."""
        read = ~np.isnan(self.away)
        found = np.zeros((len(self.away), len(self.situations.names) + 2))
        for pattern in np.unique(read, axis=0):
            for kept in (True, False):
                rows = np.flatnonzero((read == pattern).all(axis=1) & (self.kept == kept))
                if rows.size:
                    found[rows] = self._weighed(rows, pattern, kept)
        return found

    def _weighed(self, rows: np.ndarray, read: np.ndarray, kept: bool) -> np.ndarray:
        away, own = self.away[np.ix_(rows, read)], self.own[np.ix_(read, read)]
        if kept:
            pull, covariance = self.middle(without=read)
            each = np.tile(pull, (rows.size, 1))
            each[:, read] -= away @ np.linalg.inv(own)
            mean = each @ covariance
        else:
            shared, covariance = self.middle()
            mean = np.tile(shared, (rows.size, 1))
        size = int(read.sum())
        root = np.linalg.cholesky(covariance[np.ix_(read, read)] + own)
        shifts = np.vstack([np.zeros(size), self.situations.shifts[:, read]])
        white = np.linalg.inv(root).T
        apart = ((away - mean[:, read]) @ white)[:, None, :] - (shifts @ white)[None]
        square = np.einsum("nsk,nsk->ns", apart, apart)
        free = self.freedom
        logs = -0.5 * square if math.isinf(free) else -0.5 * (free + size) * np.log1p(square / free)
        logs -= float(np.log(np.diag(root)).sum()) + 0.5 * size * math.log(2 * math.pi)
        logs += np.concatenate([[math.log(1 - FAULTY)], self.situations.weights])
        unlisted = math.log(FAULTY * UNLISTED) - size * math.log(UNLISTED_SPAN)
        most = np.maximum(logs.max(axis=1), unlisted)[:, None]
        parts = np.exp(logs - most)
        faults = parts[:, 1:] @ self.situations.members
        weighed = np.column_stack([parts[:, 0], faults, np.exp(unlisted - most[:, 0])])
        for row, sizes in zip(rows.tolist(), parts[:, 1:]):
            self.sizes[row] = sizes
        found: np.ndarray = weighed / weighed.sum(axis=1, keepdims=True)
        return found

    def apart(self) -> tuple[np.ndarray, np.ndarray]:
        """Return by how much the batch's good coils lie off what was expected of them, and its covariance.

        The doubt is that of the expectation and of the mean of the coils together.
        """
        read = ~np.isnan(self.away) & self.kept[:, None]
        count = np.maximum(read.sum(axis=0), 1)
        mean = np.where(read, self.away, 0.0).sum(axis=0) / count
        moved = np.where(read.any(axis=0), mean - self.expected, 0.0)
        return moved, self.shared + self.own / np.sqrt(np.outer(count, count))


def _ratios(kinds: Sequence[Kind], middle: np.ndarray, deviation: np.ndarray) -> dict[Kind, Interval]:
    ends = (middle, middle - 1.959964 * deviation, middle + 1.959964 * deviation)
    value, low, high = (np.expm1(end).tolist() for end in ends)
    return {kind: Interval(value=value[i], low=low[i], high=high[i]) for i, kind in enumerate(kinds)}


def _verdict(coil: CoilEvidence, weighed: np.ndarray, situations: FaultShifts, sizes: np.ndarray) -> CoilVerdict:
    good = float(weighed[0])
    tier: Tier = "good" if good >= PASSES else "read again" if good >= FLAGGED else "fault"
    named = [*situations.names, NOT_LISTED]
    found = []
    for index in np.argsort(weighed[1:])[::-1]:
        if weighed[1 + index] < 0.01:
            break
        size = ""
        if index < len(situations.names):
            own = np.where(situations.fault == index, sizes, -1.0)
            size = situations.sizes[int(own.argmax())]
        found.append((named[index], size, float(weighed[1 + index])))
    return CoilVerdict(
        serial=coil.serial, good=good, tier=tier, causes=tuple(found), action=_action(coil, tier, found, situations)
    )


def _action(coil: CoilEvidence, tier: Tier, causes: Sequence[tuple[str, str, float]], situations: FaultShifts) -> str:
    if tier == "good":
        return ""
    listed = {name for name, _, part in causes if part > 0.05}
    if tier == "read again":
        return f"{READ_AGAIN}; {READ_LOSS}" if "shorted turns" in listed and LOSS not in coil.readings else READ_AGAIN
    first, _, part = causes[0]
    ambiguous = part < 0.8 * sum(each for _, _, each in causes)
    if LOSS not in coil.readings and "shorted turns" in listed and (ambiguous or first == "shorted turns"):
        return READ_LOSS
    if first == NOT_LISTED:
        return READ_TWICE
    if first == "number of turns" and any(kind.quantity == "inductance" for kind in coil.readings):
        return COUNT_TURNS
    return READ_AGAIN if first == "warm coil" else situations.checks[situations.names.index(first)]


def _shared_causes(
    posterior: Posterior, names: Sequence[str], effects: np.ndarray, kinds: Sequence[Kind], judge: _Judge
) -> tuple[SharedCause, ...]:
    """Weigh which cause may have moved the whole batch; causes of one direction are kept together.

    Shift δ of the batch: N(0, S + 25·V) where a group of causes was off by several times what is left open of it (V),
    N(0, S) where nothing out of the usual happened, both with the same weight before.
    """
    moved, spread = judge.apart()
    groups: list[tuple[np.ndarray, list[tuple[float, str]], np.ndarray]] = []
    for column, name in enumerate(names):
        word = next((CAUSE_WORDS[key] for key in cause_keys(name) if key in CAUSE_WORDS), None)
        if word is None:
            continue
        word = "ohmmeter" if name.startswith("meter, resistance") else word
        direction = np.linalg.solve(judge.root, effects[:, column])
        direction = direction / np.linalg.norm(direction)
        for level in shares_of(name):
            if level in ("coil", "own"):
                continue
            across, own = posterior.of_cause(names, effects, name, level)
            open_part = own - posterior.conditioned(across)[1] if posterior.means.size else own
            weight = float(np.trace(np.linalg.solve(judge.stated, open_part)))
            for known, members, total in groups:
                if abs(float(known @ direction)) > LIKE:
                    members.append((weight, word))
                    total += open_part
                    break
            else:
                groups.append((direction, [(weight, word)], open_part.copy()))
    named = []
    for _, members, _ in groups:
        largest = max(weight for weight, _ in members)
        named.append(tuple(dict.fromkeys(w for weight, w in sorted(members, reverse=True) if weight > 0.02 * largest)))
    alike = Counter(named)  # a bobbin may be off in height or in length: one cause, which moves readings in two ways
    logs = [_log_normal(moved, spread)]
    logs += [
        _log_normal(moved, spread + SEVERAL * part) - math.log(len(alike) * alike[words])
        for words, (_, _, part) in zip(named, groups)
    ]
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    found = []
    for words in alike:
        ways = [index for index, each in enumerate(named) if each == words]
        parts = weights[1:][ways]
        probability = float(parts.sum())
        if probability < LEAST_OF_A_CAUSE:
            continue
        middles, squares, moves = [], [], np.zeros(len(kinds), dtype=bool)
        for index in ways:
            part = groups[index][2]
            whole = (1 + SEVERAL) * part
            gain = whole @ np.linalg.inv(spread + SEVERAL * part)
            middles.append(gain @ moved)
            squares.append(np.maximum(np.diag(whole - gain @ whole), 0.0) + middles[-1] ** 2)
            moves |= np.diag(part) > 0
        middle, square = (np.average(each, axis=0, weights=parts) for each in (middles, squares))
        shifts = _ratios(kinds, middle, np.sqrt(np.maximum(square - middle**2, 0.0)))
        checks = dict.fromkeys(CAUSE_CHECKS.get("meter" if word == "ohmmeter" else word, "") for word in words)
        found.append(
            SharedCause(
                causes=words,
                probability=probability,
                shifts=MappingProxyType(
                    {kind: shift for (kind, shift), is_moved in zip(shifts.items(), moves) if is_moved}
                ),
                check="; ".join(check for check in checks if check),
            )
        )
    return tuple(sorted(found, key=lambda each: -each.probability))


def _log_normal(away: np.ndarray, covariance: np.ndarray) -> float:
    root = np.linalg.cholesky(covariance)
    return float(-0.5 * (np.linalg.solve(root, away) ** 2).sum() - np.log(np.diag(root)).sum())
