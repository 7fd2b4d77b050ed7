"""The build sheet: everything that is needed at the bench, gathered from the measures and written as one HTML file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.papers import DESPITE, forbidding, refuse
from simwrap.amplifier.test_points import Allowance
from simwrap.build_sheet.gathered import SheetContent, gather
from simwrap.build_sheet.sections import whole
from simwrap.files import write_text
from simwrap.forking import cached_property
from simwrap.report.html import page
from simwrap.report.json import plain
from simwrap.report.model import Section
from simwrap.report.shown import Shown, labelled

if TYPE_CHECKING:
    import xarray


@dataclass(repr=False)
class Sheet(SheetContent, Shown):
    """A build sheet: what stands on it, and how it is shown."""

    def report(self) -> Iterator[Section]:
        yield whole(self)

    @cached_property
    def html(self) -> str:
        """The whole sheet as one HTML file."""
        return page(whole(self), DESPITE if forbidding(self.amplifier) else "")

    def save(self, file: str | Path) -> Path:
        """Write the sheet to a file, and return its path."""
        path = Path(file)
        write_text(path, self.html, replace=True)
        return path

    def to_dict(self) -> dict[str, Any]:
        """Return findings, test points, discharge times and notes as plain values."""
        rows = [{"step": step.title, **asdict(reading)} for step in self.steps for reading in step.readings]
        return {
            "title": self.circuit.name,
            "findings": [finding.to_dict() for finding in self.findings],
            "test_points": plain(rows),
            "discharge": plain([asdict(each) for each in self.discharge]),
            "not_seen_words": list(self.not_seen),
            "notes": list(self.notes),
        }

    def to_dataset(self) -> xarray.Dataset:
        """Return the test points of all steps, dim "row"; "unit" says of each whether it is V or A."""
        rows = [(step.title, row) for step in self.steps for row in step.readings]
        told = {name: ([getattr(row, name) for _, row in rows], "see unit", words)
                for name, words in (("expected", "expected"), ("shown", "what a meter shows"), ("low", "window from"),
                                    ("high", "window to"))}  # fmt: skip
        names = {name: ([getattr(row, name) for _, row in rows], "", name) for name in ("name", "lead", "unit")}
        return labelled("row", range(len(rows)), told | names | {"step": ([title for title, _ in rows], "", "step")})

    def plot(self, name: str = "response", *, ax: Any = None) -> Any:
        """Draw a measure of the amplifier with small signals, such as "response"."""
        return self.amplifier.small.plot(name, ax=ax)

    def _repr_html_(self) -> str:
        return f'<iframe srcdoc="{escape(self.html)}" width="100%" height="800"></iframe>'


def sheet(
    design: Any,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    not_seen: Iterable[str] = (),
    despite_findings: bool = False,
    **how: Any,
) -> Sheet:
    """Return the build sheet of an amplifier.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    allowance : Allowance, optional
        What the windows allow for.
    within : float
        Time in which bleeders are to bring capacitors below 60 V [s].
    not_seen : iterable of str
        What its guard doesn't see: ``simwrap.guard(design).not_seen``, for a build with such a guard.
    despite_findings : bool
        Whether a design that must not be built gets its sheet, which then says so on every page.
    **how
        As for :func:`simwrap.check`.

    Raises
    ------
    FindingsError
        If the design must not be built: it is unstable, or over a rating.
    InputError
        If schemdraw isn't installed.
    EngineError
        If there is no operating point.

    Examples
    --------
    >>> import simwrap
    >>> paper = simwrap.sheet(simwrap.stage("triode_gain"), quick=True)
    >>> "Cautions" in paper.html, [step.title for step in paper.steps][-1]
    (True, 'Quiescent: full mains, no signal, after ten minutes')
    """
    amplifier = as_amplifier(design, **how)
    refuse(amplifier, "a build sheet", despite_findings)
    made = gathered(amplifier, allowance=allowance, within=within, not_seen=not_seen)
    amplifier.save()
    return made


def gathered(
    design: Any,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    not_seen: Iterable[str] = (),
    **how: Any,
) -> Sheet:
    """Return what stands on the build sheet, whatever the audit finds; parameters as for :func:`sheet`."""
    made = Sheet(as_amplifier(design, **how), allowance or Allowance(), within, tuple(not_seen))
    gather(made)
    return made


__all__ = ["Sheet", "gathered", "sheet"]
