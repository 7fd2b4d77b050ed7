"""The audit of an amplifier: what is over a rating, whether it stays stable, what it does, what hums.

Terms are those of IEC 60268-3 (from memory): rated source e.m.f., minimum source e.m.f., distortion-limited output
power, gain-limited effective frequency range, signal-to-noise ratio, damping factor.

JSON is one object::

    schema, title, summary     version of this description; the design; how many findings there are
    clean                      whether nothing is over a rating, and it is stable
    verdicts                   list of {mark, text}, what is over first
    findings                   the same as data: severity, mark, code, must_not_be_built, subject, quantity, value,
                               limit, unit, state, details, text
    sections                   list of {name, title, lines: list of {name, value, unit, words, text},
                               tables: list of {units, rows}, notes}
    not_checked, cautions      lists of sentences
    provenance                 engine and its version, hash of the netlist, version of simwrap

Null is a number that wasn't found; ``text`` is what the page shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.sections import SECTIONS
from simwrap.errors import InputError
from simwrap.findings.finding import Finding, ordered
from simwrap.findings.severity import MARKS
from simwrap.report.model import Section
from simwrap.report.shown import Shown

if TYPE_CHECKING:
    import xarray

#: Version of the JSON; it rises when a key changes its name or meaning.
SCHEMA = 1
CAUTIONS = (
    "These circuits hold lethal voltages, also when switched off: discharge the reservoirs and verify with a meter.",
    "An audit says which limits were checked, by models of typical valves; no more. Local codes and a licensed "
    "practitioner have the last word.",
)


#: What no audit looks at.
NEVER = (
    "power and distortion at other frequencies than 1 kHz", "crosstalk but through the shared supply",
    "dissipation of both systems of one envelope together", "electrode voltages before the valves warm up",
    "ripple current of capacitors", "hum that the mains transformer induces", "tolerances of parts and valves",
)  # fmt: skip


@dataclass(repr=False)
class Audit(Shown):
    """Everything that was found out about a design.

    Attributes
    ----------
    title : str
    findings : list of Finding
    sections : list of Section
    not_checked : list of str
    provenance : dict
    states : mapping of str to State
        The amplifier cold, warming, at rest and so on, each found when it is asked for: see
        :attr:`simwrap.amplifier.amplifier.Amplifier.states`.
    small : callable
        Measures what small signals tell, for :meth:`plot`.
    """

    title: str
    findings: list[Finding] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)
    provenance: dict[str, str] = field(default_factory=dict)
    states: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)
    small: Callable[[], Any] | None = field(default=None, repr=False, compare=False)

    @property
    def clean(self) -> bool:
        """Whether nothing is over a rating, and nothing unstable."""
        return not any(finding.severity.beyond for finding in self.findings)

    def ordered(self) -> list[Finding]:
        """Return the findings, what is over first; each once."""
        return ordered(self.findings)

    def summary(self) -> str:
        """Return how many findings there are of each mark."""
        over, near, notes = (sum(finding.mark == mark for finding in self.ordered()) for mark in MARKS)
        return f"{over or 'nothing'} over a limit, {near or 'nothing'} near one" + (
            f", {notes} to note" if notes else ""
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the audit as this module describes its JSON."""
        return {
            "schema": SCHEMA,
            "title": self.title,
            "clean": self.clean,
            "summary": self.summary(),
            "verdicts": [{"mark": finding.mark, "text": finding.text} for finding in self.ordered()],
            "findings": [finding.to_dict() for finding in self.ordered()],
            "sections": [section.to_dict() for section in self.sections],
            "not_checked": self.not_checked,
            "cautions": list(CAUTIONS),
            "provenance": self.provenance,
        }

    def to_dataset(self) -> xarray.Dataset:
        """Return every figure as a Dataset's variable, named by section and line, with unit and words."""
        import xarray

        data = {
            f"{section.name}.{line.name}": ((), line.value, {"units": line.unit or "1", "long_name": line.words})
            for section in self.sections
            for line in section.lines
        }
        return xarray.Dataset(data, attrs={"title": self.title, "summary": self.summary(), **self.provenance})

    def plot(self, name: str = "response", *, ax: Any = None) -> Any:
        """Draw a measure of the amplifier with small signals: "response", "noise", "heater_hum"."""
        if self.small is None:
            raise InputError(f"{self.title}: nothing was measured that could be drawn")
        return self.small().plot(name, ax=ax)

    def report(self) -> Iterator[Section]:
        origin = self.provenance
        simulated = f"simulated by {origin.get('engine', '')} {origin.get('engine_version', '')}"
        left_out = Section("not_checked", "not checked", notes=["; ".join(self.not_checked)])
        yield Section(
            "audit",
            f"{self.title}: {self.summary()}",
            findings=self.ordered(),
            parts=[*(replace(section, findings=[]) for section in self.sections), left_out],
            notes=[simulated, *CAUTIONS],
        )


def audit(given: Any, **how: Any) -> Audit:
    """Audit a design.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Returns
    -------
    Audit

    Raises
    ------
    InputError
        If the design names a part that it doesn't have, or states a rated power without a load.
    EngineError
        If there is no operating point.
    """
    amplifier = as_amplifier(given, **how)
    made = [section(amplifier) for section in SECTIONS]
    return Audit(
        amplifier.design.circuit.name,
        findings=[finding for section in made for finding in section.findings],
        sections=[section for section in made if section.shown],
        not_checked=[*(words for section in made for words in section.not_checked), *NEVER],
        provenance=amplifier.stability.provenance,
        states=amplifier.states,
        small=lambda: amplifier.small,
    )
