"""The x of every column: a longest path, repeated with more relations until no riser meets a foreign column."""

from __future__ import annotations

from itertools import pairwise

from labkit.view.schematic.columns import HALF, Bridge, Column, Columns, Edge, RiserKey, make_columns
from labkit.view.schematic.drawing import Box
from labkit.view.schematic.parts import DrawnPart
from labkit.view.schematic.rows import Plan

NEARLY = 48.0
"""Distance below which two like symbols look as if they ought to stand above each other."""
_MOST_REPAIRS = 60
"""Relations added before the last riser is given up; the trade's circuits need fewer than ten."""


def solve(columns: Columns) -> RiserKey | None:
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


def conflict(columns: Columns) -> tuple[list[Edge], RiserKey] | None:
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


def lane_stops(columns: Columns, bridge: Bridge) -> list[Column]:
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


def _narrow_lane(columns: Columns) -> tuple[list[Edge], RiserKey] | None:
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


def settled(plan: Plan, outputs: tuple[DrawnPart, ...]) -> Columns:
    """Return columns in which no riser meets a foreign column, flagging the risers for which there is no room."""
    flagged: set[RiserKey] = set()
    while True:
        columns = make_columns(plan, outputs, flagged)
        bad = _settle(columns)
        if bad is None:
            _align(columns)
            return columns
        flagged.add(bad)


def _settle(columns: Columns) -> RiserKey | None:
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


def _align(columns: Columns) -> None:
    """Move like symbols of different rows that nearly stand above each other to the same x, where nothing objects."""
    for left, right in _nearly_aligned(columns):
        if not 0 < right.x - left.x <= NEARLY:
            continue
        columns.edges.append((right, left, 0.0))
        if solve(columns) is not None or left.x != right.x or conflict(columns) is not None:
            columns.edges.pop()
            solve(columns)


def _nearly_aligned(columns: Columns) -> list[tuple[Column, Column]]:
    """Return pairs of columns that begin with like symbols in different rows, from the left."""
    first: list[tuple[int, Box, Column]] = []
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
