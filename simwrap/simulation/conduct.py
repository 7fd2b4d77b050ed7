"""The conductor: drives the generators of measures over a table, and answers what they ask.

A measure is a generator that asks (see :mod:`simwrap.measures.requests`) and is answered with arrays over all points at
once. Round by round the questions of all measures are collected, run together (:mod:`simwrap.simulation.run`), and
answered.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Generator, Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.bench import takes_signal
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.point_table import PointTable, grouped
from simwrap.engine import DEFAULT, Run
from simwrap.errors import InputError, NetlistError, QuantityError, RangeError, UnknownNameError
from simwrap.measures.common import common_conditions
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Result
from simwrap.simulation.outcome import Outcome, merged
from simwrap.simulation.plan import fingerprint, needs_rest, needs_signal, several
from simwrap.simulation.run import Runner

#: A slip in the options of a measure, as against a measure that has no meaning for a circuit.
SLIPS = (QuantityError, RangeError, UnknownNameError, NetlistError)


class BenchPart(Protocol):
    """See ``bench_part`` of :class:`~simwrap.measures.common.StageLike`."""

    def __call__(self, port: str, part: str) -> str: ...


@dataclass(frozen=True)
class StageView:
    """What a measure sees of a circuit, and no more: :class:`~simwrap.measures.common.StageLike` says what each is."""

    name: str
    values: Mapping[str, Any]
    ports: Mapping[str, str]
    supplies: Mapping[str, str]
    loop_probes: Mapping[str, tuple[str, str]]
    bench_part: BenchPart
    standard_curves: Mapping[str, Mapping[str, list[float]]]
    valves: Mapping[str, Any]
    components: Mapping[str, Any]
    node_paths: Mapping[str, str]

    @classmethod
    def of(cls, table: PointTable) -> StageView:
        """Return the view of a table's circuit; what is swept are arrays of shape (points,)."""
        circuit = table.at(0)
        swept = {name: column for name, column in table.columns.items() if column.dtype.kind == "f"}
        own = {field.name: getattr(circuit, field.name) for field in fields(cls)}
        return cls(**{**own, "values": MappingProxyType({**circuit.values, **swept})})


class _Conductor:
    """Measures under way over a table whose words (valves, choices) are the same at all points."""

    def __init__(self, table: PointTable, measures: Mapping[str, Mapping[str, Any]], how: Run) -> None:
        self._circuit, self._view = table.at(0), StageView.of(table)
        self._measures, self._runner = measures, Runner(table, how)
        self._shared = common_conditions(self._view, table.points)
        self._takes_signal = takes_signal(self._circuit)
        self._active: dict[str, Generator[Any, Any, Result]] = {}
        self._asked: dict[str, Any] = {}
        self._large: set[str] = set()
        self._results: dict[str, Result] = {}
        self._refused: dict[str, str] = {}

    def conduct(self) -> Outcome:
        """Run all to their ends."""
        for name in self._measures:
            self._advance(name, None)
        while self._active:
            self._runner.answer([request for wanted in self._asked.values() for request in several(wanted)])
            for name in list(self._active):
                wanted = self._asked[name]
                answers = [self._runner.answers[fingerprint(request)] for request in several(wanted)]
                self._advance(name, answers if isinstance(wanted, list | tuple) else answers[0])
        if self._refused and not self._results:
            raise InputError("; ".join(self._refused.values()))
        runner = self._runner
        return Outcome(
            {name: self._results[name] for name in self._measures if name in self._results},
            runner.reasons,
            runner.engines,
            runner.netlists,
            frozenset(runner.kinds),
            runner.runs,
            frozenset(self._large),
            self._refused,
            frozenset(runner.small_signals),
        )

    def _advance(self, name: str, answer: Any) -> None:
        """Let a measure ask on, or end."""
        self._asked.pop(name, None)
        try:
            if answer is None:
                self._active[name] = self._begun(name)
            asked = self._active[name].send(answer)
            if not self._takes_signal and any(map(needs_signal, several(asked))):
                raise InputError(f"{name}: has no meaning for {self._circuit.name}: no signal comes in at it")
            if any(map(needs_rest, several(asked))):
                self._large.add(name)
            self._asked[name] = asked
            return
        except StopIteration as end:
            self._results[name] = dataclasses.replace(end.value, conditions=self._shared | end.value.conditions)
        except SLIPS:
            raise
        except InputError as fault:  # one that has no meaning here takes nothing else down
            if len(self._measures) == 1:
                raise
            self._refused[name] = str(fault)
        self._active.pop(name, None)

    def _begun(self, name: str) -> Generator[Any, Any, Result]:
        entry = get_measure(name)
        if why := refusal(self._circuit, name):
            raise InputError(why)
        return entry(self._view, **self._measures[name])


def refusal(circuit: Circuit, name: str) -> str:
    """Return why a measure has no meaning for a circuit, "" where it has one as far as can be seen beforehand."""
    measure = get_measure(name)
    if why := measure.refuses(circuit):
        return f"{measure.name}: has no meaning for {circuit.name}: {why}"
    if not circuit.other_measures and measure.name not in circuit.measures:
        return f"{measure.name}: has no meaning for {circuit.name}; give {', '.join(circuit.measures)}"
    return ""


def _word_groups(table: PointTable) -> list[NDArray[np.intp]]:
    return grouped(
        [np.unique(c, return_inverse=True)[1] for c in table.columns.values() if c.dtype.kind != "f"], table.points
    )


def evaluate(table: PointTable, measures: Mapping[str, Mapping[str, Any]], how: Run = DEFAULT) -> Outcome:
    """Run measures over all points of a table.

    Parameters
    ----------
    table : PointTable
    measures : mapping of str to mapping
        Measure names with their options.
    how : Run

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
        return _Conductor(table, measures, how).conduct()
    outcomes = [_Conductor(table.take(indices), measures, how).conduct() for indices in groups]
    return merged(outcomes, groups, table.points)
