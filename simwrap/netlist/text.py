"""Netlist lines read and printed: the one place that takes a line apart.

A line is read strictly, for both engines accept a malformed one without complaint: one takes an undefined parameter
as 0 and skips what it can't read, the other reads ``1M`` as a milliohm and takes a resistor with a field missing as
1 milliohm.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

import numpy as np

from simwrap.errors import shown
from simwrap.netlist import expressions
from simwrap.netlist.element import Element

#: Longest line [characters].
LONGEST = 4000
_NUMBER = re.compile(r"[+-]?" + expressions.NUMBER + r"\Z")
_NODE = re.compile(r"(?:0|n_[a-z0-9_]+)\Z")
_NAME = re.compile(r"[rclkvibegfhd]_[a-z0-9_]+\Z")
_CARD = re.compile(r"\.model ([a-z][a-z0-9_]*) d\(([a-z0-9_=.+ -]*)\)\Z")
_PRINTABLE = re.compile(r"[\x20-\x7e]*\Z")
#: Parameters of a diode model that may be given.
DIODE_PARAMETERS = frozenset("is n rs bv ibv cjo vj m tt".split())
#: Fields of a line after the element's name: n a node, v a number, s a v source, l an inductor, m a model.
_FIELDS = {
    "r": "nnv", "c": "nnv", "l": "nnv", "k": "llv", "e": "nnnnv", "g": "nnnnv", "f": "nnsv", "h": "nnsv", "d": "nnm",
}  # fmt: skip
_MEANING = {"n": "node", "v": "value", "s": "v source", "l": "inductor", "m": "model"}


class Refused(ValueError):
    """What is wrong with a line, before it is known where it stands: such as "has a field missing"."""


def plain(line: str) -> str:
    """Return a line without what doesn't matter, "" for a comment.

    Raises
    ------
    Refused
        If a line holds what none may.
    """
    if not _PRINTABLE.match(line):
        raise Refused("holds a character that is not printable ASCII")
    if len(line) > LONGEST:
        raise Refused(f"is {len(line)} characters long; at most {LONGEST} are accepted")
    return "" if line.startswith("*") else line


@lru_cache(maxsize=4096)
def begins_with(line: str) -> str:
    """Return the first word of a line that may be no element, for what is said of it; "" of an empty one."""
    return next(iter(line.split()), "")


def read(line: str) -> Element:
    """Read the line of one element, or of a diode's model, whose element has a dot before its name.

    Raises
    ------
    Refused
        If it isn't one.
    """
    return _card(line) if line.startswith(".") else _Reader({}).element(line)


def _card(line: str) -> Element:
    match = _CARD.match(line)
    if match is None:
        raise Refused('is not allowed; the only card with a dot is ".model name d(is=1e-14 n=1.5)"')
    model_values(match[2])
    return Element(f".{match[1]}", (), expression=match[2])


def model_values(words: str) -> dict[str, float]:
    """Return the parameters of a diode's model by name."""
    values = {}
    for word in words.split():
        name, equals, value = word.partition("=")
        if name not in DIODE_PARAMETERS or not equals:
            raise Refused(f"has {shown(word)}; known: {', '.join(sorted(DIODE_PARAMETERS))}")
        values[name] = number(value)
    return values


def read_with(line: str, printed: Mapping[str, Any]) -> tuple[Element, str]:
    """Read a line in which some words stand for numbers; return the element, and the word that is its value ("": none).

    Parameters
    ----------
    line : str
    printed : mapping of str to float or ndarray
        Value by the word that stands for it.

    Raises
    ------
    Refused
        If it isn't an element's line.
    NotTabular
        Where an array stands for something else than the element's value.
    """
    reader = _Reader(printed)
    return reader.element(line), reader.word


class NotTabular(Exception):
    """A swept value changes more than the value of an element."""


class _Reader:
    """Reads a line; notes the word that was its value."""

    def __init__(self, printed: Mapping[str, Any]) -> None:
        self.printed, self.word = printed, ""

    def element(self, line: str) -> Element:
        name, *fields = line.split()
        if not _NAME.match(name):
            raise Refused("is not an element; names look like r_anode, the letter one of r c l k v i b e g f h d")
        kind = name[0]
        if kind in "vib":
            if len(fields) < 3:
                raise Refused("has a field missing")
            found = (self.behaviour if kind == "b" else self.source)(name, line, fields)
        else:
            found = self.plain(name, kind, fields)
        for node in found.nodes:
            if not _NODE.match(node):
                raise Refused(f"has the node {shown(node)}; nodes are 0 or look like n_grid")
        if len(found.nodes) >= 2 and found.nodes[0] == found.nodes[1] and kind in "vbeh":
            raise Refused("has both ends on one node")
        return found

    def plain(self, name: str, kind: str, fields: list[str]) -> Element:
        shape = _FIELDS[kind]
        if len(fields) != len(shape):
            wanted = ", ".join(_MEANING[letter] for letter in shape)
            raise Refused(f"has {len(fields)} fields after its name; needed: {wanted}")
        value = 0.0
        if shape[-1] == "v":
            # A coupling or a factor can't be altered in an engine: each point is a netlist of its own then.
            value = self.value(fields[-1])
            if kind not in "rcl" and np.ndim(value):
                raise NotTabular
            if problem := value_problem(kind, value):
                raise Refused(problem)
        nodes = tuple(word for word, letter in zip(fields, shape, strict=True) if letter == "n")
        refers = tuple(word for word, letter in zip(fields, shape, strict=True) if letter in "slm")
        return Element(name, nodes, value, refers=refers)

    def source(self, name: str, line: str, fields: list[str]) -> Element:
        """``dc X`` with an optional ``ac Y`` and an optional phase [degree]."""
        rest = fields[2:]
        shape = [word if word in ("dc", "ac") else "" for word in rest]
        if shape not in (["dc", ""], ["dc", "", "ac", ""], ["dc", "", "ac", "", ""]):
            raise Refused('needs its value as "dc X" or "dc X ac Y"')
        value = self.value(rest[1])
        return Element(name, tuple(fields[:2]), value, ac=tuple(self.number(word) for word in rest[3:]))

    def behaviour(self, name: str, line: str, fields: list[str]) -> Element:
        what, equals, expression = line.split(None, 3)[3].partition("=")
        if what.strip() not in ("v", "i") or not equals:
            raise Refused('needs "v=" or "i=" and an expression')
        for word, value in self.printed.items():
            if word in expression:
                expression = expression.replace(word, written(self.single(value)))
        expressions.parse(expression, Refused)
        return Element(name, tuple(fields[:2]), expression=f"{what.strip()}={expression.strip()}")

    def value(self, word: str) -> Any:
        if word in self.printed:
            self.word = word
            return self.printed[word]
        return self.number(word)

    def number(self, word: str) -> float:
        return self.single(self.printed[word]) if word in self.printed else number(word)

    def single(self, value: Any) -> float:
        if np.ndim(value):
            raise NotTabular
        return float(value)


def number(word: str) -> float:
    """Read a plain number.

    Raises
    ------
    Refused
        If it isn't one that both engines read alike.
    """
    if not _NUMBER.match(word):
        raise Refused(f"has {shown(word)} where a plain number is needed, such as 4700.0 or 2.2e-08")
    value = float(word)
    if not math.isfinite(value):
        raise Refused(f"has {shown(word)}, which is not a finite number")
    return value


def value_problem(kind: str, value: Any) -> str:
    """Say what is wrong with the value of an element of one kind, one or one a point ("" if nothing)."""
    low, high = (value.min(), value.max()) if np.ndim(value) else (value, value)
    if not (math.isfinite(low) and math.isfinite(high)):
        return "has a value that is not a finite number"
    if kind in "rl" and low <= 0.0:
        return "needs a value above 0"
    if kind == "c" and low < 0.0:
        return "has a capacitance below 0"
    if kind == "k" and not 0.0 < abs(value) <= 1.0:
        return "needs a coupling between -1 and 1, not 0"
    return ""


def written(value: float) -> str:
    """Print a number as both engines read it back exactly."""
    return repr(float(value))


def line_of(element: Element) -> str:
    """Print an element: of a value a point, the first one's."""
    name, nodes, kind = element.name, " ".join(element.nodes), element.name[0]
    if kind == ".":
        return f".model {name[1:]} d({element.expression})"
    if kind == "b":
        return f"{name} {nodes} {element.expression}"
    if kind == "d":
        return f"{name} {nodes} {element.refers[0]}"
    value = written(element.value[0] if np.ndim(element.value) else element.value)
    if kind in "vi":
        ac = " ".join(["", "ac", *map(written, element.ac)]) if element.ac else ""
        return f"{name} {nodes} dc {value}{ac}"
    return " ".join([name, *element.nodes, *element.refers, value])


def text_of(elements: Iterable[Element]) -> str:
    """Print elements, a line each."""
    return "".join(f"{line_of(element)}\n" for element in elements)
