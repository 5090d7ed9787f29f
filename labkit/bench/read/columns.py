"""Which column of a table is the frequency, which the magnitude, the phase, the inductance ….

Header words decide where there are any; where there are none the numbers do, as far as they can. What cannot be
decided is asked, in one sentence that names the choice to make. What the numbers then are in SI: `column_values`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from labkit.bench.read.column_values import (
    FREQUENCY_WORDS,
    IMPEDANCE_WORDS,
    MEANINGS,
    FrequencyUnit,
    MagnitudeUnit,
    PhaseUnit,
    SweepColumns,
    frequencies,
    from_complex,
    from_meter,
    from_parts,
    headers,
    is_monotone,
    label,
    looks_like_decades,
    magnitudes,
    name_unused,
    phases,
    stated_unit,
    unit_scale,
)
from labkit.bench.read.table import NumberTable
from labkit.core.errors import InputError, did_you_mean, join_words

ROLES = tuple(role for role in MEANINGS if role not in ("L", "C"))
_OTHER_NAMES = {"Rs": "real", "R": "real", "Xs": "imaginary", "X": "imaginary", "Z": "magnitude", "theta": "phase"}
_METER = tuple(role for role, meaning in MEANINGS.items() if meaning.circuit and role != "real")
LOWEST_SPAN = 3.0
"""A frequency column must span at least this ratio to be told from a level."""

MOST_NAMED = 6
"""Columns that one question names."""

FLAT = 0.1
"""A channel that moves this much less than the one beside it, and less than 1 dB, is the reference."""


def assign_columns(
    table: NumberTable,
    *,
    choice: Mapping[str, int | str],
    frequency_unit: FrequencyUnit | None,
    magnitude_unit: MagnitudeUnit | None,
    phase_unit: PhaseUnit | None,
    name: str,
) -> SweepColumns:
    """Decide roles and units and return SI columns; InputError where the file can be read in two ways."""
    table, taken = _joined(table)
    chosen, units = _chosen(table, choice, name)
    notes: list[str] = []
    roles = dict(chosen)
    _by_header(table, roles, taken, notes, name)
    for role, index in roles.items():
        if np.isnan(table.numbers[:, index]).all():
            raise InputError(f"{name}: {label(table, index)} should be the {role} but holds no numbers")
    _frequency_by_numbers(table, roles, frequency_unit, notes, name)
    _check_frequency_rises(table, roles, frequency_unit, name)
    if any(role in chosen for role in _METER) or not _is_complete(roles):
        reactive = [role for role in ("Ls", "Lp", "Cs", "Cp", "L", "C") if role in roles]
        if reactive and not {"magnitude", "imaginary"} & chosen.keys():
            frequency = frequencies(table, roles["frequency"], frequency_unit, notes, name)
            return from_meter(table, roles, reactive, units, frequency, notes, name)
    _remaining_by_position(table, roles, taken, notes, name)
    frequency = frequencies(table, roles["frequency"], frequency_unit, notes, name)
    if "real" in roles and "imaginary" in roles and "magnitude" not in roles:
        return from_parts(table, roles, magnitude_unit, frequency, notes, name)
    if "magnitude" not in roles:
        raise InputError(
            f"{name}: no magnitude column found; say which it is, such as --column magnitude=2. "
            f"Headers: {headers(table)}"
        )
    if roles["magnitude"] in table.parts:
        return from_complex(table, roles["magnitude"], magnitude_unit, frequency, notes)
    magnitude, kind = magnitudes(table, roles["magnitude"], magnitude_unit, notes, name)
    phase = None
    if "phase" in roles:
        phase = phases(table, roles["phase"], phase_unit, notes, name)
    else:
        notes.append("magnitude only, no phase")
    used = {roles[role] for role in ("frequency", "magnitude", "phase") if role in roles}
    name_unused(table, used | taken, notes)
    return SweepColumns(frequency_hz=frequency, magnitude=magnitude, phase_deg=phase, kind=kind, notes=tuple(notes))


def _is_complete(roles: Mapping[str, int]) -> bool:
    return {"magnitude", "phase"} <= roles.keys() or {"real", "imaginary"} <= roles.keys()


def _joined(table: NumberTable) -> tuple[NumberTable, set[int]]:
    """Join what a simulator writes side by side: its vectors' real and imaginary parts, its frequencies once more."""
    taken: set[int] = set()
    parts, numbers = dict(table.parts), table.numbers.copy()
    for i in range(1, numbers.shape[1]):
        same_name = table.header[i] and table.header[i] == table.header[i - 1]
        if same_name and re.match(r"[vi]\(|\S+#branch", table.header[i], re.IGNORECASE) and i - 1 not in taken:
            parts[i - 1] = numbers[:, i - 1] + 1j * numbers[:, i]
            taken.add(i)
        elif not any(table.header) and np.array_equal(numbers[:, i], numbers[:, 0]):
            taken.add(i)
    for i, values in parts.items():
        numbers[:, i] = np.abs(values)
    return replace(table, numbers=numbers, parts=MappingProxyType(parts)), taken


def _by_header(table: NumberTable, roles: dict[str, int], taken: set[int], notes: list[str], name: str) -> None:
    """Give every role the column whose header says so; where several do, the one that moves, else ask."""
    found: dict[str, list[int]] = {role: [] for role in MEANINGS}
    for role in MEANINGS:
        for i, words in enumerate(table.header):
            is_free = i not in taken and i not in roles.values() and not any(i in places for places in found.values())
            if (
                is_free
                and role not in roles
                and i not in table.parts
                and re.search(MEANINGS[role].words, words, re.IGNORECASE)
            ):
                found[role].append(i)
        if role == "frequency" and len(found[role]) > 1:
            found[role] = found[role][:1]
    if not any(found[role] or role in roles for role in ("Ls", "Lp", "Cs", "Cp", "L", "C")):
        for role in ("Q", "D", "Rp", "G"):  # beside an inductance or a capacitance only
            found.pop(role)
    if table.parts and not {"magnitude", "real", "imaginary"} & roles.keys():
        free = [i for i in table.parts if i not in roles.values()]
        found |= {"magnitude": free, "real": [], "imaginary": [], "phase": []}
    for role in sorted(found, key=lambda role: role == "phase"):  # the phase is that of the magnitude's channel
        places = found[role]
        if role in roles or not places:
            continue
        places = _that_move(table, places, role, notes)
        if role == "magnitude" and len(places) > 1:
            places = [i for i in places if re.search(IMPEDANCE_WORDS, table.header[i], re.IGNORECASE)][:1] or places
        if role == "phase" and "magnitude" in roles and len(places) > 1:
            channel = re.findall(r"\d+", table.header[roles["magnitude"]])
            places = [i for i in places if re.findall(r"\d+", table.header[i]) == channel] or places
        found[role] = places
        is_needed = {"phase": "magnitude" in roles, "magnitude": not {"real", "imaginary"} <= roles.keys()}
        if len(places) == 1:
            roles[role] = places[0]
        elif is_needed.get(role, True):
            _ask(table, role, places, name)


def _that_move(table: NumberTable, places: list[int], role: str, notes: list[str]) -> list[int]:
    """Leave out a channel that stays where it is while another moves: it is the reference, not the answer."""
    if len(places) < 2:
        return places
    spans = {}
    for i in places:
        values = table.numbers[:, i][np.isfinite(table.numbers[:, i])]
        if role == "magnitude" and values.size and values.min() > 0 and "db" not in table.header[i].casefold():
            values = 20 * np.log10(values)
        spans[i] = float(np.ptp(values)) if values.size else 0.0
    widest = max(spans.values())
    limit = min(FLAT * widest, 1.0) if role == "magnitude" else FLAT * widest
    moving = [i for i in places if spans[i] > limit]
    notes.extend(f"{label(table, i)} hardly moves: taken as a reference" for i in places if moving and i not in moving)
    return moving or places


def _ask(table: NumberTable, role: str, places: list[int], name: str) -> None:
    """Refuse a table in which several columns could have one meaning, with the options that choose between them."""
    shown = places[:MOST_NAMED]
    more = [f"{len(places) - len(shown)} more"] if len(places) > len(shown) else []
    names = join_words([*(label(table, i) for i in shown), *more], "or")
    options = join_words([*(f"--column {role}={i + 1}" for i in shown), *(["…"] if more else [])], "or")
    raise InputError(f"{name}: the {role} could be {names}; say which: {options}")


def _chosen(table: NumberTable, choice: Mapping[str, int | str], name: str) -> tuple[dict[str, int], dict[str, str]]:
    """Return the columns that were chosen, and the units chosen with them (``Ls=2:mH``)."""
    roles: dict[str, int] = {}
    units: dict[str, str] = {}
    width = table.numbers.shape[1]
    for given, wanted in choice.items():
        role = _OTHER_NAMES.get(given, given)
        if role not in ROLES:
            raise InputError(f"{name}: a column can be {', '.join(ROLES)}; got '{given}'.{did_you_mean(given, ROLES)}")
        if isinstance(wanted, str):
            column, colon, unit = wanted.rpartition(":")
            if colon and MEANINGS[role].circuit and unit_scale(f"[{unit.strip()}]", MEANINGS[role].unit) is not None:
                wanted, units[role] = column, unit.strip()
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
    return roles, units


def _looks_like_frequency(values: np.ndarray) -> bool:
    finite = values[np.isfinite(values)]
    if finite.size < 2 or np.any(finite < 0) or finite.max() <= 0:
        return False
    lowest = finite[finite > 0].min()
    return is_monotone(finite) and bool(finite.max() / lowest >= LOWEST_SPAN)


def _frequency_by_numbers(
    table: NumberTable, roles: dict[str, int], unit: FrequencyUnit | None, notes: list[str], name: str
) -> None:
    if "frequency" in roles:
        return
    free = [i for i in range(table.numbers.shape[1]) if i not in roles.values() and i not in table.parts]
    fits = [i for i in free if unit != "log10 Hz" and _looks_like_frequency(table.numbers[:, i])]
    fits = fits or [i for i in free if unit in (None, "log10 Hz") and looks_like_decades(table.numbers[:, i])]
    fits = [i for i in fits if i == fits[0] or not np.array_equal(table.numbers[:, i], table.numbers[:, fits[0]])]
    if not fits:
        raise InputError(
            f"{name}: no column can be the frequency (none is positive and rising over a factor {LOWEST_SPAN:g}); "
            f"say which one it is, such as --column frequency=1. Headers: {headers(table)}"
        )
    if len(fits) > 1:
        if fits[0] != 0 or table.numbers.shape[1] > 2:
            _ask(table, "frequency", fits, name)
        notes.append("both columns rise; the first is taken as the frequency, as usual")
    roles["frequency"] = fits[0]
    place = "" if fits[0] == 0 else ", although it is not the first"
    notes.append(f"column {fits[0] + 1} taken as the frequency from its numbers{place}")


def _check_frequency_rises(table: NumberTable, roles: dict[str, int], unit: FrequencyUnit | None, name: str) -> None:
    index = roles["frequency"]
    if _looks_like_frequency(table.numbers[:, index]) or table.numbers.shape[0] < 4:
        return
    is_log = unit == "log10 Hz" or (
        unit is None and stated_unit(table.header[index], FREQUENCY_WORDS) in (None, "log10 Hz")
    )
    if is_log and looks_like_decades(table.numbers[:, index]):
        return
    others = [i for i in range(table.numbers.shape[1]) if i != index and _looks_like_frequency(table.numbers[:, i])]
    finite = table.numbers[:, index][np.isfinite(table.numbers[:, index])]
    unsorted = finite.size > 3 and np.all(finite > 0) and finite.max() / finite.min() >= LOWEST_SPAN
    if others:
        raise InputError(
            f"{name}: {label(table, index)} is headed as the frequency but does not rise, while "
            f"{label(table, others[0])} does; the two look swapped. Correct the header, or say "
            f"--column frequency={others[0] + 1} --column magnitude={index + 1}"
        )
    if not unsorted:
        raise InputError(
            f"{name}: {label(table, index)} should be the frequency but spans {finite.min():.4g} to "
            f"{finite.max():.4g}; a sweep must be positive and cover at least a factor {LOWEST_SPAN:g}"
        )


def _remaining_by_position(
    table: NumberTable, roles: dict[str, int], taken: set[int], notes: list[str], name: str
) -> None:
    if "magnitude" in roles or ("real" in roles and "imaginary" in roles):
        return
    used = {*roles.values(), *taken}
    free = [i for i in range(table.numbers.shape[1]) if i not in used and np.isfinite(table.numbers[:, i]).any()]
    named = [i for i in free if table.header[i]]
    if len(free) == 1:
        unit = re.search(r"[\[(]\s*([fpnuµμmkM]?(?:H|F|S|s|A|W|K|T|%|°C))\s*[\])]", table.header[free[0]])
        if unit:
            raise InputError(
                f"{name}: {label(table, free[0])} is the only column left, but in {unit[1]} it is no magnitude; "
                f"export an impedance, or name its meaning, such as --column Ls={free[0] + 1}"
            )
        roles["magnitude"] = free[0]
        notes.append(f"{label(table, free[0])} taken as the magnitude, the only column left")
        return
    if named:
        _ask(table, "magnitude", free, name)
    if len(free) == 2:
        _two_by_position(table, roles, free, notes, name)
    elif free:
        raise InputError(
            f"{name}: {table.numbers.shape[1]} columns without headers; say which is the magnitude, "
            f"for example --column frequency={roles['frequency'] + 1} --column magnitude={free[0] + 1}"
        )


def _two_by_position(table: NumberTable, roles: dict[str, int], free: list[int], notes: list[str], name: str) -> None:
    """Two columns without headers are magnitude and phase if the second can only be degrees; else it is asked."""
    first, second = free
    largest = float(np.nanmax(np.abs(table.numbers[:, second])))
    if "phase" in roles:
        roles["magnitude"] = first
        return
    if not 2 * np.pi < largest <= 360:
        parts = f"real and imaginary part (--column real={first + 1} --column imaginary={second + 1})"
        phase = f"magnitude and phase (--column magnitude={first + 1} --column phase={second + 1})"
        alone = f"the magnitude and something else (--column magnitude={first + 1})"
        raise InputError(
            f"{name}: columns {first + 1} and {second + 1} have no headers; they could be "
            f"{join_words([phase, parts] if largest <= 360 else [parts, alone], 'or')}; say which"
        )
    roles["magnitude"], roles["phase"] = free
    notes.append(f"columns {first + 1} and {second + 1} taken as magnitude and phase, as usual")
