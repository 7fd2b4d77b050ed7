"""The table of what stages are checked against: each check gives a figure as it is found and as a closed form has it.

A module registers its checks with :func:`check`; `tests/stages/test_stages_checked.py` runs them all, and holds the
table in docs/checked_stages.md to them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from stage_runs import at, small_signal

import simwrap
from simwrap.circuits.stage import Stage

FARAD = 1.0  # a capacitor that is a short circuit at any frequency of interest
OPEN = 1e9  # a load that isn't there [ohm]


@dataclass(frozen=True)
class Check:
    """A figure of a stage with some values: what it is, where the form is from, and by how much it may be off [%]."""

    stage: str
    figure: str
    source: str
    percent: float
    values: dict[str, Any]
    both: Callable[[Stage], tuple[float, float]]

    def made(self) -> Stage:
        return simwrap.stage(self.stage, **self.values)

    def row(self) -> str:
        return f"| `{self.stage}` | {self.figure} | {self.source} | {self.percent:g} % |"


CHECKS: list[Check] = []


def check(stage: str, figure: str, source: str, percent: float, **values: Any) -> Any:
    """Register a function that returns (found, wanted) of a stage made with these values."""

    def register(both: Callable[[Stage], tuple[float, float]]) -> Callable[[Stage], tuple[float, float]]:
        CHECKS.append(Check(stage, figure, source, percent, values, both))
        return both

    return register


def parallel(*resistances: float) -> float:
    return 1.0 / sum(1.0 / value for value in resistances)


def gain(made: Stage, frequency: float = 1000.0, port: str = "output") -> float:
    """Return the magnitude of the gain from the source's e.m.f. to a port."""
    return abs(at(made, frequency, made.ports[port]))


def impedance(made: Stage, frequency: float = 1000.0, port: str = "output") -> float:
    """Return the magnitude of the impedance at a port, its load included [ohm]."""
    return abs(at(made, frequency, made.ports[port], excite=port))


def slopes(made: Stage, *instances: str) -> Any:
    """Return gm, ra and mu of each valve named."""
    found = [small_signal(made, name) for name in instances or ("v1",)]
    return found if len(found) > 1 else found[0]
