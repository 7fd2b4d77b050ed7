"""What the guard's loop does with converted counts, in the integers of the C header: rows of checks, a table of states.

The header's loop and this one are the same to the last count; a test on the host holds them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]

#: States and events, by number; the later event goes before the earlier one.
STATES = ("warming", "running", "warning", "tripped")
EVENTS = ("clear", "warm", "warn", "trip", "short")
#: The state that follows, by state and event.
NEXT = (
    ("warming", "running", "warning", "tripped", "tripped"),
    ("running", "running", "warning", "tripped", "tripped"),
    ("running", "running", "warning", "tripped", "tripped"),
    ("tripped", "tripped", "tripped", "tripped", "tripped"),
)


@dataclass(frozen=True)
class Check:
    """A comparison that is made at every sample.

    Attributes
    ----------
    name : str
        Of the level, such as "trip_high".
    signal : int
        A valve, or behind the last valve a pair: how far its halves are apart.
    raw : bool
        Whether it looks at the sample itself, before it is smoothed.
    below : bool
        Whether it is met below the level, not above.
    counts : int
        The level.
    samples : int
        For so many samples in a row it has to be met.
    event : str
    """

    name: str
    signal: int
    raw: bool
    below: bool
    counts: int
    samples: int
    event: str


@dataclass(frozen=True)
class Loop:
    """Everything that the loop knows.

    Attributes
    ----------
    checks : tuple of Check
    halves : tuple of tuple of int
        By pair and valve: 1 for one half, -1 for the other, 0 for a valve of another pair.
    shift : int
        The smoothing takes 2 to the power of it samples.
    warming : int
        Samples for which only "short" counts.
    """

    checks: tuple[Check, ...]
    halves: tuple[tuple[int, ...], ...]
    shift: int
    warming: int


@dataclass(frozen=True)
class Replayed:
    """What the loop said.

    Attributes
    ----------
    states : ndarray, shape (points, samples)
        Number of the state after each sample.
    tripped_by : list of str
        Name of the level that tripped, "" where none did.
    warned_by : list of set of str
        Names of the levels that warned.
    """

    states: Integers
    tripped_by: list[str]
    warned_by: list[set[str]]

    def first(self, state: str) -> Integers:
        """Return the first sample in a state, -1 where it is never reached; shape (points,)."""
        there = self.states == STATES.index(state)
        return np.where(there.any(axis=1), there.argmax(axis=1), -1)


def replay(loop: Loop, counts: NDArray[Any], *, warm: bool = False) -> Replayed:
    """Run counts through the loop.

    Parameters
    ----------
    loop : Loop
    counts : ndarray of int, shape (points, samples, valves)
    warm : bool
        Whether the warming up is over at the first sample.
    """
    points, samples, _ = counts.shape
    counts = counts.astype(np.int64)
    halves = np.array(loop.halves, dtype=np.int64).reshape(-1, counts.shape[2])
    after = np.array([[STATES.index(state) for state in row] for row in NEXT])
    sums = counts[:, 0] << loop.shift
    held = np.zeros((points, len(loop.checks)), dtype=np.int64)
    state = np.full(points, STATES.index("running" if warm else "warming"))
    states = np.zeros((points, samples), dtype=np.int64)
    tripped, warned = [""] * points, [set[str]() for _ in range(points)]
    columns = _columns(loop.checks)
    events = np.array([EVENTS.index(check.event) for check in loop.checks])
    for sample in range(samples):
        new = counts[:, sample]
        sums = sums + new - (sums >> loop.shift)
        smooth = sums >> loop.shift
        signals = np.concatenate([smooth, np.abs(smooth @ halves.T), new], axis=1)
        met = np.where(columns["below"], signals[:, columns["place"]] < columns["counts"],
                       signals[:, columns["place"]] > columns["counts"])  # fmt: skip
        over = sample + 1 >= loop.warming
        live = over | (state != STATES.index("warming"))[:, None] | (events == EVENTS.index("short"))
        held = np.where(met & live, held + 1, 0)
        due = held >= columns["samples"]
        event = np.max(np.where(due, events, EVENTS.index("warm") if over else 0), axis=1)
        following = after[state, event]
        for point in np.flatnonzero(following != state).tolist():
            _note(loop.checks, due[point] & (events == event[point]), following[point], point, tripped, warned)
        state = following
        states[:, sample] = state
    return Replayed(states, tripped, warned)


def _columns(checks: Sequence[Check]) -> dict[str, Any]:
    valves = 1 + max(check.signal for check in checks if check.raw)
    signals = 1 + max(check.signal for check in checks)
    place = [signals + check.signal if check.raw else check.signal for check in checks]
    assert all(check.signal < valves for check in checks if check.raw)
    return {
        "place": np.array(place),
        "below": np.array([check.below for check in checks]),
        "counts": np.array([check.counts for check in checks]),
        "samples": np.array([check.samples for check in checks]),
    }


def _note(
    checks: Sequence[Check], due: Any, state: int, point: int, tripped: list[str], warned: list[set[str]]
) -> None:
    names = [check.name for check, is_due in zip(checks, due, strict=True) if is_due]
    if STATES[state] == "tripped" and names:
        tripped[point] = names[0]
    elif STATES[state] == "warning":
        warned[point] |= set(names)


__all__ = ["EVENTS", "NEXT", "STATES", "Check", "Loop", "Replayed", "replay"]
