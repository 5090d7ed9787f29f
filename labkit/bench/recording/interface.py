"""The interface's calibration, and what it makes of a take of a pickup: an ideal divider, or an exciter's curve.

Every take is the ratio of channel 2 to channel 1. With both channels on the source (T), the pickup off (O), its clips
shorted (S) and the pickup in place (D), the series resistor Rs and its own capacitance Cs:

    ε = r_S,  k = r_T − ε,  Rs/Z = k·[1/(r_D − ε) − 1/(r_O − ε)]·(1 + jω·Rs·Cs)

Input and lead, the channels' mismatch and coupling capacitors and their crosstalk drop out. From the two-node circuit
of docs/how-to/sound_interface.md.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from labkit.bench.fit.fixture import NO_LOAD, Fixture, Load, Measurement
from labkit.bench.read.sweep import Sweep, SweepKind
from labkit.bench.recording.excitation import Signal
from labkit.bench.recording.ratio import ChannelRatio, shared_frequencies
from labkit.bench.recording.take import TakeReading
from labkit.core.errors import InputError, join_words
from labkit.core.sheet import Table, parse_sheet, read_sheet, sheet_text
from labkit.core.units import format_quantity

Role = Literal["source", "open", "shorted", "pickup", "open again", "again"]
CALIBRATION_ROLES: tuple[Role, ...] = ("source", "open", "shorted")

ROLE_WORDS: Mapping[Role, str] = {
    "source": "both channels on the source",
    "open": "the pickup off",
    "shorted": "the clips shorted",
    "pickup": "the pickup in place",
    "open again": "the pickup off once more",
    "again": "both channels on the source once more",
}

MOST_SHIFT_DB = 0.02
"""Between the first take and the one at the end; behind a small resistor such a shift spoils everything."""

FLOOR_DB = 0.005
"""What even a good take may be off, one standard deviation (the scatter among sweeps alone was up to three times too
small against the truth in simulation)."""

LEAD_SIGMA_F = 0.5e-12
"""Standard deviation of the input's capacitance from one take to another: leads that are moved (common practice, no
source)."""

RENEWED_LEAD_SIGMA_F = 0.1e-12
"""… from the pickup's take to the one after it with the pickup off, where only its clip was opened (common practice, no
source)."""

INPUT_TOLERANCE = 0.002
"""95 % bounds of the input's resistance over the series resistor, as the takes tell it."""

LOOSER = 3.0
"""The takes tell the input over the series resistor, and in a fit both stand apart: an input that is known as well as
that resistor would vouch for it. Held so many times looser it takes off a twentieth of the resistor's doubt at most."""

SHARED = 8.0
"""The doubt of the series resistor's own capacitance is one error of all points; a fit counts points as independent,
and would trust some sixty of them eight times too much."""

SHORT_LEAK = 0.05
"""Ratio with the clips shorted, over the one at the source, that is no longer a short."""

INPUT_LOW_OHM, INPUT_LINE_OHM = 20e3, 200e3
"""Below the first: a microphone input, or phantom power's 6.8 kΩ resistors (IEC 61938); below the second no
instrument input."""

OLD_DAYS = 30
"""After so many days (common practice, no source) a calibration's age is a warning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesResistor:
    """The resistor between source and pickup.

    Attributes
    ----------
    resistance : float, Ω
    tolerance : float
        95 % bounds, 1 = 100 %; R, L and 1/C of the pickup go with it.
    capacitance, capacitance_doubt : float, F
        Across the resistor itself, and one standard deviation (a 0.25 W film resistor, from memory).
    """

    resistance: float = 220e3
    tolerance: float = 0.01
    capacitance: float = 0.25e-12
    capacitance_doubt: float = 0.05e-12

    def __post_init__(self) -> None:
        if not 1e3 <= self.resistance <= 10e6:
            raise InputError(
                f"the series resistor must be 1 kΩ to 10 MΩ, best 100 kΩ to 470 kΩ; got {self.resistance:g} Ω"
            )
        if not 0 <= self.tolerance < 1:
            raise InputError(f"the series resistor's tolerance must lie in 0 … 100 %; got {self.tolerance:g}")
        if not 0 <= self.capacitance <= 10e-12:
            raise InputError(f"the series resistor's own capacitance must be 0 to 10 pF; got {self.capacitance:g} F")


@dataclass(frozen=True, slots=True, kw_only=True)
class InterfaceCalibration:
    """What the calibration takes say of an interface, at the frequencies that all of them have.

    Attributes
    ----------
    name : str
        Of the interface and its setting, for people.
    made : date
    signal : "sweeps" or "tones"
    series : SeriesResistor
    source, open_clips, shorted : ChannelRatio
        With both channels on the source, the pickup off, the clips shorted.
    full_scale : float or None, V
        Peak voltage at channel 2 that reaches full scale, where somebody measured it; ratios do not need it.
    full_scale_tolerance : float
        95 % half-width of it over it.
    lead_doubt : float, F
        Standard deviation of the input's capacitance from the take with the pickup off to the pickup's.
    """

    name: str
    made: datetime.date
    signal: Signal
    series: SeriesResistor
    source: ChannelRatio
    open_clips: ChannelRatio
    shorted: ChannelRatio
    full_scale: float | None = None
    full_scale_tolerance: float = 0.0
    lead_doubt: float = LEAD_SIGMA_F

    def __post_init__(self) -> None:
        """Refuse takes that were swapped, or an input that no pickup can be measured with."""
        middle = (self.source.frequency_hz > 200) & (self.source.frequency_hz < 8000)
        source, opened, shorted = (
            float(np.median(np.abs(ratio.value[middle]))) for ratio in (self.source, self.open_clips, self.shorted)
        )
        if shorted > source or opened > 1.2 * source:
            raise InputError(
                f"{self.name}: the channels are swapped: channel 2 shows more than channel 1; channel 1 belongs at the "
                "source node, channel 2 across the pickup"
            )
        if shorted > SHORT_LEAK * source:
            raise InputError(
                f"{self.name}: with the clips shorted channel 2 still shows {100 * shorted / source:.0f} % of the "
                "source: the clips did not touch, or two takes have changed places"
            )
        if abs(opened - source) < 0.001 * source:
            raise InputError(
                f"{self.name}: the take with the pickup off is the one with both channels on the source: move channel "
                "2 behind the series resistor"
            )
        if self.input_resistance < INPUT_LOW_OHM:
            raise InputError(
                f"{self.name}: channel 2 loads the pickup with {format_quantity(self.input_resistance, 'Ω', digits=2)}:"
                " a microphone or line input, or the resistors of phantom power; switch phantom power off and take the "
                "instrument input"
            )

    @property
    def input_admittance(self) -> np.ndarray:
        """Admittance from channel 2's node to ground with the pickup off, S, shape (F,)."""
        leak = self.shorted.value
        source = self.source.value - leak
        omega = 2 * np.pi * self.source.frequency_hz
        through = (1 + 1j * omega * self.series.resistance * self.series.capacitance) / self.series.resistance
        admittance: np.ndarray = (source / (self.open_clips.value - leak) - 1) * through
        return admittance

    @property
    def input_resistance(self) -> float:
        """Resistance of channel 2's input with the fixture, Ω, from 100 Hz to 2 kHz."""
        middle = (self.source.frequency_hz > 100) & (self.source.frequency_hz < 2000)
        return 1 / max(float(np.median(self.input_admittance.real[middle])), 1e-12)

    @property
    def input_capacitance(self) -> float:
        """Capacitance of channel 2's input with its lead and the fixture, F, from 500 Hz to 8 kHz."""
        frequency = self.source.frequency_hz
        middle = (frequency > 500) & (frequency < 8000)
        return float(np.median(self.input_admittance.imag[middle] / (2 * np.pi * frequency[middle])))

    @property
    def crosstalk_db(self) -> float:
        """Channel 2 with the clips shorted over channel 1, dB, median from 200 Hz to 8 kHz."""
        middle = (self.source.frequency_hz > 200) & (self.source.frequency_hz < 8000)
        ratio = np.abs(self.shorted.value[middle] / self.source.value[middle])
        return 20 * math.log10(max(float(np.median(ratio)), 1e-9))

    def age_days(self, today: datetime.date | None = None) -> int:
        """Return the days since it was made."""
        return ((today or datetime.date.today()) - self.made).days

    def warnings(self, today: datetime.date | None = None) -> tuple[str, ...]:
        """Return what to think of before trusting it."""
        said = []
        if self.input_resistance < INPUT_LINE_OHM:
            said.append(
                f"channel 2 has {format_quantity(self.input_resistance, 'Ω', digits=2)}: a line input; an instrument "
                "input (1 MΩ) keeps the peak higher over the noise"
            )
        days = self.age_days(today)
        if days > OLD_DAYS:
            said.append(
                f"the calibration '{self.name}' is {days} days old; gains may have moved: take both channels on the "
                "source again, or calibrate anew"
            )
        return tuple(said)


def calibrate(
    takes: Mapping[Role, TakeReading],
    *,
    name: str,
    series: SeriesResistor,
    made: datetime.date | None = None,
    full_scale: tuple[float, float] | None = None,
) -> InterfaceCalibration:
    """Return the calibration that three takes make.

    Parameters
    ----------
    takes : mapping of role to TakeReading
    name : str
    series : SeriesResistor
    made : date, optional
        Today unless given.
    full_scale : (float, float), optional
        Peak voltage that reaches full scale at channel 2, V, and its 95 % half-width over it.

    Raises
    ------
    InputError
        If one is missing, they do not hold the same signal, or they contradict the wiring.
    """
    missing = [ROLE_WORDS[role] for role in CALIBRATION_ROLES if role not in takes]
    if missing:
        raise InputError(f"a calibration needs the take with {join_words(missing)}")
    signals = {takes[role].signal for role in CALIBRATION_ROLES}
    if len(signals) > 1:
        raise InputError("the calibration's takes hold sweeps and tones; all of them must hold the same")
    ratios = [takes[role].ratio for role in CALIBRATION_ROLES]
    shared = shared_frequencies(ratios)
    source, opened, shorted = (ratio.at(shared) for ratio in ratios)
    return InterfaceCalibration(
        name=name,
        made=made or datetime.date.today(),
        signal=signals.pop(),
        series=series,
        source=source,
        open_clips=opened,
        shorted=shorted,
        full_scale=None if full_scale is None else full_scale[0],
        full_scale_tolerance=0.0 if full_scale is None else full_scale[1],
    )


def shift_db(calibration: InterfaceCalibration, again: TakeReading) -> float:
    """Return how far the channels have moved since calibration, dB: the 95th percentile from 100 Hz to 10 kHz."""
    _check_signal(calibration, again)
    shared = shared_frequencies([calibration.source, again.ratio])
    first, last = calibration.source.at(shared).value, again.ratio.at(shared).value
    used = (shared > 100) & (shared < 10_000)
    return 20 / math.log(10) * float(np.quantile(np.abs(last[used] / first[used] - 1), 0.95))


def bracket(calibration: InterfaceCalibration, again: TakeReading) -> float:
    """Return the shift since calibration, dB; InputError above `MOST_SHIFT_DB`."""
    shift = shift_db(calibration, again)
    if shift > MOST_SHIFT_DB:
        raise InputError(
            f"{again.name}: channel 2 over channel 1 has moved by {shift:.3f} dB since the first take (at most "
            f"{MOST_SHIFT_DB:g}): a gain was touched or the interface is warming up; leave the knobs alone and take "
            "all of them again"
        )
    return shift


def renewed(calibration: InterfaceCalibration, takes: Mapping[Role, TakeReading]) -> InterfaceCalibration:
    """Return the calibration with the takes that were made once more beside the pickup's, in place of the first ones.

    A lead that lies otherwise is another capacitance, and parallel to the pickup's: the take with the pickup off once
    more, its clip opened and nothing else touched, shows the one that was there. Without that take the calibration
    comes back as it is.

    Raises
    ------
    InputError
        If the takes hold another signal, or contradict the wiring.
    """
    if "open again" not in takes:
        return calibration
    again = {role: takes[role] for role in ("open again", "again") if role in takes}
    for reading in again.values():
        _check_signal(calibration, reading)
    shared = shared_frequencies([calibration.source, *(reading.ratio for reading in again.values())])
    return replace(
        calibration,
        source=(again["again"].ratio if "again" in again else calibration.source).at(shared),
        open_clips=again["open again"].ratio.at(shared),
        shorted=calibration.shorted.at(shared),
        lead_doubt=RENEWED_LEAD_SIGMA_F,
    )


def divider_measurement(
    calibration: InterfaceCalibration, take: TakeReading, *, load: Load = NO_LOAD, shift_db: float | None = None
) -> Measurement:
    """Return a pickup's take as the curve of a divider 1/(1 + Rs/Z + Rs/Z_in), with its fixture.

    The input is taken out as it was measured with the pickup off and put back as the ideal resistor and capacitor that
    it is closest to: parts of the fixture, so that their doubt enters a fit as that of any other part.

    Parameters
    ----------
    calibration : InterfaceCalibration
    take : TakeReading
        With the pickup in place.
    load : Load
        Parts across the pickup.
    shift_db : float, optional
        What `bracket` found; None where nobody looked.

    Raises
    ------
    InputError
        If the take holds another signal, or the pickup seems to be missing or shorted.
    """
    pickup, shared = _shared_with(calibration, take)
    source, opened, leak = (
        ratio.at(shared) for ratio in (calibration.source, calibration.open_clips, calibration.shorted)
    )
    k, d, o = source.value - leak.value, pickup.value - leak.value, opened.value - leak.value
    omega = 2 * np.pi * shared
    series = calibration.series
    own = 1 + 1j * omega * series.resistance * series.capacitance
    over = k * (1 / d - 1 / o)
    known_input = 1 / calibration.input_resistance + 1j * omega * calibration.input_capacitance
    ratio = 1 / (1 + over * own + series.resistance * known_input)
    floor = math.log(10) / 20 * max(FLOOR_DB, shift_db or 0.0)
    slopes = (
        (-k / d**2, np.hypot(pickup.sigma, floor * np.abs(d))),
        (k / o**2, np.hypot(opened.sigma, floor * np.abs(o))),
        (over / k, source.sigma),
        (-over / k + k / d**2 - k / o**2, leak.sigma),
        (SHARED * over * omega * series.resistance, np.full(shared.size, series.capacitance_doubt)),
    )
    sigma = np.abs(ratio) * np.sqrt(sum((np.abs(slope) * doubt) ** 2 for slope, doubt in slopes))
    if float(np.median(np.abs(over))) < 1e-3:
        raise InputError(f"{take.name}: this is the take with the pickup off; clip the pickup on")
    if float(np.median(np.abs(over))) > 1e4:
        raise InputError(f"{take.name}: the pickup is shorted, or the clips touch")
    fixture = _fixture(calibration, "divider", load, shift_db)
    return Measurement(sweep=_sweep(ratio, sigma, shared, calibration, take, shift_db, fixture.kind), fixture=fixture)


def exciter_measurement(
    calibration: InterfaceCalibration,
    take: TakeReading,
    *,
    sense_ohm: float = 100.0,
    load: Load = NO_LOAD,
    shift_db: float | None = None,
) -> Measurement:
    """Return a take with an exciter coil as volts across the pickup per ampere through the exciter.

    Channel 1 is across a small resistor at the ground side of the exciter, so that current is known at every frequency
    and the exciter's own roll-off drops out. The load of channel 2 comes from the calibration.
    """
    pickup, shared = _shared_with(calibration, take)
    source, leak = (ratio.at(shared) for ratio in (calibration.source, calibration.shorted))
    ratio = sense_ohm * (pickup.value - leak.value) / (source.value - leak.value)
    floor = math.log(10) / 20 * max(FLOOR_DB, shift_db or 0.0)
    sigma = np.hypot(pickup.sigma / np.abs(pickup.value), floor)
    fixture = _fixture(calibration, "exciter", load, shift_db)
    return Measurement(sweep=_sweep(ratio, sigma, shared, calibration, take, shift_db, fixture.kind), fixture=fixture)


def _fixture(calibration: InterfaceCalibration, kind: SweepKind, load: Load, shift_db: float | None) -> Fixture:
    """Return the fixture whose meter is the interface's input; an exciter's level is free, a divider's is not."""
    series, capacitance, is_divider = calibration.series, max(calibration.input_capacitance, 0.0), kind == "divider"
    return Fixture(
        kind=kind,
        load=load,
        series_resistance=series.resistance if is_divider else None,
        series_tolerance=series.tolerance,
        meter_resistance=calibration.input_resistance,
        meter_capacitance=capacitance,
        meter_resistance_tolerance=math.hypot(INPUT_TOLERANCE, (LOOSER if is_divider else 1.0) * series.tolerance),
        meter_capacitance_tolerance=min(1.96 * calibration.lead_doubt / max(capacitance, 1e-12), 0.5),
        level_doubt_db=max(FLOOR_DB, shift_db or 0.0) if is_divider else 0.0,
    )


def _shared_with(calibration: InterfaceCalibration, take: TakeReading) -> tuple[ChannelRatio, np.ndarray]:
    _check_signal(calibration, take)
    shared = shared_frequencies([calibration.source, take.ratio])
    return take.ratio.at(shared), shared


def _check_signal(calibration: InterfaceCalibration, take: TakeReading) -> None:
    if take.signal != calibration.signal:
        raise InputError(f"{take.name}: holds {take.signal}, the calibration {calibration.signal}; play the same")


def _sweep(
    ratio: np.ndarray,
    sigma: np.ndarray,
    frequency_hz: np.ndarray,
    calibration: InterfaceCalibration,
    take: TakeReading,
    shift_db: float | None,
    kind: SweepKind,
) -> Sweep:
    series = format_quantity(calibration.series.resistance, "Ω", digits=4)
    wiring = f"behind {series}" if kind == "divider" else "over an exciter coil's current"
    off = "the pickup off once more" if calibration.lead_doubt < LEAD_SIGMA_F else "the pickup off"
    understood = [
        f"a recording of the {take.signal} {wiring}, interface '{calibration.name}' calibrated "
        f"{calibration.made.isoformat()}",
        f"channel 2 loads with {format_quantity(calibration.input_resistance, 'Ω', digits=3)} and "
        f"{format_quantity(calibration.input_capacitance, 'F', digits=3)}, told from the take with {off}",
    ]
    warnings = list(calibration.warnings())
    if shift_db is None:
        warnings.append(
            "no take with both channels on the source followed the pickup, so nobody knows whether a gain moved"
        )
    else:
        understood.append(f"the channels moved by {shift_db:.4f} dB from the first take to the last")
    if kind == "divider" and calibration.lead_doubt >= LEAD_SIGMA_F:
        warnings.append(
            f"the lead may have moved since the take with the pickup off: {1.96e12 * calibration.lead_doubt:.1f} pF of "
            "the capacitance (95 %, in its interval); a take with the pickup off once more, its clip opened and "
            f"nothing else touched, leaves {1.96e12 * RENEWED_LEAD_SIGMA_F:.1f} pF"
        )
    warnings += [f"{take.name}: {fault.sentence}" for fault in take.faults]
    return Sweep(
        frequency_hz=frequency_hz,
        magnitude=np.abs(ratio),
        phase_deg=np.degrees(np.unwrap(np.angle(ratio))),
        kind=kind,
        name=take.name,
        understood=tuple(understood),
        warnings=tuple(warnings),
        sigma_db=20 / math.log(10) * sigma,
    )


# the kept file

SHEET_KIND = "interface"
_TAKES = {"source": "source", "open": "open_clips", "shorted": "shorted"}


def interface_sheet_text(calibration: InterfaceCalibration) -> str:
    """Return the calibration as a sheet."""
    series = calibration.series

    def numbers(values: np.ndarray) -> list[float]:
        return [float(f"{value:.9g}") for value in values]

    data: dict[str, Any] = {
        "name": calibration.name,
        "made": calibration.made,
        "signal": calibration.signal,
        "series_resistor": format_quantity(series.resistance, "Ω", digits=6),
        "series_tolerance": f"{100 * series.tolerance:g} %",
        "series_capacitance": format_quantity(series.capacitance, "F", digits=4),
        **(
            {}
            if calibration.full_scale is None
            else {
                "full_scale": format_quantity(calibration.full_scale, "V", digits=6),
                "full_scale_tolerance": f"{100 * calibration.full_scale_tolerance:g} %",
            }
        ),
        "frequency_hz": calibration.source.frequency_hz.tolist(),  # every digit: takes are matched by them
    }
    for key, field in _TAKES.items():
        ratio: ChannelRatio = getattr(calibration, field)
        data[key] = {
            "real": numbers(ratio.value.real),
            "imaginary": numbers(ratio.value.imag),
            "sigma": numbers(ratio.sigma),
        }
    return sheet_text(SHEET_KIND, data)


def read_interface(path: Path) -> InterfaceCalibration:
    """Read a kept calibration; SheetError naming the key where it is none."""
    return interface_from_table(read_sheet(path, kinds=(SHEET_KIND,)))


def parse_interface(text: str, where: str) -> InterfaceCalibration:
    """Read a kept calibration from text; see `read_interface`."""
    return interface_from_table(parse_sheet(text, where, kinds=(SHEET_KIND,)))


def interface_from_table(table: Table) -> InterfaceCalibration:
    """Read a kept calibration."""
    table.allow("sheet", "format", "note")
    name = table.text("name", expected="the interface's name")
    made = table.raw("made", expected="the day of the calibration, such as 2026-11-30")
    if not isinstance(made, datetime.date) or isinstance(made, datetime.datetime):
        table.fail("made", "must be a day without quotes, such as 2026-11-30")
    signal = table.choice("signal", ("sweeps", "tones"))
    series = table.attempt(
        "series_resistor",
        lambda: SeriesResistor(
            resistance=table.quantity("series_resistor", "Ω"),
            tolerance=table.quantity("series_tolerance", "1"),
            capacitance=table.quantity("series_capacitance", "F"),
        ),
    )
    full_scale = table.quantity("full_scale", "V", None, low=1e-4, high=100.0)
    tolerance = table.quantity("full_scale_tolerance", "1", 0.0, low=0.0, high=0.5)
    frequency = _numbers(table, "frequency_hz")
    if frequency.size < 8 or np.any(np.diff(frequency) <= 0) or frequency[0] <= 0:
        table.fail("frequency_hz", "must be eight or more rising frequencies")
    ratios = {}
    for key in _TAKES:
        part = table.table(key)
        real, imaginary, sigma = (_numbers(part, name) for name in ("real", "imaginary", "sigma"))
        if not real.size == imaginary.size == sigma.size == frequency.size:
            table.fail(key, f"must hold {frequency.size} numbers in each list, one for each frequency")
        if np.any(sigma < 0) or np.any(np.hypot(real, imaginary) == 0):
            table.fail(key, "must have uncertainties of 0 or more and ratios above 0")
        part.done()
        ratios[key] = ChannelRatio(frequency_hz=frequency, value=real + 1j * imaginary, sigma=sigma)
    table.done()
    return table.attempt(
        "source",
        lambda: InterfaceCalibration(
            name=name,
            made=made,
            signal=signal,  # type: ignore[arg-type]
            series=series,
            source=ratios["source"],
            open_clips=ratios["open"],
            shorted=ratios["shorted"],
            full_scale=full_scale,
            full_scale_tolerance=tolerance,
        ),
    )


def _numbers(table: Table, key: str) -> np.ndarray:
    values = table.raw(key, expected="a list of numbers")
    if not isinstance(values, list) or not all(
        isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12 for value in values
    ):
        table.fail(key, "must be a list of numbers")
    return np.array(values, dtype=float)


def role_of(name: str) -> Role:
    """Return which take a file is, by its name: source, open, shorted, open again, again; anything else is a pickup.

    >>> role_of("shorted.wav"), role_of("source again.flac"), role_of("open again.wav"), role_of("neck, worn.wav")
    ('shorted', 'again', 'open again', 'pickup')
    """
    words = "".join(letter if letter.isalpha() else " " for letter in Path(name).stem.casefold()).split()
    if {"open", "again"} <= set(words):
        return "open again"
    for role in ("again", "shorted", "open", "source"):
        if role in words:
            return role
    return "pickup"


def takes_by_role(readings: Sequence[TakeReading]) -> tuple[dict[Role, TakeReading], list[TakeReading]]:
    """Return the calibration takes by role, and the pickup takes; InputError where two have one role."""
    roles: dict[Role, TakeReading] = {}
    pickups = []
    for reading in readings:
        role = role_of(reading.name)
        if role == "pickup":
            pickups.append(reading)
        elif role in roles:
            raise InputError(
                f"{roles[role].name} and {reading.name} are both the take with {ROLE_WORDS[role]}; give one"
            )
        else:
            roles[role] = reading
    return roles, pickups
