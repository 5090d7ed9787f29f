"""What a length of cable takes from a player, the longest that takes no more than is allowed, and what a buffer saves.

A longer cable moves the peak down, so that one frequency may gain while all above it is lost: judged at 3 kHz alone, a
cable that takes 12 dB at 4 kHz passes. So a length is judged against a shorter one by its −3 dB point and by its level
over a band, where the worst loss inside the band counts. The cable page, the ready question and the command all ask
here; nothing needs more than a few milliseconds, nor an optimiser's library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, REFERENCE_HZ, frequency_grid
from labkit.core.response import Response, gain_db, minus_3db_on_grid, peak_on_grid
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import BufferBox, BypassBox, CableLine, with_length
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_stage

BAND_HZ = (2000.0, 5000.0)
"""Where a loss is judged at first: peak and treble of a loaded pickup; common practice, no source."""
REFERENCE_M = 3.0
"""The cable that a longer one is judged against at first; common practice, no source."""
ALLOWED_DB = 3.0
LOUDER_DB = 1.0
"""From so much on a rise is told (a choice, no source)."""
LINE = "instrument cable as a line"
"""Cable line of the catalogue whose resistance and inductance a cable is taken to have."""
LONGEST_M = 100.0
"""Where the search for the longest cable ends, m."""
SILENCE_DB = -120.0
"""Level at 100 Hz below which nothing reaches the input, so that there is nothing to lose."""
TRIM_REACHES = 0.01
"""How near a trimmed peak must come to the wanted one: the last step of the search is 0.3 pF, far less than that."""
MOST_TRIM = 10e-9
"""Where the search for the capacitance at a buffer's input ends, F."""

_PER_OCTAVE = 96
"""Points of a band: a hump of Q 30 is then read within 0.05 dB."""
_FIRST, _FINER = 241, 26
"""Lengths of the first scan, 3 % apart, and of each of the two that divide the step found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLoss:
    """How much less than before arrives over a band; a gain is negative.

    Attributes
    ----------
    mean_db : float
        Mean of the decibels over the logarithm of frequency: every octave counts alike.
    worst_db : float
        Largest anywhere inside the band.
    worst_hz : float
        Where that is.
    """

    mean_db: float
    worst_db: float
    worst_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CableRise:
    """Where a cable is louder than the reference, because the peak has moved there.

    Attributes
    ----------
    low_hz, high_hz : float
        Band round the largest rise in which it is `LOUDER_DB` and more.
    most_db : float
    """

    low_hz: float
    high_hz: float
    most_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CableLoss:
    """What one length of cable takes.

    Attributes
    ----------
    length : float, m
    minus_3db_hz : float or None
        Highest frequency 3 dB under the level at 100 Hz; None where the curve ends above that.
    band : BandLoss
        Against the reference length.
    dull_from_hz : float or None
        Lowest frequency at which the allowed loss is reached, from 100 Hz up; None where it nowhere is.
    rise : CableRise or None
        None where it is nowhere louder by `LOUDER_DB`.
    """

    length: float
    minus_3db_hz: float | None
    band: BandLoss
    dull_from_hz: float | None
    rise: CableRise | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CableJudgement:
    """A rig's cable against a reference length, and the longest that keeps within the allowed loss.

    Attributes
    ----------
    reference, present, longest : CableLoss
        The longest rounded down to a centimetre, below 1 m to a millimetre.
    is_limited : bool
        False where even the longest length of the search loses no more; that is then the longest.
    allowed_db : float, dB
    band_hz : tuple of float, Hz
    """

    reference: CableLoss
    present: CableLoss
    longest: CableLoss
    is_limited: bool
    allowed_db: float
    band_hz: tuple[float, float]

    @property
    def qualifier(self) -> str:
        """What is promised of the longest cable: ``loses no more than 3 dB anywhere from 2 to 5 kHz against 3 m``."""
        return (
            f"loses no more than {self.allowed_db:g} dB anywhere from {band_text(self.band_hz)} against "
            f"{reference_text(self.reference.length)}"
        )

    @property
    def answer(self) -> str:
        """The longest cable with its qualifier, in one sentence."""
        if not self.is_limited:
            return f"Every cable up to {self.longest.length:g} m {self.qualifier}."
        return f"{length_text(self.longest.length)} is the longest cable that {self.qualifier}."

    @property
    def elsewhere(self) -> str:
        """What the longest cable does to the mean of the band and to the −3 dB point; empty where nothing limits it."""
        if not self.is_limited:
            return ""
        mean, end, was = self.longest.band.mean_db, self.longest.minus_3db_hz, self.reference.minus_3db_hz
        said = f"Averaged over the band the longest {'loses' if mean >= 0 else 'gains'} {abs(mean):.1f} dB"
        if end is not None:
            before = f" instead of {_kilohertz(was)}" if was else ""
            said += f"; it falls away from {_kilohertz(end)}{before} (3 dB down)"
        return f"{said}."


@dataclass(frozen=True, slots=True, kw_only=True)
class CableCurve:
    """A rig with one length of cable: its curve, its peak, and what the cable takes against the reference length.

    Attributes
    ----------
    capacitance : float, F
    gain_db : ndarray, shape (F,), dB
    peak_hz, height_db : float or None
        Resonance and its height over 100 Hz; None where there is no peak.
    loss : CableLoss
    """

    capacitance: float
    gain_db: np.ndarray
    peak_hz: float | None
    height_db: float | None
    loss: CableLoss

    @property
    def length(self) -> float:
        """Of the cable, m."""
        return self.loss.length


def judge_cable(
    rig: Rig,
    *,
    allowed_db: float = ALLOWED_DB,
    band_hz: tuple[float, float] = BAND_HZ,
    reference: float = REFERENCE_M,
    search_to: float = LONGEST_M,
) -> CableJudgement:
    """Return what a rig's cable takes against a reference length, and the longest that keeps within the allowed loss.

    Every length between the reference and the longest keeps the promise, too: the search ends where a loss first goes
    beyond, even if a still longer cable loses less there.

    Parameters
    ----------
    rig : Rig
        The first cable of its chain is the one in question; controls and input as they are set.
    allowed_db : float, dB
        Largest loss anywhere inside the band, above 0.
    band_hz : tuple of float, Hz
        Lower and upper end.
    reference : float, m
        The length judged against; 0 is no cable between the plugs.
    search_to : float, m
        Where the search ends.

    Raises
    ------
    InputError
        If the rig has no cable or nothing reaches its input, or a number lies outside its range.
    """
    if not 0 < allowed_db < math.inf:
        raise InputError(f"the allowed loss must be above 0 dB; got {allowed_db:g} dB")
    if not 0 <= reference < search_to < math.inf:
        raise InputError(f"the reference length must lie from 0 to below {search_to:g} m; got {reference:g} m")
    cable = cable_of(rig)
    if gain_db(rig.evaluate(np.array([REFERENCE_HZ])))[0] < SILENCE_DB:
        raise InputError(f"nothing reaches the input of '{rig.name}' at these settings, so no cable can take anything")

    def lose_too_much(lengths: np.ndarray) -> np.ndarray:
        levels = _levels(rig, _band_grid(band_hz), (reference, *lengths))
        found: np.ndarray = np.max(levels[0] - levels[1:], axis=1) > allowed_db
        return found

    lengths = reference + np.concatenate([[0.0], np.geomspace(0.05, search_to - reference, _FIRST)])
    longest, is_limited = search_to, False
    for _ in range(3):
        beyond = np.flatnonzero(lose_too_much(lengths))
        if beyond.size == 0:
            break
        longest, is_limited = float(lengths[beyond[0] - 1]), True
        lengths = np.linspace(longest, lengths[beyond[0]], _FINER)
    if is_limited:
        # what is shown keeps the promise, too
        step = 100 if longest >= 1 else 1000
        longest = max(reference, math.floor(longest * step) / step)
    first, present, last = cable_losses(
        rig, (reference, cable.length, longest), allowed_db=allowed_db, band_hz=band_hz, reference=reference
    )
    return CableJudgement(
        reference=first, present=present, longest=last, is_limited=is_limited, allowed_db=allowed_db, band_hz=band_hz
    )


def cable_losses(
    rig: Rig,
    lengths: Sequence[float],
    *,
    allowed_db: float = ALLOWED_DB,
    band_hz: tuple[float, float] = BAND_HZ,
    reference: float = REFERENCE_M,
) -> tuple[CableLoss, ...]:
    """Return what each of several lengths of a rig's cable takes against a reference length.

    Parameters
    ----------
    rig, allowed_db, band_hz, reference
        As for `judge_cable`.
    lengths : sequence of float, m
    """
    grid, band = frequency_grid(), _band_grid(band_hz)
    wide = _levels(rig, np.concatenate([[REFERENCE_HZ], grid]), (reference, *lengths))
    ends = minus_3db_on_grid(grid, wide[1:, 1:], wide[1:, 0])
    inside = _levels(rig, band, (reference, *lengths))
    above = grid > REFERENCE_HZ
    return tuple(
        CableLoss(
            length=float(length),
            minus_3db_hz=None if np.isnan(end) else float(end),
            band=_band_loss(band, levels),
            dull_from_hz=_first_reached(grid[above], losses[above], allowed_db),
            rise=_rise(grid[above], -losses[above]),
        )
        for length, end, levels, losses in zip(lengths, ends, inside[0] - inside[1:], wide[0, 1:] - wide[1:, 1:])
    )


def cable_curves(rig: Rig, losses: Sequence[CableLoss], frequency_hz: np.ndarray) -> tuple[CableCurve, ...]:
    """Return curves and peaks of a rig with the lengths of cable whose losses are given, one solve for all.

    Parameters
    ----------
    rig : Rig
        With a cable; its other stages and controls as they are set.
    losses : sequence of CableLoss
        As `cable_losses` gives them.
    frequency_hz : ndarray, shape (F,), Hz
        Of the curves; peaks are read off the usual grid.
    """
    fine = frequency_grid()
    lengths = [loss.length for loss in losses]
    curves, bass = _levels(rig, frequency_hz, lengths), _levels(rig, np.array([REFERENCE_HZ]), lengths)[:, 0]
    peaks, heights = peak_on_grid(fine, _levels(rig, fine, lengths))
    return tuple(
        CableCurve(
            capacitance=with_length(cable_of(rig), loss.length).capacitance,
            gain_db=curves[row],
            peak_hz=None if np.isnan(peaks[row]) else float(peaks[row]),
            height_db=None if np.isnan(peaks[row]) else float(heights[row] - bass[row]),
            loss=loss,
        )
        for row, loss in enumerate(losses)
    )


def band_loss(before: Response, after: Response, band_hz: tuple[float, float] = BAND_HZ) -> BandLoss:
    """Return how much less arrives over a band with one response than with another."""
    grid = _band_grid(band_hz)
    return _band_loss(grid, gain_db(before.at(grid)) - gain_db(after.at(grid)))


def line_differences_db(rig: Rig, lengths: Sequence[float], *, line: str = LINE) -> np.ndarray:
    """Return how far a cable's own resistance and inductance move a rig's curve, against its capacitance alone.

    Parameters
    ----------
    rig : Rig
        The first cable of its chain is the one asked about.
    lengths : sequence of float, m
    line : str
        A cable line of the catalogue, whose resistance, inductance and dielectric loss are taken.

    Returns
    -------
    ndarray, shape (lengths,), dB
        Largest difference of level anywhere from 20 Hz to 20 kHz.
    """
    cable = cable_of(rig)
    item = read_stage(CableLine.kind, cable.name, Table({"kind": CableLine.kind, "use": line}, "cable line"))
    assert isinstance(item, CableLine)
    grid = frequency_grid(LOWEST_HZ, HIGHEST_HZ, 128)
    found = np.empty(len(lengths))
    for place, length in enumerate(lengths):
        # plugs and all capacitance are spread along the line: both have the same whole
        lumped = rig.with_stage(with_length(cable, length))
        per_length = replace(cable, length=length).capacitance / length
        drawn = rig.with_stage(replace(item, length=length, capacitance_per_length=per_length))
        ratio = np.abs(drawn.evaluate(grid) / lumped.evaluate(grid))
        found[place] = np.max(np.abs(20 * np.log10(ratio)))
    return found


def first_cable(rig: Rig) -> Cable | None:
    """Return the first cable after the jack, or None where there is none."""
    return next((stage for stage in rig.chain if isinstance(stage, Cable)), None)


def cable_of(rig: Rig) -> Cable:
    """Return the first cable after the jack; InputError where there is none."""
    cable = first_cable(rig)
    if cable is None:
        raise InputError(f"'{rig.name}' has no cable after its jack, so there is none to look at")
    return cable


def band_text(band_hz: tuple[float, float]) -> str:
    """Write a band.

    >>> band_text((2000.0, 5000.0)), band_text((800.0, 2500.0))
    ('2 to 5 kHz', '800 Hz to 2.5 kHz')
    """
    low, high = band_hz
    if low >= 1000:
        return f"{float(f'{low / 1e3:.3g}'):g} to {float(f'{high / 1e3:.3g}'):g} kHz"
    return " to ".join(format_quantity(float(f"{end:.3g}"), "Hz") for end in band_hz)


def reference_text(length: float) -> str:
    """Write what a cable is judged against: ``3 m``, or ``no cable`` for 0 m."""
    return length_text(length) if length > 0 else "no cable"


def length_text(length: float) -> str:
    """Write a length.

    >>> length_text(7.5), length_text(11.62)
    ('7.5 m', '11.62 m')
    """
    return f"{float(f'{length:.4g}'):g} m"


def with_buffer(rig: Rig) -> Rig:
    """Return the rig with a buffer of the catalogue right before its cable."""
    return _before_cable(rig, buffer_stage())


def trim_for_peak(buffered: Rig, peak_hz: float | None) -> float | None:
    """Return the capacitance across a buffer's input that puts the peak at a frequency, F; None where none does.

    Parameters
    ----------
    buffered : Rig
        As `with_buffer` gives it.
    peak_hz : float or None, Hz
    """
    if peak_hz is None:
        return None
    trimmed = _before_cable(buffered, BypassBox(name="trim", capacitance=1e-12), ahead_of="buffer at the guitar")
    circuit, grid = trimmed.circuit, frequency_grid()
    low, high = 0.0, MOST_TRIM
    for _ in range(3):
        values = np.linspace(low, high, 33)
        peaks, _heights = peak_on_grid(grid, gain_db(solve(circuit, grid, {"trim": values}).transfer))
        under = np.flatnonzero(peaks < peak_hz)
        if under.size == 0 or under[0] == 0:
            return None
        low, high = float(values[under[0] - 1]), float(values[under[0]])
    reached = float(peaks[under[0]])
    return (low + high) / 2 if abs(reached / peak_hz - 1) < TRIM_REACHES else None


@lru_cache(maxsize=64)
def cable_type(name: str) -> Cable:
    """Return a cable of the catalogue."""
    found: Cable = catalogue().load("cable", name)
    return found


@lru_cache(maxsize=1)
def buffer_stage() -> BufferBox:
    """Return the buffer that the page puts at the guitar: the first of the catalogue."""
    found: BufferBox = catalogue().load("buffer", catalogue().names("buffer")[0])
    return replace(found, name="buffer at the guitar")


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


def _before_cable(rig: Rig, stage: Stage, *, ahead_of: str = "") -> Rig:
    name = ahead_of or cable_of(rig).name
    place = [old.name for old in rig.chain].index(name)
    return rig.replace(chain=(*rig.chain[:place], stage, *rig.chain[place:]))


def _band_grid(band_hz: tuple[float, float]) -> np.ndarray:
    low, high = band_hz
    if not LOWEST_HZ <= low < high <= HIGHEST_HZ:
        raise InputError(
            f"a band must rise and lie between {LOWEST_HZ:g} Hz and {HIGHEST_HZ / 1e3:g} kHz; got {low:g} Hz to "
            f"{high:g} Hz"
        )
    return frequency_grid(low, high, 2 + math.ceil(_PER_OCTAVE * math.log2(high / low)))


def _levels(rig: Rig, frequency_hz: np.ndarray, lengths: Sequence[float]) -> np.ndarray:
    """Levels for several lengths of the rig's cable, shape (lengths, F), dB; one solve for all."""
    cable = cable_of(rig)
    capacitances = cable.in_lengths(np.array(lengths, dtype=float))
    return gain_db(solve(rig.circuit, frequency_hz, {cable.name: capacitances}).transfer)


def _band_loss(frequency_hz: np.ndarray, loss_db: np.ndarray) -> BandLoss:
    octave = np.log(frequency_hz)
    worst = int(np.argmax(loss_db))
    return BandLoss(
        mean_db=float(np.trapezoid(loss_db, octave) / (octave[-1] - octave[0])),
        worst_db=float(loss_db[worst]),
        worst_hz=float(frequency_hz[worst]),
    )


def _first_reached(frequency_hz: np.ndarray, loss_db: np.ndarray, limit_db: float) -> float | None:
    """Lowest frequency at which a loss reaches a limit, interpolated over the logarithm of frequency."""
    reached = np.flatnonzero(loss_db >= limit_db)
    if reached.size == 0:
        return None
    at = int(reached[0])
    if at == 0:
        return float(frequency_hz[0])
    below, here = loss_db[at - 1], loss_db[at]
    part = (limit_db - below) / (here - below)
    low, high = np.log(frequency_hz[at - 1 : at + 1])
    return float(np.exp(low + part * (high - low)))


def _rise(frequency_hz: np.ndarray, gain_db: np.ndarray) -> CableRise | None:
    """The band round the largest gain in which it is `LOUDER_DB` and more."""
    most = int(np.argmax(gain_db))
    if gain_db[most] < LOUDER_DB:
        return None
    under = gain_db < LOUDER_DB
    below, above = np.flatnonzero(under[:most]), np.flatnonzero(under[most:])
    first = int(below[-1]) + 1 if below.size else 0
    last = most + int(above[0]) - 1 if above.size else gain_db.size - 1
    return CableRise(low_hz=float(frequency_hz[first]), high_hz=float(frequency_hz[last]), most_db=float(gain_db[most]))


def _kilohertz(frequency_hz: float) -> str:
    return format_quantity(float(f"{frequency_hz:.3g}"), "Hz", digits=3)
