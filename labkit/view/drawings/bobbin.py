"""A coil on its bobbin, to scale: seen from the strings, and cut across. One SVG with its own description.

Flanges are drawn 1.5 mm thick; their outer radius, the winding, the core and the poles are to scale. What stands out
over the flange is hatched in another colour and named in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from labkit.core.errors import InputError, capitalized
from labkit.pickup.magnetics.poles import Pole
from labkit.view import svg
from labkit.view.curve.curve import COMPACT_BELOW, clamped_width
from labkit.view.palette import CARD, COPPER, EDGE, INK, MUTED, PAPER, WARN

FLANGE_THICKNESS = 1.5e-3
"""Thickness of the flanges in the drawing, m; no sheet states it."""

_SPACE = 7e-3
_TEXT = 17.0
"""Height of a line of text, CSS pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilOutline:
    """What the drawing shows of one coil.

    Parameters
    ----------
    name : str
        Shown above the section where there are two.
    straight_length, end_radius, winding_height, build_up : float, m
    flange_radius : float, m
        Outer end radius of the flanges.
    poles : Pole or None
    across : float, m
        Place of the coil's middle line.
    """

    name: str
    straight_length: float
    end_radius: float
    winding_height: float
    build_up: float
    flange_radius: float
    poles: Pole | None = None
    across: float = 0.0

    def __post_init__(self) -> None:
        for key in ("end_radius", "winding_height", "flange_radius"):
            if not 0 < getattr(self, key) < 1.0:
                raise InputError(
                    f"{key.replace('_', ' ')} must lie above 0 and under 1 m to be drawn; got {getattr(self, key)}"
                )
        if not 0 <= self.build_up < 1.0 or not 0 <= self.straight_length < 1.0:
            raise InputError("build-up and straight length must lie between 0 and 1 m to be drawn")

    @property
    def outer_radius(self) -> float:
        """End radius over the winding, m."""
        return self.end_radius + self.build_up

    @property
    def overflow(self) -> float:
        """How far the winding stands out over the flange, m; 0 where it fits."""
        return max(self.outer_radius - self.flange_radius, 0.0)

    @property
    def radius(self) -> float:
        """Largest end radius of winding and flange, m."""
        return max(self.outer_radius, self.flange_radius)

    @property
    def half_height(self) -> float:
        """From the winding's middle to the farthest end of flange or pole, m."""
        half = self.winding_height / 2 + FLANGE_THICKNESS
        return half if self.poles is None else max(half, self.poles.length / 2 + abs(self.poles.rise))

    @property
    def sentence(self) -> str:
        """The coil in words."""
        room = self.flange_radius - self.end_radius
        text = (
            f"The winding is {_mm(self.build_up)} deep on a core {_mm(2 * self.end_radius)} wide, "
            f"{_mm(self.winding_height)} high; the flange leaves room for {_mm(max(room, 0.0))}"
        )
        if self.overflow > 0:
            return f"{text}, so it overflows by {_mm(self.overflow)}."
        return f"{text}, so {_mm(room - self.build_up)} stay free."


def draw_bobbin(coils: Sequence[CoilOutline], *, title: str, width: int = 790) -> str:
    """Return coils on their bobbins as one ``<svg>``, plan and section in the same scale.

    Parameters
    ----------
    coils : sequence of CoilOutline
        One or two.
    title : str
    width : int
        CSS pixels, clamped to 240 … 1600.

    Raises
    ------
    InputError
        If there is nothing to draw.
    """
    if not coils:
        raise InputError("there is no coil to draw")
    width = clamped_width(width)
    compact = width < COMPACT_BELOW
    left, right = min(c.across - c.radius for c in coils), max(c.across + c.radius for c in coils)
    length = max(c.straight_length + 2 * c.radius for c in coils)
    cut_height = 2 * max(c.half_height for c in coils)
    wanted = length if compact else length + right - left + 2 * _SPACE
    # a section as wide as the page has room for, but never larger than 12 pixels a millimetre
    scale = min((width - 20 - (0 if compact else 96)) / wanted, 12_000.0)
    plan_height = (right - left) * scale
    section_height = cut_height * scale
    top = 2 * _TEXT
    height = (
        top + plan_height + 3 * _TEXT + section_height + 3 * _TEXT
        if compact
        else top + max(plan_height, section_height) + 3 * _TEXT
    )
    middle = top + (plan_height if compact else max(plan_height, section_height)) / 2
    description = " ".join(
        (f"{capitalized(coil.name)} coil: " if len(coils) > 1 else "") + coil.sentence for coil in coils
    )
    parts = []
    plan_x = 10 + length * scale / 2
    parts.append(svg.text(10, _TEXT, "Seen from the strings", INK, font_weight="600"))
    for coil in coils:
        parts += _plan(coil, plan_x, middle + (coil.across - (left + right) / 2) * scale, scale)
    parts.append(_measure(10, middle + plan_height / 2 + 12, length * scale, _mm(length)))
    if compact:
        section_x, section_y = width / 2, middle + plan_height / 2 + 3 * _TEXT + section_height / 2 + 8
    else:
        section_x, section_y = width - 10 - 64 - (right - left) * scale / 2, middle
    heading_y = section_y - section_height / 2 - 8 if compact else _TEXT
    parts.append(svg.text(section_x, heading_y, "Cut across", INK, anchor="middle", font_weight="600"))
    for coil in coils:
        parts += _section(coil, section_x + (coil.across - (left + right) / 2) * scale, section_y, scale)
    tallest = max(coils, key=lambda coil: coil.winding_height)
    edge = section_x + (right - left) / 2 * scale + 8
    parts.append(_upright(edge, section_y, tallest.winding_height * scale, _mm(tallest.winding_height)))
    parts.append(
        _measure(
            section_x - (right - left) / 2 * scale,
            section_y + section_height / 2 + 12,
            (right - left) * scale,
            _mm(right - left),
        )
    )
    return svg.document(
        "lab-bobbin",
        width,
        round(height),
        parts,
        title=title,
        description=description,
        data_scale=f"{scale / 1000:.4f}",
    )


def _plan(coil: CoilOutline, x: float, y: float, scale: float) -> list[str]:
    def obround(radius: float, fill: str, stroke: str, part: str | None = None, **more: svg.Attribute) -> str:
        wide, high = (coil.straight_length + 2 * radius) * scale, 2 * radius * scale
        corner = high / 2
        return svg.rectangle(
            x - wide / 2, y - high / 2, wide, high, fill, rx=corner, stroke=stroke, data_part=part, **more
        )

    parts = []
    if coil.overflow > 0:
        parts.append(obround(coil.outer_radius, WARN, WARN, "overflow", fill_opacity=0.28, stroke_dasharray="3 3"))
    else:
        parts.append(obround(coil.flange_radius, CARD, EDGE, "flange"))
    inside = min(coil.outer_radius, coil.flange_radius)
    parts.append(obround(inside, PAPER, "none"))
    parts.append(obround(inside, COPPER, COPPER, "winding", fill_opacity=0.38))
    turns = max(int(coil.build_up / 0.6e-3), 1)
    for index in range(1, turns):  # a few of the layers, so that the winding reads as one
        radius = coil.end_radius + coil.build_up * index / turns
        if radius < inside:
            parts.append(obround(radius, "none", COPPER, "layer", stroke_opacity=0.35))
    parts.append(obround(min(coil.end_radius, inside), CARD, COPPER, "core"))
    if coil.overflow > 0:
        parts.append(obround(coil.flange_radius, "none", INK, "flange", stroke_dasharray="7 4"))
    poles = coil.poles
    if poles is not None and poles.kind == "blade":
        wide, high = poles.width * scale, poles.diameter * scale
        parts.append(svg.rectangle(x - wide / 2, y - high / 2, wide, high, MUTED, data_part="pole"))
    elif poles is not None:
        first = -(poles.count - 1) / 2 * poles.pitch
        for index in range(poles.count):
            centre = x + (first + index * poles.pitch) * scale
            radius = poles.diameter / 2 * scale
            parts.append(svg.element("circle", cx=centre, cy=y, r=radius, fill=MUTED, data_part="pole"))
            if poles.kind == "screw":
                slot = radius * 0.7
                parts.append(svg.line(centre - slot, y, centre + slot, y, PAPER, stroke_width=1.6))
    return parts


def _section(coil: CoilOutline, x: float, y: float, scale: float) -> list[str]:
    half, flange = coil.winding_height / 2, coil.flange_radius
    parts = []

    def box(low: float, high: float, upper: float, lower: float, fill: str, part: str, **more: svg.Attribute) -> str:
        wide, tall = (high - low) * scale, (lower - upper) * scale
        return svg.rectangle(x + low * scale, y + upper * scale, wide, tall, fill, data_part=part, **more)

    parts.append(box(-coil.end_radius, coil.end_radius, -half, half, CARD, "core", stroke=EDGE))
    inside = min(coil.outer_radius, flange)
    for side in (-1, 1):
        low, high = sorted((side * coil.end_radius, side * inside))
        parts.append(box(low, high, -half, half, COPPER, "winding", fill_opacity=0.38, stroke=COPPER))
        layers = max(int((inside - coil.end_radius) / 0.6e-3), 1)
        for index in range(1, layers):
            place = x + side * (coil.end_radius + (inside - coil.end_radius) * index / layers) * scale
            parts.append(svg.line(place, y - half * scale, place, y + half * scale, COPPER, stroke_opacity=0.35))
        if coil.overflow > 0:
            low, high = sorted((side * inside, side * coil.outer_radius))
            over = box(low, high, -half, half, WARN, "overflow", fill_opacity=0.28, stroke=WARN, stroke_dasharray="3 3")
            parts.append(over)
    for upper, lower in ((-half - FLANGE_THICKNESS, -half), (half, half + FLANGE_THICKNESS)):
        parts.append(box(-flange, flange, upper, lower, CARD, "flange", stroke=INK))
    if coil.poles is not None:
        thick, long, rise = coil.poles.diameter / 2, coil.poles.length / 2, coil.poles.rise
        parts.append(box(-thick, thick, -long - rise, long - rise, MUTED, "pole"))
    return parts


def _measure(x: float, y: float, wide: float, words: str) -> str:
    n = svg.number
    path = f"M{n(x)} {n(y - 4)}v8M{n(x)} {n(y)}h{n(wide)}M{n(x + wide)} {n(y - 4)}v8"
    drawn = svg.element("path", d=path, fill="none", stroke=EDGE)
    return drawn + svg.text(x + wide / 2, y + _TEXT, words, anchor="middle")


def _upright(x: float, y: float, high: float, words: str) -> str:
    n, top = svg.number, y - high / 2
    path = f"M{n(x - 4)} {n(top)}h8M{n(x)} {n(top)}v{n(high)}M{n(x - 4)} {n(top + high)}h8"
    return svg.element("path", d=path, fill="none", stroke=EDGE) + svg.text(x + 8, y + 4, words)


def _mm(length: float) -> str:
    """Write a length in millimetres.

    >>> _mm(4.327e-3), _mm(0.052)
    ('4.3 mm', '52.0 mm')
    """
    return f"{1e3 * length:.1f} mm"
