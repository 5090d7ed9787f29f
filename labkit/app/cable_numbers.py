"""Numbers of the cable page: several lengths in one solve, the longest cable, a buffer at the guitar.

Written for a page that asks at every step of a slider: nothing here needs more than a few milliseconds, nor an
optimiser's library. `labkit.study.questions` answers the same questions at leisure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.solver import solve
from labkit.core.errors import InputError
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import gain_db, peak_on_grid
from labkit.rig.chain import Cable, Input, Stage
from labkit.rig.chain_stages import BufferBox, BypassBox, with_length
from labkit.rig.rig import Rig
from labkit.view.curve import HIGH_HZ, LOW_HZ

LONGEST_M = 100.0
"""Where the search for the longest cable ends, m."""
TREBLE_HZ = 3000.0
"""Where dulling is judged at first; common practice, no source."""
TRIM_REACHES = 0.01
"""How near a trimmed peak must come to the wanted one: the last step of the search is 0.3 pF, far less than that."""
MOST_TRIM = 10e-9
"""Where the search for the capacitance at a buffer's input ends, F."""

GRID_HZ = frequency_grid(LOW_HZ, HIGH_HZ, 220)
"""Frequencies of the drawn curves."""
_FINE = frequency_grid()


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One cable of the family.

    ``loss_db`` is what it takes at the judged frequency from the same rig with no cable between its plugs.
    """

    length: float
    capacitance: float
    gain_db: np.ndarray
    peak_hz: float | None
    height_db: float | None
    loss_db: float


def first_cable(rig: Rig) -> Cable | None:
    """Return the first cable after the jack, or None where there is none."""
    return next((stage for stage in rig.chain if isinstance(stage, Cable)), None)


def with_buffer(rig: Rig) -> Rig:
    """Return the rig with a buffer of the catalogue right before its cable."""
    return _before_cable(rig, buffer_stage())


def family(rig: Rig, lengths: tuple[float, ...], judged_hz: float = TREBLE_HZ) -> tuple[Member, ...]:
    """Return curves and numbers for several lengths of the rig's cable, one solve for all."""
    cable = _cable_of(rig)
    wanted = sorted(set(lengths))
    capacitances = np.array([with_length(cable, length).capacitance for length in (0.0, *wanted)])
    circuit = rig.circuit
    curves = gain_db(solve(circuit, GRID_HZ, {cable.name: capacitances}).transfer)
    levels = gain_db(solve(circuit, np.array([REFERENCE_HZ, judged_hz]), {cable.name: capacitances}).transfer)
    fine = gain_db(solve(circuit, _FINE, {cable.name: capacitances}).transfer)
    peaks, heights = peak_on_grid(_FINE, fine)
    return tuple(
        Member(
            length=length,
            capacitance=float(capacitances[row]),
            gain_db=curves[row],
            peak_hz=None if np.isnan(peaks[row]) else float(peaks[row]),
            height_db=None if np.isnan(peaks[row]) else float(heights[row] - levels[row, 0]),
            loss_db=float(levels[0, 1] - levels[row, 1]),
        )
        for row, length in enumerate(wanted, start=1)
    )


def longest_cable(rig: Rig, *, loss_db: float, frequency_hz: float = TREBLE_HZ) -> float | None:
    """Return the longest cable up to which every shorter one loses less than a limit.

    Parameters
    ----------
    rig : Rig
        Its cable gives the capacitance per metre.
    loss_db : float, dB
        Against the same rig with no cable between its plugs.
    frequency_hz : float, Hz

    Returns
    -------
    float or None, m
        To a centimetre; None where 100 m lose less.
    """
    cable, circuit = _cable_of(rig), rig.circuit

    def lost(lengths: np.ndarray) -> np.ndarray:
        capacitances = np.array([with_length(cable, length).capacitance for length in (0.0, *lengths)])
        levels = gain_db(solve(circuit, np.array([frequency_hz]), {cable.name: capacitances}).transfer)[:, 0]
        found: np.ndarray = levels[0] - levels[1:]
        return found

    low, high = 0.0, LONGEST_M
    for points in (401, 26):
        lengths = np.linspace(low, high, points)
        over = np.flatnonzero(lost(lengths) > loss_db)
        if over.size == 0:
            return None
        first = int(over[0])
        low, high = float(lengths[max(first - 1, 0)]), float(lengths[first])
    return low


def trim_for_peak(buffered: Rig, peak_hz: float | None) -> float | None:
    """Return the capacitance across a buffer's input that puts the peak at a frequency, F; None where none does."""
    if peak_hz is None:
        return None
    trimmed = _before_cable(buffered, BypassBox(name="trim", capacitance=1e-12), ahead_of="buffer at the guitar")
    circuit = trimmed.circuit
    low, high = 0.0, MOST_TRIM
    for _ in range(3):
        values = np.linspace(low, high, 33)
        peaks, _heights = peak_on_grid(_FINE, gain_db(solve(circuit, _FINE, {"trim": values}).transfer))
        under = np.flatnonzero(peaks < peak_hz)
        if under.size == 0 or under[0] == 0:
            return None
        low, high = float(values[under[0] - 1]), float(values[under[0]])
    reached = float(peaks[under[0]])
    return (low + high) / 2 if abs(reached / peak_hz - 1) < TRIM_REACHES else None


@lru_cache(maxsize=64)
def cable_type(name: str) -> Cable:
    """Return a cable of the catalogue."""
    return catalogue().load("cable", name)


@lru_cache(maxsize=1)
def buffer_stage() -> BufferBox:
    """Return the buffer that the page puts at the guitar: the first of the catalogue."""
    return replace(catalogue().load("buffer", catalogue().names("buffer")[0]), name="buffer at the guitar")


def _before_cable(rig: Rig, stage: Stage, *, ahead_of: str = "") -> Rig:
    name = ahead_of or _cable_of(rig).name
    place = [old.name for old in rig.chain].index(name)
    return rig.replace(chain=(*rig.chain[:place], stage, *rig.chain[place:]))


def _cable_of(rig: Rig) -> Cable:
    cable = first_cable(rig)
    if cable is None:
        raise InputError(f"'{rig.name}' has no cable after its jack, so there is none to look at")
    return cable


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """A coil and its load as one inductance and one capacitance: f = 1 / (2π√(L·C)), SI."""

    inductance: float
    coil: float
    cable: float
    input: float

    @property
    def capacitance(self) -> float:
        """Coil, cable and input together, F."""
        return self.coil + self.cable + self.input

    @property
    def frequency_hz(self) -> float:
        """1 / (2π√(L·C)), Hz."""
        return float(1 / (2 * np.pi * np.sqrt(self.inductance * self.capacitance)))


def simple_resonance(rig: Rig) -> Resonance | None:
    """Return the rig's resonance by the formula of a coil and a capacitor.

    Pots and core loss are left out, so that the solved peak lies lower. None where the formula does not fit: several
    coils, another chain than cable and input, or a control that takes more than a decibel of the bass (a volume turned
    down puts its track between coil and cable).
    """
    coils = [coil for pickup in rig.pickups.values() for coil in pickup.coils.values()]
    is_plain = len(rig.chain) == 2 and isinstance(rig.chain[0], Cable) and isinstance(rig.chain[1], Input)
    if len(coils) != 1 or not is_plain or gain_db(rig.evaluate(np.array([REFERENCE_HZ])))[0] < -1.0:
        return None
    cable, end = rig.chain
    assert isinstance(cable, Cable)
    assert isinstance(end, Input)
    lead = next(iter(rig.pickups.values())).lead_capacitance
    return Resonance(
        inductance=coils[0].inductance,
        coil=coils[0].capacitance + lead,
        cable=cable.capacitance,
        input=end.capacitance,
    )
