"""The symbols, after the style of IEC 60617: rectangles for resistors, arcs for windings, a triangle for a buffer.

Two-pin symbols are drawn upright with their first pin at the top, (0, 0), and their second below; `turned` lays
them down with the first pin at the left, `flipped` swaps the ends.
"""

from __future__ import annotations

from dataclasses import replace

from labkit.view.schematic.drawing import (
    SMALL_SIZE,
    Anchor,
    PartSymbol,
    Point,
    Stroke,
    StrokeRole,
    SymbolBox,
    SymbolPin,
    Terminal,
    Text,
    text_width,
)
from labkit.view.schematic.parts import PinKey

ARC = 0.5523
"""Control length of a cubic that follows a quarter circle (radius 1) within 0.03 %."""


def line(*points: Point, role: StrokeRole = "body", closed: bool = False, filled: bool = False) -> Stroke:
    """Return a straight-sided stroke."""
    ends = (*points, points[0]) if closed else points
    return Stroke(
        (("M", ends[0]), *(("L", point) for point in ends[1:])),
        role,
        filled,
    )


def rectangle(box: SymbolBox, role: StrokeRole = "body") -> Stroke:
    """Return the outline of a box."""
    return line((box.x0, box.y0), (box.x1, box.y0), (box.x1, box.y1), (box.x0, box.y1), role=role, closed=True)


def circle(centre: Point, radius: float, role: StrokeRole = "body", filled: bool = False) -> Stroke:
    """Return a circle of four cubics."""
    x, y = centre
    k = ARC * radius
    return Stroke(
        (
            ("M", (x + radius, y)),
            ("C", (x + radius, y + k, x + k, y + radius, x, y + radius)),
            ("C", (x - k, y + radius, x - radius, y + k, x - radius, y)),
            ("C", (x - radius, y - k, x - k, y - radius, x, y - radius)),
            ("C", (x + k, y - radius, x + radius, y - k, x + radius, y)),
        ),
        role,
        filled,
    )


def arrow(tip: Point, tail: Point) -> tuple[Stroke, Stroke]:
    """Return a shaft and a filled head, along one axis."""
    dx, dy = tail[0] - tip[0], tail[1] - tip[1]
    length = max(abs(dx), abs(dy))
    ux, uy = dx / length, dy / length
    base = (tip[0] + 7 * ux, tip[1] + 7 * uy)
    left = (base[0] - 3.4 * uy, base[1] + 3.4 * ux)
    right = (base[0] + 3.4 * uy, base[1] - 3.4 * ux)
    return line(base, tail, role="wire"), line(tip, left, right, closed=True, filled=True)


def _humps(top: float, count: int, radius: float) -> Stroke:
    k = ARC * radius
    commands: list[tuple[str, tuple[float, ...]]] = [("M", (0.0, top))]
    for index in range(count):
        y = top + 2 * radius * index
        commands.append(("C", (k, y, radius, y + radius - k, radius, y + radius)))
        commands.append(("C", (radius, y + radius + k, k, y + 2 * radius, 0.0, y + 2 * radius)))
    return Stroke(tuple(commands))


def two_pin(
    kind: str, owner: str, first: tuple[PinKey, ...], second: tuple[PinKey, ...], *, closed: bool
) -> PartSymbol:
    """Return the upright symbol of a two-pin kind with its first pin at the origin."""
    body, strokes = _TWO_PIN["closed contact" if kind == "contact" and closed else kind]
    return PartSymbol(owner, body, (SymbolPin((0.0, 0.0), first), SymbolPin((0.0, body.y1), second)), strokes)


def _dotted_coil(y: float) -> tuple[SymbolBox, tuple[Stroke, ...]]:
    """A pickup coil: a winding beside two strokes of core, with a dot that shows the sense of winding."""
    core = (line((x, 3), (x, 45), role="fine") for x in (10.5, 13.5))
    return SymbolBox(-9, 0, 15, 48), (_humps(0, 4, 6), *core, circle((-5.5, y), 2.2, "copper", True))


_TRACK, _IMPEDANCE, _SHEATH, _INPUT = (
    SymbolBox(-7, 0, 7, 36),
    SymbolBox(-10, 0, 10, 36),
    SymbolBox(-16, 0, 16, 36),
    SymbolBox(-21, 0, 21, 46),
)
_CONTACTS = (circle((0, 2.6), 2.6), circle((0, 27.4), 2.6))

_TWO_PIN: dict[str, tuple[SymbolBox, tuple[Stroke, ...]]] = {
    "resistor": (_TRACK, (rectangle(_TRACK),)),
    "capacitor": (SymbolBox(-13, 0, 13, 8), (line((-13, 0), (13, 0)), line((-13, 8), (13, 8)))),
    "inductor": (SymbolBox(-2, 0, 6, 40), (_humps(0, 4, 5),)),
    "coil": _dotted_coil(6.5),
    "reversed coil": _dotted_coil(48 - 6.5),
    "impedance": (
        _IMPEDANCE,
        (rectangle(_IMPEDANCE), line((-4, 13), (4, 13), (-4, 23), (4, 23), role="fine")),
    ),
    # a capacitor in a dashed sheath
    "cable": (
        _SHEATH,
        (
            rectangle(_SHEATH, "dashed"),
            line((0, 0), (0, 14.5), role="wire"),
            line((-9, 14.5), (9, 14.5)),
            line((-9, 21.5), (9, 21.5)),
            line((0, 21.5), (0, 36), role="wire"),
        ),
    ),
    # resistor and capacitor side by side in a solid box
    "input": (
        _INPUT,
        (
            rectangle(_INPUT, "fine"),
            line((0, 0), (0, 7), role="wire"),
            line((-10, 12), (-10, 7), (10, 7), (10, 19.5), role="wire"),
            rectangle(SymbolBox(-14, 12, -6, 34)),
            line((3.5, 19.5), (16.5, 19.5)),
            line((3.5, 26.5), (16.5, 26.5)),
            line((10, 26.5), (10, 39), (-10, 39), (-10, 34), role="wire"),
            line((0, 39), (0, 46), role="wire"),
        ),
    ),
    "contact": (SymbolBox(-4, 0, 12, 30), (*_CONTACTS, line((1.6, 5), (11, 23), role="copper"))),
    "closed contact": (SymbolBox(-4, 0, 12, 30), (*_CONTACTS, line((0, 5.2), (0, 24.8), role="copper"))),
    "connector": (SymbolBox(-5, 0, 5, 10), (circle((0, 5), 5), circle((0, 5), 1.6, "body", True))),
}


def rheostat(owner: str, track: tuple[PinKey, ...], wiper: tuple[PinKey, ...], *, tied: bool) -> PartSymbol:
    """Return a pot used as a rheostat: track end at the top, wiper at the bottom, the idle end open or tied to it."""
    strokes = [
        rectangle(SymbolBox(-7, 0, 7, 36)),
        *arrow((7, 18), (19, 18)),
        line((19, 18), (19, 47), (0, 47), role="wire"),
    ]
    if tied:
        strokes.append(line((0, 36), (0, 47), role="wire"))
    else:
        strokes.append(circle((0, 38.6), 2.4, "fine"))
    return PartSymbol(
        owner, SymbolBox(-7, 0, 20, 47), (SymbolPin((0.0, 0.0), track), SymbolPin((0.0, 47.0), wiper)), tuple(strokes)
    )


def pot(owner: str, top: PinKey, wiper: PinKey, bottom: PinKey) -> PartSymbol:
    """Return an upright pot with its wiper at the right; pins top, wiper, bottom. ``cw`` marks the clockwise end."""
    at_top = top[1] == "cw"
    mark = Text("cw", (-9.5, 9.0 if at_top else 35.0), "small", "end")
    width = text_width("cw", SMALL_SIZE)
    return PartSymbol(
        owner,
        SymbolBox(-10 - width, 0, 17, 38),
        (SymbolPin((0.0, 0.0), (top,)), SymbolPin((17.0, 19.0), (wiper,)), SymbolPin((0.0, 38.0), (bottom,))),
        (rectangle(SymbolBox(-7, 0, 7, 38)), *arrow((7, 19), (17, 19))),
        (mark,),
    )


def lying_pot(owner: str, left: PinKey, wiper: PinKey, right: PinKey) -> PartSymbol:
    """Return a pot laid between two nets, its wiper pointing up from below; pins left, wiper, right."""
    x = 8.0 if left[1] == "cw" else 30.0
    mark = Text("cw", (x, 14.5), "small", "middle")
    return PartSymbol(
        owner,
        SymbolBox(0, -7, 38, 17),
        (SymbolPin((0.0, 0.0), (left,)), SymbolPin((19.0, 17.0), (wiper,)), SymbolPin((38.0, 0.0), (right,))),
        (rectangle(SymbolBox(0, -7, 38, 7)), *arrow((19, 7), (19, 17))),
        (mark,),
    )


def mirrored(symbol: PartSymbol) -> PartSymbol:
    """Return a symbol with left and right exchanged about x = 0."""
    anchors: dict[Anchor, Anchor] = {"start": "end", "end": "start", "middle": "middle"}
    mirror = symbol.mapped(lambda x, y: (-x, y))
    return replace(mirror, texts=tuple(replace(text, anchor=anchors[text.anchor]) for text in mirror.texts))


def buffer(owner: str) -> PartSymbol:
    """Return a buffer pointing right, its input at the origin."""
    return PartSymbol(
        owner,
        SymbolBox(0, -19, 36, 19),
        (SymbolPin((0.0, 0.0), ((owner, "in"),)), SymbolPin((36.0, 0.0), ((owner, "out"),))),
        (line((0, -19), (36, 0), (0, 19), closed=True),),
    )


def shielded_line(owner: str) -> PartSymbol:
    """Return a length of shielded lead laid from left to right, its shield pin underneath."""
    end = 58.0
    k = ARC
    sheath = Stroke(
        (
            ("M", (8, -9)),
            ("L", (end - 8, -9)),
            ("C", (end - 8 + 4 * k, -9, end - 4, -9 * k, end - 4, 0)),
            ("C", (end - 4, 9 * k, end - 8 + 4 * k, 9, end - 8, 9)),
            ("L", (8, 9)),
            ("C", (8 - 4 * k, 9, 4, 9 * k, 4, 0)),
            ("C", (4, -9 * k, 8 - 4 * k, -9, 8, -9)),
        ),
        "dashed",
    )
    return PartSymbol(
        owner,
        SymbolBox(0, -9, end, 9),
        (
            SymbolPin((0.0, 0.0), ((owner, "in"),)),
            SymbolPin((end, 0.0), ((owner, "out"),)),
            SymbolPin((end / 2, 9.0), ((owner, "shield"),)),
        ),
        (sheath, line((0, 0), (end, 0), role="wire")),
    )


THROW_PITCH = 30.0


def pole(owner: str, order: tuple[int, ...], closed: tuple[bool, ...], names: tuple[str, ...] = ()) -> PartSymbol:
    """Return a switch pole in a dashed box: throws at the left in ``order`` from the top, the common at the right.

    Closed contacts are solid blades from the common, open ones dotted; lugs are named below their throws.
    """
    width, last = 52.0, THROW_PITCH * (len(order) - 1)
    strokes: list[Stroke] = [rectangle(SymbolBox(0, -12, width, last + 12), "dashed")]
    pins = [SymbolPin((width, 0.0), ((owner, "common"),))]
    strokes += [line((width, 0), (width - 7.4, 0), role="wire"), circle((width - 10, 0), 2.6)]
    for row, throw in enumerate(order):
        y = THROW_PITCH * row
        strokes += [line((0, y), (7.4, y), role="wire"), circle((10, y), 2.6)]
        run = width - 20
        length = (run * run + y * y) ** 0.5
        ux, uy = run / length, -y / length
        start = (10 + 2.6 * ux, y + 2.6 * uy)
        stop = (width - 10 - 2.6 * ux, -2.6 * uy)
        strokes.append(line(start, stop, role="copper" if closed[throw - 1] else "dotted"))
        pins.append(SymbolPin((0.0, y), ((owner, f"throw {throw}"),)))
    texts = (
        tuple(
            Text(names[throw - 1], (2.0, THROW_PITCH * row + 10.5), "small", "start") for row, throw in enumerate(order)
        )
        if names
        else ()
    )
    return PartSymbol(owner, SymbolBox(0, -12, width, last + 12), tuple(pins), tuple(strokes), texts)


def output(owner: str) -> PartSymbol:
    """Return an output terminal: an open circle at the end of a wire."""
    return PartSymbol(
        owner, SymbolBox(0, -5, 10, 5), (SymbolPin((0.0, 0.0), ((owner, "1"),)),), (circle((5, 0), 4.4, "copper"),)
    )


def ground(at: Point) -> Terminal:
    """Return a ground symbol below ``at``."""
    x, y = at
    strokes = (
        line((x - 9, y), (x + 9, y)),
        line((x - 5.5, y + 3.6), (x + 5.5, y + 3.6)),
        line((x - 2, y + 7.2), (x + 2, y + 7.2)),
    )
    return Terminal("ground", at, "ground", SymbolBox(x - 9, y, x + 9, y + 8), strokes)


def open_end(at: Point, side: str) -> Terminal:
    """Return the mark of an end that is left open on purpose, standing ``left``, ``right`` or ``below`` of ``at``."""
    dx, dy = {"left": (-3.0, 0.0), "right": (3.0, 0.0), "below": (0.0, 3.0)}[side]
    x, y = at[0] + dx, at[1] + dy
    role: StrokeRole = "fine"
    cross = (line((x - 3, y - 3), (x + 3, y + 3), role=role), line((x - 3, y + 3), (x + 3, y - 3), role=role))
    return Terminal("open", at, "", SymbolBox(x - 3, y - 3, x + 3, y + 3), cross)


def flag(at: Point, net: str, side: str) -> Terminal:
    """Return a net flag: a pennant with the node's name, standing ``left``, ``right`` or ``below`` of ``at``."""
    x, y = at
    width = text_width(net, SMALL_SIZE) + 8
    half, nose = 8.0, 7.0
    if side == "below":
        outline = ((x, y), (x + 7, y + nose), (x + width / 2, y + nose), (x + width / 2, y + nose + 2 * half))
        points = (*outline, *((2 * x - px, py) for px, py in reversed(outline[1:])))
        box = SymbolBox(x - width / 2, y, x + width / 2, y + nose + 2 * half)
        text = Text(net, (x, y + nose + half + 3.25), "small", "middle")
    else:
        sign = -1.0 if side == "left" else 1.0
        far = x + sign * (nose + width)
        points = ((x, y), (x + sign * nose, y - half), (far, y - half), (far, y + half), (x + sign * nose, y + half))
        box = SymbolBox(min(x, far), y - half, max(x, far), y + half)
        text = Text(net, (x + sign * (nose + width / 2), y + 3.25), "small", "middle")
    return Terminal("flag", at, net, box, (line(*points, role="fine", closed=True),), (text,))


def flipped(symbol: PartSymbol) -> PartSymbol:
    """Return an upright two-pin symbol upside down, its second pin at the origin; the pins keep their keys."""
    height = symbol.pins[1].at[1]
    mirror = symbol.mapped(lambda x, y: (x, height - y))
    return replace(mirror, pins=mirror.pins[::-1])


def turned(symbol: PartSymbol) -> PartSymbol:
    """Return an upright two-pin symbol laid down: top becomes left, right becomes up."""
    return symbol.mapped(lambda x, y: (y, -x))
