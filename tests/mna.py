"""Modified nodal analysis of an exported netlist in numpy: the oracle of whole circuits.

It reads the text that `simwrap netlist` prints and knows nothing else of simwrap. Expressions of b sources are
evaluated by Python itself and differentiated by central differences; the operating point is found by
Newton's method with damping. (Vlach and Singhal, Computer Methods for Circuit Analysis and Design, ch. 4.)
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

_CALL = re.compile(r"\b([vi])\(([^()]*)\)")
_FUNCTIONS: dict[str, Any] = {
    "abs": abs, "exp": lambda x: math.exp(min(x, 700.0)), "ln": math.log, "sqrt": math.sqrt, "max": max, "min": min,
    "pwr": lambda x, y: math.copysign(abs(x) ** y, x), "pow": lambda x, y: abs(x) ** y, "tanh": math.tanh,
    "uramp": lambda x: max(x, 0.0),
}  # fmt: skip


_MODEL = re.compile(r"^\.model (\w+) d\((.*)\)$", re.MULTILINE)
#: kT/q at 27 Celsius [V], and what SPICE puts across a junction [S].
_THERMAL, _LEAST = 0.02586491, 1e-12


def _junction(card: str) -> tuple[float, float, float]:
    given = {name: float(value) for name, value in (word.split("=") for word in card.split())}
    return given.get("is", 1e-14), given.get("n", 1.0) * _THERMAL, given.get("rs", 0.0)


def _diode(volts: float, saturation: float, scale: float, series: float) -> float:
    """Return a diode's current [A]: of the junction behind its resistance, by Newton's steps from above."""
    inner = volts
    if series > 0.0:
        inner = min(volts, scale * math.log1p(max(volts, 0.0) / (series * saturation)))
        for _ in range(80):
            grown = math.exp(min(inner / scale, 700.0))
            over = inner + series * saturation * (grown - 1.0) - volts
            inner -= over / (1.0 + series * saturation * grown / scale)
    return saturation * math.expm1(min(inner / scale, 700.0)) + _LEAST * inner


class Circuit:
    """The equations of one netlist: G x + C dx/dt + f(x) = s, unknowns are node voltages and branch currents."""

    def __init__(self, text: str) -> None:
        self.index: dict[str, int] = {}
        lines = [line.split() for line in text.lower().splitlines() if line[:1] in "rclvibefghdk"]
        #: Saturation current [A], emission coefficient times kT/q [V], and series resistance [ohm] by model.
        self.models = {name: _junction(card) for name, card in _MODEL.findall(text.lower())}
        branches = [words[0] for words in lines if words[0][0] in "velh" or (words[0][0] == "b" and words[3][0] == "v")]
        for words in lines:
            count = 4 if words[0][0] in "eg" else 2
            for node in words[1 : 1 + count] if words[0][0] != "k" else ():
                self._place(node)
            for call, inside in _CALL.findall(" ".join(words[3:])) if words[0][0] == "b" else ():
                for node in inside.split(",") if call == "v" else ():
                    self._place(node.strip())
        for name in branches:
            self.index[f"i({name})"] = len(self.index)
        size = len(self.index)
        self.conductance, self.storage = np.zeros((size, size)), np.zeros((size, size))
        self.direct, self.alternating = np.zeros(size), np.zeros(size)
        self.functions: list[tuple[list[tuple[int, float]], Callable[..., float], list[Any]]] = []
        self.henries = {words[0]: float(words[3]) for words in lines if words[0][0] == "l"}
        for words in lines:
            self._stamp(words)

    def _place(self, node: str) -> None:
        if node != "0":
            self.index.setdefault(node, len(self.index))

    def _add(self, matrix: NDArray[Any], row: str, column: str, value: float) -> None:
        if row != "0" and column != "0":
            matrix[self.index[row], self.index[column]] += value

    def _stamp(self, words: list[str]) -> None:
        name, plus, minus = words[:3]
        kind, branch = name[0], f"i({words[0]})"
        if kind in "rc":
            matrix = self.conductance if kind == "r" else self.storage
            value = 1.0 / float(words[3]) if kind == "r" else float(words[3])
            for row, sign in ((plus, 1.0), (minus, -1.0)):
                self._add(matrix, row, plus, sign * value)
                self._add(matrix, row, minus, -sign * value)
            return
        if kind == "k":  # coupled windings: M = k sqrt(L1 L2) in either branch
            mutual = float(words[3]) * math.sqrt(self.henries[plus] * self.henries[minus])
            for one, other in ((plus, minus), (minus, plus)):
                self.storage[self.index[f"i({one})"], self.index[f"i({other})"]] -= mutual
            return
        if kind == "g":
            for row, sign in ((plus, 1.0), (minus, -1.0)):
                self._add(self.conductance, row, words[3], sign * float(words[5]))
                self._add(self.conductance, row, words[4], -sign * float(words[5]))
            return
        if kind == "f":
            for row, sign in ((plus, 1.0), (minus, -1.0)):
                self._add(self.conductance, row, f"i({words[3]})", sign * float(words[4]))
            return
        if kind == "i":
            for node, sign in ((plus, -1.0), (minus, 1.0)):
                if node != "0":
                    self.direct[self.index[node]] += sign * float(words[4])
                    self.alternating[self.index[node]] += sign * (float(words[6]) if "ac" in words else 0.0)
            return
        if kind == "d":
            model = self.models[words[3]]
            rows = [(self.index[node], sign) for node, sign in ((plus, 1.0), (minus, -1.0)) if node != "0"]
            ends = [self.index.get(node, -1) for node in (plus, minus)]
            self.functions.append((rows, lambda x: _diode(x[0], *model), [ends]))
            return
        if kind == "b" and words[3][0] == "i":
            rows = [(self.index[node], sign) for node, sign in ((plus, 1.0), (minus, -1.0)) if node != "0"]
            self._function(rows, " ".join(words[3:])[2:])
            return
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            self._add(self.conductance, node, branch, sign)
            self._add(self.conductance, branch, node, sign)
        row = self.index[branch]
        if kind == "v":
            self.direct[row] += float(words[4])
            self.alternating[row] += float(words[6]) if "ac" in words else 0.0
        elif kind == "h":
            self.conductance[row, self.index[f"i({words[3]})"]] -= float(words[4])
        elif kind == "e":
            self._add(self.conductance, branch, words[3], -float(words[5]))
            self._add(self.conductance, branch, words[4], float(words[5]))
        elif kind == "l":
            self.storage[row, row] -= float(words[3])
        else:
            self._function([(row, -1.0)], " ".join(words[3:])[2:])

    def _function(self, rows: list[tuple[int, float]], expression: str) -> None:
        inputs: list[Any] = []

        def argument(match: re.Match[str]) -> str:
            nodes = [n.strip() for n in match[2].split(",")] if match[1] == "v" else [match[0]]
            inputs.append([self.index.get(node, -1) for node in nodes])
            return f"x[{len(inputs) - 1}]"

        source = _CALL.sub(argument, expression)
        code = compile(source, "<b source>", "eval")
        self.functions.append((rows, lambda x: float(eval(code, _FUNCTIONS, {"x": x})), inputs))

    @staticmethod
    def _arguments(inputs: list[Any], state: NDArray[Any]) -> list[float]:
        def at(place: int) -> float:
            return float(state[place]) if place >= 0 else 0.0

        return [at(place[0]) - (at(place[1]) if len(place) > 1 else 0.0) for place in inputs]

    def linearised(self, state: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return the Jacobian of everything that doesn't store, and the residual, at a state."""
        jacobian, residual = self.conductance.copy(), self.conductance @ state - self.direct
        for rows, function, inputs in self.functions:
            given = self._arguments(inputs, state)
            value = function(given)
            for row, sign in rows:
                residual[row] += sign * value
            for number, place in enumerate(inputs):
                step = 1e-5 * max(1.0, abs(given[number]))
                high, low = ([*given[:number], given[number] + d, *given[number + 1 :]] for d in (step, -step))
                slope = (function(high) - function(low)) / (2.0 * step)
                for column, way in zip(place, (1.0, -1.0), strict=False):
                    for row, sign in rows:
                        if column >= 0:
                            jacobian[row, column] += sign * way * slope
        return jacobian, residual

    def operating_point(self, start: dict[str, float] | None = None) -> NDArray[Any]:
        """Return the state at rest; ``start`` may give node voltages to begin from."""
        state = np.zeros(len(self.index))
        for node, volts in (start or {}).items():
            if node in self.index:
                state[self.index[node]] = volts
        for _ in range(100):
            jacobian, residual = self.linearised(state)
            step = np.linalg.lstsq(jacobian, -residual, rcond=None)[0]
            largest = np.abs(step).max()
            state = state + step * min(1.0, 20.0 / largest if largest else 1.0)
            if largest < 3e-7:  # volts; differences of expressions are no finer
                return state
        raise AssertionError("the oracle found no operating point")

    def transfer(self, frequencies: Any, output: str, state: NDArray[Any]) -> NDArray[np.complex128]:
        """Return the voltage at ``output`` for the netlist's own ac sources, shape (frequencies,)."""
        jacobian, _ = self.linearised(state)
        omega = 2.0 * np.pi * np.atleast_1d(np.asarray(frequencies, dtype=float))
        whole = jacobian + 1j * omega[:, None, None] * self.storage
        right = np.broadcast_to(self.alternating.astype(complex), (len(omega), len(self.index)))
        solved = np.linalg.solve(whole, right[..., None])[..., 0]
        return np.asarray(solved[:, self.index[output]])

    def poles(self, state: NDArray[Any]) -> NDArray[np.complex128]:
        """Return the finite poles [1/s] of the linearised circuit."""
        import scipy.linalg

        jacobian, _ = self.linearised(state)
        alpha, beta = scipy.linalg.eig(-jacobian, self.storage, right=False, homogeneous_eigvals=True)
        keep = np.abs(beta) > 1e-13 * np.abs(alpha)
        return np.asarray(alpha[keep] / beta[keep])
