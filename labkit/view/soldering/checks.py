"""What a soldering drawing says when only the picture is read, and what is wrong with how it looks."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from xml.etree import ElementTree

from labkit.core.errors import InputError
from labkit.rig.devices.plan import CAN, Lug
from labkit.view.soldering.drawing import SolderDrawing, nearest_of_bodies
from labkit.view.soldering.layout import all_words
from labkit.view.soldering.shapes import STEP

_SVG = "{http://www.w3.org/2000/svg}"
LEAST_PX = 12.0
"""Between a wire and a lug that is not its own, CSS pixels."""


def read_back(picture: str) -> list[tuple[Lug, Lug]]:
    """Return the pairs of lugs that the wires of a picture join, from its circles and paths alone.

    Raises
    ------
    InputError
        If a wire ends where no lug is.
    """
    root = ElementTree.fromstring(picture)
    lugs: dict[tuple[float, float], Lug] = {}
    for circle in root.iter(f"{_SVG}circle"):
        name = circle.get("data-lug")
        if name is not None:
            part, _, lug = name.rpartition("|")
            lugs[float(circle.get("cx", "0")), float(circle.get("cy", "0"))] = Lug(part, lug)
    joints = []
    for path in root.iter(f"{_SVG}path"):
        number = path.get("data-wire")
        if number is None:
            continue
        figures = [float(figure) for figure in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))]
        ends = [(figures[0], figures[1]), (figures[-2], figures[-1])]
        if not all(end in lugs for end in ends):
            raise InputError(f"wire {number} of the drawing ends where no lug is")
        joints.append((lugs[ends[0]], lugs[ends[1]]))
    return joints


def faults(drawing: SolderDrawing) -> list[str]:
    """Return what is wrong with a drawing: wires over bodies, words or each other, or too near to a lug."""
    looks = (_over_parts, _over_metal, _over_each_other, _near_lugs, _parts_in_the_way)
    return [fault for look in looks for fault in look(drawing)]


def _runs(drawing: SolderDrawing) -> Iterator[tuple[int, str, tuple[float, float, float, float]]]:
    """Straight runs of every wire: its number, its words, and the run from left to right and from the top down, px."""
    for number, route in enumerate(drawing.routes, start=1):
        for (x0, y0), (x1, y1) in itertools.pairwise(route.corners()):
            left, right, top, bottom = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
            yield number, drawing.plan.wire_words(route.wire), (left * STEP, top * STEP, right * STEP, bottom * STEP)


def _over_parts(drawing: SolderDrawing) -> Iterator[str]:
    boxes = list(all_words(drawing.layout))
    for part in drawing.layout.parts.values():
        for body in part.shape.bodies:
            inset = 0.0 if body.form == "box" else 0.15 * (body.x1 - body.x0)  # the square within a circle
            corners = (body.x0 + inset, body.y0 + inset, body.x1 - inset, body.y1 - inset)
            left, top, right, bottom = (
                (corner + at) * STEP for corner, at in zip(corners, (part.x, part.y, part.x, part.y))
            )
            boxes.append((part.part, (left, top, right, bottom)))
    for _, words, (x0, y0, x1, y1) in _runs(drawing):
        for name, (left, top, right, bottom) in boxes:
            if x0 < right and x1 > left and y0 < bottom and y1 > top:
                yield f"{words}: runs over '{name}'"


def _over_metal(drawing: SolderDrawing) -> Iterator[str]:
    """Wires between a part's body and a lug of it."""
    metal = {
        (name, lug): ((end[0] + part.x, end[1] + part.y), (x + part.x, y + part.y))
        for name, part in drawing.layout.parts.items()
        for lug, places in part.shape.lugs.items()
        for x, y in places
        if (end := nearest_of_bodies(part.shape, (x, y))) is not None and lug != CAN
    }
    for route in drawing.routes:
        for (x0, y0), (x1, y1) in itertools.pairwise(route.corners()):
            for (name, lug), ((u, v), (x, y)) in metal.items():
                for share in (0.2, 0.4, 0.6, 0.8):
                    across, down = u + (x - u) * share, v + (y - v) * share
                    if min(x0, x1) - 0.1 < across < max(x0, x1) + 0.1 and min(y0, y1) - 0.1 < down < max(y0, y1) + 0.1:
                        yield f"{drawing.plan.wire_words(route.wire)}: runs over the metal of '{name}', {lug}"
                        break


def _over_each_other(drawing: SolderDrawing) -> Iterator[str]:
    for (one, words, first), (other, _, second) in itertools.combinations(_runs(drawing), 2):
        if one == other:
            continue
        across = min(first[2], second[2]) - max(first[0], second[0])
        down = min(first[3], second[3]) - max(first[1], second[1])
        is_parallel = (first[0] == first[2]) == (second[0] == second[2])
        if is_parallel and across >= 0 and down >= 0 and max(across, down) > 0:
            yield f"{words}: lies on wire {other}"


def _near_lugs(drawing: SolderDrawing) -> Iterator[str]:
    places = {cell: lug for lug, cells in drawing.layout.places().items() for cell in cells}
    for route in drawing.routes:
        ends = {route.cells[0], route.cells[-1]}
        for (x0, y0), (x1, y1) in itertools.pairwise(route.corners()):
            for (x, y), lug in places.items():
                if (x, y) in ends:
                    continue
                across = max(min(x0, x1) - x, 0, x - max(x0, x1)) * STEP
                down = max(min(y0, y1) - y, 0, y - max(y0, y1)) * STEP
                if max(across, down) < LEAST_PX:
                    yield f"{drawing.plan.wire_words(route.wire)}: passes {drawing.plan.lug_words(lug)} too near"


def _parts_in_the_way(drawing: SolderDrawing) -> Iterator[str]:
    """Parts and words that stand on each other."""
    rooms: list[tuple[str, tuple[float, float, float, float]]] = list(all_words(drawing.layout))
    for part in drawing.layout.parts.values():
        for body in part.shape.bodies:
            x, y = part.x, part.y
            rooms.append(
                (part.part, ((body.x0 + x) * STEP, (body.y0 + y) * STEP, (body.x1 + x) * STEP, (body.y1 + y) * STEP))
            )
        for cells in part.shape.lugs.values():
            for across, down in cells:
                x, y = (across + part.x) * STEP, (down + part.y) * STEP
                rooms.append((part.part, (x - 7, y - 7, x + 7, y + 7)))
    width, height = drawing.layout.width * STEP, drawing.layout.height * STEP
    for name, (left, top, right, bottom) in rooms:
        if left < 0 or top < 0 or right > width or bottom > height:
            yield f"'{name}' leaves the sheet"
    for (one, first), (other, second) in itertools.combinations(all_words(drawing.layout), 2):
        beside = min(first[2], second[2]) - max(first[0], second[0])
        below = min(first[3], second[3]) - max(first[1], second[1])
        if one == other and beside > 0 and below > 2:  # lines below each other may touch by their descenders
            yield f"words of '{one}' stand on each other"
    for (one, first), (other, second) in itertools.combinations(rooms, 2):
        is_apart = first[0] >= second[2] or first[2] <= second[0] or first[1] >= second[3] or first[3] <= second[1]
        if one != other and not is_apart:
            yield f"'{one}' stands on '{other}'"
