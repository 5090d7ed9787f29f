"""Disjoint sets: what is joined to what, directly or through others."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import Generic, TypeVar

ItemT = TypeVar("ItemT", bound=Hashable)


class Joined(Generic[ItemT]):
    """Sets of items that are joined one by one; an item that was never joined is a set of its own.

    >>> nodes = Joined([("tip", "hot"), ("hot", "lug")])
    >>> nodes.same("tip", "lug"), nodes.same("tip", "ground"), nodes.join("lug", "tip")
    (True, False, False)
    """

    def __init__(self, pairs: Iterable[Iterable[ItemT]] = ()) -> None:
        self._above: dict[ItemT, ItemT] = {}
        for pair in pairs:
            self.join(*pair)

    def root(self, item: ItemT) -> ItemT:
        """Return the one item that stands for the set of an item: the first of the join that made it."""
        while item in self._above:
            item = self._above[item]
        return item

    def join(self, *items: ItemT) -> bool:
        """Make one set of those of several items, the first one's root on top; False if all were in one already."""
        first, *others = dict.fromkeys(map(self.root, items))
        self._above |= dict.fromkeys(others, first)
        return bool(others)

    def same(self, one: ItemT, other: ItemT) -> bool:
        """Say whether two items are joined."""
        return self.root(one) == self.root(other)
