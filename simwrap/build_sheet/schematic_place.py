"""Where the items of a drawing stand: rows and columns, found by exchange and annealing from a fixed seed.

The signal goes from left to right, rails are on top, what hangs on a rail stands in the first row, what leads to ground
hangs down. The cost is that of the wires that would be needed: their length, their bends, leaving a pin backwards, and
cells in the way.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

from simwrap.build_sheet.schematic_items import Diagram, Item, Terminal
from simwrap.build_sheet.schematic_shapes import Pin, Shape, lean, shape, terminal_shape, turns_of

#: Distance of columns and rows while wires are only estimated, in steps of the grid.
_PITCH_X, _PITCH_Y = 16, 12
#: What a bend, a wrong direction and a cell in the way cost, in steps of wire.
_BEND, _BACKWARDS, _IN_THE_WAY = 5.0, 10.0, 14.0
#: What a valve before the one that it follows costs, and a part upside down; the name of that beside those of nets.
_WRONG_ORDER, _ON_ITS_HEAD, _ORDER = 30.0, 15.0, "order of the valves"
#: Temperatures between which it is annealed, and moves for each item.
_HOT, _COLD, _MOVES = 25.0, 0.4, 260


@dataclass
class Placed:
    """An item or a terminal on the drawing.

    Attributes
    ----------
    name : str
    item, terminal : Item or Terminal or None
    shapes : list of Shape
        One an orientation.
    nets : dict of str to str
        Net by role of each pin.
    row, column, turn : int
        Where it stands, and which of its shapes it has.
    heads : tuple of bool
        Which of its shapes stands on its head, the higher voltage below.
    x, y : int
        Its axis, once rows and columns have their sizes.
    """

    name: str
    shapes: list[Shape]
    nets: dict[str, str]
    item: Item | None = None
    terminal: Terminal | None = None
    row: int = 0
    column: int = 0
    turn: int = 0
    heads: tuple[bool, ...] = ()
    x: int = 0
    y: int = 0

    @property
    def shape(self) -> Shape:
        """Its shape as it stands."""
        return self.shapes[self.turn]

    def pin(self, role: str) -> tuple[int, int]:
        """Return where a pin is."""
        pin = self.shape.pins[role]
        return self.x + pin.x, self.y + pin.y


@dataclass
class Arrangement:
    """The grid of cells: who stands where, and who may."""

    cells: list[Placed]
    rows: int
    columns: int
    up: frozenset[str]
    down: frozenset[str]
    taken: dict[tuple[int, int], Placed] = field(default_factory=dict)

    def allowed(self, cell: Placed, row: int, column: int) -> bool:
        """Whether a cell may stand in a place."""
        if cell.terminal is not None:
            return column == (0 if cell.terminal.side == "left" else self.columns - 1)
        if not 0 < column < self.columns - 1:
            return False
        hangs = {cell.shape.pins[role].dy for role, net in cell.nets.items()
                 if net in self.up | self.down and cell.item and cell.item.kind not in ("valve", "transformer", "box")
                 and role in cell.shape.pins}  # fmt: skip
        return (-1 not in hangs or row == 0) and (1 not in hangs or row == self.rows - 1)


def cells_of(diagram: Diagram) -> tuple[list[Placed], frozenset[str], frozenset[str]]:
    """Return what has to be placed, and the nets of the rails above and below."""
    rails = [terminal.net for terminal in diagram.terminals if terminal.side == "rail"]
    down = frozenset(net for net in rails if diagram.volts.get(net, 0.0) < 0.0)
    up = frozenset(rails) - down
    cells = []
    for item in diagram.items:
        turns = turns_of(item, up, down)
        shapes = [shape(item, turn, diagram.volts) for turn in turns]
        nets = {role: net for role, net in item.pins.items() if net != "0"}
        heads = tuple(lean(item, turn, diagram.volts) for turn in turns)
        cells.append(Placed(item.path, shapes, nets, item=item, heads=heads))
    for number, terminal in enumerate(each for each in diagram.terminals if each.side != "rail"):
        made = terminal_shape(terminal, diagram.volts)
        cells.append(Placed(f"terminal {number}", [made], {"end": terminal.net}, terminal=terminal))
    return cells, up, down


def placed(diagram: Diagram, seed: int) -> Arrangement:
    """Return a drawing's cells in rows and columns; another seed gives another arrangement."""
    cells, up, down = cells_of(diagram)
    inner = sum(cell.item is not None for cell in cells)
    ends = max((sum(cell.terminal is not None and cell.terminal.side == side for cell in cells)
                for side in ("left", "right")), default=1)  # fmt: skip
    rows = max(3 if inner < 8 else 5, ends)
    columns = 2 + max(2, min(9, math.ceil(inner / 2.2)))
    sheet = Arrangement(cells, rows, columns, up, down)
    chance = random.Random(seed)
    _scattered(sheet, chance)
    _annealed(sheet, chance)
    return sheet


def _scattered(sheet: Arrangement, chance: random.Random) -> None:
    """Put each cell on a place where it may stand, in its order from left to right."""
    for number, cell in enumerate(sheet.cells):
        places = [(row, column) for row in range(sheet.rows) for column in range(sheet.columns)
                  if (row, column) not in sheet.taken and sheet.allowed(cell, row, column)]  # fmt: skip
        if not places:  # the first row is full: one more column
            sheet.columns += 1
            for other in sheet.cells:
                if other.terminal is not None and other.terminal.side == "right" and other.column:
                    sheet.taken.pop((other.row, other.column), None)
                    other.column = sheet.columns - 1
                    sheet.taken[other.row, other.column] = other
            places = [(row, sheet.columns - 2) for row in range(sheet.rows)
                      if (row, sheet.columns - 2) not in sheet.taken
                      and sheet.allowed(cell, row, sheet.columns - 2)]  # fmt: skip
        aim = 1 + number * (sheet.columns - 2) / len(sheet.cells)
        cell.row, cell.column = min(places, key=lambda spot: (abs(spot[1] - aim), abs(spot[0] - sheet.rows / 2)))
        sheet.taken[cell.row, cell.column] = cell


def _annealed(sheet: Arrangement, chance: random.Random) -> None:
    nets: dict[str, list[tuple[Placed, str]]] = {}
    for cell in sheet.cells:
        for role, net in cell.nets.items():
            nets.setdefault(net, []).append((cell, role))
    of = {id(cell): sorted(set(cell.nets.values())) for cell in sheet.cells}
    valves = [cell for cell in sheet.cells if cell.item is not None and cell.item.kind == "valve"]
    costs = {net: _cost(sheet, net, pins) for net, pins in nets.items()} | {_ORDER: _disorder(sheet, valves)}
    moves = _MOVES * len(sheet.cells)
    best, kept = sum(costs.values()), _state(sheet)
    for step in range(moves):
        heat = _HOT * (_COLD / _HOT) ** (step / moves)
        change = _move(sheet, chance)
        if change is None:
            continue
        touched = {net for cell, *_ in change for net in of[id(cell)]}
        new = {net: _cost(sheet, net, nets[net]) for net in touched} | {_ORDER: _disorder(sheet, valves)}
        worse = sum(new.values()) - sum(costs[net] for net in new)
        if worse <= 0.0 or chance.random() < math.exp(-worse / heat):
            costs |= new
            if (whole := sum(costs.values())) < best:
                best, kept = whole, _state(sheet)
        else:
            _put(sheet, change)
    _put(sheet, kept)


def _disorder(sheet: Arrangement, valves: list[Placed]) -> float:
    """Return what valves cost that stand to the left of one before them, or above it; and parts on their heads."""
    heads = sum(cell.heads[cell.turn] for cell in sheet.cells if cell.heads)
    return _ON_ITS_HEAD * heads + _WRONG_ORDER * sum((other.column, other.row) < (one.column, one.row)
                              for one, other in itertools.pairwise(valves))  # fmt: skip


def _state(sheet: Arrangement) -> list[tuple[Placed, int, int, int]]:
    return [(cell, cell.row, cell.column, cell.turn) for cell in sheet.cells]


def _put(sheet: Arrangement, state: list[tuple[Placed, int, int, int]]) -> None:
    for cell, *_ in state:
        sheet.taken.pop((cell.row, cell.column), None)
    for cell, row, column, turn in state:
        cell.row, cell.column, cell.turn = row, column, turn
        sheet.taken[row, column] = cell


def _move(sheet: Arrangement, chance: random.Random) -> list[tuple[Placed, int, int, int]] | None:
    """Move one cell, or exchange two, or turn one; return how they stood, None where that isn't allowed."""
    cell = chance.choice(sheet.cells)
    if len(cell.shapes) > 1 and chance.random() < 0.25:
        before = [(cell, cell.row, cell.column, cell.turn)]
        cell.turn = (cell.turn + chance.randrange(1, len(cell.shapes))) % len(cell.shapes)
        return before
    row = chance.randrange(sheet.rows)
    column = cell.column if cell.terminal is not None else chance.randrange(1, sheet.columns - 1)
    if (row, column) == (cell.row, cell.column) or not sheet.allowed(cell, row, column):
        return None
    other = sheet.taken.get((row, column))
    if other is None:
        before = [(cell, cell.row, cell.column, cell.turn)]
        _put(sheet, [(cell, row, column, cell.turn)])
        return before
    if not sheet.allowed(other, cell.row, cell.column):
        return None
    before = [(cell, cell.row, cell.column, cell.turn), (other, row, column, other.turn)]
    _put(sheet, [(cell, row, column, cell.turn), (other, cell.row, cell.column, other.turn)])
    return before


def _spot(cell: Placed, role: str) -> tuple[int, int, Pin]:
    pin = cell.shape.pins[role]
    # A lying part's pins are near its axis while it is only estimated, so that columns line up.
    return cell.column * _PITCH_X + pin.x, cell.row * _PITCH_Y + pin.y, pin


def _cost(sheet: Arrangement, net: str, pins: list[tuple[Placed, str]]) -> float:
    """Return what the wires of a net would cost."""
    spots = [(cell, *_spot(cell, role)) for cell, role in pins]
    if net in sheet.up or net in sheet.down:
        up = net in sheet.up
        edge = 0 if up else (sheet.rows - 1)
        whole = 0.0
        for cell, _, y, pin in spots:
            between = range(cell.row) if up else range(cell.row + 1, sheet.rows)
            whole += abs(y - edge * _PITCH_Y) + (_BACKWARDS if pin.dy != (-1 if up else 1) else 0.0)
            whole += _IN_THE_WAY * sum((row, cell.column) in sheet.taken for row in between)
        return whole
    if len(spots) < 2:
        return 0.0
    # A minimal tree over the pins.
    joined, left = [spots[0]], spots[1:]
    whole = 0.0
    while left:
        cost, new = min(
            ((_wire(sheet, one, other), number) for number, other in enumerate(left) for one in joined),
            key=lambda pair: pair[0],
        )
        whole += cost
        joined.append(left.pop(new))
    return whole


def _wire(sheet: Arrangement, one: tuple[Placed, int, int, Pin], other: tuple[Placed, int, int, Pin]) -> float:
    (cell, x, y, pin), (far, to_x, to_y, to_pin) = one, other
    dx, dy = to_x - x, to_y - y
    cost = abs(dx) + abs(dy) + (_BEND if dx and dy else 0.0)
    if dx * pin.dx + dy * pin.dy < 0:
        cost += _BACKWARDS
    if -dx * to_pin.dx - dy * to_pin.dy < 0:
        cost += _BACKWARDS
    return cost + _IN_THE_WAY * sum(_between(sheet, cell, far))


def _between(sheet: Arrangement, one: Placed, other: Placed) -> Iterator[bool]:
    """Yield for each cell on the straight way between two whether it is taken."""
    if one.column == other.column:
        for row in range(min(one.row, other.row) + 1, max(one.row, other.row)):
            yield (row, one.column) in sheet.taken
    elif one.row == other.row:
        for column in range(min(one.column, other.column) + 1, max(one.column, other.column)):
            yield (one.row, column) in sheet.taken


def measured(sheet: Arrangement, gap: int) -> tuple[int, int]:
    """Give rows and columns their sizes, and every cell its axis; return the size of the whole."""
    for cell in sheet.cells:
        cell.x = cell.y = 0
    widths = _sizes([(cell.column, cell.shape.box[0], cell.shape.box[2]) for cell in sheet.cells], gap)
    heights = _sizes([(cell.row, cell.shape.box[1], cell.shape.box[3]) for cell in sheet.cells], gap)
    for cell in sheet.cells:
        cell.x, cell.y = widths[cell.column][0], heights[cell.row][0]
    return max(end for _, end in widths.values()), max(end for _, end in heights.values())


def _sizes(extents: list[tuple[int, int, int]], gap: int) -> dict[int, tuple[int, int]]:
    """Return axis and end of each row or column that holds something."""
    found: dict[int, tuple[int, int]] = {}
    place = 0
    for line, group in itertools.groupby(sorted(extents), key=lambda extent: extent[0]):
        members = list(group)
        axis = place + gap - min(low for _, low, _ in members)
        place = axis + max(high for *_, high in members)
        found[line] = axis, place
    return found
