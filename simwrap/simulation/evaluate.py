"""Runs measures over a table of stages: the only place where measures meet an engine.

A measure is a generator that asks (see :mod:`simwrap.measures.requests`) and is answered with
arrays over all points at once. Here the questions of all measures are collected round by
round, merged where they are the same, rendered, sent to an engine, and answered.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.bench import SIGNAL, takes_signal
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.point_table import Table, grouped
from simwrap.circuits.render import Batch, excited, render_table, take_extra
from simwrap.engine import Run, natural, protocol, small_signal
from simwrap.engine.options import DEFAULT
from simwrap.errors import InputError, NetlistError, QuantityError, RangeError, UnknownNameError
from simwrap.measures.common import common_conditions
from simwrap.measures.numerics.parts import Part, collect
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Ac, Noise, Op, Poles, Request, Result, Steady, Step, Transient
from simwrap.simulation.hopeless import UNFED, unfed_points, unstable_words
from simwrap.simulation.outcome import Outcome, merged


def provenance(used: str, netlist: str, small_signals: Iterable[str] = ()) -> dict[str, str]:
    """Return where numbers came from: engines (joined by "+") and versions, netlist hash, simwrap.

    ``small_signals`` are of an outcome: its words say how sweeps over frequency and noise were found.
    """
    import simwrap
    from simwrap.engine.self_check import engine_version

    versions = "+".join(engine_version(name) for name in used.split("+") if name)
    how = {"small_signals": " and ".join(HOW[word] for word in sorted(small_signals))} if small_signals else {}
    return {
        "engine": used,
        "engine_version": versions,
        "netlist_sha256": netlist,
        "simwrap_version": simwrap.__version__,
        **how,
    }


#: How sweeps over frequency and noise are found, as it is told beside the numbers.
HOW = {
    "engine": "the engine's own analyses",
    "linearised": "the circuit linearised about the engine's operating point",
}


@dataclass(frozen=True)
class View:
    """What a measure sees: a circuit whose swept values are arrays of shape (points,)."""

    circuit: Circuit
    values: Mapping[str, Any]
    points: int

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__") or name == "circuit":  # asked for by copy and pickle before there is one
            raise AttributeError(name)
        return getattr(self.circuit, name)


@dataclass(frozen=True)
class _Answer:
    """A reply shaped for the measure that asked: (points, [settings], ...)."""

    values: dict[str, NDArray[Any]]
    axis: NDArray[Any] | None
    reasons: list[str]
    extras: dict[str, Any]

    @property
    def failed(self) -> NDArray[np.bool_]:
        return np.array([bool(reason) for reason in self.reasons])


def _fingerprint(value: Any) -> Any:
    """Return something hashable that is equal for equal requests."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [entry.name for entry in dataclasses.fields(value)]
        return (type(value).__name__, *[_fingerprint(getattr(value, name)) for name in names])
    if isinstance(value, Mapping):
        return tuple(sorted((key, _fingerprint(entry)) for key, entry in value.items()))
    if isinstance(value, np.ndarray):
        return (value.shape, value.tobytes())
    if isinstance(value, list | tuple):
        return tuple(_fingerprint(entry) for entry in value)
    return value


def _run_of(request: Request, settings: int, source: str, linear: bool) -> protocol.Analysis:
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


def _expand(table: Table, vary: Mapping[str, NDArray[Any]]) -> tuple[Table, int]:
    """Repeat every point for every setting."""
    if not vary:
        return table, 0
    settings = np.shape(next(iter(vary.values())))[-1]
    columns = {name: np.repeat(column, settings) for name, column in table.columns.items()}
    for name, values in vary.items():
        columns[name] = np.broadcast_to(values, (table.points, settings)).ravel()
    return Table(table.circuit, columns, table.points * settings), settings


def _repeat(extra: Mapping[str, Any], settings: int) -> dict[str, Any]:
    repeated: dict[str, Any] = {}
    for key, value in extra.items():
        if isinstance(value, Mapping):
            repeated[key] = _repeat(value, settings)
        else:
            repeated[key] = np.repeat(value, settings) if settings and np.ndim(value) else value
    return repeated


class _Bench:
    """Answers requests for one table, remembering what was already asked."""

    def __init__(self, table: Table, options: Run) -> None:
        self.table, self.options = table, options
        self.answers: dict[Any, _Answer] = {}
        self.reasons = [""] * table.points
        self.engines = [""] * table.points
        self.netlists = [""] * table.points
        self.kinds: set[str] = set()
        #: How many sweeps about one operating point are enough to make the circuit linear there.
        self.least_sweeps = {"linearised": 1, "auto": 2, "engine": np.inf}[options.small_signals]
        #: How small signals were found: "linearised", "engine".
        self.small_signals: set[str] = set()
        self.runs = 0
        #: Levels and states of steady states that were run, by what they were asked for and the point.
        self.settled: dict[Any, dict[int, list[tuple[float, NDArray[Any]]]]] = {}
        #: Why no large signal has a meaning at each point, once that was asked: it is unstable, or has no supply.
        self.hopeless: list[str] | None = None
        #: Points of which one large signal took all the time there is: no other one is run.
        self.late = [""] * table.points

    def answer(self, requests: Sequence[Request]) -> None:
        """Run what isn't known yet, as few engine calls as possible."""
        fresh = {key: request for request in requests if (key := _fingerprint(request)) not in self.answers}
        circuits = {key: (_fingerprint(request.vary), _fingerprint(request.extra)) for key, request in fresh.items()}
        sweeps = Counter(circuits[key] for key, request in fresh.items() if isinstance(request, Ac | Noise))
        groups: dict[Any, list[tuple[Any, Request]]] = {}
        for key, request in fresh.items():
            # What needs a circuit at rest is apart: it has no meaning where other small signals have.
            large = isinstance(request, _AT_REST)
            linear = not large and sweeps[circuits[key]] >= self.least_sweeps
            place = (large, None if linear else request.excite, *circuits[key])
            groups.setdefault(place, []).append((key, request))
        self._join_op(groups)
        for place, group in groups.items():
            self._run(group, linear=place[1] is None)

    @staticmethod
    def _join_op(groups: dict[Any, list[tuple[Any, Request]]]) -> None:
        """An operating point doesn't depend on what is excited: let it ride with another run."""
        for place in list(groups):
            group = groups[place]
            if not all(isinstance(request, Op) for _, request in group):
                continue
            for other in groups:
                if other != place and not other[0] and other[2:] == place[2:]:
                    groups[other] = group + groups[other]
                    del groups[place]
                    break

    def _run(self, group: list[tuple[Any, Request]], linear: bool) -> None:
        first = group[0][1]
        self.kinds |= {type(request).__name__ for _, request in group}
        table, settings = _expand(self.table, first.vary)
        self.runs += settings or 1
        asked = [request for _, request in group]
        collected: list[dict[str, Any]] = [{} for _ in group]
        axes: list[Any] = [None] * len(group)
        extras: list[dict[str, Any]] = [{} for _ in group]
        reasons = [""] * table.points
        parts: dict[str, Part] = {}
        extra = _repeat(first.extra, settings)
        rows = self._runnable(group, settings, table.points, reasons)
        for batch, numbers, runs in self._pieces(table, rows, extra, asked, settings, linear):
            indices = batch.indices
            replies = self._replies(batch.netlist.circuit, [asked[n] for n in numbers], runs, indices)
            digest = batch.netlist.sha256
            if not settings:
                collect(parts, batch.netlist.circuit, batch.indices, table.points)
            for number, run, reply in zip(numbers, runs, replies, strict=True):
                self._remember(asked[number], run, reply.extras.pop("state", None), indices)
                _scatter(collected[number], reply.values, batch.indices, table.points)
                _scatter(extras[number], reply.extras, batch.indices, table.points)
                axes[number] = reply.axis if reply.axis is not None else axes[number]
                for index, reason, used in zip(batch.indices.tolist(), reply.reasons, reply.engines, strict=True):
                    if reason:
                        reasons[index] = reasons[index] or reason
                    point = index // settings if settings else index
                    if used != self.engines[point]:
                        self.engines[point] = _joined(self.engines[point], used)
                    if not self.netlists[point]:
                        self.netlists[point] = digest
        for number, (_, request) in enumerate(group):
            _fill(collected[number], request, table.points, settings)
            if axes[number] is None and isinstance(request, Transient):
                axes[number] = np.linspace(request.start, request.stop, request.samples)
        own = _per_point(reasons, settings)
        if any(isinstance(request, _AT_REST) for _, request in group):
            self.late = [old or (new if _LATE in new else "") for old, new in zip(self.late, own, strict=True)]
        self.reasons = [old or new for old, new in zip(self.reasons, own, strict=True)]
        for number, (key, _) in enumerate(group):
            values = {name: _shaped(array, self.table.points, settings) for name, array in collected[number].items()}
            more = {name: _shaped(array, self.table.points, settings) for name, array in extras[number].items()}
            self.answers[key] = _Answer(values, axes[number], own, more | {"parts": parts})

    def _pieces(
        self,
        table: Table,
        rows: NDArray[np.intp],
        extra: Mapping[str, Any],
        asked: Sequence[Request],
        settings: int,
        linear: bool,
    ) -> Iterator[tuple[Batch, list[int], list[protocol.Analysis]]]:
        """Yield netlists with their points, which of the requests they are for, and what an engine is asked.

        Here it is decided how small signals are found: all from one netlist whatever they excite, by the circuit
        linearised about its operating point, where that is wanted and nothing in the netlist is in its way; else by
        the engine's own analyses, with a netlist for each source that is excited.
        """

        def batches(of: NDArray[np.intp], excite: str) -> Iterator[Batch]:
            for batch in render_table(table.take(of), excite=excite, extra=take_extra(extra, of)) if len(of) else ():
                yield dataclasses.replace(batch, indices=of[batch.indices])

        first = asked[0].excite
        noise = any(isinstance(request, Noise) for request in asked)
        every = list(range(len(asked)))
        for batch in batches(rows, first):
            circuit, design = batch.netlist.circuit, batch.netlist.design
            sources = [excited(design, request.excite)[0] for request in asked]
            parsed = engines.check(circuit.text)
            known = linear and not small_signal.unknown(parsed, sources[0], noise)
            known = known and all(source in parsed.devices for source in sources)
            if any(isinstance(request, Ac | Noise) for request in asked):
                self.small_signals.add("linearised" if known else "engine")
            runs = [_run_of(request, settings, source, known) for request, source in zip(asked, sources, strict=True)]
            if known or not linear:
                yield batch, every, runs
            else:
                for excite in dict.fromkeys(request.excite for request in asked):
                    numbers = [number for number in every if asked[number].excite == excite]
                    own_runs = [runs[number] for number in numbers]
                    for own in [batch] if excite == first else batches(batch.indices, excite):
                        yield own, numbers, own_runs

    def _replies(
        self, circuit: protocol.Circuit, requests: Sequence[Request], runs: Sequence[protocol.Analysis], indices: Any
    ) -> list[protocol.Reply]:
        """Run one netlist."""
        options = self.options
        part = [
            self._with_known(request, protocol.at_points(run, indices), indices)
            for request, run in zip(requests, runs, strict=True)
        ]
        replies = engines.run(
            circuit,
            part,
            options,
        )
        for request, reply in zip(requests, replies, strict=True):
            if isinstance(request, Noise):
                # The engine's own is infinite where nothing comes through; it is the output's over the gain anyway.
                reply.values = {"output_density": reply.values["output_density"]}
            if isinstance(request, Poles):
                poles, ringing = reply.extras.pop("poles"), reply.extras.pop("ringing")
                growing, damping = natural.growing(poles), natural.damped(ringing)
                reply.values = {"poles": poles, "growing": growing, "ringing": ringing, "damping": damping}
            if isinstance(request, Step):
                rates, amplitudes = reply.extras.pop("rates"), reply.extras.pop("amplitudes")
                reply.values = {name: amplitudes[:, k] for k, name in enumerate(request.vectors)}
                reply.values |= {"rates": rates, "growing": natural.growing(rates)}
        return replies

    def _remember(self, request: Request, run: protocol.Analysis, states: Any, indices: NDArray[np.intp]) -> None:
        """Keep the states of levels that came to rest: measures that close in on a mark ask for more near them."""
        if states is None or not isinstance(request, Steady) or not isinstance(run, protocol.SteadyRun):
            return
        known = self.settled.setdefault(_same_signal(request), {})
        for index, levels, found in zip(indices.tolist(), run.amplitude[indices], states, strict=True):
            known.setdefault(index, []).extend(zip(levels.tolist(), found, strict=True))

    def _with_known(self, request: Request, run: protocol.Analysis, indices: NDArray[np.intp]) -> protocol.Analysis:
        """Let a steady state begin from what is known of other levels of the same signal."""
        if not isinstance(request, Steady) or not isinstance(run, protocol.SteadyRun):
            return run
        at = self.settled.get(_same_signal(request), {})
        known = [at.get(index, []) for index in indices.tolist()]
        if not known[0] or len({len(entries) for entries in known}) > 1:
            return run
        levels = np.array([[level for level, _ in entries] for entries in known])
        states = np.array([[state for _, state in entries] for entries in known])
        return dataclasses.replace(run, known_levels=levels, known_states=states)

    def _runnable(self, group: Any, settings: int, points: int, reasons: list[str]) -> NDArray[np.intp]:
        """Return the rows that can be run; what has no steady state, and what has used up its time, gets its reason."""
        rows = np.arange(points)
        if not any(isinstance(request, _AT_REST) for _, request in group):
            return rows
        if self.hopeless is None:
            # A stage by itself has nothing to form a loop with; several may, by a path or through a supply they share.
            several = len(self.table.circuit.stages) > 1
            unstable = self._restless() if several else [""] * self.table.points
            unfed = unfed_points(self.table)
            self.hopeless = [UNFED if no_supply else said for no_supply, said in zip(unfed, unstable, strict=True)]
        for row in rows:
            point = row // settings if settings else row
            reasons[row] = self.hopeless[point] or self.late[point]
        return np.flatnonzero([not reason for reason in reasons])

    def _restless(self) -> list[str]:
        """Return why each point is unstable, "" where it is stable."""
        said = [""] * self.table.points
        for batch in render_table(self.table):
            (reply,) = self._replies(batch.netlist.circuit, [Poles()], [protocol.OpRun(natural=True)], batch.indices)
            for index, poles, mask in zip(batch.indices, reply.values["poles"], reply.values["growing"], strict=True):
                if mask.any():
                    said[index] = unstable_words(poles[mask], list(self.table.circuit.loops))
        return said


def _same_signal(request: Steady) -> Any:
    """Return what two requests have in common whose steady states differ in the level alone."""
    shared = (request.excite, request.vary, request.extra, request.fundamental, request.tones)
    return tuple(_fingerprint(entry) for entry in shared)


#: Requests that have an answer only where the circuit stays at rest by itself.
_AT_REST = (Steady, Step, Transient)
#: Words of an engine's reason by which a point is known that has used up its time.
_LATE = "more than the time limit"


def _fill(values: dict[str, Any], request: Request, points: int, settings: int) -> None:
    """Give a request of which no point could be run its arrays of NaN."""
    if values or not isinstance(request, _AT_REST):
        return
    if isinstance(request, Step):
        nothing = np.full((points, 1), complex(np.nan, np.nan))
        values |= dict.fromkeys([*request.vectors, "rates"], nothing) | {"growing": np.zeros((points, 1), bool)}
        return
    shape: tuple[int, ...] = (points, request.samples)
    if isinstance(request, Steady):
        shape = (points, np.shape(request.amplitude)[-1], request.samples)
    values |= {name: np.full(shape, np.nan) for name in request.vectors}


def _joined(one: str, other: str) -> str:
    """Return the names of engines in both, joined by "+"."""
    return "+".join(sorted({*one.split("+"), *other.split("+")} - {""}))


def _scatter(into: dict[str, Any], values: Mapping[str, Any], indices: NDArray[np.intp], points: int) -> None:
    for name, array in values.items():
        array = np.asarray(array)
        if name in into and (more := array.shape[-1] - into[name].shape[-1]) and array.ndim > 1:
            # Netlists of unlike length have unlike numbers of modes.
            into[name] = _wider(into[name], more)
            array = _wider(array, -more)
        if name not in into:
            if len(indices) == points and (np.diff(indices) == 1).all():
                into[name] = array
                continue
            blank = "" if array.dtype.kind in "US" else np.nan if array.dtype.kind in "fc" else 0
            dtype = object if array.dtype.kind in "US" else array.dtype
            into[name] = np.full((points, *array.shape[1:]), blank, dtype=dtype)
        into[name][indices] = array


def _wider(array: NDArray[Any], by: int) -> NDArray[Any]:
    """Return an array whose last axis has gone on with NaN."""
    blank = False if array.dtype.kind == "b" else np.nan
    return np.pad(array, [(0, 0)] * (array.ndim - 1) + [(0, max(by, 0))], constant_values=blank)


def _shaped(array: NDArray[Any], points: int, settings: int) -> NDArray[Any]:
    return array.reshape(points, settings, *array.shape[1:]) if settings else array


def _per_point(reasons: list[str], settings: int) -> list[str]:
    if not settings:
        return reasons
    rows = [reasons[start : start + settings] for start in range(0, len(reasons), settings)]
    return [next((reason for reason in row if reason), "") for row in rows]


Generators = dict[str, Generator[Any, Any, Result]]
#: A slip in the options of a measure, as against a measure that has no meaning for a circuit.
SLIPS = (QuantityError, RangeError, UnknownNameError, NetlistError)


def _conduct(table: Table, measures: Mapping[str, Mapping[str, Any]], options: Run) -> Outcome:
    """Run measures over a table whose words (valves, choices) are the same at all points."""
    values: dict[str, Any] = dict(table.at(0).values)
    values |= {name: column for name, column in table.columns.items() if column.dtype.kind == "f"}
    view = View(table.at(0), MappingProxyType(values), table.points)
    bench = _Bench(table, options)
    active: Generators = {}
    shared = common_conditions(view, table.points)
    results: dict[str, Result] = {}
    asked: dict[str, Any] = {}
    large: set[str] = set()
    refused: dict[str, str] = {}
    signal = takes_signal(view.circuit)

    def advance(name: str, answer: Any) -> None:
        try:
            if answer is None:
                active[name] = _begun(name, view, measures[name])
            asked[name] = active[name].send(answer)
            if not signal and any(map(_needs_signal, _several(asked[name]))):
                raise InputError(f"{name}: has no meaning for {view.circuit.name}: no signal comes in at it")
            if any(isinstance(request, _AT_REST) for request in _several(asked[name])):
                large.add(name)
        except StopIteration as end:
            results[name] = dataclasses.replace(end.value, conditions=shared | end.value.conditions)
        except SLIPS:
            raise
        except InputError as fault:  # one that has no meaning here takes nothing else down
            if len(measures) == 1:
                raise
            refused[name] = str(fault)
        else:
            return
        asked.pop(name, None)
        active.pop(name, None)

    for name in measures:
        advance(name, None)
    while active:
        bench.answer([request for wanted in asked.values() for request in _several(wanted)])
        for name in list(active):
            wanted = asked[name]
            if isinstance(wanted, list | tuple):
                advance(name, [bench.answers[_fingerprint(request)] for request in wanted])
            else:
                advance(name, bench.answers[_fingerprint(wanted)])
    if refused and not results:
        raise InputError("; ".join(refused.values()))
    ordered = {name: results[name] for name in measures if name in results}
    kinds = frozenset(bench.kinds)
    how = frozenset(bench.small_signals)
    return Outcome(
        ordered, bench.reasons, bench.engines, bench.netlists, kinds, bench.runs, frozenset(large), refused, how
    )


def _begun(name: str, view: View, chosen: Mapping[str, Any]) -> Generator[Any, Any, Result]:
    entry = get_measure(name)
    if why := refusal(view.circuit, name):
        raise InputError(why)
    return entry(view, **chosen)


def refusal(circuit: Circuit, name: str) -> str:
    """Return why a measure has no meaning for a circuit, "" where it has one as far as can be seen beforehand."""
    measure = get_measure(name)
    if why := measure.refuses(circuit):
        return f"{measure.name}: has no meaning for {circuit.name}: {why}"
    if not circuit.other_measures and measure.name not in circuit.measures:
        return f"{measure.name}: has no meaning for {circuit.name}; give {', '.join(circuit.measures)}"
    return ""


def _needs_signal(request: Request) -> bool:
    """Return whether a request has no answer where no signal comes in; a transfer from there is nought."""
    if request.excite != "signal":
        return False
    return isinstance(request, (Noise, *_AT_REST)) or f"i({SIGNAL})" in getattr(request, "vectors", ())


def _several(wanted: Any) -> Sequence[Request]:
    return wanted if isinstance(wanted, list | tuple) else [wanted]


def _word_groups(table: Table) -> list[NDArray[np.intp]]:
    return grouped(
        [np.unique(c, return_inverse=True)[1] for c in table.columns.values() if c.dtype.kind != "f"], table.points
    )


def evaluate(table: Table, measures: Mapping[str, Mapping[str, Any]], options: Run = DEFAULT) -> Outcome:
    """Run measures over all points of a table.

    Parameters
    ----------
    table : Table
    measures : mapping of str to mapping
        Measure names with their options.
    options : Run

    Returns
    -------
    Outcome
        A point that failed is NaN in the results and has its reason.

    Raises
    ------
    UnknownNameError
        No such measure, or option of a measure.
    NoEngineError
        If no simulator can be used.
    """
    groups = _word_groups(table)
    if len(groups) == 1:
        return _conduct(table, measures, options)
    outcomes = [_conduct(table.take(indices), measures, options) for indices in groups]
    return merged(outcomes, groups, table.points)
