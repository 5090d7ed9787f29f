"""Invented workshops for the tests and the study: their coils made by drawing every cause, level by level.

Nothing of `labkit.book.learn.knowledge` is used: a spool's wire, a lot's rods, a counter and each coil get their own
draws, these go through labkit's full model of the pickup (or its straight-line form), and meters are added.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from labkit.book.learn.evidence import (
    CAPACITANCE,
    HEIGHT,
    HIGH_LOSS,
    INDUCTANCE,
    LOSS,
    PEAK,
    RESISTANCE,
    CoilEvidence,
    CoilPlace,
    evaluated,
    reading_model,
)
from labkit.book.learn.levels import shares_of
from labkit.book.records import QUANTITIES
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.plan import plan_of
from labkit.pickup.predict.sheet import PickupBuild

KINDS = (RESISTANCE, INDUCTANCE, CAPACITANCE, PEAK, HEIGHT, LOSS, HIGH_LOSS)
READ = 5
"""Kinds that coverage is counted for: the first of `KINDS`."""

COUNTS = (1, 3, 10, 20)
COILS_OF_A_SPOOL, COILS_OF_A_LOT, COILS_OF_A_SESSION, MONTHS_A_COIL = 10, 14, 5, 0.6

SCENARIOS = (
    "as stated",
    "coils scatter twice as much",
    "shop, spools and lots twice",
    "heavy tails",
    "biased model",
    "drift four times as fast",
    "two winders booked as one",
)
BIAS = (-0.02, 0.04, -0.5, -0.03, 0.06, 0.02, 0.1)
"""Of a model that is wrong for the shop, as logarithms, by `KINDS`."""

SECOND_WINDER = {"packing": 0.6, "stretch": 0.8, "layer factor": -0.5}
"""What the other of two winders does differently, in standard deviations."""

DRIFTING = {"shop": 24.0, "machine": 24.0, "meter": 36.0}


@lru_cache(maxsize=1)
def single_coil() -> PickupBuild:
    """Return the build that the shops wind."""
    return load_built("narrow single coil, built").build


def schedule() -> tuple[list[CoilPlace], list[CoilPlace]]:
    """Return where 20 past coils were wound, and where the next after 1, 3, 10 and 20: same spool and lot, new ones."""

    def place(index: int, **other: str | float) -> CoilPlace:
        things: dict[str, str | float] = {
            "spool": f"spool {index // COILS_OF_A_SPOOL}",
            "lot": f"lot {index // COILS_OF_A_LOT}",
            "session": f"session {index // COILS_OF_A_SESSION}",
            "months": index * MONTHS_A_COIL,
        }
        return CoilPlace(**(things | other))  # type: ignore[arg-type]

    past = [place(index) for index in range(max(COUNTS))]
    targets = []
    for count in COUNTS:
        at: dict[str, str | float] = {"session": f"after {count}", "months": count * MONTHS_A_COIL}
        targets.append(place(count - 1, **at))
        targets.append(place(count - 1, **at, spool=f"new after {count}", lot=f"new after {count}"))
    return past, targets


@dataclass(frozen=True, kw_only=True)
class Causes:
    """What is drawn: names, share of every level, size of a meter's or a repeat's own error by kind."""

    names: tuple[str, ...]
    inputs: tuple[str, ...]


@lru_cache(maxsize=1)
def causes() -> Causes:
    plan = plan_of(single_coil())
    inputs = tuple(name for name, doubt in plan.inputs.items() if doubt.deviation)
    errors = tuple(f"{what} {index}" for what in ("meter", "repeat") for index in range(len(KINDS)))
    return Causes(names=(*inputs, *errors), inputs=inputs)


def _share(name: str) -> dict[str, float]:
    if name.startswith("meter "):
        return {"meter": 1.0}
    if name.startswith("repeat "):
        return {"coil": 1.0}
    return dict(shares_of(name))


def drawn(scenario: str, places: list[CoilPlace], shops: int, rng: np.random.Generator) -> np.ndarray:
    """Return every cause of every coil in standard deviations, shape (shops, coils, causes)."""
    names = causes().names
    months = np.array([place.months for place in places])
    found = np.zeros((shops, len(places), len(names)))

    def normal(*shape: int) -> np.ndarray:
        if scenario == "heavy tails":
            return rng.standard_t(3, shape) / np.sqrt(3)
        return rng.normal(size=shape)

    for column, name in enumerate(names):
        for level, share in _share(name).items():
            if level == "coil":
                things = np.arange(len(places))
                factor = 2.0 if scenario == "coils scatter twice as much" else 1.0
            else:
                labels = [str(getattr(place, level, "")) for place in places]
                things = np.unique(labels, return_inverse=True)[1]
                factor = 2.0 if scenario == "shop, spools and lots twice" else 1.0
            part = normal(shops, int(things.max()) + 1)[:, things]
            if level in DRIFTING:
                constant = DRIFTING[level] / (4 if scenario == "drift four times as fast" else 1)
                times, when = np.unique(months, return_inverse=True)
                kept = np.exp(-np.diff(times) / constant)
                walk = np.zeros((shops, times.size))
                walk[:, 0] = normal(shops)
                for step, stay in enumerate(kept):
                    walk[:, step + 1] = stay * walk[:, step] + np.sqrt(1 - stay**2) * normal(shops)
                part = np.sqrt(0.5) * part + np.sqrt(0.5) * walk[:, when]
            found[:, :, column] += factor * np.sqrt(share) * part
    if scenario == "two winders booked as one":
        for name, shift in SECOND_WINDER.items():
            found[:, 1::2, names.index(name)] += shift
    return found


def deviations(scenario: str, causes_drawn: np.ndarray, *, full: bool = True) -> np.ndarray:
    """Return logarithms of the coils' readings over the plan's, shape (shops, coils, kinds).

    Parameters
    ----------
    causes_drawn : ndarray
        From `drawn`.
    full : bool
        Through the full model of the pickup; False takes its straight-line form.
    """
    build = single_coil()
    plan = plan_of(build)
    flat = causes_drawn.reshape(-1, causes_drawn.shape[2])
    inputs = causes().inputs
    if full:
        rows = []
        for start in range(0, len(flat), 2000):
            part = flat[start : start + 2000]
            x = {name: np.full(len(part), float(doubt.value)) for name, doubt in plan.inputs.items()}
            for column, name in enumerate(inputs):
                doubt, z = plan.inputs[name], part[:, column]
                x[name] = (
                    doubt.value * np.exp(doubt.deviation * z)
                    if doubt.scale == "log"
                    else doubt.value + doubt.deviation * z
                )
            values = evaluated(plan, x, KINDS)
            rows.append(np.stack([values[kind] for kind in KINDS], axis=1))
        model = reading_model(build, KINDS, ())
        found = np.concatenate(rows) - model.at(build.temperature_c)
    else:
        model = reading_model(build, KINDS, ())
        columns = [model.names.index(name) if name in model.names else -1 for name in inputs]
        effects = np.stack([model.effects[:, c] if c >= 0 else np.zeros(len(KINDS)) for c in columns], axis=1)
        found = flat[:, : len(inputs)] @ effects.T
    gains = np.array([QUANTITIES[kind.quantity].gain for kind in KINDS])
    repeats = np.array([kind.repeat for kind in KINDS])
    found = (
        found + flat[:, len(inputs) : len(inputs) + len(KINDS)] * gains + flat[:, len(inputs) + len(KINDS) :] * repeats
    )
    if scenario == "biased model":
        found = found + np.array(BIAS)
    return found.reshape(*causes_drawn.shape[:2], len(KINDS))


def evidence(away: np.ndarray, places: list[CoilPlace], kinds=KINDS) -> list[CoilEvidence]:
    """Return coils with readings that lie ``away`` (coils, kinds) from the plan."""
    build = single_coil()
    planned = reading_model(build, KINDS, ()).at(20.0)
    return [
        CoilEvidence(
            serial=f"{index:04d}",
            build=build,
            place=place,
            readings={kind: kind.value(planned[KINDS.index(kind)] + row[KINDS.index(kind)]) for kind in kinds},
        )
        for index, (row, place) in enumerate(zip(away, places))
    ]
