"""Points into chunks, chunks to children, failed points to the other engine."""

from __future__ import annotations

import concurrent.futures
import dataclasses
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.engine import process as children
from simwrap.engine.backends.discovery import choose, wanted
from simwrap.engine.options import DEFAULT, Run
from simwrap.engine.protocol import Analysis, NetlistTable, Reply, SteadyRun, TransientRun, at_points
from simwrap.engine.steady import Settled
from simwrap.engine.validation import checked_run, checked_table
from simwrap.engine.worker import ChunkResult, Job, empty, put_level
from simwrap.errors import EngineError, NoEngineError
from simwrap.findings.status import reworded
from simwrap.netlist import allow_list

#: Points of a chunk. Fixed, and each chunk starts from a fresh load, so that the numbers of a point
#: can't depend on how many workers there are.
CHUNK = 64
#: The first engine's share of the time limit where another one is there for the points it can't do.
FIRST_SHARE = 0.75
#: How often an engine that says it can't is started, and how long one that something ends meanwhile [s].
START_TRIES, START_PATIENCE = 3, 30.0


@dataclass(frozen=True)
class _Task:
    """A job, and for which runs and points it is."""

    job: Job
    runs: tuple[int, ...]
    points: Any


def run(circuit: NetlistTable, runs: Sequence[Analysis], options: Run = DEFAULT) -> list[Reply]:
    """Run analyses of every point of a circuit.

    Threads that call it at the same time share as many children as there are cores (or as the most workers).

    Parameters
    ----------
    circuit : NetlistTable
        Netlist text and table of element values.
    runs : sequence of OpRun, AcRun, NoiseRun, SteadyRun, TransientRun
        The analyses wanted of every point.
    options : Run
        Which engine, how long, and where.

    Returns
    -------
    list of Reply
        One for each run. Points that failed are NaN and have their reason.

    Raises
    ------
    NetlistError
        When the text breaks the rules of allow_list.py, or a table or vector doesn't fit it.
    NoEngineError
        When no engine is there, or the one named isn't, or can't be started.
    SystemLimitError
        When the computer has no files or processes left for an engine.
    UnknownNameError
        When ``options.engine`` is no known name.
    """
    engines = choose(options.engine)
    parsed = allow_list.check(circuit.text)
    names, table, bad = checked_table(circuit, parsed)
    checked = tuple(checked_run(run, parsed, circuit.points) for run in runs)
    parts = [empty(run, circuit.points) for run in checked]
    done_by = [[engines[0]] * circuit.points for _ in checked]
    for point, reason in bad.items():
        for part in parts:
            part.reasons[point] = reason
    good = np.array([point for point in range(circuit.points) if point not in bad], dtype=int)
    tasks = [
        _Task(Job(circuit.text, names, table[points], _sliced([checked[k] for k in which], points),
                  float(options.time_limit), float(options.time_limit)), which, points)
        for which, points in _shares(checked, good)
    ]  # fmt: skip

    def arrived(index: int, result: Solved) -> None:
        task = tasks[index]
        for k, (part, names_done) in zip(task.runs, result, strict=True):
            _put(parts[k], part, task.points)
            for place, name in zip(task.points.tolist(), names_done, strict=True):
                done_by[k][place] = name
        if options.arrived is not None:
            options.arrived()

    named = wanted(options.engine) != "auto"
    jobs = [(task.job, engines, named) for task in tasks]
    if options.executor is not None:
        _through(options.executor, jobs, arrived)
    else:
        _locally(jobs, options.workers or children.cores(), arrived)
    return [
        Reply(part.values, part.axis, part.reasons, names_done, dict(part.extras))
        for part, names_done in zip(parts, done_by, strict=True)
    ]


def _shares(runs: Sequence[Analysis], points: Any) -> list[tuple[tuple[int, ...], Any]]:
    """Return what a child does at a time: quick runs of a chunk of points, slow ones of a single point."""
    quick = tuple(k for k, run in enumerate(runs) if not isinstance(run, SteadyRun | TransientRun))
    found = [(quick, points[k : k + CHUNK]) for k in range(0, len(points), CHUNK)] if quick else []
    slow = [k for k in range(len(runs)) if k not in quick]
    return found + [((k,), points[place : place + 1]) for place in range(len(points)) for k in slow]


def _sliced(runs: Sequence[Analysis], chunk: Any) -> tuple[Analysis, ...]:
    return tuple(at_points(run, chunk) for run in runs)


def _put(whole: ChunkResult, part: ChunkResult, places: Any) -> None:
    for name, array in part.values.items():
        whole.values[name][places] = array
    for name, array in part.extras.items():
        if name not in whole.extras:
            blank = np.nan if array.dtype.kind in "fc" else array.dtype.type()
            whole.extras[name] = np.full((len(whole.reasons), *array.shape[1:]), blank, array.dtype)
        whole.extras[name][places] = array
    for place, reason in zip(np.asarray(places).tolist(), part.reasons, strict=True):
        whole.reasons[place] = reason


Solved = list[tuple[ChunkResult, list[str]]]


class Stopped(Exception):
    """The run was interrupted; no child may be started any more."""


#: Since when no child of an engine could be started, as something ended each of them [s]: of the whole process, so that
#: its next run isn't as patient again.
_failing_since: dict[str, float] = {}


def _hopeless(engine: str) -> bool:
    return time.monotonic() - _failing_since.get(engine, np.inf) > START_PATIENCE


class _Crew:
    """The children that one run uses at a time, so that it can end them without touching another run's."""

    def __init__(self, most: int | None = None) -> None:
        #: How many children may be in use in this process (None: any number).
        self.most = most
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._busy: set[children.Child] = set()

    def take(self, engine: str) -> children.Child:
        try:
            child = children.borrow(engine, self.most, self._stopped)
        except children.ChildDied:
            _failing_since.setdefault(engine, time.monotonic())
            raise
        if child is None:
            raise Stopped
        _failing_since.pop(engine, None)
        with self._lock:
            self._busy.add(child)
        if self._stopped.is_set():
            self.drop(child)
            raise Stopped
        return child

    def hand_back(self, child: children.Child) -> None:
        with self._lock:
            self._busy.discard(child)
        children.give_back(child)

    def drop(self, child: children.Child) -> None:
        with self._lock:
            self._busy.discard(child)
        children.discard(child)

    def stop(self) -> None:
        self._stopped.set()
        with self._lock:
            busy = list(self._busy)
        for child in busy:
            child.kill()

    @property
    def stopped(self) -> bool:
        return self._stopped.is_set()


#: What an executor's worker gets: a job, the engines in order, and whether the first one was asked for by its name.
_Given = tuple[Job, tuple[str, ...], bool]


def solve_chunk(job: Job, engines: tuple[str, ...], named: bool = False, crew: _Crew | None = None) -> Solved:
    """Solve one chunk in this process's children: all that an executor's worker has to do.

    The other engine takes over points that the first fails on, but doesn't stand in for one that was ``named`` and
    can't even be started.

    Returns, for each run, the part and the engine that did each point.
    """
    crew = crew or _Crew()
    first, *others = engines
    share = job.time_limit * (FIRST_SHARE if others else 1.0)
    parts, spent = _on(first, dataclasses.replace(job, time_limit=share), crew, named)
    result = [(part, [first] * len(job.values)) for part in parts]
    for other in others:
        for k, (part, names) in enumerate(result):
            failed = np.array([p for p, reason in enumerate(part.reasons) if reason], dtype=int)
            if not len(failed):
                continue
            left = job.time_limit - (spent if job.alone else share)
            again = dataclasses.replace(
                job, values=job.values[failed], runs=_sliced(job.runs[k : k + 1], failed), time_limit=left
            )
            _merge(part, names, failed, _on(other, again, crew)[0][0], first, other)
    return result


def _merge(part: ChunkResult, names: list[str], failed: Any, second: ChunkResult, first: str, other: str) -> None:
    """Take over the points that the other engine did better; keep both reasons where neither could."""
    for place, point in enumerate(failed.tolist()):
        reason = second.reasons[place]
        if _holes(second, place) < _holes(part, point):
            _put(part, _one(second, place), [point])
            names[point] = other
            if reason:
                part.reasons[point] = reworded(f"{other}: {reason}", reason)
        elif reason == part.reasons[point]:
            part.reasons[point] = reworded(f"{first} and {other}: {reason}", reason)
        else:
            both = part.reasons[point], reason
            part.reasons[point] = reworded(f"{first}: {both[0]}; {other}: {both[1]}", *both)


def _holes(part: ChunkResult, point: int) -> int:
    return sum(int((~np.isfinite(array[point])).sum()) for array in part.values.values())


def _one(part: ChunkResult, place: int) -> ChunkResult:
    return ChunkResult(
        {name: array[place : place + 1] for name, array in part.values.items()},
        part.axis,
        [part.reasons[place]],
        {name: array[place : place + 1] for name, array in part.extras.items()},
    )


def _on(engine: str, job: Job, crew: _Crew, named: bool = False) -> tuple[list[ChunkResult], float]:
    """Run a job on one engine; returns its parts and the time that children worked on it [s].

    A point in flight when a child ends is tried once more, then marked.
    """
    deaths: dict[tuple[int, int, int], int] = {}
    marked: dict[tuple[int, int, int], str] = {}
    starts, spent = 0, 0.0
    while True:
        try:
            child = crew.take(engine)
        except (children.Unusable, children.ChildDied) as error:
            starts += 1
            ended = isinstance(error, children.ChildDied)
            if not _hopeless(engine) if ended else starts < START_TRIES:
                continue
            if named and not ended:
                raise NoEngineError(f"it could not be started ({error})", engine=engine) from None
            return _all_failed(job, f"the engine could not be started ({error})"), spent
        starts = 0
        limit = max(job.time_limit - spent, 0.01) if job.alone else job.time_limit
        begin = time.monotonic()
        try:
            answer = child.ask(dataclasses.replace(job, time_limit=limit, skip=frozenset(marked)))
        except children.ChildDied as died:
            crew.drop(child)
            spent += time.monotonic() - begin
            if crew.stopped:
                raise Stopped from None
            where = died.where
            deaths[where] = deaths.get(where, 0) + 1
            if died.timed_out and job.alone:
                # Its time is used up; what it had finished before stays.
                return [_cut_off(job, died.levels, where)], spent
            if where[0] < 0:
                # It had ended before it began: no point's fault.
                if deaths[where] > 5:
                    return _all_failed(job, died.reason), spent
            elif died.timed_out or deaths[where] > 1:
                marked[where] = job.over if died.timed_out else died.reason
            continue
        except BaseException:
            crew.drop(child)
            raise
        crew.hand_back(child)
        spent += time.monotonic() - begin
        parts = [ChunkResult(**found) for found in answer]
        for (k, point, level), reason in marked.items():
            steady = isinstance(job.runs[k], SteadyRun)
            texts = [parts[k].reasons[point], f"level {level}: {reason}" if steady else reason]
            parts[k].reasons[point] = reworded("; ".join(filter(None, texts)), texts[0], reason)
        return parts, spent


def _all_failed(job: Job, reason: str) -> list[ChunkResult]:
    parts = [empty(run, len(job.values)) for run in job.runs]
    for part in parts:
        part.reasons[:] = [reason] * len(job.values)
    return parts


def _cut_off(job: Job, levels: list[tuple[int, Settled]], where: tuple[int, int, int]) -> ChunkResult:
    """Return what is there of a single point whose child had to be ended."""
    (run,) = job.runs
    part = empty(run, 1)
    part.reasons[0] = job.over
    if isinstance(run, SteadyRun):
        for level, settled in levels:
            put_level(part, 0, level, settled)
        part.reasons[0] = reworded(f"from level {max(where[2], 0)} on: {job.over}", job.over)
    return part


def _locally(jobs: list[_Given], workers: int, arrived: Callable[[int, Solved], None]) -> None:
    """Run the jobs in threads, each with a child of its own at a time."""
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    answers: queue.SimpleQueue[tuple[int, Solved | BaseException]] = queue.SimpleQueue()
    crew = _Crew(max(workers, children.cores()))
    for index in range(len(jobs)):
        waiting.put(index)

    def work() -> None:
        while not crew.stopped:
            try:
                index = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                answers.put((index, solve_chunk(*jobs[index], crew)))
            except BaseException as error:
                answers.put((index, error))

    threads = [threading.Thread(target=work, daemon=True) for _ in range(min(workers, len(jobs)))]
    try:
        for number, thread in enumerate(threads):
            try:
                thread.start()
            except RuntimeError:
                del threads[number:]  # no room for another: those that run do it all, or this one
                if not threads:
                    work()
                break
        for _ in jobs:
            index, answer = answers.get()
            if isinstance(answer, BaseException):
                raise answer
            arrived(index, answer)
    except BaseException as error:
        # A thread may just be starting a child: ask until all have seen it.
        while any(thread.is_alive() for thread in threads):
            crew.stop()
            for thread in threads:
                thread.join(0.05)
        if isinstance(error, KeyboardInterrupt):
            children.stop_idle()
        raise
    for thread in threads:
        thread.join()


def _through(
    executor: concurrent.futures.Executor,
    jobs: list[_Given],
    arrived: Callable[[int, Solved], None],
) -> None:
    """Run the jobs on an executor; what its workers lose is done here."""
    lost = []
    futures: dict[concurrent.futures.Future[Solved], int] = {}
    try:
        for index, job in enumerate(jobs):
            try:
                futures[executor.submit(solve_chunk, *job)] = index
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
        raise
    _locally([jobs[index] for index in lost], 1, lambda place, answer: arrived(lost[place], answer))
