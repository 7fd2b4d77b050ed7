"""What :func:`simwrap.choose` found: combinations of values, what each reaches, and what it gives up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simwrap.design.goals import YES_NO, Goal
from simwrap.design.runs import Design
from simwrap.findings.finding import Finding
from simwrap.measures.results import split_name
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled
from simwrap.simulation.as_json import SCHEMA
from simwrap.simulation.measurement import measure
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True)
class Candidate:
    """One combination of values: what it reaches, and its misses in tolerances."""

    values: dict[str, float]
    reached: dict[str, float]
    misses: dict[str, float]
    met: bool

    @property
    def cost(self) -> float:
        """Sum of the squared misses."""
        return float(sum(miss * miss for miss in self.misses.values()))


@dataclass(frozen=True, repr=False)
class Choice(Shown):
    """What :func:`choose` found.

    Attributes
    ----------
    stage : Stage or Circuit
        With the best values.
    goals : tuple of Goal
        As they were stated, and those that had to be added to make sense of them (see ``notes``).
    candidates : tuple of Candidate
        Preferred values, the best first: those that meet all goals before those that don't.
    trade : dict of str to Candidate
        For each goal, the combination that comes closest to it alone.
    continuous : Candidate
        The solution with values as they come.
    ends : tuple of str
        Free values that stand at an end of their range.
    met : bool
        Whether the best keeps all goals.
    tried : int
        How many combinations of preferred values were run.
    every : bool
        Whether these are all there are.
    notes : tuple of str
        What was freed or added, and figures of the best that lie beyond the onset of clipping.
    warnings : tuple of str
        Ratings that the best exceeds or comes near to.
    series : str
    findings : tuple of Finding
        What remains of the best about ratings and stability, with other loads too where the output is a loudspeaker's.
    """

    stage: Design
    goals: tuple[Goal, ...]
    candidates: tuple[Candidate, ...]
    trade: dict[str, Candidate]
    continuous: Candidate
    ends: tuple[str, ...]
    met: bool
    tried: int
    every: bool
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    series: str
    findings: tuple[Finding, ...] = ()

    @property
    def good(self) -> bool:
        """Whether the best keeps all goals, holds its ratings and is stable, as far as was looked at."""
        return self.met and not any(finding.severity.beyond for finding in self.findings)

    @property
    def best(self) -> dict[str, float]:
        """The best values by parameter."""
        return self.candidates[0].values

    @property
    def summary(self) -> str:
        """What was reached, in words."""
        named = self._named(self.best)
        if self.met:
            remains = " ".join(finding.text for finding in self.findings if finding.severity.beyond)
            return f"all goals are met: {named}" + (f"; what remains: {remains}" if remains else "")
        missed = "; ".join(self._missed(self.candidates[0]))
        tried = f"all {self.tried} combinations in {self.series}" if self.every else self._some
        nearest = f"the nearest is {named}, where {missed}"
        if self.continuous.met:
            none = f"no {self.series} values meet all goals" if self.every else f"none found among {self._some}"
            of = f"of {tried} " if self.every else ""
            return f"{none}, though {self._named(self.continuous.values)} would; {of}{nearest}"
        why = "; ".join(self._missed(self.continuous)) or missed
        text = f"the goals can't be met with these parts in their ranges, as far as was found: at best {why}"
        if self.ends:
            text += f" ({' and '.join(self.ends)} at the end of the range)"
        return f"{text}; of {tried} {nearest}"

    @property
    def _some(self) -> str:
        return f"the {self.tried} combinations in {self.series} that were tried"

    def _named(self, values: Mapping[str, float]) -> str:
        return ", ".join(f"{name} {self._shown(name, value)}" for name, value in values.items())

    def _missed(self, candidate: Candidate) -> list[str]:
        said = []
        for goal in self.goals:
            value = candidate.reached[goal.variable]
            off = goal.departure(value)
            if off == "not found":
                said.append(f"{goal.variable} is not found")
            elif off:
                how = "not" if goal.unit == YES_NO else f"{off} from"
                said.append(f"{goal.variable} is {goal.shown(value)}, {how} {goal.text}")
        return said

    def _shown(self, name: str, value: float) -> str:
        return quantity.render(value, self.stage.parameters[name].unit)

    def table(self) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
        """Return the heads and one row a combination: whether it meets all goals, its values, and what it reaches.

        Each column has one unit; how far a goal is missed stands beside its figure.
        """
        shown = [(("best" if n == 0 else f"{n + 1}."), one) for n, one in enumerate(self.candidates)]
        shown += [(f"closest in {name}", one) for name, one in self.trade.items() if one not in self.candidates]
        shown.append(("values as they come", self.continuous))
        all_ = [one for _, one in shown]
        columns = [("", [what for what, _ in shown]), ("all met", ["yes" if one.met else "no" for one in all_])]
        for name in self.best:
            unit = self.stage.parameters[name].unit
            columns.append(_column(name, [one.values[name] for one in all_], unit))
        for goal in self.goals:
            values = [one.reached[goal.variable] for one in all_]
            off = [goal.departure(value).replace("not found", "") for value in values]
            columns.append(_column(goal.text, values, goal.unit))
            if any(off):
                columns.append(("off by", off))
        return tuple(head for head, _ in columns), list(zip(*(column for _, column in columns), strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values: the candidates, the best first, and what is to be said of the best."""

        def shown(one: Candidate) -> dict[str, Any]:
            return {"values": one.values, "reached": one.reached, "misses": one.misses, "met": one.met}

        told: dict[str, Any] = plain(
            {
                "schema": SCHEMA,
                "stage": self.stage.name,
                "met": self.met,
                "summary": self.summary,
                "candidates": [shown(one) for one in self.candidates],
                "continuous": shown(self.continuous),
                "trade": {name: shown(one) for name, one in self.trade.items()},
                "tried": self.tried,
                "every": self.every,
                "notes": list(self.notes),
                "warnings": list(self.warnings),
                "findings": [finding.to_dict() for finding in self.findings],
            }
        )
        return told

    def to_dataset(self) -> xarray.Dataset:
        """Return the candidates, dim "candidate": their values, what they reach, and whether all goals are met."""
        values = {name: ([one.values[name] for one in self.candidates], self.stage.parameters[name].unit, name)
                  for name in self.best}  # fmt: skip
        reached = {goal.variable: ([one.reached[goal.variable] for one in self.candidates], goal.unit, goal.text)
                   for goal in self.goals}  # fmt: skip
        met = {"met": ([one.met for one in self.candidates], "", "all goals are met")}
        return labelled("candidate", range(1, len(self.candidates) + 1), values | reached | met, summary=self.summary)

    def plot(self, name: str | None = None, *, ax: Any = None) -> Any:
        """Measure the best, and draw it: a measure by name, or the first of the goals' that has a picture."""
        names = [name] if name else list(dict.fromkeys(split_name(goal.variable)[0] for goal in self.goals))
        return measure(self.stage, names).plot(name, ax=ax)

    def report(self) -> list[Listing]:
        sentences = [Listing(text, (), []) for text in (*self.notes, *self.warnings)]
        return [Listing(self.summary, *self.table()), *sentences]


def _column(head: str, values: list[float], unit: str) -> tuple[str, list[str]]:
    """Return a head with the unit of its column, and the numbers."""
    if unit == YES_NO:
        return head, ["yes" if value == 1.0 else "no" for value in values]
    texts, sign = quantity.alike(values, unit)
    return f"{head} [{sign}]" if sign else head, texts


__all__ = ["Candidate", "Choice"]
