"""Which nets stand in which row, and what joins them: a cover of the network by paths.

The first row, the trunk, is the best path from a source to the first output. Further rows end in a net or a pin of
a row above (a merge), start from one (a fork), or stand alone. What is left over hangs between the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from labkit.view.schematic.normalise import DrawnNetwork, Joint, Tree, has_coil, is_live

_LONGEST_SEARCH = 6000
"""Steps after which a path search settles for the best path so far; the trade's circuits need fewer than 500."""


@dataclass(frozen=True, slots=True)
class Link:
    """A step to the right within a row: a tree, or a joint entered and left by named pins."""

    item: Tree | Joint
    into: str
    in_pin: str = ""
    out_pin: str = ""

    @property
    def score(self) -> float:
        """Worth of passing here: a path prefers a pot's track and wiper to the treble bleed beside it."""
        if isinstance(self.item, Joint):
            return 1.3
        return 0.6 if has_coil(self.item) else 1.0


@dataclass(slots=True)
class Instance:
    """A net as it appears in one row; a proxy is a second appearance, to be joined to the first."""

    net: str
    is_proxy: bool = False


@dataclass(slots=True)
class LayoutRow:
    """Nets from left to right with the links between them; ``links[i]`` leads from instance i to i + 1."""

    instances: list[Instance]
    links: list[Link]
    children: list[int] = field(default_factory=list)


@dataclass(slots=True)
class RowPlan:
    """All rows, from the top, with the trees that hang between nets."""

    rows: list[LayoutRow]
    hanging: list[Tree]

    def primary(self, net: str) -> tuple[int, int] | None:
        """Return row and place of the appearance of ``net`` that is not a proxy."""
        for row_index, row in enumerate(self.rows):
            for place, instance in enumerate(row.instances):
                if instance.net == net and not instance.is_proxy:
                    return row_index, place
        return None


class _Cover:
    """The path cover while it is being made."""

    def __init__(self, network: DrawnNetwork, trees: tuple[Tree, ...]) -> None:
        self.network = network
        self.trees = trees
        self.rows: list[LayoutRow] = []
        self.parents: list[tuple[int, float] | None] = []
        self.placed: dict[str, int] = {}
        self.used: set[object] = set()
        self.sources = [tree.a for tree in trees if has_coil(tree) and not is_live(tree.b) and is_live(tree.a)]
        nets = [node for tree in trees for node in (tree.a, tree.b)]
        nets += [node for joint in network.joints for _, node in joint.nodes]
        nets += [part.nodes[0] for part in network.outputs]
        self.nets = [net for net in dict.fromkeys(nets) if is_live(net)]
        self.links = {net: list(self._links_from(net)) for net in self.nets}

    def _links_from(self, net: str) -> Iterator[Link]:
        for joint in self.network.joints:
            yield from _joint_links(joint, net)
        for tree in self.trees:
            if is_live(tree.a) and is_live(tree.b) and tree.a != tree.b:
                if tree.a == net:
                    yield Link(tree, tree.b)
                elif tree.b == net:
                    yield Link(tree.reverse(), tree.a)

    def is_free(self, link: Link) -> bool:
        return _identity(link.item) not in self.used

    def best_path(
        self, starts: list[str], ends_well: Callable[[str], float | None], barred: set[str], *, last_free: bool = False
    ) -> tuple[float, list[str], list[Link]] | None:
        """Search depth first for the path with the highest score whose last net is accepted by ``ends_well``.

        ``last_free`` lets the last step enter a barred net, which then ends the path.
        """
        best: tuple[float, list[str], list[Link]] | None = None
        steps = 0
        sources = set(self.sources)

        def visit(net: str, score: float, nets: list[str], links: list[Link]) -> None:
            nonlocal best, steps
            steps += 1
            bonus = ends_well(net)
            if bonus is not None and (best is None or score + bonus > best[0] + 1e-9):
                best = (score + bonus, list(nets), list(links))
            if steps > _LONGEST_SEARCH or (net in barred and links):
                return
            items = {_identity(link.item) for link in links}
            for link in self.links[net]:
                if link.into in nets or not self.is_free(link) or _identity(link.item) in items:
                    continue
                if link.into in barred and not last_free:
                    continue
                worth = link.score - (5.0 if link.into in sources and link.into not in barred else 0.0)
                visit(link.into, score + worth, [*nets, link.into], [*links, link])

        for start in starts:
            visit(start, 3.0 if start in sources else 0.0, [start], [])
        return best

    def add(self, nets: list[str], links: list[Link], parent: tuple[int, float] | None) -> int:
        """Add a row; nets that stand elsewhere already become proxies."""
        index = len(self.rows)
        instances = []
        for net in nets:
            instances.append(Instance(net, is_proxy=net in self.placed))
            if is_live(net) and net not in self.placed:
                self.placed[net] = index
        self.rows.append(LayoutRow(instances, links))
        self.parents.append(parent)
        self.used |= {_identity(link.item) for link in links}
        return index

    def unplaced(self) -> list[str]:
        return [net for net in self.nets if net not in self.placed]

    def position(self, net: str) -> tuple[int, float]:
        """Return row and place of a placed net."""
        row = self.placed[net]
        return row, next(i for i, instance in enumerate(self.rows[row].instances) if instance.net == net)


def _identity(item: Tree | Joint) -> object:
    """A key that is the same for a tree and its reverse: every symbol appears once."""
    return (item.owner,) if isinstance(item, Joint) else min((leaf.first, leaf.second) for leaf in item.leaves)


def _joint_links(joint: Joint, net: str) -> Iterator[Link]:
    nodes = dict(joint.nodes)
    if joint.kind == "pot":
        wiper = nodes["wiper"]
        pairs = [("cw", "wiper"), ("ccw", "wiper"), ("wiper", "cw"), ("wiper", "ccw")]
        if not is_live(wiper):
            pairs = [("cw", "ccw"), ("ccw", "cw")]
    elif joint.kind == "pole":
        pairs = [(pin, "common") for pin, _ in joint.nodes if pin != "common"]
    else:
        pairs = [("in", "out")]
    for start, stop in pairs:
        if nodes[start] == net and is_live(nodes[stop]) and nodes[stop] != net:
            yield Link(joint, nodes[stop], start, stop)


def planned(network: DrawnNetwork, trees: tuple[Tree, ...], *, extends: bool) -> RowPlan:
    """Cover the network by rows.

    Parameters
    ----------
    network : DrawnNetwork
    trees : tuple of Tree
        What `reduced` left.
    extends : bool
        Whether the trunk is lengthened to the left by nets that are tied to it more than once, which turns rows
        that would cross it into bridges over it. The layout tries both.
    """
    cover = _Cover(network, trees)
    _lay_trunk(cover, extends=extends)
    while True:
        if _merge_into_pin(cover) or _merge_into_net(cover) or _fork(cover) or _stand_alone(cover):
            continue
        break
    _place_left_over(cover)
    order = _order(cover)
    rows = [cover.rows[index] for index in order]
    return RowPlan(rows, [tree for tree in trees if _identity(tree) not in cover.used])


def _lay_trunk(cover: _Cover, *, extends: bool) -> None:
    goal = cover.network.outputs[0].nodes[0] if cover.network.outputs else None
    starts = list(dict.fromkeys(cover.sources)) or cover.nets
    path = cover.best_path(starts, lambda net: 0.0 if goal in (net, None) else None, set())
    if path is None and goal is not None and is_live(goal):
        path = (0.0, [goal], [])
    if path is None:
        return
    _, nets, links = path
    while extends:
        ties = [
            (sum(other.into in nets for other in cover.links[link.into]), link)
            for link in cover.links[nets[0]]
            if link.into not in nets and _identity(link.item) not in {_identity(used.item) for used in links}
        ]
        ties = [(count, link) for count, link in ties if count > 1]
        if not ties:
            break
        back = max(ties, key=lambda tie: tie[0])[1]
        forward = next(
            (
                link
                for link in cover.links[back.into]
                if _identity(link.item) == _identity(back.item) and link.into == nets[0]
            ),
            None,
        )
        if forward is None:
            break
        nets, links = [back.into, *nets], [forward, *links]
    cover.add(nets, links, None)


def _merge_into_pin(cover: _Cover) -> bool:
    """Give the first unplaced net on a free pin of a placed joint a row that ends there.

    The row starts at a source; failing that, at a net of the joint's row before the joint; failing that, it is the
    net alone.
    """
    for row_index, row in enumerate(cover.rows):
        for place, link in enumerate(row.links):
            if not isinstance(link.item, Joint) or link.item.kind not in ("pot", "pole"):
                continue
            for pin, net in link.item.nodes:
                if pin in (link.in_pin, link.out_pin) or not is_live(net) or net in cover.placed:
                    continue
                if link.item.kind == "pot" and pin == "wiper":
                    continue
                barred = set(cover.placed)
                free = [start for start in dict.fromkeys(cover.sources) if start not in barred]
                before = [instance.net for instance in row.instances[: place + 1] if is_live(instance.net)]
                for starts in (free, before, [net]):
                    path = cover.best_path(starts, _ends_at(net), barred)
                    if path is not None:
                        cover.add(path[1], path[2], (row_index, place + 0.5))
                        return True
    return False


def _ends_at(goal: str) -> Callable[[str], float | None]:
    return lambda net: 0.0 if net == goal else None


def _merge_into_net(cover: _Cover) -> bool:
    """Lead the best path from an unplaced source into any placed net."""
    barred = set(cover.placed)
    free = [start for start in dict.fromkeys(cover.sources) if start not in barred]
    path = cover.best_path(free, lambda net: 0.0 if net in barred else None, barred, last_free=True)
    if path is None:
        return False
    cover.add(path[1], path[2], cover.position(path[1][-1]))
    return True


def _fork(cover: _Cover) -> bool:
    """Lead the best path from a placed net into unplaced ones, to an output if there is one."""
    if not cover.unplaced():
        return False
    barred = set(cover.placed)
    ends = {part.nodes[0] for part in cover.network.outputs}
    path = cover.best_path(
        list(cover.placed), lambda net: None if net in barred else (3.0 if net in ends else 0.0), barred
    )
    if path is None:
        return False
    row, place = cover.position(path[1][0])
    cover.add(path[1], path[2], (row, 1000.0 - place))
    return True


def _stand_alone(cover: _Cover) -> bool:
    rest = cover.unplaced()
    if not rest:
        return False
    sources = [net for net in rest if net in cover.sources]
    path = cover.best_path(sources or rest, lambda net: 0.0, set(cover.placed))
    assert path is not None  # every start is an accepted end
    cover.add(path[1], path[2], None)
    return True


def _place_left_over(cover: _Cover) -> None:
    """Give rows to joints that no path passed, trees without a live end or with equal ends, outputs on nothing."""
    for joint in cover.network.joints:
        if _identity(joint) in cover.used:
            continue
        candidates = [
            Link(joint, stop_node, start, stop)
            for start, start_node in joint.nodes
            for stop, stop_node in joint.nodes
            if start != stop and _is_direction(joint, start, stop) and start_node != stop_node
        ] or [
            Link(joint, joint.node(stop), start, stop)
            for start, _ in joint.nodes
            for stop, _ in joint.nodes
            if start != stop and _is_direction(joint, start, stop)
        ]
        link = max(candidates, key=lambda link: is_live(link.into) + is_live(joint.node(link.in_pin)))
        cover.add([joint.node(link.in_pin), link.into], [link], None)
    for tree in cover.trees:
        if _identity(tree) not in cover.used and (tree.a == tree.b or not is_live(tree.a)):
            cover.add([tree.a, tree.b], [Link(tree, tree.b)], None)
    for part in cover.network.outputs:
        if not is_live(part.nodes[0]):
            cover.add([part.nodes[0]], [], None)


def _is_direction(joint: Joint, start: str, stop: str) -> bool:
    if joint.kind == "pot":
        return "wiper" in (start, stop)
    if joint.kind == "pole":
        return stop == "common"
    return (start, stop) == ("in", "out")


def _order(cover: _Cover) -> list[int]:
    """Return the rows from the top: merges by their place from the left, then forks from the right."""
    children: dict[int | None, list[tuple[float, int]]] = {}
    for index, parent in enumerate(cover.parents):
        children.setdefault(parent[0] if parent else None, []).append((parent[1] if parent else index, index))

    def walk(parent: int | None) -> Iterator[int]:
        for _, index in sorted(children.get(parent, [])):
            yield index
            yield from walk(index)

    return list(walk(None))
