"""What the guard's loop does with converted counts, in the integers of the C header: rows of checks, a table of states.

The header's loop and this one are one algorithm; a test on the host runs both over millions of samples, bit for bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]

#: States and events, by number; the later event goes before the earlier one.
STATES = ("warming", "running", "warning", "tripped")
EVENTS = ("clear", "warm", "dark", "warn", "trip", "short")
#: The state that follows, by state and event. "dark": no valve draws current any more, as when the mains is gone; what
#: comes then is another start.
NEXT = (
    ("warming", "running", "warming", "warning", "tripped", "tripped"),
    ("running", "running", "warming", "warning", "tripped", "tripped"),
    ("running", "running", "warming", "warning", "tripped", "tripped"),
    ("tripped", "tripped", "tripped", "tripped", "tripped", "tripped"),
)
#: What a check looks at: a valve's smoothed count; how far the halves of a pair are apart; the sample itself; the mean
#: change from sample to sample; samples in a row with one and the same count; how far the mean of the last minute lies
#: above that of the first one; the largest smoothed count of all valves while there is patience.
SOURCES = ("smooth", "apart", "raw", "rough", "still", "drift", "most")
#: Phases in which a check is live, as bits.
STARTING, RUNNING = 1, 2
ALWAYS = STARTING | RUNNING
#: The mean change is taken over 2 to the power of it samples.
ROUGH_SHIFT = 6
#: So many samples in a row that come earlier or later than they should by an eighth of a period trip.
OFF_BEAT = 8
_WARMING, _WARM, _TRIP = STATES.index("warming"), EVENTS.index("warm"), EVENTS.index("trip")


@dataclass(frozen=True)
class Check:
    """A comparison that is made at every sample.

    Attributes
    ----------
    name : str
        Of the level, such as "trip_high".
    source : str
        One of :data:`SOURCES`.
    signal : int
        Number of the valve, or of the pair.
    below : bool
        Whether it is met below the level, not above.
    phases : int
        :data:`STARTING`, :data:`RUNNING` or both.
    counts : int
        The level; for "still" samples.
    samples : int
        For so many samples in a row it has to be met.
    event : str
    """

    name: str
    source: str
    signal: int
    below: bool
    phases: int
    counts: int
    samples: int
    event: str


@dataclass(frozen=True, kw_only=True)
class Loop:
    """Everything that the loop knows.

    Attributes
    ----------
    valves : int
    checks : tuple of Check
    halves : tuple of tuple of int
        By pair and valve: 1 for one half, -1 for the other, 0 for a valve of another pair.
    shift : int
        The smoothing takes 2 to the power of it samples.
    warming : int
        Samples from the first current of a start until all checks are live.
    dark : int
        Below it a count is none at all.
    patience : int
        For so many samples a start may wait for its first current.
    slow : int
        Samples of the mean that drifts are told by.
    period : int
        From sample to sample [us].
    supply : int
        Count above which the anode supply is there, which has a pin after the valves'; 0: it has none.
    """

    valves: int
    checks: tuple[Check, ...]
    halves: tuple[tuple[int, ...], ...] = ()
    shift: int = 4
    warming: int = 0
    dark: int = 0
    patience: int = 0
    slow: int = 15000
    period: int = 4000
    supply: int = 0

    @property
    def pins(self) -> int:
        """How many counts a sample has."""
        return self.valves + (1 if self.supply else 0)


class Memory:
    """What the loop remembers from sample to sample, for many points; the C header's struct.

    Parameters
    ----------
    loop : Loop
    points : int
    state : str
        The one that it begins in.
    """

    def __init__(self, loop: Loop, points: int, state: str = "warming") -> None:
        pins = (points, loop.pins)
        self.sums, self.rough, self.still, self.last, self.slow, self.reference, self.drift = (
            np.zeros(pins, dtype=np.int64) for _ in range(7)
        )
        self.held = np.zeros((points, len(loop.checks)), dtype=np.int64)
        self.samples, self.slow_samples, self.off_beat = (np.zeros(points, dtype=np.int64) for _ in range(3))
        self.patience = np.full(points, loop.patience)
        self.known = np.zeros(points, dtype=bool)
        self.state = np.full(points, STATES.index(state))
        self.cause = np.full(points, len(loop.checks))
        self.started = False

    def at(self, points: Any) -> Memory:
        """Return that of some points, in a given order and as often as given."""
        made = object.__new__(Memory)
        for name, value in vars(self).items():
            setattr(made, name, value[points].copy() if isinstance(value, np.ndarray) else value)
        return made


@dataclass(frozen=True)
class Replayed:
    """What the loop said.

    Attributes
    ----------
    states : ndarray, shape (points, samples)
        Number of the state after each sample.
    causes : ndarray, shape (points, samples)
        Number of the check that changed the state last; their number where none did, one more where it was the clock.
    tripped_by : list of str
        Name of the level that tripped, "" where none did.
    warned_by : list of set of str
        Names of the levels that warned.
    memory : Memory
        As it is after the last sample.
    """

    states: Integers
    causes: Integers
    tripped_by: list[str]
    warned_by: list[set[str]]
    memory: Memory

    def first(self, state: str) -> Integers:
        """Return the first sample in a state, -1 where it is never reached; shape (points,)."""
        there = self.states == STATES.index(state)
        return np.where(there.any(axis=1), there.argmax(axis=1), -1)


def replay(
    loop: Loop, counts: NDArray[Any], *, warm: bool = False, memory: Memory | None = None,
    elapsed: NDArray[Any] | None = None,
) -> Replayed:  # fmt: skip
    """Run counts through the loop.

    Parameters
    ----------
    loop : Loop
    counts : ndarray of int, shape (points, samples, pins)
    warm : bool
        Whether the warming up is over at the first sample.
    memory : Memory, optional
        To go on from, and changed.
    elapsed : ndarray of int, shape (points, samples), optional
        From the sample before to each [us]; without it all come on time.
    """
    points, samples, _ = counts.shape
    counts = counts.astype(np.int64)
    memory = memory or Memory(loop, points, "running" if warm else "warming")
    states, causes = (np.zeros((points, samples), dtype=np.int64) for _ in range(2))
    tripped, warned = [""] * points, [set[str]() for _ in range(points)]
    step = _Step(loop)
    for sample in range(samples):
        before = memory.state
        step(memory, counts[:, sample], None if elapsed is None else elapsed[:, sample])
        for point in np.flatnonzero(memory.state != before).tolist():
            _note(loop, memory, point, tripped, warned)
        states[:, sample], causes[:, sample] = memory.state, memory.cause
    return Replayed(states, causes, tripped, warned, memory)


class _Step:
    """One sample: the loop's constants as arrays."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.halves = np.array(loop.halves, dtype=np.int64).reshape(-1, loop.valves)
        self.next = np.array([[STATES.index(state) for state in row] for row in NEXT])
        self.events = np.array([EVENTS.index(check.event) for check in loop.checks], dtype=np.int64)
        self.phases = np.array([check.phases for check in loop.checks], dtype=np.int64)
        self.level = np.array([check.counts for check in loop.checks], dtype=np.int64)
        self.needed = np.array([check.samples for check in loop.checks], dtype=np.int64)
        # What is met below a level is met above it with both signs turned.
        self.sign = np.array([-1 if check.below else 1 for check in loop.checks], dtype=np.int64)
        sizes = [len(self.halves) if source == "apart" else loop.pins for source in SOURCES]
        begins = dict(zip(SOURCES, np.concatenate([[0], np.cumsum(sizes)[:-1]]).tolist(), strict=True))
        self.place = np.array([begins[check.source] + check.signal for check in loop.checks], dtype=np.int64)
        # The first check of the highest event is the cause: events fall, and within one the number rises.
        self.rank = self.events * (len(loop.checks) + 1) - np.arange(len(loop.checks))

    def __call__(self, m: Memory, new: Integers, elapsed: Integers | None) -> None:
        loop = self.loop
        if not m.started:
            m.sums, m.last, m.started = new << loop.shift, new.copy(), True
            elapsed = None
        m.sums = m.sums + new - (m.sums >> loop.shift)
        smooth = m.sums >> loop.shift
        m.rough = m.rough + np.abs(new - m.last) - (m.rough >> ROUGH_SHIFT)
        m.still = np.where((new == m.last) & (new >= loop.dark), m.still + 1, 0)
        m.last = new
        valves = smooth[:, : loop.valves]
        most = valves.max(axis=1)
        starting = m.state == _WARMING
        m.patience = np.where(~starting & (most >= loop.dark), loop.patience, m.patience)
        waits = starting & (most < loop.dark) & (m.patience > 0)
        m.patience = m.patience - waits
        m.samples = np.where(waits, 0, np.minimum(m.samples + 1, loop.warming))
        over = m.samples >= loop.warming
        cold = starting & ~over
        self._slow(m, smooth, cold)
        # Who has waited in vain has no other start before it.
        most = np.where(m.patience > 0, most, loop.dark)
        if loop.supply:  # no current while the supply is there is no mains that is off
            most = np.where(smooth[:, loop.valves] > loop.supply, np.maximum(most, loop.dark), most)
        signals = np.concatenate([smooth, np.abs(valves @ self.halves.T), new, m.rough >> ROUGH_SHIFT, m.still,
                                  m.drift, most[:, None]], axis=1)  # fmt: skip
        met = self.sign * signals[:, self.place] > self.sign * self.level
        live = (self.phases & np.where(cold, STARTING, RUNNING)[:, None]) != 0
        m.held = np.where(met & live, m.held + 1, 0)
        rank = np.where(m.held >= self.needed, self.rank, 0).max(axis=1, initial=0)
        event = -(-rank // (len(loop.checks) + 1))
        cause = np.where(rank > 0, event * (len(loop.checks) + 1) - rank, len(loop.checks))
        clear = np.where(over, _WARM, 0)
        cause, event = np.where(event > clear, cause, len(loop.checks)), np.maximum(event, clear)
        if elapsed is not None:
            late = np.abs(elapsed - loop.period) > loop.period // 8
            m.off_beat = np.where(late, m.off_beat + 1, 0)
            clock = (m.off_beat >= OFF_BEAT) & (event < _TRIP)
            cause, event = np.where(clock, len(loop.checks) + 1, cause), np.where(clock, _TRIP, event)
        state = self.next[m.state, event]
        m.cause = np.where(state != m.state, cause, m.cause)
        again = (state == _WARMING) & (m.state != _WARMING)
        m.samples = np.where(again, 0, m.samples)
        m.state = state

    def _slow(self, m: Memory, smooth: Integers, cold: NDArray[np.bool_]) -> None:
        """Take the mean of every minute, and hold it against the first one's since the valves are warm."""
        m.slow = np.where(cold[:, None], 0, m.slow + smooth)
        m.slow_samples = np.where(cold, 0, m.slow_samples + 1)
        m.known &= ~cold
        m.drift[cold] = 0
        full = m.slow_samples >= self.loop.slow
        if full.any():
            mean = m.slow // self.loop.slow
            first = full & ~m.known
            m.reference[first] = mean[first]
            m.drift[full] = np.maximum(mean - m.reference, 0)[full]
            m.known |= full
            m.slow[full] = 0
            m.slow_samples[full] = 0


def _note(loop: Loop, memory: Memory, point: int, tripped: list[str], warned: list[set[str]]) -> None:
    cause, state = int(memory.cause[point]), STATES[memory.state[point]]
    name = loop.checks[cause].name if cause < len(loop.checks) else "clock" if cause > len(loop.checks) else ""
    if state == "tripped":
        tripped[point] = name
    elif state == "warning":
        warned[point].add(name)


__all__ = [
    "ALWAYS", "EVENTS", "NEXT", "OFF_BEAT", "ROUGH_SHIFT", "RUNNING", "SOURCES", "STARTING", "STATES", "Check", "Loop",
    "Memory", "Replayed", "replay",
]  # fmt: skip
