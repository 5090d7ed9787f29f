"""What the numbers of a column are in SI: by header words, by choice, else by what a pickup can show.

Which column is which is decided in `columns`. A unit is guessed only where what comes out could be a pickup, and the
guess is named; else it is asked. Tables of LCR meters become
impedances: an inductance or capacitance and a loss, in series or in parallel.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeVar

import numpy as np

from labkit.bench.read.sweep import SweepKind
from labkit.bench.read.table import NumberTable
from labkit.core.errors import InputError, join_words
from labkit.core.units import PREFIXES

FrequencyUnit = Literal["Hz", "kHz", "MHz", "rad/s", "log10 Hz"]
MagnitudeUnit = Literal["dB", "linear", "ohm", "kohm", "Mohm", "dBohm", "volt", "millivolt"]
PhaseUnit = Literal["deg", "rad"]
Unit = TypeVar("Unit")

_FREQUENCY_FACTOR = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "rad/s": 1 / (2 * np.pi)}
_LINEAR_FACTOR = {"linear": 1.0, "ohm": 1.0, "kohm": 1e3, "Mohm": 1e6, "volt": 1.0, "millivolt": 1e-3}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a column can be: the words that head it, its SI unit, and what it does in an impedance.

    ``reactance`` gives from angular frequency and value the reactance (in series) or susceptance (in parallel),
    ``loss`` from that and the value the resistance or conductance. ``usual`` are the values that a pickup shows at the
    lowest frequency of a table.
    """

    words: str
    unit: str = ""
    usual: tuple[float, float] = (0.0, np.inf)
    circuit: Literal["series", "parallel", "either", ""] = ""
    reactance: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None
    loss: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None


_SERIES, _PARALLEL = r"(?:[\s_-]?s(?![a-z])|\(s\))", r"(?:[\s_-]?p(?![a-z])|\(p\))"
_IN_SERIES, _IN_PARALLEL = r"^(?=.*\b(?:series|serial|ser)\b).*", r"^(?=.*\b(?:parallel|par)\b).*"
_HENRIES, _FARADS, _OHMS = (0.05, 200.0), (1e-13, 1e-3), (20.0, 2e6)

MEANINGS: Mapping[str, Meaning] = MappingProxyType(
    {
        "frequency": Meaning(
            r"\bfreq|^\s*f\s*$|^\s*f\s*[\[(/_]|\bfréq|\bfrec|frequenz|\bhz\b|\bkhz\b|\bomega\b|^\s*ω|\bl(?:og(?:10)?|g)\W*f",
            "Hz",
        ),
        "Ls": Meaning(rf"\bl{_SERIES}|{_IN_SERIES}\binduct", "H", _HENRIES, "series", lambda w, value: w * value),
        "Lp": Meaning(
            rf"\bl{_PARALLEL}|{_IN_PARALLEL}\binduct", "H", _HENRIES, "parallel", lambda w, value: -1 / (w * value)
        ),
        "Cs": Meaning(
            rf"\bc{_SERIES}|{_IN_SERIES}\bcapacit", "F", _FARADS, "series", lambda w, value: -1 / (w * value)
        ),
        "Cp": Meaning(rf"\bc{_PARALLEL}|{_IN_PARALLEL}\bcapacit", "F", _FARADS, "parallel", lambda w, value: w * value),
        "L": Meaning(r"^\s*l\s*(?:[\[(]|$)|\binduct", "H"),
        "C": Meaning(r"^\s*c\s*(?:[\[(]|$)|\bcapacit", "F"),
        "Rp": Meaning(
            rf"\br{_PARALLEL}|{_IN_PARALLEL}\bresist", "Ω", _OHMS, "parallel", None, lambda x, value: 1 / value
        ),
        "G": Meaning(
            r"conductance|^\s*g\s*[\[(]\s*[nµumk]?s\b", "S", (5e-7, 0.05), "parallel", None, lambda x, value: value
        ),
        "D": Meaning(
            r"^\s*d\s*(?:[\[(]|$)|dissipation|\btan\W*(?:δ|delta)|\bdf\b",
            circuit="either",
            loss=lambda x, value: np.abs(x * value),
        ),
        "Q": Meaning(r"^\s*q\b|quality", circuit="either", loss=lambda x, value: np.abs(x / value)),
        "phase": Meaning(r"phase|phasen|\barg\b|\bangle|winkel|theta|θ|φ|\bphi\b|\bdeg\b|°|^vp\(|^ph\("),
        "real": Meaning(
            rf"\bre\b|\breal|^re\W|\br[\s_-]?s(?![a-z])|\besr\b|{_IN_SERIES}\bresist|^r\s*(?:[\[(]|$)|^vr\(",
            "Ω",
            _OHMS,
            "series",
            None,
            lambda x, value: value,
        ),
        "imaginary": Meaning(r"\bim\b|\bimag|^im\W|\bxs\b|reactance|^x\s*(?:[\[(]|$)|^vi\(", "Ω"),
        "magnitude": Meaning(
            r"mag|ampl|gain|level|pegel|betrag|imped|\|z|^\s*z\b|\bohm|Ω|Ω|db|volt|\bmv\b|\bv\b|\boutput"
            r"|transfer|response|\bmod|^v[m(]"
        ),
    }
)
"""Every meaning that a header can give a column; of several that fit, the first."""

IMPEDANCE_WORDS = r"imped|\|z|^\s*z\b"

MOST_DB = 300.0
"""Larger numbers are no decibels: 1 pV to 1 kV is 300 dB."""

LEAST_DB = 3.0
"""A curve whose unit is guessed must move at least this much: every coil's does between its corner and its peak."""

MOST_JUMP_DB = 30.0
"""… and by no more than this from one row to the next: a value that changes its sign is no level."""

LEAST_DECADE = 10.0
"""A sweep whose unit is guessed covers at least this ratio; from 1.3 to 4.3 are decades, not kHz."""

DECADES = (0.9, 6.1)
"""What the logarithm of a pickup sweep's frequencies lies between: 8 Hz to 1.3 MHz."""

HIGHEST_IN_KHZ = 100.0
"""A pickup sweep whose largest "Hz" is below this is written in kHz: the coil's own corner lies at 300 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepColumns:
    """The three columns of a sweep in SI, with what was assumed on the way."""

    frequency_hz: np.ndarray
    magnitude: np.ndarray
    phase_deg: np.ndarray | None
    kind: SweepKind | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def name_unused(table: NumberTable, used: set[int], notes: list[str]) -> None:
    unused = [i for i in range(table.numbers.shape[1]) if i not in used]
    if unused:
        notes.append("not used: " + ", ".join(label(table, i) for i in unused))


def label(table: NumberTable, index: int) -> str:
    words = table.header[index]
    return f"column {index + 1} ('{words}')" if words else f"column {index + 1}"


def headers(table: NumberTable) -> str:
    named = [f"{i + 1} '{words}'" for i, words in enumerate(table.header) if words]
    return ", ".join([*named[:12], *(["…"] if len(named) > 12 else [])]) or "none"


def is_monotone(values: np.ndarray) -> bool:
    steps = np.diff(values)
    return bool(max(np.mean(steps >= 0), np.mean(steps <= 0)) >= 0.9)


def looks_like_decades(values: np.ndarray) -> bool:
    """Say whether numbers could be the logarithms of a sweep's frequencies."""
    finite = values[np.isfinite(values)]
    if finite.size < 4 or finite.min() < DECADES[0] or finite.max() > DECADES[1]:
        return False
    return is_monotone(finite) and float(np.ptp(finite)) >= 1.0


FREQUENCY_WORDS: tuple[tuple[str, FrequencyUnit], ...] = (
    (r"\bl(?:og(?:10)?|g)\b|\blog10", "log10 Hz"),
    (r"k\s*hz", "kHz"),
    (r"(?-i:\bMHz)", "MHz"),
    (r"rad\s*/\s*s|omega|ω", "rad/s"),
    (r"hz|hertz", "Hz"),
)
_MAGNITUDE_WORDS: tuple[tuple[str, MagnitudeUnit], ...] = (
    (r"db\s*(?:re\s*1\s*)?(?:Ω|Ω|ohm)", "dBohm"),
    (r"db", "dB"),
    (r"(?:\bk|kilo)\s*(?:Ω|Ω|ohm)", "kohm"),
    (r"(?-i:\bM\s*(?:Ω|Ω|ohm)|megohm)", "Mohm"),
    (r"Ω|Ω|ohm", "ohm"),
    (r"\bmV\b|millivolt", "millivolt"),
    (r"\bV\b|volt|^vm?\(", "volt"),
    (r"linear|ratio|V/V", "linear"),
)


def stated_unit(words: str, units: Iterable[tuple[str, Unit]]) -> Unit | None:
    return next((unit for pattern, unit in units if re.search(pattern, words, re.IGNORECASE)), None)


def frequencies(table: NumberTable, index: int, unit: FrequencyUnit | None, notes: list[str], name: str) -> np.ndarray:
    words, values = table.header[index], table.numbers[:, index]
    stated = unit or stated_unit(words, FREQUENCY_WORDS)
    highest = float(np.nanmax(values))
    lowest = float(np.nanmin(values))
    if stated is None:
        stated = "Hz" if highest > HIGHEST_IN_KHZ else "kHz"
        if stated == "kHz" and highest < LEAST_DECADE * max(lowest, 1e-12):
            if not looks_like_decades(values):
                raise InputError(
                    f"{name}: {label(table, index)} runs from {lowest:.4g} to {highest:.4g} without a unit; as kHz "
                    "that is no whole sweep, as a logarithm none of a pickup; say --frequency-unit kHz, or Hz"
                )
            stated = "log10 Hz"
        why = "" if stated == "Hz" else f" (it runs from {lowest:.4g} to {highest:.4g})"
        other = ", --frequency-unit kHz says otherwise" if stated == "log10 Hz" else ""
        notes.append(f"{label(table, index)} taken as frequency in {stated}{why}: no unit is given{other}")
    elif stated == "log10 Hz":
        notes.append(f"{label(table, index)}: frequency as its logarithm, {stated}")
    else:
        top = highest * _FREQUENCY_FACTOR[stated]
        if unit is None and top <= HIGHEST_IN_KHZ:
            raise InputError(
                f"{name}: the frequencies run from {lowest:.4g} to {highest:.4g} and are headed {stated}; a pickup "
                "sweep that ends below 100 Hz shows nothing, so they look like kHz. Correct the header, or say "
                "--frequency-unit kHz"
            )
        if unit is None and stated in ("kHz", "MHz") and top > 10e6:
            raise InputError(
                f"{name}: the frequencies run up to {highest:.4g} and are headed {stated}; they look like Hz. "
                "Correct the header, or say --frequency-unit Hz"
            )
        notes.append(f"{label(table, index)}: frequency in {stated}")
    if stated == "log10 Hz":
        with np.errstate(over="ignore"):
            return np.asarray(10.0**values)
    frequency: np.ndarray = values * _FREQUENCY_FACTOR[stated]
    return frequency


def _could_be_a_curve(level_db: np.ndarray) -> bool:
    """Say whether a level could be a pickup's: it moves without jumps, highest inside the sweep, lowest at an end.

    An inductance is highest just below the resonance and lowest just above it.
    """
    level = level_db[np.isfinite(level_db)]
    if level.size < 5 or np.ptp(level) < LEAST_DB or np.abs(np.diff(level)).max() > MOST_JUMP_DB:
        return False
    ends = (0, 1, level.size - 2, level.size - 1)
    return int(np.argmax(level)) not in (0, level.size - 1) and int(np.argmin(level)) in ends


def magnitudes(
    table: NumberTable, index: int, unit: MagnitudeUnit | None, notes: list[str], name: str
) -> tuple[np.ndarray, SweepKind | None]:
    words, values = table.header[index], table.numbers[:, index]
    stated = unit or stated_unit(words, _MAGNITUDE_WORDS)
    is_impedance = re.search(IMPEDANCE_WORDS, words, re.IGNORECASE) is not None
    if stated is None:
        lowest, highest = float(np.nanmin(values)), float(np.nanmax(values))
        with np.errstate(all="ignore"):
            is_curve = _could_be_a_curve(values if lowest < 0 else 20 * np.log10(values))
        if lowest < 0 and is_curve:
            stated = "dB"
            notes.append(f"{label(table, index)} taken as dB: it has negative numbers and no unit")
        elif lowest > 500 and (is_curve or is_impedance):
            stated = "ohm"
            notes.append(f"{label(table, index)} taken as an impedance in Ω: no unit, and never below {lowest:.3g}")
        elif lowest >= 0 and highest <= 1.0 and is_curve:
            stated = "linear"
            notes.append(f"{label(table, index)} taken as a linear ratio: it stays below 1, no unit is given")
        else:
            other = "" if is_curve else f"; as a level it is no coil's curve, an inductance is --column Ls={index + 1}"
            raise InputError(
                f"{name}: {label(table, index)} runs from {lowest:.4g} to {highest:.4g} without a unit; it could "
                f"be dB, kΩ or volts. State the magnitude unit: --magnitude-unit dB, kohm or volt{other}"
            )
    else:
        notes.append(f"{label(table, index)}: magnitude in {stated}")
    if stated in ("dB", "dBohm"):
        if np.nanmax(np.abs(values)) > MOST_DB:
            raise InputError(
                f"{name}: {label(table, index)} is read as dB but reaches {np.nanmax(np.abs(values)):.4g}; "
                "it looks like ohms or volts. State the magnitude unit: --magnitude-unit ohm or volt"
            )
        kind: SweepKind | None = "impedance" if stated == "dBohm" or (is_impedance and unit is None) else None
        return 10 ** (values / 20), kind
    if np.nanmin(values) < 0:
        raise InputError(
            f"{name}: {label(table, index)} is read as {stated} but has negative numbers; it looks like dB or like a "
            "reactance: say --magnitude-unit dB, or name --column real=… and --column imaginary=…"
        )
    return values * _LINEAR_FACTOR[stated], "impedance" if stated in ("ohm", "kohm", "Mohm") else None


def phases(table: NumberTable, index: int, unit: PhaseUnit | None, notes: list[str], name: str) -> np.ndarray:
    words, values = table.header[index], table.numbers[:, index]
    stated = unit
    if stated is None and re.search(r"\brad", words, re.IGNORECASE):
        stated = "rad"
    elif stated is None and re.search(r"deg|°|grad", words, re.IGNORECASE):
        stated = "deg"
    largest = float(np.nanmax(np.abs(values)))
    if stated is None:
        if largest > 2 * np.pi + 0.01:
            stated = "deg"
        elif np.nanmax(values) - np.nanmin(values) > 0.5:
            stated = "rad"
        else:
            raise InputError(
                f"{name}: {label(table, index)} stays within ±{largest:.2g} without a unit; "
                "it could be degrees or radians. State the phase unit: --phase-unit deg or rad"
            )
        notes.append(f"{label(table, index)} taken as phase in {stated}: no unit is given, largest {largest:.3g}")
    else:
        if stated == "rad" and unit is None and largest > 60:
            raise InputError(
                f"{name}: {label(table, index)} is headed radians but reaches {largest:.0f}; "
                "state the phase unit: --phase-unit deg or rad"
            )
        notes.append(f"{label(table, index)}: phase in {stated}")
    phase: np.ndarray = np.degrees(values) if stated == "rad" else values
    return phase


def from_parts(
    table: NumberTable,
    roles: dict[str, int],
    unit: MagnitudeUnit | None,
    frequency: np.ndarray,
    notes: list[str],
    name: str,
) -> SweepColumns:
    real, imaginary = (table.numbers[:, roles[role]] for role in ("real", "imaginary"))
    words = table.header[roles["real"]]
    stated = unit or stated_unit(words, _MAGNITUDE_WORDS)
    if stated in ("dB", "dBohm"):
        raise InputError(f"{name}: {label(table, roles['real'])} is a real part, which cannot be in {stated}")
    is_impedance = stated in ("ohm", "kohm", "Mohm") or re.search(r"\bz\b|imped|\brs\b", words, re.IGNORECASE)
    factor = _LINEAR_FACTOR.get(stated or "ohm", 1.0)
    notes.append(
        f"{label(table, roles['real'])} and {label(table, roles['imaginary'])}: real and imaginary part"
        f"{', Ω' if is_impedance else ''}"
    )
    value = (real + 1j * imaginary) * factor
    return complex_columns(value, frequency, "impedance" if is_impedance else None, notes)


def from_complex(
    table: NumberTable, index: int, unit: MagnitudeUnit | None, frequency: np.ndarray, notes: list[str]
) -> SweepColumns:
    words = table.header[index]
    stated = unit or stated_unit(words, _MAGNITUDE_WORDS) or "linear"
    factor = _LINEAR_FACTOR.get(stated, 1.0)
    is_impedance = stated in ("ohm", "kohm", "Mohm") or re.search(IMPEDANCE_WORDS, words, re.IGNORECASE)
    notes.append(f"{label(table, index)}: complex{', Ω' if is_impedance else ''}")
    return complex_columns(table.parts[index] * factor, frequency, "impedance" if is_impedance else None, notes)


def complex_columns(value: np.ndarray, frequency: np.ndarray, kind: SweepKind | None, notes: list[str]) -> SweepColumns:
    active = int(np.sum(value.real < -0.02 * np.abs(value))) if kind == "impedance" else 0
    warnings = (
        (
            f"the resistance is negative in {active} of {value.size} rows: a coil gives no energy away; check the sign "
            "of the phase, the columns and the instrument's open and short correction",
        )
        if active
        else ()
    )
    return SweepColumns(
        frequency_hz=frequency,
        magnitude=np.abs(value),
        phase_deg=np.degrees(np.angle(value)),
        kind=kind,
        notes=tuple(notes),
        warnings=warnings,
    )


def from_meter(
    table: NumberTable,
    roles: dict[str, int],
    reactive: Sequence[str],
    units: Mapping[str, str],
    frequency: np.ndarray,
    notes: list[str],
    name: str,
) -> SweepColumns:
    """Return the impedance that an LCR meter shows as an inductance or capacitance and a loss."""
    losses = [role for role in ("real", "Rp", "G", "D", "Q") if role in roles]
    role = reactive[0]
    index = roles[role]
    if role in ("L", "C"):
        sides = {MEANINGS[loss].circuit for loss in losses} - {"either"}
        if "real" in losses and not re.search(r"s\b|ser|esr", table.header[roles["real"]], re.IGNORECASE):
            sides = set()  # a plain R is as undecided as a plain L
        if len(sides) != 1:
            raise InputError(
                f"{name}: {label(table, index)} could be in series or in parallel with the loss; say which: "
                f"--column {role}s={index + 1} or --column {role}p={index + 1}"
            )
        role += "s" if sides == {"series"} else "p"
    circuit = MEANINGS[role].circuit
    loss = next((loss for loss in losses if MEANINGS[loss].circuit in (circuit, "either")), None)
    if loss is None:
        beside = "Rs, Q or D" if circuit == "series" else "Rp, G, Q or D"
        raise InputError(
            f"{name}: {label(table, index)} is no impedance by itself; export {beside} with it, or say which column "
            f"that is, such as --column Q=3. Headers: {headers(table)}"
        )
    value = _in_si(table, role, index, units, notes, name, frequency)
    lossy = _in_si(table, loss, roles[loss], units, notes, name, frequency)
    reactance_of, loss_of = MEANINGS[role].reactance, MEANINGS[loss].loss
    assert reactance_of is not None
    assert loss_of is not None
    with np.errstate(all="ignore"):
        across = reactance_of(2 * np.pi * frequency, value)
        immittance = loss_of(across, lossy) + 1j * across
        impedance = immittance if circuit == "series" else 1 / immittance
    impedance = np.where(np.isfinite(impedance), impedance, np.nan)
    shown = "Rs" if loss == "real" else loss
    notes.append(f"{role} and {shown} of a meter, in {circuit}, turned into an impedance in Ω")
    name_unused(table, {roles["frequency"], index, roles[loss]}, notes)
    return complex_columns(impedance, frequency, "impedance", notes)


def unit_scale(words: str, unit: str) -> float | None:
    """Return what a header's unit is worth in SI, None where it states none."""
    if not unit:
        return 1e-2 if "%" in words else 1.0
    spelled = {"Ω": "Ω|Ω|[oO]hms?|OHMS?", "H": "H|[hH]enr(?:y|ies)", "F": "F|[fF]arads?", "S": "S|[sS]iemens"}[unit]
    found = re.search(rf"(?<![A-Za-z])([{''.join(PREFIXES)}]?) ?(?:{spelled})(?![A-Za-z])", words)
    return 10.0 ** PREFIXES[found[1]] if found else None


def _in_si(
    table: NumberTable,
    role: str,
    index: int,
    units: Mapping[str, str],
    notes: list[str],
    name: str,
    frequency: np.ndarray,
) -> np.ndarray:
    """Return a meter's column in SI: in the unit that is chosen or headed, else in the only one a pickup allows."""
    meaning, values = MEANINGS[role], table.numbers[:, index]
    if not meaning.unit:
        return values * (unit_scale(table.header[index], "") or 1.0)
    chosen = f"[{units[role]}]" if role in units else ""
    scale = unit_scale(chosen or table.header[index], meaning.unit)
    usable = np.isfinite(values) & np.isfinite(frequency) & (values != 0)
    if not usable.any():
        raise InputError(f"{name}: {label(table, index)} should be {role} but holds no numbers")
    lowest = abs(float(values[usable][np.argmin(frequency[usable])]))
    fits = {
        prefix: 10.0 ** PREFIXES[prefix]
        for prefix in ("", "k", "M", "m", "µ", "n", "p")
        if meaning.usual[0] <= lowest * 10.0 ** PREFIXES[prefix] <= meaning.usual[1]
    }
    plain = [
        prefix
        for prefix in fits
        if prefix in {"H": "mµ", "F": "µnp", "Ω": "kM", "S": "mµn"}[meaning.unit] or not prefix
    ]
    options = [f"--column {role}={index + 1}:{prefix}{meaning.unit}" for prefix in plain]
    wanted = join_words(options, "or") or f"--column {role}={index + 1}:UNIT"
    if scale is None and len(plain) == 1:
        scale = fits[plain[0]]
        notes.append(f"{label(table, index)} taken as {role} in {plain[0]}{meaning.unit}: no unit is given")
    elif scale is None:
        raise InputError(f"{name}: {label(table, index)} has no unit and begins with {lowest:.4g}; say which: {wanted}")
    elif not chosen and not meaning.usual[0] <= lowest * scale <= meaning.usual[1]:
        raise InputError(
            f"{name}: {label(table, index)} begins with {lowest:.4g}, no pickup's {role} in that unit; correct "
            f"the header, or say {wanted}"
        )
    return values * scale
