"""An answer of the page of studies as a file, in the form that the commands give."""

from __future__ import annotations

from typing import Any

from labkit.app.study_work import SpreadAnswer
from labkit.core.json_text import as_json_text
from labkit.study import written
from labkit.study.solution import SearchResult


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
