"""Tables and notes of generated pages, as Markdown text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> str:
    """Return a Markdown table; columns whose numbers are in ``right`` are aligned to the right."""
    rules = ["---:" if index in right else "---" for index in range(len(heads))]
    lines = [_row(heads), f"|{'|'.join(rules)}|", *(_row(row) for row in rows)]
    return "\n".join(lines)


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell_text(cell) for cell in cells) + " |"


def cell_text(text: str) -> str:
    """Return a text that cannot end its cell: one line, bars escaped, nothing that reads as a formula or a tag."""
    one_line = " ".join(text.split())
    return one_line.replace("|", "\\|").replace("$", "\\$").replace("<", "&lt;")


def with_options_as_code(text: str) -> str:
    """Return a text with every ``--option`` set as code."""
    return re.sub(r"(?<![\w`-])(--[a-z][a-z-]*)", r"`\1`", text)


class Notes:
    """Numbered notes under a table: equal ones are given one number."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def mark(self, note: str) -> str:
        """Return the mark of a note, such as ``[3]``; a new one is numbered."""
        return f"[{self._numbers.setdefault(note, len(self._numbers) + 1)}]"

    def text(self) -> str:
        """Return the notes as a numbered list."""
        return "\n".join(f"{number}. {cell_text(note)}" for note, number in self._numbers.items())
