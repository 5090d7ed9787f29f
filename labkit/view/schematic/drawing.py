"""The picture as data: symbols with pins, labels, wires, dots and terminals, in units of one CSS pixel, y downwards.

Text is measured before anything is placed. Wires carry the net they were drawn for, so that junctions can be found; the
checks and the read-back ignore it and trust only the geometry.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Literal

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
Anchor = Literal["start", "middle", "end"]
TextRole = Literal["name", "value", "small"]
StrokeRole = Literal["wire", "body", "fine", "dashed", "dotted", "copper"]


@dataclass(frozen=True, slots=True)
class Box:
    """An axis-parallel rectangle."""

    x0: float
    y0: float
    x1: float
    y1: float

    def shifted(self, dx: float, dy: float) -> Box:
        """Return the box moved."""
        return Box(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)

    def grown(self, by: float) -> Box:
        """Return the box with ``by`` more on every side."""
        return Box(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def overlaps(self, other: Box, slack: float = 0.0) -> bool:
        """Say whether the boxes share more than ``slack`` in both directions."""
        return (
            min(self.x1, other.x1) - max(self.x0, other.x0) > slack
            and min(self.y1, other.y1) - max(self.y0, other.y0) > slack
        )


def enclosing(boxes: Iterable[Box]) -> Box:
    """Return the smallest box around all of ``boxes``; a point at the origin when there are none."""
    listed = list(boxes)
    if not listed:
        return Box(0, 0, 0, 0)
    return Box(
        min(box.x0 for box in listed),
        min(box.y0 for box in listed),
        max(box.x1 for box in listed),
        max(box.y1 for box in listed),
    )


@dataclass(frozen=True, slots=True)
class Stroke:
    """A path of M, L and C (cubic) commands; ``filled`` paths carry no outline."""

    commands: tuple[tuple[str, tuple[float, ...]], ...]
    role: StrokeRole = "body"
    filled: bool = False

    def shifted(self, dx: float, dy: float) -> Stroke:
        """Return the stroke moved."""
        return replace(
            self,
            commands=tuple(
                (letter, tuple(value + (dy if index % 2 else dx) for index, value in enumerate(values)))
                for letter, values in self.commands
            ),
        )

    def points(self) -> list[Point]:
        """Return all points of the path, control points included."""
        return [(values[index], values[index + 1]) for _, values in self.commands for index in range(0, len(values), 2)]


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; ``at`` is on the baseline."""

    text: str
    at: Point
    role: TextRole = "name"
    anchor: Anchor = "start"

    def shifted(self, dx: float, dy: float) -> Text:
        """Return the text moved."""
        return replace(self, at=(self.at[0] + dx, self.at[1] + dy))

    @property
    def size(self) -> float:
        """Font size."""
        return SMALL_SIZE if self.role == "small" else FONT_SIZE

    @property
    def box(self) -> Box:
        """Room of the line: from its ascenders to its descenders."""
        width = text_width(self.text, self.size, is_bold=self.role == "name")
        left = self.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[self.anchor]
        above, below = (SMALL_ASCENT, SMALL_DESCENT) if self.role == "small" else (ASCENT, DESCENT)
        return Box(left, self.at[1] - above, left + width, self.at[1] + below)


@dataclass(frozen=True, slots=True)
class SymbolPin:
    """Where a wire meets a symbol; several pins of a part may be tied inside its symbol."""

    at: Point
    keys: tuple[PinKey, ...]


@dataclass(frozen=True, slots=True)
class PartSymbol:
    """The drawn body of one part, or of one contact of it."""

    owner: str
    body: Box
    pins: tuple[SymbolPin, ...]
    strokes: tuple[Stroke, ...]
    texts: tuple[Text, ...] = ()
    """Text inside the body, such as the names of throws; counted as part of it."""

    def shifted(self, dx: float, dy: float) -> PartSymbol:
        """Return the symbol moved."""
        return PartSymbol(
            self.owner,
            self.body.shifted(dx, dy),
            tuple(SymbolPin((pin.at[0] + dx, pin.at[1] + dy), pin.keys) for pin in self.pins),
            tuple(stroke.shifted(dx, dy) for stroke in self.strokes),
            tuple(text.shifted(dx, dy) for text in self.texts),
        )


@dataclass(frozen=True, slots=True)
class Label:
    """The text lines that belong to a symbol."""

    owner: str
    texts: tuple[Text, ...]

    @property
    def box(self) -> Box:
        """Room of all lines."""
        return enclosing(text.box for text in self.texts)

    def shifted(self, dx: float, dy: float) -> Label:
        """Return the label moved."""
        return Label(self.owner, tuple(text.shifted(dx, dy) for text in self.texts))


@dataclass(frozen=True, slots=True)
class WireLine:
    """A straight wire of a net."""

    a: Point
    b: Point
    net: str

    def shifted(self, dx: float, dy: float) -> WireLine:
        """Return the wire moved."""
        return WireLine((self.a[0] + dx, self.a[1] + dy), (self.b[0] + dx, self.b[1] + dy), self.net)

    @property
    def box(self) -> Box:
        """The wire as a box without thickness."""
        (ax, ay), (bx, by) = self.a, self.b
        return Box(min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))

    @property
    def is_horizontal(self) -> bool:
        """Whether both ends have the same y."""
        return self.a[1] == self.b[1]


@dataclass(frozen=True, slots=True)
class Terminal:
    """The end of a net where it stands: a ground symbol, a net flag, or an end left open."""

    kind: Literal["ground", "flag", "open"]
    at: Point
    net: str
    box: Box
    strokes: tuple[Stroke, ...]
    texts: tuple[Text, ...] = ()

    def shifted(self, dx: float, dy: float) -> Terminal:
        """Return the terminal moved."""
        return Terminal(
            self.kind,
            (self.at[0] + dx, self.at[1] + dy),
            self.net,
            self.box.shifted(dx, dy),
            tuple(stroke.shifted(dx, dy) for stroke in self.strokes),
            tuple(text.shifted(dx, dy) for text in self.texts),
        )


@dataclass(frozen=True, slots=True)
class Fragment:
    """Placed things with a common origin: the unit of every step of the layout."""

    symbols: tuple[PartSymbol, ...] = ()
    labels: tuple[Label, ...] = ()
    wires: tuple[WireLine, ...] = ()
    terminals: tuple[Terminal, ...] = ()

    def shifted(self, dx: float, dy: float) -> Fragment:
        """Return everything moved."""
        if dx == 0 and dy == 0:
            return self
        return Fragment(
            tuple(item.shifted(dx, dy) for item in self.symbols),
            tuple(item.shifted(dx, dy) for item in self.labels),
            tuple(item.shifted(dx, dy) for item in self.wires),
            tuple(item.shifted(dx, dy) for item in self.terminals),
        )

    def boxes(self) -> list[Box]:
        """Return the room of every thing."""
        return [
            *(item.body for item in self.symbols),
            *(item.box for item in self.labels),
            *(item.box for item in self.wires),
            *(item.box for item in self.terminals),
        ]

    @property
    def box(self) -> Box:
        """The room of the whole, the origin included."""
        return enclosing([Box(0, 0, 0, 0), *self.boxes()])


def joined(fragments: Iterable[Fragment]) -> Fragment:
    """Return one fragment of several that share an origin."""
    listed = list(fragments)
    return Fragment(
        tuple(item for fragment in listed for item in fragment.symbols),
        tuple(item for fragment in listed for item in fragment.labels),
        tuple(item for fragment in listed for item in fragment.wires),
        tuple(item for fragment in listed for item in fragment.terminals),
    )


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

    @property
    def box(self) -> Box:
        """The room of the picture without margin or heading."""
        return Fragment(self.symbols, self.labels, self.wires, self.terminals).box

    def strokes(self) -> Iterator[Stroke]:
        """Yield the strokes of all symbols and terminals."""
        for symbol in self.symbols:
            yield from symbol.strokes
        for terminal in self.terminals:
            yield from terminal.strokes

    def texts(self) -> Iterator[Text]:
        """Yield every line of text but the heading."""
        for symbol in self.symbols:
            yield from symbol.texts
        for terminal in self.terminals:
            yield from terminal.texts
        for label in self.labels:
            yield from label.texts

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
