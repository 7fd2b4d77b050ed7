"""Reading tables of points: published ones, chart rows, output-stage rows, or a curve tracer's.

A table is a CSV file with a header. Columns are named as the fields of
:class:`~simwrap.valves.schema.Point`, :class:`~simwrap.valves.schema.Chart` and
:class:`~simwrap.valves.schema.OutputRow`: ``anode_voltage``, ``grid_voltage``, ``screen_voltage``,
``anode_current``, ``screen_current``, ``gm``, ``ra``, ``mu``, ``gain`` and so on. Values are SI, or
text with a unit ("1.2 mA"); a column may carry its unit instead: ``anode_current_ma``,
``gm_ms``, ``anode_resistor_kohm``. A curve tracer's table needs ``anode_voltage``, ``grid_voltage``
and ``anode_current``, and for pentodes ``screen_voltage`` and ``screen_current``.

``source``, ``how_known`` (seen, memory, measured, computed), ``grade`` (high, med, low), ``use``
(calibrate, check, contradicts) and ``note`` may stand in any row; left out they are the file's name,
"measured", "high" and "calibrate". Empty cells are unknown. A row with ``topology`` is an
output-stage row, one with ``anode_resistor`` a chart row, any other a point. A point whose currents are
all 0 is left out, with a note.

Cells are divided by commas, semicolons or tabs, as the first line shows. Decimals take a point, or a comma in all
numbers of a table if it can't be taken for one that divides thousands.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from simwrap.errors import FileProblemsError, QuantityError, nearest
from simwrap.fitting.row_checks import listed
from simwrap.fitting.rows import POINT_NUMBERS
from simwrap.units import quantity
from simwrap.valves.schema import Chart, OutputRow, Point

_TEXT = {
    "source", "how_known", "grade", "use", "note", "connection", "topology", "operating_class",
    "drive_kind", "output_kind", "cathode_connection",
}  # fmt: skip
_UNITS = {
    "gm": "S", "ra": "ohm", "power": "W", "load": "ohm", "drive": "V", "output": "V", "supply": "V",
    "next_grid_leak": "ohm",
}  # fmt: skip
_PLAIN = {"mu", "screen_mu", "gain", "distortion", "gain_step", "tap"}
_SUFFIX = {
    "v": ("V", 1.0), "mv": ("V", 1e-3), "a": ("A", 1.0), "ma": ("A", 1e-3), "ua": ("A", 1e-6),
    "ohm": ("ohm", 1.0), "kohm": ("ohm", 1e3), "mohm": ("ohm", 1e6), "s": ("S", 1.0), "ms": ("S", 1e-3),
    "us": ("S", 1e-6), "w": ("W", 1.0), "percent": ("", 1.0),
}  # fmt: skip
_NAMES = {
    field.name for row in (Point, Chart, OutputRow) for field in fields(row)
} - {"contradicts", "total_current"}  # fmt: skip


#: Usual symbols, without regard to case -> columns that may be meant.
_SYMBOLS = {
    "ia": ("anode_current",), "ip": ("anode_current",), "ig2": ("screen_current",), "is": ("screen_current",),
    "ik": ("cathode_current",), "va": ("anode_voltage",), "ua": ("anode_voltage",), "vp": ("anode_voltage",),
    "vg": ("grid_voltage",), "ug": ("grid_voltage",), "vg1": ("grid_voltage",), "ug1": ("grid_voltage",),
    "vg2": ("screen_voltage",), "ug2": ("screen_voltage",), "vs": ("screen_voltage", "supply"),
    "rk": ("cathode_resistor",), "ra": ("anode_resistor", "ra"),
    "ri": ("ra",), "rp": ("ra",), "rg2": ("screen_resistor",), "s": ("gm",),
    "vb": ("supply",), "ub": ("supply",), "rl": ("load",),
}  # fmt: skip

#: A bare number above this is likely to be meant in the unit of the suffix.
_LARGE = {"A": (1.0, "ma"), "S": (0.1, "ms")}

#: A number with a comma; the second: one whose comma may as well divide thousands.
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+(?![0-9.,])")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}(?![0-9])")

_Column = tuple[str, float | None]


@dataclass(frozen=True)
class PublishedTable:
    """What a table holds.

    Attributes
    ----------
    rows : dict
        "points", "charts" and "outputs": lists of dicts in SI, ready for a section.
    lines : dict
        The same, with the line of the file for each row.
    notes : list of str
        What was left out, and what looks like a slip, in plain words.
    """

    rows: dict[str, list[dict[str, Any]]]
    lines: dict[str, list[int]]
    notes: list[str]


def _unit(name: str) -> str:
    """Return the unit of a field, "" for a plain number."""
    if name in _PLAIN:
        return ""
    if name in _UNITS:
        return _UNITS[name]
    for word, unit in (("voltage", "V"), ("current", "A"), ("resistor", "ohm")):
        if word in name:
            return unit
    return ""


def _column(header: str) -> _Column | None:
    """Return (field, factor) of a column; factor None where the cell carries its own unit."""
    if header.startswith("Ra"):
        return None  # a part's symbol; "ra" is the valve's own resistance
    name = header.casefold().replace(" ", "_")
    if name in _NAMES:
        return name, None
    start, _, suffix = name.rpartition("_")
    if start in _NAMES and suffix in _SUFFIX and _SUFFIX[suffix][0] == _unit(start):
        return start, _SUFFIX[suffix][1]
    return None


def _meant(header: str) -> list[str]:
    """Return names of columns that an unknown one may mean: of its symbol, with its unit, or the nearest."""
    name = header.casefold().replace("\u00b5", "u").replace("\u03bc", "u").replace("\u03a9", "ohm")
    symbol, *unit = re.findall(r"[a-z0-9]+", name) or [""]
    if symbol not in _SYMBOLS:
        return nearest(header, _NAMES)
    suffix = unit[0] if unit else ""
    return [
        f"{meant}_{suffix}" if suffix in _SUFFIX and _SUFFIX[suffix][0] == _unit(meant) else meant
        for meant in _SYMBOLS[symbol]
    ]


def _columns(headers: Sequence[str]) -> tuple[list[_Column | None], list[str]]:
    """Return what each column holds (None: not known), and faults."""
    columns, faults = [_column(header) for header in headers], []
    first: dict[str, str] = {}
    for header, found in zip(headers, columns, strict=True):
        if found is None:
            close = _meant(header)
            hint = f"; did you mean {' or '.join(close)}?" if close else ""
            faults.append(f'column "{header}" is not known{hint}')
        elif found[0] in first:
            faults.append(f'columns "{first[found[0]]}" and "{header}" both give {found[0]}; keep one')
        else:
            first[found[0]] = header
    return columns, faults


def _value(name: str, text: str, factor: float | None) -> Any:
    if name in _TEXT:
        return text
    if factor is not None or not _unit(name):
        return float(text) * (1.0 if factor is None else factor)
    return quantity.parse(text, _unit(name))


def _cells(path: Path) -> tuple[list[str], list[tuple[int, list[str]]], str]:
    """Return the headers, (line, cells) of each row that isn't blank, and what divides the cells."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        first = next((line for line in text.splitlines() if line.strip()), "")
        divider = max(",;\t", key=first.count)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=divider)
        table = [
            (reader.line_num, [cell.strip() for cell in cells]) for cells in reader if any(c.strip() for c in cells)
        ]
    except (OSError, UnicodeDecodeError, csv.Error) as failure:
        raise FileProblemsError(path, [f"can't be read: {failure}"]) from None
    if len(table) < 2:
        raise FileProblemsError(path, ["there are no rows; the first line names the columns"])
    (_, headers), *rows = table
    while not headers[-1]:
        headers.pop()  # some programs end each line with a divider
    return headers, rows, divider


def _decimal_commas(numbers: Sequence[str]) -> bool:
    """Whether the commas of a table's numbers can only mark decimals."""
    commas = [number for number in numbers if "," in number]
    return (
        not any("." in number for number in numbers)
        and all(_COMMA.match(number) for number in commas)
        and not all(_THOUSANDS.match(number) for number in commas)
    )


def read_table(path: str | Path) -> PublishedTable:
    """Return the rows of a table.

    Parameters
    ----------
    path : path
        CSV file.

    Raises
    ------
    FileProblemsError
        With every fault of the table: unknown columns with the names that may be meant, two columns for one
        quantity, lines with too few or too many cells, unreadable cells.
    """
    path = Path(path)
    headers, lines, divider = _cells(path)
    columns, problems = _columns(headers)
    whole = []
    for line, cells in lines:
        if len(cells) < len(headers) or any(cells[len(headers) :]):
            hint = "; decimals take a point" if divider == "," and len(cells) > len(headers) else ""
            problems.append(
                f"line {line}: there are {len(cells)} cells, and the first line names {len(headers)} columns{hint}"
            )
        else:
            whole.append((line, cells))
    numeric = [place for place, found in enumerate(columns) if found is not None and found[0] not in _TEXT]
    if _decimal_commas([cells[place] for _, cells in whole for place in numeric]):
        for _, cells in whole:
            for place in numeric:
                cells[place] = cells[place].replace(",", ".")
    kinds = ("points", "charts", "outputs")
    table = PublishedTable({kind: [] for kind in kinds}, {kind: [] for kind in kinds}, [])
    for line, cells in whole:
        row, faults = _row(cells, headers, columns, path.stem)
        problems += [f"line {line}, {fault}" for fault in faults]
        kind = "outputs" if row.get("topology") else "charts" if row.get("anode_resistor") else "points"
        table.rows[kind].append(row)
        table.lines[kind].append(line)
    if problems:
        raise FileProblemsError(path, problems)
    table.notes.extend([*_left_out(table), *_slips(table, whole, columns)])
    return table


def _row(
    cells: Sequence[str], headers: Sequence[str], columns: Sequence[_Column | None], source: str
) -> tuple[dict[str, Any], list[str]]:
    row: dict[str, Any] = {"source": source, "how_known": "measured", "grade": "high"}
    faults = []
    for text, header, found in zip(cells, headers, columns, strict=False):
        if not text or found is None:
            continue
        name, factor = found
        if name not in _TEXT and "," in text:
            faults.append(f'{header}: the comma of "{text}" may mark decimals or thousands; write it with a point')
            continue
        try:
            row[name] = _value(name, text, factor)
        except (ValueError, QuantityError) as failure:
            reason = str(failure) if isinstance(failure, QuantityError) else f'"{text}" is not a number'
            faults.append(f"{header}: {reason}")
    return row, faults


def _left_out(table: PublishedTable) -> Iterator[str]:
    """Leave out points without any number, and say so: a fit goes by ratios, which a current of 0 has none of."""
    kept: list[tuple[dict[str, Any], int]] = []
    zero: list[int] = []
    empty: list[int] = []
    for row, line in zip(table.rows["points"], table.lines["points"], strict=True):
        none = [name for name in POINT_NUMBERS if row.get(name) == 0.0 and name.endswith("current")]
        for name in none:
            del row[name]
        if any(name in row for name in POINT_NUMBERS):
            kept.append((row, line))
        else:
            (zero if none else empty).append(line)
    table.rows["points"][:], table.lines["points"][:] = [row for row, _ in kept], [line for _, line in kept]
    for lines, words in ((zero, "no current flows, and a fit goes by ratios"), (empty, "no current or slope is given")):
        if lines:
            rows = "1 row is" if len(lines) == 1 else f"{len(lines)} rows are"
            yield f"{rows} left out because {words}: line{'s' if len(lines) > 1 else ''} {listed(lines)}"


def _slips(
    table: PublishedTable, lines: Sequence[tuple[int, Sequence[str]]], columns: Sequence[_Column | None]
) -> Iterator[str]:
    """Say what can be right but seldom is: amperes in place of milliamperes, a bias without its sign."""
    for place, found in enumerate(columns):
        if found is None or found[1] is not None or _unit(found[0]) not in _LARGE:
            continue
        unit, name = _unit(found[0]), found[0]
        limit, suffix = _LARGE[unit]
        bare = [float(cells[place]) for _, cells in lines if re.fullmatch(r"[0-9.eE+-]+", cells[place])]
        if bare and max(bare) > limit:
            reached = quantity.render(max(bare), unit)
            yield f"{name} is in {unit} and reaches {reached}; did you mean m{unit}? Name the column {name}_{suffix}"
    biases = [row["grid_voltage"] for row in (*table.rows["points"], *table.rows["outputs"]) if "grid_voltage" in row]
    if biases and min(biases) >= 0.0 < max(biases):
        yield "grid_voltage is never below 0 here, and a bias is negative, such as -2 V"


def kind_of(rows: Mapping[str, list[dict[str, Any]]]) -> str:
    """Return the kind of valve that a table is about, from what its rows hold."""
    every = [row for part in rows.values() for row in part]
    if any("screen_voltage" in row or "screen_current" in row or "screen_resistor" in row for row in every):
        return "pentode"
    if rows["points"] and all(row.get("connection") == "drop" for row in rows["points"]):
        return "rectifier"
    return "triode"
