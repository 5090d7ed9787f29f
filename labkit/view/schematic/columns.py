"""Every thing that hangs on a row gets a column of its own; this module makes the columns.

A column is exclusive: nothing else of its row enters its room. A riser, the vertical wire (perhaps with a part in
it) between two rows, is one column that stands in both rows at the same x. So x follows from a longest path over
"left of" relations, and overlaps cannot arise; a circle of relations is broken by turning a riser into net flags.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from labkit.view.schematic import blocks, symbols
from labkit.view.schematic.blocks import PlacedLink
from labkit.view.schematic.drawing import Fragment, SymbolBox, WireLine, joined, label_at, label_size
from labkit.view.schematic.normalise import Joint, Tree, has_coil, is_live
from labkit.view.schematic.parts import GROUND, DrawnPart
from labkit.view.schematic.rows import RowPlan

RiserKey = tuple[str, int, int, str]
"""What a riser serves: ``proxy`` or ``pin`` with row, place and pin, or ``tree`` with its number."""

HALF = 6.0
"""Half the room of a bare wire."""
GAP = 10.0
FAR = 1e6
STUB = 10.0


@dataclass(slots=True, eq=False)
class Column:
    """A vertical strip; ``rooms`` gives how far it reaches left and right of ``x`` in each of its rows.

    ``outlines`` holds the same in more detail, so that a neighbour may slip under or over a label.
    """

    rooms: dict[int, tuple[float, float]] = field(default_factory=dict)
    outlines: dict[int, list[SymbolBox]] = field(default_factory=dict)
    fragments: dict[int, Fragment] = field(default_factory=dict)
    x: float = 0.0

    def put(self, row: int, fragment: Fragment) -> None:
        """Place a fragment on the column's axis in a row."""
        self.fragments[row] = fragment
        box = fragment.box
        self.rooms[row] = (max(HALF, -box.x0), max(HALF, box.x1))
        core = Fragment(fragment.symbols, (), fragment.wires, fragment.terminals).box
        self.outlines[row] = [core, *(label.box for label in fragment.labels)]

    def rule_out(self, row: int, upwards: bool, downwards: bool) -> None:
        """Keep the strip of a bare wire free all the way up or down."""
        self.rooms.setdefault(row, (HALF, HALF))
        strip = SymbolBox(-HALF + 1, -FAR if upwards else 0.0, HALF - 1, FAR if downwards else 0.0)
        self.outlines.setdefault(row, []).append(strip)


Edge = tuple[Column, Column, float]
"""The second column stands at least so far right of the first."""


@dataclass(slots=True, eq=False)
class Riser:
    """A connection between rows; the upper end is an instance or a pin of a link."""

    key: RiserKey
    upper: tuple[int, int]
    lower: tuple[int, int]
    net: str
    pin: str = ""
    tree: Tree | None = None
    column: Column = field(default_factory=Column)
    body_height: float = 0.0


@dataclass(slots=True, eq=False)
class Bridge:
    """A tree over a row, from one instance to a later one."""

    tree: Tree
    row: int
    places: tuple[int, int]
    left: Column = field(default_factory=Column)
    right: Column = field(default_factory=Column)
    block: Fragment = field(default_factory=Fragment)
    length: float = 0.0


@dataclass(slots=True)
class RowColumns:
    """The columns of one row: by instance, and by link (pin risers, then the link itself)."""

    instances: list[list[Column]]
    links: list[Column]
    pin_risers: list[list[Column]]
    blocks: list[PlacedLink]

    def sequence(self) -> list[Column]:
        """All columns from left to right."""
        result = list(self.instances[0])
        for place, link in enumerate(self.links):
            result += [*self.pin_risers[place], link, *self.instances[place + 1]]
        return result


@dataclass(slots=True)
class LayoutColumns:
    """Everything that has an x."""

    plan: RowPlan
    rows: list[RowColumns]
    risers: list[Riser]
    bridges: list[Bridge]
    edges: list[Edge]


def risers_and_bridges(plan: RowPlan, flagged: set[RiserKey]) -> tuple[list[Riser], list[Bridge], list[Tree], set[str]]:
    """Sort out what joins the rows.

    Returns
    -------
    risers, bridges, shunts, names of nets that need a flag at their first appearance
    """
    risers: list[Riser] = []
    flag_nets: set[str] = set()
    for row_index, row in enumerate(plan.rows):
        for place, instance in enumerate(row.instances):
            if not instance.is_proxy or not is_live(instance.net):
                continue
            home = plan.primary(instance.net)
            key: RiserKey = ("proxy", row_index, place, "")
            if home is None or key in flagged or home[0] == row_index:
                flag_nets.add(instance.net)
                continue
            here = (row_index, place)
            upper, lower = (home, here) if home[0] < row_index else (here, home)
            risers.append(Riser(key, upper, lower, instance.net))
        for place, link in enumerate(row.links):
            if not isinstance(link.item, Joint):
                continue
            for pin, net in link.item.nodes:
                if pin in (link.in_pin, link.out_pin) or not is_live(net) or _is_looped(link.item, pin, link):
                    continue
                key = ("pin", row_index, place, pin)
                below = [
                    (other, where)
                    for other in range(row_index + 1, len(plan.rows))
                    for where, instance in enumerate(plan.rows[other].instances)
                    if instance.net == net
                ]
                home = plan.primary(net)
                target = home if home in below else (below[0] if below else None)
                offers = link.item.kind == "pole" or (link.item.kind == "pot" and pin != "wiper")
                if key in flagged or target is None or not offers:
                    flag_nets.add(net)
                    continue
                risers.append(Riser(key, (row_index, place), target, net, pin))
    bridges: list[Bridge] = []
    shunts: list[Tree] = []
    for number, tree in enumerate(plan.hanging):
        if not is_live(tree.b):
            shunts.append(tree)
            continue
        bridge = _bridge(plan, tree)
        key = ("tree", number, 0, "")
        if bridge is not None:
            bridges.append(bridge)
        elif key in flagged:
            shunts.append(tree)
            flag_nets.add(tree.b)
        else:
            first, second = plan.primary(tree.a), plan.primary(tree.b)
            assert first is not None  # every live net has been placed in a row
            assert second is not None
            if first[0] < second[0]:
                risers.append(Riser(key, first, second, tree.b, tree=tree))
            else:
                risers.append(Riser(key, second, first, tree.a, tree=tree.reverse()))
    return risers, bridges, shunts, flag_nets


def _is_looped(joint: Joint, pin: str, link: object) -> bool:
    """A pot whose track is tied end to end is closed within its own symbol's room."""
    other = {"cw": "ccw", "ccw": "cw"}.get(pin)
    return (
        joint.kind == "pot"
        and other is not None
        and other in (getattr(link, "in_pin", ""), getattr(link, "out_pin", ""))
        and joint.node(pin) == joint.node(other)
    )


def _bridge(plan: RowPlan, tree: Tree) -> Bridge | None:
    """Return the shortest bridge over a row that holds both ends, if there is one."""
    best: tuple[int, int, int, int, bool] | None = None
    for row_index, row in enumerate(plan.rows):
        for first, one in enumerate(row.instances):
            for second, other in enumerate(row.instances):
                if one.net == tree.a and other.net == tree.b and first != second:
                    found = (abs(first - second), row_index, min(first, second), max(first, second), first > second)
                    best = min(best, found) if best else found
    if best is None:
        return None
    return Bridge(tree.reverse() if best[4] else tree, best[1], (best[2], best[3]))


def make_columns(plan: RowPlan, outputs: tuple[DrawnPart, ...], flagged: set[RiserKey]) -> LayoutColumns:
    """Make all columns with their rooms and their order; `solve` then finds x."""
    risers, bridges, shunts, flag_nets = risers_and_bridges(plan, flagged)
    for riser in risers:
        if riser.tree is not None:
            block, riser.body_height = blocks.standing(riser.tree)
            riser.column.put(riser.upper[0], block)
        riser.column.rule_out(riser.upper[0], upwards=False, downwards=True)
        riser.column.rule_out(riser.lower[0], upwards=True, downwards=False)
    for bridge in bridges:
        bridge.block, bridge.length = blocks.lying(bridge.tree)
        for column in (bridge.left, bridge.right):
            column.rule_out(bridge.row, upwards=True, downwards=False)
    rows = [_row_columns(plan, index, risers, bridges, shunts, flag_nets, outputs) for index in range(len(plan.rows))]
    edges = [(bridge.left, bridge.right, bridge.length + 8.0) for bridge in bridges]
    for index, row in enumerate(rows):
        edges += _row_edges(row, index)
    return LayoutColumns(plan, rows, risers, bridges, edges)


def _row_edges(row: RowColumns, index: int) -> Iterator[Edge]:
    """Keep the order of a row's columns and the distance between whatever stands at the same height."""
    sequence = row.sequence()
    lengths = {id(link): block.length for link, block in zip(row.links, row.blocks)}
    for left, right in pairwise(sequence):
        yield left, right, lengths.get(id(left), 0.0) + 2 * HALF
    for place, left in enumerate(sequence):
        for right in sequence[place + 1 :]:
            distances = [
                one.x1 - other.x0 + GAP
                for one in left.outlines[index]
                for other in right.outlines[index]
                if one.y0 < other.y1 + GAP / 2 and other.y0 < one.y1 + GAP / 2
            ]
            if distances:
                yield left, right, max(distances)


def _row_columns(
    plan: RowPlan,
    index: int,
    risers: list[Riser],
    bridges: list[Bridge],
    shunts: list[Tree],
    flag_nets: set[str],
    outputs: tuple[DrawnPart, ...],
) -> RowColumns:
    row = plan.rows[index]
    last = len(row.instances) - 1
    instances = []
    for place, instance in enumerate(row.instances):
        here = (index, place)
        is_home = plan.primary(instance.net) == here if is_live(instance.net) else last == 0
        own = next((riser for riser in risers if riser.key[:3] == ("proxy", *here)), None)
        start: list[Column] = []
        end: list[Column] = []
        middle: list[Column] = []
        if own is not None:
            (start if place == 0 and last > 0 else end).append(own.column)
        elif not is_live(instance.net):
            (start if place == 0 else end).append(_end_column(index, instance.net, "below"))
        elif instance.is_proxy:
            side = "left" if place == 0 else ("right" if place == last else "below")
            (start if place == 0 else end).append(_end_column(index, instance.net, side))
        hanging = [tree for tree in shunts if tree.a == instance.net] if is_home else []
        middle += [_column(index, blocks.shunt(tree)) for tree in hanging if has_coil(tree)]
        arriving = [bridge for bridge in bridges if bridge.row == index and bridge.places[1] == place]
        middle += [bridge.right for bridge in sorted(arriving, key=lambda bridge: -bridge.places[0])]
        others = [riser for riser in risers if riser is not own]
        down = [riser for riser in others if riser.upper == here and not riser.pin]
        merges = [riser for riser in down if riser.tree is None and _ends_row(plan, riser)]
        middle += [riser.column for riser in merges]
        middle += [_column(index, blocks.shunt(tree)) for tree in hanging if not has_coil(tree)]
        if is_home and instance.net in flag_nets:
            middle.append(_end_column(index, instance.net, "below"))
        middle += [riser.column for riser in others if riser.lower == here and not riser.pin]
        middle += [riser.column for riser in down if riser.tree is not None]
        middle += [riser.column for riser in reversed(down) if riser.tree is None and riser not in merges]
        leaving = [bridge for bridge in bridges if bridge.row == index and bridge.places[0] == place]
        middle += [bridge.left for bridge in sorted(leaving, key=lambda bridge: -bridge.places[1])]
        up = [riser for riser in others if riser.lower == here and riser.pin]
        middle += [riser.column for riser in sorted(up, key=lambda riser: (-riser.upper[0], riser.upper[1]))]
        if is_home:
            for part in outputs:
                if part.nodes[0] == instance.net:
                    is_last = place == last and not end and part is _last_output(outputs, instance.net)
                    middle.append(_output_column(index, part, at_end=is_last))
        count = len(start) + len(middle) + len(end)
        if (count == 0 and place in (0, last)) or (count == 1 and last == 0 and is_live(instance.net)):
            # A bundle is all that the net joins: its lead would end on nothing.
            start.append(_end_column(index, instance.net, "left" if place == 0 else "right"))
        instances.append([*start, *middle, *end])
    links, pin_risers, placed_blocks = [], [], []
    for place, link in enumerate(row.links):
        to_pins = [riser for riser in risers if riser.pin and riser.upper == (index, place)]
        to_pins.sort(key=lambda riser: riser.lower)
        rising = frozenset(riser.pin for riser in to_pins)
        order = [riser.pin for riser in to_pins]
        if isinstance(link.item, Joint) and link.item.kind == "pole":
            order += [pin for pin, _ in link.item.nodes if pin not in (link.in_pin, link.out_pin, *order)]
        block = blocks.link_block(link.item, link.in_pin, link.out_pin, rising, tuple(order))
        column = Column()
        column.put(index, block.fragment)
        left, right = column.rooms[index]
        column.rooms[index] = (left, max(right, block.length))
        links.append(column)
        pin_risers.append([riser.column for riser in to_pins])
        placed_blocks.append(block)
    return RowColumns(instances, links, pin_risers, placed_blocks)


def _ends_row(plan: RowPlan, riser: Riser) -> bool:
    row, place = riser.lower
    return place == len(plan.rows[row].instances) - 1


def _last_output(outputs: tuple[DrawnPart, ...], net: str) -> DrawnPart:
    return [part for part in outputs if part.nodes[0] == net][-1]


def _column(row: int, fragment: Fragment) -> Column:
    column = Column()
    column.put(row, fragment)
    return column


def _end_column(row: int, net: str, side: str) -> Column:
    """A column with the terminal of a net: beside the bus at a row's ends, else hanging from it."""
    if side in ("left", "right") and net != GROUND:
        return _column(row, blocks.ending(net, (0.0, 0.0), side))
    wire = Fragment(wires=(WireLine((0.0, 0.0), (0.0, STUB), net),))
    return _column(row, joined([wire, blocks.ending(net, (0.0, STUB), "below")]))


def _output_column(row: int, part: DrawnPart, *, at_end: bool) -> Column:
    net = part.nodes[0]
    _, label_height = label_size(part.lines)
    lift = 0.0 if at_end else max(2 * STUB, label_height / 2 + 6)
    symbol = symbols.output(part.name).shifted(STUB, lift)
    label = label_at(part.name, part.lines, (symbol.body.x1 + blocks.BESIDE, lift), "start", "middle")
    wires = [WireLine((0.0, lift), (STUB, lift), net)]
    if not at_end:
        wires.insert(0, WireLine((0.0, 0.0), (0.0, lift), net))
    return _column(row, Fragment((symbol,), (label,) if label else (), tuple(wires)))


def attached(columns: LayoutColumns, row: int, place: int) -> Iterable[float]:
    """Return the x at which things meet the bus of an instance."""
    found = columns.rows[row]
    yield from (column.x for column in found.instances[place])
    if place > 0:
        yield found.links[place - 1].x + found.blocks[place - 1].length
    if place < len(found.links):
        yield found.links[place].x


NEARLY = 48.0
"""Distance below which two like symbols look as if they ought to stand above each other."""
_MOST_REPAIRS = 60
"""Relations added before the last riser is given up; the trade's circuits need fewer than ten."""


def solve(columns: LayoutColumns) -> RiserKey | None:
    """Find the leftmost x of every column; where the relations run in a circle, name a riser that is part of it."""
    everything = list(dict.fromkeys(column for row in columns.rows for column in row.sequence()))
    after: dict[Column, list[tuple[Column, float]]] = {column: [] for column in everything}
    waiting = dict.fromkeys(everything, 0)
    for left, right, distance in columns.edges:
        after[left].append((right, distance))
        waiting[right] += 1
    ready = [column for column in everything if waiting[column] == 0]
    for column in everything:
        column.x = 0.0
    done = 0
    while ready:
        column = ready.pop()
        done += 1
        for other, distance in after[column]:
            other.x = max(other.x, column.x + distance)
            waiting[other] -= 1
            if waiting[other] == 0:
                ready.append(other)
    if done == len(everything):
        return None
    stuck = [riser for riser in columns.risers if waiting[riser.column] > 0]
    return max(stuck, key=lambda riser: (riser.lower[0] - riser.upper[0], riser.key)).key if stuck else ("", 0, 0, "")


def conflict(columns: LayoutColumns) -> tuple[list[Edge], RiserKey] | None:
    """Return what would part the first things that collide, the best first, and the riser to give up otherwise."""
    for riser in columns.risers:
        first, last = riser.upper[0], riser.lower[0]
        for row in range(first + 1, last):
            for column in columns.rows[row].sequence():
                left, right = column.rooms[row]
                offset = riser.column.x - column.x
                if -left - HALF < offset < right + HALF:
                    aside = [(column, riser.column, right + HALF), (riser.column, column, left + HALF)]
                    return aside, riser.key
        for other in columns.risers:
            if other is riser or other.upper[0] >= last or other.lower[0] <= first:
                continue
            if abs(other.column.x - riser.column.x) < 2 * HALF - 1e-9:
                apart = [(other.column, riser.column, 2 * HALF), (riser.column, other.column, 2 * HALF)]
                return apart, riser.key
    return _narrow_lane(columns)


def lane_stops(columns: LayoutColumns, bridge: Bridge) -> list[Column]:
    """Return the columns of all wires that pass the lane of a bridge, its own two ends included, from the left.

    These are the ends of longer bridges, which lie above it, and the risers that come up through its row.
    """
    others = [other for other in columns.bridges if other.row == bridge.row and _lies_above(other, bridge)]
    passing = [column for other in others for column in (other.left, other.right)]
    passing += [riser.column for riser in columns.risers if riser.upper[0] < bridge.row <= riser.lower[0]]
    inner = [column for column in passing if bridge.left.x < column.x < bridge.right.x]
    return [bridge.left, *sorted(inner, key=lambda column: column.x), bridge.right]


def _lies_above(other: Bridge, bridge: Bridge) -> bool:
    return other is not bridge and lane_rank(other) > lane_rank(bridge)


def lane_rank(bridge: Bridge) -> tuple[float, float]:
    """Order lanes from the lowest: the shortest first, of equals the left one."""
    return bridge.right.x - bridge.left.x, bridge.left.x


def _narrow_lane(columns: LayoutColumns) -> tuple[list[Edge], RiserKey] | None:
    """Widen the widest gap in a lane that has none wide enough for its parts."""
    for bridge in columns.bridges:
        stops = lane_stops(columns, bridge)
        gaps = [(right.x - left.x, -index) for index, (left, right) in enumerate(pairwise(stops))]
        width, place = max(gaps)
        if width < bridge.length + 2 * HALF - 1e-6 and len(stops) > 2:
            left, right = stops[-place], stops[-place + 1]
            risers = [riser.key for riser in columns.risers if riser.column in stops]
            return [(left, right, bridge.length + 2 * HALF)], (risers or [("", 0, 0, "")])[0]
    return None


def settled(plan: RowPlan, outputs: tuple[DrawnPart, ...]) -> LayoutColumns:
    """Return columns in which no riser meets a foreign column, flagging the risers for which there is no room."""
    flagged: set[RiserKey] = set()
    while True:
        columns = make_columns(plan, outputs, flagged)
        bad = _settle(columns)
        if bad is None:
            _align(columns)
            return columns
        flagged.add(bad)


def _settle(columns: LayoutColumns) -> RiserKey | None:
    bad = solve(columns)
    if bad is not None:
        return bad
    for _ in range(_MOST_REPAIRS):
        found = conflict(columns)
        if found is None:
            return None
        edges, key = found
        for edge in edges:
            columns.edges.append(edge)
            if solve(columns) is None:
                break
            columns.edges.pop()
        else:
            return key if key[0] else None
    return columns.risers[-1].key if columns.risers else None


def _align(columns: LayoutColumns) -> None:
    """Move like symbols of different rows that nearly stand above each other to the same x, where nothing objects."""
    for left, right in _nearly_aligned(columns):
        if not 0 < right.x - left.x <= NEARLY:
            continue
        columns.edges.append((right, left, 0.0))
        if solve(columns) is not None or left.x != right.x or conflict(columns) is not None:
            columns.edges.pop()
            solve(columns)


def _nearly_aligned(columns: LayoutColumns) -> list[tuple[Column, Column]]:
    """Return pairs of columns that begin with like symbols in different rows, from the left."""
    first: list[tuple[int, SymbolBox, Column]] = []
    for row, found in enumerate(columns.rows):
        for column in found.sequence():
            if row in column.fragments and column.fragments[row].symbols:
                first.append((row, column.fragments[row].symbols[0].body, column))
    pairs = [
        (one, other)
        for row, body, one in first
        for other_row, other_body, other in first
        if row != other_row and body == other_body and 0 < other.x - one.x <= NEARLY
    ]
    return sorted(pairs, key=lambda pair: (pair[1].x, pair[0].x))
