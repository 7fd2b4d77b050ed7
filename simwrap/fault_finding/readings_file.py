"""Tables from the bench as CSV: readings, a measured response, measured valves.

What a spreadsheet or a meter's log makes of them is read as it is: comma, semicolon or tab between cells, a byte-order
mark, decimal commas, units in cells or in a column of their own. Whatever can't be read for sure is refused, all of a
file at once, and no row is passed over.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simwrap.errors import FileProblemsError, InputError, nearest, shown
from simwrap.units import quantity

_SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas"}
_DECIMAL_COMMA = re.compile(r"\s*([-+]?[0-9]+),([0-9]+)\s*([a-zA-ZµμΩ%]*)\s*\Z")
_DECIBELS = re.compile(r"([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(?:dB[a-zA-Z]?)?", re.IGNORECASE)
#: Longest file that is read [bytes], so that a slip of the pen doesn't read a film; longest line [characters].
_LONGEST, _LONGEST_LINE = 5_000_000, 10_000
#: What a level may be at most [dB either way], [V].
_MOST_DECIBELS, _MOST_VOLTS = 300.0, 1e5


@dataclass(frozen=True)
class CsvRow:
    """One row: the number of its line, and its cells by column."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class Reading:
    """What a meter showed.

    Attributes
    ----------
    line : int
        In the file.
    point : str
        As given.
    text : str
        The value as given, with its unit.
    frequency : float or None
        Of the signal [Hz]; None without one.
    level : float or None
        E.m.f. of the source [V r.m.s.], None where it isn't given.
    """

    line: int
    point: str
    text: str
    frequency: float | None = None
    level: float | None = None


def read_rows(path: Path, needed: Sequence[str], optional: Sequence[str] = ()) -> list[CsvRow]:
    """Return the rows of a CSV file whose first line names its columns.

    Parameters
    ----------
    path : Path
    needed, optional : sequence of str
        Names of columns; others are refused.

    Raises
    ------
    FileProblemsError
        With all that is wrong with the file.
    """
    lines = _lines(path)
    if not lines:
        raise FileProblemsError(path, [f"is empty; give a first line such as {','.join(needed)}"])
    separator = _separator(lines[0][1])
    head = [cell.strip().casefold().replace(" ", "_") for cell in _cells(lines[0][1], separator)]
    problems = _head_problems(head, needed, optional)
    if problems:
        raise FileProblemsError(path, problems)
    rows = []
    for number, text in lines[1:]:
        cells = [cell.strip() for cell in _cells(text, separator)]
        while len(cells) > len(head) and not cells[-1]:
            cells.pop()
        if len(cells) > len(head):
            hint = "; a decimal comma needs semicolons between cells, or quotes" if separator == "," else ""
            problems.append(f"line {number} has {len(cells)} cells where the first line names {len(head)}{hint}")
            continue
        row = dict(zip(head, cells + [""] * (len(head) - len(cells)), strict=True))
        empty = [name for name in needed if not row[name]]
        problems += [f"line {number} has no {name}" for name in empty]
        rows.append(CsvRow(number, row))
    if not rows and not problems:
        problems.append("has a first line, but no rows")
    problems += _commas(rows)
    if problems:
        raise FileProblemsError(path, problems)
    return [CsvRow(row.line, {name: plain(cell) for name, cell in row.cells.items()}) for row in rows]


def _lines(path: Path) -> list[tuple[int, str]]:
    try:
        if path.stat().st_size > _LONGEST:
            raise FileProblemsError(path, [f"is longer than {_LONGEST // 1_000_000} MB: no table of readings"])
        data = path.read_bytes()
    except OSError as fault:
        raise FileProblemsError(path, [f"can't be read ({fault.strerror or fault})"]) from None
    for coding in ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(coding)
            break
        except UnicodeDecodeError:
            continue
    else:
        raise FileProblemsError(path, ["is no text in UTF-8, UTF-16 or Windows-1252"])
    if "\x00" in text:
        raise FileProblemsError(path, ["is no text: it holds zero bytes"])
    split = re.split(r"\r\n|\n|\r", text)
    long = [f"line {n} has more than {_LONGEST_LINE} characters" for n, line in enumerate(split, 1)
            if len(line) > _LONGEST_LINE]  # fmt: skip
    if long:
        raise FileProblemsError(path, long)
    return [(n, line) for n, line in enumerate(split, 1) if line.strip(" \t;,") and not line.lstrip().startswith("#")]


def _separator(head: str) -> str:
    return max(_SEPARATORS, key=lambda mark: (head.count(mark) > 0, list(_SEPARATORS).index(mark) * -1))


def _cells(text: str, separator: str) -> list[str]:
    return next(csv.reader(io.StringIO(text), delimiter=separator), [])


def _head_problems(head: Sequence[str], needed: Sequence[str], optional: Sequence[str]) -> list[str]:
    known = [*needed, *optional]
    problems = []
    for name in head:
        if name not in known:
            close = nearest(name, [each for each in known if each not in head])
            hint = f"did you mean {' or '.join(close)}?" if close else f"known: {', '.join(known)}"
            problems.append(f"there is no column {shown(name)}; {hint}")
        elif list(head).count(name) > 1:
            problems.append(f"the column {name} is there twice")
    missing = [name for name in needed if name not in head]
    if missing:
        problems.append(f"the first line doesn't name the column {' and '.join(missing)}")
    return list(dict.fromkeys(problems))


def _commas(rows: Sequence[CsvRow]) -> Iterator[str]:
    """Yield what is wrong with commas in numbers: three digits after one may be thousands or thousandths."""
    cells = [(row.line, cell) for row in rows for cell in row.cells.values() if _DECIMAL_COMMA.match(cell)]
    parts = [(line, cell, _DECIMAL_COMMA.match(cell)) for line, cell in cells]
    sure = any(found and (len(found[2]) != 3 or found[1].lstrip("+-") == "0") for _, _, found in parts)
    for line, cell, found in parts:
        if found and not sure and len(found[2]) == 3 and found[1].lstrip("+-") != "0":
            yield f"line {line}: {shown(cell)} may be {found[1]}{found[2]} or {found[1]}.{found[2]}; write one of these"


def plain(cell: str) -> str:
    """Return a cell with a point where it has a decimal comma."""
    found = _DECIMAL_COMMA.match(cell)
    return f"{found[1]}.{found[2]} {found[3]}".strip() if found else cell


def number(row: CsvRow, column: str, unit: str) -> float:
    """Return a cell's value in SI units.

    Raises
    ------
    InputError
        With the line.
    """
    try:
        return quantity.parse(row.cells[column], unit, parameter=column)
    except InputError as fault:
        raise InputError(f"line {row.line}: {fault}") from None


def read_readings(path: Path) -> list[Reading]:
    """Return the readings of a file with the columns point and value, and where needed unit, frequency and level.

    Raises
    ------
    FileProblemsError
    """
    rows = read_rows(path, ("point", "value"), ("unit", "frequency", "level"))
    problems: list[str] = []
    found: list[Reading] = []
    for row in rows:
        extra: dict[str, float | None] = {"frequency": None, "level": None}
        for column, unit in (("frequency", "Hz"), ("level", "V")):
            if row.cells.get(column):
                try:
                    extra[column] = number(row, column, unit)
                    if not 1e-3 <= (extra[column] or 0.0) <= 1e7:
                        problems.append(f"line {row.line}: {column} is {shown(row.cells[column])}, and can't be meant")
                except InputError as fault:
                    problems.append(str(fault))
        text = " ".join(filter(None, (row.cells["value"], row.cells.get("unit", ""))))
        reading = Reading(row.line, row.cells["point"], text, extra["frequency"], extra["level"])
        twice = [
            r.line for r in found if (r.point.casefold(), r.frequency) == (reading.point.casefold(), reading.frequency)
        ]
        if twice:
            problems.append(f"line {row.line}: {reading.point} is in line {twice[0]} already")
        found.append(reading)
    if problems:
        raise FileProblemsError(path, problems)
    return found


def read_response(path: Path) -> tuple[list[float], list[float], str]:
    """Return frequencies [Hz], levels, and what those are: "dB" or "V".

    The columns are frequency and level; a level is a number of dB ("-3.2", "-3.2 dB") or of volts ("0.41 V").

    Raises
    ------
    FileProblemsError
    """
    rows = read_rows(path, ("frequency", "level"), ("unit",))
    problems, frequencies, levels, kinds = [], [], [], set[str]()
    for row in rows:
        text = " ".join(filter(None, (row.cells["level"], row.cells.get("unit", ""))))
        is_decibel = _DECIBELS.fullmatch(text)
        try:
            hertz = number(row, "frequency", "Hz")
            if is_decibel:
                levels.append(float(is_decibel[1]))
                kinds.add("dB")
            else:
                levels.append(quantity.parse(text, "V", parameter=f"line {row.line}: level"))
                kinds.add("V")
            if not abs(levels[-1]) <= (_MOST_DECIBELS if is_decibel else _MOST_VOLTS):
                problems.append(f"line {row.line}: level is {shown(text)}, and can't be meant")
            if not 1e-2 <= hertz <= 1e8:
                problems.append(f"line {row.line}: frequency is {shown(row.cells['frequency'])}, and can't be meant")
            frequencies.append(hertz)
        except InputError as fault:
            problems.append(str(fault))
        except ValueError:
            problems.append(f"line {row.line}: level is {shown(text)}; give a number such as -3.2 dB")
    if len(kinds) > 1:
        problems.append("some levels are in dB and some in volts; give all in one")
    if kinds == {"V"} and any(level <= 0.0 for level in levels):
        problems.append("a level of 0 V or below has no decibels")
    if len(set(frequencies)) < len(frequencies):
        problems.append("a frequency is there twice")
    if len(frequencies) < 3 and not problems:
        problems.append("has fewer than 3 frequencies, which make no response")
    if problems:
        raise FileProblemsError(path, problems)
    order = sorted(range(len(frequencies)), key=frequencies.__getitem__)
    return [frequencies[k] for k in order], [levels[k] for k in order], kinds.pop()


__all__ = ["CsvRow", "Reading", "number", "read_readings", "read_response", "read_rows"]
