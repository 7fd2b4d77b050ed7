"""Nodes in groups that are joined one by one."""

from __future__ import annotations

#: The node that everything is measured to.
GROUND = "0"


class Groups:
    """Nodes in groups; ground's name wins."""

    def __init__(self) -> None:
        self._above: dict[str, str] = {}

    def of(self, node: str) -> str:
        """Return the name of a node's group."""
        while (above := self._above.get(node, node)) != node:
            self._above[node] = self._above.get(above, above)
            node = above
        return node

    def join(self, one: str, other: str) -> bool:
        """Make one group of two; return whether they were two."""
        first, second = sorted((self.of(one), self.of(other)), key=lambda name: (name != GROUND, name))
        self._above[second] = first
        return first != second


__all__ = ["GROUND", "Groups"]
