"""From a recording to the flux that a string takes along when it is lifted or let down: pulses, found and integrated.

An input passes no steady voltage: behind its coupling capacitors the integral V of every pulse sinks back to nothing.
With two first-order corners ω1, ω2 the flux is V + s·∫V + p·∫∫V, s = ω1 + ω2, p = ω1·ω2. Before and after a pulse flux
rests, so s, p and every step follow from one linear fit to the rests of all pulses. Averages over one period of the
mains, twice, take hum and its harmonics out of all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from labkit.core.errors import InputError, join_words
from labkit.core.wav import open_wav, read_block

LONGEST_S = 120.0
REST_S = 0.4
"""Of rest that is read before and after a pulse."""

SLOWEST_S = 0.5
"""A string that takes longer from one height to the other is not read: drift and corner would decide."""

FEWEST = 6
"""Good pulses that make a reading, three lifts with their returns: from fewer nobody can tell their scatter."""

MOST_SCATTER = 0.15
"""One standard deviation of the mean of the pulses, over the mean."""

_WORKING_RATE = 2000.0
_DRIFT_TERMS = 4  # a cubic: what an offset and a slow wander of the voltage leave in its integral
_CORNERS = 2 * math.pi * np.geomspace(0.1, 16.0, 18)  # rad/s
_CORNER_GRID = [(0.0, 0.0)] + [(one, other) for one in _CORNERS for other in (0.0, *_CORNERS) if other <= one]
_ROUNDS = 5  # where a pulse ends is told from its flux, and its flux from the rests beside it
_LEAST_PART = 0.01  # of the greatest voltage that is looked at: a slow lift is low beside a string let go
_LEAST_FLUX = 0.2  # of the greatest flux that counts as a pulse
_EDGE_PART = 0.1  # of its own greatest voltage at which a pulse begins and ends, at first
_AT_REST = 0.01  # of its step within which flux comes to rest
_SETTLED_S, _SETTLED_PART = 0.008, 0.1  # added to either side of a pulse, for the last part of the way
_LEAST_OVER_NOISE = 8.0
_MERGED_S = 0.12
_WANDER_S = 1.2  # twice a slow pulse and more: the middle voltage of so long a stretch is drift
_FLAT_RUN, _FLAT_LEVEL = 3, 0.5  # equal neighbours at the extreme value, above half of full scale: clipped
_OUTLIER_PART, _OUTLIER_DEVIATIONS = 0.08, 5.0
_SILENT, _UNHEARD = "the recording is silent", "no pulse stands out of noise and hum"


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftRecording:
    """One string, lifted and let down several times.

    Attributes
    ----------
    name : str
        For messages.
    rate : int, Hz
    samples : ndarray, shape (n,), full scale 1
    """

    name: str
    rate: int
    samples: np.ndarray

    def __post_init__(self) -> None:
        samples = np.array(self.samples, dtype=float)
        if samples.ndim != 1 or samples.size < 2 * self.rate:
            raise InputError(
                f"{self.name}: two seconds or more of one channel are due; got {samples.shape[-1]} samples"
            )
        if samples.size > LONGEST_S * self.rate:
            raise InputError(
                f"{self.name}: is {samples.size / self.rate:.0f} s long; take one string at a time, up to "
                f"{LONGEST_S:.0f} s"
            )
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """One change of height.

    Attributes
    ----------
    begin_s, end_s : float, s
        What was taken as the pulse, with the reach of the smoothing.
    flux : float, full scale · s
        Its integral with drift and the input's corners taken out; its sign is the way of the string.
    fault : str
        Why it was left out; empty for a good one.
    """

    begin_s: float
    end_s: float
    flux: float
    fault: str = ""

    @property
    def at_s(self) -> float:
        """Its middle, s."""
        return (self.begin_s + self.end_s) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftReading:
    """What a recording of lifts says.

    Attributes
    ----------
    name : str
    pulses : tuple of Pulse
        All that were found.
    flux : float, full scale · s
        Mean size of the good ones.
    deviation : float
        Of the mean over the mean, one standard deviation (jackknife over the lifts, each with its return: both share
        the place of the shim; the corners fitted anew).
    freedom : int
        Degrees of freedom of that deviation.
    corners_hz : tuple of float, Hz
        Of the input's high-pass, as the rests show them.
    notes : tuple of str
        What was left out and why, and what to mind.
    channel : int
        Of the file, from 1.
    """

    name: str
    pulses: tuple[Pulse, ...]
    flux: float
    deviation: float
    freedom: int
    corners_hz: tuple[float, ...]
    notes: tuple[str, ...]
    channel: int = 1


def read_lift_recordings(path: Path) -> tuple[LiftRecording, ...]:
    """Read every channel of a WAV or FLAC file.

    Raises
    ------
    InputError
        If it is no readable sound file, or too short or too long.
    """
    with open_wav(path) as file:
        if file.frames > LONGEST_S * file.samplerate:
            raise InputError(
                f"{path.name}: is {file.frames / file.samplerate:.0f} s long; take one string at a time, up to "
                f"{LONGEST_S:.0f} s"
            )
        channels = read_block(file, file.frames, path)
        return tuple(LiftRecording(name=path.name, rate=file.samplerate, samples=samples) for samples in channels)


def read_lift_file(path: Path, channel: int | None = None, *, expected: int | None = None) -> LiftReading:
    """Find and integrate the pulses of a WAV or FLAC file.

    Parameters
    ----------
    path : Path
    channel : int or None
        From 1; None takes the one whose pulses are largest: an open input has none, and crosstalk smaller ones.
    expected : int or None
        As `read_lifts`.

    Raises
    ------
    InputError
        As `read_lift_recordings` and `read_lifts`, or if there is no such channel.
    """
    recordings = read_lift_recordings(path)
    if channel is not None and not 1 <= channel <= len(recordings):
        count = f"{len(recordings)} channel{'s' if len(recordings) > 1 else ''}"
        raise InputError(f"{path.name}: has {count}; there is no channel {channel}")
    found: list[LiftReading] = []
    refused: list[InputError] = []
    for number, recording in enumerate(recordings, start=1):
        if channel not in (None, number):
            continue
        try:
            found.append(replace(read_lifts(recording, expected=expected), channel=number))
        except InputError as error:
            refused.append(error)
    if not found:
        raise max(refused, key=lambda error: _UNHEARD not in str(error) and _SILENT not in str(error))
    return max(found, key=lambda reading: reading.flux)


def read_lifts(recording: LiftRecording, *, expected: int | None = None) -> LiftReading:
    """Find the pulses of a recording and integrate them.

    Parameters
    ----------
    recording : LiftRecording
    expected : int or None
        Pulses, lifts and returns together, that there should be.

    Raises
    ------
    InputError
        If a pulse is missing, too few are good, or they scatter too far; every damaged one is named.
    """
    name = recording.name
    if not np.ptp(recording.samples):
        raise InputError(f"{name}: {_SILENT}; another input was recorded, or the lead is off")
    integral = _integral(recording)
    pulses = [Pulse(begin_s=low, end_s=high, flux=0.0) for low, high in _places(integral)]
    if not pulses:
        raise InputError(
            f"{name}: {_UNHEARD}; raise the gain, and lift the string over the poles of the pickup that is recorded"
        )
    pulses = [replace(pulse, fault=_fault(recording, pulse, pulses)) for pulse in pulses]
    pulses, _ = _measured(integral, pulses, is_first=True)
    top = max((abs(pulse.flux) for pulse in pulses), default=0.0)
    pulses = [pulse for pulse in pulses if pulse.fault or abs(pulse.flux) > _LEAST_FLUX * top]
    pulses, _ = _measured(integral, pulses, is_first=True)  # without what was none, and from nearer rests
    for _ in range(_ROUNDS):
        pulses, _ = _measured(integral, pulses)
    pulses = [
        replace(pulse, fault=_too_slow(pulse)) if not pulse.fault and pulse.end_s - pulse.begin_s > SLOWEST_S else pulse
        for pulse in pulses
    ]
    pulses, corners = _measured(integral, _without_outliers(pulses))
    good = [pulse for pulse in pulses if not pulse.fault]
    faults = [f"the pulse at {pulse.at_s:.2f} s {pulse.fault}" for pulse in pulses if pulse.fault]
    if expected is not None and len(pulses) != expected:
        found = ", ".join(f"{pulse.at_s:.2f}" for pulse in pulses)
        raise InputError(
            f"{name}: {expected} pulses were expected and {len(pulses)} found, at {found} s: a lift or return was "
            f"{'missed or too slow to be seen' if len(pulses) < expected else 'doubled, or the string was knocked'}; "
            "record it again"
        )
    if len(good) < FEWEST:
        said = f": {'; '.join(faults)}" if faults else ""
        raise InputError(
            f"{name}: {len(good)} good pulses, at least {FEWEST} are due (lifts and returns count alike){said}"
        )
    mean = float(np.mean([abs(pulse.flux) for pulse in good]))
    pairs = [at // 2 for at, pulse in enumerate(pulses) if not pulse.fault]
    deviation = _jackknife(integral, good, pairs)
    if deviation > MOST_SCATTER * mean:
        raise InputError(
            f"{name}: the pulses scatter so far that their mean is known to ± {100 * deviation / mean:.0f} % only; let "
            "the string come to rest on both heights, further from hum, and record more of them"
        )
    return LiftReading(
        name=name,
        pulses=tuple(pulses),
        flux=mean,
        deviation=deviation / mean,
        freedom=len(set(pairs)) - 1,
        corners_hz=corners,
        notes=tuple([f"{fault}; it was left out" for fault in faults] + _one_way(pulses)),
    )


def _integral(recording: LiftRecording) -> np.ndarray:
    """Return the integral of the recording at `_WORKING_RATE`, averaged over a period of the mains twice.

    The average is taken from differences of the integral's own integrals, so that a period need not be whole samples.
    """
    samples = recording.samples - recording.samples.mean()
    power = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) ** 2
    width = recording.rate / samples.size

    def of_lines(hz: float) -> float:
        return float(
            sum(power[round((k * hz - 0.5) / width) : round((k * hz + 0.5) / width) + 1].sum() for k in (1, 2, 3, 5))
        )

    period = 1 / max((50.0, 60.0), key=of_lines)
    step = 1 / recording.rate
    third = np.cumsum(np.cumsum(np.cumsum(samples))) * step**3
    time = step * (np.arange(samples.size) - 1)  # of the middle of what three sums have added up
    at = np.arange(math.ceil(period * _WORKING_RATE), math.floor((time[-1] - period) * _WORKING_RATE)) / _WORKING_RATE
    near, here, far = (np.interp(at + side * period, time, third) for side in (-1, 0, 1))
    integral = np.full(at.size + math.ceil(period * _WORKING_RATE), 0.0)
    integral[-at.size :] = (near - 2 * here + far) / period**2
    integral[: -at.size] = integral[-at.size]
    return integral


def _places(integral: np.ndarray) -> list[tuple[float, float]]:
    """Where a voltage stands out: begin and end, s."""
    voltage = np.gradient(integral) * _WORKING_RATE
    stretches = np.array_split(np.arange(voltage.size), max(1, round(voltage.size / (_WANDER_S * _WORKING_RATE))))
    slow = [float(np.median(voltage[stretch])) for stretch in stretches]
    voltage = np.abs(voltage - np.interp(np.arange(voltage.size), [stretch.mean() for stretch in stretches], slow))
    rest = round(REST_S * _WORKING_RATE)
    voltage[:rest] = voltage[-rest:] = 0.0  # nothing there has a rest before and after it
    top, noise = float(voltage.max()), float(np.median(voltage)) / 0.6745
    least = max(_LEAST_PART * top, _LEAST_OVER_NOISE * noise)
    found = []
    for low, high in _runs(voltage > least, round(_MERGED_S * _WORKING_RATE)):
        edge = max(_EDGE_PART * float(voltage[low:high].max()), 2 * noise)
        while low > 0 and voltage[low - 1] > edge:
            low -= 1
        while high < voltage.size and voltage[high] > edge:
            high += 1
        found.append((low / _WORKING_RATE, high / _WORKING_RATE))
    return found


def _runs(flags: np.ndarray, joined: int) -> list[tuple[int, int]]:
    """Stretches of true flags, those closer than ``joined`` samples as one."""
    padded = np.concatenate([[0], flags.astype(np.int8), [0]])
    starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    found: list[tuple[int, int]] = []
    for low, high in zip(starts.tolist(), ends.tolist()):
        if found and low - found[-1][1] < joined:
            found[-1] = (found[-1][0], high)
        else:
            found.append((low, high))
    return found


def _fault(recording: LiftRecording, pulse: Pulse, every: list[Pulse]) -> str:
    """What is wrong with a pulse by its place and samples."""
    low, high = (round(at * recording.rate) for at in (pulse.begin_s - REST_S, pulse.end_s + REST_S))
    if low < 0 or high > recording.samples.size:
        return f"has no {REST_S:g} s of rest before and after it in the recording"
    flat = _flat(recording.samples, low, high)
    if flat:
        return f"is clipped ({flat} samples stand at the extreme value): turn the gain down"
    if pulse.end_s - pulse.begin_s > 2 * SLOWEST_S:  # with what the input's corners draw out; looked at again later
        return _too_slow(pulse)
    others = [other for other in every if other is not pulse]
    if any(other.end_s > pulse.begin_s - REST_S and other.begin_s < pulse.end_s + REST_S for other in others):
        return f"has another change within {REST_S:g} s of it: move the string at once, and wait a second between moves"
    return ""


def _too_slow(pulse: Pulse) -> str:
    return f"takes {pulse.end_s - pulse.begin_s:.1f} s, more than {SLOWEST_S:g} s: let the string go, or move it faster"


def _flat(samples: np.ndarray, low: int, high: int) -> int:
    """Samples of a stretch that stand at the recording's extreme value, three or more in a row."""
    top = float(np.abs(samples).max())
    if top < _FLAT_LEVEL:
        return 0
    runs = _runs(np.abs(samples[low:high]) >= top * (1 - 1e-6), 1)
    return sum(end - begin for begin, end in runs if end - begin >= _FLAT_RUN)


def _measured(
    integral: np.ndarray, pulses: list[Pulse], *, is_first: bool = False
) -> tuple[list[Pulse], tuple[float, ...]]:
    """Return the good pulses with their fluxes and where each of them really begins and ends, and the corners, Hz.

    At first, where pulses are as long as what the corners draw out, the corners are looked for on a coarse grid.
    """
    good = [pulse for pulse in pulses if not pulse.fault]
    if not good:
        return pulses, ()
    windows = [_Window.around(integral, pulse) for pulse in good]
    fluxes, s, p = _guessed(windows) if is_first else _solved(windows)
    found = iter([_narrowed(integral, pulse, float(flux), s, p) for pulse, flux in zip(good, fluxes)])
    split = math.sqrt(max(s**2 / 4 - p, 0.0))
    corners = tuple((s / 2 + side * split) / (2 * math.pi) for side in (1, -1))
    return [pulse if pulse.fault else next(found) for pulse in pulses], tuple(hz for hz in corners if hz > 1e-3)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Window:
    """A pulse and the rests beside it: V, ∫V, ∫∫V, the step and a slow drift, over every sample; which of them rest."""

    value: np.ndarray
    once: np.ndarray
    twice: np.ndarray
    step: np.ndarray
    drift: np.ndarray
    rests: np.ndarray

    @classmethod
    def around(cls, integral: np.ndarray, pulse: Pulse) -> _Window:
        rest = round(REST_S * _WORKING_RATE)
        low, high = round(pulse.begin_s * _WORKING_RATE), round(pulse.end_s * _WORKING_RATE)
        value = integral[low - rest : high + rest] - integral[low - rest : low].mean()
        once = _summed(value)
        index = np.arange(value.size)
        return cls(
            value=value,
            once=once,
            twice=_summed(once),
            step=(index >= value.size - rest).astype(float),
            drift=np.vander(np.linspace(-1, 1, value.size), _DRIFT_TERMS),
            rests=(index < rest) | (index >= value.size - rest),
        )

    def columns(self) -> np.ndarray:
        """Step, V, ∫V and ∫∫V in the rests with the slow drift taken out of all of them, shape (rests, 4)."""
        found = np.stack([self.step, self.value, self.once, self.twice], axis=1)[self.rests]
        drift, _ = np.linalg.qr(self.drift[self.rests])
        left: np.ndarray = found - drift @ (drift.T @ found)
        return left

    def flux(self, flux: float, s: float, p: float) -> np.ndarray:
        """The flux over every sample, 0 in the rest before the pulse, and ``flux`` after it."""
        whole = self.value + s * self.once + p * self.twice
        target = (whole - flux * self.step)[self.rests]
        slow = np.linalg.lstsq(self.drift[self.rests], target, rcond=None)[0]
        found: np.ndarray = whole - self.drift @ slow
        return found


def _summed(values: np.ndarray) -> np.ndarray:
    found: np.ndarray = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2)]) / _WORKING_RATE
    return found


def _guessed(windows: list[_Window]) -> tuple[np.ndarray, float, float]:
    """Return the steps, s and p, from a grid of corners: those that let flux go from rest to rest in the least time."""
    parts = []
    for window in windows:
        columns = np.stack([window.value, window.once, window.twice], axis=1)
        base = np.column_stack([window.drift, window.step])
        solved = np.linalg.lstsq(base[window.rests], columns[window.rests], rcond=None)[0]
        parts.append((columns - window.drift @ solved[:-1], solved[-1]))
    best, found = math.inf, (0.0, 0.0)
    for first, second in _CORNER_GRID:
        weights = np.array([1.0, first + second, first * second])
        cost = 0.0
        for course, step in parts:
            flux = step @ weights or 1e-30
            part = course @ weights / flux
            cost += float(np.sum(np.minimum(np.abs(part), np.abs(part - 1))))
        if cost < best:
            best, found = cost, (first + second, first * second)
    weights = np.array([1.0, *found])
    return np.array([step @ weights for _, step in parts]), *found


def _solved(windows: list[_Window]) -> tuple[np.ndarray, float, float]:
    """Solve V = step − s·∫V − p·∫∫V for the rests of all pulses together: the steps, s, p.

    p, or both, are left out where the recording asks for no such corner.
    """
    columns = np.stack([window.columns() for window in windows])
    step = columns[:, :, 0]
    size = np.einsum("ij,ij->i", step, step)
    along = np.einsum("ij,ijk->ik", step, columns) / size[:, None]
    rest = (columns - step[:, :, None] * along[:, None, :]).reshape(-1, 4)
    shared = np.zeros(2)
    for count in (2, 1):
        shared[:] = 0.0
        shared[:count] = np.linalg.lstsq(-rest[:, 2 : 2 + count], rest[:, 1], rcond=None)[0]
        if np.all(shared >= 0):
            break
    else:
        shared[:] = 0.0
    s, p = shared.tolist()
    return along[:, 1] + s * along[:, 2] + p * along[:, 3], s, p


def _narrowed(integral: np.ndarray, pulse: Pulse, flux: float, s: float, p: float) -> Pulse:
    """Return a pulse with its flux, and from where to where that flux is not at rest."""
    window = _Window.around(integral, pulse)
    course = window.flux(flux, s, p)
    noise = float(np.std((course - flux * window.step)[window.rests]))
    near = max(_AT_REST * abs(flux), 4 * noise)
    moving = np.flatnonzero((np.abs(course) > near) & (np.abs(course - flux) > near))
    rest, first = round(REST_S * _WORKING_RATE), round((pulse.begin_s - REST_S) * _WORKING_RATE)
    inside = moving[(moving >= rest // 2) & (moving < course.size - rest // 2)]
    if not inside.size:
        return replace(pulse, flux=flux)
    settled = round(_SETTLED_S * _WORKING_RATE + _SETTLED_PART * (inside[-1] - inside[0]))
    low, high = first + int(inside[0]) - settled, first + int(inside[-1]) + 1 + settled
    if low < rest or high + rest > integral.size:
        return replace(pulse, flux=flux)
    return replace(pulse, flux=flux, begin_s=low / _WORKING_RATE, end_s=high / _WORKING_RATE)


def _jackknife(integral: np.ndarray, pulses: list[Pulse], pairs: list[int]) -> float:
    """Standard deviation of the mean size: every lift left out once with its return, corners and all fitted anew."""
    windows = [_Window.around(integral, pulse) for pulse in pulses]
    means = np.array(
        [
            np.abs(_solved([window for window, pair in zip(windows, pairs) if pair != left])[0]).mean()
            for left in sorted(set(pairs))
        ]
    )
    return math.sqrt((means.size - 1) / means.size * float(np.sum((means - means.mean()) ** 2)))


def _without_outliers(pulses: list[Pulse]) -> list[Pulse]:
    """Name the pulses whose size differs from the others' as no scatter does."""
    sizes = np.array([abs(pulse.flux) for pulse in pulses if not pulse.fault])
    if not sizes.size:
        return pulses
    middle = float(np.median(sizes))
    scatter = float(np.median(np.abs(sizes - middle))) / 0.6745
    most = max(_OUTLIER_PART * middle, _OUTLIER_DEVIATIONS * scatter)
    return [
        pulse
        if pulse.fault or abs(abs(pulse.flux) - middle) <= most
        else replace(
            pulse,
            fault=f"is {abs(pulse.flux) / middle:.2f} times as large as the others: the string did not come to rest on "
            "both heights",
        )
        for pulse in pulses
    ]


def _one_way(pulses: list[Pulse]) -> list[str]:
    """Say where two neighbours go the same way, so that one between them was missed."""
    gaps = [
        f"{one.at_s:.2f} and {other.at_s:.2f} s"
        for one, other in pairwise(pulses)
        if not one.fault and not other.fault and one.flux * other.flux > 0
    ]
    if not gaps:
        return []
    return [f"between {join_words(gaps)} the string went back unseen, too slowly to be read; that does no harm"]
