"""Parts become trees (two ends) and joints (three or more pins), with nothing of the circuit lost.

A pot is a rheostat when one end of its track is open or tied to the wiper, and only then: a track tied top to
bottom, or a grounded wiper with both ends live, stays a pot. A switch pole is either kept whole as a hub or taken
apart into contacts; which is better is for the layout to try.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from labkit.view.schematic.parts import GROUND, OPEN, PLAIN_TWO_PIN, DrawnCircuit, DrawnPart, PinKey

_OPEN_MARK = "\0"


def is_open(node: str) -> bool:
    """Say whether a node stands for an end that is connected to nothing."""
    return node.startswith(_OPEN_MARK)


def is_live(node: str) -> bool:
    """Say whether a node is neither ground nor an open end."""
    return node != GROUND and not is_open(node)


@dataclass(frozen=True, slots=True)
class Leaf:
    """One two-ended symbol from node ``a`` to node ``b``."""

    owner: str
    kind: str
    a: str
    b: str
    first: tuple[PinKey, ...]
    second: tuple[PinKey, ...]
    lines: tuple[str, ...]
    closed: bool = False
    is_tied: bool = False
    is_flipped: bool = False

    def reverse(self) -> Leaf:
        """Return the same symbol seen from its other end."""
        return replace(self, a=self.b, b=self.a, is_flipped=not self.is_flipped)

    @property
    def leaves(self) -> tuple[Leaf, ...]:
        """All symbols of the tree."""
        return (self,)


@dataclass(frozen=True, slots=True)
class Branches:
    """Trees in series (in order from ``a`` to ``b``) or in parallel (all from ``a`` to ``b``)."""

    how: str
    children: tuple[Tree, ...]
    a: str
    b: str

    def reverse(self) -> Branches:
        """Return the same branches seen from the other end."""
        turned = tuple(child.reverse() for child in self.children)
        return Branches(self.how, turned[::-1] if self.how == "series" else turned, self.b, self.a)

    @property
    def leaves(self) -> tuple[Leaf, ...]:
        """All symbols of the tree."""
        return tuple(leaf for child in self.children for leaf in child.leaves)


Tree = Leaf | Branches


def has_coil(tree: Tree) -> bool:
    """Say whether a tree holds a source."""
    return any(leaf.kind in ("coil", "reversed coil") for leaf in tree.leaves)


@dataclass(frozen=True, slots=True)
class Joint:
    """A part with three or more pins: a pot, a buffer (two pins, but directed), a shielded line, or a hub."""

    owner: str
    kind: str
    nodes: tuple[tuple[str, str], ...]
    """Pairs of pin name and node."""
    lines: tuple[str, ...]
    closed: tuple[bool, ...] = ()

    def node(self, pin: str) -> str:
        """Return the node of a pin."""
        return dict(self.nodes)[pin]


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A circuit ready for the layout."""

    trees: tuple[Tree, ...]
    joints: tuple[Joint, ...]
    outputs: tuple[DrawnPart, ...]
    open_pins: frozenset[PinKey]


def hub_candidates(circuit: DrawnCircuit) -> tuple[str, ...]:
    """Return the poles that may be drawn whole: at least two throws on different live nodes, common on another."""
    names = []
    for part in circuit.parts:
        if part.kind == "pole":
            common, throws = part.nodes[0], [node for node in part.nodes[1:] if node not in (GROUND, OPEN)]
            distinct = len(set(throws)) == len(throws) and common not in part.nodes[1:]
            if distinct and len(throws) >= 2 and common not in (GROUND, OPEN):
                names.append(part.name)
    return tuple(names)


def normalise(circuit: DrawnCircuit, hubs: frozenset[str] = frozenset()) -> Network:
    """Turn parts into trees and joints.

    Parameters
    ----------
    circuit : DrawnCircuit
    hubs : frozenset of str
        Poles that are drawn whole.
    """
    trees: list[Tree] = []
    joints: list[Joint] = []
    outputs: list[DrawnPart] = []
    open_pins: set[PinKey] = set()
    fresh = _fresh_open_nodes()
    uses = Counter(node for part in circuit.parts for node in part.nodes)
    for part in circuit.parts:
        nodes = tuple(next(fresh) if _leads_nowhere(node, uses) else node for node in part.nodes)
        keys = tuple((part.name, pin) for pin in part.pin_names)
        if part.kind in PLAIN_TWO_PIN:
            trees.append(
                Leaf(part.name, part.kind, nodes[0], nodes[1], keys[:1], keys[1:], part.lines, part.is_closed())
            )
        elif part.kind == "pot":
            open_pins |= _add_pot(part, nodes, keys, trees, joints)
        elif part.kind == "pole" and part.name not in hubs:
            if is_open(nodes[0]):  # the contacts still meet in the common
                nodes = (f"{part.name} common", *nodes[1:])
            trees.extend(_contacts(part, nodes))
        elif part.kind == "output":
            outputs.append(replace(part, nodes=nodes))
        else:
            closed = tuple(part.is_closed(index) for index in range(len(nodes) - 1)) if part.kind == "pole" else ()
            joints.append(Joint(part.name, part.kind, tuple(zip(part.pin_names, nodes)), part.lines, closed))
    return Network(trees=tuple(trees), joints=tuple(joints), outputs=tuple(outputs), open_pins=frozenset(open_pins))


def _leads_nowhere(node: str, uses: Counter[str]) -> bool:
    """A node that only one pin touches is an open end, whatever its name."""
    return node == OPEN or (node != GROUND and uses[node] == 1)


def _fresh_open_nodes() -> Iterator[str]:
    number = 0
    while True:
        yield f"{_OPEN_MARK}{number}"
        number += 1


def _add_pot(
    part: DrawnPart, nodes: tuple[str, ...], keys: tuple[PinKey, ...], trees: list[Tree], joints: list[Joint]
) -> set[PinKey]:
    """Add a pot as what it is in its place; return the open lug that a rheostat does not draw."""
    cw, wiper, ccw = nodes
    if is_open(wiper) and not is_open(cw) and not is_open(ccw):
        trees.append(Leaf(part.name, "resistor", cw, ccw, (keys[0],), (keys[2],), part.lines))
        return {keys[1]}
    for track, idle, track_key, idle_key in ((cw, ccw, keys[0], keys[2]), (ccw, cw, keys[2], keys[0])):
        if is_open(track) or is_open(wiper) or track == wiper:
            continue
        if is_open(idle):
            trees.append(Leaf(part.name, "rheostat", track, wiper, (track_key,), (keys[1],), part.lines))
            return {idle_key}
        if idle == wiper:
            tied = (keys[1], idle_key)
            trees.append(Leaf(part.name, "rheostat", track, wiper, (track_key,), tied, part.lines, is_tied=True))
            return set()
    joints.append(Joint(part.name, "pot", tuple(zip(part.pin_names, nodes)), part.lines))
    return set()


def _contacts(part: DrawnPart, nodes: tuple[str, ...]) -> Iterator[Leaf]:
    for index, node in enumerate(nodes[1:]):
        label = part.throw_labels[index] if part.throw_labels else f"{part.lines[0]} {index + 1}"
        yield Leaf(
            part.name,
            "contact",
            nodes[0],
            node,
            ((part.name, "common"),),
            ((part.name, f"throw {index + 1}"),),
            (label,),
            closed=part.is_closed(index),
        )
