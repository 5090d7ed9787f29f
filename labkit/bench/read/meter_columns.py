"""Tables of LCR meters to impedances: an inductance or capacitance and a loss, in series or in parallel."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

from labkit.bench.read.column_values import MEANINGS, Columns, complex_columns, headers, label, name_unused
from labkit.bench.read.table import NumberTable
from labkit.core.errors import InputError, join_words
from labkit.core.units import PREFIXES


def from_meter(
    table: NumberTable,
    roles: dict[str, int],
    reactive: Sequence[str],
    units: Mapping[str, str],
    frequency: np.ndarray,
    notes: list[str],
    name: str,
) -> Columns:
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
