"""Parts become trees (two ends) and joints (three or more pins), with nothing of the circuit lost.

A pot is a rheostat when one end of its track is open or tied to the wiper, and only then: a track tied top to
bottom, or a grounded wiper with both ends live, stays a pot. A switch pole is either kept whole as a hub or taken
apart into contacts; which is better is for the layout to try.

Then chains and bundles of two-ended parts become single trees. Ground, outputs and every pin of a joint stay nodes.
Coils are only put in series with coils, so that a tone branch or a series capacitor never swallows the pickup it hangs
on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
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
    throw_names: tuple[str, ...] = ()

    def node(self, pin: str) -> str:
        """Return the node of a pin."""
        return dict(self.nodes)[pin]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnNetwork:
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


def normalise(circuit: DrawnCircuit, hubs: frozenset[str] = frozenset()) -> DrawnNetwork:
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
            pins = tuple(zip(part.pin_names, nodes))
            joints.append(Joint(part.name, part.kind, pins, part.lines, closed, part.throw_names))
    return DrawnNetwork(
        trees=tuple(trees), joints=tuple(joints), outputs=tuple(outputs), open_pins=frozenset(open_pins)
    )


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


def reduced(network: DrawnNetwork) -> tuple[Tree, ...]:
    """Return the fewest trees that the rules of this module allow, in a stable order.

    Trees to ground come out with their live end first; parallel parts to ground come out one by one.
    """
    protected = {GROUND, *(part.nodes[0] for part in network.outputs)}
    protected |= {node for joint in network.joints for _, node in joint.nodes}
    trees = list(network.trees)
    while True:
        trees = _bundle(trees)
        shorter = _chain_once(trees, protected)
        if shorter is None:
            break
        trees = shorter
    return tuple(part for tree in trees for part in _shunts(_live_end_first(tree)))


def _live_end_first(tree: Tree) -> Tree:
    return tree.reverse() if is_live(tree.b) and not is_live(tree.a) else tree


def _shunts(tree: Tree) -> Iterable[Tree]:
    if isinstance(tree, Branches) and tree.how == "parallel" and tree.b == GROUND:
        return tree.children
    return (tree,)


def _bundle(trees: list[Tree]) -> list[Tree]:
    """Join trees between the same two nodes."""
    groups: dict[frozenset[str], list[Tree]] = {}
    for tree in trees:
        groups.setdefault(frozenset({tree.a, tree.b}), []).append(tree)
    result: list[Tree] = []
    for ends, members in groups.items():
        if len(members) == 1 or len(ends) == 1:
            result.extend(members)
            continue
        a, b = members[0].a, members[0].b
        children: list[Tree] = []
        for member in members:
            aligned = member if member.a == a else member.reverse()
            if isinstance(aligned, Branches) and aligned.how == "parallel":
                children.extend(aligned.children)
            else:
                children.append(aligned)
        result.append(Branches("parallel", tuple(children), a, b))
    return result


def _chain_once(trees: list[Tree], protected: set[str]) -> list[Tree] | None:
    """Join the first two trees that meet at an unprotected node of their own; None when there are none."""
    at: dict[str, list[int]] = {}
    for index, tree in enumerate(trees):
        for node in (tree.a, tree.b):
            at.setdefault(node, []).append(index)
    for node, places in at.items():
        if node in protected or not is_live(node) or len(places) != 2 or places[0] == places[1]:
            continue
        first, second = (trees[place] for place in places)
        if has_coil(first) != has_coil(second):
            continue
        left = first if first.b == node else first.reverse()
        right = second if second.a == node else second.reverse()
        children = (*_chain_members(left), *_chain_members(right))
        joined = Branches("series", children, left.a, right.b)
        kept = [tree for index, tree in enumerate(trees) if index not in places]
        kept.insert(min(places), joined)
        return kept
    return None


def _chain_members(tree: Tree) -> tuple[Tree, ...]:
    return tree.children if isinstance(tree, Branches) and tree.how == "series" else (tree,)
