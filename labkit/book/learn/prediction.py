"""A prediction made with the book: every value of a built pickup before and after, what was used, and why in words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, get_args

import numpy as np

from labkit.book.learn.evidence import NEXT_READINGS, RESISTANCE, CoilPlace, Kind, Quantity, offset_of
from labkit.book.learn.groups import CoilGroup, Records, model_of
from labkit.book.learn.knowledge import CONFLICT, Posterior, posterior_of
from labkit.book.learn.levels import SHARES, shares_of
from labkit.book.records import QUANTITIES
from labkit.core.errors import join_words
from labkit.core.sourced import Interval
from labkit.pickup.predict.built import BuiltCoil, BuiltPickup
from labkit.pickup.predict.propagation import Prediction, prediction
from labkit.pickup.predict.sheet import PickupBuild

WIDER = 1.02
"""A ratio of widths from which on a value is said to be less sure with the book than without."""

LEARNED, OF_ALL = 0.3, 0.05
"""A cause is called learned when the records took this part of its variance, and it had that part of the whole."""

CAUSE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "turns": "counter",
        "straight length": "bobbin",
        "end radius": "bobbin",
        "winding height": "bobbin",
        "packing": "packing",
        "stretch": "tension",
        "bare diameter": "wire of the spool",
        "film": "wire of the spool",
        "copper resistivity": "wire of the spool",
        "layer factor": "way of laying",
        "scatter": "way of laying",
        "spacing of the turns": "way of laying",
        "passes of the wire guide": "wire guide",
        "wax": "wax",
        "temperature": "room's temperature",
        "temperature of the session": "room's temperature",
        "permeability": "magnets or steel",
        "resistivity": "magnets or steel",
        "remanence": "magnets or steel",
        "coercivity": "magnets or steel",
        "pole diameter": "size of the poles",
        "pole length": "size of the poles",
        "cover capacitance": "cover",
        "coupling of the air coils": "places of the coils",
        "bar magnet and keeper": "bar magnet",
        "model": "labkit's own models",
        "offset": "labkit's own models",
        "distance of the sensor": "gap of the probe",
        "meter": "meter",
    }
)
"""Causes as a workshop says them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """One value of the next coil: without the book and with it, and which causes the records have made smaller."""

    kind: Kind
    before: Interval
    after: Interval
    causes: tuple[str, ...]

    @property
    def unit(self) -> str:
        """SI symbol, or dB."""
        return QUANTITIES[self.kind.quantity].unit

    @property
    def is_wider(self) -> bool:
        """Whether the book makes the value less sure: it tells of more scatter than the plan takes."""
        return self.after.high - self.after.low > WIDER * (self.before.high - self.before.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Readings that the plan's own doubts can hardly explain: how likely, and what to check."""

    probability: float
    kind: Kind
    shift: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What a book says of the next coil of a build at a place.

    Attributes
    ----------
    place : CoilPlace
    next_readings : tuple of Learned
        As the workshop's meters will show them.
    coils, of_spool, of_lot, of_design : int
        Coils used, and of them those of this spool, lot and design.
    passed_over : int
        Older coils of a large book that would add little, and were not taken in.
    left_out : mapping of str to str
        Serial and why.
    coil_scale : float
        How much this shop's coils scatter against what labkit takes.
    conflict : Conflict or None
    """

    place: CoilPlace
    next_readings: tuple[Learned, ...]
    coils: int
    of_spool: int
    of_lot: int
    of_design: int
    passed_over: int
    left_out: Mapping[str, str]
    coil_scale: float
    conflict: Conflict | None

    @property
    def causes(self) -> tuple[str, ...]:
        """Every cause that the records have made smaller."""
        return tuple(dict.fromkeys(cause for item in self.next_readings for cause in item.causes))

    @property
    def wider(self) -> str:
        """Which values are less sure with the book than without it, and why; empty where none is."""
        of_new_spool = [] if self.of_spool else [RESISTANCE]
        wider = [item.kind for item in self.next_readings if item.is_wider]
        said = []
        if others := [kind.words for kind in wider if kind not in of_new_spool]:
            said.append(f"{join_words(others, 'and')}, since what this shop has read scatters more than labkit takes")
        if any(kind in of_new_spool for kind in wider):
            said.append(
                f"{RESISTANCE.words}, since few spools tell how those of a shop scatter, and this one is new to the "
                "book (ten metres of it on the ohmmeter narrow it)"
            )
        return f"less sure than without the book: {'; '.join(said)}" if said else ""

    @property
    def sentence(self) -> str:
        """What was used and what it taught.

        A reading that contradicts the plan is said in ``conflict``.
        """
        if not self.coils:
            return "no coil of the book teaches this: the prediction is that without the book"
        of = [
            f"{count} of this {thing}"
            for count, thing in ((self.of_design, "design"), (self.of_spool, "spool"), (self.of_lot, "magnet lot"))
            if count
        ]
        said = f"{_counted(self.coils, 'coil')}" + (f", {join_words(of, 'and')}" if of else "")
        said += f"; learned: {join_words(self.causes, 'and')}" if self.causes else "; nothing of it narrows this build"
        said += f"; {self.wider}" if self.wider else ""
        if self.passed_over:
            said += f"; {_counted(self.passed_over, 'older coil')} passed over"
        if self.left_out:
            reasons = Counter(self.left_out.values())
            said += "; left out: " + "; ".join(f"{_counted(n, 'coil')} ({why})" for why, n in reasons.items())
        return said

    def as_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "used": {
                "coils": self.coils,
                "of_design": self.of_design,
                "of_spool": self.of_spool,
                "of_lot": self.of_lot,
                "passed_over": self.passed_over,
            },
            "left_out": dict(self.left_out),
            "why": self.sentence,
            "coil_scatter": self.coil_scale,
            "conflict": None
            if self.conflict is None
            else {"probability": self.conflict.probability, "sentence": self.conflict.sentence},
            "next_readings": [
                {
                    "quantity": item.kind.words,
                    "unit": item.unit,
                    **item.after.as_dict(),
                    "without_book": item.before.as_dict(),
                    "learned": list(item.causes),
                }
                for item in self.next_readings
            ],
        }


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


def knowledge(
    records: Records, build: PickupBuild, place: CoilPlace, *, kinds: Sequence[Kind] = NEXT_READINGS
) -> Knowledge:
    """Return what the records say of the next coil of a build.

    Parameters
    ----------
    records : Records
    build : PickupBuild
    place : CoilPlace
        Where it will be wound: a spool or lot that is new to the records widens the interval again.
    kinds : sequence of Kind
        Readings wanted.
    """
    return _knowledge(records, build, place, kinds, posterior_of(records, place))


def _knowledge(
    records: Records, build: PickupBuild, place: CoilPlace, kinds: Sequence[Kind], posterior: Posterior
) -> Knowledge:
    model, names, effects = model_of(build, place, tuple(kinds))
    planned = model.at(build.temperature_c if place.celsius is None else place.celsius)
    known = np.flatnonzero(np.isfinite(planned))
    effects = effects[known]
    found = posterior.predict(names, effects)
    plain = np.array([not name.startswith("offset, ") for name in names])
    before = 1.959964 * np.sqrt((effects[:, plain] ** 2).sum(axis=1))
    items = []
    causes = learned_causes(posterior, names, effects)
    read = _read_quantities(posterior)
    for row, index in enumerate(known.tolist()):
        kind, middle = kinds[index], planned[index]
        without = _interval(kind, middle, -before[row], 0.0, before[row])
        with_it = _interval(kind, middle, found.low[row], found.mean[row], found.high[row])
        kept = kind.quantity not in read and found.high[row] - found.low[row] > 2 * before[row]
        items.append(
            Learned(kind=kind, before=without, after=without if kept else with_it, causes=() if kept else causes[row])
        )
    used = posterior.used
    counts = [
        sum(len(group.serials) for group in used if thing and getattr(group.place, name) == thing)
        for name, thing in (("spool", place.spool), ("lot", place.lot))
    ]
    return Knowledge(
        place=place,
        next_readings=tuple(items),
        coils=sum(len(group.serials) for group in used),
        of_spool=counts[0],
        of_lot=counts[1],
        of_design=sum(len(group.serials) for group in used if _is_of(group, build, place)),
        passed_over=records.coils + records.unread - sum(len(group.serials) for group in used),
        left_out=records.left_out,
        coil_scale=posterior.coil_scale,
        conflict=conflict_of(posterior, build, place),
    )


def _read_quantities(posterior: Posterior) -> set[Quantity]:
    """What the records have read of coils: what they have not is never made wider than without them."""
    return {kind.quantity for group in posterior.used for kind in group.kinds}


def _is_of(group: CoilGroup, build: PickupBuild, place: CoilPlace) -> bool:
    if group.build is None:
        return False
    return group.build == build or bool(place.design and group.place.design == place.design)


def _interval(kind: Kind, planned: float, low: float, middle: float, high: float) -> Interval:
    ends = [float(kind.value(planned + part)) for part in (middle, low, high)]
    return Interval(value=ends[0], low=ends[1], high=ends[2])


def learned_causes(posterior: Posterior, names: Sequence[str], effects: np.ndarray) -> list[tuple[str, ...]]:
    """Return for each target the causes, in words, whose variance the records have taken a good part of."""
    if not posterior.means.size:
        return [()] * len(effects)
    whole = (effects**2).sum(axis=1)
    taken: list[dict[str, float]] = [{} for _ in effects]
    had: list[dict[str, float]] = [{} for _ in effects]
    for name in names:
        word = next((CAUSE_WORDS[key] for key in cause_keys(name) if key in CAUSE_WORDS), None)
        if word is None or name not in posterior.names:
            continue
        for level in shares_of(name):
            if level in ("coil", "own"):
                continue
            across, own = posterior.of_cause(names, effects, name, level)
            _, less = posterior.conditioned(across)
            for row in range(len(effects)):
                taken[row][word] = taken[row].get(word, 0.0) + float(less[row, row])
                had[row][word] = had[row].get(word, 0.0) + float(own[row, row])
    return [
        tuple(
            word
            for word, part in sorted(taken[row].items(), key=lambda pair: -pair[1])
            if had[row][word] > OF_ALL * whole[row] and part > LEARNED * had[row][word]
        )
        for row in range(len(effects))
    ]


def cause_keys(name: str) -> list[str]:
    """Return the lines of `SHARES` that a cause falls under, closest first."""
    fitting = [key for key in SHARES if name == key or name.startswith((f"{key} of ", f"{key}, "))]
    return sorted(fitting, key=len, reverse=True)


def conflict_of(posterior: Posterior, build: PickupBuild, place: CoilPlace) -> Conflict | None:
    """Say whether the readings contradict the plan: m'(S₀ − S₁)⁻¹m against χ², with scatter as the plan states it."""
    from scipy.special import chdtrc

    kinds = tuple(
        dict.fromkeys(kind for group in posterior.used if _is_of(group, build, place) for kind in group.kinds)
    )
    if not kinds:
        return None
    _, names, effects = model_of(build, place, kinds)
    effects = effects * np.array([not name.startswith("offset, ") for name in names])
    mean, less = posterior.conditioned(posterior.shared_parts(names, effects)[0].sum(axis=0), stated=True)
    size = np.sqrt(np.diag(less))
    values, vectors = np.linalg.eigh(less / np.outer(size, size))
    firm = values > 1e-3
    along = vectors[:, firm].T @ (mean / size)
    joint = float(chdtrc(int(firm.sum()), float((along**2 / values[firm]).sum())))
    single = len(kinds) * float(chdtrc(1, float(np.abs(mean / size).max() ** 2)))
    probability = min(joint, single)
    if probability >= CONFLICT:
        return None
    row = int(np.abs(mean / size).argmax())
    kind, shift = kinds[row], float(mean[row])
    side = "higher" if shift > 0 else "lower"
    return Conflict(
        probability=probability,
        kind=kind,
        shift=shift,
        sentence=f"{kind.words} runs {100 * abs(math.expm1(shift)):.1f} % {side} than planned, and the readings "
        f"together lie where fewer than 1 of {1 / CONFLICT:.0f} shops would: check {QUANTITIES[kind.quantity].check}",
    )


def with_book(built: BuiltPickup, records: Records, place: CoilPlace) -> tuple[BuiltPickup, Knowledge]:
    """Return a built pickup as this workshop will wind it, and what the book knows.

    Resistance, inductance, capacitance, losses, peaks and field over the poles follow the records; output over the
    strings, coupling and hum stay as predicted without them. An empty book changes nothing.

    Parameters
    ----------
    built : BuiltPickup
    records : Records
    place : CoilPlace

    Returns
    -------
    tuple of BuiltPickup and Knowledge
    """
    posterior = posterior_of(records, place)
    known = _knowledge(records, built.build, place, NEXT_READINGS, posterior)
    if not known.coils and not posterior.means.size:
        return built, known
    targets: list[tuple[Prediction, Quantity | None, bool]] = []

    def add(item: Prediction | None, quantity: Quantity | None, *, log: bool = True) -> int:
        if item is None or not item.contributions or any(part.draws for part in item.contributions):
            return -1
        targets.append((item, quantity, log))
        return len(targets) - 1

    coils = {"": built.total, **built.coils}
    places = {
        name: {
            key: add(getattr(coil, key), key if key in get_args(Quantity) else None)  # type: ignore[arg-type]
            for key in (
                "resistance",
                "inductance",
                "capacitance",
                "air_inductance",
                "mean_turn",
                "wire_length",
                "build_up",
            )
        }
        for name, coil in coils.items()
    }
    resonance = add(built.resonance, "peak")
    loaded = add(built.loaded_resonance, "peak")
    height = add(built.loaded_height_db, "height", log=False)
    losses = {hz: add(item, None) for hz, item in built.loss_resistance.items()}
    fields = [add(item, "field") for item in built.field_t]
    if not targets:
        return built, known
    after = _after(posterior, targets)

    def changed(coil: BuiltCoil, rows: Mapping[str, int]) -> BuiltCoil:
        new: dict[str, Any] = {key: after[row] for key, row in rows.items() if row >= 0}
        return replace(coil, **new)

    new = {name: changed(coil, places[name]) for name, coil in coils.items()}
    total = new.pop("")
    electrical = {
        name: replace(
            coil,
            **{
                key: getattr(coil, key) * getattr(new[name], key).value / getattr(built.coils[name], key).value
                for key in ("resistance", "inductance", "capacitance")
                if getattr(built.coils[name], key).value
            },
        )
        for name, coil in built.pickup.coils.items()
        if name in new
    }
    return (
        replace(
            built,
            coils=MappingProxyType(new),
            total=total,
            loss_resistance=MappingProxyType(
                {hz: after[row] if row >= 0 else built.loss_resistance[hz] for hz, row in losses.items()}
            ),
            resonance=after[resonance] if resonance >= 0 else built.resonance,
            loaded_resonance=after[loaded] if loaded >= 0 else built.loaded_resonance,
            loaded_height_db=after[height] if height >= 0 else built.loaded_height_db,
            field_t=tuple(after[row] if row >= 0 else item for row, item in zip(fields, built.field_t)),
            pickup=replace(built.pickup, coils={**built.pickup.coils, **electrical}),
        ),
        known,
    )


def _after(posterior: Posterior, targets: Sequence[tuple[Prediction, Quantity | None, bool]]) -> list[Prediction]:
    """Return predictions with the records: their causes are each coil's own ones, and what the records leave open."""
    names = list(dict.fromkeys(part.name for item, _, _ in targets for part in item.contributions))
    causes = [*names, *(f"offset, {quantity}" for quantity in get_args(Quantity))]
    effects = np.zeros((len(targets), len(causes)))
    for row, (item, quantity, log) in enumerate(targets):
        for part in item.contributions:
            effects[row, causes.index(part.name)] = part.deviation
        if quantity is not None:
            size = offset_of(quantity)
            effects[row, causes.index(f"offset, {quantity}")] = size if log else size * 20 / math.log(10)
    found = posterior.predict(causes, effects)
    open_parts = _one_after_another(found.shared)
    own = {name: math.sqrt(shares_of(name).get("coil", 0.0)) * posterior.coil_scale for name in names}
    after = []
    read = _read_quantities(posterior)
    for row, (item, quantity, log) in enumerate(targets):
        parts = {f"{name}, coil by coil": effects[row, column] * own[name] for column, name in enumerate(names)}
        parts |= {f"left open by the book, {index + 1}": part for index, part in enumerate(open_parts[row].tolist())}
        width, wider = math.log(item.high / item.low) if log else item.high - item.low, found.high[row] - found.low[row]
        kept = quantity not in read and wider > width
        if kept:  # as wide as without the book, but still tied to what the book knows of the others
            parts = {name: part * width / wider for name, part in parts.items()}
        parts = {name: part for name, part in parts.items() if abs(part) > 1e-6 * (1 if log else 10)}
        if kept:
            after.append(replace(prediction(item.value, parts, log=log), low=item.low, high=item.high))
            continue
        value = item.value * math.exp(found.mean[row]) if log else item.value + float(found.mean[row])
        ends = [
            item.value * math.exp(end[row]) if log else item.value + float(end[row]) for end in (found.low, found.high)
        ]
        after.append(replace(prediction(value, parts, log=log), low=ends[0], high=ends[1]))
    return after


def _one_after_another(covariance: np.ndarray) -> np.ndarray:
    """Return independent parts of targets with a covariance, shape (targets, parts): the first holds all of the first.

    Rows are the targets' parts; a target that the ones before it settle adds none.
    """
    left = covariance.copy()
    parts = []
    for row in range(len(left)):
        if left[row, row] > 1e-6 * covariance[row, row] > 0:
            parts.append(left[:, row] / math.sqrt(left[row, row]))
            left = left - np.outer(parts[-1], parts[-1])
    return np.array(parts).T if parts else np.zeros((len(covariance), 0))
