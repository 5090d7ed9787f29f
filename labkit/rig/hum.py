"""Hum and phase: what a uniform alternating field leaves at the output, and how two pickups stand to each other.

A mains field is uniform over an instrument: each coil's EMF is turns × mean turn area × sense of winding, whatever its
magnet. A string's signal takes the sign of winding *and* magnet. That is the whole of humbucking.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import Source
from labkit.circuit.solver import solve
from labkit.core.validity import range_called
from labkit.pickup.electrical import Coil, Facing, Wound
from labkit.rig.active_parts import DummyCoil
from labkit.rig.rig import Rig

MAINS_HZ = 100.0
"""Twice 50 Hz, where rectifiers and fields buzz; the choice hardly matters below a kilohertz."""


MISMATCH = range_called("mismatch")


@dataclass(frozen=True, slots=True, kw_only=True)
class HumResidual:
    """Hum of a selection against one coil.

    Attributes
    ----------
    level_db : float
        Hum at the output over the hum the strongest coil alone would give at the same settings, dB.
    reference : str
        That coil, as ``slot.coil``.
    assumptions : tuple of str
        What was assumed because a sheet does not say it.
    """

    level_db: float
    reference: str
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseRow:
    """How two pickups with both switched on stand to each other."""

    same_wind: bool
    same_magnet: bool
    in_phase: bool
    cancels_hum: bool

    def __str__(self) -> str:
        wind = "same wind" if self.same_wind else "opposite wind"
        magnet = "same magnet" if self.same_magnet else "opposite magnet"
        phase = "in phase" if self.in_phase else "out of phase"
        return f"{wind}, {magnet}: {phase}, hum {'cancels' if self.cancels_hum else 'adds'}"


def hum_residual(rig: Rig, *, frequency_hz: float = MAINS_HZ) -> HumResidual:
    """Return the hum of a rig at its present settings against one of its coils.

    Parameters
    ----------
    rig : Rig
    frequency_hz : float, Hz

    Returns
    -------
    HumResidual
        ``level_db`` is −inf when no coil reaches the output.

    Notes
    -----
    Valid for a uniform field, coils of equal orientation and no screening; a field from nearby is not uniform, and
    coils of equal hum may stand at different places in it.
    """
    weights: dict[str, float] = {}
    assumptions: list[str] = []
    for name, coil in _coils(rig).items():
        if coil.turns is None or coil.area is None:
            assumptions.append(f"{name}: turns × area not known, taken as equal to the others")
        if coil.wound is None:
            assumptions.append(f"{name}: winding sense not known, taken as clockwise")
        weights[f"{name}.emf"] = _hum_weight(coil, rig)
    names = [source.name for source in rig.circuit.of_kind(Source)]
    transfers = solve(rig.circuit, np.array([frequency_hz]), per_source=True).transfer[:, 0]
    parts = {name: weights[name] * transfer for name, transfer in zip(names, transfers)}
    strongest = max(parts, key=lambda name: abs(parts[name]))
    whole = abs(sum(parts.values()))
    with np.errstate(divide="ignore"):
        level = float(20 * np.log10(whole / abs(parts[strongest]))) if abs(parts[strongest]) > 0 else -np.inf
    return HumResidual(level_db=level, reference=strongest.removesuffix(".emf"), assumptions=tuple(assumptions))


def mismatch_residual_db(mismatch: float) -> float:
    """Return the hum two opposed coils leave, over one coil, when turns × area differ by a fraction ``mismatch``, dB.

    >>> round(mismatch_residual_db(0.01))
    -40
    """
    MISMATCH.check(mismatch)
    return float(20 * np.log10(mismatch))


def phase_table() -> tuple[PhaseRow, ...]:
    """Return the four ways two pickups can stand to each other.

    >>> print(phase_table()[3])
    opposite wind, opposite magnet: in phase, hum cancels
    """
    return tuple(
        PhaseRow(same_wind=wind, same_magnet=magnet, in_phase=wind == magnet, cancels_hum=not wind)
        for wind, magnet in itertools.product((True, False), repeat=2)
    )


def compare_phase(first: tuple[Wound, Facing], second: tuple[Wound, Facing]) -> PhaseRow:
    """Return how two coils, each given by winding sense and facing pole, stand to each other."""
    same_wind, same_magnet = first[0] == second[0], first[1] == second[1]
    return next(row for row in phase_table() if (row.same_wind, row.same_magnet) == (same_wind, same_magnet))


def _coils(rig: Rig) -> dict[str, Coil]:
    found = {f"{slot}.{name}": coil for slot, pickup in rig.pickups.items() for name, coil in pickup.coils.items()}
    for part in rig.harness.parts.values():
        if isinstance(part, DummyCoil):
            found[f"{part.name}.coil"] = part.coil
    return found


def _hum_weight(coil: Coil, rig: Rig) -> float:
    """Turns × area × sense; where unknown, the mean of the coils that are known (1 when none is)."""
    products = [c.turns * c.area for c in _coils(rig).values() if c.turns is not None and c.area is not None]
    size = coil.turns * coil.area if coil.turns is not None and coil.area is not None else None
    if size is None:
        size = sum(products) / len(products) if products else 1.0
    return -size if coil.wound == "counter-clockwise" else size
