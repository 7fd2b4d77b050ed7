"""A square wave through a linear circuit, from its modes: exact in the periodic steady state, however unlike they are.

After an edge of 1 V that comes back reversed half a period later, a mode with the amplitude A and the rate p (1/s) of
the answer to a single step moves by ``A exp(p t) / (1 + exp(p half))``: the sum of all edges before, a geometric
series. What the step settles at is a mode whose rate is 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from simwrap.measures.common import Array, Floats

#: A level top counts as a mode with so many half-periods for a time constant; a jump as a gap so wide.
_LEVEL, _JUMP = 10.0, 300.0
#: Where a top's line begins, relative to the farthest that the wave gets from its base: less isn't a top, and more
#: only where the top is what the rise goes to, and the half-period is over before.
_STANDS, _ABOVE, _UNFINISHED = 0.5, 2.0, 10.0
#: Modes with less than this share of the largest one's amplitude are left out; between those with more of the way
#: than the other the gaps are.
_SEEN, _LARGE = 1e-10, 0.01
#: Time constants for which a mode is followed, and samples in them.
_FOLLOWED, _SAMPLES = 20.0, 400
#: Samples of each of two closer looks at a place between two samples.
_CLOSER = 64


Curve = Callable[[Floats], Floats]


class Edge(NamedTuple):
    """Figures of one edge: [s], a share, a share, [V]; NaN where there is no top."""

    rise_time: float
    tilt: float
    overshoot: float
    step: float


NOTHING = Edge(np.nan, np.nan, np.nan, np.nan)


@dataclass(frozen=True)
class Modes:
    """A wave that is a sum of amplitude * exp(rate * time), from an edge on.

    Parameters
    ----------
    rates, amplitudes : ndarray, shape (modes,)
        [1/s] and [V], complex; conjugates stand in pairs, so that the sum is real.
    """

    rates: Array
    amplitudes: Array

    def at(self, time: Floats) -> Floats:
        """Return the wave [V] at times after the edge [s]."""
        with np.errstate(under="ignore"):
            wave: Floats = np.real(np.exp(np.multiply.outer(time, self.rates)) @ self.amplitudes)
        return wave

    def part(self, which: Array) -> Modes:
        """Return some of the modes."""
        return Modes(self.rates[which], self.amplitudes[which])

    def periodic(self, half: float) -> Modes:
        """Return what is left of the answer to a step when it is reversed every half-period [s] for ever."""
        return Modes(self.rates, self.amplitudes / (1.0 + np.exp(self.rates * half)))

    def square(self, phase: Floats, half: float) -> Floats:
        """Return the periodic wave [V] at times [s] from an edge up: its own reverse half a period [s] later."""
        turns, since = np.divmod(phase, half)
        return np.where(turns % 2, -1.0, 1.0) * self.at(since)


def read(modes: Modes, half: float) -> Edge:
    """Return the figures of an edge of a periodic wave with the half-period ``half`` [s].

    Modes are parted, by their rates, into those that make the edge and those of the line of the top: at the widest gap
    between two that are seen, of the places where the line begins where a top can be.
    """
    known = np.abs(modes.amplitudes) > _SEEN * np.abs(modes.amplitudes).max(initial=0.0)
    modes = modes.part(known | (modes.rates == 0.0))
    modes = modes.part(np.argsort(-np.abs(modes.rates)))
    base = -float(modes.at(np.array([half]))[0])
    grid = _grid(modes.rates, half)
    moved = modes.at(grid[grid <= half]) - base
    farthest = float(moved[np.argmax(np.abs(moved))])
    size = np.abs(modes.rates)
    seen = np.flatnonzero((np.abs(modes.amplitudes) > _LARGE * abs(farthest)) & (size > 0.0))
    best, widest = None, 0.0
    for cut in [*seen, len(size) - 1]:
        quicker = seen[seen < cut]
        if quicker.size and np.isclose(size[quicker[-1]], size[cut], rtol=1e-9):  # a pair
            continue
        step = float(modes.amplitudes[cut:].sum().real) - base
        share = step / farthest if farthest else 0.0
        level = size[cut] == 0.0
        slow = _LEVEL * half if level else 1.0 / size[cut]
        gap = slow * size[quicker[-1]] if quicker.size else _JUMP
        if _STANDS <= share <= (_UNFINISHED if level else _ABOVE) and gap > widest:
            best, widest = (cut, step), gap
    return NOTHING if best is None else _edge(modes, grid, half, base, *best)


def _grid(rates: Array, half: float) -> Floats:
    """Return times [s] from 0 on that follow every mode, also beyond the half-period."""
    size = np.abs(rates[rates != 0.0])
    if not size.size:
        return np.array([0.0, half])
    ends = np.unique(_FOLLOWED / np.abs(rates[rates.imag > 0.0]))
    swings = [np.linspace(0.0, end, _SAMPLES) for end in ends]
    whole = np.geomspace(1e-3 / size.max(), max(half, _FOLLOWED / size.min()), _SAMPLES)
    found: Floats = np.unique(np.concatenate([[0.0, half], whole, *swings]))
    return found


def _edge(modes: Modes, grid: Floats, half: float, base: float, cut: int, step: float) -> Edge:
    line = Modes(modes.rates[cut:], modes.amplitudes[cut:])

    def over(time: Floats) -> Floats:
        return (modes.at(time) - line.at(time)) / step + 1.0

    def share(time: Floats) -> Floats:
        return (modes.at(time) - base) / (line.at(time) - base)

    # A line that crosses the base has no shares from there on.
    beyond = np.flatnonzero((line.at(grid) - base) / step < 0.1)
    rising = grid[: beyond[0]] if beyond.size else grid
    rise = _first(share, rising, 0.9) - _first(share, rising, 0.1) if cut else 0.0
    top = grid[grid <= half]
    ends = line.at(np.array([0.0, half]))
    return Edge(rise, 2.0 * float(ends[0] - ends[1]) / step, max(_highest(over, top) - 1.0, 0.0), step)


def _first(curve: Curve, times: Floats, wanted: float) -> float:
    """Return when a curve first reaches a value [s]; NaN if never."""
    for _ in range(3):
        values = curve(times)
        reached = np.flatnonzero(values >= wanted)
        if not reached.size:
            return float("nan")
        place = int(reached[0])
        if place == 0:
            return float(times[0])
        times = np.linspace(times[place - 1], times[place], _CLOSER)
    return float(times[int(np.argmax(curve(times) >= wanted))])


def _highest(curve: Curve, times: Floats) -> float:
    """Return the highest value of a curve."""
    highest = -np.inf
    for _ in range(3):
        values = curve(times)
        place = int(np.argmax(values))
        highest = max(highest, float(values[place]))
        times = np.linspace(times[max(place - 1, 0)], times[min(place + 1, len(times) - 1)], _CLOSER)
    return highest
