"""Noise of a rig: how much arrives at the last input, which part makes it, and how far a played note stands over it.

Densities come from `labkit.circuit.solve.noise`; here they are added up over a band, plain and A-weighted, part by
part, and set against the predicted output of a note and what a mains field leaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import InputNoise
from labkit.circuit.solve.noise import noise_density
from labkit.core.errors import join_words
from labkit.core.grid import frequency_grid
from labkit.core.response import SILENT_DB
from labkit.core.units import format_quantity
from labkit.pickup.predict.output import PLUCK_DISPLACEMENT, played_strings, reference_pluck
from labkit.pickup.predict.propagation import Part, Prediction, prediction, shifted
from labkit.rig.hum import MISMATCH, HumVoltage, hum_voltage
from labkit.rig.outputs import HOW_TO_STATE, counted_outputs
from labkit.rig.rig import Rig

NOISE_BAND_HZ = (20.0, 20_000.0)
"""Band over which noise is added up."""

TEMPERATURE_C = 20.0

NOISE_GRID = frequency_grid(*NOISE_BAND_HZ, 512)
"""Close enough for a resonance of Q = 20: within 0.01 dB of 16 times as many points."""

PLAYED_STRINGS = "six strings 10-46"

NOISE_DOUBT_DB = 1.5
"""Half the interval (95 %) of the noise: parts as they come move it by ± 0.5 dB (`labkit tolerance --measure noise` on
the rigs of the catalogue), and e_n and i_n that are typical, not measured, count as ± 50 %."""

NOISE_NOT_MODELLED = (
    "noise of magnets (Barkhausen), of resistors that carry a current, of dirty contacts and handling, and of what "
    "follows the last input"
)


def a_weighting_db(frequency_hz: np.ndarray) -> np.ndarray:
    """Return the A-weighting of a frequency, dB, 0 at 1 kHz.

    20·lg[f₄²f⁴/((f² + f₁²)·√(f² + f₂²)·√(f² + f₃²)·(f² + f₄²))] + 2.000, f₁ = 20.60, f₂ = 107.7, f₃ = 737.9,
    f₄ = 12194 Hz. Source: IEC 61672-1:2013, annex E, eq. (E.6), constants rounded as there.

    Parameters
    ----------
    frequency_hz : ndarray, any shape, Hz

    >>> a_weighting_db(np.array([100.0, 1e3, 1e4])).round(1).tolist()
    [-19.1, -0.0, -2.5]
    """
    square = np.asarray(frequency_hz, dtype=float) ** 2
    f1, f2, f3, f4 = (each**2 for each in (20.60, 107.7, 737.9, 12194.0))
    gain = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
    weighting: np.ndarray = 20 * np.log10(gain) + 2.000
    return weighting


def band_power(power: np.ndarray, frequency_hz: np.ndarray = NOISE_GRID, *, weighted: bool = False) -> np.ndarray:
    """Return a noise density added up over frequency, V², plain or A-weighted.

    Parameters
    ----------
    power : ndarray, shape (..., F), V²/Hz
    frequency_hz : ndarray, shape (F,), Hz, rising
    weighted : bool
    """
    counted = power * 10 ** (a_weighting_db(frequency_hz) / 10) if weighted else power
    return np.asarray(np.trapezoid(counted * frequency_hz, np.log(frequency_hz), axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class PartNoise:
    """What one part brings to the noise at the last input; powers of parts add.

    Attributes
    ----------
    part : str
        A pickup's slot, a part of the harness, a stage of the chain; ``own noise of STAGE`` is e_n and i_n of an active
        one.
    rms, weighted : float, V
        By itself, plain and A-weighted.
    share : float
        Of the power of the whole, 0 … 1.
    """

    part: str
    rms: float
    weighted: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedSignal:
    """A played note at the last input.

    Attributes
    ----------
    level_dbv : Prediction, dB over 1 V
        Root of the mean square of a sine whose peak is the greatest EMF after the stated pluck, at each string's
        fundamental; mean of the strings' dB.
    unknown : tuple of str
        Pickups whose output is not known and which are taken at that of the reference coil.
    """

    level_dbv: Prediction
    unknown: tuple[str, ...]

    @property
    def words(self) -> str:
        """What note it is, and what is taken for granted."""
        pluck = f"open strings plucked by {format_quantity(PLUCK_DISPLACEMENT, 'm')} at a fifth of the scale"
        if not self.unknown:
            return pluck
        names = join_words([f"'{name}'" for name in self.unknown])
        return f"{pluck}; {names} taken at the output of the reference coil, since its own is not known: {HOW_TO_STATE}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RigNoise:
    """Noise at the last input of a rig, 20 Hz to 20 kHz, with what it is measured against.

    Attributes
    ----------
    rms, weighted : float, V
        Of all parts, plain and A-weighted.
    parts : tuple of PartNoise
        Loudest first.
    signal : PlayedSignal or None
        None where no string reaches the input.
    hum : HumVoltage or None
        What a stated mains field leaves; None where no coil states turns and area.
    """

    rms: float
    weighted: float
    parts: tuple[PartNoise, ...]
    signal: PlayedSignal | None
    hum: HumVoltage | None

    @property
    def signal_to_noise_db(self) -> Prediction | None:
        """The note over the plain noise, dB, with the doubt of the note and of the noise."""
        if self.signal is None or not self.rms:
            return None
        level = self.signal.level_dbv
        over = shifted(level, -decibel_volts(self.rms))
        low, high = (math.hypot(abs(end - level.value), NOISE_DOUBT_DB) for end in (level.low, level.high))
        return Prediction(value=over.value, low=over.value - low, high=over.value + high)

    @property
    def signal_words(self) -> str:
        """The note and how far it stands over the noise; what is known of it where it is not."""
        over = self.signal_to_noise_db
        if self.signal is None or over is None:
            return "no string reaches the input"
        value, low, high = (over.value, over.low, over.high)
        volts = volts_in_words(10 ** (self.signal.level_dbv.value / 20))
        return f"a note of {volts} stands {value:.0f} dB over it ({low:.0f} … {high:.0f} dB)"

    @property
    def hum_words(self) -> str:
        """What the stated mains field leaves, in volts."""
        if self.hum is None:
            return "hum in volts not known: no coil's sheet states turns and area"
        field = f"{format_quantity(self.hum.field_t, 'T', digits=2)} at {self.hum.frequency_hz:g} Hz"
        if self.hum.with_mismatch > 1.1 * self.hum.rms:
            volts = f"{volts_in_words(self.hum.with_mismatch)} if coils differ by {100 * MISMATCH:g} %"
        else:
            volts = volts_in_words(self.hum.rms)
        return f"a mains field of {field} leaves {volts}"

    @property
    def words(self) -> str:
        """The noise and its largest parts in a sentence.

        >>> from labkit.rig.sheet import load_rig
        >>> print(rig_noise(load_rig("Saltmarsh Lane, narrow single coil")).words.partition(";")[0])
        2.4 µV (−112 dBV), A-weighted 2.5 µV (−112 dBV)
        """
        loudest = [f"{part.part} {volts_in_words(part.rms)}" for part in self.parts if part.share >= 0.05]
        plain, weighted = (f"{volts_in_words(v)} ({_signed(decibel_volts(v))} dBV)" for v in (self.rms, self.weighted))
        return f"{plain}, A-weighted {weighted}; {', '.join(loudest)}"


def rig_noise(
    rig: Rig, *, field_t: float | None = None, mains_hz: float | None = None, with_note: bool = True
) -> RigNoise:
    """Return the noise of a rig at its present settings.

    Parameters
    ----------
    rig : Rig
    field_t, mains_hz : float, T (rms) and Hz, optional
        The mains field that hum is given for; as `labkit.rig.hum.hum_voltage` unless given.
    with_note : bool
        False leaves out the played note, whose first time costs a fifth of a second.

    Validity: parts at 20 °C; the parts' own numbers as stated. Not modelled: `NOISE_NOT_MODELLED`.
    """
    circuit = rig.circuit

    def part_of(name: str) -> str:
        part = name.partition(".")[0].replace("_", " ")
        return f"own noise of {part}" if isinstance(circuit[name], InputNoise) else part

    found = noise_density(circuit, NOISE_GRID, temperature_c=TEMPERATURE_C).grouped(part_of)
    whole = float(band_power(found.total))
    parts = [
        PartNoise(
            part=name,
            rms=math.sqrt(band_power(power)),
            weighted=math.sqrt(band_power(power, weighted=True)),
            share=float(band_power(power)) / whole if whole else 0.0,
        )
        for name, power in found.power.items()
    ]
    return RigNoise(
        rms=math.sqrt(whole),
        weighted=math.sqrt(band_power(found.total, weighted=True)),
        parts=tuple(sorted(parts, key=lambda part: -part.rms)),
        signal=played_signal(rig) if with_note else None,
        hum=hum_voltage(rig, field_t=field_t, frequency_hz=mains_hz),
    )


def played_signal(rig: Rig) -> PlayedSignal | None:
    """Return the level of a played note at the last input; None where the strings do not reach it.

    Every pickup counts with its output as far as it is known; pickups that are switched on together see one string in
    phase, whatever their places, which at the fundamental they nearly do.
    """
    counted = counted_outputs(rig)
    levels = counted.levels_db[0]
    frequency = np.array([each.frequency_hz for each in played_strings(PLAYED_STRINGS)])
    order = np.argsort(frequency)
    by_slot = {}
    for slot in rig.pickups:
        by_slot[slot] = np.empty(frequency.size, dtype=complex)
        by_slot[slot][order] = rig.evaluate(frequency[order], source=slot, levels_db=levels)
    gain = np.sum(list(by_slot.values()), axis=0)
    if np.min(np.abs(gain)) < 10 ** (SILENT_DB / 20):
        return None
    reference = reference_pluck(PLAYED_STRINGS)
    causes: dict[str, Part] = {item.name: item.part for item in reference.contributions}
    for slot, own in by_slot.items():
        share = float(np.mean((own * np.conj(gain)).real / np.abs(gain) ** 2))
        for cause, part in counted.doubts[0][slot].items():
            causes[cause] = causes.get(cause, 0.0) + share * part
    level = reference.value + float(np.mean(20 * np.log10(np.abs(gain)))) - 10 * math.log10(2)
    unknown = tuple(pickup.name for pickup in rig.pickups.values() if pickup.emf is None)
    return PlayedSignal(level_dbv=prediction(level, causes, log=False), unknown=unknown)


def decibel_volts(volts: float) -> float:
    """Return a voltage in dB over 1 V.

    >>> decibel_volts(1e-6)
    -120.0
    """
    return 20 * math.log10(volts) if volts > 0 else -math.inf


def volts_in_words(volts: float) -> str:
    """Return a voltage rounded to two digits."""
    return format_quantity(volts, "V", digits=2)


def _signed(level: float) -> str:
    return f"{level:.0f}".replace("-", "−")
