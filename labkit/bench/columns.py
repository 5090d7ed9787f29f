"""Which column of a table is the frequency, which the magnitude, which the phase, and in what unit.

Header words decide where there are any; where there are none the numbers do, as far as they can. What cannot be
decided is asked, in one sentence that names the choice to make.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.bench.sweep import SweepKind
from labkit.bench.table import NumberTable
from labkit.core.errors import InputError, did_you_mean

FrequencyUnit = Literal["Hz", "kHz", "MHz", "rad/s"]
MagnitudeUnit = Literal["dB", "linear", "ohm", "kohm", "Mohm", "dBohm", "volt", "millivolt"]
PhaseUnit = Literal["deg", "rad"]

ROLES = ("frequency", "magnitude", "phase", "real", "imaginary")
_FREQUENCY_FACTOR = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "rad/s": 1 / (2 * np.pi)}
_LINEAR_FACTOR = {"linear": 1.0, "ohm": 1.0, "kohm": 1e3, "Mohm": 1e6, "volt": 1.0, "millivolt": 1e-3}

_WORDS: dict[str, str] = {
    "frequency": r"\bfreq|^\s*f\s*$|^\s*f\s*[\[(/_]|\bfréq|\bfrec|frequenz|\bhz\b|\bkhz\b|\bomega\b|^\s*ω",
    "phase": r"phase|phasen|\barg\b|\bangle|winkel|theta|θ|φ|\bphi\b|\bdeg\b|°",
    "real": r"\bre\b|\breal|^re\W|\brs\b|^r\s*[\[(]",
    "imaginary": r"\bim\b|\bimag|^im\W|\bxs\b|^x\s*[\[(]",
    "magnitude": r"mag|ampl|gain|level|pegel|betrag|imped|\|z|^\s*z\b|\bohm|Ω|Ω|db|volt|\bmv\b|\bv\b|\boutput"
    r"|transfer|response|\bmod",
}
_ORDER = ("frequency", "phase", "real", "imaginary", "magnitude")

LOWEST_SPAN = 3.0
"""A frequency column must span at least this ratio to be told from a level."""

MOST_DB = 300.0
"""Larger numbers are no decibels: 1 pV to 1 kV is 300 dB."""

HIGHEST_IN_KHZ = 100.0
"""A pickup sweep whose largest "Hz" is below this is written in kHz: the coil's own corner lies at 300 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The three columns of a sweep in SI, with what was assumed on the way."""

    frequency_hz: np.ndarray
    magnitude: np.ndarray
    phase_deg: np.ndarray | None
    kind: SweepKind | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def assign_columns(
    table: NumberTable,
    *,
    choice: Mapping[str, int | str],
    frequency_unit: FrequencyUnit | None,
    magnitude_unit: MagnitudeUnit | None,
    phase_unit: PhaseUnit | None,
    name: str,
) -> Columns:
    """Decide roles and units and return SI columns; InputError where the file can be read in two ways."""
    roles = _chosen(table, choice, name)
    for role in _ORDER:
        if role in roles:
            continue
        for index, words in enumerate(table.header):
            if index not in roles.values() and re.search(_WORDS[role], words, re.IGNORECASE):
                roles[role] = index
                break
    empty = [i for i in range(table.numbers.shape[1]) if np.isnan(table.numbers[:, i]).all()]
    for role, index in list(roles.items()):
        if index in empty:
            raise InputError(f"{name}: {_label(table, index)} should be the {role} but holds no numbers")
    notes: list[str] = []
    _frequency_by_numbers(table, roles, choice, notes, name)
    _check_frequency_rises(table, roles, name)
    _remaining_by_position(table, roles, notes, name)
    frequency = _frequency(table, roles["frequency"], frequency_unit, notes, name)
    if "real" in roles and "imaginary" in roles and "magnitude" not in roles:
        return _from_parts(table, roles, magnitude_unit, frequency, notes)
    if "magnitude" not in roles:
        raise InputError(f"{name}: no magnitude column found; say which column it is. Headers: {_headers(table)}")
    magnitude, kind = _magnitude(table, roles["magnitude"], magnitude_unit, notes, name)
    phase = None
    if "phase" in roles:
        phase = _phase(table, roles["phase"], phase_unit, notes, name)
    else:
        notes.append("magnitude only, no phase")
    unused = [i for i in range(table.numbers.shape[1]) if i not in roles.values()]
    if unused:
        notes.append("not used: " + ", ".join(_label(table, i) for i in unused))
    return Columns(frequency_hz=frequency, magnitude=magnitude, phase_deg=phase, kind=kind, notes=tuple(notes))


def _label(table: NumberTable, index: int) -> str:
    words = table.header[index]
    return f"column {index + 1} ('{words}')" if words else f"column {index + 1}"


def _headers(table: NumberTable) -> str:
    return ", ".join(f"{i + 1} '{words}'" for i, words in enumerate(table.header) if words) or "none"


def _chosen(table: NumberTable, choice: Mapping[str, int | str], name: str) -> dict[str, int]:
    roles: dict[str, int] = {}
    width = table.numbers.shape[1]
    for role, wanted in choice.items():
        if role not in ROLES:
            raise InputError(f"{name}: a column can be {', '.join(ROLES)}; got '{role}'.{did_you_mean(role, ROLES)}")
        if isinstance(wanted, str) and not wanted.strip().isdigit():
            found = [i for i, words in enumerate(table.header) if wanted.casefold() in words.casefold()]
            if len(found) != 1:
                known = [words for words in table.header if words]
                raise InputError(f"{name}: no single column is headed '{wanted}'.{did_you_mean(wanted, known)}")
            roles[role] = found[0]
        else:
            number = int(wanted)
            if not 1 <= number <= width:
                raise InputError(f"{name}: column {number} was asked for; the table has columns 1 to {width}")
            roles[role] = number - 1
    return roles


def _looks_like_frequency(values: np.ndarray) -> bool:
    finite = values[np.isfinite(values)]
    if finite.size < 2 or np.any(finite < 0) or finite.max() <= 0:
        return False
    steps = np.diff(finite)
    monotone = max(np.mean(steps >= 0), np.mean(steps <= 0)) >= 0.9
    lowest = finite[finite > 0].min()
    return bool(monotone and finite.max() / lowest >= LOWEST_SPAN)


def _frequency_by_numbers(
    table: NumberTable, roles: dict[str, int], choice: Mapping[str, int | str], notes: list[str], name: str
) -> None:
    if "frequency" in roles:
        return
    taken = set(roles.values())
    fits = [i for i in range(table.numbers.shape[1]) if i not in taken and _looks_like_frequency(table.numbers[:, i])]
    if not fits:
        raise InputError(
            f"{name}: no column can be the frequency (none is positive and rising over a factor {LOWEST_SPAN:g}); "
            f"say which one it is. Headers: {_headers(table)}"
        )
    if len(fits) > 1:
        if fits[0] != 0 or table.numbers.shape[1] > 2:
            names = " or ".join(_label(table, i) for i in fits)
            raise InputError(
                f"{name}: the frequency could be {names}; say which, for example columns frequency={fits[0] + 1}"
            )
        notes.append("both columns rise; the first is taken as the frequency, as usual")
    roles["frequency"] = fits[0]
    place = "" if fits[0] == 0 else ", although it is not the first"
    notes.append(f"column {fits[0] + 1} taken as the frequency from its numbers{place}")


def _check_frequency_rises(table: NumberTable, roles: dict[str, int], name: str) -> None:
    index = roles["frequency"]
    if _looks_like_frequency(table.numbers[:, index]) or table.numbers.shape[0] < 4:
        return
    others = [i for i in range(table.numbers.shape[1]) if i != index and _looks_like_frequency(table.numbers[:, i])]
    finite = table.numbers[:, index][np.isfinite(table.numbers[:, index])]
    unsorted = finite.size > 3 and np.all(finite > 0) and finite.max() / finite.min() >= LOWEST_SPAN
    if others:
        raise InputError(
            f"{name}: {_label(table, index)} is headed as the frequency but does not rise, while "
            f"{_label(table, others[0])} does; the two look swapped. Correct the header, or say columns "
            f"frequency={others[0] + 1}, magnitude={index + 1}"
        )
    if not unsorted:
        raise InputError(
            f"{name}: {_label(table, index)} should be the frequency but spans {finite.min():.4g} to "
            f"{finite.max():.4g}; a sweep must be positive and cover at least a factor {LOWEST_SPAN:g}"
        )


def _remaining_by_position(table: NumberTable, roles: dict[str, int], notes: list[str], name: str) -> None:
    if "magnitude" in roles or ("real" in roles and "imaginary" in roles):
        return
    free = [
        i for i in range(table.numbers.shape[1]) if i not in roles.values() and np.isfinite(table.numbers[:, i]).any()
    ]
    named = [i for i in free if table.header[i]]
    if len(free) == 1:
        roles["magnitude"] = free[0]
        notes.append(f"{_label(table, free[0])} taken as the magnitude, the only column left")
        return
    if named:
        raise InputError(
            f"{name}: the magnitude could be {' or '.join(_label(table, i) for i in free)}; "
            f"say which, for example columns magnitude={free[0] + 1}"
        )
    if len(free) == 2:
        roles["magnitude"], phase = free
        if "phase" not in roles and np.nanmax(np.abs(table.numbers[:, phase])) <= 360:
            roles["phase"] = phase
            notes.append(f"columns {free[0] + 1} and {free[1] + 1} taken as magnitude and phase, as usual")
        return
    if free:
        raise InputError(
            f"{name}: {table.numbers.shape[1]} columns without headers; say which is the magnitude, "
            f"for example columns frequency={roles['frequency'] + 1}, magnitude={free[0] + 1}"
        )


def _frequency(table: NumberTable, index: int, unit: FrequencyUnit | None, notes: list[str], name: str) -> np.ndarray:
    words, values = table.header[index], table.numbers[:, index]
    stated: FrequencyUnit | None = unit
    if stated is None:
        if re.search(r"k\s*hz", words, re.IGNORECASE):
            stated = "kHz"
        elif re.search(r"\bMHz", words):
            stated = "MHz"
        elif re.search(r"rad\s*/\s*s|omega|ω", words, re.IGNORECASE):
            stated = "rad/s"
        elif re.search(r"hz|hertz", words, re.IGNORECASE):
            stated = "Hz"
    highest = float(np.nanmax(values))
    lowest = float(np.nanmin(values))
    if stated is None:
        stated = "kHz" if highest <= HIGHEST_IN_KHZ else "Hz"
        why = f" (it runs from {lowest:.4g} to {highest:.4g})" if stated == "kHz" else ""
        notes.append(f"{_label(table, index)} taken as frequency in {stated}{why}: no unit is given")
    else:
        top = highest * _FREQUENCY_FACTOR[stated]
        if unit is None and top <= HIGHEST_IN_KHZ:
            raise InputError(
                f"{name}: the frequencies run from {lowest:.4g} to {highest:.4g} and are headed {stated}; a pickup "
                "sweep that ends below 100 Hz shows nothing, so they look like kHz. Correct the header, or state the "
                "unit (kHz)"
            )
        if unit is None and stated in ("kHz", "MHz") and top > 10e6:
            raise InputError(
                f"{name}: the frequencies run up to {highest:.4g} and are headed {stated}; they look like Hz. "
                "Correct the header, or state the unit (Hz)"
            )
        notes.append(f"{_label(table, index)}: frequency in {stated}")
    frequency: np.ndarray = values * _FREQUENCY_FACTOR[stated]
    return frequency


def _stated_magnitude_unit(words: str) -> MagnitudeUnit | None:
    if re.search(r"db\s*(?:re\s*1\s*)?(?:Ω|Ω|ohm)", words, re.IGNORECASE):
        return "dBohm"
    if re.search(r"db", words, re.IGNORECASE):
        return "dB"
    if re.search(r"(?:\bk|kilo)\s*(?:Ω|Ω|ohm)", words, re.IGNORECASE):
        return "kohm"
    if re.search(r"\bM\s*(?:Ω|Ω|ohm)|megohm", words):
        return "Mohm"
    if re.search(r"Ω|Ω|ohm", words, re.IGNORECASE):
        return "ohm"
    if re.search(r"\bmV\b|millivolt", words, re.IGNORECASE):
        return "millivolt"
    if re.search(r"\bV\b|volt", words, re.IGNORECASE):
        return "volt"
    return "linear" if re.search(r"linear|ratio|V/V", words, re.IGNORECASE) else None


def _magnitude(
    table: NumberTable, index: int, unit: MagnitudeUnit | None, notes: list[str], name: str
) -> tuple[np.ndarray, SweepKind | None]:
    words, values = table.header[index], table.numbers[:, index]
    stated = unit or _stated_magnitude_unit(words)
    is_impedance = re.search(r"imped|\|z|^\s*z\b", words, re.IGNORECASE) is not None
    if stated is None:
        if np.nanmin(values) < 0:
            stated = "dB"
            notes.append(f"{_label(table, index)} taken as dB: it has negative numbers and no unit")
        elif np.nanmin(values) > 500:
            stated = "ohm"
            notes.append(
                f"{_label(table, index)} taken as an impedance in Ω: no unit, and never below {np.nanmin(values):.3g}"
            )
        elif np.nanmax(values) <= 1.0:
            stated = "linear"
            notes.append(f"{_label(table, index)} taken as a linear ratio: it stays below 1, no unit is given")
        else:
            raise InputError(
                f"{name}: {_label(table, index)} runs from {np.nanmin(values):.4g} to {np.nanmax(values):.4g} "
                "without a unit; it could be dB, kΩ or volts. State the magnitude unit"
            )
    else:
        notes.append(f"{_label(table, index)}: magnitude in {stated}")
    if stated in ("dB", "dBohm"):
        if np.nanmax(np.abs(values)) > MOST_DB:
            raise InputError(
                f"{name}: {_label(table, index)} is read as dB but reaches {np.nanmax(np.abs(values)):.4g}; "
                "it looks like ohms or volts. State the magnitude unit"
            )
        kind: SweepKind | None = "impedance" if stated == "dBohm" or (is_impedance and unit is None) else None
        return 10 ** (values / 20), kind
    if np.nanmin(values) < 0:
        raise InputError(
            f"{name}: {_label(table, index)} is read as {stated} but has negative numbers; it looks like dB or like a "
            "reactance. State the magnitude unit, or name the real and imaginary columns"
        )
    return values * _LINEAR_FACTOR[stated], "impedance" if stated in ("ohm", "kohm", "Mohm") else None


def _phase(table: NumberTable, index: int, unit: PhaseUnit | None, notes: list[str], name: str) -> np.ndarray:
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
                f"{name}: {_label(table, index)} stays within ±{largest:.2g} without a unit; "
                "it could be degrees or radians. State the phase unit (deg or rad)"
            )
        notes.append(f"{_label(table, index)} taken as phase in {stated}: no unit is given, largest {largest:.3g}")
    else:
        if stated == "rad" and unit is None and largest > 60:
            raise InputError(
                f"{name}: {_label(table, index)} is headed radians but reaches {largest:.0f}; state the phase unit"
            )
        notes.append(f"{_label(table, index)}: phase in {stated}")
    phase: np.ndarray = np.degrees(values) if stated == "rad" else values
    return phase


def _from_parts(
    table: NumberTable, roles: dict[str, int], unit: MagnitudeUnit | None, frequency: np.ndarray, notes: list[str]
) -> Columns:
    real, imaginary = (table.numbers[:, roles[role]] for role in ("real", "imaginary"))
    words = table.header[roles["real"]]
    stated = unit or _stated_magnitude_unit(words)
    is_impedance = stated in ("ohm", "kohm", "Mohm") or re.search(r"\bz\b|imped|\brs\b", words, re.IGNORECASE)
    factor = _LINEAR_FACTOR.get(stated or "ohm", 1.0)
    notes.append(
        f"{_label(table, roles['real'])} and {_label(table, roles['imaginary'])}: real and imaginary part"
        f"{', Ω' if is_impedance else ''}"
    )
    value = (real + 1j * imaginary) * factor
    return Columns(
        frequency_hz=frequency,
        magnitude=np.abs(value),
        phase_deg=np.degrees(np.angle(value)),
        kind="impedance" if is_impedance else None,
        notes=tuple(notes),
    )
