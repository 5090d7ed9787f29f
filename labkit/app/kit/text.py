"""Pieces of a page's text that several pages write alike; everything from outside is escaped here."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from html import escape

from labkit.core.errors import capitalized
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ
from labkit.view.curve.marks import LevelDifference
from labkit.view.words import KeyNumber, Reading, frequency_in_words, level_in_words, sentence


def numbers_html(numbers: tuple[KeyNumber, ...]) -> str:
    """Return key numbers as a definition list that also carries its sentence for the live region."""
    cells = "".join(
        f'<div><dt>{escape(number.label)}</dt><dd class="lab-value">{escape(number.value)}</dd>'
        f'<dd class="lab-detail">{escape(number.detail)}</dd></div>'
        for number in numbers
    )
    return f'<dl class="lab-numbers" data-announce="{escape(sentence(numbers))}">{cells}</dl>'


LEAST_PEAK_DB = 0.5
"""A bump lower than this is said to be no peak: what `height_in_words` calls nearly flat."""


def rig_answer(now: Reading, other: Reading | None = None, difference: LevelDifference | None = None) -> str:
    """Return what a rig's curve says in one sentence, HTML: against B where there is one, numbers of A underlined.

    >>> rig_answer(Reading(peak_hz=2800.0, height_db=5.4, minus_3db_hz=4500.0, bass_db=0.0))
    'Peak <em>2.8 kHz</em>, 5.4 dB over the bass; falls away from <em>4.5 kHz</em>.'
    """
    if now.is_silent:
        return "Nothing reaches the input."

    def said(frequency_hz: float) -> str:
        return f"<em>{frequency_in_words(frequency_hz)}</em>"

    parts = []
    if now.peak_hz is None or now.height_db is None or now.height_db < LEAST_PEAK_DB:
        parts.append(
            "No peak"
            if other is None or other.peak_hz is None
            else f"No peak; B has one at {frequency_in_words(other.peak_hz)}"
        )
    elif other is None:
        parts.append(f"Peak {said(now.peak_hz)}, {level_in_words(now.height_db)} over the bass")
    else:
        beside = "B has none" if other.peak_hz is None else f"{frequency_in_words(other.peak_hz)} with B"
        parts.append(f"Peak {said(now.peak_hz)}, {beside}")
    if difference is None:
        parts += [f"falls away from {said(now.minus_3db_hz)}"] if now.minus_3db_hz is not None else []
    else:
        dull, louder = difference.dull_hz, difference.louder
        if dull is not None:
            parts.append(f"more than 3 dB duller from {said(dull)}")
        if louder is not None:
            low, high, most = louder
            where = (
                ""
                if low < LOW_HZ * 1.1 and high > HIGH_HZ / 1.1
                else f" from {frequency_in_words(low)} to {frequency_in_words(high)}"
            )
            parts.append(f"up to {level_in_words(most)} louder{where}")
    return "; ".join(parts) + "."


def answer_html(answer: str) -> str:
    """Return a page's answer, HTML already, as its first line."""
    return f'<p class="lab-answer">{answer}</p>'


def sentence_html(text: str) -> str:
    """Return the one sentence that says what a page has found."""
    return f'<p class="lab-sentence">{escape(text)}</p>'


def table_html(
    title: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, marked: int = -1, links: Sequence[str] = ()
) -> str:
    """Return a table: the first cell of a row names it; the marked row is the present state.

    With ``links``, one for each row, the name leads there; an empty one leads nowhere.

    >>> table_html("t", ("a", "b"), [("x", "<1>")]).count("&lt;1&gt;")
    1
    """
    top = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    lines = []
    for index, row in enumerate(rows):
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        now = ' class="lab-now" aria-current="true"' if index == marked else ""
        name = escape(row[0])
        if index < len(links) and links[index]:
            name = f'<a class="lab-link" href="{escape(links[index])}">{name}</a>'
        lines.append(f'<tr{now}><th scope="row">{name}</th>{cells}</tr>')
    return (
        f'<div class="lab-table-holder" role="region" tabindex="0" aria-label="{escape(title)}">'
        f'<table class="lab-table"><caption>{escape(title)}'
        f"</caption><thead><tr>{top}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
    )


def warnings_html(warnings: Sequence[str]) -> str:
    """Return faults of a wiring as a list that is announced; empty where there is none.

    >>> warnings_html(())
    ''
    """
    if not warnings:
        return ""
    rows = "".join(f"<li>{escape(capitalized(sentence))}</li>" for sentence in warnings)
    return f'<ul class="lab-warnings" role="status">{rows}</ul>'


def change_in_words(level_db: float) -> str:
    """Write a difference of levels with its sign.

    >>> change_in_words(2.04), change_in_words(-0.3), change_in_words(0.01)
    ('+2.0 dB', '−0.3 dB', '0.0 dB')
    """
    return f"{'+' if level_db >= 0.05 else ''}{level_in_words(level_db)}"


def today() -> str:
    """Return the date that a page puts on its papers: ``2026-11-30``."""
    return datetime.date.today().isoformat()


def capital(text: str) -> str:
    """Return a sentence with a capital, a full stop and minus signs.

    >>> capital("ohms -2.0 % from the plan")
    'Ohms −2.0 % from the plan.'
    """
    text = re.sub(r"(?<![\w-])-(?=\d)", "−", text)
    return capitalized(text) + ("" if text.endswith((".", "?", "!")) else ".")
