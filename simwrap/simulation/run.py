"""The run: answers requests of measures for one table, with as few calls of an engine as possible."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import Batch, excited, render_table, take_extra
from simwrap.engine import Run, natural, protocol, small_signal
from simwrap.engine.known_states import KnownStates
from simwrap.findings.status import Status, status_of
from simwrap.measures.numerics.parts import collect
from simwrap.measures.requests import Ac, Noise, Poles, Request, Steady, Step
from simwrap.netlist.element import Element
from simwrap.simulation.answers import Answer, Gathered
from simwrap.simulation.hopeless import UNFED, unfed_points, unstable_words
from simwrap.simulation.plan import Group, analysis_of, expand, fingerprint, plan, repeat, same_signal


class Runner:
    """Answers requests for one table, remembering what was already asked.

    Attributes
    ----------
    answers : dict
        By fingerprint of the request.
    reasons, engines, netlists : list of str
        By point: why it failed, which engine did it ("+" joins several), sha256 of its netlist's text.
    kinds : set of str
        Kinds of requests that were run.
    small_signals : set of str
        How small signals were found: "linearised", "engine".
    runs : int
        How many settings were run for each point.
    """

    def __init__(self, table: PointTable, how: Run) -> None:
        self.table, self._how = table, how
        self.answers: dict[Any, Answer] = {}
        self.reasons = [""] * table.points
        self.engines = [""] * table.points
        self.netlists = [""] * table.points
        self.kinds: set[str] = set()
        self.small_signals: set[str] = set()
        self.runs = 0
        #: How many sweeps about one operating point are enough to make the circuit linear there.
        self._least_sweeps = {"linearised": 1, "auto": 2, "engine": np.inf}[how.small_signals]
        #: Measures that close in on a mark ask for more levels near those that were run.
        self._settled = how.settled if how.settled is not None and table.points == 1 else KnownStates()
        #: Why no large signal has a meaning at each point, once that was asked: it is unstable, or has no supply.
        self._hopeless: list[str] | None = None
        #: Points of which one large signal took all the time there is: no other one is run.
        self._late = [""] * table.points

    def answer(self, requests: Sequence[Request]) -> None:
        """Run what isn't known yet."""
        fresh = [request for request in requests if fingerprint(request) not in self.answers]
        for group in plan(fresh, self._least_sweeps):
            self._run(group)

    def _run(self, group: Group) -> None:
        asked = group.requests
        self.kinds |= {type(request).__name__ for request in asked}
        table, settings = expand(self.table, asked[0].vary)
        self.runs += settings or 1
        gathered = [Gathered(request, self.table.points, settings) for request in asked]
        reasons = self._beforehand(group, settings)
        parts: dict[str, Element] = {}
        for batch, numbers, analyses in self._pieces(group, table, settings, np.flatnonzero([not r for r in reasons])):
            replies = self._replies(batch.netlist.circuit, [asked[n] for n in numbers], analyses, batch.indices)
            if not settings:
                collect(parts, batch.netlist.elements, batch.indices, table.points)
            for number, reply in zip(numbers, replies, strict=True):
                gathered[number].put(batch.indices, reply)
                self._note(batch, reply, settings, reasons)
        own = _per_point(reasons, settings)
        if group.at_rest:
            self._late = [
                old or (new if status_of(new) is Status.LATE else "") for old, new in zip(self._late, own, strict=True)
            ]
        self.reasons = [old or new for old, new in zip(self.reasons, own, strict=True)]
        for request, found in zip(asked, gathered, strict=True):
            self.answers[fingerprint(request)] = found.answer(own, {"parts": parts})

    def _note(self, batch: Batch, reply: protocol.Reply, settings: int, reasons: list[str]) -> None:
        """Note why points failed, who did them, and with which netlist."""
        digest = batch.netlist.sha256
        for index, reason, used in zip(batch.indices.tolist(), reply.reasons, reply.engines, strict=True):
            reasons[index] = reasons[index] or reason
            point = index // settings if settings else index
            if used != self.engines[point]:
                self.engines[point] = _joined(self.engines[point], used)
            self.netlists[point] = self.netlists[point] or digest

    def _pieces(
        self, group: Group, table: PointTable, settings: int, rows: NDArray[np.intp]
    ) -> Iterator[tuple[Batch, list[int], list[protocol.Analysis]]]:
        """Yield netlists with their points, which of the requests they are for, and what an engine is asked.

        Here it is decided how small signals are found: all from one netlist whatever they excite, by the circuit
        linearised about its operating point, where that is wanted and nothing in the netlist is in its way; else by
        the engine's own analyses, with a netlist for each source that is excited.
        """
        asked = group.requests
        extra = repeat(asked[0].extra, settings)

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
            known = group.linear and not small_signal.unknown(parsed, sources[0], noise)
            known = known and all(source in parsed.devices for source in sources)
            if any(isinstance(request, Ac | Noise) for request in asked):
                self.small_signals.add("linearised" if known else "engine")
            pairs = zip(asked, sources, strict=True)
            analyses = [analysis_of(request, settings, source, known) for request, source in pairs]
            if known or not group.linear:
                yield batch, every, analyses
                continue
            for excite in dict.fromkeys(request.excite for request in asked):
                numbers = [number for number in every if asked[number].excite == excite]
                for own in [batch] if excite == first else batches(batch.indices, excite):
                    yield own, numbers, [analyses[number] for number in numbers]

    def _replies(
        self,
        circuit: protocol.NetlistTable,
        requests: Sequence[Request],
        runs: Sequence[protocol.Analysis],
        indices: Any,
    ) -> list[protocol.Reply]:
        """Run one netlist."""
        part = [protocol.at_points(run, indices) for run in runs]
        for number, (request, run) in enumerate(zip(requests, part, strict=True)):
            if isinstance(request, Steady) and isinstance(run, protocol.SteadyRun):
                part[number] = self._settled.begin((circuit.text, same_signal(request)), run, indices)
        replies = engines.run(circuit, part, self._how)
        for request, run, reply in zip(requests, part, replies, strict=True):
            if isinstance(request, Steady) and isinstance(run, protocol.SteadyRun):
                self._settled.keep((circuit.text, same_signal(request)), run.amplitude, reply, indices)
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

    def _beforehand(self, group: Group, settings: int) -> list[str]:
        """Return why rows aren't run: what has no steady state, and what has used up its time; "" where they are."""
        if not group.at_rest:
            return [""] * (self.table.points * (settings or 1))
        if self._hopeless is None:
            # A stage by itself has nothing to form a loop with; several may, by a path or through a supply they share.
            several = len(self.table.circuit.stages) > 1
            unstable = self._restless() if several else [""] * self.table.points
            unfed = unfed_points(self.table)
            self._hopeless = [UNFED if no_supply else said for no_supply, said in zip(unfed, unstable, strict=True)]
        why = [hopeless or late for hopeless, late in zip(self._hopeless, self._late, strict=True)]
        return [reason for reason in why for _ in range(settings or 1)]

    def _restless(self) -> list[str]:
        """Return why each point is unstable, "" where it is stable."""
        said = [""] * self.table.points
        for batch in render_table(self.table):
            (reply,) = self._replies(batch.netlist.circuit, [Poles()], [protocol.OpRun(natural=True)], batch.indices)
            for index, poles, mask in zip(batch.indices, reply.values["poles"], reply.values["growing"], strict=True):
                if mask.any():
                    said[index] = unstable_words(poles[mask], list(self.table.circuit.loops))
        return said


def _joined(one: str, other: str) -> str:
    """Return the names of engines in both, joined by "+"."""
    return "+".join(sorted({*one.split("+"), *other.split("+")} - {""}))


def _per_point(reasons: list[str], settings: int) -> list[str]:
    if not settings:
        return reasons
    rows = [reasons[start : start + settings] for start in range(0, len(reasons), settings)]
    return [next((reason for reason in row if reason), "") for row in rows]
