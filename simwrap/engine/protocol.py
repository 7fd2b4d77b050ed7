"""What is asked of an engine and what comes back: plain frozen data, no engine code.

A :class:`NetlistTable` is one netlist text and a table of element values, one row a point. Runs
(:class:`OpRun`, :class:`AcRun`, ...) say which analysis is wanted of every point. A
:class:`Reply` holds arrays whose first axis is the point. A point that fails is NaN and has
its reason; the others are not touched.

Everything here can be pickled, and importing it loads nothing but numpy.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.netlist.element import Element
from simwrap.netlist.text import text_of

Array = NDArray[Any]


@dataclass(frozen=True)
class NetlistTable:
    """One circuit and the element values of every point.

    Parameters
    ----------
    text : str
        Element lines with plain numbers: no title, no ``.end``, no analyses, no options.
        Node names start with ``n_`` (ground is ``0``), device names with their SPICE letter
        and an underscore (``r_anode``, ``b_v1_ia``). All lower case.
    table : mapping of str to ndarray, shape (points,)
        For each element named, its value at each point (ohm, farad, henry, or the dc value
        of a v or i source). Elements that are not named keep the value in ``text``.
    points : int
        Number of points; 1 when the table is empty.
    """

    text: str
    table: Mapping[str, Array] = field(default_factory=dict)
    points: int = 1

    @classmethod
    def of(cls, elements: Iterable[Element], points: int = 1) -> NetlistTable:
        """Return the circuit of elements; a value that is an array, of shape (points,), is a column of the table."""
        elements = list(elements)
        return cls(text_of(elements), {each.name: each.value for each in elements if np.ndim(each.value)}, points)


@dataclass(frozen=True)
class OpRun:
    """Operating point. ``vectors`` are node names ([V]) or ``i(v_name)``; empty: all nodes.

    With ``natural`` the reply's extras have the natural frequencies [1/s] about it: ``poles`` (points, several), those
    with the largest real parts, that first, and ``ringing`` (points,), of those that swing the one that loses least a
    turn; complex, NaN where there is none.

    With a ``source`` they have the answers of the ``stepped`` vectors to a step of 1 V or 1 A of it, in the circuit
    linearised about the operating point: sums of amplitude exp(rate time). ``rates`` (points, modes) [1/s], complex,
    and ``amplitudes``, (points, stepped, modes); NaN where a point has fewer. The first rate is 0: what it settles at.
    How many ``modes`` there may be is counted from the netlist.
    """

    vectors: tuple[str, ...] = ()
    natural: bool = False
    source: str = ""
    stepped: tuple[str, ...] = ()
    modes: int = 0


@dataclass(frozen=True)
class AcRun:
    """Small-signal sweep over ``start`` .. ``stop`` [Hz], ``per_decade`` points a decade.

    The frequencies are start*10**(k/per_decade). Reply arrays: complex, (points, frequencies). What drives it are the
    ac values of the netlist. With ``linear`` it isn't the engine's own analysis, but that of the circuit linearised
    about the engine's operating point (:mod:`simwrap.engine.small_signal`), and ``source`` alone drives it, with 1.
    """

    start: float
    stop: float
    per_decade: int
    vectors: tuple[str, ...]
    source: str = ""
    linear: bool = False

    @property
    def frequencies(self) -> Array:
        """All frequencies [Hz]."""
        return _sweep(self.start, self.stop, self.per_decade)


@dataclass(frozen=True)
class NoiseRun:
    """Noise at node ``output``, referred to the v source ``source``.

    Reply vectors: ``output_density`` and ``input_density`` [V/rtHz], (points, frequencies). ``linear``: as in an AcRun;
    the first alone, for the other is its quotient by the gain.
    """

    start: float
    stop: float
    per_decade: int
    output: str
    source: str = "v_signal"
    linear: bool = False

    @property
    def frequencies(self) -> Array:
        """All frequencies [Hz]."""
        return _sweep(self.start, self.stop, self.per_decade)


def _sweep(start: float, stop: float, per_decade: int) -> Array:
    # A hair more, so that rounding can't lose the last one.
    count = math.floor(math.log10(stop / start) * per_decade + 1e-9) + 1
    frequencies: Array = start * 10.0 ** (np.arange(count) / per_decade)
    return frequencies


@dataclass(frozen=True)
class Sine:
    """A sine: ``amplitude`` [V peak], ``frequency`` [Hz], ``phase`` [degree]."""

    amplitude: float
    frequency: float
    phase: float = 0.0

    def scaled(self, factor: float) -> Sine:
        """Return the same shape at another level."""
        return replace(self, amplitude=self.amplitude * factor)


@dataclass(frozen=True)
class Pulse:
    """A SPICE pulse: levels [V], ``delay``, ``rise``, ``fall``, ``width``, ``period`` [s]."""

    low: float
    high: float
    delay: float
    rise: float
    fall: float
    width: float
    period: float

    def scaled(self, factor: float) -> Pulse:
        """Return the same shape at another level."""
        return replace(self, low=self.low * factor, high=self.high * factor)


@dataclass(frozen=True)
class Pwl:
    """A piecewise linear source: ``times`` [s], ``values`` [V]."""

    times: tuple[float, ...]
    values: tuple[float, ...]

    def scaled(self, factor: float) -> Pwl:
        """Return the same shape at another level."""
        return replace(self, values=tuple(factor * value for value in self.values))


@dataclass(frozen=True)
class SteadyRun:
    """Periodic steady state, driven by the source named ``source``.

    Parameters
    ----------
    fundamental : float
        The repetition frequency [Hz]; each tone is a whole multiple of it.
    tones : tuple of Sine
        Tones with the relative amplitudes; each is multiplied by the amplitude of the level.
    amplitude : ndarray, shape (points, levels)
        Drive level [V peak] for each point and level.
    vectors : tuple of str
        Node names (or ``i(v_name)``) to return.
    samples : int
        Samples a period returned, a power of two.
    tolerance : float
        Largest change of any returned harmonic between successive blocks, relative to the
        fundamental, that counts as settled.
    max_periods : int
        Give up after so many periods: the point is then failed with that reason.
    known_levels, known_states : ndarray, shapes (points, known) and (points, known, states), optional
        Drive levels [V peak] that were run before and the ``state`` of their replies, for a quicker beginning; NaN
        where there is none.

    Reply vectors: float, (points, levels, samples), one whole period that starts at phase 0.
    Reply extras: ``periods`` (points, levels) and ``method`` ("shooting", "brute
    force", or "at rest" for an amplitude of 0); ``state`` (points, levels, states), the voltages of all nodes [V] and
    the currents of all coils [A] at phase 0, where a level came to rest.
    """

    fundamental: float
    tones: tuple[Sine, ...]
    amplitude: Array
    vectors: tuple[str, ...]
    source: str = "v_signal"
    samples: int = 256
    tolerance: float = 1e-5
    max_periods: int = 2000
    known_levels: Array | None = None
    known_states: Array | None = None


@dataclass(frozen=True)
class TransientRun:
    """A transient from the operating point (or from ``initial`` = "zero", a cold start).

    The levels of the terms are multiplied by ``amplitude``, shape (points, 1), where it is given.
    Reply vectors: float, (points, samples) on the uniform grid ``axis`` of
    ``samples`` instants over start .. stop [s]; ``step`` [s] is the largest time step.
    """

    stop: float
    step: float
    vectors: tuple[str, ...]
    terms: tuple[Sine | Pulse | Pwl, ...] = ()
    source: str = "v_signal"
    start: float = 0.0
    samples: int = 2048
    initial: str = "operating point"
    amplitude: Array | None = None


Analysis = OpRun | AcRun | NoiseRun | SteadyRun | TransientRun


def at_points(run: Analysis, points: Any) -> Analysis:
    """Return what is asked of some of the points (an index or a slice)."""
    if isinstance(run, SteadyRun) and run.known_levels is not None and run.known_states is not None:
        known = run.known_levels[points], run.known_states[points]
        return replace(run, amplitude=run.amplitude[points], known_levels=known[0], known_states=known[1])
    if isinstance(run, SteadyRun | TransientRun) and run.amplitude is not None:
        return replace(run, amplitude=run.amplitude[points])
    return run


@dataclass
class Reply:
    """What an engine gives back for one run.

    Attributes
    ----------
    values : dict of str to ndarray
        One array a vector, first axis the point; NaN where the point failed.
    axis : ndarray or None
        Frequencies [Hz] or times [s] (None for an operating point).
    reasons : list of str
        One entry a point, "" where it succeeded (a failed level of a steady-state run gives
        its reason too, and its values alone are NaN).
    engines : list of str
        Which engine did each point.
    extras : dict
        Further arrays, first axis the point.
    """

    values: dict[str, Array]
    axis: Array | None
    reasons: list[str]
    engines: list[str]
    extras: dict[str, Any] = field(default_factory=dict)

    @property
    def failed(self) -> NDArray[np.bool_]:
        """Mask of failed points, shape (points,)."""
        return np.array([bool(reason) for reason in self.reasons])
