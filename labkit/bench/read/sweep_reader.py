"""Sweep files: any common spreadsheet export or workbook, meters and simulators, and Touchstone.

`read_sweep` reads a file with the reader that fits among those that plugins bring, `parse_sweep` reads text. Both say
what they took the columns to be, and raise one sentence with the next step where a file can be read in two ways.
"""

from __future__ import annotations

import io
import re
import warnings as python_warnings
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np

from labkit.bench.read.column_values import FrequencyUnit, MagnitudeUnit, PhaseUnit, SweepColumns
from labkit.bench.read.columns import LOWEST_SPAN, assign_columns
from labkit.bench.read.sweep import Sweep, SweepKind, fewest_points, too_few_points
from labkit.bench.read.table import LARGEST, Separator, read_table
from labkit.bench.read.touchstone import touchstone_columns
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.files import read_bytes
from labkit.plugins import Brought, plugins
from labkit.plugins.manager import BUILTIN

EXCITER_SLOPE = (17.0, 23.0)
"""dB per decade below 200 Hz that only a differentiating exciter gives (20); an impedance is flat there."""

LARGEST_SWEEP = 4_000_000
"""Bytes; ten thousand points are 0.3 MB."""

WIDE_GAP = 3.2
"""Neighbouring frequencies further apart than half a decade leave a peak of any Q unseen."""


LARGEST_UNPACKED = 30_000_000
"""Bytes of a workbook's parts together; ten thousand points are some 2 MB."""

MOST_ROWS, MOST_COLUMNS, MOST_PARTS = 20_000, 64, 1_000
"""Of a worksheet, and the parts of a workbook."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingChoices:
    """Answers to the questions a file can raise; None leaves the answer to the reader.

    ``columns`` maps a meaning ("frequency", "magnitude", "phase", "real", "imaginary", and a meter's "Ls", "Lp", "Cs",
    "Cp", "Rs", "Rp", "G", "Q", "D") to a column number from 1 or a header, a meter's also with its unit ("2:mH");
    ``reader`` names a sweep reader, ``worksheet`` a sheet of a workbook; ``through`` says how the pickup sat between
    the ports of a two-port.
    """

    kind: SweepKind | None = None
    columns: Mapping[str, int | str] | None = None
    separator: Separator | None = None
    decimal: Literal[".", ","] | None = None
    frequency_unit: FrequencyUnit | None = None
    magnitude_unit: MagnitudeUnit | None = None
    phase_unit: PhaseUnit | None = None
    reader: str | None = None
    worksheet: str | None = None
    through: Literal["series", "shunt"] | None = None


NO_CHOICES = ReadingChoices()


def read_sweep(path: Path, choices: ReadingChoices = NO_CHOICES) -> Sweep:
    """Read a sweep file: delimited text of any common layout, an XLSX workbook, Touchstone, or what plugins read.

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
    """Touchstone one-ports, and two-ports with the pickup in series or in shunt; known by the ending of their name."""

    is_general: bool = False

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether the file's name ends as a Touchstone file's does."""
        return re.fullmatch(r"\.[sS]\d+[pP]|\.ts", path.suffix) is not None

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file."""
        if choices.kind not in (None, "impedance"):
            raise InputError(f"{path.name}: a Touchstone file is an impedance; it cannot be read as '{choices.kind}'")
        text = _decode(read_bytes(path, largest=LARGEST_SWEEP), path.name)
        return _sweep_from_columns(touchstone_columns(text, path.name, choices.through), name=path.name, kind=None)


@dataclass(frozen=True, slots=True)
class WorkbookReader:
    """XLSX workbooks, known by how they begin."""

    is_general: bool = False

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether the file is packed as workbooks are, or named as one."""
        return start[:4] == b"PK\x03\x04" or path.suffix.casefold() in (".xlsx", ".xlsm")

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file."""
        worksheet, text = _worksheet_text(read_bytes(path, largest=LARGEST_SWEEP), path.name, choices.worksheet)
        sweep = parse_sweep(text, name=path.name, choices=replace(choices, separator="tab"))
        return replace(sweep, understood=(f"worksheet '{worksheet}'", *sweep.understood))


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


SWEEP_READERS = {"Touchstone": TouchstoneReader(), "XLSX workbook": WorkbookReader(), "delimited text": TextReader()}
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
    columns = replace(columns, notes=(*table.notes, *columns.notes))
    return _sweep_from_columns(columns, name=name, kind=choices.kind, broken_rows=table.broken_rows)


def _sweep_from_columns(columns: SweepColumns, *, name: str, kind: SweepKind | None, broken_rows: int = 0) -> Sweep:
    notes = [*columns.notes]
    frequency, values, phase = columns.frequency_hz, columns.magnitude, columns.phase_deg
    usable = (np.abs(frequency) <= LARGEST) & (np.abs(values) <= LARGEST)  # NaN is neither
    if phase is not None:
        usable &= np.isfinite(phase)
    if broken_rows or not usable.all():
        notes.append(f"{broken_rows + int((~usable).sum())} rows with missing numbers left out")
    not_positive = usable & (frequency <= 0)
    if not_positive.any():
        notes.append(f"{int(not_positive.sum())} rows at 0 Hz or below left out")
    silent = usable & (values <= 1 / LARGEST)
    if silent.any():
        notes.append(f"{int(silent.sum())} rows with a magnitude of zero left out")
    usable &= (frequency > 0) & ~silent
    frequency, values = frequency[usable], values[usable]
    phase = phase[usable] if phase is not None else None
    fewest = fewest_points(kind or columns.kind, has_phase=phase is not None)
    if frequency.size < fewest:
        raise too_few_points(name, frequency.size, fewest)
    if frequency.max() < LOWEST_SPAN * frequency.min():
        raise InputError(
            f"{name}: the rows with numbers cover {frequency.min():.4g} to {frequency.max():.4g} Hz; a sweep covers "
            f"at least a factor {LOWEST_SPAN:g}"
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
    start = raw[:4096]
    encoding = "utf-8-sig"
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    elif b"\0" in start:  # plain text in two-byte letters has every second byte empty
        empty = [start[half::2].count(0) / max(len(start[half::2]), 1) for half in (0, 1)]
        encoding = {(True, False): "utf-16-be", (False, True): "utf-16-le"}.get((empty[0] > 0.5, empty[1] > 0.5), "")
    if not encoding or raw[:2] == b"PK":
        raise InputError(f"{name}: this is a binary file; export the sheet as CSV text and read that")
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8-sig":
            raise InputError(f"{name}: breaks off or is damaged (it begins as UTF-16 text); export it again") from None
        return raw.decode("latin-1")


def _worksheet_text(raw: bytes, name: str, wanted: str | None) -> tuple[str, str]:
    """Return the name of the worksheet that holds the table, and the sheet as text between tabs."""
    try:
        import openpyxl
    except ImportError:
        raise InputError(
            f"{name}: XLSX workbooks are read by the package openpyxl, which is not installed; "
            "python -m pip install openpyxl, or export the sheet as CSV text"
        ) from None
    instead = "save it anew as XLSX, or export the sheet as CSV text"
    try:
        _check_parts(raw, name)
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True, keep_links=False)
            texts = {sheet.title: _rows_as_text(sheet, name) for sheet in book.worksheets}
    except InputError:
        raise
    except Exception as problem:  # the library raises whatever its parsers stumble over
        raise InputError(f"{name}: not a readable XLSX workbook ({type(problem).__name__}); {instead}") from problem
    if wanted is not None:
        if wanted not in texts:
            raise InputError(f"{name}: no worksheet is named '{wanted}'.{did_you_mean(wanted, texts)}")
        return wanted, texts[wanted]
    filled = [title for title, text in texts.items() if len(re.findall(r"(?m)^.*\d.*\t.*\d", text)) >= 3]
    if len(filled) > 1:
        names = join_words([f"'{title}'" for title in filled], "or")
        raise InputError(f"{name}: worksheets {names} could hold the sweep; say which: --worksheet '{filled[0]}'")
    if not filled:
        raise InputError(
            f"{name}: no worksheet holds a table of numbers; values of formulas are saved with them or not"
        )
    return filled[0], texts[filled[0]]


def _check_parts(raw: bytes, name: str) -> None:
    """Refuse a workbook that unpacks to far more than a sweep, or defines entities, before anything parses it."""
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        parts = packed.infolist()
        size = sum(part.file_size for part in parts)  # no more than this is ever unpacked
        if len(parts) > MOST_PARTS or size > LARGEST_UNPACKED:
            raise InputError(
                f"{name}: this workbook unpacks to {len(parts)} parts of {size / 1e6:.0f} MB; a sweep needs some 2 MB. "
                "Export the sheet as CSV text"
            )
        for part in parts:
            with packed.open(part) as stream:
                if b"<!DOCTYPE" in stream.read(4096).replace(b"\0", b""):
                    raise InputError(f"{name}: part '{part.filename[:60]}' of this workbook defines entities; not read")


def _rows_as_text(sheet: Any, name: str) -> str:
    if not hasattr(sheet, "reset_dimensions"):
        return ""  # a sheet that is a chart
    sheet.reset_dimensions()  # what the file says about them need not be so
    lines = []
    for row in sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS, values_only=True):
        cells = ["" if isinstance(cell, bool) or cell is None else _cell_text(cell) for cell in row]
        lines.append("\t".join(cells).rstrip("\t"))
    if len(lines) > MOST_ROWS:
        raise InputError(
            f"{name}: worksheet '{sheet.title}' has more than {MOST_ROWS} rows; a sweep has a few thousand"
        )
    width = max((line.count("\t") for line in lines), default=0)
    return "\n".join(line + "\t" * (width - line.count("\t")) if line else "" for line in lines)


def _cell_text(cell: object) -> str:
    if isinstance(cell, int | float):
        return repr(float(cell)) if abs(cell) < 1e300 else ""
    return " ".join(str(cell).replace('"', "'").split())


START_BYTES = 4096
"""How much of a file a reader may look at before it says whether the file is its own."""


class SweepReader(Protocol):
    """What a reader of sweep files is.

    Attributes
    ----------
    is_general : bool
        True for a reader that takes whatever nobody else does; a reader of one instrument's files is False.
    """

    is_general: bool

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether a file is this reader's, from its name and its first 4096 bytes."""
        ...

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file, or raise `InputError` with one sentence: what is wrong, and what to do."""
        ...


def sweep_readers() -> Mapping[str, Brought]:
    """Return every reader that plugins bring, by name."""
    return plugins().things("labkit_sweep_readers", check=_not_a_reader)


def choose_reader(path: Path, *, name: str | None = None) -> Brought:
    """Return the reader for a file: the one that is named, else the only one that recognises it.

    Readers of one instrument go before general ones.

    Raises
    ------
    InputError
        If no reader has that name, none recognises the file, or several do; the message says what settles it.
    """
    known = sweep_readers()
    if name is not None:
        if name not in known:
            raise InputError(f"no sweep reader is named '{name}'.{did_you_mean(name, known)}")
        return known[name]
    with path.open("rb") as stream:
        start = stream.read(START_BYTES)
    claims = [brought for brought in known.values() if _claims(brought, path, start)]
    special = [brought for brought in claims if not brought.thing.is_general]
    for found in (special, claims):
        if len(found) == 1:
            return found[0]
        if found:
            names = join_words([f"'{each.name}'" for each in found])
            raise InputError(f"{path.name}: {names} can both read this file; name the one to use with --reader")
    if not known:
        raise InputError(f"{path.name}: nothing installed reads sweeps; see labkit catalogue --plugins")
    raise InputError(
        f"{path.name}: no sweep reader recognises this file ({join_words(sorted(known), 'and')} were asked); "
        "export it as CSV text"
    )


def read_with(brought: Brought, path: Path, choices: ReadingChoices) -> Sweep:
    """Read a file with a reader; one that fails or returns something else is named, with its plugin."""
    if brought.plugin == BUILTIN:
        sweep: Sweep = brought.thing.read(path, choices)
        return sweep
    whose = f"the sweep reader '{brought.name}' of plugin '{brought.plugin}'"
    try:
        found = brought.thing.read(path, choices)
    except InputError:
        raise
    except Exception as error:
        raise InputError(f"{path.name}: {whose} failed: {type(error).__name__}: {error}") from error
    if not isinstance(found, Sweep):
        raise InputError(f"{path.name}: {whose} must return a Sweep; got a {type(found).__name__}")
    return replace(found, understood=(f"read by '{brought.name}' of plugin '{brought.plugin}'", *found.understood))


def _claims(brought: Brought, path: Path, start: bytes) -> bool:
    try:
        return bool(brought.thing.recognises(path, start))
    except Exception as error:  # one that cannot even look must not keep the others from reading
        plugins().report(
            brought.plugin, f"sweep reader '{brought.name}' failed on {path.name}: {type(error).__name__}: {error}"
        )
        return False


def _not_a_reader(thing: object) -> str:
    is_reader = all(callable(getattr(thing, name, None)) for name in ("recognises", "read"))
    if is_reader and isinstance(getattr(thing, "is_general", None), bool):
        return ""
    return "an object with recognises(path, start), read(path, choices) and is_general"
