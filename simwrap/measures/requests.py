"""What a measure may ask for, and what it gives back. Plain data: no engine, no stage code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from simwrap.engine.protocol import Pulse, Pwl, Sine
from simwrap.findings.finding import Finding

Array = NDArray[Any]


@dataclass(frozen=True, kw_only=True)
class Request:
    """Base of all requests.

    Parameters
    ----------
    excite : str
        Which source has an ac value of 1: "signal", "output" (a current into the output
        node), the name of a supply, or "<valve instance>_drive" (its grid), "..._anode",
        "..._screen", "..._grid" (a current to the cathode) or "..._heater".
    vary : mapping of str to ndarray, shape (settings,) or (points, settings)
        Parameters changed together, one setting a row; adds an axis after the point axis. The
        second shape gives each point settings of its own.
    extra : mapping
        Further values for the renderer, such as ``{"sources": {"v1": True}}``.
    """

    excite: str = "signal"
    vary: Mapping[str, Array] = field(default_factory=dict)
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Op(Request):
    """Operating point; the reply holds every node."""


@dataclass(frozen=True, kw_only=True)
class Poles(Request):
    """Natural frequencies of the linearised circuit [1/s].

    The reply's vector "poles" is complex, shape (points, [settings], n): those with the largest real parts, that
    first; NaN where there are fewer. "growing" is the mask of those that grow. "ringing", shape (points, [settings]),
    is of those that swing the one that loses least a turn, NaN where none does, and "damping" its damping: 0 swings for
    ever, 1 not at all.
    """


@dataclass(frozen=True, kw_only=True)
class Step(Request):
    """What follows a step of 1 V or 1 A of what ``excite`` names, in the linearised circuit.

    The reply's vector "rates" is complex, shape (points, [settings], modes), 0 the first [1/s]; each asked vector has
    amplitudes of the same shape, and moves by the sum of amplitude * exp(rate * time). NaN where a point has fewer
    modes. "growing" is the mask of the rates that grow.
    """

    vectors: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Ac(Request):
    """Small-signal sweep; see :class:`simwrap.engine.protocol.AcRun`."""

    start: float
    stop: float
    per_decade: int
    vectors: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Noise(Request):
    """Noise; see :class:`simwrap.engine.protocol.NoiseRun`. The reply holds "output_density" [V/rtHz]."""

    start: float
    stop: float
    per_decade: int
    output: str


@dataclass(frozen=True, kw_only=True)
class Steady(Request):
    """Periodic steady state; see :class:`simwrap.engine.protocol.SteadyRun`.

    ``amplitude`` has the shape (points, levels) or (points, settings, levels).
    """

    fundamental: float
    tones: tuple[Sine, ...]
    amplitude: Array
    vectors: tuple[str, ...]
    samples: int = 256
    tolerance: float = 1e-5


@dataclass(frozen=True, kw_only=True)
class Transient(Request):
    """Transient; see :class:`simwrap.engine.protocol.TransientRun`.

    ``amplitude`` [a factor on the terms' levels] has the shape (points, 1) or (points, settings, 1).
    """

    stop: float
    step: float
    vectors: tuple[str, ...]
    terms: tuple[Sine | Pulse | Pwl, ...] = ()
    start: float = 0.0
    samples: int = 2048
    initial: str = "operating point"
    amplitude: Array | None = None


@dataclass(frozen=True)
class Variable:
    """One labelled result.

    Parameters
    ----------
    dims : tuple of str
        Names of the axes after the point axis, as the measure has them ("frequency").
    values : ndarray
        First axis the point.
    unit : str
        SI unit, "" for a pure number, "dB", "%", "degree".
    long_name : str
        Words for an axis label or a table.
    """

    dims: tuple[str, ...]
    values: Any
    unit: str
    long_name: str


@dataclass(frozen=True)
class Result:
    """What a measure returns: variables by path, coordinates by dim, and its conditions.

    A path has dots where figures are in groups: ``gain``, ``valves.v1.anode_current``; see
    :mod:`simwrap.measures.results` for the names that are made of them.

    ``coords`` maps a dim to a Variable whose values have no point axis (``dims`` is ()), or
    is absent where the dim is labelled by a variable of its own. ``conditions`` states
    frequency, level, load and the like, each as (value, unit). ``findings`` holds, for each
    point, what is noticed there. ``checked`` and ``unrated`` are the limits that were looked at, and those that could
    not be since no rating is known: each is subject and quantity.
    """

    variables: dict[str, Variable]
    coords: dict[str, Variable] = field(default_factory=dict)
    conditions: dict[str, tuple[Any, str]] = field(default_factory=dict)
    findings: list[list[Finding]] = field(default_factory=list)
    checked: tuple[tuple[str, str], ...] = ()
    unrated: tuple[tuple[str, str], ...] = ()

    @property
    def warnings(self) -> list[list[str]]:
        """The sentences of the findings of each point."""
        return [[finding.text for finding in point] for point in self.findings]
