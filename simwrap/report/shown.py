"""What shows itself by a report: text for a terminal and HTML for a notebook come from one list of what is told."""

from __future__ import annotations

from collections.abc import Iterable

from simwrap.report.html import as_html
from simwrap.report.model import Listing, Section
from simwrap.report.text import as_text


class Shown:
    """Something that shows itself: at a prompt and in print as text, in a notebook as HTML."""

    def report(self) -> Iterable[Listing | Section]:
        """Yield what is told, in order; details are folded away in a notebook, and left out at a prompt."""
        raise NotImplementedError(f"{type(self).__name__} has no report")

    def __repr__(self) -> str:
        return as_text(self.report())

    def page(self, width: int = 118) -> list[str]:
        """Return its lines of text, folded to a width."""
        return as_text(self.report(), width).splitlines()

    def _repr_html_(self) -> str:
        return as_html(self.report())
