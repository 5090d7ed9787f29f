"""Series–parallel reduction: chains and bundles of two-ended parts become single trees.

Ground, outputs and every pin of a joint stay nodes. Coils are only put in series with coils, so that a tone branch
or a series capacitor never swallows the pickup it hangs on.
"""

from __future__ import annotations

from collections.abc import Iterable

from labkit.view.schematic.normalise import Branches, Network, Tree, has_coil, is_live
from labkit.view.schematic.parts import GROUND


def reduced(network: Network) -> tuple[Tree, ...]:
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
