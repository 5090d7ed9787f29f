"""Where the doubt of each input of a build comes from: what all coils of a shop, a spool or a lot share, or none do.

The variance of every input of a prediction (`labkit.pickup.predict.plan`) is divided over levels. Coils that share a
level's thing (one spool, one counter) share that part of the deviation, so readings of past coils teach it. The parts
of an input add up to 1: a book without readings predicts what there is without a book. No workshop's records stand
behind the division: all of it is an assumption (common practice, no source), which the learned scales correct.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Literal, get_args

Level = Literal[
    "shop", "machine", "bobbin", "maker", "spool", "grade", "lot", "design", "session", "meter", "coil", "own"
]
"""``session`` is a time at the bench; ``coil`` is what no two coils share; ``own`` the error of a single measurement
of a material, which no scale touches."""

LEVELS: tuple[Level, ...] = get_args(Level)

SHARES: Mapping[str, Mapping[Level, float]] = MappingProxyType(
    {
        "turns": {"machine": 0.8, "coil": 0.2},
        "straight length": {"bobbin": 0.9, "coil": 0.1},
        "end radius": {"bobbin": 0.9, "coil": 0.1},
        "winding height": {"bobbin": 0.75, "coil": 0.25},
        "packing": {"shop": 0.75, "spool": 0.1, "coil": 0.15},
        "stretch": {"machine": 0.7, "coil": 0.3},
        "bare diameter": {"maker": 0.3, "spool": 0.7},
        "film": {"maker": 0.3, "spool": 0.7},
        "copper resistivity": {"spool": 1.0},
        "layer factor": {"shop": 0.9, "coil": 0.1},
        "scatter": {"shop": 0.9, "coil": 0.1},
        "passes of the wire guide": {"machine": 0.9, "coil": 0.1},
        "spacing of the turns": {"shop": 0.9, "coil": 0.1},
        "wax": {"shop": 0.7, "coil": 0.3},
        "temperature": {"session": 0.5, "coil": 0.5},
        "temperature of the session": {"session": 1.0},
        "permeability": {"grade": 0.5, "lot": 0.5},
        "resistivity": {"grade": 0.7, "lot": 0.3},
        "remanence": {"grade": 0.5, "lot": 0.5},
        "coercivity": {"grade": 0.5, "lot": 0.5},
        "pole diameter": {"lot": 0.8, "coil": 0.2},
        "pole length": {"lot": 0.8, "coil": 0.2},
        "lead": {"coil": 1.0},
        "cover capacitance": {"design": 0.7, "coil": 0.3},
        "coupling of the air coils": {"design": 0.7, "coil": 0.3},
        "bar magnet and keeper": {"design": 0.5, "lot": 0.5},
        "model": {"shop": 0.5, "design": 0.5},
        "distance of the sensor": {"session": 0.5, "coil": 0.5},
        "meter": {"meter": 1.0},
        "repeat": {"coil": 1.0},
        "offset": {"shop": 1.0},
        "measured length": {"own": 1.0},
    }
)
"""Part of an input's variance at each level, by the name of the input or its first words."""

DRIFT_MONTHS: Mapping[Level, float] = MappingProxyType({"shop": 24.0, "machine": 24.0, "meter": 36.0})
"""Half the variance of these levels stays, half is forgotten with this time constant (common practice, no source)."""

ScaledPart = Literal["shop and models", "spool", "lot", "coil", "fixed"]

SCALED: Mapping[Level, ScaledPart] = MappingProxyType(
    {
        "shop": "shop and models",
        "machine": "shop and models",
        "bobbin": "shop and models",
        "maker": "shop and models",
        "spool": "spool",
        "grade": "shop and models",
        "lot": "lot",
        "design": "shop and models",
        "session": "fixed",
        "meter": "shop and models",
        "coil": "coil",
        "own": "fixed",
    }
)
"""Which learned factor multiplies the deviations of a level: a shop may scatter more than stated, or less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalePrior:
    """What is taken of a learned factor before any reading: its logarithm is normal about ``middle``."""

    middle: float
    deviation: float
    grid: tuple[float, ...]


SCALE_PRIORS: Mapping[ScaledPart, ScalePrior] = MappingProxyType(
    {
        "coil": ScalePrior(middle=1.6, deviation=0.5, grid=tuple(1.15**step for step in range(-5, 11))),
        "shop and models": ScalePrior(middle=1.5, deviation=0.6, grid=(0.7, 1.0, 1.5, 2.3, 3.5)),
        "spool": ScalePrior(middle=1.6, deviation=0.7, grid=(0.7, 1.0, 1.5, 2.3, 3.5)),
        "lot": ScalePrior(middle=1.5, deviation=0.6, grid=(0.7, 1.0, 1.5, 2.3, 3.5)),
    }
)
"""Assumptions, chosen on simulated shops other than those of docs/reference/learning_study.md. The spool's is the
widest: a book holds few spools, and a wire's standard does not say how those of one shop scatter. A new spool is then
as open as that, until ten metres of it are read."""

SCALE_CORRELATION = 0.6
"""Between the factors of shop, spools and lots: where one scatters more than stated, the others are likely to."""


@lru_cache(maxsize=4096)
def shares_of(name: str) -> Mapping[Level, float]:
    """Return the parts of an input's variance by level; of an input that no line names nothing is learned.

    >>> dict(shares_of("turns of screw"))
    {'machine': 0.8, 'coil': 0.2}
    """
    if name in SHARES:
        return SHARES[name]
    fitting = [key for key in SHARES if name.startswith((f"{key} of ", f"{key}, "))]
    return SHARES[max(fitting, key=len)] if fitting else {"own": 1.0}
