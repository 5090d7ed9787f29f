"""An answer of the page of studies as files: JSON and tables in the form that the commands give, and pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from labkit.app.kit.widgets import FileOffers, MadeFile
from labkit.app.pages.study.work import SpreadAnswer
from labkit.core.errors import InputError
from labkit.core.files import as_json_text
from labkit.study import written
from labkit.study.search.solution import SearchResult


def answer_json(answer: Any) -> str:
    """Return an answer as JSON."""
    if isinstance(answer, SpreadAnswer):
        name = answer.measure.measure.name
        sensitivity = written.sensitivity_data(
            answer.local, {name: answer.bars}, {name: answer.shares}, [answer.sentence]
        )
        return as_json_text(written.tolerance_data(answer.result) | {"sensitivity": sensitivity}) + "\n"
    data = written.search_data(answer) if isinstance(answer, SearchResult) else written.answer_data(answer)
    return as_json_text(data) + "\n"


def answer_csv(answer: Any) -> str:
    """Return an answer as a table."""
    if isinstance(answer, SpreadAnswer):
        return written.tolerance_csv(answer.result) + "\n"
    text = written.search_csv(answer) if isinstance(answer, SearchResult) else written.answer_csv(answer)
    return text + "\n"


def offer_pictures(
    files: FileOffers, *, answer: Callable[[], object], stem: Callable[[], str], title: Callable[[], str]
) -> None:
    """Add buttons that save the band, the histograms and the tornado of a spread.

    Parameters
    ----------
    files : FileOffers
    answer : callable
        The present answer.
    stem, title : callable
        Beginning of the file's name, and the picture's heading.
    """

    def picture(what: str, kind: str) -> MadeFile:
        from labkit.view.curve.plot import figure_bytes  # matplotlib costs 0.3 s and memory: only when asked for
        from labkit.view.curve.study_plots import band_figure, histogram_figure, tornado_figure

        found = answer()
        if not isinstance(found, SpreadAnswer):
            raise InputError("there is no spread to draw yet; wait until it is worked out")
        measure = found.measure.measure
        if what == "tornado":
            heading = f"{title()}: what moves the {measure.name}"
            drawing = tornado_figure(found.bars, unit=measure.unit, nominal=found.measure.nominal, title=heading)
        elif what == "band":
            drawing = band_figure(found.result, title=title())
        else:
            drawing = histogram_figure(found.result.measures[:3], title=title())
        media = "image/svg+xml" if kind == "svg" else "image/png"
        return MadeFile(name=f"{stem()}-{what}.{kind}", kind=media, content=figure_bytes(drawing, kind))

    for what in ("band", "histograms", "tornado"):
        for kind in ("svg", "png"):
            label = f"{what.capitalize()} as {kind.upper()}"
            files.offer(f"{what}-{kind}", label, lambda what=what, kind=kind: picture(what, kind))  # type: ignore[misc]
