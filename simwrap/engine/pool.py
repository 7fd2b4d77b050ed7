"""Points into chunks, chunks to children, failed points to the other engine."""

from __future__ import annotations

import concurrent.futures
import dataclasses
import os
import queue
import threading
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from simwrap.engine import allow_list
from simwrap.engine import process as children
from simwrap.engine.backends.discovery import choose
from simwrap.engine.protocol import (
    Array,
    Circuit,
    NoiseRun,
    OpRun,
    Pulse,
    Pwl,
    Reply,
    Run,
    Sine,
    SteadyRun,
    TransientRun,
    at_points,
)
from simwrap.engine.worker import Job, Part, empty
from simwrap.errors import EngineError, NetlistError, shown

#: Points of a chunk. Fixed, and each chunk starts from a fresh load, so that the numbers of a point
#: can't depend on how many workers there are.
CHUNK = 64

Progress = Callable[[int, int], None]


def run(
    circuit: Circuit,
    runs: Sequence[Run],
    *,
    engine: str = "auto",
    time_limit: float = 60.0,
    workers: int | None = None,
    executor: concurrent.futures.Executor | None = None,
    progress: Progress | None = None,
) -> list[Reply]:
    """Run analyses of every point of a circuit.

    Parameters
    ----------
    circuit : Circuit
        Netlist text and table of element values.
    runs : sequence of OpRun, AcRun, NoiseRun, SteadyRun, TransientRun
        The analyses wanted of every point.
    engine : str
        "auto" (SIMWRAP_ENGINE if set, else the first that is there), "neospice" or "ngspice". A point
        that fails goes to the other engine, if there is one, and the reply says so.
    time_limit : float
        Longest time for one point of one run, and for one level of a steady state [s].
    workers : int, optional
        Children of the built-in pool; default: one for each core.
    executor : concurrent.futures.Executor, optional
        Where chunks run instead of the built-in pool; each of its workers keeps its own children.
    progress : callable, optional
        Called as ``progress(points_done, points)`` in the calling thread.

    Returns
    -------
    list of Reply
        One for each run. Points that failed are NaN and have their reason.

    Raises
    ------
    NetlistError
        When the text breaks the rules of allow_list.py, or a table or vector doesn't fit it.
    NoEngineError
        When no engine is there, or not the one named.
    UnknownNameError
        When ``engine`` is no known name.
    """
    engines = choose(engine)
    parsed = allow_list.check(circuit.text)
    names, table, bad = _table(circuit, parsed)
    checked = tuple(_checked(run, parsed, circuit.points) for run in runs)
    parts = [empty(run, circuit.points) for run in checked]
    done_by = [[engines[0]] * circuit.points for _ in checked]
    for point, reason in bad.items():
        for part in parts:
            part.reasons[point] = reason
    good = np.array([point for point in range(circuit.points) if point not in bad], dtype=int)
    slow = any(isinstance(run, SteadyRun | TransientRun) for run in checked)
    size = 1 if slow else CHUNK
    chunks = [good[k : k + size] for k in range(0, len(good), size)] if checked else []
    tasks = [
        (Job(circuit.text, names, table[chunk], _sliced(checked, chunk), float(time_limit)), engines)
        for chunk in chunks
    ]

    done = len(bad)

    def arrived(index: int, result: list[tuple[Part, list[str]]]) -> None:
        nonlocal done
        chunk = chunks[index]
        for k, (part, names_done) in enumerate(result):
            _put(parts[k], part, chunk)
            for place, name in zip(chunk.tolist(), names_done, strict=True):
                done_by[k][place] = name
        done += len(chunk)
        if progress is not None:
            progress(done, circuit.points)

    if executor is not None:
        _through(executor, tasks, arrived)
    else:
        _locally(tasks, workers or _cores(), arrived)
    return [
        Reply(part.values, part.axis, part.reasons, names_done, dict(part.extras))
        for part, names_done in zip(parts, done_by, strict=True)
    ]


def _cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def _table(circuit: Circuit, parsed: allow_list.Parsed) -> tuple[tuple[str, ...], Any, dict[int, str]]:
    """Return the names, the values (points, names) and the reasons of points with bad values."""
    names = []
    columns = []
    bad: dict[int, str] = {}
    for given, column in circuit.table.items():
        name = given.lower()
        device = parsed.devices.get(name)
        if device is None or allow_list.value_field(device) < 0:
            raise NetlistError(f"table: {shown(given)} is not an r, c, l, v or i element of the circuit")
        values = np.asarray(column, float)
        if values.shape != (circuit.points,):
            raise NetlistError(f"table: {name} has shape {values.shape} where ({circuit.points},) is needed")
        low = -np.inf if device.kind in "vi" else 0.0
        fine = np.isfinite(values) & ((values >= low) if device.kind in "vic" else (values > low))
        for point in np.flatnonzero(~fine).tolist():
            problem = allow_list.value_problem(device.kind, float(values[point]))
            bad.setdefault(point, f"{name} = {float(values[point])!r} {problem}")
        names.append(name)
        columns.append(values)
    table = np.stack(columns, axis=1) if columns else np.zeros((circuit.points, 0))
    return tuple(names), table, bad


def _checked(run: Run, parsed: allow_list.Parsed, points: int) -> Run:
    """Return the run with its vectors checked, and everything that could reach a netlist as a float."""
    if isinstance(run, OpRun):
        return OpRun(allow_list.check_vectors(parsed, run.vectors) or parsed.nodes)
    if isinstance(run, NoiseRun):
        _frequencies(run.start, run.stop, run.per_decade)
        output = allow_list.check_vectors(parsed, (run.output,))[0]
        source = _source(run.source, parsed)
        return NoiseRun(float(run.start), float(run.stop), int(run.per_decade), output, source)
    vectors = allow_list.check_vectors(parsed, run.vectors)
    if isinstance(run, SteadyRun):
        amplitude = _amplitude("steady state", run.amplitude, points)
        _positive("steady state: fundamental", run.fundamental)
        tones = tuple(_term(tone) for tone in run.tones)
        for tone in tones:
            ratio = tone.frequency / run.fundamental
            if ratio < 0.5 or abs(ratio - round(ratio)) > 1e-6 * ratio:
                raise NetlistError(
                    f"steady state: a tone of {tone.frequency!r} Hz is not a whole multiple of {run.fundamental!r} Hz"
                )
        if run.samples < 4:
            raise NetlistError(f"steady state: {run.samples} samples; at least 4 are needed")
        return dataclasses.replace(
            run, fundamental=float(run.fundamental), tones=tones, amplitude=amplitude, vectors=vectors,
            source=_source(run.source, parsed), samples=int(run.samples), tolerance=float(run.tolerance),
        )  # fmt: skip
    if isinstance(run, TransientRun):
        _positive("transient: stop", run.stop)
        _positive("transient: step", run.step)
        if not 0.0 <= run.start < run.stop or run.samples < 2:
            raise NetlistError(f"transient: {run.samples} samples from {run.start!r} s to {run.stop!r} s is no grid")
        if run.initial not in ("operating point", "zero"):
            raise NetlistError(f'transient: initial is {shown(run.initial)}; give "operating point" or "zero"')
        amplitude = np.ones((points, 1)) if run.amplitude is None else run.amplitude
        return dataclasses.replace(
            run, stop=float(run.stop), step=float(run.step), start=float(run.start), vectors=vectors,
            amplitude=_amplitude("transient", amplitude, points),
            terms=tuple(_term(term) for term in run.terms), source=_source(run.source, parsed),
        )  # fmt: skip
    _frequencies(run.start, run.stop, run.per_decade)
    return dataclasses.replace(
        run, start=float(run.start), stop=float(run.stop), per_decade=int(run.per_decade), vectors=vectors
    )


def _source(name: str, parsed: allow_list.Parsed) -> str:
    device = parsed.devices.get(name.lower())
    if device is None or device.kind not in "vi":
        raise NetlistError(f"source {shown(name)}: the circuit has no such v or i source")
    return device.name


def _amplitude(what: str, given: Array, points: int) -> Array:
    amplitude = np.asarray(given, float)
    if amplitude.ndim != 2 or len(amplitude) != points or not np.isfinite(amplitude).all():
        raise NetlistError(
            f"{what}: amplitude has shape {amplitude.shape}; finite values of ({points}, levels) are needed"
        )
    return amplitude


def _positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise NetlistError(f"{what} is {value!r}; a number above 0 is needed")


def _frequencies(start: float, stop: float, per_decade: int) -> None:
    _positive("frequencies: start", start)
    _positive("frequencies: stop", stop)
    if stop < start or per_decade < 1:
        raise NetlistError(f"frequencies: {start!r} Hz to {stop!r} Hz with {per_decade} a decade is no sweep")


def _term(term: Any) -> Any:
    values = {f.name: getattr(term, f.name) for f in dataclasses.fields(term)}
    if isinstance(term, Sine | Pulse):
        floats = {name: float(value) for name, value in values.items()}
        if not all(np.isfinite(value) for value in floats.values()):
            raise NetlistError(f"term {term!r}: all its values must be finite numbers")
        return type(term)(**floats)
    if isinstance(term, Pwl):
        times, levels = np.asarray(term.times, float), np.asarray(term.values, float)
        if times.shape != levels.shape or not (np.isfinite(times).all() and np.isfinite(levels).all()):
            raise NetlistError("piecewise linear term: as many finite times as finite values are needed")
        if len(times) < 1 or (np.diff(times) <= 0.0).any():
            raise NetlistError("piecewise linear term: its times must rise")
        return Pwl(tuple(times.tolist()), tuple(levels.tolist()))
    raise NetlistError(f"term {shown(term)}: a Sine, Pulse or Pwl is needed")


def _sliced(runs: Sequence[Run], chunk: Any) -> tuple[Run, ...]:
    return tuple(at_points(run, chunk) for run in runs)


def _put(whole: Part, part: Part, places: Any) -> None:
    for name, array in part.values.items():
        whole.values[name][places] = array
    for name, array in part.extras.items():
        if name not in whole.extras:
            blank = np.nan if array.dtype.kind == "f" else array.dtype.type()
            whole.extras[name] = np.full((len(whole.reasons), *array.shape[1:]), blank, array.dtype)
        whole.extras[name][places] = array
    for place, reason in zip(np.asarray(places).tolist(), part.reasons, strict=True):
        whole.reasons[place] = reason


Solved = list[tuple[Part, list[str]]]


class Stopped(Exception):
    """The run was interrupted; no child may be started any more."""


def solve_chunk(job: Job, engines: tuple[str, ...], stop: threading.Event | None = None) -> Solved:
    """Solve one chunk in this process's children: all that an executor's worker has to do.

    Returns, for each run, the part and the engine that did each point.
    """
    first, *others = engines
    parts = _on(first, job, stop)
    result = [(part, [first] * len(job.values)) for part in parts]
    for other in others:
        for k, (part, names) in enumerate(result):
            failed = np.array([p for p, reason in enumerate(part.reasons) if reason], dtype=int)
            if not len(failed):
                continue
            again = dataclasses.replace(
                job, values=job.values[failed], runs=_sliced(job.runs[k : k + 1], failed), skip=frozenset()
            )
            _merge(part, names, failed, _on(other, again, stop)[0], first, other)
    return result


def _merge(part: Part, names: list[str], failed: Any, second: Part, first: str, other: str) -> None:
    """Take over the points that the other engine did better; keep both reasons where neither could."""
    for place, point in enumerate(failed.tolist()):
        reason = second.reasons[place]
        if _holes(second, place) < _holes(part, point):
            _put(part, _one(second, place), [point])
            names[point] = other
            if reason:
                part.reasons[point] = f"{other}: {reason}"
        elif reason == part.reasons[point]:
            part.reasons[point] = f"{first} and {other}: {reason}"
        else:
            part.reasons[point] = f"{first}: {part.reasons[point]}; {other}: {reason}"


def _holes(part: Part, point: int) -> int:
    return sum(int((~np.isfinite(array[point])).sum()) for array in part.values.values())


def _one(part: Part, place: int) -> Part:
    return Part(
        {name: array[place : place + 1] for name, array in part.values.items()},
        part.axis,
        [part.reasons[place]],
        {name: array[place : place + 1] for name, array in part.extras.items()},
    )


def _on(engine: str, job: Job, stop: threading.Event | None = None) -> list[Part]:
    """Run a job on one engine. A point in flight when a child ends is tried once more, then marked."""
    deaths: dict[tuple[int, int, int], int] = {}
    marked: dict[tuple[int, int, int], str] = {}
    starts = 0
    while True:
        if stop is not None and stop.is_set():
            raise Stopped
        try:
            child = children.borrow(engine)
        except children.Unusable as error:
            starts += 1
            if starts < 4:
                continue
            parts = [empty(run, len(job.values)) for run in job.runs]
            for part in parts:
                part.reasons[:] = [f"the engine could not be started ({error})"] * len(job.values)
            return parts
        try:
            answer = child.ask(dataclasses.replace(job, skip=frozenset(marked)))
        except children.ChildDied as died:
            where = died.where
            deaths[where] = deaths.get(where, 0) + 1
            if where[0] < 0:
                # It had ended before it began: no point's fault.
                if deaths[where] > 5:
                    parts = [empty(run, len(job.values)) for run in job.runs]
                    for part in parts:
                        part.reasons[:] = [died.reason] * len(job.values)
                    return parts
            elif died.timed_out or deaths[where] > 1:
                marked[where] = died.reason
            continue
        except BaseException:
            child.kill()
            raise
        children.give_back(child)
        parts = [Part(**found) for found in answer]
        for (k, point, level), reason in marked.items():
            steady = isinstance(job.runs[k], SteadyRun)
            text = f"level {level}: {reason}" if steady else reason
            parts[k].reasons[point] = "; ".join(filter(None, (parts[k].reasons[point], text)))
        return parts


def _locally(tasks: list[tuple[Job, tuple[str, ...]]], workers: int, arrived: Callable[[int, Solved], None]) -> None:
    """Run the tasks in threads, each with a child of its own at a time."""
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    answers: queue.SimpleQueue[tuple[int, Solved | BaseException]] = queue.SimpleQueue()
    stop = threading.Event()
    for index in range(len(tasks)):
        waiting.put(index)

    def work() -> None:
        while not stop.is_set():
            try:
                index = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                answers.put((index, solve_chunk(*tasks[index], stop)))
            except BaseException as error:
                answers.put((index, error))

    threads = [threading.Thread(target=work, daemon=True) for _ in range(min(workers, len(tasks)))]
    try:
        for thread in threads:
            thread.start()
        for _ in tasks:
            index, answer = answers.get()
            if isinstance(answer, BaseException):
                raise answer
            arrived(index, answer)
    except BaseException:
        stop.set()
        # A thread may just be starting a child: ask until all have seen the event.
        while any(thread.is_alive() for thread in threads):
            children.stop_all()
            for thread in threads:
                thread.join(0.05)
        children.stop_all()
        raise
    for thread in threads:
        thread.join()


def _through(
    executor: concurrent.futures.Executor,
    tasks: list[tuple[Job, tuple[str, ...]]],
    arrived: Callable[[int, Solved], None],
) -> None:
    """Run the tasks on an executor; what its workers lose is done here."""
    lost = []
    futures: dict[concurrent.futures.Future[Solved], int] = {}
    try:
        for index, task in enumerate(tasks):
            try:
                futures[executor.submit(solve_chunk, *task)] = index
            except Exception:
                lost.append(index)
        for future in concurrent.futures.as_completed(futures):
            try:
                answer = future.result()
            except EngineError:
                raise
            except Exception:
                lost.append(futures[future])
                continue
            arrived(futures[future], answer)
    except BaseException:
        for future in futures:
            future.cancel()
        children.stop_all()
        raise
    _locally([tasks[index] for index in lost], 1, lambda place, answer: arrived(lost[place], answer))
