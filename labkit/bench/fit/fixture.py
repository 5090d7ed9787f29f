"""How a sweep was taken: load box, meter, source resistor, exciter and the rig's own roll-off.

Also the small sums that say beforehand how far a fixture can be trusted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.bench.read.sweep import Sweep, SweepKind
from labkit.core.errors import InputError
from labkit.core.units import parse_quantity

RESISTOR_TOLERANCE = 0.05
"""95 % bounds of a resistor or of a meter's input resistance whose tolerance nobody stated (common practice, no
source: what lies in a drawer)."""

CAPACITOR_TOLERANCE = 0.10
"""… of a capacitor or of a meter's input capacitance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What hangs across the pickup on purpose: a resistor parallel to a capacitor.

    ``resistance_tolerance`` and ``capacitance_tolerance`` (1 = 100 %, 95 % bounds) widen the intervals of a fit:
    a 5 % capacitor makes a 5 % inductance. Nobody's word on a part is not exactness: without it 5 % and 10 % are
    taken; give 0.001 for a part that was measured on a good meter.
    """

    resistance: float = math.inf
    capacitance: float = 0.0
    resistance_tolerance: float = RESISTOR_TOLERANCE
    capacitance_tolerance: float = CAPACITOR_TOLERANCE

    def __post_init__(self) -> None:
        if not self.resistance > 0:
            raise InputError(f"a load resistance must be above 0 Ω; got {self.resistance} Ω")
        if not 0 <= self.capacitance < math.inf:
            raise InputError(f"a load capacitance must be 0 F or more; got {self.capacitance} F")
        for name in ("resistance_tolerance", "capacitance_tolerance"):
            if not 0 <= getattr(self, name) < 1:
                raise InputError(f"a load's {name.replace('_', ' ')} must lie in 0 … 100 %; got {getattr(self, name)}")


NO_LOAD = Load()
"""The bare pickup."""

STANDARD_LOAD = Load(resistance=200e3, capacitance=470e-12)
"""Controls and a cable in one box: 200 kΩ parallel to 470 pF (common practice, no source)."""


UNKNOWN_METER = (200e3, 20e6)
"""Ω; 95 % bounds of an input that nobody stated: from a sound card to a tenfold probe (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FixturePart:
    """One part of a fixture: what it should be (Ω or F) and the standard deviation of its logarithm.

    Two sweeps whose parts are equal were taken with the same part: its true value is one unknown of their fit.
    """

    name: str
    unit: str
    value: float
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixture:
    """Everything between the pickup and the recorded number.

    Parameters
    ----------
    kind : "impedance", "divider" or "exciter"
        As `labkit.bench.read.sweep.SweepKind`.
    load : Load
        Parts put across the pickup.
    meter_resistance : float or None, Ω
        Input of the instrument; infinity where it is compensated away. None where nobody said: an impedance analyser
        is then taken as compensated, any other input as lying anywhere in `UNKNOWN_METER`.
    meter_capacitance : float or None, F
        Input and probe lead; None where nobody knows it (it then sits inside the coil's capacitance, and the
        fit says so).
    series_resistance : float or None, Ω
        Source resistor of a divider.
    exciter_differentiates : bool
        True for a plain driven coil (the EMF rises with frequency), False when the chain integrates.
    rig_corner_hz : float, Hz
        First-order roll-off of the exciter or its amplifier; infinity for none. Start value when fitted.
    fit_rig_corner : bool
        Let the fit find the corner, one for all sweeps that ask for it.
    level_known : bool or None
        Whether the recorded level is absolute. None: yes for impedance and divider, no for exciter.
    series_tolerance, meter_resistance_tolerance, meter_capacitance_tolerance : float
        95 % bounds of these parts, 1 = 100 %.
    level_doubt_db : float, dB
        Standard deviation of an absolute level that all points share, such as a gain that moved since calibration.
    """

    kind: SweepKind
    load: Load = NO_LOAD
    meter_resistance: float | None = None
    meter_capacitance: float | None = 0.0
    series_resistance: float | None = None
    exciter_differentiates: bool = True
    rig_corner_hz: float = math.inf
    fit_rig_corner: bool = False
    level_known: bool | None = None
    series_tolerance: float = RESISTOR_TOLERANCE
    meter_resistance_tolerance: float = RESISTOR_TOLERANCE
    meter_capacitance_tolerance: float = CAPACITOR_TOLERANCE
    level_doubt_db: float = 0.0

    def __post_init__(self) -> None:
        if self.meter_resistance is not None and not self.meter_resistance > 0:
            raise InputError(f"a meter's input resistance must be above 0 Ω; got {self.meter_resistance} Ω")
        if self.meter_capacitance is not None and not 0 <= self.meter_capacitance < math.inf:
            raise InputError(f"a meter's input capacitance must be 0 F or more; got {self.meter_capacitance} F")
        if self.kind == "divider" and (self.series_resistance is None or not 0 < self.series_resistance < math.inf):
            raise InputError("a divider sweep needs the value of its series resistor, such as 1 MΩ")
        if not self.rig_corner_hz > 0:
            raise InputError(f"a rig corner must be above 0 Hz; got {self.rig_corner_hz} Hz")
        if self.fit_rig_corner and self.kind != "exciter":
            raise InputError("a rig corner can be fitted to exciter sweeps only; an impedance has no drive to roll off")
        if not 0 <= self.level_doubt_db < math.inf:
            raise InputError(f"the doubt of a level must be 0 dB or more; got {self.level_doubt_db} dB")
        for name in ("series_tolerance", "meter_resistance_tolerance", "meter_capacitance_tolerance"):
            if not 0 <= getattr(self, name) < 1:
                raise InputError(f"a {name.replace('_', ' ')} must lie in 0 … 100 %; got {getattr(self, name)}")

    @property
    def leaves_meter_open(self) -> bool:
        """Whether nobody said what input the instrument has, where it has one."""
        return self.meter_resistance is None and self.kind != "impedance"

    def parts(self) -> tuple[FixturePart, ...]:
        """Return the parts that stand beside the pickup in this fixture, each with its doubt."""
        load = self.load
        stated = (
            ("load resistor", "Ω", load.resistance, load.resistance_tolerance),
            ("load capacitor", "F", load.capacitance, load.capacitance_tolerance),
            ("meter input resistance", "Ω", self.meter_resistance or math.inf, self.meter_resistance_tolerance),
            ("meter input capacitance", "F", self.meter_capacitance or 0.0, self.meter_capacitance_tolerance),
            (
                "series resistor",
                "Ω",
                (self.series_resistance or 0.0) if self.kind == "divider" else 0.0,
                self.series_tolerance,
            ),
        )
        found = [
            FixturePart(name=name, unit=unit, value=value, spread=tolerance / 1.96)
            for name, unit, value, tolerance in stated
            if 0 < value < math.inf
        ]
        if self.leaves_meter_open:
            low, high = UNKNOWN_METER
            spread = math.log(high / low) / (2 * 1.96)
            found.append(
                FixturePart(name="meter input resistance", unit="Ω", value=math.sqrt(low * high), spread=spread)
            )
        return tuple(found)

    @property
    def has_absolute_level(self) -> bool:
        """Whether the fit may take the recorded level at its word."""
        return self.kind != "exciter" if self.level_known is None else self.level_known


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A sweep and the fixture it was taken with."""

    sweep: Sweep
    fixture: Fixture

    def __post_init__(self) -> None:
        if self.sweep.kind is not None and self.sweep.kind != self.fixture.kind:
            raise InputError(
                f"{self.sweep.name}: the sweep was read as '{self.sweep.kind}' but its fixture is for "
                f"'{self.fixture.kind}'"
            )


def parse_load(text: str) -> Load:
    """Read a load box from text: parts joined with ``+`` or ``||``, each optionally with a tolerance.

    >>> parse_load("200k || 470p")
    Load(resistance=200000.0, capacitance=4.7e-10, resistance_tolerance=0.05, capacitance_tolerance=0.1)
    >>> parse_load("10 nF ± 5 %").capacitance_tolerance
    0.05
    >>> parse_load("none") == NO_LOAD
    True
    """
    if text.strip().casefold() in ("none", "bare", "open", ""):
        return NO_LOAD
    resistance, capacitance = math.inf, 0.0
    tolerances: dict[str, float] = {}
    usual = {"Ω": RESISTOR_TOLERANCE, "F": CAPACITOR_TOLERANCE}
    for part in text.replace("+/-", "±").replace("||", "+").replace("∥", "+").split("+"):
        value_text, tolerance = with_tolerance(part)
        unit, value = _ohms_or_farads(value_text)
        if unit == "Ω":
            resistance = value if math.isinf(resistance) else resistance * value / (resistance + value)
        else:
            capacitance += value
        tolerances[unit] = max(tolerances.get(unit, 0.0), usual[unit] if tolerance is None else tolerance)
    return Load(
        resistance=resistance,
        capacitance=capacitance,
        resistance_tolerance=tolerances.get("Ω", RESISTOR_TOLERANCE),
        capacitance_tolerance=tolerances.get("F", CAPACITOR_TOLERANCE),
    )


def with_tolerance(text: str) -> tuple[str, float | None]:
    """Take a value and its tolerance apart; None where no tolerance is stated.

    >>> with_tolerance("10 nF ± 5 %")
    ('10 nF', 0.05)
    """
    value, _, tolerance = text.replace("+/-", "±").partition("±")
    return value.strip(), parse_quantity(tolerance.strip(), "1") if tolerance.strip() else None


def _ohms_or_farads(text: str) -> tuple[str, float]:
    """Tell a resistor from a capacitor: by its unit, else by its prefix (p, n, µ are farads; k, M are ohms)."""
    farads = text.rstrip().endswith("F") or any(letter in text for letter in "pnuµμ")
    unit = "F" if farads else "Ω"
    value = parse_quantity(text, unit)
    if value <= 0:
        raise InputError(f"a load part must be above zero; got '{text}' (write 'none' for the bare pickup)")
    return unit, value


def constant_current_ratio(
    *, source_resistance: float, sense_resistance: float, coil_impedance: float, reference_impedance: float
) -> float:
    """Return how far the "constant" current has dropped at a high coil impedance: (Rs + Rm + Z₀)/(Rs + Rm + Z).

    Parameters
    ----------
    source_resistance, sense_resistance : float, Ω
    coil_impedance, reference_impedance : float, Ω
        Coil where the current is asked for, and where it was set (both taken as real).

    Returns
    -------
    float
        Current over the set current.

    >>> round(constant_current_ratio(source_resistance=1.5e6, sense_resistance=100, coil_impedance=3e5,
    ...                              reference_impedance=6e3), 6)
    0.836676
    """
    fixed = source_resistance + sense_resistance
    return (fixed + reference_impedance) / (fixed + coil_impedance)


def largest_exciter_inductance(*, total_resistance: float, corner_hz: float) -> float:
    """Return the largest exciter inductance, H, that keeps the drive's corner at ``corner_hz``: L = R/(2πf)."""
    return total_resistance / (2 * math.pi * corner_hz)


def first_order_loss_db(*, frequency_hz: float, corner_hz: float) -> float:
    """Return the loss, dB, of a first-order corner: 10·log10(1 + (f/f_c)²).

    >>> round(first_order_loss_db(frequency_hz=20e3, corner_hz=200e3), 4)
    0.0432
    """
    return 10 * math.log10(1 + (frequency_hz / corner_hz) ** 2)
