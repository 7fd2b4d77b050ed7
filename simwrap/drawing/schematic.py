"""Schematics: a stage's layout drawn with schemdraw as an SVG picture with a title and a description.

Symbols are those of IEC 60617 (resistors are rectangles), as far as they are known from memory; reference designators
follow IEEE 315.
"""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterable
from html import escape
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from simwrap.drawing.items import Diagram, Item
from simwrap.drawing.layout import Layout, laid_out
from simwrap.drawing.place import Placed
from simwrap.drawing.route import NoWay
from simwrap.drawing.shapes import ARM, ENVELOPE, STAND_OFF, Label
from simwrap.errors import InputError

if TYPE_CHECKING:
    from simwrap.drawing.route import Spot

#: A step of the grid in schemdraw's units, and the size of letters [points].
STEP, LETTERS = 0.25, 11
_FONT = "Helvetica, Arial, sans-serif"
_NEEDS = "a drawing needs schemdraw: pip install 'simwrap[draw]'"


def needed() -> None:
    """Refuse to draw where schemdraw isn't there, without loading it.

    Raises
    ------
    InputError
    """
    if "schemdraw" not in sys.modules and find_spec("schemdraw") is None:
        raise InputError(_NEEDS)


def schematic(diagram: Diagram) -> str:
    """Return the drawing of a stage as an SVG element, or as a list of words where it can't be wired.

    Raises
    ------
    InputError
        If schemdraw isn't installed.
    """
    try:
        layout = laid_out(diagram)
    except NoWay:  # as every arrangement was in vain: what is joined to what can still be said
        lines = "".join(f"<li>{escape(line)}</li>" for line in described(diagram))
        return f"<p>This stage couldn't be drawn; its parts are joined so:</p><ul>{lines}</ul>"
    return drawn(layout)


def drawn(layout: Layout) -> str:
    """Return a layout as an SVG element."""
    try:
        import schemdraw
    except ImportError:
        raise InputError(_NEEDS) from None
    pen = _Pen(schemdraw)
    for wires in layout.board.nets.values():
        for line in wires.lines():
            pen.line(*line)
        for dot in wires.dots():
            pen.dot(dot)
    for cell in layout.cells:
        _item(pen, cell)
        for way in cell.shape.grounds:
            spots = [(cell.x + x, cell.y + y) for x, y in way]
            pen.strokes([spots] if len(spots) > 1 else [])
            pen.ground(spots[-1])
    for _, start, _ in layout.rails:
        pen.dot(start, hollow=True)
    for label, left, top in layout.labels():
        pen.text(label, left, top)
    return _accessible(pen.svg(), layout.diagram)


class _Pen:
    """Draws on schemdraw's page in steps of the grid, y downwards."""

    def __init__(self, schemdraw: Any) -> None:
        from schemdraw import elements, segments

        self.elements: Any = elements
        self.segments: Any = segments
        self.drawing = schemdraw.Drawing(show=False, canvas="svg")
        self.drawing.config(unit=2.0, fontsize=LETTERS, font=_FONT, lw=1.4, color="#111111")

    def at(self, spot: tuple[float, float]) -> tuple[float, float]:
        return spot[0] * STEP, -spot[1] * STEP

    def part(self, name: str, start: tuple[float, float], end: tuple[float, float]) -> Any:
        made = getattr(self.elements, name)().at(self.at(start)).to(self.at(end))
        self.drawing.add(made)
        return made

    def line(self, start: Spot, end: Spot) -> None:
        self.part("Line", start, end)

    def dot(self, spot: tuple[float, float], *, hollow: bool = False) -> None:
        self.drawing.add(self.elements.Dot(open=hollow, radius=0.08).at(self.at(spot)))

    def ground(self, spot: Spot) -> None:
        self.drawing.add(self.elements.Ground().at(self.at(spot)))

    def strokes(self, lines: Iterable[Iterable[tuple[float, float]]], *, wide: bool = False) -> None:
        """Draw lines through spots."""
        made = self.elements.Element()
        for line in lines:
            path = [self.at(spot) for spot in line]
            made.segments.append(self.segments.Segment(path, lw=2.4 if wide else 1.4))
        self.drawing.add(made.at((0, 0)).theta(0))

    def circle(self, spot: tuple[float, float], radius: float) -> None:
        made = self.elements.Element()
        made.segments.append(self.segments.SegmentCircle(self.at(spot), radius * STEP, lw=1.4))
        self.drawing.add(made.at((0, 0)).theta(0))

    def text(self, label: Label, x: float, y: float) -> None:
        align = {"start": "left", "middle": "center", "end": "right"}[label.anchor]
        made = self.elements.Element()
        spot = self.at((x + label.x, y + label.y))
        made.segments.append(self.segments.SegmentText(spot, label.text, align=(align, "center"), fontsize=LETTERS))
        self.drawing.add(made.at((0, 0)).theta(0))

    def svg(self) -> str:
        return bytes(self.drawing.get_imagedata("svg")).decode()


def _item(pen: _Pen, cell: Placed) -> None:
    """Draw one item's symbol with the leads to its pins."""
    item = cell.item
    if item is None:
        pen.dot((cell.x, cell.y), hollow=True)
        return
    if item.kind == "valve":
        _valve(pen, cell, item)
    elif item.kind == "transistor":
        _transistor(pen, cell, item)
    elif item.kind == "transformer":
        _transformer(pen, cell, item)
    elif item.kind == "box":
        _box(pen, cell)
    elif item.kind == "potentiometer":
        _potentiometer(pen, cell, item)
    else:
        _two_terminals(pen, cell, item)


_SYMBOLS = {"resistor": "ResistorIEC", "variable": "ResistorVarIEC", "capacitor": "Capacitor", "inductor": "Inductor",
            "diode": "Diode"}  # fmt: skip


#: Symbols of diodes that are more than one.
_DIODES = {"led": "LED", "zener": "Zener"}


def _ends(cell: Placed) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return both ends of a part's symbol; what is beyond them is lead."""
    upright = cell.shape.turn[0] in "Vv"
    turned = cell.shape.turn[0] in "vh"
    ends = (
        ((cell.x, cell.y - ARM), (cell.x, cell.y + ARM))
        if upright
        else ((cell.x - ARM, cell.y), (cell.x + ARM, cell.y))
    )
    return (ends[1], ends[0]) if turned else ends


def _leads(pen: _Pen, cell: Placed) -> None:
    """Draw the leads from a symbol's ends to pins that stand further off."""
    for pin in cell.shape.pins.values():
        near = (cell.x + ARM * pin.dx, cell.y + ARM * pin.dy)
        far = (cell.x + pin.x, cell.y + pin.y)
        if near != far:
            pen.strokes([[near, far]])


def _two_terminals(pen: _Pen, cell: Placed, item: Item) -> None:
    if item.kind in _SYMBOLS:
        pen.part(_DIODES.get(item.valve_kind, _SYMBOLS[item.kind]), *_ends(cell))
    else:
        _source(pen, cell, item)
    _leads(pen, cell)


def _source(pen: _Pen, cell: Placed, item: Item) -> None:
    """Draw a source: a circle (a controlled one: a lozenge), with an arrow or a line."""
    (x, y), (to_x, to_y) = _ends(cell)
    dx, dy = (to_x - x) / 8, (to_y - y) / 8

    def at(along: float, aside: float = 0.0) -> tuple[float, float]:
        return cell.x + along * dx - aside * dy, cell.y + along * dy + aside * dx

    pen.strokes([[at(-ARM), at(-2)], [at(2), at(ARM)]])
    if item.kind == "controlled":
        pen.strokes([[at(-2), at(0, 2), at(2), at(0, -2), at(-2)]])
    else:
        pen.circle((cell.x, cell.y), 2.0)
    if item.kind == "current":
        pen.strokes([[at(-1.2), at(1.2)], [at(0.5, 0.5), at(1.2), at(0.5, -0.5)]])
    else:
        pen.strokes([[at(-2), at(2)]])


def _potentiometer(pen: _Pen, cell: Placed, item: Item) -> None:
    pen.part("ResistorIEC", *_ends(cell))
    x, y = cell.x, cell.y
    wiper = cell.shape.pins["wiper"]
    far = (x + wiper.x, y + wiper.y)
    tip = (x + wiper.dx, y + wiper.dy)
    side = 0.55
    back = (x + 1.9 * wiper.dx, y + 1.9 * wiper.dy)
    head = [
        (back[0] + side * wiper.dy, back[1] + side * wiper.dx),
        tip,
        (back[0] - side * wiper.dy, back[1] - side * wiper.dx),
    ]
    pen.strokes([[far, tip], head])
    for role, pin in cell.shape.pins.items():
        if role == "tap":
            pen.strokes([[(x + pin.x, y + pin.y), (x + pin.dx, y + pin.dy)]])
        elif role != "wiper":
            near = (x + ARM * pin.dx, y + ARM * pin.dy)
            pen.strokes([[near, (x + pin.x, y + pin.y)]])
    if "tap" in item.pins and item.pins["tap"] == "0":
        pen.strokes([[(x - ARM * wiper.dx, y), (x - wiper.dx, y)]])


def _valve(pen: _Pen, cell: Placed, item: Item) -> None:
    x, y = cell.x, cell.y
    side = -1 if cell.shape.turn.endswith("M") else 1
    pen.circle((x, y), ENVELOPE)
    pins = cell.shape.pins
    top, low = (pins["anode"].y if "anode" in pins else -6), (pins["cathode"].y if "cathode" in pins else 6)
    pen.strokes([[(x, y + top), (x, y - 2.3)], [(x, y + low), (x, y + 1.6)]])
    pen.strokes([[(x - 1.5, y - 2.3), (x + 1.5, y - 2.3)]], wide=True)
    arc = [(x + 1.5 * math.cos(t), y + 1.6 - 0.5 * math.sin(t)) for t in [math.pi * n / 12 for n in range(13)]]
    pen.strokes([[(x - 1.5, y + 2.1), *reversed(arc), (x + 1.5, y + 2.1)]])
    if "grid" in item.pins:
        _grid(pen, x, y)
        lead = pins["grid"].x if "grid" in pins else -side * STAND_OFF  # on ground its symbol stands there
        pen.strokes([[(x + lead, y), (x - side * 2.4, y)]])
    if "screen" in item.pins:
        _grid(pen, x, y - 1)
        lead = pins["screen"].x if "screen" in pins else side * STAND_OFF
        pen.strokes([[(x + lead, y - 1), (x + side * 2.4, y - 1)]])
    if item.valve_kind == "stabiliser":  # filled with gas
        pen.dot((x + 1.8, y + 1.0))
    if item.valve_kind == "pentode":  # the third grid, or what stands in its place, is joined to the cathode inside
        _grid(pen, x, y - 1.65)
        pen.strokes([[(x - side * 2.0, y - 1.65), (x - side * 2.7, y - 1.65), (x - side * 2.7, y + 1.6),
                      (x - side * 1.5, y + 1.6)]])  # fmt: skip


def _transistor(pen: _Pen, cell: Placed, item: Item) -> None:
    """Draw a transistor (an arrow at its emitter) or a MOSFET (a gate beside the channel) of n polarity."""
    x, y, pins = cell.x, cell.y, cell.shape.pins
    side = -1 if cell.shape.turn.endswith("M") else 1
    bar = x - 0.9 * side
    top, low = (pins["anode"].y if "anode" in pins else -6), (pins["cathode"].y if "cathode" in pins else 6)
    gate = bar if item.valve_kind == "transistor" else bar - 0.8 * side
    lead = pins["grid"].x if "grid" in pins else -side * STAND_OFF
    pen.circle((x, y), ENVELOPE)
    pen.strokes([[(bar, y - 1.9), (bar, y + 1.9)]], wide=True)
    pen.strokes([[(x + lead, y), (gate, y)]])
    if item.valve_kind == "transistor":
        pen.strokes([[(x, y + top), (x, y - 2.0), (bar, y - 0.8)], [(x, y + low), (x, y + 2.0), (bar, y + 0.8)]])
        pen.strokes([[(x - 0.9 * side, y + 1.9), (x, y + 2.0), (x - 0.2 * side, y + 1.1)]])
        return
    pen.strokes([[(gate, y - 1.5), (gate, y + 1.5)], [(x, y + top), (x, y - 1.5), (bar, y - 1.5)]])
    pen.strokes([[(x, y + low), (x, y + 1.5), (bar, y + 1.5)]])


def _grid(pen: _Pen, x: float, y: float) -> None:
    """Draw a grid: a row of short strokes."""
    pen.strokes([[(x + each - 0.4, y), (x + each + 0.4, y)] for each in (-1.5, 0.0, 1.5)])


def _transformer(pen: _Pen, cell: Placed, item: Item) -> None:
    x, y = cell.x, cell.y
    tall = 0
    for side, sign in (("primary", -1), ("secondary", 1)):
        roles = [role for role in item.pins if role.startswith(side)]
        heights = [4 * number - 4 * (len(roles) - 1) // 2 for number in range(len(roles))] or [-2, 2]
        tall = max(tall, max(map(abs, heights)))
        inner = x + 1.6 * sign
        windings = [role.rpartition("_")[0] for role in roles] or ["", ""]
        for number in range(len(heights) - 1):
            if windings[number] == windings[number + 1]:
                start, end = (
                    (heights[number], heights[number + 1]) if sign > 0 else (heights[number + 1], heights[number])
                )
                pen.part("Inductor2", (inner, y + start), (inner, y + end))
        for role, height in zip(roles or ["", ""], heights, strict=True):
            pin = cell.shape.pins.get(role)
            far = x + pin.x if pin else x + 5 * sign
            pen.strokes([[(inner, y + height), (far, y + height)]])
            if role in item.dots:
                pen.dot((inner + 0.9 * sign, y + height + (0.9 if height < 0 else -0.9)))
    pen.strokes([[(x + dx, y - tall), (x + dx, y + tall)] for dx in (-0.35, 0.35)], wide=False)


def _box(pen: _Pen, cell: Placed) -> None:
    x, y = cell.x, cell.y
    pen.strokes([[(x - 3, y - 3), (x + 3, y), (x - 3, y + 3), (x - 3, y - 3)]])
    for pin in cell.shape.pins.values():
        pen.strokes([[(x + pin.x, y + pin.y), (x + 3 * pin.dx, y + pin.y)]])


#: Free to the left and right of a picture, in its units.
_MARGIN = 16.0


def _accessible(svg: str, diagram: Diagram) -> str:
    """Return the picture with a role, a title and a description for those who can't see it."""
    ident = re.sub(r"\W", "_", diagram.name)
    size = re.search(r'viewBox="([^"]*)"', svg)
    left, top, width, height = map(float, (size[1] if size else "0 0 100 100").split())
    # How wide words are is only estimated: the names of ports stand at the edges.
    left, width = left - _MARGIN, width + 2.0 * _MARGIN
    words = "; ".join(described(diagram))
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="schematic-{ident}-title '
        f'schematic-{ident}-text" viewBox="{left:g} {top:g} {width:g} {height:g}" '
        f'width="{width:.0f}" height="{height:.0f}">'
        f'<title id="schematic-{ident}-title">Schematic of {escape(diagram.title)}</title>'
        f'<desc id="schematic-{ident}-text">{escape(words)}</desc>'
    )
    return re.sub(r"\A.*?<svg[^>]*>", lambda _: head, svg, count=1, flags=re.DOTALL)


def described(diagram: Diagram) -> list[str]:
    """Return a drawing in words: each item with its value, and what it is joined to."""
    names = {"0": "ground"} | {terminal.net: " ".join(terminal.text) for terminal in diagram.terminals}
    on = diagram.nets()
    by_path = {item.path: item.reference for item in diagram.items}
    found = []
    for item in diagram.items:
        ends = []
        for role, net in item.pins.items():
            others = [f"{by_path[path]} {other}" for path, other in on.get(net, []) if path != item.path]
            words = names.get(net) or ", ".join(other.removesuffix(" one").removesuffix(" other") for other in others)
            lead = "" if role in ("one", "other") else f"{role.replace('_', ' ')} "
            ends.append(f"{lead}to {words or 'nothing else'}")
        dots = " and ".join(role.replace("_", " ") for role in item.dots)
        found.append(
            f"{item.reference} {' '.join(item.value)}: {', '.join(ends)}" + (f"; dots at {dots}" if dots else "")
        )
    return found
