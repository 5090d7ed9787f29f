"""The picture as data: symbols with pins, labels, wires, dots and terminals, in units of one CSS pixel, y downwards.

Text is measured before anything is placed. Wires carry the net they were drawn for, so that junctions can be found; the
checks and the read-back ignore it and trust only the geometry.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from typing import Any, Literal, Self, TypeVar

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

from labkit.view.schematic.parts import PinKey

FONT_SIZE = 12.0
SMALL_SIZE = 9.5
LINE_PITCH = 14.5
ASCENT, DESCENT = 10.0, 3.0
"""Room of a line above and below its baseline at `FONT_SIZE`."""
SMALL_ASCENT, SMALL_DESCENT = 8.0, 2.5
SAFETY = 1.12
"""Reserve for the font that the reader's machine substitutes: DejaVu Sans is already among the widest."""
_MEASURED_SIZE = 100.0
LONGEST_LINE = 118.0
"""Width in drawing units beyond which a label is broken at a blank."""


@lru_cache(maxsize=4096)
def text_width(text: str, size: float = FONT_SIZE, *, is_bold: bool = False) -> float:
    """Return the room to reserve for one line of text, in whole drawing units (one unit is one CSS pixel).

    Whole units keep every coordinate of a layout a multiple of 1/8, so that sums are exact and equal points are equal.
    """
    if not text.strip():
        return 0.0
    width, _, _ = TextToPath().get_text_width_height_descent(text, _font(is_bold), ismath=False)
    return float(math.ceil(width * size / _MEASURED_SIZE * SAFETY))


@lru_cache(maxsize=2)
def _font(is_bold: bool) -> FontProperties:
    return FontProperties(family="DejaVu Sans", size=_MEASURED_SIZE, weight="bold" if is_bold else "normal")


def broken(lines: tuple[str, ...], longest: float = LONGEST_LINE, *, is_bold: bool = False) -> tuple[str, ...]:
    """Break lines wider than ``longest`` at blanks; a no-break blank holds a number and its unit together."""
    result: list[str] = []
    for line in lines:
        result.extend(_break_line(line, longest, is_bold))
    return tuple(result)


def _break_line(line: str, longest: float, is_bold: bool) -> list[str]:
    words = [word for word in line.split(" ") if word]
    if not words:
        return []
    rows = [words[0]]
    for word in words[1:]:
        if text_width(f"{rows[-1]} {word}", is_bold=is_bold) <= longest:
            rows[-1] = f"{rows[-1]} {word}"
        else:
            rows.append(word)
    return rows


Point = tuple[float, float]
Mapped = Callable[[float, float], Point]
"""Where a point goes: a shift, a turn by a right angle or a reflection."""
Anchor = Literal["start", "middle", "end"]
TextRole = Literal["name", "value", "small"]
StrokeRole = Literal["wire", "body", "fine", "dashed", "dotted", "copper"]


class Shape:
    """What can be moved."""

    __slots__ = ()

    def mapped(self, to: Mapped) -> Self:
        """Return the thing with every point of it where ``to`` puts it."""
        raise NotImplementedError

    def shifted(self, dx: float, dy: float) -> Self:
        """Return the thing moved."""
        return self.mapped(lambda x, y: (x + dx, y + dy)) if dx or dy else self


ShapeT = TypeVar("ShapeT", bound=Shape)


def _all(shapes: tuple[ShapeT, ...], to: Mapped) -> tuple[ShapeT, ...]:
    return tuple(shape.mapped(to) for shape in shapes)


@dataclass(frozen=True, slots=True)
class SymbolBox(Shape):
    """An axis-parallel rectangle."""

    x0: float
    y0: float
    x1: float
    y1: float

    def mapped(self, to: Mapped) -> SymbolBox:
        """As `Shape.mapped`."""
        (ax, ay), (bx, by) = to(self.x0, self.y0), to(self.x1, self.y1)
        return SymbolBox(min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))

    def grown(self, by: float) -> SymbolBox:
        """Return the box with ``by`` more on every side."""
        return SymbolBox(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def overlaps(self, other: SymbolBox, slack: float = 0.0) -> bool:
        """Say whether the boxes share more than ``slack`` in both directions."""
        return (
            min(self.x1, other.x1) - max(self.x0, other.x0) > slack
            and min(self.y1, other.y1) - max(self.y0, other.y0) > slack
        )


def enclosing(boxes: Iterable[SymbolBox]) -> SymbolBox:
    """Return the smallest box around all of ``boxes``; a point at the origin when there are none."""
    listed = list(boxes)
    if not listed:
        return SymbolBox(0, 0, 0, 0)
    return SymbolBox(
        min(box.x0 for box in listed),
        min(box.y0 for box in listed),
        max(box.x1 for box in listed),
        max(box.y1 for box in listed),
    )


@dataclass(frozen=True, slots=True)
class Stroke(Shape):
    """A path of M, L and C (cubic) commands; ``filled`` paths carry no outline."""

    commands: tuple[tuple[str, tuple[float, ...]], ...]
    role: StrokeRole = "body"
    filled: bool = False

    def mapped(self, to: Mapped) -> Stroke:
        """As `Shape.mapped`."""
        commands = tuple((letter, tuple(chain(*map(to, at[::2], at[1::2])))) for letter, at in self.commands)
        return Stroke(commands, self.role, self.filled)

    def points(self) -> list[Point]:
        """Return all points of the path, control points included."""
        return [point for _, values in self.commands for point in zip(values[::2], values[1::2])]


@dataclass(frozen=True, slots=True)
class Text(Shape):
    """One line of text; ``at`` is on the baseline."""

    text: str
    at: Point
    role: TextRole = "name"
    anchor: Anchor = "start"

    def mapped(self, to: Mapped) -> Text:
        """As `Shape.mapped`."""
        return Text(self.text, to(*self.at), self.role, self.anchor)

    @property
    def size(self) -> float:
        """Font size."""
        return SMALL_SIZE if self.role == "small" else FONT_SIZE

    @property
    def box(self) -> SymbolBox:
        """Room of the line: from its ascenders to its descenders."""
        width = text_width(self.text, self.size, is_bold=self.role == "name")
        left = self.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[self.anchor]
        above, below = (SMALL_ASCENT, SMALL_DESCENT) if self.role == "small" else (ASCENT, DESCENT)
        return SymbolBox(left, self.at[1] - above, left + width, self.at[1] + below)


@dataclass(frozen=True, slots=True)
class SymbolPin(Shape):
    """Where a wire meets a symbol; several pins of a part may be tied inside its symbol."""

    at: Point
    keys: tuple[PinKey, ...]

    def mapped(self, to: Mapped) -> SymbolPin:
        """As `Shape.mapped`."""
        return SymbolPin(to(*self.at), self.keys)


@dataclass(frozen=True, slots=True)
class PartSymbol(Shape):
    """The drawn body of one part, or of one contact of it."""

    owner: str
    body: SymbolBox
    pins: tuple[SymbolPin, ...]
    strokes: tuple[Stroke, ...]
    texts: tuple[Text, ...] = ()
    """Text inside the body, such as the names of throws; counted as part of it."""

    @property
    def box(self) -> SymbolBox:
        """The body."""
        return self.body

    def mapped(self, to: Mapped) -> PartSymbol:
        """As `Shape.mapped`."""
        return PartSymbol(
            self.owner, self.body.mapped(to), _all(self.pins, to), _all(self.strokes, to), _all(self.texts, to)
        )


@dataclass(frozen=True, slots=True)
class Label(Shape):
    """The text lines that belong to a symbol."""

    owner: str
    texts: tuple[Text, ...]

    @property
    def box(self) -> SymbolBox:
        """Room of all lines."""
        return enclosing(text.box for text in self.texts)

    def mapped(self, to: Mapped) -> Label:
        """As `Shape.mapped`."""
        return Label(self.owner, _all(self.texts, to))


@dataclass(frozen=True, slots=True)
class WireLine(Shape):
    """A straight wire of a net."""

    a: Point
    b: Point
    net: str

    def mapped(self, to: Mapped) -> WireLine:
        """As `Shape.mapped`."""
        return WireLine(to(*self.a), to(*self.b), self.net)

    @property
    def box(self) -> SymbolBox:
        """The wire as a box without thickness."""
        (ax, ay), (bx, by) = self.a, self.b
        return SymbolBox(min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))

    @property
    def is_horizontal(self) -> bool:
        """Whether both ends have the same y."""
        return self.a[1] == self.b[1]


@dataclass(frozen=True, slots=True)
class Terminal(Shape):
    """The end of a net where it stands: a ground symbol, a net flag, or an end left open."""

    kind: Literal["ground", "flag", "open"]
    at: Point
    net: str
    box: SymbolBox
    strokes: tuple[Stroke, ...]
    texts: tuple[Text, ...] = ()

    def mapped(self, to: Mapped) -> Terminal:
        """As `Shape.mapped`."""
        strokes = _all(self.strokes, to)
        return Terminal(self.kind, to(*self.at), self.net, self.box.mapped(to), strokes, _all(self.texts, to))


@dataclass(frozen=True, slots=True)
class Fragment(Shape):
    """Placed things with a common origin: the unit of every step of the layout."""

    symbols: tuple[PartSymbol, ...] = ()
    labels: tuple[Label, ...] = ()
    wires: tuple[WireLine, ...] = ()
    terminals: tuple[Terminal, ...] = ()

    @property
    def layers(self) -> tuple[tuple[Any, ...], ...]:
        """Symbols, labels, wires and terminals."""
        return self.symbols, self.labels, self.wires, self.terminals

    def mapped(self, to: Mapped) -> Fragment:
        """As `Shape.mapped`."""
        return Fragment(*(_all(layer, to) for layer in self.layers))

    def boxes(self) -> list[SymbolBox]:
        """Return the room of every thing."""
        return [item.box for layer in self.layers for item in layer]

    @property
    def box(self) -> SymbolBox:
        """The room of the whole, the origin included."""
        return enclosing([SymbolBox(0, 0, 0, 0), *self.boxes()])


def joined(fragments: Iterable[Fragment]) -> Fragment:
    """Return one fragment of several that share an origin."""
    return Fragment(*(tuple(chain(*layers)) for layers in zip(*(fragment.layers for fragment in fragments))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A finished schematic.

    ``crossings`` and ``flags`` are counted, not forbidden: an arbitrary circuit need not be planar.
    """

    name: str
    summary: str
    description: str
    symbols: tuple[PartSymbol, ...]
    labels: tuple[Label, ...]
    wires: tuple[WireLine, ...]
    dots: tuple[Point, ...]
    terminals: tuple[Terminal, ...]
    open_pins: frozenset[PinKey] = field(default_factory=frozenset)
    """Pins that are connected to nothing and not drawn: the idle lug of a rheostat."""
    gangs: tuple[Stroke, ...] = ()
    """Lines between the things that one knob or lever moves."""

    @property
    def box(self) -> SymbolBox:
        """The room of the picture without margin or heading."""
        return Fragment(self.symbols, self.labels, self.wires, self.terminals).box

    def strokes(self) -> Iterator[Stroke]:
        """Return the strokes of all symbols and terminals, and the lines between what moves together."""
        things = chain.from_iterable(thing.strokes for layer in (self.symbols, self.terminals) for thing in layer)
        return chain(things, self.gangs)

    def texts(self) -> Iterator[Text]:
        """Return every line of text but the heading."""
        layers = (self.symbols, self.terminals, self.labels)
        return chain.from_iterable(thing.texts for layer in layers for thing in layer)

    @property
    def flags(self) -> int:
        """Number of net flags."""
        return sum(terminal.kind == "flag" for terminal in self.terminals)


def label_lines(lines: tuple[str, ...]) -> tuple[tuple[str, TextRole], ...]:
    """Return label lines, broken to width, with their roles: the first is the name, the others values."""
    if not lines:
        return ()
    named: list[tuple[str, TextRole]] = [(row, "name") for row in broken(lines[:1], is_bold=True)]
    return (*named, *((row, "value") for row in broken(lines[1:])))


def label_at(owner: str, lines: tuple[str, ...], at: Point, anchor: Anchor, vertical: str) -> Label | None:
    """Return a label whose block is ``top``, ``middle`` or ``bottom`` aligned at ``at``; None when it is empty."""
    rows = label_lines(lines)
    if not rows:
        return None
    height = LINE_PITCH * len(rows)
    top = at[1] - {"top": 0.0, "middle": height / 2, "bottom": height}[vertical]
    return Label(
        owner,
        tuple(
            Text(row, (at[0], top + LINE_PITCH * index + ASCENT + 0.75), role, anchor)
            for index, (row, role) in enumerate(rows)
        ),
    )


def label_size(lines: tuple[str, ...]) -> tuple[float, float]:
    """Return width and height that `label_at` will need."""
    rows = label_lines(lines)
    widths = [text_width(row, is_bold=role == "name") for row, role in rows]
    return max(widths, default=0.0), LINE_PITCH * len(rows)
