"""What values that are proposed have to hold besides the goals: ratings, and stability with other loads too."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol, runtime_checkable

from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.point_table import PointTable
from simwrap.design.runs import Design
from simwrap.engine import Run
from simwrap.errors import InputError
from simwrap.findings.finding import Finding
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.measurement import chosen_measures


@runtime_checkable
class Judge(Protocol):
    """A whole amplifier that values are chosen for.

    Attributes
    ----------
    circuit : Circuit
        One channel as it stands.
    """

    @property
    def circuit(self) -> Circuit: ...

    def findings_with(self, values: Mapping[str, float]) -> list[Finding]:
        """Return what an audit finds with other values, about stability, supply, ratings and what is fitted."""


def stability_options(stage: Design) -> dict[str, Any]:
    """Return the options with which stability is asked for: with other loads where the output is a loudspeaker's."""
    circuit = as_circuit(stage)
    load = circuit.bench_part("output", "resistor") if "speaker" in circuit.ports else ""
    ohms = float(circuit.values[load]) if load else 0.0
    return {"nominal_load": ohms} if ohms > 0.0 else {}


def held(stage: Design, columns: Mapping[str, NDArray[Any]], options: Run) -> tuple[list[list[Finding]], str]:
    """Return what is found of each point about ratings and stability, and which ratings were looked at.

    Nothing is found of a circuit without valves.

    Parameters
    ----------
    stage : Stage or Circuit
    columns : mapping of str to ndarray, shape (points,)
        Values by parameter.
    options : Run
    """
    points = len(next(iter(columns.values())))
    if not has_bias(stage):
        return [[] for _ in range(points)], ""
    asked = {"bias": {}, "stability": stability_options(stage)}
    outcome = evaluate(PointTable(as_circuit(stage), columns, points), asked, options)
    checked = outcome.results["bias"].conditions.get("limits_checked", ("", ""))[0]
    return outcome.findings, f"limits checked: {checked}"


def beyond(findings: list[Finding]) -> list[Finding]:
    """Return the findings that pass a limit."""
    return [finding for finding in findings if finding.severity.beyond]


def has_bias(stage: Design) -> bool:
    """Whether the operating points of valves can be measured."""
    try:
        return bool(stage.valves and chosen_measures(stage, ["bias"]))
    except InputError:
        return False


__all__ = ["Judge", "beyond", "has_bias", "held", "stability_options"]
