"""Elements of a netlist: each with its nodes and its value, and with what it is."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from simwrap.forking import cached_property
from simwrap.netlist import expressions


class Role(StrEnum):
    """What an element is.

    A *part* is bought. A *model* stands for what a part does inside (a transformer's core, a valve's law), a *stray*
    for what comes with parts and wires (a capacitance, a leak), a *wire* for a connection, a *sense* for a place where
    a current is read. A *source* is the bench's or a supply's, a *load* what hangs at an output.
    """

    PART = "part"
    MODEL = "model"
    STRAY = "stray"
    WIRE = "wire"
    SENSE = "sense"
    SOURCE = "source"
    LOAD = "load"


#: What an element is where nothing is said, by the letter of its kind; the others are models.
USUAL = {"r": Role.PART, "c": Role.PART, "l": Role.PART, "v": Role.SOURCE, "i": Role.SOURCE}

#: A node or an element within an expression.
_NAME = re.compile(r"\b[a-z]_\w+")


@dataclass(frozen=True)
class Element:
    """One element of a netlist.

    Attributes
    ----------
    name : str
        Its kind's letter, an underscore, and the rest: "r_driver__anode".
    nodes : tuple of str
        Its own two, then those that a controlled source (e, g) looks at; none for a coupling.
    value : float or ndarray, shape (points,)
        Ohm, farad, henry, coupling, factor, or a source's direct value [V or A]; 0 for what has none (b, d).
    expression : str
        Of a b source: "v=..." or "i=...".
    refers : tuple of str
        Names in the line that are no nodes: two coils (k), the source whose current is read (f, h), a diode's model.
    ac : tuple of float
        A source's ac value, and its phase [degree] where it is printed.
    role : Role
    path : str
        Name of the part: "driver.anode".
    parameter : str
        The design value that it has, "driver.anode_resistor"; "" where it is computed, or has one of its own.
    track : bool
        Whether it is one leg of the potentiometer that ``parameter`` names: all of its legs are one part.
    stage : str
        Name of the stage that it is in, or at whose port the bench draws it.
    bench : bool
        Whether the bench draws it.
    side : str
        "a" or "b" in one half of a pair; "" in both or in none.
    valve : str
        The valve, or component, whose inside it is: "driver.v1".
    """

    name: str
    nodes: tuple[str, ...]
    value: Any = 0.0
    expression: str = ""
    refers: tuple[str, ...] = ()
    ac: tuple[float, ...] = ()
    role: Role = Role.MODEL
    path: str = ""
    parameter: str = ""
    track: bool = False
    stage: str = ""
    bench: bool = False
    side: str = ""
    valve: str = ""

    @property
    def kind(self) -> str:
        """The letter of its kind."""
        return self.name[0]

    @cached_property
    def program(self) -> expressions.Program:
        """The steps of its expression; none for other elements."""
        return expressions.parse(self.expression.partition("=")[2], ValueError) if self.kind == "b" else ()

    @cached_property
    def reads(self) -> tuple[str, ...]:
        """What it reads beside its nodes: nodes and ``i(v_name)``."""
        if self.kind in "fh":
            return (f"i({self.refers[0]})",)
        return expressions.reads(self.program)

    def renamed(self, name: Callable[[str], str]) -> Element:
        """Return the element with other names of its own, its nodes, and all that it refers to; "n_" begins a node's.

        A model's own name has no letter of a kind in front: it gets the one of a diode for this.
        """
        if self.kind == ".":
            return replace(self, name=f".{name(f'd_{self.name[1:]}')[2:]}")
        refers = (name(f"d_{each}")[2:] if self.kind == "d" else name(each) for each in self.refers)
        return replace(
            self,
            name=name(self.name),
            nodes=tuple(map(name, self.nodes)),
            expression=_NAME.sub(lambda match: name(match[0]), self.expression),
            refers=tuple(refers),
        )

    @property
    def current(self) -> bool:
        """Whether it drives a current."""
        return self.kind in "ifg" or self.expression.startswith("i=")

    @property
    def holds_voltage(self) -> bool:
        """Whether it drives a voltage."""
        return self.kind in "veh" or self.expression.startswith("v=")


def named(elements: Iterable[Element]) -> dict[str, Element]:
    """Return elements by name."""
    return {element.name: element for element in elements}
