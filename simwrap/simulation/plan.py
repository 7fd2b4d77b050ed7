"""The plan: which requests of measures are the same, which share a netlist, and what an engine is asked for them."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.bench import SIGNAL
from simwrap.circuits.point_table import PointTable
from simwrap.engine import protocol
from simwrap.measures.requests import Ac, Noise, Op, Poles, Request, Steady, Step, Transient


def several(wanted: Any) -> Sequence[Request]:
    """Return what a measure yielded as a sequence: one request, or a list that runs together."""
    return wanted if isinstance(wanted, list | tuple) else [wanted]


def fingerprint(value: Any) -> Any:
    """Return something hashable that is equal for equal requests."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [entry.name for entry in dataclasses.fields(value)]
        return (type(value).__name__, *[fingerprint(getattr(value, name)) for name in names])
    if isinstance(value, Mapping):
        return tuple(sorted((key, fingerprint(entry)) for key, entry in value.items()))
    if isinstance(value, np.ndarray):
        return (value.shape, value.tobytes())
    if isinstance(value, list | tuple):
        return tuple(fingerprint(entry) for entry in value)
    return value


def same_signal(request: Steady) -> Any:
    """Return what two requests have in common whose steady states differ in the level alone."""
    shared = (request.excite, request.vary, request.extra, request.fundamental, request.tones)
    return tuple(fingerprint(entry) for entry in shared)


def needs_rest(request: Request) -> bool:
    """Return whether a request has an answer only where the circuit stays at rest by itself."""
    return isinstance(request, Steady | Step | Transient)


def needs_signal(request: Request) -> bool:
    """Return whether a request has no answer where no signal comes in; a transfer from there is nought."""
    if request.excite != "signal":
        return False
    return isinstance(request, Noise) or needs_rest(request) or f"i({SIGNAL})" in getattr(request, "vectors", ())


@dataclass(frozen=True)
class Group:
    """Requests that share a netlist, apart from what excites it where they are ``linear``.

    Attributes
    ----------
    requests : list of Request
        They vary the same parameters, and have the same extras.
    at_rest : bool
        Whether they need a circuit that stays at rest: these go apart, for they have no meaning where others have.
    linear : bool
        Whether small signals are wanted from the linearised circuit, all from one netlist whatever they excite.
    """

    requests: list[Request]
    at_rest: bool
    linear: bool

    @property
    def circuit(self) -> Any:
        """What decides about the circuit, whatever is excited."""
        return _circuit(self.requests[0])


def _circuit(request: Request) -> Any:
    return fingerprint(request.vary), fingerprint(request.extra)


def plan(requests: Sequence[Request], least_sweeps: float) -> list[Group]:
    """Sort requests into groups, each request once, in the order in which they were asked.

    Parameters
    ----------
    requests : sequence of Request
    least_sweeps : float
        How many sweeps about one operating point are enough to make the circuit linear there.
    """
    fresh = list({fingerprint(request): request for request in requests}.values())
    sweeps = Counter(_circuit(request) for request in fresh if isinstance(request, Ac | Noise))
    groups: dict[Any, Group] = {}
    for request in fresh:
        at_rest = needs_rest(request)
        linear = not at_rest and sweeps[_circuit(request)] >= least_sweeps
        place = (at_rest, None if linear else request.excite, _circuit(request))
        groups.setdefault(place, Group([], at_rest, linear)).requests.append(request)
    return _joined_points(list(groups.values()))


def _joined_points(groups: list[Group]) -> list[Group]:
    """An operating point doesn't depend on what is excited: let it ride with another run."""
    left = dict(enumerate(groups))
    for number in list(left):
        group = left[number]
        if not all(isinstance(request, Op) for request in group.requests):
            continue
        for place, other in left.items():
            if place != number and not other.at_rest and other.circuit == group.circuit:
                # Behind the others: the first request says what is excited.
                left[place] = dataclasses.replace(other, requests=[*other.requests, *group.requests])
                del left[number]
                break
    return list(left.values())


def analysis_of(request: Request, settings: int, source: str, linear: bool) -> protocol.Analysis:
    """Translate a request into what an engine takes (amplitudes flattened to points).

    With ``linear``, sweeps are those of the linearised circuit, driven by the device ``source``; a step always is.
    """
    match request:
        case Poles():
            return protocol.OpRun(natural=True)
        case Step():
            return protocol.OpRun(source=source, stepped=tuple(request.vectors))
        case Op():
            return protocol.OpRun()
        case Ac():
            sweep = protocol.AcRun(request.start, request.stop, request.per_decade, tuple(request.vectors))
            return dataclasses.replace(sweep, source=source, linear=True) if linear else sweep
        case Noise():
            noise = protocol.NoiseRun(request.start, request.stop, request.per_decade, request.output)
            return dataclasses.replace(noise, linear=linear)
        case Steady():
            return protocol.SteadyRun(
                request.fundamental,
                request.tones,
                _flat(request.amplitude, settings),
                tuple(request.vectors),
                samples=request.samples,
                tolerance=request.tolerance,
            )
        case Transient():
            return protocol.TransientRun(
                request.stop,
                request.step,
                tuple(request.vectors),
                request.terms,
                start=request.start,
                samples=request.samples,
                initial=request.initial,
                amplitude=None if request.amplitude is None else _flat(request.amplitude, settings),
            )
    raise TypeError(f"not a request: {request!r}")


def _flat(amplitude: NDArray[Any], settings: int) -> NDArray[Any]:
    """Return amplitudes with one row a point and setting."""
    amplitude = np.asarray(amplitude, dtype=float)
    if settings and amplitude.ndim == 2:
        return np.repeat(amplitude, settings, axis=0)
    return amplitude.reshape(-1, amplitude.shape[-1])


def expand(table: PointTable, vary: Mapping[str, NDArray[Any]]) -> tuple[PointTable, int]:
    """Repeat every point for every setting; returns the number of settings too, 0 where nothing is varied."""
    if not vary:
        return table, 0
    settings = np.shape(next(iter(vary.values())))[-1]
    columns = {name: np.repeat(column, settings) for name, column in table.columns.items()}
    for name, values in vary.items():
        columns[name] = np.broadcast_to(values, (table.points, settings)).ravel()
    return PointTable(table.circuit, columns, table.points * settings), settings


def repeat(extra: Mapping[str, Any], settings: int) -> dict[str, Any]:
    """Repeat every array for every setting."""
    repeated: dict[str, Any] = {}
    for key, value in extra.items():
        if isinstance(value, Mapping):
            repeated[key] = repeat(value, settings)
        else:
            repeated[key] = np.repeat(value, settings) if settings and np.ndim(value) else value
    return repeated
