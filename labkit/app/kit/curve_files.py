"""The drawn curves of a page as files: SVG, PNG and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

import numpy as np

from labkit.app.kit.widgets import FileOffers, MadeFile
from labkit.core.errors import InputError
from labkit.view.curve.curve import Curve
from labkit.view.words import ZERO


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
