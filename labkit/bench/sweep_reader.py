"""Sweep files: any common spreadsheet export, and Touchstone one-ports.

`read_sweep` reads a file, `parse_sweep` reads text. Both say what they took the columns to be, and raise one
sentence with the next step where a file can be read in two ways.
"""

from __future__ import annotations

import io
import re
import warnings as python_warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from labkit.bench.columns import Columns, FrequencyUnit, MagnitudeUnit, PhaseUnit, assign_columns
from labkit.bench.readers import choose_reader, read_with
from labkit.bench.sweep import FEWEST_POINTS, Sweep, SweepKind
from labkit.bench.table import NumberTable, Separator, read_table
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import read_bytes

EXCITER_SLOPE = (17.0, 23.0)
"""dB per decade below 200 Hz that only a differentiating exciter gives (20); an impedance is flat there."""

LARGEST_SWEEP = 4_000_000
"""Bytes; ten thousand points are 0.3 MB."""

WIDE_GAP = 3.2
"""Neighbouring frequencies further apart than half a decade leave a peak of any Q unseen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingChoices:
    """Answers to the questions a file can raise; None leaves the answer to the reader.

    ``columns`` maps "frequency", "magnitude", "phase", "real", "imaginary" to a column number from 1 or a header;
    ``reader`` names a sweep reader.
    """

    kind: SweepKind | None = None
    columns: Mapping[str, int | str] | None = None
    separator: Separator | None = None
    decimal: Literal[".", ","] | None = None
    frequency_unit: FrequencyUnit | None = None
    magnitude_unit: MagnitudeUnit | None = None
    phase_unit: PhaseUnit | None = None
    reader: str | None = None


NO_CHOICES = ReadingChoices()


def read_sweep(path: Path, choices: ReadingChoices = NO_CHOICES) -> Sweep:
    """Read a sweep file: delimited text of any common layout, a Touchstone one-port (``.s1p``), or what plugins read.

    Parameters
    ----------
    path : Path
    choices : ReadingChoices
        What the reader need not find out.

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        If the file cannot be read, or can be read in two ways; the message says which choice settles it.
    """
    path = Path(path)
    if path.exists() and not path.is_file():
        raise InputError(f"{path.name}: is a folder or a device; a sweep file is due here")
    if not path.exists():
        near = [other.name for other in path.parent.glob("*")] if path.parent.is_dir() else []
        raise InputError(f"there is no sweep file '{path.name}'.{did_you_mean(path.name, near)}")
    return read_with(choose_reader(path, name=choices.reader), path, choices)


@dataclass(frozen=True, slots=True)
class TouchstoneReader:
    """Touchstone one-ports, known by the ending of their name."""

    is_general: bool = False

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether the file's name ends as a Touchstone file's does."""
        return re.fullmatch(r"\.[sS]\d+[pP]|\.ts", path.suffix) is not None

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file."""
        return _read_touchstone(path, choices)


@dataclass(frozen=True, slots=True)
class TextReader:
    """Delimited text of any common layout; takes whatever no other reader knows, and says so where it is none."""

    is_general: bool = True

    def recognises(self, path: Path, start: bytes) -> bool:
        """Take any file: one that is not text is told from its bytes when it is read."""
        return True

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file."""
        return parse_sweep(_decode(read_bytes(path, largest=LARGEST_SWEEP), path.name), name=path.name, choices=choices)


SWEEP_READERS = {"Touchstone one-port": TouchstoneReader(), "delimited text": TextReader()}
"""The readers that labkit itself brings."""


def parse_sweep(text: str, *, name: str = "sweep", choices: ReadingChoices = NO_CHOICES) -> Sweep:
    """Read a sweep from delimited text.

    Parameters
    ----------
    text : str
        Rows of numbers with optional title rows, header and units row.
    name : str
        Used in messages.
    choices : ReadingChoices

    Returns
    -------
    Sweep
        Sorted by frequency; repeated frequencies averaged; rows with missing numbers left out. Each such step
        is named in ``understood``.

    >>> rows = "".join(f"{f},{6000 + 10 * f}\\n" for f in range(100, 2000, 100))
    >>> parse_sweep("Frequency (Hz),Impedance (ohm)\\n" + rows).kind
    'impedance'
    """
    table = read_table(text, name=name, separator=choices.separator, decimal=choices.decimal)
    columns = assign_columns(
        table,
        choice=choices.columns or {},
        frequency_unit=choices.frequency_unit,
        magnitude_unit=choices.magnitude_unit,
        phase_unit=choices.phase_unit,
        name=name,
    )
    return _sweep_from_columns(table, columns, name=name, kind=choices.kind)


def _sweep_from_columns(table: NumberTable, columns: Columns, *, name: str, kind: SweepKind | None) -> Sweep:
    notes = [*table.notes, *columns.notes]
    frequency, values, phase = columns.frequency_hz, columns.magnitude, columns.phase_deg
    usable = np.isfinite(frequency) & np.isfinite(values)
    if phase is not None:
        usable &= np.isfinite(phase)
    if table.broken_rows or not usable.all():
        notes.append(f"{table.broken_rows + int((~usable).sum())} rows with missing numbers left out")
    not_positive = usable & (frequency <= 0)
    if not_positive.any():
        notes.append(f"{int(not_positive.sum())} rows at 0 Hz or below left out")
    silent = usable & (values <= 0)
    if silent.any():
        notes.append(f"{int(silent.sum())} rows with a magnitude of zero left out")
    usable &= (frequency > 0) & (values > 0)
    frequency, values = frequency[usable], values[usable]
    phase = phase[usable] if phase is not None else None
    if frequency.size < FEWEST_POINTS:
        raise InputError(
            f"{name}: a sweep needs at least {FEWEST_POINTS} points to tell R, L and C apart; got {frequency.size}. "
            "Measure more frequencies, best 20 or more per decade"
        )
    if np.any(np.diff(frequency) < 0):
        notes.append("rows sorted by frequency")
    frequency, values, phase, repeated = _sort_and_merge(frequency, values, phase)
    if repeated:
        notes.append(f"{repeated} repeated frequencies averaged")
    found_kind = kind or columns.kind or _kind_from_slope(frequency, values, notes)
    warnings = list(columns.warnings)
    jumps = frequency[1:] / frequency[:-1]
    if jumps.size and jumps.max() > WIDE_GAP:
        at = int(np.argmax(jumps))
        warnings.append(
            f"no points between {frequency[at]:.4g} and {frequency[at + 1]:.4g} Hz: "
            "a resonance in that gap would not be seen"
        )
    return Sweep(
        frequency_hz=frequency,
        magnitude=values,
        phase_deg=phase,
        kind=found_kind,
        name=name,
        understood=tuple(notes),
        warnings=tuple(warnings),
    )


def _sort_and_merge(
    frequency: np.ndarray, values: np.ndarray, phase: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None, int]:
    unique, index, count = np.unique(frequency, return_inverse=True, return_counts=True)
    decibels = np.bincount(index, weights=np.log(values)) / count
    merged_phase = None
    if phase is not None:
        radians = np.radians(phase)
        merged_phase = np.degrees(
            np.arctan2(np.bincount(index, weights=np.sin(radians)), np.bincount(index, weights=np.cos(radians)))
        )
    return unique, np.exp(decibels), merged_phase, int(frequency.size - unique.size)


def _kind_from_slope(frequency: np.ndarray, values: np.ndarray, notes: list[str]) -> SweepKind | None:
    low = frequency < 200.0
    if low.sum() < 5:
        return None
    slope = float(np.polyfit(np.log10(frequency[low]), 20 * np.log10(values[low]), 1)[0])
    if EXCITER_SLOPE[0] <= slope <= EXCITER_SLOPE[1]:
        notes.append(f"rises {slope:.0f} dB per decade below 200 Hz: taken as an exciter curve that was not integrated")
        return "exciter"
    return None


def _decode(raw: bytes, name: str) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return raw.decode("utf-16")
        except UnicodeDecodeError:
            raise InputError(f"{name}: breaks off or is damaged (it begins as UTF-16 text); export it again") from None
    if b"\0" in raw[:4096] or raw[:2] == b"PK":
        raise InputError(f"{name}: this is a binary file; export the sheet as CSV text and read that")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _touchstone_network(path: Path) -> Any:
    """Parse text as Touchstone and as nothing else: given a path, the library would also unpickle a file."""
    import skrf.network

    text = io.StringIO(_decode(read_bytes(path, largest=LARGEST_SWEEP), path.name))
    text.name = path.name  # the library counts ports by the name's ending
    network = skrf.Network()
    network.read_touchstone(text)
    return network


def _read_touchstone(path: Path, choices: ReadingChoices) -> Sweep:
    """Read through scikit-rf; its network knows the reference impedance and the S, Y or Z form of the file."""
    import skrf.network

    if choices.kind not in (None, "impedance"):
        raise InputError(f"{path.name}: a Touchstone one-port is an impedance; it cannot be read as '{choices.kind}'")
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")
            network = _touchstone_network(path)
    except Exception as problem:  # the library raises whatever its parser stumbles over
        raise InputError(f"{path.name}: not a readable Touchstone file ({problem})") from problem
    if network.nports != 1:
        raise InputError(
            f"{path.name}: a pickup is a one-port, this file holds {network.nports} ports; export one port (.s1p)"
        )
    if not network.f.size:
        raise InputError(f"{path.name}: this Touchstone file holds no rows of numbers")
    impedance = np.full(network.f.size, np.nan, dtype=complex)
    finite = np.isfinite(network.s[:, 0, 0])  # the library's inversion refuses all rows for one that is not
    with np.errstate(all="ignore"):
        impedance[finite] = skrf.network.s2z(network.s[finite], network.z0[finite])[:, 0, 0]
    notes = [f"Touchstone one-port, reference {network.z0[0, 0].real:g} Ω, turned into an impedance in Ω"]
    usable = np.isfinite(impedance) & np.isfinite(network.f) & (network.f > 0) & (np.abs(impedance) > 0)
    if not usable.all():
        notes.append(f"{int((~usable).sum())} rows without a finite impedance left out")
    frequency, magnitude, phase, repeated = _sort_and_merge(
        network.f[usable], np.abs(impedance[usable]), np.degrees(np.angle(impedance[usable]))
    )
    if repeated:
        notes.append(f"{repeated} repeated frequencies averaged")
    warnings = []
    reference = float(network.z0[0, 0].real)
    if magnitude.size and np.median(magnitude) > 100 * reference:
        warnings.append(
            f"reflection against {reference:g} Ω is a poor way to see an impedance of {np.median(magnitude):.3g} Ω: "
            "its error is multiplied by their ratio; measure through a series resistor of 0.1 to 1 MΩ instead"
        )
    return Sweep(
        frequency_hz=frequency,
        magnitude=magnitude,
        phase_deg=phase,
        kind="impedance",
        name=path.name,
        understood=tuple(notes),
        warnings=tuple(warnings),
    )
