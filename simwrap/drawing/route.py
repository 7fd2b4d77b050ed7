"""The wires of a drawing: shortest ways on the grid around boxes, with few bends and few crossings.

A wire may cross another one at a right angle; it never runs along one, and never touches one where that bends, ends
or branches.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass, field

Spot = tuple[int, int]
Direction = tuple[int, int]

#: What a bend and a crossing cost, in steps.
_BEND, _CROSSING = 4, 9
_STEPS: tuple[Direction, ...] = ((1, 0), (0, 1), (-1, 0), (0, -1))


class NoWay(Exception):
    """There is no way between two pins with as little room as there is."""


@dataclass
class Wires:
    """The wires of one net: pieces from spot to spot, each one step long.

    Attributes
    ----------
    pieces : set of (Spot, Spot)
        Ends in rising order.
    """

    pieces: set[tuple[Spot, Spot]] = field(default_factory=set)

    def spots(self) -> dict[Spot, set[Direction]]:
        """Return the directions in which wires leave each spot."""
        found: dict[Spot, set[Direction]] = {}
        for (x, y), (to_x, to_y) in self.pieces:
            step = to_x - x, to_y - y
            found.setdefault((x, y), set()).add(step)
            found.setdefault((to_x, to_y), set()).add((-step[0], -step[1]))
        return found

    def add(self, spots: list[Spot]) -> None:
        """Add a way."""
        self.pieces |= {(min(pair), max(pair)) for pair in itertools.pairwise(spots)}

    def lines(self) -> list[tuple[Spot, Spot]]:
        """Return the wires as straight lines, each as long as it can be."""
        found: list[tuple[Spot, Spot]] = []
        for axis in (0, 1):
            pieces = sorted((piece for piece in self.pieces if piece[0][1 - axis] == piece[1][1 - axis]),
                            key=lambda piece: (piece[0][1 - axis], piece[0][axis]))  # fmt: skip
            for piece in pieces:
                if found and found[-1][1] == piece[0] and found[-1][0][1 - axis] == piece[0][1 - axis]:
                    found[-1] = found[-1][0], piece[1]
                else:
                    found.append(piece)
        return found

    def dots(self) -> list[Spot]:
        """Return where three wires or more meet."""
        return sorted(spot for spot, steps in self.spots().items() if len(steps) > 2)


@dataclass
class Board:
    """The grid with what is in the way.

    Attributes
    ----------
    width, height : int
    blocked : set of Spot
        Inside of boxes.
    nets : dict of str to Wires
    doors : dict of Spot to (str, Direction)
        The spot in front of each pin, with its net and the pin's direction: no other net bends there, or it would shut
        the pin in.
    """

    width: int
    height: int
    blocked: set[Spot]
    nets: dict[str, Wires] = field(default_factory=dict)
    doors: dict[Spot, tuple[str, Direction]] = field(default_factory=dict)
    #: Whose wires lie on a spot, and the directions in which they leave it.
    taken: dict[Spot, tuple[str, set[Direction]]] = field(default_factory=dict)

    def straight(self, net: str, spots: list[Spot]) -> None:
        """Lay a wire that is given, such as a rail."""
        self._lay(net, spots)

    def connect(self, net: str, pins: list[tuple[Spot, Direction]]) -> int:
        """Lay wires to every pin of a net, nearest first; return what they cost.

        Raises
        ------
        NoWay
        """
        left = list(pins)
        whole = 0
        if net not in self.nets:
            start = left.pop(0)
            self.nets[net] = Wires()
            lone = {start[0]: start[1]}
        else:
            lone = {}
        while left:
            left.sort(key=lambda pin: self._far(net, pin[0], lone))
            pin = left.pop(0)
            cost, spots = self._way(net, pin, lone)
            whole += cost
            self._lay(net, spots)
            lone = {}
        return whole

    def _far(self, net: str, spot: Spot, lone: dict[Spot, Direction]) -> int:
        targets = [*self.nets[net].spots(), *lone]
        return min(abs(x - spot[0]) + abs(y - spot[1]) for x, y in targets)

    def _lay(self, net: str, spots: list[Spot]) -> None:
        wires = self.nets.setdefault(net, Wires())
        wires.add(spots)
        own = wires.spots()
        for spot in spots:
            other = self.taken.get(spot)
            if other is None or other[0] == net:
                self.taken[spot] = net, own[spot]
            else:  # a crossing: closed for others
                self.taken[spot] = "", set()

    def _way(self, net: str, pin: tuple[Spot, Direction], lone: dict[Spot, Direction]) -> tuple[int, list[Spot]]:
        """Return cost and spots of the cheapest way from a pin to what the net already has."""
        start, out = pin
        own = self.nets[net].spots()
        if start in own:
            return 0, [start]
        goals = {spot for spot in own if self.taken.get(spot, ("", set()))[0] == net} | set(lone)
        # No way is shorter than that to the box around the goals.
        (left, right), (top, bottom) = ((min(axis), max(axis)) for axis in zip(*goals, strict=True))

        def ahead(x: int, y: int) -> int:
            return int(max(left - x, 0, x - right) + max(top - y, 0, y - bottom))

        heap: list[tuple[int, int, Spot, Direction]] = [(ahead(*start), 0, start, out)]
        cost_at: dict[tuple[Spot, Direction], int] = {(start, out): 0}
        back: dict[tuple[Spot, Direction], tuple[Spot, Direction]] = {}
        order = itertools.count(1)
        while heap:
            foreseen, _, spot, heading = heapq.heappop(heap)
            cost = cost_at[spot, heading]
            if foreseen > cost + ahead(*spot):
                continue
            if spot in goals and spot != start:
                return cost, _walked(back, (spot, heading))
            for step in _STEPS:
                if step == (-heading[0], -heading[1]) or (spot == start and step != out):
                    continue
                crossing = self.taken.get(spot)
                door = self.doors.get(spot)
                if step != heading and ((crossing is not None and crossing[0] != net) or (door and door[0] != net)):
                    continue  # no bend on another net's wire, or before its pin
                to = spot[0] + step[0], spot[1] + step[1]
                extra = self._enter(net, to, step, goals, lone)
                if extra is None:
                    continue
                new = cost + 1 + extra + (_BEND if step != heading else 0)
                if new < cost_at.get((to, step), 1 << 30):
                    cost_at[to, step] = new
                    back[to, step] = spot, heading
                    heapq.heappush(heap, (new + ahead(*to), next(order), to, step))
        raise NoWay(net)

    def _enter(self, net: str, to: Spot, step: Direction, goals: set[Spot], lone: dict[Spot, Direction]) -> int | None:
        """Return what it costs more to come to a spot in one direction, None where that can't be."""
        if to in lone:
            return 0 if step == (-lone[to][0], -lone[to][1]) else None
        if not (0 <= to[0] <= self.width and 0 <= to[1] <= self.height) or (to in self.blocked and to not in goals):
            return None
        door = self.doors.get(to)
        if door and door[0] != net and step[0] * door[1][0] + step[1] * door[1][1]:
            return None
        there = self.taken.get(to)
        if there is None:
            return 0
        other, steps = there
        if other == net:
            # Coming to a pin's own spot from its box would draw over the part.
            return 0 if to in goals and (-step[0], -step[1]) not in steps else None
        across = {(step[1], step[0]), (-step[1], -step[0])}
        return _CROSSING if other and steps == across else None


def _walked(back: dict[tuple[Spot, Direction], tuple[Spot, Direction]], end: tuple[Spot, Direction]) -> list[Spot]:
    spots = [end[0]]
    while end in back:
        end = back[end]
        spots.append(end[0])
    return spots
