"""What came of running measures over points, and how groups of points are put together."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simwrap.findings.finding import Finding
from simwrap.measures.requests import Result, Variable
from simwrap.simulation.answers import ByPoint

#: Requests that take well under a millisecond, and how many settings a point still count as few.
QUICK = frozenset({"Op", "Ac", "Noise", "Poles"})
MANY_RUNS = 20


@dataclass
class Outcome:
    """Results of all measures over all points.

    Attributes
    ----------
    results : dict of str to Result
    reasons : list of str
        Why a point failed, "" where nothing did.
    engines : list of str
        Which engine did each point ("+" joins several).
    netlists : list of str
        sha256 of the netlist text of each point.
    kinds : frozenset of str
        Kinds of requests that were made, such as "Ac" or "Steady".
    runs : int
        How many settings of the circuit were run for each point.
    large : frozenset of str
        Measures that asked for large signals: none of them has a meaning where the circuit is unstable.
    refused : dict of str to str
        Measures that have no meaning for this circuit, where others have one, and why.
    small_signals : frozenset of str
        How sweeps over frequency and noise were found: "engine" by its own analyses, "linearised" from the circuit
        linearised about its operating point.
    """

    results: dict[str, Result]
    reasons: list[str]
    engines: list[str]
    netlists: list[str] = field(default_factory=list)
    kinds: frozenset[str] = frozenset()
    runs: int = 1
    large: frozenset[str] = frozenset()
    refused: dict[str, str] = field(default_factory=dict)
    small_signals: frozenset[str] = frozenset()

    @property
    def findings(self) -> list[list[Finding]]:
        """What the measures find at each point, each once."""
        said = [[finding for result in self.results.values() for finding in _said(result, point)]
                for point in range(len(self.reasons))]  # fmt: skip
        return [list(dict.fromkeys(each)) for each in said]

    @property
    def slow(self) -> bool:
        """Whether a point takes far more than an operating point and a small-signal sweep."""
        return not self.kinds <= QUICK or self.runs > MANY_RUNS


def _said(result: Result, point: int) -> list[Finding]:
    return result.findings[point] if point < len(result.findings) else []


def merged(outcomes: Sequence[Outcome], groups: Sequence[NDArray[np.intp]], points: int) -> Outcome:
    """Put results of groups of points together; what a group doesn't have is NaN (or "")."""
    results: dict[str, Result] = {}
    refused = {name: why for outcome in outcomes for name, why in outcome.refused.items()}
    names = dict.fromkeys(name for outcome in outcomes for name in outcome.results)
    for name in names:
        figures, like = ByPoint(points), dict[str, Variable]()
        findings: list[list[Finding]] = [[] for _ in range(points)]
        for outcome, indices in zip(outcomes, groups, strict=True):
            if name not in outcome.results:
                for index in indices:
                    findings[index] = [Finding.of("measure_left_out", reason=outcome.refused[name])]
                continue
            part = outcome.results[name]
            for index, said in zip(indices, part.findings, strict=False):
                findings[index] = said
            figures.put_figures(indices, part.variables)
            like |= part.variables
        first = next(outcome.results[name] for outcome in outcomes if name in outcome.results)
        variables = {key: dataclasses.replace(like[key], values=array) for key, array in figures.arrays.items()}
        results[name] = dataclasses.replace(first, variables=variables, findings=findings)
    reasons, used, netlists = [""] * points, [""] * points, [""] * points
    for outcome, indices in zip(outcomes, groups, strict=True):
        for position, index in enumerate(indices):
            reasons[index] = outcome.reasons[position]
            used[index] = outcome.engines[position]
            netlists[index] = outcome.netlists[position]
    kinds = frozenset(kind for outcome in outcomes for kind in outcome.kinds)
    large = frozenset(name for outcome in outcomes for name in outcome.large)
    return Outcome(
        results,
        reasons,
        used,
        netlists,
        kinds,
        max(outcome.runs for outcome in outcomes),
        large,
        {name: why for name, why in refused.items() if name not in results},
        frozenset(how for outcome in outcomes for how in outcome.small_signals),
    )
