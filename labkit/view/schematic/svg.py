"""A drawing as an SVG document: real text, a group with an id per part, a title and a description in words."""

from __future__ import annotations

import re
from html import escape

from labkit.view.palette import COPPER, INK, MUTED, PAPER, SANS, SERIF
from labkit.view.schematic.drawing import Drawing, Point, Stroke, SymbolBox, Text, broken, text_width
from labkit.view.svg import Attribute, dashes, element, number, rectangle, text

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


def frame(drawing: Drawing) -> tuple[SymbolBox, float]:
    """Return the picture's room with margin and heading, and the y of the heading's baseline."""
    box = drawing.box
    head = HEADING_SIZE + 12 + (SUMMARY_SIZE + 8 if drawing.summary else 0)
    widest = max(
        text_width(drawing.name, HEADING_SIZE), *(text_width(row, SUMMARY_SIZE) for row in summary_rows(drawing)), 0.0
    )
    extra = (len(summary_rows(drawing)) - 1) * 16.0 if drawing.summary else 0.0
    room = SymbolBox(
        box.x0 - MARGIN, box.y0 - MARGIN - head - extra, max(box.x1, box.x0 + widest) + MARGIN, box.y1 + MARGIN
    )
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
        element("title", escape(drawing.name), id=title),
        element("desc", escape(drawing.description), id=description),
        rectangle(room.x0, room.y0, width, height, PAPER),
        text(left, heading_y, drawing.name, INK, font_family=SERIF, font_size=HEADING_SIZE),
    ]
    rows += [
        text(left, heading_y + 20 + 16 * index, row, font_size=SUMMARY_SIZE)
        for index, row in enumerate(summary_rows(drawing))
    ]
    wires = element("path", d="".join(_segment(wire.a, wire.b) for wire in drawing.wires), **_stroke("wire"))
    dots = [element("circle", cx=x, cy=y, r=DOT_RADIUS, fill=INK) for x, y in drawing.dots]
    rows.append(_group([wires, *dots], id=f"{id_prefix}-wires"))
    if drawing.gangs:
        rows.append(_group([_path(stroke) for stroke in drawing.gangs], id=f"{id_prefix}-gangs"))
    owners = dict.fromkeys(symbol.owner for symbol in drawing.symbols)
    ids = _ids(owners, id_prefix)
    for owner in owners:
        parts = [
            part
            for symbol in drawing.symbols
            if symbol.owner == owner
            for part in (*map(_path, symbol.strokes), *map(_text, symbol.texts))
        ]
        parts += [_text(text) for label in drawing.labels if label.owner == owner for text in label.texts]
        rows.append(_group(parts, id=ids[owner], data_part=owner))
    ends = [part for end in drawing.terminals for part in (*map(_path, end.strokes), *map(_text, end.texts))]
    rows.append(_group(ends, id=f"{id_prefix}-terminals"))
    whole = element(
        "svg",
        "\n" + "\n".join(rows) + "\n",
        xmlns="http://www.w3.org/2000/svg",
        id=id_prefix,
        role="img",
        aria_labelledby=title,
        aria_describedby=description,
        width=width,
        height=height,
        viewBox=" ".join(map(number, (room.x0, room.y0, width, height))),
        fill="none",
        stroke_linecap="round",
        stroke_linejoin="round",
        font_family=SANS,
    )
    return whole + "\n"


def _group(parts: list[str], **attributes: Attribute) -> str:
    return element("g", "\n" + "\n".join(parts) + "\n", **attributes)


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


def _segment(a: Point, b: Point) -> str:
    return f"M{number(a[0])} {number(a[1])}L{number(b[0])} {number(b[1])}"


def _stroke(role: str) -> dict[str, Attribute]:
    colour, width, dash = STROKES[role]
    return {"stroke": colour, "stroke_width": width, "stroke_dasharray": dashes(dash)}


def _path(stroke: Stroke) -> str:
    data = "".join(letter + " ".join(map(number, values)) for letter, values in stroke.commands)
    if stroke.filled:
        return element("path", d=f"{data}Z", fill=STROKES[stroke.role][0])
    return element("path", d=data, **_stroke(stroke.role))


def _text(drawn: Text) -> str:
    colour, weight = TEXTS[drawn.role]
    bold = str(weight) if weight != 400 else None
    return text(*drawn.at, drawn.text, colour, anchor=drawn.anchor, font_size=drawn.size, font_weight=bold)
