"""SVG written by hand: elements, text, lines, paths and the document around them, the same for every drawing.

Numbers are written with two decimals at most (a fiftieth of a CSS pixel), texts and values of attributes are escaped
here, and names of attributes are those of SVG with ``_`` for ``-``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from labkit.view.palette import MUTED, PAPER, SANS, CurveStyle

Attribute = str | float | None
"""Text, a number, or None for an attribute that is left out."""


def number(value: float, decimals: int = 2) -> str:
    """Return a number as SVG takes it, without noughts that say nothing.

    >>> number(12.3456), number(7.0), number(-0.001)
    ('12.35', '7', '0')
    """
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def element(name: str, *content: str, **attributes: Attribute) -> str:
    """Return an element around its content, which is SVG already.

    >>> element("circle", cx=1.5, r=2, stroke_width=None, class_="a & b")
    '<circle cx="1.5" r="2" class="a &amp; b"/>'
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{written}>{''.join(content)}</{name}>" if content else f"<{name}{written}/>"


def text(
    x: float, y: float, words: str, colour: str | None = MUTED, *, anchor: str = "start", **attributes: Attribute
) -> str:
    """Return words on one line that starts, ends or has its middle at a place."""
    aligned = None if anchor == "start" else anchor
    return element("text", escape(words), x=x, y=y, fill=colour, text_anchor=aligned, **attributes)


def label(x: float, y: float, words: str, colour: str, *, anchor: str = "start", halo: float = 3, tip: str = "") -> str:
    """Return the name of a curve, bold in its colour, on a rim of paper that keeps it clear of lines."""
    titled = element("title", escape(tip)) if tip else ""
    return element(
        "text",
        titled + escape(words),
        x=x,
        y=y,
        text_anchor=None if anchor == "start" else anchor,
        fill=colour,
        font_weight="600",
        paint_order="stroke",
        stroke=PAPER,
        stroke_width=halo,
    )


def line(x1: float, y1: float, x2: float, y2: float, colour: str, **attributes: Attribute) -> str:
    """Return a straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=colour, **attributes)


def rectangle(x: float, y: float, width: float, height: float, fill: str, **attributes: Attribute) -> str:
    """Return a rectangle by its upper left corner and its size."""
    return element("rect", x=x, y=y, width=width, height=height, fill=fill, **attributes)


def dashes(lengths: Sequence[float]) -> str | None:
    """Return on and off lengths as the attribute ``stroke-dasharray``; None for a solid line."""
    return " ".join(number(length) for length in lengths) or None


def points(x: Iterable[float], y: Iterable[float]) -> str:
    """Return places as the attribute ``points``, with one decimal: a curve has hundreds."""
    return " ".join(f"{across:.1f},{down:.1f}" for across, down in zip(x, y))


def polyline(x: Iterable[float], y: Iterable[float], style: CurveStyle, *content: str, **attributes: Attribute) -> str:
    """Return a line through places, in the colour, width and dash of a style unless attributes say otherwise."""
    drawn: dict[str, Attribute] = {
        "fill": "none",
        "stroke": style.colour,
        "stroke_width": style.width,
        "stroke_dasharray": dashes(style.dash),
        **attributes,
    }
    return element("polyline", *content, **drawn, points=points(x, y))


def document(
    name: str,
    width: float,
    height: float,
    parts: Iterable[str],
    *,
    title: str,
    description: str,
    size: float = 13,
    **attributes: Attribute,
) -> str:
    """Return a drawing as one ``<svg>`` that can stand in a page.

    Parameters
    ----------
    name : str
        Class of the element.
    width, height : float
        CSS pixels.
    parts : iterable of str
        What is drawn, as SVG.
    title, description : str
        Text alternative: what the drawing is, and what it says in words.
    size : float
        Of its letters, CSS pixels.
    """
    return element(
        "svg",
        element("title", escape(title)),
        element("desc", escape(description)),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        role="img",
        class_=name,
        width=width,
        height=height,
        viewBox=f"0 0 {number(width)} {number(height)}",
        aria_label=f"{title}. {description}",
        font_family=SANS,
        font_size=size,
        style="font-variant-numeric: tabular-nums",
        **attributes,
    )
