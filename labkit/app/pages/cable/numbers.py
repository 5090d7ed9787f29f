"""Numbers of the cable page: several lengths side by side, a buffer at the guitar, the formula of the resonance.

What a length takes, and how long a cable may be, is judged in `labkit.study.questions.cable`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.app.kit.controls import Control
from labkit.catalogue import catalogue
from labkit.circuit.solve.solver import solve
from labkit.core.grid import REFERENCE_HZ, frequency_grid
from labkit.core.response import gain_db, peak_on_grid
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import BufferBox, BypassBox, with_length
from labkit.rig.rig import Rig
from labkit.study.questions.cable import CableLoss, cable_of
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ

TRIM_REACHES = 0.01
"""How near a trimmed peak must come to the wanted one: the last step of the search is 0.3 pF, far less than that."""
MOST_TRIM = 10e-9
"""Where the search for the capacitance at a buffer's input ends, F."""

BAND_ENDS = (
    Control(
        key="own.from",
        label="Judged from",
        kind="choice",
        unit="Hz",
        positions=(500.0, 1000.0, 1500.0, 2000.0, 2500.0),
        low=50.0,
        high=2500.0,
        bare_unit="Hz",
    ),
    Control(
        key="own.to",
        label="Judged up to",
        kind="choice",
        unit="Hz",
        positions=(3000.0, 4000.0, 5000.0, 6000.0, 8000.0, 10_000.0),
        low=2600.0,
        high=20_000.0,
        bare_unit="Hz",
    ),
)
"""The band in which a loss is judged; apart from each other, so that every choice of one suits the other."""

GRID_HZ = frequency_grid(LOW_HZ, HIGH_HZ, 220)
"""Frequencies of the drawn curves."""
_FINE = frequency_grid()


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One cable of the family: its curve, its peak, and what it takes against the reference length."""

    capacitance: float
    gain_db: np.ndarray
    peak_hz: float | None
    height_db: float | None
    loss: CableLoss

    @property
    def length(self) -> float:
        """Of the cable, m."""
        return self.loss.length


def with_buffer(rig: Rig) -> Rig:
    """Return the rig with a buffer of the catalogue right before its cable."""
    return _before_cable(rig, buffer_stage())


def family(rig: Rig, losses: tuple[CableLoss, ...]) -> tuple[Member, ...]:
    """Return curves and peaks of the rig with the lengths of cable whose losses are given, one solve for all."""
    cable = cable_of(rig)
    capacitances = np.array([with_length(cable, loss.length).capacitance for loss in losses])
    circuit = rig.circuit
    curves = gain_db(solve(circuit, GRID_HZ, {cable.name: capacitances}).transfer)
    bass = gain_db(solve(circuit, np.array([REFERENCE_HZ]), {cable.name: capacitances}).transfer)[:, 0]
    fine = gain_db(solve(circuit, _FINE, {cable.name: capacitances}).transfer)
    peaks, heights = peak_on_grid(_FINE, fine)
    return tuple(
        Member(
            capacitance=float(capacitances[row]),
            gain_db=curves[row],
            peak_hz=None if np.isnan(peaks[row]) else float(peaks[row]),
            height_db=None if np.isnan(peaks[row]) else float(heights[row] - bass[row]),
            loss=loss,
        )
        for row, loss in enumerate(losses)
    )


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
    name = ahead_of or cable_of(rig).name
    place = [old.name for old in rig.chain].index(name)
    return rig.replace(chain=(*rig.chain[:place], stage, *rig.chain[place:]))


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
