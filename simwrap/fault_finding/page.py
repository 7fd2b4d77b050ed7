"""What readings say, on one page: the verdict, what is outside, the causes, and what to read next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.fault_finding.causes import Cause, Suspect
from simwrap.fault_finding.next_places import NextPlace
from simwrap.findings.finding import Finding
from simwrap.report.json import plain
from simwrap.report.model import Listing, Section
from simwrap.report.shown import Shown, labelled
from simwrap.units.quantity import render

if TYPE_CHECKING:
    import xarray

#: Beyond its window by up to this share of the window's half width, a reading is doubtful.
_DOUBTFUL = 0.5
#: Causes and suspects on the page; what is less likely than this isn't told.
_CAUSES, _SUSPECTS, _LEAST = 5, 6, 0.01
#: A healthy verdict bears this much probability of a fault, and of one that endangers something.
_DOUBT, _DANGER = 0.5, 0.03


@dataclass(frozen=True)
class Judged:
    """A reading and its window.

    Attributes
    ----------
    point : str
    unit : str
    value, low, high, expected : float
        [V or A]; of a signal [V r.m.s.].
    distance : float
        From the middle of the window, in half widths of it: up to 1 is inside.
    """

    point: str
    unit: str
    value: float
    low: float
    high: float
    expected: float

    @property
    def distance(self) -> float:
        """From the middle of the window, in half widths of it."""
        half = 0.5 * (self.high - self.low)
        return abs(self.value - 0.5 * (self.high + self.low)) / half if half > 0.0 else np.inf

    @property
    def verdict(self) -> str:
        """Return "inside", "doubtful" or "outside"."""
        return "inside" if self.distance <= 1.0 else "doubtful" if self.distance <= 1.0 + _DOUBTFUL else "outside"


@dataclass(frozen=True)
class Diagnosis:
    """What readings say together.

    Attributes
    ----------
    healthy : bool
        Whether they are what a healthy build may show.
    explained : bool
        Whether any cause explains them.
    causes : tuple of Cause
        The most likely first.
    tell_apart : tuple of NextPlace
        Places not read yet that would tell the two likeliest apart.
    """

    healthy: bool
    explained: bool
    causes: tuple[Cause, ...]
    tell_apart: tuple[NextPlace, ...] = ()

    @property
    def faulty_share(self) -> float:
        """Probability that something is the matter that the readings can tell from nothing."""
        return sum(cause.share for cause in self.causes if not cause.healthy)

    @property
    def endangered(self) -> tuple[Suspect, ...]:
        """Suspects that drive something beyond its ratings."""
        return tuple(fault for cause in self.causes for fault in cause.faults if fault.endangers)


@dataclass(frozen=True, repr=False)
class Report(Shown):
    """What was read, and what it says.

    Attributes
    ----------
    title : str
    readings : tuple of Judged
    diagnosis : Diagnosis
    findings : tuple of Finding
        Ratings that are passed by the readings' own numbers.
    near : tuple of Finding
        Those that are passed by so little, with all readings inside their windows, that healthy builds may do it.
    """

    title: str
    readings: tuple[Judged, ...]
    diagnosis: Diagnosis
    findings: tuple[Finding, ...] = ()
    near: tuple[Finding, ...] = ()

    @property
    def verdict(self) -> str:
        """Return "healthy", "doubtful" or "faulty".

        Healthy is what lies inside every window, passes no rating by its own numbers, is likely as a whole, and
        likelier than any fault. What lies outside a window or passes a rating is faulty, however a fault may explain
        it; and what no healthy build shows as a whole.
        """
        verdicts = {judged.verdict for judged in self.readings}
        said = self.diagnosis
        if self.findings or "outside" in verdicts or (not said.healthy and said.faulty_share > 0.99):
            return "faulty"
        danger = sum(fault.share for fault in said.endangered)
        sure = said.healthy and said.faulty_share < _DOUBT and danger < _DANGER
        return "healthy" if sure and "doubtful" not in verdicts else "doubtful"

    @property
    def clean(self) -> bool:
        """Whether everything looks as in a healthy build."""
        return self.verdict == "healthy"

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What may be the matter, the most likely first, each with its names, share and estimated size."""
        return self.diagnosis.causes

    @property
    def next_places(self) -> tuple[str, ...]:
        """Places not read yet that would tell the first two causes apart, those to be read cold first."""
        return tuple(place.name for place in self.diagnosis.tell_apart)

    @property
    def dangers(self) -> list[str]:
        """What must be switched off at once: a passed rating, a current above its window, a likely cause's harm."""
        told = [finding.text for finding in self.findings] + [
            f"Switch off: {one.point} is {render(one.value, one.unit, digits=3)}, above its window, which ends at "
            f"{render(one.high, one.unit, digits=3)}."
            for one in self.readings
            if one.unit == "A" and one.verdict == "outside" and one.value > one.high
        ]
        told += [f"Switch off: with {fault.name} ({_odds(fault.share)}) {'; '.join(fault.endangers)}."
                 for fault in self.diagnosis.endangered if fault.share > _DANGER]  # fmt: skip
        return told

    @property
    def sentence(self) -> str:
        """The verdict in one sentence."""
        outside = [one.point for one in self.readings if one.verdict == "outside"]
        if self.clean:
            return "All readings together are what a healthy build may show."
        first = next((fault for cause in self.causes for fault in cause.faults if not fault.healthy), None)
        if first is None:
            likely = ""
        elif self.diagnosis.explained:
            likely = f"; the likeliest cause is {first.told} ({_odds(first.share)})"
        else:
            likely = f"; no single cause explains them, and the nearest is {first.told}"
        if self.verdict == "doubtful":
            return f"The readings might come from a healthy build, and yet not surely{likely}."
        where = f"{len(outside)} of {len(self.readings)} readings are outside their windows" if outside else (
                "All readings together are not what a healthy build shows")  # fmt: skip
        return f"{where}{likely}."

    def report(self) -> Iterator[Section]:
        rows = [
            (one.point, render(one.value, one.unit, digits=4),
             f"{render(one.low, one.unit, digits=3)} to {render(one.high, one.unit, digits=3)}", one.verdict,
             f"{one.distance:.2f}")
            for one in sorted(self.readings, key=lambda one: -one.distance)
        ]  # fmt: skip
        tables = [Listing("", ("point", "reading", "window", "verdict", "distance"), rows)]
        causes = [cause for cause in self.causes if cause.share >= _LEAST or cause is self.causes[0]][:_CAUSES]
        if not self.clean:
            told = [(_odds(cause.share), _together(cause), "; ".join(first.endangers), first.act)
                    for cause in causes for first in cause.faults[:1]]  # fmt: skip
            tables.append(Listing("", ("odds", "cause", "what it endangers", "what confirms it"), told))
        legend = "Distance: from the middle of the window in half widths; up to 1 inside, up to 1.5 doubtful."
        yield Section("readings", f"Readings of {self.title}: {self.verdict}", [*self.dangers, self.sentence],
                      tables=[*tables], notes=[legend, *self._told()])  # fmt: skip

    def _told(self) -> Iterator[str]:
        """Yield what the readings say together, beside the causes."""
        said = self.diagnosis
        for one in self.near:
            value, limit = (render(float(each or 0.0), one.unit, digits=3) for each in (one.value, one.limit))
            yield (f"{one.subject}: {one.quantity} is {value} by the readings, rated {limit}. All readings are inside "
                   "their windows: some healthy builds of this design come so far. Give it more margin.")  # fmt: skip
        unseen = next((cause for cause in said.causes if cause.healthy), None)
        if self.clean and unseen and len(unseen.faults) > 1:
            others = [fault.name for fault in unseen.faults if not fault.healthy]
            yield f"Faults that these readings can't tell from that: {_listed(others, 12)}."
        if not self.clean and not said.explained:
            yield "Look for several faults, a slip in the readings, or another design: odds are among the causes told."
        if self.clean:
            return
        cold = any(place.cold for place in said.tell_apart)
        for place in said.tell_apart:
            first, second = ("no end" if value > 2e7 and place.unit == "ohm" else render(value, place.unit, digits=2)
                             for value in (place.first, place.second))  # fmt: skip
            how = "To tell the likeliest two apart"
            if place.cold:
                how = "With the power off and everything discharged"
            elif cold:
                how = "Only if that doesn't settle it"
            yield f"{how} read {place.name}: {first} with {place.between[0]}, {second} with {place.between[1]}."

    def to_dataset(self) -> xarray.Dataset:
        """Return the readings and their windows, dim "point"; "unit" says of each whether it is V or A."""
        columns = {name: ([getattr(each, name) for each in self.readings], unit, words)
                   for name, unit, words in (("value", "see unit", "read"), ("low", "see unit", "window from"),
                                             ("high", "see unit", "window to"), ("expected", "see unit", "expected"),
                                             ("distance", "", "from the middle, in half widths"),
                                             ("verdict", "", "verdict"), ("unit", "", "unit"))}  # fmt: skip
        return labelled("point", [each.point for each in self.readings], columns, verdict=self.verdict)

    def plot(self, *, ax: Any = None) -> Any:
        """Draw where each reading lies in its window, in half widths from its middle; or in the place of axes."""
        from matplotlib.figure import Figure

        figure = Figure(layout="constrained") if ax is None else ax.figure
        axes = figure.subplots() if ax is None else ax
        half = [0.5 * (each.high - each.low) for each in self.readings]
        places = [(each.value - 0.5 * (each.high + each.low)) / width if width > 0.0 else np.nan
                  for each, width in zip(self.readings, half, strict=True)]  # fmt: skip
        axes.axvspan(-1.0, 1.0, alpha=0.2)
        axes.plot(places, [each.point for each in self.readings], "o")
        axes.set(xlabel="from the middle of the window [half widths]", title=f"{self.title}: {self.verdict}")
        return figure

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "design": self.title,
            "readings": [
                {"point": r.point, "unit": r.unit, "value": r.value, "low": r.low, "high": r.high,
                 "expected": r.expected, "distance": r.distance, "verdict": r.verdict}
                for r in self.readings
            ],
            "verdict": self.verdict,
            "sentence": self.sentence,
            "healthy": self.clean,
            "dangers": self.dangers,
            "findings": [finding.to_dict() for finding in self.findings],
            "near_ratings": [finding.to_dict() for finding in self.near],
            "explained": self.diagnosis.explained,
            "causes": [
                {"faults": list(cause.names), "share": cause.share, "distance": cause.distance,
                 "suspects": [_suspect(fault) for fault in cause.faults]}
                for cause in self.causes
            ],
            "tell_apart": [{"point": place.name, "unit": place.unit, "first": place.first, "second": place.second,
                            "power_off": place.cold} for place in self.diagnosis.tell_apart],
        }  # fmt: skip


def _suspect(fault: Suspect) -> dict[str, Any]:
    return {"name": fault.name, "part": fault.part, "kind": fault.kind, "share": fault.share, "unit": fault.unit,
            "size": plain(fault.size), "low": plain(fault.low), "high": plain(fault.high), "meant": plain(fault.meant),
            "endangers": list(fault.endangers), "act": fault.act}  # fmt: skip


def _odds(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.005 else "below 1 %"


def _together(cause: Cause) -> str:
    told = [cause.faults[0].told, *(fault.name for fault in cause.faults[1:])]
    return _listed(told, _SUSPECTS) + (" (these can't be told apart)" if len(told) > 1 else "")


def _listed(names: Sequence[str], most: int) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} others" if len(names) > most else "")


__all__ = ["Diagnosis", "Judged", "Report"]
