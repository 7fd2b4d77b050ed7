"""What is told, as data: sections of figures, tables, pictures and sentences. Text, HTML and JSON are made of it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from simwrap.findings.finding import Finding
from simwrap.report.json import plain
from simwrap.units import quantity


class Listing(NamedTuple):
    """A table of text: its caption, the heads of its columns ("" for none), its rows, and whether it is a detail.

    Without columns it is its caption, a sentence.
    """

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    details: bool = False

    @property
    def listing(self) -> Listing:
        """Itself, as tables of figures have one too."""
        return self


@dataclass(frozen=True)
class Line:
    """A figure: its name in JSON, value with its unit, and words for people; ``more`` stands behind the value."""

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

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON has it."""
        return {"name": self.name, "value": _plain(self.value), "unit": self.unit, "words": self.words,
                "text": self.text}  # fmt: skip


@dataclass(frozen=True)
class Table:
    """Figures in rows: key, words and unit of each column (the first names the row), and the values."""

    columns: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[Any, ...], ...]

    @property
    def listing(self) -> Listing:
        """The table as text, each column with one unit."""
        head, cells = [], []
        for number, (_, words, unit) in enumerate(self.columns):
            values = [row[number] for row in self.rows]
            if all(isinstance(value, str) for value in values):
                texts, sign = values, ""
            else:
                texts, sign = quantity.alike([float(value) for value in values], unit, digits=3)
                texts = ["" if text == "not found" else text for text in texts]
            head.append(f"{words}, {sign}" if sign else words)
            cells.append(texts)
        return Listing("", head, list(zip(*cells, strict=True)))

    def to_list(self) -> list[dict[str, Any]]:
        """Return one object a row."""
        keys = [key for key, _, _ in self.columns]
        return [dict(zip(keys, map(_plain, row), strict=True)) for row in self.rows]

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON has it."""
        return {"units": {key: unit for key, _, unit in self.columns}, "rows": self.to_list()}


@dataclass
class Section:
    """What stands under a title, in this order.

    Attributes
    ----------
    name, title : str
    about : list of str
        What it is and how it is read.
    findings : list of Finding
    lines : list of Line
    tables : list of Table or Listing
    pictures : list of str
        SVG elements, each with a title of its own; text leaves them out.
    parts : list of Section
    notes : list of str
    not_checked : list of str
        What wasn't looked at; a renderer shows it where its maker puts it.
    """

    name: str
    title: str
    about: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    tables: list[Table | Listing] = field(default_factory=list)
    pictures: list[str] = field(default_factory=list)
    parts: list[Section] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)

    @property
    def shown(self) -> bool:
        """Whether there is anything of its own under its title."""
        return bool(self.lines or self.tables or self.notes)

    def say(self, code: str, *fields: Any, **details: Any) -> None:
        """Append a finding; what it takes is that of :meth:`Finding.of`."""
        self.findings.append(Finding.of(code, *fields, **details))

    def add(self, name: str, words: str, value: Any, unit: str = "", more: str = "") -> None:
        """Append a figure."""
        self.lines.append(Line(name, words, value, unit, more))

    def to_dict(self) -> dict[str, Any]:
        """Return its figures as JSON has them."""
        tables = [table.to_dict() for table in self.tables if isinstance(table, Table)]
        return {"name": self.name, "title": self.title, "lines": [line.to_dict() for line in self.lines],
                "tables": tables, "notes": self.notes}  # fmt: skip


def _plain(value: Any) -> Any:
    return plain(value if isinstance(value, str) else float(value))


def marked(findings: Sequence[Finding]) -> Iterator[tuple[str, str]]:
    """Yield the mark and the sentence of each finding."""
    yield from ((finding.mark, finding.text) for finding in findings)


#: A number with or without a unit ("194.7 V", "-180°", "-20 to -30 %"), or that there is none; "12AX7" is a name.
_NUMBER = re.compile(r"(not found|[-+±]?(\d[\d.]*(e[-+]?\d+)?|∞)(°| \S.*)?)?")


def numeric_columns(columns: int, rows: Sequence[Sequence[str]]) -> list[bool]:
    """Return which columns hold numbers, and are to be set to the right."""
    texts = [[str(row[number]) for row in rows] for number in range(columns)]
    return [any(column) and all(map(is_number, column)) for column in texts]


def is_number(text: str) -> bool:
    """Whether a cell holds a number, or nothing."""
    return _NUMBER.fullmatch(text) is not None
