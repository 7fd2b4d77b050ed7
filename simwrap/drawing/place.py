"""Where the items of a drawing stand: rows and columns, found by exchange and annealing from a fixed seed.

The signal goes from left to right, rails are on top, what hangs on a rail stands in the first row, what leads to ground
hangs down. The cost is that of the wires that would be needed: their length, their bends, leaving a pin backwards, and
cells in the way.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field

from simwrap.drawing.items import Diagram, Item, Terminal
from simwrap.drawing.shapes import Shape, lean, shape, terminal_shape, turns_of

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
    _hanging: dict[tuple[int, int], tuple[bool, bool]] = field(default_factory=dict)

    def allowed(self, cell: Placed, row: int, column: int) -> bool:
        """Whether a cell may stand in a place."""
        if cell.terminal is not None:
            return column == (0 if cell.terminal.side == "left" else self.columns - 1)
        if not 0 < column < self.columns - 1:
            return False
        up, down = self._hangs(cell)
        return (not up or row == 0) and (not down or row == self.rows - 1)

    def _hangs(self, cell: Placed) -> tuple[bool, bool]:
        """Return whether a cell, as it is turned, hangs on a rail above, and on one below."""
        key = id(cell), cell.turn
        if key not in self._hanging:
            free = cell.item is None or cell.item.kind in ("valve", "transistor", "transformer", "box")
            ways = {cell.shape.pins[role].dy for role, net in cell.nets.items()
                    if not free and net in self.up | self.down and role in cell.shape.pins}  # fmt: skip
            self._hanging[key] = -1 in ways, 1 in ways
        return self._hanging[key]


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
    _scattered(sheet)
    _annealed(sheet, _Chance(seed))
    return sheet


def _scattered(sheet: Arrangement) -> None:
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


#: A pin's place about its cell's axis, and the way out of it, for every turn of the cell.
_Turns = tuple[tuple[int, int, int, int], ...]
#: A pin that is somewhere: row and column of its cell, its place in steps of wire, and the way out.
_Spot = tuple[int, int, int, int, int, int]


class _Chance:
    """Whole numbers below a bound; a seed gives the same ones on every Python."""

    def __init__(self, seed: int) -> None:
        self._source = random.Random(seed)

    def share(self) -> float:
        """Return a number from 0 to 1."""
        return self._source.random()

    def below(self, bound: int) -> int:
        """Return one of 0, 1, ... that is less than the bound."""
        bits = bound.bit_length()
        while (number := self._source.getrandbits(bits)) >= bound:
            pass
        return number


def _annealed(sheet: Arrangement, chance: _Chance) -> None:
    nets: dict[str, list[tuple[Placed, _Turns]]] = {}
    for cell in sheet.cells:
        for role, net in cell.nets.items():
            pins = (shape.pins[role] for shape in cell.shapes)
            nets.setdefault(net, []).append((cell, tuple((pin.x, pin.y, pin.dx, pin.dy) for pin in pins)))
    of = {id(cell): tuple(sorted(set(cell.nets.values()))) for cell in sheet.cells}
    valves = [cell for cell in sheet.cells if cell.item is not None and cell.item.kind in ("valve", "transistor")]
    headed = [cell for cell in sheet.cells if any(cell.heads)]
    costs = {net: _cost(sheet, net, pins) for net, pins in nets.items()} | {_ORDER: _disorder(headed, valves)}
    moves = _MOVES * len(sheet.cells)
    # Costs are whole numbers: sums of differences are exact.
    best, kept = (whole := sum(costs.values())), _state(sheet)
    for step in range(moves):
        change = _move(sheet, chance)
        if change is None:
            continue
        touched = of[id(change[0][0])] if len(change) == 1 else {net for cell, *_ in change for net in of[id(cell)]}
        new = {net: _cost(sheet, net, nets[net]) for net in touched}
        new[_ORDER] = _disorder(headed, valves)
        worse = sum(new.values()) - sum([costs[net] for net in new])
        if worse <= 0.0 or chance.share() < math.exp(-worse / (_HOT * (_COLD / _HOT) ** (step / moves))):
            costs |= new
            whole += worse
            if whole < best:
                best, kept = whole, _state(sheet)
        else:
            _put(sheet, change)
    _put(sheet, kept)


def _disorder(headed: list[Placed], valves: list[Placed]) -> float:
    """Return what valves cost that stand to the left of one before them, or above it; and parts on their heads."""
    heads = sum([cell.heads[cell.turn] for cell in headed])
    wrong = sum([(other.column, other.row) < (one.column, one.row) for one, other in itertools.pairwise(valves)])
    return _ON_ITS_HEAD * heads + _WRONG_ORDER * wrong


def _state(sheet: Arrangement) -> list[tuple[Placed, int, int, int]]:
    return [(cell, cell.row, cell.column, cell.turn) for cell in sheet.cells]


def _put(sheet: Arrangement, state: list[tuple[Placed, int, int, int]]) -> None:
    for cell, *_ in state:
        sheet.taken.pop((cell.row, cell.column), None)
    for cell, row, column, turn in state:
        cell.row, cell.column, cell.turn = row, column, turn
        sheet.taken[row, column] = cell


def _move(sheet: Arrangement, chance: _Chance) -> list[tuple[Placed, int, int, int]] | None:
    """Move one cell, or exchange two, or turn one; return how they stood, None where that isn't allowed."""
    cell = sheet.cells[chance.below(len(sheet.cells))]
    if len(cell.shapes) > 1 and chance.share() < 0.25:
        before = [(cell, cell.row, cell.column, cell.turn)]
        cell.turn = (cell.turn + 1 + chance.below(len(cell.shapes) - 1)) % len(cell.shapes)
        return before
    row = chance.below(sheet.rows)
    column = cell.column if cell.terminal is not None else 1 + chance.below(sheet.columns - 2)
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


def _cost(sheet: Arrangement, net: str, pins: list[tuple[Placed, _Turns]]) -> float:
    """Return what the wires of a net would cost."""
    # A lying part's pins are near its axis while it is only estimated, so that columns line up.
    spots: list[_Spot] = [
        (cell.row, cell.column, cell.column * _PITCH_X + x, cell.row * _PITCH_Y + y, dx, dy)
        for cell, turns in pins
        for x, y, dx, dy in (turns[cell.turn],)
    ]
    whole = 0.0
    if net in sheet.up or net in sheet.down:
        up = net in sheet.up
        edge, away = (0, -1) if up else ((sheet.rows - 1) * _PITCH_Y, 1)
        for row, column, _, y, _, dy in spots:
            between = range(row) if up else range(row + 1, sheet.rows)
            whole += abs(y - edge) + (_BACKWARDS if dy != away else 0.0)
            whole += _IN_THE_WAY * sum([(other, column) in sheet.taken for other in between])
        return whole
    # A minimal tree over the pins.
    taken = sheet.taken
    last, *left = spots
    costs = [_wire(taken, last, other) for other in left]
    while left:
        least = min(costs)
        number = costs.index(least)
        whole += least
        del costs[number]
        last = left.pop(number)
        for place, other in enumerate(left):
            cost = _wire(taken, last, other)
            if cost < costs[place]:
                costs[place] = cost
    return whole


def _wire(taken: Mapping[tuple[int, int], Placed], one: _Spot, other: _Spot) -> float:
    """Return what a wire between two pins would cost."""
    (row, column, x, y, out_x, out_y), (to_row, to_column, to_x, to_y, to_out_x, to_out_y) = one, other
    dx, dy = to_x - x, to_y - y
    cost = abs(dx) + abs(dy) + (_BEND if dx and dy else 0.0)
    if dx * out_x + dy * out_y < 0:
        cost += _BACKWARDS
    if dx * to_out_x + dy * to_out_y > 0:
        cost += _BACKWARDS
    # Each cell on the straight way between the two.
    if column == to_column:
        first, last = (row, to_row) if row < to_row else (to_row, row)
        for between in range(first + 1, last):
            if (between, column) in taken:
                cost += _IN_THE_WAY
    elif row == to_row:
        first, last = (column, to_column) if column < to_column else (to_column, column)
        for between in range(first + 1, last):
            if (row, between) in taken:
                cost += _IN_THE_WAY
    return cost


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
