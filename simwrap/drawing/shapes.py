"""The room that each item takes on a drawing: its pins, its labels, and the box around both.

Everything lies on a grid whose step is a little less than the height of a letter. x runs to the right, y downwards, and
an item's axis is at (0, 0). Pins lie on the edge of the box and are left in the direction that they point in; no wire
and no other label comes into the box, so that labels can't cross anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from simwrap.drawing.items import Item, Terminal
from simwrap.units.quantity import render as written

Anchor = Literal["start", "middle", "end"]

#: Width of a letter and height of a line in steps of the grid, on the safe side for a sans-serif font.
LETTER, LINE = 0.78, 1.6
#: Half the length of a two-terminal part with its leads, and how far a ground symbol reaches below a pin.
ARM, GROUND = 4, 2
#: Radius of a valve's envelope, and how far its side pins stand off.
ENVELOPE, STAND_OFF = 3.4, 9
#: Distance of the ends of a winding.
TURN = 4
#: Lines that describe a transformer on the drawing; the parts list has the others.
MOST_LINES = 3
#: How far from its axis the text of a part stands, where its symbol is wider than a resistor.
_ASIDE = {"variable": 3.4, "current": 2.8, "voltage": 2.8, "controlled": 2.8}
#: Voltages below this are shown as none [V].
_NOTHING = 1e-3


@dataclass(frozen=True)
class Label:
    """A line of text: where it starts, is centred, or ends, at half its height."""

    text: str
    x: float
    y: float
    anchor: Anchor = "start"

    @property
    def width(self) -> float:
        """How wide it may be."""
        return LETTER * len(self.text)

    def box(self, x: float = 0.0, y: float = 0.0) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom around it, its item's axis being at (x, y)."""
        back = {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * self.width
        left = x + self.x - back
        return left, y + self.y - LINE / 2, left + self.width, y + self.y + LINE / 2


@dataclass(frozen=True)
class Pin:
    """Where a wire ends, and the direction in which it leaves."""

    x: int
    y: int
    dx: int
    dy: int


@dataclass
class Shape:
    """An item in one orientation.

    Attributes
    ----------
    turn : str
        "V" or "H" for upright or lying, small letters with the ends exchanged, "M" for a mirrored one.
    pins : dict of str to Pin
        By role; those on ground aren't there, a ground symbol stands in their place.
    grounds : list of list of (int, int)
        Ways from a pin on ground to the spot where its symbol hangs.
    labels : list of Label
    box : tuple of int
        Left, top, right and bottom.
    """

    turn: str
    pins: dict[str, Pin]
    labels: list[Label]
    box: tuple[int, int, int, int] = (0, 0, 0, 0)
    grounds: list[list[tuple[int, int]]] = field(default_factory=list)


def volts(value: float | None) -> str:
    """Return a voltage as it stands on a drawing, "" where it isn't known."""
    if value is None or math.isnan(value):
        return ""
    return "0 V" if abs(value) < _NOTHING else written(value, "V", digits=3)


def turns_of(item: Item, up: frozenset[str], down: frozenset[str]) -> list[str]:
    """Return the orientations that an item may have; ``up`` and ``down`` are the nets of rails above and below."""
    if item.kind in ("valve", "transistor"):
        return ["V", "M"] if "grid" in item.pins else ["V"]
    if item.kind in ("transformer", "box"):
        return ["V"]
    first, last = ("high", "low") if item.kind == "potentiometer" else ("one", "other")
    top, bottom = item.pins[first], item.pins[last]
    upright = "0" in (top, bottom) or {top, bottom} & (up | down)
    turned = bottom in up or top == "0" or (top in down and bottom not in down)
    found = ["v" if turned else "V"] if upright else ["V", "v", "H", "h"]
    if item.kind == "potentiometer":
        found = [turn for turn in found if turn in "Vv" or "tap" not in item.pins]
        found = [*found, *("VM" if turn == "V" else "vM" for turn in found if turn in "Vv")]
    return found


def lean(item: Item, turn: str, net_volts: Mapping[str, float]) -> bool:
    """Return whether an upright part stands on its head: its lower end has the higher voltage."""
    ends = [net_volts.get(item.pins.get(role, ""), math.nan) for role in ("one", "other")]
    return turn in "Vv" and (ends[0] < ends[1] - _NOTHING if turn == "V" else ends[1] < ends[0] - _NOTHING)


def shape(item: Item, turn: str, net_volts: Mapping[str, float]) -> Shape:
    """Return an item's shape in one orientation, its labels with the voltages of a valve's pins."""
    if item.kind in ("valve", "transistor"):
        made = _valve(item, net_volts)
    elif item.kind == "potentiometer":
        made = _potentiometer(item, turn[0])
    elif item.kind == "transformer":
        made = _transformer(item)
    elif item.kind == "box":
        made = _box(item)
    else:
        made = _two_terminals(item, turn)
    made.turn = turn
    if turn.endswith("M"):
        made = _mirrored(made)
    return _boxed(made, _body(item))


def terminal_shape(terminal: Terminal, net_volts: Mapping[str, float]) -> Shape:
    """Return the shape of the end of a wire, with the voltage there."""
    value = net_volts.get(terminal.net)
    lines = [*terminal.text, *([volts(value)] if value is not None and abs(value) >= 0.05 else [])]
    left = terminal.side == "left"
    x = -1.0 if left else 1.0
    labels = [
        Label(text, x, y, "end" if left else "start") for text, y in zip(lines, _stacked(len(lines)), strict=True)
    ]
    made = Shape("V", {"end": Pin(0, 0, 1 if left else -1, 0)}, labels)
    return _boxed(made)


def _stacked(count: int) -> list[float]:
    return [LINE * (number - (count - 1) / 2) for number in range(count)]


def _mirrored(made: Shape) -> Shape:
    swap: dict[Anchor, Anchor] = {"start": "end", "end": "start", "middle": "middle"}
    pins = {role: Pin(-pin.x, pin.y, -pin.dx, pin.dy) for role, pin in made.pins.items()}
    labels = [Label(each.text, -each.x, each.y, swap[each.anchor]) for each in made.labels]
    return Shape(made.turn, pins, labels, grounds=[[(-x, y) for x, y in way] for way in made.grounds])


def _body(item: Item) -> tuple[float, float]:
    """Return half the width and height of a symbol without its leads."""
    if item.kind in ("valve", "transistor"):
        return ENVELOPE + 0.6, ENVELOPE
    if item.kind == "transformer":
        return 4.0, 4.0
    return (2.4, 2.4) if item.kind in _ASIDE else (1.0, 1.0)


def _boxed(made: Shape, body: tuple[float, float] = (0.0, 0.0)) -> Shape:
    """Return a shape with its box, and its pins on the edge of it."""
    spots: list[tuple[float, float]] = [(pin.x, pin.y) for pin in made.pins.values()]
    spots += [(x + side, y + GROUND) for x, y in (way[-1] for way in made.grounds) for side in (-1, 1)]
    spots += [corner for each in made.labels for corner in (each.box()[:2], each.box()[2:])]
    spots += [(-body[0], -body[1]), body, *_bodies(made)]
    left, top = (math.floor(min(spot[axis] for spot in spots)) for axis in (0, 1))
    right, bottom = (math.ceil(max(spot[axis] for spot in spots)) for axis in (0, 1))
    edge = {(-1, 0): left, (1, 0): right, (0, -1): top, (0, 1): bottom}
    made.pins = {
        role: Pin(edge[pin.dx, pin.dy], pin.y, pin.dx, pin.dy) if pin.dx else Pin(pin.x, edge[0, pin.dy], 0, pin.dy)
        for role, pin in made.pins.items()
    }
    made.box = left, top, right, bottom
    return made


def _bodies(made: Shape) -> list[tuple[float, float]]:
    """Return corners of what is drawn besides pins and labels: a body is two steps wide."""
    flat: list[tuple[float, float]] = [
        (pin.x, pin.y + side) for pin in made.pins.values() if pin.dx for side in (-1, 1)
    ]
    return flat + [(pin.x + side, pin.y) for pin in made.pins.values() if pin.dy for side in (-1, 1)]


def _two_terminals(item: Item, turn: str) -> Shape:
    lines = [item.reference, *item.value[:MOST_LINES]]
    first, last = ("one", "other") if turn in "VH" else ("other", "one")
    if turn in "Vv":
        aside = _ASIDE.get(item.kind, 1.8)
        labels = [Label(text, aside, y) for text, y in zip(lines, _stacked(len(lines)), strict=True)]
        if item.positive:
            labels.append(Label("+", -1.3, -1.7 if item.positive == first else 1.7, "middle"))
        made = Shape(turn, {first: Pin(0, -ARM, 0, -1), last: Pin(0, ARM, 0, 1)}, labels)
        return _grounded(made, item)
    labels = [Label(text, 0.0, y - 1.6 - LINE * len(lines) / 2, "middle")
              for text, y in zip(lines, _stacked(len(lines)), strict=True)]  # fmt: skip
    if item.positive:
        labels.append(Label("+", -1.6 if item.positive == first else 1.6, 1.3, "middle"))
    return Shape(turn, {first: Pin(-ARM, 0, -1, 0), last: Pin(ARM, 0, 1, 0)}, labels)


def _grounded(made: Shape, item: Item) -> Shape:
    """Put a ground symbol in the place of each pin on ground."""
    for role in [role for role in made.pins if item.pins[role] == "0"]:
        pin = made.pins.pop(role)
        # One that points up hangs beside the part.
        made.grounds.append([(pin.x, pin.y), (pin.x - 3, pin.y)] if pin.dy < 0 else [(pin.x, pin.y)])
    return made


def _potentiometer(item: Item, turn: str) -> Shape:
    first, last = ("high", "low") if turn in "VH" else ("low", "high")
    lines = [item.reference, *item.value]
    if turn in "Vv":
        shift = -2.4 if "tap" in item.pins else 0.0
        labels = [Label(text, -1.8, y + shift, "end") for text, y in zip(lines, _stacked(len(lines)), strict=True)]
        labels.append(Label("cw", 1.2, -3.0 if turn == "V" else 3.0))
        pins = {first: Pin(0, -ARM, 0, -1), "wiper": Pin(ARM, 0, 1, 0), last: Pin(0, ARM, 0, 1)}
        if "tap" in item.pins:
            pins["tap"] = Pin(-ARM, 0, -1, 0)
        return _grounded(Shape(turn, pins, labels), item)
    labels = [Label(text, 0.0, y - 1.6 - LINE, "middle") for text, y in zip(lines, _stacked(2), strict=True)]
    labels.append(Label("cw", *((-2.2, 1.8, "end") if turn == "H" else (2.2, 1.8, "start"))))
    pins = {first: Pin(-ARM, 0, -1, 0), "wiper": Pin(0, ARM, 0, 1), last: Pin(ARM, 0, 1, 0)}
    return Shape(turn, pins, labels)


def _valve(item: Item, net_volts: Mapping[str, float]) -> Shape:
    pins = {"anode": Pin(0, -6, 0, -1), "cathode": Pin(0, 6, 0, 1)}
    spots: dict[str, tuple[float, float, Anchor]] = {"anode": (0.9, -4.9, "start"), "cathode": (-0.9, 4.9, "end")}
    if "grid" in item.pins:
        pins["grid"] = Pin(-STAND_OFF, 0, -1, 0)
        spots["grid"] = (-ENVELOPE - 0.6, -1.4, "end")
    if "screen" in item.pins:
        pins["screen"] = Pin(STAND_OFF, -1, 1, 0)
        spots["screen"] = (ENVELOPE + 0.6, -2.4, "start")
    labels = [Label(text, *spots[role]) for role, net in item.pins.items()
              if role in spots and (text := volts(net_volts.get(net)))]  # fmt: skip
    labels += [Label(text, 3.4, y) for text, y in zip([item.reference, *item.value], (2.2, 3.8), strict=False)]
    return _grounded(Shape("V", pins, labels), item)


def _transformer(item: Item) -> Shape:
    sides = {side: [role for role in item.pins if role.startswith(side)] for side in ("primary", "secondary")}
    tallest = max(len(roles) for roles in sides.values()) or 1
    pins: dict[str, Pin] = {}
    for side, x in (("primary", -1), ("secondary", 1)):
        roles = sides[side]
        for number, role in enumerate(roles):
            pins[role] = Pin(6 * x, TURN * number - TURN * (len(roles) - 1) // 2, x, 0)
    high = TURN * (max(tallest, 2) - 1) / 2 + 1.5
    lines = [item.reference, *item.value[:MOST_LINES]]
    labels = [Label(lines[0], 0.0, -high - 0.8, "middle")]
    labels += [Label(text, 0.0, high + 3.0 + LINE * number, "middle") for number, text in enumerate(lines[1:])]
    if not sides["primary"]:
        labels.append(Label("mains", -4.0, 0.0, "end"))
    made = Shape("V", pins, labels)
    for role in [role for role in pins if item.pins[role] == "0"]:
        pin = made.pins.pop(role)
        made.grounds.append([(pin.x - pin.dx, pin.y)])
    return made


def _box(item: Item) -> Shape:
    pins: dict[str, Pin] = {}
    for side, x in (("in", -1), ("out", 1)):
        roles = [role for role in item.pins if role.startswith(side)]
        for number, role in enumerate(roles):
            pins[role] = Pin(7 * x, TURN * number - TURN * (len(roles) - 1) // 2, x, 0)
    words = item.path.rpartition(".")[2].replace("_", " ")
    labels = [Label(item.reference, 0.0, -4.0, "middle"), Label(words, 0.0, 4.0, "middle")]
    return Shape("V", pins, labels)
