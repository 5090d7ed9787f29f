"""Columns become a drawing: buses, lanes over the rows, rows stacked by their skylines, risers, junction dots."""

from __future__ import annotations

from itertools import pairwise

from labkit.view.schematic.columns import Bridge, Columns, Riser, attached
from labkit.view.schematic.drawing import Box, Drawing, Fragment, Point, Wire, joined
from labkit.view.schematic.normalise import Network
from labkit.view.schematic.parts import DrawnCircuit
from labkit.view.schematic.settle import lane_rank, lane_stops

ROW_GAP = 16.0
LANE_GAP = 9.0
LEAST_RISE = 26.0


def composed(columns: Columns, network: Network, circuit: DrawnCircuit, description: str) -> Drawing:
    """Return the drawing of settled columns."""
    rows = [_row_fragment(columns, row) for row in range(len(columns.rows))]
    rows = [
        joined([fragment, _lanes(columns, row, fragment)]) if columns.bridges else fragment
        for row, fragment in enumerate(rows)
    ]
    heights = _stacked(columns, rows)
    risers = [_riser_fragment(columns, riser, heights) for riser in columns.risers]
    whole = joined([*(fragment.shifted(0, y) for fragment, y in zip(rows, heights)), *risers])
    wires = tuple(wire for wire in whole.wires if wire.a != wire.b)
    dots = junctions(wires, whole)
    return Drawing(
        name=circuit.name,
        summary=circuit.summary,
        description=description,
        symbols=whole.symbols,
        labels=whole.labels,
        wires=merged(wires),
        dots=dots,
        terminals=whole.terminals,
        open_pins=network.open_pins,
    )


def _row_fragment(columns: Columns, row: int) -> Fragment:
    pieces = [
        column.fragments[row].shifted(column.x, 0) for column in columns.rows[row].sequence() if row in column.fragments
    ]
    wires = []
    for place, instance in enumerate(columns.plan.rows[row].instances):
        at = list(attached(columns, row, place))
        if at and max(at) > min(at):
            wires.append(Wire((min(at), 0.0), (max(at), 0.0), instance.net))
    return joined([*pieces, Fragment(wires=tuple(wires))])


def _lanes(columns: Columns, row: int, base: Fragment) -> Fragment:
    """Lay the bridges of a row, the shortest first, each above everything it passes."""
    boxes = base.boxes()
    pieces: list[Fragment] = []
    for bridge in sorted((bridge for bridge in columns.bridges if bridge.row == row), key=lane_rank):
        piece = _lane(bridge, boxes, [column.x for column in lane_stops(columns, bridge)])
        pieces.append(piece)
        boxes.extend(piece.boxes())
    return joined(pieces)


def _lane(bridge: Bridge, boxes: list[Box], stops: list[float]) -> Fragment:
    x0, x1 = bridge.left.x, bridge.right.x
    under = [box.y0 for box in boxes if box.x1 > x0 - 1 and box.x0 < x1 + 1]
    room = max(pairwise(stops), key=lambda gap: gap[1] - gap[0])
    start = (room[0] + room[1] - bridge.length) / 2
    y = min(under, default=0.0) - LANE_GAP - bridge.block.box.y1
    tree = bridge.tree
    wires = (
        Wire((x0, 0.0), (x0, y), tree.a),
        Wire((x0, y), (start, y), tree.a),
        Wire((start + bridge.length, y), (x1, y), tree.b),
        Wire((x1, y), (x1, 0.0), tree.b),
    )
    return joined([bridge.block.shifted(start, y), Fragment(wires=wires)])


def _stacked(columns: Columns, rows: list[Fragment]) -> list[float]:
    """Return each row's y: as high as the rows and risers above allow."""
    heights: list[float] = []
    placed: list[Box] = []
    for row, fragment in enumerate(rows):
        boxes = fragment.boxes()
        y = 0.0
        for other in placed:
            for box in boxes:
                if box.x0 < other.x1 + ROW_GAP / 2 and other.x0 < box.x1 + ROW_GAP / 2:
                    y = max(y, other.y1 - box.y0 + ROW_GAP)
        for riser in columns.risers:
            if riser.lower[0] == row:
                y = max(y, _upper_y(columns, riser, heights) + LEAST_RISE)
        heights.append(y)
        placed.extend(box.shifted(0, y) for box in boxes)
        for riser in columns.risers:
            if riser.lower[0] == row:
                top = _upper_y(columns, riser, heights)
                placed.append(Box(riser.column.x, top, riser.column.x, y))
    return heights


def _upper_y(columns: Columns, riser: Riser, heights: list[float]) -> float:
    above = heights[riser.upper[0]]
    return above + riser.body_height if not riser.pin else above + _offered(columns, riser)[1]


def _offered(columns: Columns, riser: Riser) -> Point:
    row, place = riser.upper
    at = next(point for pin, _, point in columns.rows[row].blocks[place].offered if pin == riser.pin)
    return columns.rows[row].links[place].x + at[0], at[1]


def _riser_fragment(columns: Columns, riser: Riser, heights: list[float]) -> Fragment:
    x, top, bottom = riser.column.x, _upper_y(columns, riser, heights), heights[riser.lower[0]]
    wires = [Wire((x, top), (x, bottom), riser.net)]
    if riser.pin:
        wires.append(Wire((x, top), (_offered(columns, riser)[0], top), riser.net))
    return Fragment(wires=tuple(wires))


def junctions(wires: tuple[Wire, ...], whole: Fragment) -> tuple[Point, ...]:
    """Return the points where three or more ends of one net meet, in reading order.

    Found before wires are merged: afterwards a branch ends on the middle of a longer wire.
    """
    ways: dict[tuple[str, Point], set[str]] = {}
    by_net: dict[str, list[Wire]] = {}
    for wire in wires:
        by_net.setdefault(wire.net, []).append(wire)
    for net, members in by_net.items():
        for point in dict.fromkeys(end for wire in members for end in (wire.a, wire.b)):
            found = ways.setdefault((net, point), set())
            for wire in members:
                found |= _ways_out(wire, point)
    ends = [pin.at for symbol in whole.symbols for pin in symbol.pins] + [end.at for end in whole.terminals]
    for (_, point), found in ways.items():
        if point in ends:
            found.add("end")
    found_points = {point for (_, point), found in ways.items() if len(found) > 2}
    return tuple(sorted(found_points, key=lambda point: (point[1], point[0])))


def _ways_out(wire: Wire, point: Point) -> set[str]:
    """Return the directions in which a wire leaves a point on it."""
    (ax, ay), (bx, by) = sorted((wire.a, wire.b))
    x, y = point
    ways: set[str] = set()
    if ay == by == y and ax <= x <= bx:
        ways |= {"left"} if x > ax else set()
        ways |= {"right"} if x < bx else set()
    elif ax == bx == x and ay <= y <= by:
        ways |= {"up"} if y > ay else set()
        ways |= {"down"} if y < by else set()
    return ways


def merged(wires: tuple[Wire, ...]) -> tuple[Wire, ...]:
    """Join collinear wires of a net that touch or overlap."""
    groups: dict[tuple[str, bool, float], list[tuple[float, float]]] = {}
    for wire in wires:
        flat = wire.is_horizontal
        along = (wire.a[0], wire.b[0]) if flat else (wire.a[1], wire.b[1])
        groups.setdefault((wire.net, flat, wire.a[1] if flat else wire.a[0]), []).append((min(along), max(along)))
    result: list[Wire] = []
    for (net, flat, across), spans in groups.items():
        spans.sort()
        runs = [spans[0]]
        for start, stop in spans[1:]:
            if start <= runs[-1][1]:
                runs[-1] = (runs[-1][0], max(stop, runs[-1][1]))
            else:
                runs.append((start, stop))
        for start, stop in runs:
            ends = ((start, across), (stop, across)) if flat else ((across, start), (across, stop))
            result.append(Wire(*ends, net))
    return tuple(result)
