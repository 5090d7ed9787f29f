"""A drawing as an SVG document: real text, a group with an id per part, a title and a description in words."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape, quoteattr

from labkit.view.palette import COPPER, INK, MUTED, PAPER, SANS, SERIF
from labkit.view.schematic.drawing import Box, Drawing, Point, Stroke, Text, broken, text_width

MARGIN = 26.0
HEADING_SIZE = 19.0
SUMMARY_SIZE = 12.0
DOT_RADIUS = 3.0

STROKES: dict[str, tuple[str, float, tuple[float, ...]]] = {
    "wire": (INK, 1.3, ()),
    "body": (INK, 1.8, ()),
    "fine": (MUTED, 1.2, ()),
    "dashed": (MUTED, 1.2, (5.0, 3.5)),
    "dotted": (MUTED, 1.3, (1.4, 3.6)),
    "copper": (COPPER, 2.2, ()),
}
"""Colour, width and dash of each role of a stroke; every role differs in more than its hue."""
TEXTS: dict[str, tuple[str, int]] = {"name": (INK, 600), "value": (INK, 400), "small": (MUTED, 400)}


def frame(drawing: Drawing) -> tuple[Box, float]:
    """Return the picture's room with margin and heading, and the y of the heading's baseline."""
    box = drawing.box
    head = HEADING_SIZE + 12 + (SUMMARY_SIZE + 8 if drawing.summary else 0)
    widest = max(
        text_width(drawing.name, HEADING_SIZE), *(text_width(row, SUMMARY_SIZE) for row in summary_rows(drawing)), 0.0
    )
    extra = (len(summary_rows(drawing)) - 1) * 16.0 if drawing.summary else 0.0
    room = Box(box.x0 - MARGIN, box.y0 - MARGIN - head - extra, max(box.x1, box.x0 + widest) + MARGIN, box.y1 + MARGIN)
    return room, room.y0 + MARGIN - 6 + HEADING_SIZE * 0.8


def summary_rows(drawing: Drawing) -> tuple[str, ...]:
    """Return the line under the heading, broken to the width of the drawing."""
    box = drawing.box
    return broken((drawing.summary,), max(320.0, box.x1 - box.x0)) if drawing.summary else ()


def to_svg(drawing: Drawing, *, id_prefix: str = "schematic") -> str:
    """Return the drawing as a complete SVG document.

    Parameters
    ----------
    drawing : Drawing
    id_prefix : str
        Starts every id, so that several drawings can stand in one page.

    Returns
    -------
    str
        SVG 1.1 with real text; asks for nothing from outside.
    """
    room, heading_y = frame(drawing)
    left = room.x0 + MARGIN
    width, height = room.x1 - room.x0, room.y1 - room.y0
    title, description = f"{id_prefix}-title", f"{id_prefix}-description"
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" id={quoteattr(id_prefix)} role="img" '
        f"aria-labelledby={quoteattr(title)} aria-describedby={quoteattr(description)} "
        f'width="{_n(width)}" height="{_n(height)}" '
        f'viewBox="{_n(room.x0)} {_n(room.y0)} {_n(width)} {_n(height)}" '
        f'fill="none" stroke-linecap="round" stroke-linejoin="round" font-family={quoteattr(SANS)}>',
        f"<title id={quoteattr(title)}>{escape(drawing.name)}</title>",
        f"<desc id={quoteattr(description)}>{escape(drawing.description)}</desc>",
        f'<rect x="{_n(room.x0)}" y="{_n(room.y0)}" width="{_n(width)}" height="{_n(height)}" fill="{PAPER}"/>',
        f'<text x="{_n(left)}" y="{_n(heading_y)}" font-family={quoteattr(SERIF)} font-size="{_n(HEADING_SIZE)}" '
        f'fill="{INK}">{escape(drawing.name)}</text>',
    ]
    rows += [
        f'<text x="{_n(left)}" y="{_n(heading_y + 20 + 16 * index)}" font-size="{_n(SUMMARY_SIZE)}" '
        f'fill="{MUTED}">{escape(row)}</text>'
        for index, row in enumerate(summary_rows(drawing))
    ]
    rows.append(f'<g id="{id_prefix}-wires">')
    rows.append(f'<path d="{"".join(_segment(wire.a, wire.b) for wire in drawing.wires)}"{_stroke("wire")}/>')
    rows += [f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(DOT_RADIUS)}" fill="{INK}"/>' for x, y in drawing.dots]
    rows.append("</g>")
    owners = dict.fromkeys(symbol.owner for symbol in drawing.symbols)
    ids = _ids(owners, id_prefix)
    for owner in owners:
        rows.append(f'<g id="{ids[owner]}" data-part={quoteattr(owner)}>')
        for symbol in drawing.symbols:
            if symbol.owner == owner:
                rows += [_path(stroke) for stroke in symbol.strokes]
                rows += [_text(text) for text in symbol.texts]
        for label in drawing.labels:
            if label.owner == owner:
                rows += [_text(text) for text in label.texts]
        rows.append("</g>")
    rows.append(f'<g id="{id_prefix}-terminals">')
    for terminal in drawing.terminals:
        rows += [_path(stroke) for stroke in terminal.strokes]
        rows += [_text(text) for text in terminal.texts]
    rows += ["</g>", "</svg>"]
    return "\n".join(rows) + "\n"


def _ids(owners: dict[str, None], prefix: str) -> dict[str, str]:
    """Return an id per part, made of its name; numbered where two names give the same id."""
    taken: set[str] = set()
    result = {}
    for owner in owners:
        base = f"{prefix}-part-{re.sub(r'[^A-Za-z0-9_-]+', '-', owner)}"
        number, name = 2, base
        while name in taken:
            number, name = number + 1, f"{base}-{number}"
        taken.add(name)
        result[owner] = name
    return result


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def _segment(a: Point, b: Point) -> str:
    return f"M{_n(a[0])} {_n(a[1])}L{_n(b[0])} {_n(b[1])}"


def _stroke(role: str) -> str:
    colour, width, dash = STROKES[role]
    dashes = f' stroke-dasharray="{" ".join(_n(part) for part in dash)}"' if dash else ""
    return f' stroke="{colour}" stroke-width="{_n(width)}"{dashes}'


def _path(stroke: Stroke) -> str:
    data = "".join(letter + " ".join(_n(value) for value in values) for letter, values in stroke.commands)
    if stroke.filled:
        return f'<path d="{data}Z" fill="{STROKES[stroke.role][0]}"/>'
    return f'<path d="{data}"{_stroke(stroke.role)}/>'


def _text(text: Text) -> str:
    colour, weight = TEXTS[text.role]
    anchor = "" if text.anchor == "start" else f' text-anchor="{text.anchor}"'
    bold = f' font-weight="{weight}"' if weight != 400 else ""
    return (
        f'<text x="{_n(text.at[0])}" y="{_n(text.at[1])}" font-size="{_n(text.size)}" fill="{colour}"{bold}{anchor}>'
        f"{escape(text.text)}</text>"
    )
