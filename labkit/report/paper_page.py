"""The page every paper is printed on: styles, tables, lists, and the one place where text is escaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.palette import COPPER, INK, LINE, MUTED, PAPER, SANS, SERIF

DEFER = "Local codes, product data sheets and licensed practice come before this list."

SOLDER = (
    "Fitting parts inside the instrument needs soldering: fume extraction, clean hands; let a technician do it if in "
    "doubt."
)
AMPLIFIER = (
    "An amplifier holds high voltage after it is unplugged: leave its inside to licensed service, and never lift its "
    "safety earth. If anything tingles, stop and have it serviced."
)
PLUG = "Plug and unplug cables with the volume down, and start quiet."
BENCH_CAUTIONS = (SOLDER, AMPLIFIER, PLUG, DEFER)
WINDING_CAUTIONS = (
    "The winder entangles hair, sleeves and gloves; a breaking wire can reach an eye: wear glasses.",
    "Solder with fume extraction, never on a magnet; wash hands after leaded solder.",
    "Wax only in a double boiler with a thermostat, never unattended; lacquer and solvents are flammable, ventilate.",
    "Magnetisers store lethal energy and throw parts: trained persons only; keep pacemakers and cards away.",
    "Insulation: low-voltage ohmmeter only; an insulation tester can destroy the coil.",
    DEFER,
)
CUSTOMER_CAUTIONS = (
    "Fitting needs soldering: let a technician do it if in doubt.",
    AMPLIFIER,
    "Start quiet when trying a new pickup.",
    "Keep strong magnets away from pacemakers, cards and from this pickup: they change its charge.",
    DEFER,
)
"""Every caution is common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperHead:
    """What stands under a paper's title: number of the paper or the order, date and shop; a line where one is empty."""

    number: str = ""
    date: str = ""
    shop: str = ""


TO_FILL_IN = PaperHead()
"""No number, and lines for date and shop."""


def text(text: str) -> str:
    """Escape whatever comes from outside."""
    return escape(text, quote=True)


def quantity(value: float, unit: str, *, digits: int = 4) -> str:
    """Return a quantity with four digits unless told, and a no-break space; an infinite bound in words."""
    if unit == "dB":
        return f"{value:.1f} dB".replace("-", "−")
    if not np.isfinite(value):
        return "no limit" if value > 0 else "none"
    return format_quantity(value, unit, digits=digits).replace(" ", "\u00a0")


def bounds(interval: Interval, unit: str, *, digits: int = 4) -> str:
    """Return a value with its bounds."""
    value, low, high = (quantity(end, unit, digits=digits) for end in (interval.value, interval.low, interval.high))
    return f"{value} ({low} to {high})"


def sensible_bounds(interval: Interval, unit: str) -> str:
    """Return a value and its bounds to the place that half of its half-width is worth.

    >>> sensible_bounds(Interval(value=5806.0, low=5472.0, high=6158.0), "Ω").replace("\u00a0", " ")
    '5.8 kΩ (5.5 kΩ to 6.2 kΩ)'
    >>> sensible_bounds(Interval(value=95e-12, low=63.3e-12, high=143e-12), "F").replace("\u00a0", " ")
    '100 pF (60 pF to 140 pF)'
    """
    half = (interval.high - interval.low) / 2
    if not (np.isfinite(half) and half > 0 and interval.low > 0):
        return bounds(interval, unit, digits=3)
    place = math.floor(math.log10(half / 2))

    def said(value: float) -> str:
        rounded = round(value / 10.0**place) * 10.0**place
        digits = math.floor(math.log10(rounded)) - place + 1 if rounded > 0 else 1
        return quantity(rounded, unit, digits=digits)

    return f"{said(interval.value)} ({said(interval.low)} to {said(interval.high)})"


LONGEST_NAME = 22
"""Letters of a curve's name on paper."""


def end_label(label: str, otherwise: str) -> str:
    """Return a curve's name for its end, or another word where it would be longer than a glance."""
    return label if len(label) <= LONGEST_NAME else otherwise


def length(value: float | None) -> str:
    """Return a length in millimetres, finer for the advance of a winder."""
    if value is None:
        return ""
    millimetres = value * 1e3
    return f"{millimetres:.4f} mm" if 0 < millimetres < 0.5 else f"{millimetres:.2f} mm"


def mark(passed: bool) -> str:
    """Return pass or fail, readable without colour."""
    return "✓ pass" if passed else "✗ fail"


def table(rows: Sequence[tuple[str, str]]) -> str:
    """Return rows of name and value."""
    lines = (f'<tr><th scope="row">{text(name)}</th><td>{text(value)}</td></tr>' for name, value in rows)
    return f"<table>{''.join(lines)}</table>"


def grid(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table with a head."""
    top = "".join(f'<th scope="col">{text(name)}</th>' for name in head)
    lines = "".join("<tr>" + "".join(f"<td>{text(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table>"


def bullets(title: str, entries: Sequence[str], *, boxes: bool = False) -> str:
    """Return a titled list, with boxes to tick where wanted; nothing when it is empty."""
    if not entries:
        return ""
    kind = ' class="boxes"' if boxes else ""
    return f"<h2>{text(title)}</h2><ul{kind}>" + "".join(f"<li>{text(entry)}</li>" for entry in entries) + "</ul>"


def titled(title: str, html: str) -> str:
    """Return a table or the like under its title."""
    return f"<h2>{text(title)}</h2>{html}"


def remark(words: str) -> str:
    """Return a small remark."""
    return f'<p class="note">{text(words)}</p>'


def lead(sentence: str) -> str:
    """Return the result in one sentence, in larger type."""
    return f'<p class="lead">{text(sentence)}</p>'


def figure(drawing: str, caption: str) -> str:
    """Return a drawing, SVG, over its caption."""
    return f"<figure>{drawing}<figcaption>{text(caption)}</figcaption></figure>"


def curves_figure(curves: Sequence[Curve], *, title: str, description: str, height: int, caption: str) -> str:
    """Return one curve, or two with their difference, as a figure."""
    drawing = draw_curves(
        curves, title=title, description=description, width=700, height=height, compares=len(curves) == 2
    )
    return figure(drawing, caption)


def signature(fields: Sequence[str]) -> str:
    """Return ruled fields to fill in by hand."""
    return '<div class="sign">' + "".join(f"<span>{text(name)}</span>" for name in fields) + "</div>"


_STYLE = f"""
@page {{ size: A4; margin: 11mm; }}
body {{ background: {PAPER}; color: {INK}; font-family: {SANS}; font-size: 9.5pt; line-height: 1.24;
  font-variant-numeric: tabular-nums; margin: 0 auto; max-width: 182mm; padding: 8mm; }}
h1, h2, h3, .lead, .verdict {{ font-family: {SERIF}; font-weight: 600; }}
h1 {{ font-size: 18pt; margin: 0; }} h2 {{ font-size: 12pt; margin: 2.2mm 0 0.8mm; }}
h3 {{ font-size: 11pt; margin: 3mm 0 1mm; }}
header {{ border-bottom: 2px solid {COPPER}; padding-bottom: 2mm; margin-bottom: 4mm; }}
header p, .note, figcaption {{ color: {MUTED}; margin: 1mm 0 0; }}
.lead, .verdict {{ font-size: 12pt; margin: 1.5mm 0; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: left; padding: 0.8mm 3mm 0.8mm 0; border-bottom: 1px solid {LINE}; vertical-align: top; }}
th[scope=row] {{ font-weight: 400; color: {MUTED}; width: 30%; }}
td:first-child {{ min-width: 38mm; }} figure {{ margin: 1.5mm 0 2mm; }} figure svg {{ max-width: 100%; height: auto; }}
ul {{ margin: 0; padding-left: 5mm; }} ul.boxes {{ list-style: "☐  "; }}
.sign {{ display: flex; flex-wrap: wrap; gap: 6mm; margin-top: 12mm; }}
.sign span {{ flex: 1 1 40mm; border-top: 1px solid {INK}; padding-top: 1mm; color: {MUTED}; }}
tr, figure, li, h2, h3 {{ break-inside: avoid; }} h2, h3 {{ break-after: avoid; }}
.blank {{ display: inline-block; min-width: 38mm; border-bottom: 1px solid {INK}; }}
.dense {{ font-size: 8.5pt; line-height: 1.19; }} .dense h1 {{ font-size: 16pt; }}
.dense h2 {{ font-size: 10.5pt; margin: 0 0 0.6mm; }} .dense header {{ margin-bottom: 1.5mm; padding-bottom: 1mm; }}
.dense th, .dense td {{ padding: 0.35mm 2mm 0.35mm 0; }} .dense td:first-child {{ min-width: 0; }}
.dense main > h2 {{ margin-top: 3mm; }}
.dense .sign {{ margin-top: 4mm; gap: 3mm; }}
.dense .columns {{ columns: 2; column-gap: 8mm; margin-top: 2.5mm; }}
.dense section {{ margin-bottom: 2mm; }} .dense th[scope=row] {{ width: 40%; }}
.dense .sign span {{ flex-basis: 26mm; }}
@media print {{ body {{ background: none; padding: 0; max-width: none; }} }}
"""


def page(title: str, head: PaperHead, body: Iterable[str], *, by: str = "", is_dense: bool = False) -> str:
    """Return a whole HTML page that asks for nothing outside itself; date and shop not given are left to fill in.

    Parameters
    ----------
    title : str
    head : PaperHead
    body : iterable of str
        HTML, one after the other.
    by : str
        Who made it.
    is_dense : bool
        Smaller type, for a paper that must fit one page.
    """
    under = [f"No. {text(head.number)}"] if head.number else []
    under += [f"{name}: {text(given) or _BLANK}" for name, given in (("Date", head.date), ("Shop", head.shop))]
    under += [text(by)] if by else []
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<title>{text(title)}</title><link rel="icon" href="data:,">'
        f"<style>{_STYLE}{_NARROW_MARGIN if is_dense else ''}</style></head>"
        + ('<body class="dense">' if is_dense else "<body>")
        + f"<header><h1>{text(title)}</h1><p>{' · '.join(under)}</p></header><main>"
        + "".join(body)
        + "</main></body></html>\n"
    )


_NARROW_MARGIN = "@page { margin: 12mm; }"
_BLANK = '<span class="blank">\u00a0</span>'
