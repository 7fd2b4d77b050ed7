"""Expressions of b sources: read completely, and evaluated with their slopes.

The grammar is what both engines read alike: numbers, ``v(node)``, ``v(node,node)``, ``i(v_name)``,
+ - * / and powers, brackets, and the functions of :data:`FUNCTIONS`. A parsed expression is a tuple of
steps in the order in which a stack machine does them: ``("number", value)``, ``("read", name)`` (a node, or
``i(v_name)``), or ``(operation, None)``, which takes its operands from the stack.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import shown

Array = NDArray[Any]
Program = tuple[tuple[str, Any], ...]
Refuse = Callable[[str], Exception]

#: Functions and their number of arguments.
FUNCTIONS = {
    "abs": 1, "acos": 1, "asin": 1, "atan": 1, "ceil": 1, "cos": 1, "cosh": 1, "exp": 1, "floor": 1,
    "ln": 1, "log": 1, "log10": 1, "max": 2, "min": 2, "pow": 2, "pwr": 2, "sgn": 1, "sin": 1,
    "sinh": 1, "sqrt": 1, "tan": 1, "tanh": 1, "uramp": 1,
}  # fmt: skip

#: Brackets within brackets; more would be no law of a part, and exhaust Python's stack.
DEEPEST = 60

NUMBER = r"(?:\d+(?:\.\d*)?(?:e[+-]?\d+)?)"
_TOKEN = re.compile(
    rf"\s*(?:(?P<number>{NUMBER})|(?P<volt>v\(\s*(?P<plus>[a-z0-9_]+)\s*(?:,\s*(?P<minus>[a-z0-9_]+)\s*)?\))"
    r"|(?P<amp>i\(\s*(?P<source>[a-z0-9_]+)\s*\))|(?P<word>[a-z_][a-z0-9_]*)|(?P<sign>\*\*|[-+*/^(),]))"
)


def parse(text: str, refuse: Refuse) -> Program:
    """Return the steps of an expression.

    Parameters
    ----------
    text : str
        The expression, in lower case.
    refuse : callable
        Makes the error from what is wrong ("has ... in its expression").

    Raises
    ------
    NetlistError
        When anything in it is not understood.
    """
    try:
        return _steps(text)
    except _Refused as fault:
        raise refuse(str(fault)) from None


class _Refused(Exception):
    """What is wrong with an expression, before it is known where it stands."""


@functools.lru_cache(maxsize=1024)
def _steps(text: str) -> Program:
    # A valve's laws stand in every netlist of a circuit, whichever source is excited and whatever its voltages are.
    return _Parser(text, _Refused).whole()


def reads(program: Program) -> tuple[str, ...]:
    """Return the nodes and ``i(v_name)`` that an expression reads, each once, in order."""
    return tuple(dict.fromkeys(name for step, name in program if step == "read"))


class _Parser:
    """Recursive descent over one expression; writes down the steps as it goes."""

    def __init__(self, text: str, refuse: Refuse) -> None:
        self.refuse, self.place, self.depth = refuse, 0, 0
        self.program: list[tuple[str, Any]] = []
        self.tokens: list[tuple[str, re.Match[str]]] = []
        place = 0
        text = text.rstrip()
        while place < len(text):
            match = _TOKEN.match(text, place)
            if match is None:
                raise refuse(f"has {shown(text[place : place + 12])} in its expression, which is not understood")
            self.tokens.append((match.group().strip(), match))
            place = match.end()

    def whole(self) -> Program:
        self.sum()
        if self.place != len(self.tokens):
            raise self.refuse(f"has {shown(self.peek())} in its expression where an operator is needed")
        return tuple(self.program)

    def peek(self) -> str:
        return self.tokens[self.place][0] if self.place < len(self.tokens) else ""

    def take(self, sign: str) -> None:
        if self.peek() != sign:
            raise self.refuse(f"has {shown(self.peek() or 'the end')} in its expression where {shown(sign)} is needed")
        self.place += 1

    def pass_over(self, *signs: str) -> str:
        """Return the next sign and go past it, if it is one of these."""
        sign = self.peek()
        if sign not in signs:
            return ""
        self.place += 1
        return sign

    def do(self, operation: str) -> None:
        self.program.append((operation, None))

    def sum(self) -> None:
        self.depth += 1
        if self.depth > DEEPEST:
            raise self.refuse(f"has more than {DEEPEST} brackets within brackets in its expression")
        self.product()
        while sign := self.pass_over("+", "-"):
            self.product()
            self.do(sign)
        self.depth -= 1

    def product(self) -> None:
        self.signed()
        while sign := self.pass_over("*", "/"):
            self.signed()
            self.do(sign)

    def signed(self) -> None:
        sign = self.pass_over("+", "-")
        power = self.power()
        # The engines disagree on both: one reads -x^2 as (-x)^2, and a^b^c from the other end.
        if sign and power:
            raise self.refuse("has a sign in front of a power; put the power in brackets")
        if sign == "-":
            self.do("negate")

    def power(self) -> bool:
        self.operand()
        if not self.pass_over("^", "**"):
            return False
        sign = self.pass_over("+", "-")
        self.operand()
        if self.peek() in ("^", "**"):
            raise self.refuse("has a power of a power; use brackets")
        if sign == "-":
            self.do("negate")
        self.do("^")
        return True

    def operand(self) -> None:
        if self.place >= len(self.tokens):
            raise self.refuse("has an expression that ends too early")
        text, match = self.tokens[self.place]
        self.place += 1
        if match["number"]:
            if not math.isfinite(float(text)):
                raise self.refuse(f"has {shown(text)}, which is not a finite number")
            self.program.append(("number", float(text)))
        elif match["volt"]:
            self.program.append(("read", match["plus"]))
            if match["minus"]:
                self.program.append(("read", match["minus"]))
                self.do("-")
        elif match["amp"]:
            self.program.append(("read", f"i({match['source']})"))
        elif match["word"]:
            self.call(text)
        elif text == "(":
            self.sum()
            self.take(")")
        else:
            raise self.refuse(f"has {shown(text)} in its expression where a value is needed")

    def call(self, function: str) -> None:
        count = FUNCTIONS.get(function)
        if count is None:
            raise self.refuse(f"has {shown(function)} in its expression; known functions: {', '.join(FUNCTIONS)}")
        self.take("(")
        for index in range(count):
            if index:
                self.take(",")
            self.sum()
        self.take(")")
        self.do(function)


def _power(a: Array, b: Array) -> Array:
    # Both engines take the size of the base.
    found: Array = np.abs(a) ** b
    return found


def _signed_power(a: Array, b: Array) -> Array:
    found: Array = np.sign(a) * np.abs(a) ** b
    return found


#: For each operation its value, and its slope with each operand, from the operands.
_RULES: dict[str, tuple[Callable[..., Any], tuple[Callable[..., Any], ...]]] = {
    "+": (np.add, (lambda a, b: 1.0, lambda a, b: 1.0)),
    "-": (np.subtract, (lambda a, b: 1.0, lambda a, b: -1.0)),
    "*": (np.multiply, (lambda a, b: b, lambda a, b: a)),
    "/": (np.divide, (lambda a, b: 1.0 / b, lambda a, b: -a / (b * b))),
    "^": (_power, (lambda a, b: b * _signed_power(a, b - 1.0), lambda a, b: np.abs(a) ** b * np.log(np.abs(a)))),
    "pwr": (_signed_power, (lambda a, b: b * np.abs(a) ** (b - 1.0),
                            lambda a, b: _signed_power(a, b) * np.log(np.abs(a)))),
    "max": (np.maximum, (lambda a, b: 1.0 * (a >= b), lambda a, b: 1.0 * (a < b))),
    "min": (np.minimum, (lambda a, b: 1.0 * (a <= b), lambda a, b: 1.0 * (a > b))),
    "negate": (np.negative, (lambda a: -1.0,)),
    "abs": (np.abs, (np.sign,)),
    "acos": (np.arccos, (lambda a: -1.0 / np.sqrt(1.0 - a * a),)),
    "asin": (np.arcsin, (lambda a: 1.0 / np.sqrt(1.0 - a * a),)),
    "atan": (np.arctan, (lambda a: 1.0 / (1.0 + a * a),)),
    "ceil": (np.ceil, (np.zeros_like,)),
    "cos": (np.cos, (lambda a: -np.sin(a),)),
    "cosh": (np.cosh, (np.sinh,)),
    "exp": (np.exp, (np.exp,)),
    "floor": (np.floor, (np.zeros_like,)),
    "ln": (np.log, (lambda a: 1.0 / a,)),
    "log10": (np.log10, (lambda a: 1.0 / (a * math.log(10.0)),)),
    "sgn": (np.sign, (np.zeros_like,)),
    "sin": (np.sin, (np.cos,)),
    "sinh": (np.sinh, (np.cosh,)),
    "sqrt": (np.sqrt, (lambda a: 0.5 / np.sqrt(a),)),
    "tan": (np.tan, (lambda a: 1.0 / np.cos(a) ** 2,)),
    "tanh": (np.tanh, (lambda a: 1.0 - np.tanh(a) ** 2,)),
    "uramp": (lambda a: np.maximum(a, 0.0), (lambda a: 1.0 * (a > 0.0),)),
}  # fmt: skip
_RULES["log"], _RULES["pow"] = _RULES["ln"], _RULES["^"]


def evaluate(program: Program, given: Mapping[str, Array]) -> tuple[Array, dict[str, Array]]:
    """Return an expression's value and its slope with everything it reads.

    Parameters
    ----------
    program : Program
        Made by :func:`parse`.
    given : mapping of str to ndarray, shape (n,)
        A value [V or A] for each name that it reads.

    Returns
    -------
    ndarray, shape (n,), and dict of str to ndarray, shape (n,)
        Not finite where the expression isn't.
    """
    names = reads(program)
    points = len(given[names[0]]) if names else 1
    own = dict(zip(names, np.eye(len(names))[:, :, None], strict=True))
    #: Values, and slopes of shape (names, points), None where nothing that is read comes in.
    stack: list[tuple[Any, Any]] = []
    with np.errstate(all="ignore"):
        for step, what in program:
            if step == "number":
                stack.append((what, None))
            elif step == "read":
                stack.append((np.asarray(given[what], float), own[what]))
            else:
                function, partials = _RULES[step]
                parts = stack[-len(partials) :]
                del stack[-len(partials) :]
                values = [value for value, _ in parts]
                slope = None
                for partial, (_, inner) in zip(partials, parts, strict=True):
                    if inner is not None:
                        outer = partial(*values) * inner
                        slope = outer if slope is None else slope + outer
                stack.append((function(*values), slope))
    ((value, slope),) = stack
    whole = np.broadcast_to(0.0 if slope is None else slope, (len(names), points))
    return np.broadcast_to(value, points), dict(zip(names, whole, strict=True))
