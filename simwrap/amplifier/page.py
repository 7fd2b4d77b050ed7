"""What an audit says: lines with verdicts, in sections; as a page of text, and as JSON with the same content.

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

from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.findings.finding import Finding, ordered
from simwrap.findings.severity import MARKS
from simwrap.simulation.as_json import plain
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

#: Version of the JSON; it rises when a key changes its name or meaning.
SCHEMA = 1
CAUTIONS = (
    "These circuits hold lethal voltages, also when switched off: discharge the reservoirs and verify with a meter.",
    "An audit says which limits were checked, by models of typical valves; no more. Local codes and a licensed "
    "practitioner have the last word.",
)


@dataclass(frozen=True)
class Line:
    """A figure: its name in JSON, value with its unit, and words for the page; ``more`` stands behind the value."""

    name: str
    words: str
    value: Any
    unit: str = ""
    more: str = ""

    @property
    def text(self) -> str:
        """The value with its unit, and what stands behind it."""
        shown = self.value if isinstance(self.value, str) else quantity.render(float(self.value), self.unit, digits=3)
        return f"{shown}{self.more}"


@dataclass(frozen=True)
class Table:
    """Figures in rows: key, words and unit of each column (the first names the row), and the values."""

    columns: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[Any, ...], ...]

    def text(self) -> Iterator[str]:
        """Yield aligned lines, each column with one unit."""
        cells = []
        for number, (_, words, unit) in enumerate(self.columns):
            values = [row[number] for row in self.rows]
            if all(isinstance(value, str) for value in values):
                cells.append([words, *values])
                continue
            shown, sign = quantity.alike([float(value) for value in values], unit, digits=3)
            cells.append(
                [f"{words}, {sign}" if sign else words, *("" if text == "not found" else text for text in shown)]
            )
        widths = [max(map(len, column)) for column in cells]
        left = [isinstance(value, str) for value in (self.rows[0] if self.rows else [""] * len(cells))]
        for line in zip(*cells, strict=True):
            padded = (cell.ljust(w) if at else cell.rjust(w) for cell, w, at in zip(line, widths, left, strict=True))
            yield "  " + "  ".join(padded).rstrip()

    def to_list(self) -> list[dict[str, Any]]:
        """Return one object a row."""
        keys = [key for key, _, _ in self.columns]
        return [dict(zip(keys, map(_value, row), strict=True)) for row in self.rows]


@dataclass
class Section:
    """Figures under a title: lines, then a table, then notes; what they mean, and what wasn't looked at."""

    name: str
    title: str
    lines: list[Line] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)

    @property
    def shown(self) -> bool:
        """Whether there is anything under its title."""
        return bool(self.lines or self.tables or self.notes)

    def say(self, code: str, *fields: Any, **details: Any) -> None:
        """Append a finding; what it takes is that of :meth:`Finding.of`."""
        self.findings.append(Finding.of(code, *fields, **details))

    def add(self, name: str, words: str, value: Any, unit: str = "", more: str = "") -> None:
        """Append a figure."""
        self.lines.append(Line(name, words, value, unit, more))


@dataclass
class Audit:
    """Everything that was found out about a design.

    Attributes
    ----------
    title : str
    findings : list of Finding
    sections : list of Section
    not_checked : list of str
    provenance : dict
    """

    title: str
    findings: list[Finding] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)
    provenance: dict[str, str] = field(default_factory=dict)

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
            "sections": [
                {
                    "name": section.name,
                    "title": section.title,
                    "lines": [
                        {"name": line.name, "value": _value(line.value), "unit": line.unit, "words": line.words,
                         "text": line.text}
                        for line in section.lines
                    ],
                    "tables": [
                        {"units": {key: unit for key, _, unit in table.columns}, "rows": table.to_list()}
                        for table in section.tables
                    ],
                    "notes": section.notes,
                }
                for section in self.sections
            ],
            "not_checked": self.not_checked,
            "cautions": list(CAUTIONS),
            "provenance": self.provenance,
        }  # fmt: skip

    def _repr_html_(self) -> str:
        return f"<pre>{escape(chr(10).join(self.page()))}</pre>"

    def to_dataset(self) -> xarray.Dataset:
        """Return every figure as a Dataset's variable, named by section and line, with unit and words."""
        import xarray

        data = {
            f"{section.name}.{line.name}": ((), line.value, {"units": line.unit or "1", "long_name": line.words})
            for section in self.sections
            for line in section.lines
        }
        return xarray.Dataset(data, attrs={"title": self.title, "summary": self.summary(), **self.provenance})

    def page(self, width: int = 118) -> Iterator[str]:
        """Yield the lines of the page."""
        yield f"{self.title}: {self.summary()}"
        for finding in self.ordered():
            yield from _wrapped(f"  {finding.mark:5} ", finding.text, width)
        for section in self.sections:
            yield f"\n{section.title}"
            yield from _columns(section.lines, width)
            for table in section.tables:
                yield from table.text()
            for note in section.notes:
                yield from _wrapped("  ", note, width)
        yield "\nnot checked"
        yield from _wrapped("  ", "; ".join(self.not_checked), width)
        origin = self.provenance
        yield f"\nsimulated by {origin.get('engine', '')} {origin.get('engine_version', '')}"
        for caution in CAUTIONS:
            yield from _wrapped("", caution, width)


def _value(value: Any) -> Any:
    return plain(value) if isinstance(value, str) else plain(float(value))


def _wrapped(start: str, text: str, width: int) -> Iterator[str]:
    import textwrap

    yield from textwrap.wrap(text, width, initial_indent=start, subsequent_indent=" " * len(start))


def _columns(lines: list[Line], width: int) -> Iterator[str]:
    """Yield figures side by side where two fit, each with its words first."""
    cells = [(line.words, line.text) for line in lines]
    half = (width - 2) // 2
    pending = ""
    for words, text in cells:
        cell = f"  {words}  {text}"
        if len(cell) > half:
            if pending:
                yield pending.rstrip()
                pending = ""
            yield from _wrapped("  ", f"{words}  {text}", width)
        elif pending:
            yield pending + cell
            pending = ""
        else:
            pending = cell.ljust(half)
    if pending:
        yield pending.rstrip()


def decibels(level: float, reference: float) -> float:
    """Return a level below (-) or above a reference [dB]; NaN where either isn't known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(20.0 * np.log10(np.abs(level) / reference))
