"""From a circuit to its best drawing: try switches whole and apart, and the trunk long and short; keep the best.

The order of the trials is fixed and the first of equals wins, so the same circuit always gives the same picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from labkit.core.errors import capitalized, join_words
from labkit.view.schematic.checks import crossings, faults
from labkit.view.schematic.columns import Bridge, LayoutColumns, Riser, attached, lane_rank, lane_stops, settled
from labkit.view.schematic.drawing import Drawing, Fragment, Point, SymbolBox, WireLine, joined
from labkit.view.schematic.gangs import with_gangs
from labkit.view.schematic.normalise import DrawnNetwork, hub_candidates, normalise, reduced
from labkit.view.schematic.parts import GROUND, OPEN, DrawnCircuit, DrawnPart
from labkit.view.schematic.rows import planned

_KIND_WORDS = {
    "coil": "coil",
    "reversed coil": "coil",
    "resistor": "resistor",
    "capacitor": "capacitor",
    "inductor": "inductor",
    "impedance": "impedance",
    "cable": "cable capacitance",
    "input": "input",
    "contact": "contact",
    "connector": "connector",
    "pot": "potentiometer",
    "buffer": "buffer",
    "line": "shielded lead",
    "pole": "switch pole",
    "output": "output",
}
_POT_ENDS = ("clockwise end", "wiper", "counter-clockwise end")


def described(circuit: DrawnCircuit) -> str:
    """Return the circuit as plain sentences, one per part, in the order of the parts."""
    opening = f"Schematic of {circuit.name}, {len(circuit.parts)} parts."
    summary = f" {circuit.summary.rstrip('.')}." if circuit.summary else ""
    return f"{opening}{summary} {' '.join(_sentence(part) for part in circuit.parts)}"


def _node(node: str) -> str:
    if node == OPEN:
        return "nothing"
    return "ground" if node == GROUND else node.replace("_", " ").replace(".", " ")


def _sentence(part: DrawnPart) -> str:
    kind = _KIND_WORDS[part.kind]
    name = part.lines[0]
    values = f" ({', '.join(part.lines[1:])})" if len(part.lines) > 1 else ""
    head = f"{capitalized(name)}{values}" if kind in name else f"{capitalized(name)}, {kind}{values}"
    nodes = [_node(node) for node in part.nodes]
    if part.kind == "output":
        return f"{head}, at {nodes[0]}."
    if part.kind == "pot":
        return f"{head}: {join_words(f'{end} to {node}' for end, node in zip(_POT_ENDS, nodes))}."
    if part.kind == "pole":
        states = [f"{'closed' if part.is_closed(i) else 'open'} to {node}" for i, node in enumerate(nodes[1:])]
        return f"{head}: common at {nodes[0]}, {join_words(states)}."
    if part.kind == "contact":
        return f"{head}, {'closed' if part.is_closed() else 'open'}, from {nodes[0]} to {nodes[1]}."
    if part.kind in ("coil", "reversed coil"):
        dot = "start" if part.kind == "coil" else "finish"
        return f"{head}: start at {nodes[0]}, finish at {nodes[1]}, dot at its {dot}."
    if part.kind == "line":
        return f"{head}, from {nodes[0]} to {nodes[1]}, its shield on {nodes[2]}."
    return f"{head}, from {nodes[0]} to {nodes[1]}."


ROW_GAP = 16.0
LANE_GAP = 9.0
LEAST_RISE = 26.0


def composed(columns: LayoutColumns, network: DrawnNetwork, circuit: DrawnCircuit, description: str) -> Drawing:
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


def _row_fragment(columns: LayoutColumns, row: int) -> Fragment:
    pieces = [
        column.fragments[row].shifted(column.x, 0) for column in columns.rows[row].sequence() if row in column.fragments
    ]
    wires = []
    for place, instance in enumerate(columns.plan.rows[row].instances):
        at = list(attached(columns, row, place))
        if at and max(at) > min(at):
            wires.append(WireLine((min(at), 0.0), (max(at), 0.0), instance.net))
    return joined([*pieces, Fragment(wires=tuple(wires))])


def _lanes(columns: LayoutColumns, row: int, base: Fragment) -> Fragment:
    """Lay the bridges of a row, the shortest first, each above everything it passes."""
    boxes = base.boxes()
    pieces: list[Fragment] = []
    for bridge in sorted((bridge for bridge in columns.bridges if bridge.row == row), key=lane_rank):
        piece = _lane(bridge, boxes, [column.x for column in lane_stops(columns, bridge)])
        pieces.append(piece)
        boxes.extend(piece.boxes())
    return joined(pieces)


def _lane(bridge: Bridge, boxes: list[SymbolBox], stops: list[float]) -> Fragment:
    x0, x1 = bridge.left.x, bridge.right.x
    under = [box.y0 for box in boxes if box.x1 > x0 - 1 and box.x0 < x1 + 1]
    room = max(pairwise(stops), key=lambda gap: gap[1] - gap[0])
    start = (room[0] + room[1] - bridge.length) / 2
    y = min(under, default=0.0) - LANE_GAP - bridge.block.box.y1
    tree = bridge.tree
    wires = (
        WireLine((x0, 0.0), (x0, y), tree.a),
        WireLine((x0, y), (start, y), tree.a),
        WireLine((start + bridge.length, y), (x1, y), tree.b),
        WireLine((x1, y), (x1, 0.0), tree.b),
    )
    return joined([bridge.block.shifted(start, y), Fragment(wires=wires)])


def _stacked(columns: LayoutColumns, rows: list[Fragment]) -> list[float]:
    """Return each row's y: as high as the rows and risers above allow."""
    heights: list[float] = []
    placed: list[SymbolBox] = []
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
                placed.append(SymbolBox(riser.column.x, top, riser.column.x, y))
    return heights


def _upper_y(columns: LayoutColumns, riser: Riser, heights: list[float]) -> float:
    above = heights[riser.upper[0]]
    return above + riser.body_height if not riser.pin else above + _offered(columns, riser)[1]


def _offered(columns: LayoutColumns, riser: Riser) -> Point:
    row, place = riser.upper
    at = next(point for pin, _, point in columns.rows[row].blocks[place].offered if pin == riser.pin)
    return columns.rows[row].links[place].x + at[0], at[1]


def _riser_fragment(columns: LayoutColumns, riser: Riser, heights: list[float]) -> Fragment:
    x, top, bottom = riser.column.x, _upper_y(columns, riser, heights), heights[riser.lower[0]]
    wires = [WireLine((x, top), (x, bottom), riser.net)]
    if riser.pin:
        wires.append(WireLine((x, top), (_offered(columns, riser)[0], top), riser.net))
    return Fragment(wires=tuple(wires))


def junctions(wires: tuple[WireLine, ...], whole: Fragment) -> tuple[Point, ...]:
    """Return the points where three or more ends of one net meet, in reading order.

    Found before wires are merged: afterwards a branch ends on the middle of a longer wire.
    """
    ways: dict[tuple[str, Point], set[str]] = {}
    by_net: dict[str, list[WireLine]] = {}
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


def _ways_out(wire: WireLine, point: Point) -> set[str]:
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


def merged(wires: tuple[WireLine, ...]) -> tuple[WireLine, ...]:
    """Join collinear wires of a net that touch or overlap."""
    groups: dict[tuple[str, bool, float], list[tuple[float, float]]] = {}
    for wire in wires:
        flat = wire.is_horizontal
        along = (wire.a[0], wire.b[0]) if flat else (wire.a[1], wire.b[1])
        groups.setdefault((wire.net, flat, wire.a[1] if flat else wire.a[0]), []).append((min(along), max(along)))
    result: list[WireLine] = []
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
            result.append(WireLine(*ends, net))
    return tuple(result)


FAULT_COST, FLAG_COST, CROSSING_COST, APART_COST = 1e4, 30.0, 12.0, 18.0
AREA_COST = 1 / 6000
"""A drawing may grow by 6000 square units (a good resistor with its label) to save one unit of cost."""


def draw(circuit: DrawnCircuit) -> Drawing:
    """Lay out a circuit.

    Parameters
    ----------
    circuit : DrawnCircuit

    Returns
    -------
    Drawing
        The best of all trials: without faults for every network met so far; crossings and net flags may remain.

    >>> from labkit.view.schematic import DrawnCircuit, DrawnPart, draw, faults
    >>> coil = DrawnPart(kind="coil", name="bridge", nodes=("hot", "ground"))
    >>> load = DrawnPart(kind="input", name="input", nodes=("hot", "ground"))
    >>> circuit = DrawnCircuit(name="bare pickup", parts=(coil, load))
    >>> faults(draw(circuit), circuit)
    []
    """
    description = described(circuit)
    best: tuple[float, Drawing] | None = None
    candidates = hub_candidates(circuit)
    for hubs in _hub_choices(candidates):
        network = normalise(circuit, hubs)
        trees = reduced(network)
        short, long = (planned(network, trees, extends=extends) for extends in (False, True))
        for plan in (short,) if long.rows == short.rows else (short, long):
            drawing = composed(settled(plan, network.outputs), network, circuit, description)
            cost = _cost(drawing) + APART_COST * (len(candidates) - len(hubs))
            if best is None or cost < best[0] - 1e-6:
                cost += FAULT_COST * len(faults(drawing, circuit))
                if best is None or cost < best[0] - 1e-6:
                    best = (cost, drawing)
    assert best is not None  # there is always the trial without hubs
    return with_gangs(best[1], circuit)


def _hub_choices(candidates: tuple[str, ...]) -> Iterator[frozenset[str]]:
    """Yield all poles whole, each one alone, all but each one, and none."""
    whole = frozenset(candidates)
    choices = [whole]
    choices += [whole - {name} for name in candidates] + [frozenset({name}) for name in candidates] + [frozenset()]
    yield from dict.fromkeys(choices)


def _cost(drawing: Drawing) -> float:
    """Cost of what can be counted quickly; the checks follow only for a drawing that would win."""
    box = drawing.box
    return (
        FLAG_COST * drawing.flags
        + CROSSING_COST * crossings(drawing)
        + AREA_COST * (box.x1 - box.x0) * (box.y1 - box.y0)
    )
