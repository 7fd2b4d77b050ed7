"""The whole layout of a drawing: the best of several arrangements, with rails, wires, labels and ground symbols."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from simwrap.drawing.items import Diagram
from simwrap.drawing.place import Arrangement, Placed, measured, placed
from simwrap.drawing.route import Board, Direction, NoWay, Spot
from simwrap.drawing.shapes import LETTER, Label, volts

#: Arrangements that are tried, gaps between boxes from narrow to wide, and the distance of rails.
SEEDS, GAPS, RAIL = 4, (3, 5, 8, 12), 4
#: What a step of the drawing's outline costs, in steps of wire: a small drawing is easier to read.
_OUTLINE = 0.5


@dataclass
class Layout:
    """A drawing with every place known.

    Attributes
    ----------
    diagram : Diagram
    cells : list of Placed
    board : Board
        With the wires of every net.
    rails : list of (Label, Spot, Spot)
        Their labels, with the axis at (0, 0), and their ends.
    """

    diagram: Diagram
    cells: list[Placed]
    board: Board
    rails: list[tuple[Label, Spot, Spot]]

    def labels(self) -> Iterator[tuple[Label, float, float]]:
        """Yield every label with the axis that it stands by."""
        for cell in self.cells:
            yield from ((label, cell.x, cell.y) for label in cell.shape.labels)
        yield from ((label, 0.0, 0.0) for label, *_ in self.rails)

    def crossings(self) -> list[Spot]:
        """Return where two nets cross."""
        return sorted(spot for spot, (net, _) in self.board.taken.items() if not net)


def laid_out(diagram: Diagram, *, seeds: int = SEEDS) -> Layout:
    """Lay out a drawing: always the same for the same diagram.

    Raises
    ------
    NoWay
        If no arrangement can be wired, which a gap that is wide enough for every wire rules out in practice.
    """
    best: tuple[float, Layout] | None = None
    for seed in range(seeds):
        try:
            cost, layout = _wired(diagram, placed(diagram, seed), math.inf if best is None else best[0])
        except NoWay:
            continue
        if best is None or cost < best[0]:
            best = cost, layout
    if best is None:
        raise NoWay(diagram.name)
    return best[1]


def _wired(diagram: Diagram, sheet: Arrangement, most: float) -> tuple[float, Layout]:
    """Return the cheapest wiring of an arrangement: the narrowest gap with which there is one.

    Raises
    ------
    NoWay
        If there is none that costs no more than ``most``.
    """
    for gap in GAPS:
        try:
            return _with_gap(diagram, sheet, gap, most)
        except NoWay:
            continue
    raise NoWay(diagram.name)


def _with_gap(diagram: Diagram, sheet: Arrangement, gap: int, most: float) -> tuple[float, Layout]:
    width, height = measured(sheet, gap)
    head = RAIL * len(sheet.up) + 2
    for cell in sheet.cells:
        cell.y += head
    foot = height + head + RAIL * len(sheet.down) + 2
    rails = list(_rails(diagram, sheet, head, height + head + 2))
    width = max([width + gap, *(int(label.box()[2]) + 2 for label, *_ in rails)])
    blocked = {spot for cell in sheet.cells for spot in _inside(cell)}
    blocked |= {spot for label, *_ in rails for spot in _around(label)}
    board = Board(width, foot, blocked)
    for net, (_, start, end) in zip(_ordered(diagram, sheet), rails, strict=True):
        board.straight(net, [(x, start[1]) for x in range(start[0], end[0] + 1)])
    pins: dict[str, list[tuple[Spot, Direction]]] = {}
    for cell in sheet.cells:
        for role, net in cell.nets.items():
            pin = cell.shape.pins[role]
            pins.setdefault(net, []).append((cell.pin(role), (pin.dx, pin.dy)))
    board.doors = {(x + dx, y + dy): (net, (dx, dy)) for net, each in pins.items() for (x, y), (dx, dy) in each}
    whole = 0.0
    for net in sorted(pins, key=lambda name: (name not in board.nets, _span(pins[name]))):
        whole += board.connect(net, pins[net])
        if whole > most:
            raise NoWay(diagram.name)
    rails = [(label, start, _trimmed(board, net, start, end))
             for net, (label, start, end) in zip(_ordered(diagram, sheet), rails, strict=True)]  # fmt: skip
    layout = Layout(diagram, [replace(cell) for cell in sheet.cells], board, rails)
    return whole + _OUTLINE * (width + foot) + 10 * (len(layout.crossings())), layout


def _trimmed(board: Board, net: str, start: Spot, end: Spot) -> Spot:
    """Take away what of a rail lies beyond the last wire that leaves it; return its end."""
    wires = board.nets[net]
    x, y = end
    while x > start[0] + 1 and wires.spots().get((x, y)) == {(-1, 0)}:
        wires.pieces.discard(((x - 1, y), (x, y)))
        board.taken.pop((x, y), None)
        x -= 1
    return x, y


def _span(pins: list[tuple[Spot, Direction]]) -> int:
    spots = [spot for spot, _ in pins]
    return sum(max(axis) - min(axis) for axis in zip(*spots, strict=True))


def _ordered(diagram: Diagram, sheet: Arrangement) -> Iterator[str]:
    """Yield the nets of the rails, from the one next to the parts on."""
    rails = [terminal.net for terminal in diagram.terminals if terminal.side == "rail"]
    count = {net: sum(net in cell.nets.values() for cell in sheet.cells) for net in rails}
    yield from sorted((net for net in rails if net in sheet.up), key=lambda net: count[net])
    yield from (net for net in rails if net in sheet.down)


def _rails(diagram: Diagram, sheet: Arrangement, head: int, foot: int) -> Iterator[tuple[Label, Spot, Spot]]:
    """Yield each rail: its label, and its ends above (or below) what hangs on it."""
    words = {terminal.net: terminal.text for terminal in diagram.terminals if terminal.side == "rail"}
    above, below = head - 1, foot
    for net in _ordered(diagram, sheet):
        spots = [cell.pin(role)[0] + (3 * cell.shape.pins[role].dx) for cell in sheet.cells
                 for role, each in cell.nets.items() if each == net and role in cell.shape.pins]  # fmt: skip
        up = net in sheet.up
        y = above if up else below
        above, below = (above - RAIL, below) if up else (above, below + RAIL)
        text = " ".join([words[net][0], volts(diagram.volts.get(net)), *words[net][1:]]).replace("  ", " ")
        start, end = max(1, min(spots, default=2) - 2), max(spots, default=6)
        end = max(end, start + 4)
        yield Label(text, float(start), y - 1.2 if up else y + 1.2), (start, y), (end, y)


def _inside(cell: Placed) -> Iterator[Spot]:
    left, top, right, bottom = cell.shape.box
    for x in range(cell.x + left, cell.x + right + 1):
        for y in range(cell.y + top, cell.y + bottom + 1):
            yield x, y


def _around(label: Label) -> Iterator[Spot]:
    left, top, right, bottom = label.box()
    for x in range(int(left), int(right) + 1):
        for y in range(int(top + 0.99), int(bottom) + 1):
            yield x, y


__all__ = ["LETTER", "Layout", "laid_out"]
