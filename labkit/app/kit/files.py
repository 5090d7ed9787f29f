"""Files of a page: those that a person gives it, and its curves as files to save.

`Intake` takes a given file in acknowledged pieces and refuses in words, without widgets; `Upload` is the place to drop
files on. The browser is outside input: a name is cut to its last part, a stated size is checked again against what
arrives, and nothing is unpacked here. `offer_curves` saves what a page draws as SVG, PNG and CSV.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import traitlets

from labkit.app.kit.widgets import FileOffers, LabWidget, MadeFile, web_text
from labkit.core.errors import InputError, capitalized
from labkit.view.curve.curve import Curve
from labkit.view.words import ZERO

PIECE_BYTES = 256 * 1024
"""Small enough that cancel is heard at once, large enough that a slow line does not wait for answers."""

_LONGEST_NAME = 80

_PACKED = (
    (b"PK\x03\x04", "a packed file or a spreadsheet's own format (zip)"),
    (b"PK\x05\x06", "an empty packed file (zip)"),
    (b"\x1f\x8b", "a packed file (gzip)"),
    (b"BZh", "a packed file (bzip2)"),
    (b"\xfd7zXZ\x00", "a packed file (xz)"),
    (b"7z\xbc\xaf\x27\x1c", "a packed file (7z)"),
    (b"Rar!", "a packed file (rar)"),
    (b"(\xb5\x2f\xfd", "a packed file (zstd)"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document"),
    (b"%PDF", "a printed page (PDF)"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
)
"""Beginnings of files that hold no text; from the formats' own descriptions, from memory."""


def size_in_words(size: int) -> str:
    """Write a size as people say it.

    >>> size_in_words(900), size_in_words(3_400), size_in_words(200_000_000)
    ('900 bytes', '3.4 kB', '200 MB')
    """
    if size < 1000:
        return f"{size} bytes"
    for unit, step in (("kB", 1e3), ("MB", 1e6)):
        if size < step * 1000 or unit == "MB":
            amount = size / step
            return f"{amount:.1f} {unit}" if amount < 10 else f"{amount:.0f} {unit}"
    return f"{size} bytes"


def plain_name(name: str) -> str:
    r"""Return the last part of a file's name without anything that is not shown.

    >>> plain_name("C:\\bench\\worn one.csv"), plain_name("../../etc/passwd"), plain_name("")
    ('worn one.csv', 'passwd', 'file')
    """
    last = re.split(r"[\\/]", name)[-1]
    shown = "".join(letter for letter in last if letter.isprintable()).strip()
    return shown[-_LONGEST_NAME:] or "file"


@dataclass(slots=True)
class _Arriving:
    name: str
    size: int
    pieces: list[bytes] = field(default_factory=list)
    received: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenFile:
    """A whole file as it came; ``is_kept`` where the browser had kept it and sends it anew."""

    name: str
    content: bytes
    is_kept: bool = False


class Intake:
    """Takes files piece by piece, one at a time.

    Parameters
    ----------
    largest : int
        Bytes; larger files are refused before anything of them is sent.
    what : str
        What a file should be, for refusals: ``a sweep``.
    advice : str
        What to do instead, one sentence.
    workbooks : bool
        Whether the reader behind it opens workbooks (``.xlsx``), with limits of its own.
    """

    def __init__(self, *, largest: int, what: str, advice: str, workbooks: bool = False) -> None:
        self.largest, self.what, self.advice, self.workbooks = largest, what, advice, workbooks
        self._arriving: _Arriving | None = None

    @property
    def received(self) -> int:
        """Bytes of the present file that have arrived."""
        return self._arriving.received if self._arriving else 0

    def begin(self, name: str, size: int) -> None:
        """Expect a file; a file that was on its way before is dropped.

        Raises
        ------
        InputError
            If it is empty or too large.
        """
        self._arriving = None
        shown = plain_name(name)
        if size > self.largest:
            limit = size_in_words(self.largest)
            raise InputError(f"{shown} has {size_in_words(size)}; {self.what} has at most {limit}. {self.advice}")
        if size <= 0:
            raise InputError(f"{shown} is empty; {self.what} is due here. {self.advice}")
        self._arriving = _Arriving(name=shown, size=size)

    def take(self, piece: bytes) -> int:
        """Take the next piece and return how many bytes have arrived.

        Raises
        ------
        InputError
            If no file is expected, more arrives than was said, or the file is packed or a picture.
        """
        arriving = self._arriving
        if arriving is None:
            raise InputError("a piece arrived although no file was expected; choose the file again")
        if len(piece) > PIECE_BYTES or arriving.received + len(piece) > arriving.size:
            self._arriving = None
            raise InputError(f"{arriving.name}: more arrived than the file's size; choose the file again")
        if not arriving.pieces:
            is_workbook = self.workbooks and arriving.name.casefold().endswith((".xlsx", ".xlsm"))
            for start, kind in _PACKED[1 if is_workbook else 0 :]:
                if piece.startswith(start):
                    self._arriving = None
                    raise InputError(
                        f"{arriving.name} is {kind}; it is not opened here, whatever is inside. {self.advice}"
                    )
        arriving.pieces.append(piece)
        arriving.received += len(piece)
        return arriving.received

    def end(self) -> GivenFile:
        """Return the file.

        Raises
        ------
        InputError
            If it is not complete.
        """
        arriving, self._arriving = self._arriving, None
        if arriving is None or arriving.received != arriving.size:
            name = arriving.name if arriving else "the file"
            raise InputError(f"{name} did not arrive whole; choose it again")
        return GivenFile(name=arriving.name, content=b"".join(arriving.pieces))

    def cancel(self) -> None:
        """Drop the file that is on its way."""
        self._arriving = None


class FileTaker(LabWidget):
    """A widget that takes files of the page in acknowledged pieces; ``intake`` says which.

    ``on_file(handler)`` gets each `GivenFile`; an `InputError` it raises is sent back as a sentence. What was taken is
    kept in the browser for the pages of its tab (``kept_files.js``), which send it anew.
    """

    piece = traitlets.Int(PIECE_BYTES).tag(sync=True)
    largest = traitlets.Int(0).tag(sync=True)

    def __init__(self, intake: Intake, **traits: Any) -> None:
        super().__init__(largest=intake.largest, **traits)
        self._intake = intake
        self._on_file: Callable[[GivenFile], None] = lambda _: None
        self._on_begin: Callable[[], None] = lambda: None
        self._is_kept = False

    def on_file(self, handler: Callable[[GivenFile], None], *, begin: Callable[[], None] | None = None) -> None:
        """Call ``handler(file)`` for each whole file, and ``begin()`` when one starts to arrive."""
        self._on_file = handler
        if begin is not None:
            self._on_begin = begin

    def _receive(self, widget: object, content: object, buffers: object) -> None:
        if not isinstance(content, dict) or not str(content.get("do", "")).startswith("file-"):
            super()._receive(widget, content, buffers)
            return
        number = content.get("number")
        try:
            self.send({"number": number, **self._answer(content, buffers)})
        except InputError as error:
            self._intake.cancel()
            self.send({"number": number, "refused": capitalized(str(error))})

    def _answer(self, content: dict[Any, Any], buffers: object) -> dict[str, object]:
        step = content["do"]
        if step == "file-begin":
            size = content.get("size")
            self._intake.begin(str(content.get("name", "")), size if isinstance(size, int) else 0)
            self._is_kept = content.get("kept") is True
            self._on_begin()
            return {"received": 0}
        if step == "file-piece":
            given = buffers if isinstance(buffers, list | tuple) else []
            return {"received": self._intake.take(bytes(given[0]) if given else b"")}
        if step == "file-cancel":
            self._intake.cancel()
            return {"cancelled": True}
        self._on_file(replace(self._intake.end(), is_kept=self._is_kept))
        return {"done": True}


class Upload(FileTaker):
    """A place to drop files on, with the list of those that are there.

    An `InputError` of the handler is said beside the button. ``on("remove", handler)`` gets the key of a listed file.

    Attributes
    ----------
    keeps_as : str
        Under which name the browser keeps the files; empty where the address holds what they say.
    takes_up : bool
        False where another widget sends them anew.
    """

    _esm = web_text("kept_files.js", "upload.js")
    _css = web_text("tokens.css", "widgets.css", "upload.css")
    keeps_as = traitlets.Unicode("").tag(sync=True)
    takes_up = traitlets.Bool(True).tag(sync=True)
    label = traitlets.Unicode("Choose files").tag(sync=True)
    hint = traitlets.Unicode("").tag(sync=True)
    accept = traitlets.Unicode("").tag(sync=True)
    many = traitlets.Bool(True).tag(sync=True)
    files: traitlets.List[Any] = traitlets.List().tag(sync=True)


def offer_curves(
    files: FileOffers,
    *,
    curves: Callable[[], Sequence[Curve]],
    stem: Callable[[], str],
    title: Callable[[], str],
    caption: Callable[[], str] = lambda: ZERO,
) -> None:
    """Add buttons that save what a page draws.

    Parameters
    ----------
    files : FileOffers
    curves : callable
        The curves as they are drawn, the present one first.
    stem, title : callable
        Beginning of the file's name, and the picture's heading.
    caption : callable
        What zero is, below the picture.
    """

    def picture(kind: str, media: str) -> MadeFile:
        from labkit.view.curve.plot import (  # matplotlib costs 0.3 s and memory: only when asked for
            figure,
            figure_bytes,
        )

        drawing = figure(curves(), title=title(), caption=caption())
        return MadeFile(name=f"{stem()}.{kind}", kind=media, content=figure_bytes(drawing, kind))

    files.offer("svg", "Curve as SVG", lambda: picture("svg", "image/svg+xml"))
    files.offer("png", "Curve as PNG", lambda: picture("png", "image/png"))
    files.offer(
        "csv",
        "Curve as CSV",
        lambda: MadeFile(name=f"{stem()}.csv", kind="text/csv", content=curves_csv(curves()).encode()),
    )


def curves_csv(curves: Sequence[Curve]) -> str:
    """Return curves as a table: frequency in hertz, then the level of each in decibels, named in the first line.

    Raises
    ------
    InputError
        If the curves do not share their frequencies.
    """
    frequency = curves[0].frequency_hz
    if any(not np.array_equal(curve.frequency_hz, frequency) for curve in curves):
        raise InputError("curves of one table must share their frequencies")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["frequency / Hz", *(f"{curve.label} / dB" for curve in curves)])
    for row in zip(frequency, *(curve.gain_db for curve in curves)):
        writer.writerow([f"{row[0]:.6g}", *(f"{level:.4f}" for level in row[1:])])
    return text.getvalue()
