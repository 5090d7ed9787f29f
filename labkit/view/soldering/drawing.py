"""The soldering drawing as SVG: parts, lugs, numbered wires, and which throws each position of a switch joins.

Wires differ in colour and in dash: hot, ground return, screen, link on one part, supply; legs of small parts are thin.
Every wire is a group with a name, can be reached by keyboard, and bears the number of its step.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from html import escape

from labkit.core.errors import InputError
from labkit.rig.devices.plan import CAN, Lug, SolderPlan, SolderWire, in_order, solder_plan
from labkit.rig.harness import Harness
from labkit.view import svg
from labkit.view.grid import Cell
from labkit.view.palette import BLUE, CARD, COPPER, EDGE, GREEN, INK, MUTED, PAPER, SANS, SERIF
from labkit.view.schematic.drawing import text_width
from labkit.view.soldering.layout import FOOT, Layout, Placed, layouts
from labkit.view.soldering.routing import Route, Router
from labkit.view.soldering.shapes import STEP, Body, Footprint, said, variants

CLASS = "lab-solder"
MARKS: dict[str, tuple[str, str, float, tuple[float, ...]]] = {
    "hot": ("hot", COPPER, 2.6, ()),
    "return": ("ground", INK, 2.6, ()),
    "screen": ("screen to ground", INK, 2.2, (7, 3)),
    "link": ("link on one part", BLUE, 2.2, ()),
    "supply": ("battery", GREEN, 2.4, (3, 4)),
}
"""Words, colour, width and dash of each mark; of two with one colour the dash differs."""
LEG = ("leg of a part", MUTED, 1.6, ())
NOTE = (
    "Seen from behind. Pots: 1 counter-clockwise end, 2 wiper, 3 clockwise end. Switches: C common of the pole with "
    "the letter. Numbers on wires are those of the steps."
)
_KEPT, _ENOUGH = (6, 2, 1, 1), 3
"""Layouts whose wires are laid, how many of the best are kept each time that wires and parts have been moved to where
they lie better, and crossings that are few enough to stop at."""
_CORNER = 6.0
_LUG = 7.5
_DOT = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SolderDrawing:
    """A plan with its parts at their places and its wires on their ways; wires are numbered from 1.

    Attributes
    ----------
    plan : SolderPlan
        Its wires are those that are drawn, in the same order as the routes.
    layout : Layout
    routes : tuple of Route
    """

    plan: SolderPlan
    layout: Layout
    routes: tuple[Route, ...]

    @property
    def crossings(self) -> int:
        """Number of places where two wires cross."""
        return _count_crossings(self.routes)

    def to_svg(self) -> str:
        """Return the drawing as an SVG document."""
        return _svg(self)


def draw_soldering(harness: Harness) -> SolderDrawing:
    """Return the soldering drawing of a harness.

    Raises
    ------
    InputError
        If no real switch makes the joins of one of its switches, or no way is found for a wire.
    """
    return _drawn(_Known(solder_plan(harness)))


class _Known:
    """A plan that equals another of the same parts and wires, so that none is drawn twice."""

    def __init__(self, plan: SolderPlan) -> None:
        self.plan = plan
        self.key = (plan.harness.name, repr(sorted(plan.parts.items())), plan.wires, repr(dict(plan.fits)))

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Known) and self.key == other.key


@lru_cache(maxsize=128)
def _drawn(known: _Known) -> SolderDrawing:
    plan = known.plan
    shapes = {name: variants(part) for name, part in plan.parts.items()}
    routers: list[Router] = []
    for layout in layouts(plan, _KEPT[0]):
        routers.append(Router(plan, layout, shapes))
        routers[-1].lay()
        if _is_good(routers[-1]):
            break
    for count in _KEPT[1:]:
        routers = sorted(routers, key=lambda each: each.score)[:count]
        became_better = [each.settle() for each in routers]
        if not any(became_better) or any(map(_is_good, routers)):
            break
    best = min(routers, key=lambda each: each.score)
    if len(best.routes) < len(plan.wires):
        raise InputError(
            f"harness '{plan.harness.name}': no room was found for all {len(plan.wires)} wires of the drawing; "
            "the list of wires is complete without it"
        )
    return _numbered(*_lettered(plan, best.layout, best.routes))


def _is_good(router: Router) -> bool:
    return len(router.routes) == len(router.plan.wires) and _count_crossings(router.routes) <= _ENOUGH


def _lettered(
    plan: SolderPlan, layout: Layout, routes: Sequence[Route]
) -> tuple[SolderPlan, Layout, tuple[Route, ...]]:
    """Call the poles of a switch that are alike A, B, C … from left to right, wherever the search has put them."""
    parts, placed, fits = dict(plan.parts), dict(layout.parts), dict(plan.fits)
    new: dict[Lug, Lug] = {}
    for control, fit in plan.fits.items():
        device = parts[control].device
        if not device.has_equal_poles or device.ring:
            continue
        shape = placed[control].shape
        columns = sorted(device.columns, key=lambda column: shape.lugs[column[0]][0][0])
        names = {lug: device.columns[at][0][0] + lug[1:] for at, column in enumerate(columns) for lug in column}
        new |= {Lug(control, lug): Lug(control, name) for lug, name in names.items()}
        part = parts[control]
        parts[control] = replace(part, nodes={names[lug]: node for lug, node in part.nodes.items()})
        fits[control] = replace(fit, nodes={names[lug]: node for lug, node in fit.nodes.items()})
        words = tuple(
            replace(line, text=names[f"{line.text}C"][0]) if f"{line.text}C" in names else line for line in shape.words
        )
        lugs = {names[lug]: places for lug, places in shape.lugs.items()}
        labels = {names[lug]: label for lug, label in shape.labels.items()}
        placed[control] = replace(placed[control], shape=replace(shape, lugs=lugs, labels=labels, words=words))

    def renamed(route: Route) -> Route:
        wire = route.wire
        return replace(
            route, wire=replace(wire, one=new.get(wire.one, wire.one), other=new.get(wire.other, wire.other))
        )

    wires = tuple(renamed(route).wire for route in routes)
    plan = replace(plan, parts=parts, fits=fits, wires=wires)
    return plan, replace(layout, parts=placed), tuple(map(renamed, routes))


def _count_crossings(routes: Sequence[Route]) -> int:
    ways = Counter(cell for route in routes for cell in route.cells[1:-1])
    return sum(count > 1 for count in ways.values())


def _numbered(plan: SolderPlan, layout: Layout, routes: Sequence[Route]) -> SolderDrawing:
    ways = {(route.wire.one, route.wire.other): route.cells for route in routes}
    wires = in_order([route.wire for route in routes], plan.parts)
    found = []
    for wire in wires:
        cells = ways.get((wire.one, wire.other)) or ways[wire.other, wire.one][::-1]
        found.append(Route(wire=wire, cells=cells))
    return SolderDrawing(plan=replace(plan, wires=wires), layout=layout, routes=tuple(found))


# ---------------------------------------------------------------------------------------------------------------- SVG


def _svg(drawing: SolderDrawing) -> str:
    layout, plan = drawing.layout, drawing.plan
    legend = list(_legend(drawing))
    width, height = layout.width * STEP, (layout.height - FOOT) * STEP + 22 + 16 * len(legend)
    title = f"{plan.harness.name}: soldering drawing"
    tags = _tags(drawing)
    rows = [
        svg.element("title", escape(title)),
        svg.element("desc", escape(describe(plan))),
        svg.element("style", _style()),
        svg.rectangle(0, 0, width, height, PAPER),
        svg.text(30, 44, plan.harness.name, INK, font_family=SERIF, font_size=24),
        *(
            svg.text(30, 66 + 15 * row, line, font_size=13)
            for row, line in enumerate(_wrapped(plan.harness.summary, width - 60, 13))
        ),
        *(_part(part, plan) for part in layout.parts.values()),
        *(_wire(number, route, tag, plan) for number, (route, tag) in enumerate(zip(drawing.routes, tags), start=1)),
        *(_lugs(part, plan) for part in layout.parts.values()),
        *(
            svg.element(
                "g", line, transform=f"translate(0 {svg.number((layout.height - FOOT) * STEP + 14 + 16 * row)})"
            )
            for row, line in enumerate(legend)
        ),
    ]
    return svg.element(
        "svg",
        *rows,
        xmlns="http://www.w3.org/2000/svg",
        role="group",
        class_=CLASS,
        aria_label=title,
        viewBox=f"0 0 {width} {svg.number(height)}",
        width=width,
        height=height,
        font_family=SANS,
        fill="none",
    )


def describe(plan: SolderPlan) -> str:
    """Return what is drawn, in words."""
    parts = [said(part.name) for part in plan.parts.values()]
    return f"{len(parts)} parts ({', '.join(parts)}) and {len(plan.wires)} wires and legs, each named."


def _style() -> str:
    return (
        f".{CLASS} .lab-wire{{outline:none;cursor:default}}"
        f".{CLASS} .lab-wire:is(:hover,:focus) .lab-run{{stroke-width:5px}}"
        f".{CLASS} .lab-wire:is(:hover,:focus) rect{{stroke-width:3px}}"
    )


def _wrapped(text: str, width: float, size: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and text_width(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _part(placed: Placed, plan: SolderPlan) -> str:
    part = plan.parts[placed.part]
    drawn = [_stub(placed, lug, cell) for lug, cells in placed.shape.lugs.items() for cell in cells]
    drawn = [each for each in drawn if each]
    for body in placed.shape.bodies:
        drawn += _body(body, placed, part.kind)
    for line in placed.shape.words:
        drawn.append(
            svg.text(
                (line.x + placed.x) * STEP,
                (line.y + placed.y) * STEP,
                line.text,
                INK if line.is_bold or line.size >= 11 else MUTED,
                anchor=line.anchor,
                font_size=line.size,
                font_weight="600" if line.is_bold else None,
            )
        )
    words = ", ".join((f"{part.kind} {said(part.name)}", *part.words))
    return svg.element(
        "g", svg.element("title", escape(words)), *drawn, role="img", aria_label=words, data_part=part.name
    )


def _body(body: Body, placed: Placed, kind: str) -> Iterator[str]:
    x0, y0 = (body.x0 + placed.x) * STEP, (body.y0 + placed.y) * STEP
    x1, y1 = (body.x1 + placed.x) * STEP, (body.y1 + placed.y) * STEP
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    outline: dict[str, svg.Attribute] = {"stroke": EDGE, "stroke_width": 1.8}
    if body.form == "round":
        yield svg.element("circle", cx=x, cy=y, r=(x1 - x0) / 2, fill=CARD, **outline)
        return
    rounding = {"pickup": 16.0, "capacitor": 9.0, "bridge": 4.0}.get(kind, 6.0)
    yield svg.rectangle(x0, y0, x1 - x0, y1 - y0, CARD, rx=rounding, **outline)
    if kind == "capacitor":
        for across in (-3, 3):
            yield svg.line(x0, y + across, x1, y + across, EDGE, stroke_width=1.6)
    elif kind == "resistor":
        for across in (-12, 0, 12):
            yield svg.line(x0, y + across, x1, y + across, EDGE, stroke_width=2.4)
    elif kind in ("inductor", "dummy coil"):
        arcs = "".join("a5 5 0 0 1 0 10" for _ in range(4))
        yield svg.element("path", d=f"M{svg.number(x)} {svg.number(y - 20)}{arcs}", stroke=EDGE, stroke_width=1.8)


def nearest_of_bodies(shape: Footprint, cell: Cell) -> tuple[float, float] | None:
    """Return the place on a part's bodies that is nearest to a lug, in steps; None of a part without a body."""
    x, y = cell
    found: list[tuple[float, float]] = []
    for body in shape.bodies:
        if body.form == "round":
            middle = ((body.x0 + body.x1) / 2, (body.y0 + body.y1) / 2)
            inside = 0.97 * (body.x1 - body.x0) / 2 / math.hypot(x - middle[0], y - middle[1])
            found.append((middle[0] + (x - middle[0]) * inside, middle[1] + (y - middle[1]) * inside))
        else:
            found.append((min(max(x, body.x0), body.x1), min(max(y, body.y0), body.y1)))
    return min(found, key=lambda end: math.hypot(x - end[0], y - end[1]), default=None)


def _stub(placed: Placed, lug: str, cell: Cell) -> str:
    """The metal from the body to a lug."""
    end = nearest_of_bodies(placed.shape, cell)
    if end is None or lug == CAN:
        return ""
    ends = [(each + at) * STEP for each, at in zip((*cell, *end), (placed.x, placed.y) * 2)]
    return svg.line(ends[0], ends[1], ends[2], ends[3], EDGE, stroke_width=4.5, stroke_linecap="round")


def _lugs(placed: Placed, plan: SolderPlan) -> str:
    part = plan.parts[placed.part]
    drawn = []
    for lug, cells in placed.shape.lugs.items():
        is_used = bool(plan.wires_at(Lug(part.name, lug)))
        label = placed.shape.labels.get(lug)
        for x, y in cells:
            across, down = (x + placed.x) * STEP, (y + placed.y) * STEP
            edge, fill = (INK, PAPER) if is_used else (EDGE, CARD)
            look: dict[str, svg.Attribute] = {"r": _LUG, "fill": fill, "stroke": edge, "stroke_width": 1.6}
            if label is None:
                look = {"r": _DOT if is_used else 2.0, "fill": edge}
            drawn.append(svg.element("circle", cx=across, cy=down, data_lug=f"{part.name}|{lug}", **look))
            if label is not None:
                ink = INK if is_used else MUTED
                words = label[1:] if part.kind == "pot" and len(label) == 2 else label
                drawn.append(svg.text(across, down + 3.6, words, ink, anchor="middle", font_size=10.5))
    return svg.element("g", *drawn, aria_hidden="true")


def _looks(wire: SolderWire) -> tuple[str, str, float, tuple[float, ...]]:
    return LEG if wire.is_leg else MARKS[wire.mark]


def _wire(number: int, route: Route, tag: Cell | None, plan: SolderPlan) -> str:
    _, colour, width, dash = _looks(route.wire)
    path = _path([(x * STEP, y * STEP) for x, y in route.corners()])
    words = f"{number}: {plan.wire_words(route.wire)}"
    drawn = [
        svg.element("title", escape(words)),
        svg.element("path", d=path, stroke=PAPER, stroke_width=width + 4.4),
        svg.element(
            "path",
            d=path,
            class_="lab-run",
            data_wire=str(number),
            stroke=colour,
            stroke_width=width,
            stroke_dasharray=svg.dashes(dash),
            stroke_linejoin="round",
        ),
    ]
    if tag is not None:
        x, y = tag[0] * STEP, tag[1] * STEP
        drawn.append(svg.rectangle(x - 9, y - 7.5, 18, 15, CARD, rx=7.5, stroke=colour, stroke_width=1.2))
        drawn.append(svg.text(x, y + 3.7, str(number), INK, anchor="middle", font_size=10.5))
    return svg.element(
        "g", *drawn, class_="lab-wire", role="img", tabindex="0", aria_label=words, data_step=str(number)
    )


def _path(corners: Sequence[tuple[float, float]]) -> str:
    written = [f"M{svg.number(corners[0][0])} {svg.number(corners[0][1])}"]
    for (x0, y0), (x, y), (x1, y1) in zip(corners, corners[1:], corners[2:]):
        before, after = math.hypot(x - x0, y - y0), math.hypot(x1 - x, y1 - y)
        start = (x - (x - x0) / before * _CORNER, y - (y - y0) / before * _CORNER)
        end = (x + (x1 - x) / after * _CORNER, y + (y1 - y) / after * _CORNER)
        written.append(
            f"L{svg.number(start[0])} {svg.number(start[1])}"
            f"Q{svg.number(x)} {svg.number(y)} {svg.number(end[0])} {svg.number(end[1])}"
        )
    written.append(f"L{svg.number(corners[-1][0])} {svg.number(corners[-1][1])}")
    return "".join(written)


def _tags(drawing: SolderDrawing) -> list[Cell | None]:
    """A place for each number: on a straight run, away from lugs, other wires' crossings and other numbers."""
    lugs = {cell for cells in drawing.layout.places().values() for cell in cells}
    words = drawing.layout.words()
    ways = Counter(cell for route in drawing.routes for cell in route.cells[1:-1])
    taken: set[Cell] = set()
    found: list[Cell | None] = [None] * len(drawing.routes)
    for index in sorted(range(len(drawing.routes)), key=lambda each: len(drawing.routes[each].cells)):
        cells = drawing.routes[index].cells

        def price(place: int, cells: tuple[Cell, ...] = cells) -> float:
            x, y = cells[place]
            near = [(x + across, y + down) for across in (-1, 0, 1) for down in (-1, 0, 1)]
            turns = cells[place - 1][0] != cells[place + 1][0] and cells[place - 1][1] != cells[place + 1][1]
            return (
                20.0 * (ways[x, y] > 1)
                + 6.0 * sum(cell in taken for cell in near)
                + 3.0 * sum(cell in lugs for cell in near)
                + 2.0 * sum(cell in words for cell in near)
                + 0.7 * sum(ways[cell] > 1 for cell in near)
                + 2.0 * turns
                + abs(place - len(cells) / 2) / len(cells)
            )

        if len(cells) > 2:
            best = min(range(1, len(cells) - 1), key=price)
            found[index] = cells[best]
            taken.add(cells[best])
    return found


def _legend(drawing: SolderDrawing) -> Iterator[str]:
    """Lines at the foot: the marks in use, how lugs are counted, and what each position of a switch joins."""
    plan = drawing.plan
    looks = dict.fromkeys(_looks(wire) for wire in plan.wires)
    known = [look for look in (*MARKS.values(), LEG) if look in looks]
    x, drawn = 30.0, []
    for words, colour, width, dash in known:
        drawn.append(svg.line(x, -4, x + 30, -4, colour, stroke_width=width, stroke_dasharray=svg.dashes(dash)))
        drawn.append(svg.text(x + 38, 0, words, INK, font_size=12))
        x += 38 + text_width(words, 12) + 22
    yield "".join(drawn)
    width = drawing.layout.width * STEP - 60
    for fit in plan.fits.values():
        for line in _wrapped(fit.words, width, 12):
            yield svg.text(30, 0, line, INK, font_size=12)
    for line in _wrapped(NOTE, width, 12):
        yield svg.text(30, 0, line, font_size=12)
