"""The levels of a stage's valves: from healthy currents over sense resistor, gain, filter and converter to counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.cathode_guard.loop import ALWAYS, RUNNING, STARTING
from simwrap.errors import InputError, RangeError

Floats = NDArray[np.float64]

#: Sense resistor where the design has none [ohm].
SENSE = 10.0
#: By how much a level lies outside the window that it guards, as a share of the current at rest: the fit of the valves'
#: laws, drift and what else isn't drawn (common practice, no source).
_MARGIN = 0.05
#: A trip level, as a share of the warning level; where a valve does no longer work; what only a short can draw.
_TRIP, _DEAD, _SHORT = 1.2, 0.4, 1.6
#: Time over which the loop smooths where nothing is said [s].
_SMOOTHING = 0.064
#: Counts at the least between a window and its level.
_LEAST_COUNTS = 4
#: By how much slow changes of the mains move a current at rest, as a share (common practice, no source).
_MAINS_SHARE = 0.1
#: How long trip levels have to be passed at the least, while the valves warm up and later [s]; by how much longer than
#: the longest healthy start passes them, and by how much above its highest current a level lies.
_START_HOLD, _START_LONG, _TRIP_HOLD, _LONGER, _ABOVE = 0.5, 8.0, 0.25, 1.5, 1.15
#: What is quick in a start is over by then [s].
_QUICK_OVER = 2.0
#: How long a converter's neighbour counts may stay the same [s], and samples at the least; from which noise on [counts
#: r.m.s.] that says anything.
_STILL, _STILL_SAMPLES, _STILL_NOISE = 10.0, 2500, 0.25
#: Time over which a mean is taken for the warning of a drift [s].
MINUTE = 60.0


@dataclass(frozen=True, kw_only=True)
class Converter:
    """The way from a sense resistor into the microcontroller, and how it is read.

    Attributes
    ----------
    sense : float
        Sense resistor [ohm], where the design has none of its own.
    sense_tolerance : float
        As a share.
    bits : int
    reference : float
        [V].
    reference_tolerance : float
        As a share.
    gain : float
        From the sense resistor to the pin: below 1 a divider, above 1 an amplifier.
    resistance, capacitance : float
        Filter before the pin [ohm, F].
    rate : int
        Samples a second of each pin.
    shift : int, optional
        The loop smooths over 2 to the power of it samples; by itself over about 64 ms.
    warming : float
        From the first current of a start until all levels are live [s].
    supply_share : float
        From the anode supply to a free pin, by a divider; 0: it isn't watched.
    noise : float
        Of the converter and its reference at the pin [V r.m.s.] (common practice, no source).
    """

    sense: float = SENSE
    sense_tolerance: float = 0.01
    bits: int = 12
    reference: float = 3.3
    reference_tolerance: float = 0.01
    gain: float = 1.0
    resistance: float = 10e3
    capacitance: float = 4.7e-6
    rate: int = 250
    shift: int | None = None
    warming: float = 30.0
    supply_share: float = 0.0
    noise: float = 2.5e-4

    def __post_init__(self) -> None:
        """Refuse what no converter can be."""
        bounds: dict[str, tuple[float, float, str]] = {
            "sense": (0.1, 1e3, "from 0.1 to 1000 ohm"), "sense_tolerance": (0.0, 0.2, "a share from 0 to 0.2"),
            "bits": (6, 16, "from 6 to 16"), "reference": (0.5, 10.0, "from 0.5 to 10 V"),
            "reference_tolerance": (0.0, 0.2, "a share from 0 to 0.2"), "gain": (1e-3, 1e3, "from 0.001 to 1000"),
            "resistance": (10.0, 1e7, "from 10 ohm to 10 Mohm"), "capacitance": (1e-10, 1e-3, "from 100 pF to 1 mF"),
            "rate": (20, 20000, "from 20 to 20000 a second"), "shift": (0, 10, "from 0 to 10"),
            "warming": (0.0, 600.0, "from 0 to 600 s"), "noise": (0.0, 1.0, "from 0 to 1 V"),
            "supply_share": (0.0, 0.1, "a share from 0 to 0.1"),
        }  # fmt: skip
        if self.shift is None:
            object.__setattr__(self, "shift", int(np.clip(round(np.log2(max(self.rate * _SMOOTHING, 1.0))), 0, 10)))
        for name, (low, high, words) in bounds.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise RangeError(name, value, words, "guard")

    @property
    def full_scale(self) -> int:
        """Largest count."""
        return int(2**self.bits - 1)

    @property
    def amperes(self) -> float:
        """Current of one count [A], with :attr:`sense`."""
        return float(self.reference / 2**self.bits / self.gain / self.sense)

    @property
    def filter_time(self) -> float:
        """Time constant of the filter [s]."""
        return self.resistance * self.capacitance

    @property
    def smoothing_time(self) -> float:
        """Time constant of the smoothing [s]."""
        return float(2 ** (self.shift or 0) / self.rate)

    def counts(self, volts: Any, references: Any = 1.0, random: np.random.Generator | None = None) -> NDArray[np.int64]:
        """Return what is converted at a pin [V]; ``references`` are the true ones, relative to :attr:`reference`.

        With ``random`` the converter's noise is added.
        """
        volts = np.nan_to_num(np.asarray(volts, dtype=float))
        if random is not None:
            volts = volts + self.noise * random.standard_normal(volts.shape)
        steps = np.floor(volts / (self.reference * references) * 2**self.bits)
        return np.asarray(np.clip(steps, 0, self.full_scale), dtype=np.int64)

    def passed(self, frequency: float) -> float:
        """Return which part of a sine's amplitude the filter lets through."""
        return float(1.0 / np.hypot(1.0, 2.0 * np.pi * frequency * self.filter_time))


@dataclass(frozen=True)
class Level:
    """A level of one stage's valves, or of how far the halves of a pair are apart.

    Attributes
    ----------
    name : str
        "trip_high", "warn_imbalance" and the like.
    current : float
        [A].
    volts : float
        Across the sense resistor.
    counts : int
    hold : float
        How long it must last [s].
    within : float
        How soon after the current has passed it the guard acts [s]: filter, smoothing and the hold.
    event : str
        "warn", "trip" or "short".
    below : bool
        Whether it is met below.
    source : str
        What it looks at, see :data:`~simwrap.cathode_guard.loop.SOURCES`.
    phases : int
        When it is live: :data:`~simwrap.cathode_guard.loop.STARTING`, ``RUNNING`` or both.
    """

    name: str
    current: float
    volts: float
    counts: int
    hold: float
    within: float
    event: str
    below: bool = False
    source: str = "smooth"
    phases: int = RUNNING

    @property
    def of_pair(self) -> bool:
        """Whether it is about the halves of a pair."""
        return self.source == "apart"


@dataclass(frozen=True)
class SupplyGuard:
    """The anode supply, where a pin is free for it.

    Attributes
    ----------
    share : float
        Of the divider before the pin.
    expected : float
        At rest [V].
    window : tuple of float
        Of healthy builds at rest [V].
    present, low, high : float
        From which voltage on it counts as there, and below and above which it is warned of [V].
    hold : float
        How long the last two must last [s].
    volts_per_count : float
        [V].
    """

    share: float
    expected: float
    window: tuple[float, float]
    present: float
    low: float
    high: float
    hold: float
    volts_per_count: float

    def counts(self, volts: float) -> int:
        """Return what a voltage reads."""
        return round(volts / self.volts_per_count)


def supply_guard(quiet: Floats, drop: float, way: Converter) -> SupplyGuard:
    """Return the levels of the supply.

    Parameters
    ----------
    quiet : ndarray, shape (builds,)
        Of healthy builds at rest [V].
    drop : float
        By which full power lowers it [V].
    way : Converter

    Raises
    ------
    InputError
        If it doesn't fit the converter.
    """
    step = way.reference / 2**way.bits / way.supply_share
    expected, low, high = (float(each(quiet)) for each in (np.nanmean, np.nanmin, np.nanmax))
    margin = (_MARGIN + way.reference_tolerance) * expected
    # Cold valves draw nothing: a third more than at rest, and something to spare (common practice, no source).
    if (most := 1.4 * high) > way.full_scale * step:
        raise InputError(
            f"guard: the supply may reach {most:.3g} V before the valves are warm, {most * way.supply_share:.3g} V at "
            f"its pin, and the converter ends at {way.reference:g} V; give a smaller share than "
            f"{way.supply_share:g}, such as {0.9 * way.reference / most:.2g}"
        )
    return SupplyGuard(
        way.supply_share, expected, (low, high), 0.5 * expected, low - drop - margin, high + margin, 3.0, step
    )


@dataclass(frozen=True)
class StageGuard:
    """What is known of one output stage's valves, and their levels.

    Attributes
    ----------
    stage : str
    expected : float
        Cathode current of each valve at rest [A].
    window : tuple of float
        Of healthy builds at rest [A].
    loud : float
        Highest average of a healthy build at full power [A].
    rise : float
        Average at full power as a share of that at rest.
    apart : float
        How far the halves of a healthy pair are apart at most [A], 0 where there are none.
    swing : float
        Largest amplitude of a signal current at full power [A].
    levels : tuple of Level
    """

    stage: str
    expected: float
    window: tuple[float, float]
    loud: float
    rise: float
    apart: float
    swing: float
    levels: tuple[Level, ...]

    def level(self, name: str) -> Level:
        """Return a level by name."""
        return next(level for level in self.levels if level.name == name)


def stage_guard(
    stage: str, nominal: Floats, quiet: Floats, rise: float, apart: Floats | None, swing: float, way: Converter,
    started: Sequence[Floats] = (),
) -> StageGuard:  # fmt: skip
    """Return the levels of one stage's valves.

    Parameters
    ----------
    stage : str
    nominal : ndarray, shape (valves,)
        Currents at rest [A].
    quiet : ndarray, shape (builds, valves)
        Those of healthy builds [A].
    rise : float
        Average at full power as a share of that at rest.
    apart : ndarray, shape (builds,), optional
        How far the halves are apart [A]; None where there are none.
    swing : float
        Amplitude of a signal current at full power [A].
    way : Converter
    started : sequence of ndarray, shape (builds, samples, valves)
        Currents of healthy starts behind the filter [A], 250 samples a second.
    """
    expected = float(nominal.mean())
    low, high = float(np.nanmin(quiet)), float(np.nanmax(quiet))
    loud = high * max(rise, 1.0)
    # What the converter itself adds to a reading: its reference, and a filter's rest of the lowest tones.
    margin = _MARGIN * expected + way.reference_tolerance * expected
    settle = 4.0 * (way.filter_time + way.smoothing_time)

    def level(name: str, current: float, hold: float, event: str, below: bool = False, **more: Any) -> Level:
        counts = round(current / way.amperes)
        within = hold + (4.0 * way.filter_time if event == "short" else settle) + 2.0 / way.rate
        return Level(name, current, current * way.sense, counts, hold, within, event, below, **more)

    warn_high = max(loud + margin, loud + _LEAST_COUNTS * way.amperes)
    trip_high = _TRIP * warn_high
    warn_low = max(min(low * min(rise, 1.0) - margin, low - _LEAST_COUNTS * way.amperes), 2.0 * way.amperes)
    # A true pin can't change faster between two samples than its filter lets it; the rest is the converter's noise.
    rough = max(swing / (way.rate * way.filter_time), 0.0) + 3.0 * way.noise / way.gain / way.sense
    drift = (max(rise, 1.0) - 1.0) * high + _MAINS_SHARE * expected + margin
    levels = [
        *_of_overloads(level, trip_high, high, started, way),
        level("warn_high", warn_high, 3.0, "warn"),
        level("warn_low", warn_low, 3.0, "warn", True),
        level("trip_low", _DEAD * warn_low, 1.0, "trip", True),
        level("trip_rough", rough + _LEAST_COUNTS * way.amperes, 0.5, "trip", source="rough", phases=ALWAYS),
        level("warn_drift", drift, MINUTE, "warn", source="drift"),
    ]
    if way.noise * 2**way.bits / way.reference >= _STILL_NOISE:
        samples = max(round(_STILL * way.rate), _STILL_SAMPLES)
        levels.append(Level("trip_still", 0.0, 0.0, samples, 0.0, (samples + 2.0) / way.rate, "trip", source="still",
                            phases=ALWAYS))  # fmt: skip
    widest = 0.0
    if apart is not None:
        widest = float(np.nanmax(apart))
        warn = widest * max(rise, 1.0) + margin
        levels += [
            level("warn_imbalance", warn, 3.0, "warn", source="apart"),
            level("trip_imbalance", warn + 0.3 * expected, 0.5, "trip", source="apart"),
        ]
    made = StageGuard(stage, expected, (low, high), loud, rise, widest, swing, tuple(levels))
    _fits(made, way)
    return made


def _of_overloads(
    level: Callable[..., Level], trip_high: float, high: float, started: Sequence[Floats], way: Converter
) -> list[Level]:
    """Return the levels of what is too much, out of reach of healthy starts."""
    # Fewer builds are started than the window has: its highest would go as much further.
    scale = max([1.0, *(high / float(each[:, -1].max()) for each in started[:1])])
    quick = round(_QUICK_OVER * 250)
    peak = scale * max((float(each.max()) for each in started), default=0.0)
    slow = scale * max((float(each[:, quick:].max()) for each in started), default=0.0)
    start_high = max(trip_high, _ABOVE * slow)
    holds = [max(least, _LONGER * _longest(started, current / scale, way, samples))
             for current, least, samples in ((start_high, _START_HOLD, quick), (trip_high, _START_LONG, 10**6),
                                             (trip_high, _TRIP_HOLD, quick))]  # fmt: skip
    return [
        level("short_high", max(_SHORT * trip_high, _ABOVE * peak), 0.03, "short", source="raw", phases=ALWAYS),
        level("start_high", start_high, holds[0], "trip", phases=STARTING),
        level("start_long", trip_high, holds[1], "trip", phases=STARTING),
        level("trip_high", trip_high, holds[2], "trip"),
    ]


def _longest(started: Sequence[Floats], current: float, way: Converter, samples: int) -> float:
    """Return for how long a smoothed current of a start is above a level at most [s], within so many samples."""
    longest = 0.0
    part = 1.0 - float(np.exp(-1.0 / (250.0 * way.smoothing_time)))
    for each in started:
        smooth, held = each[:, 0], np.zeros_like(each[:, 0])
        for sample in range(min(samples, each.shape[1])):
            smooth = smooth + part * (each[:, sample] - smooth)
            held = np.where(smooth > current, held + 1.0 / 250.0, 0.0)
            longest = max(longest, float(held.max()))
    return longest


def _fits(made: StageGuard, way: Converter) -> None:
    """Refuse a converter that a stage's currents are too large or too small for."""
    top = made.level("short_high")
    if top.counts > 0.97 * way.full_scale:
        volts = top.volts * way.gain
        raise InputError(
            f"guard: {made.stage} reaches {volts:.3g} V at the pin at its highest level, and the converter ends at "
            f"{way.reference:g} V; give a smaller gain than {way.gain:g}, such as {0.9 * way.reference / top.volts:.2g}"
        )
    if made.level("trip_low").counts < 2 * _LEAST_COUNTS:
        raise InputError(
            f"guard: one count is {way.amperes * 1e3:.3g} mA, too coarse for {made.stage} at "
            f"{made.expected * 1e3:.3g} mA; give more bits, a larger gain or a larger sense resistor"
        )


__all__ = ["MINUTE", "SENSE", "Converter", "Level", "StageGuard", "SupplyGuard", "stage_guard", "supply_guard"]
