"""Trees and joints become fragments: a tree standing under a bus, a tree lying between two nets, a joint in a row.

Every fragment starts at its origin. Space for the measured labels is part of the fragment, so whoever places
fragments side by side needs to know only their boxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from labkit.view.schematic import symbols
from labkit.view.schematic.drawing import Fragment, Label, PartSymbol, Point, WireLine, joined, label_at, label_size
from labkit.view.schematic.normalise import Joint, Leaf, Tree, is_live
from labkit.view.schematic.parts import GROUND

UPRIGHT = 62.0
"""Least height of a part with its leads, standing."""
LYING = 66.0
"""Least width of a part with its leads, lying."""
GAP = 12.0
"""Least distance between the rooms of neighbours."""
LEAD = 10.0
BESIDE = 6.0
"""Distance of a label from its symbol."""


def symbol_of(leaf: Leaf) -> PartSymbol:
    """Return the upright symbol of a leaf, node ``a`` at the top."""
    if leaf.kind == "rheostat":
        symbol = symbols.rheostat(leaf.owner, leaf.first, leaf.second, tied=leaf.is_tied)
    else:
        symbol = symbols.two_pin(leaf.kind, leaf.owner, leaf.first, leaf.second, closed=leaf.closed)
    return symbols.flipped(symbol) if leaf.is_flipped else symbol


def standing(tree: Tree) -> tuple[Fragment, float]:
    """Return a tree from the origin downwards, and its height."""
    if isinstance(tree, Leaf):
        return _standing_leaf(tree)
    if tree.how == "series":
        pieces, y = [], 0.0
        for child in tree.children:
            piece, height = standing(child)
            pieces.append(piece.shifted(0, y))
            y += height
        return joined(pieces), y
    blocks = [standing(child) for child in tree.children]
    height = max(height for _, height in blocks) + 2 * LEAD
    pieces, x, right = [], 0.0, 0.0
    for index, (block, tall) in enumerate(blocks):
        if index:
            x = right + GAP - block.box.x0
        pieces.append(block.shifted(x, LEAD))
        if LEAD + tall < height - LEAD:
            pieces.append(Fragment(wires=(WireLine((x, LEAD + tall), (x, height - LEAD), tree.b),)))
        right = x + block.box.x1
    wires = (
        WireLine((0, 0), (0, LEAD), tree.a),
        WireLine((0, LEAD), (x, LEAD), tree.a),
        WireLine((0, height - LEAD), (x, height - LEAD), tree.b),
        WireLine((0, height - LEAD), (0, height), tree.b),
    )
    return joined([*pieces, Fragment(wires=wires)]), height


def _standing_leaf(leaf: Leaf) -> tuple[Fragment, float]:
    symbol = symbol_of(leaf)
    body = symbol.pins[1].at[1]
    _, label_height = label_size(leaf.lines)
    height = max(UPRIGHT, body + 2 * LEAD, label_height + 6)
    top = (height - body) / 2
    placed = symbol.shifted(0, top)
    label = label_at(leaf.owner, leaf.lines, (placed.body.x1 + BESIDE, height / 2), "start", "middle")
    wires = (WireLine((0, 0), (0, top), leaf.a), WireLine((0, top + body), (0, height), leaf.b))
    return Fragment((placed,), _labels(label), wires), height


def _labels(*found: Label | None) -> tuple[Label, ...]:
    return tuple(label for label in found if label is not None)


def lying(tree: Tree) -> tuple[Fragment, float]:
    """Return a tree from the origin to the right, and its length."""
    if isinstance(tree, Leaf):
        return _lying_leaf(tree)
    if tree.how == "series":
        pieces, x = [], 0.0
        for child in tree.children:
            piece, length = lying(child)
            pieces.append(piece.shifted(x, 0))
            x += length
        return joined(pieces), x
    blocks = [lying(child) for child in tree.children]
    width = max(length for _, length in blocks)
    pieces, y, top = [], 0.0, 0.0
    for index, (block, length) in enumerate(blocks):
        if index:
            y = top - GAP - block.box.y1
        left = LEAD + (width - length) / 2
        pieces.append(block.shifted(left, y))
        if length < width:
            stubs = (
                WireLine((LEAD, y), (left, y), tree.a),
                WireLine((left + length, y), (LEAD + width, y), tree.b),
            )
            pieces.append(Fragment(wires=stubs))
        top = y + block.box.y0
    end = width + 2 * LEAD
    wires = (
        WireLine((0, 0), (LEAD, 0), tree.a),
        WireLine((LEAD, 0), (LEAD, y), tree.a),
        WireLine((end - LEAD, 0), (end - LEAD, y), tree.b),
        WireLine((end - LEAD, 0), (end, 0), tree.b),
    )
    return joined([*pieces, Fragment(wires=wires)]), end


def _lying_leaf(leaf: Leaf) -> tuple[Fragment, float]:
    return _in_line(symbols.turned(symbol_of(leaf)), leaf.lines, leaf.a, leaf.b, least=LYING)


def _in_line(
    symbol: PartSymbol, lines: tuple[str, ...], before: str, after: str, *, out: int = 1, least: float = 0.0
) -> tuple[Fragment, float]:
    """Return a symbol with leads from its first pin to the left and from pin ``out`` to the right, its label above."""
    run = symbol.pins[out].at[0]
    label_width, _ = label_size(lines)
    length = max(least, run + 2 * LEAD, label_width + 8)
    left = (length - run) / 2
    placed = symbol.shifted(left, 0)
    label = label_at(symbol.owner, lines, (length / 2, placed.body.y0 - 3), "middle", "bottom")
    wires = (WireLine((0, 0), (left, 0), before), WireLine((left + run, 0), (length, 0), after))
    return Fragment((placed,), _labels(label), wires), length


def ending(net: str, at: Point, side: str) -> Fragment:
    """Return the terminal that ends a wire at ``at``: ground, an open end, or a flag on the given side."""
    if net == GROUND:
        return Fragment(terminals=(symbols.ground(at),))
    if not is_live(net):
        return Fragment(terminals=(symbols.open_end(at, side),))
    return Fragment(terminals=(symbols.flag(at, net, side),))


def shunt(tree: Tree) -> Fragment:
    """Return a tree standing under its first node and ending in a terminal of its second."""
    block, height = standing(tree)
    return joined([block, ending(tree.b, (0, height), "below")])


@dataclass(frozen=True, slots=True)
class PlacedLink:
    """A joint or tree in a row: in at the origin, out at (``length``, 0); other pins offered to risers."""

    fragment: Fragment
    length: float
    offered: tuple[tuple[str, str, Point], ...] = ()
    """Pin, node and the point at the fragment's left edge where a riser may arrive."""


def link_block(
    item: Tree | Joint, in_pin: str, out_pin: str, rising: frozenset[str], order: tuple[str, ...]
) -> PlacedLink:
    """Return the fragment of a link.

    Parameters
    ----------
    item, in_pin, out_pin
        As in `rows.Link`.
    rising : frozenset of str
        Pins that a riser from a row below will reach; all others get a terminal.
    order : tuple of str
        Throws of a hub from the second downwards.
    """
    if not isinstance(item, Joint):
        block, length = lying(item)
        return PlacedLink(block, length)
    if item.kind == "buffer":
        return PlacedLink(*_in_line(symbols.buffer(item.owner), item.lines, item.node("in"), item.node("out")))
    if item.kind == "line":
        return _with_foot(symbols.shielded_line(item.owner), item, ("in", "shield", "out"))
    if item.kind == "pole":
        return _hub(item, in_pin, rising, order)
    return _pot(item, in_pin, out_pin, rising)


def _with_foot(symbol: PartSymbol, joint: Joint, pins: tuple[str, str, str]) -> PlacedLink:
    """Return a joint lying in a row from its first pin to its last, the one between hanging on a terminal below."""
    before, below, after = (joint.node(pin) for pin in pins)
    keys = [pin.keys[0][1] for pin in symbol.pins]
    block, length = _in_line(symbol, joint.lines, before, after, out=keys.index(pins[2]), least=LYING)
    x, y = block.symbols[0].pins[keys.index(pins[1])].at
    foot = Fragment(wires=(WireLine((x, y), (x, y + LEAD), below),))
    return PlacedLink(joined([block, foot, ending(below, (x, y + LEAD), "below")]), length)


def _hub(joint: Joint, in_pin: str, rising: frozenset[str], order: tuple[str, ...]) -> PlacedLink:
    pins = (in_pin, *order)
    symbol = symbols.pole(joint.owner, tuple(int(pin.split()[1]) for pin in pins), joint.closed, joint.throw_names)
    label_width, _ = label_size(joint.lines)
    left = 22.0
    placed = symbol.shifted(left, 0)
    middle = (placed.body.x0 + placed.body.x1) / 2
    length = max(placed.body.x1 + LEAD, middle + label_width / 2 + 4)
    label = label_at(joint.owner, joint.lines, (middle, placed.body.y0 - 3), "middle", "bottom")
    pieces, wires, offered = [], [], []
    wires.append(WireLine((placed.body.x1, 0), (length, 0), joint.node("common")))
    for row, pin in enumerate(pins):
        y, node = symbols.THROW_PITCH * row, joint.node(pin)
        if row == 0 or pin in rising:
            wires.append(WireLine((0, y), (left, y), node))
            if row:
                offered.append((pin, node, (0.0, y)))
        else:
            stub = left - 10
            wires.append(WireLine((stub, y), (left, y), node))
            pieces.append(ending(node, (stub, y), "left"))
    block = Fragment((placed,), _labels(label), tuple(wires))
    return PlacedLink(joined([block, *pieces]), length, tuple(offered))


def _pot(joint: Joint, in_pin: str, out_pin: str, rising: frozenset[str]) -> PlacedLink:
    if "wiper" not in (in_pin, out_pin):
        keys = ((joint.owner, in_pin), (joint.owner, "wiper"), (joint.owner, out_pin))
        return _with_foot(symbols.lying_pot(joint.owner, *keys), joint, (in_pin, "wiper", out_pin))
    top = out_pin if in_pin == "wiper" else in_pin
    bottom = "ccw" if top == "cw" else "cw"
    owner = joint.owner
    symbol = symbols.pot(owner, (owner, top), (owner, "wiper"), (owner, bottom))
    drop, reach = 12.0, 34.0
    if in_pin == "wiper":
        symbol = symbols.mirrored(symbol).shifted(reach, drop)
        axis, wiper_x = reach, 0.0
        label_x = symbol.body.x1 + BESIDE
        label = label_at(owner, joint.lines, (label_x, drop + 19), "start", "middle")
    else:
        symbol = symbol.shifted(0, drop)
        axis, wiper_x = 0.0, reach
        label = label_at(owner, joint.lines, (symbol.body.x1 + 2, drop + 22), "start", "top")
    top_at, wiper_at, bottom_at = (pin.at for pin in symbol.pins)
    foot = (axis, bottom_at[1] + LEAD)
    wires = [
        WireLine((axis, 0), top_at, joint.node(top)),
        WireLine(wiper_at, (wiper_x, wiper_at[1]), joint.node("wiper")),
        WireLine((wiper_x, wiper_at[1]), (wiper_x, 0), joint.node("wiper")),
        WireLine(bottom_at, foot, joint.node(bottom)),
    ]
    pieces, offered = [], []
    node = joint.node(bottom)
    left = min(symbol.body.x0, 0.0) - 6
    if node == joint.node(top) and is_live(node):
        side = left if in_pin != "wiper" else symbol.body.x1 + 6
        corner = [foot, (side, foot[1]), (side, 0.0), (axis, 0.0)]
        wires += [WireLine(a, b, node) for a, b in pairwise(corner)]
        if in_pin == "wiper":
            label = label_at(owner, joint.lines, (side + BESIDE, drop + 19), "start", "middle")
    elif bottom in rising:
        wires.append(WireLine(foot, (left, foot[1]), node))
        offered.append((bottom, node, (left, foot[1])))
    else:
        pieces.append(ending(node, foot, "below"))
    block = Fragment((symbol,), _labels(label), tuple(wires))
    return PlacedLink(joined([block, *pieces]), reach, tuple(offered))
