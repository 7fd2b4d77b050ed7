"""Reading tables of points: published ones, chart rows, output-stage rows, or a curve tracer's.

A table is a CSV file with a header. Columns are named as the fields of
:class:`~simwrap.valves.record.Point`, :class:`~simwrap.valves.record.Chart` and
:class:`~simwrap.valves.record.OutputRow`: ``anode_voltage``, ``grid_voltage``, ``screen_voltage``,
``anode_current``, ``screen_current``, ``gm``, ``ra``, ``mu``, ``gain`` and so on. Values are SI, or
text with a unit ("1.2 mA"); a column may carry its unit instead: ``anode_current_ma``,
``gm_ms``, ``anode_resistor_kohm``. A curve tracer's table needs ``anode_voltage``, ``grid_voltage``
and ``anode_current``, and for pentodes ``screen_voltage`` and ``screen_current``.

``source``, ``how_known`` (seen, memory, measured, computed), ``grade`` (high, med, low), ``use``
(calibrate, check, contradicts) and ``note`` may stand in any row; left out they are the file's name,
"measured", "high" and "calibrate". Empty cells are unknown. A row with ``topology`` is an
output-stage row, one with ``anode_resistor`` a chart row, any other a point.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from simwrap import quantity
from simwrap.errors import FileProblemsError, QuantityError, nearest
from simwrap.valves.record import Chart, OutputRow, Point

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


def _column(header: str) -> tuple[str, float | None] | None:
    """Return (field, factor) of a column; factor None where the cell carries its own unit."""
    name = header.strip().casefold().replace(" ", "_")
    if name in _NAMES:
        return name, None
    start, _, suffix = name.rpartition("_")
    if start in _NAMES and suffix in _SUFFIX and _SUFFIX[suffix][0] == _unit(start):
        return start, _SUFFIX[suffix][1]
    return None


def _value(name: str, text: str, factor: float | None) -> Any:
    if name in _TEXT:
        return text
    if factor is not None or not _unit(name):
        return float(text) * (1.0 if factor is None else factor)
    return quantity.parse(text, _unit(name), name)


def read_rows(path: str | Path) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a table as the lists of a valve file's section.

    Returns
    -------
    dict
        "points", "charts" and "outputs": lists of dicts in SI, ready for a section.

    Raises
    ------
    FileProblemsError
        With every fault of the table: unknown columns with the nearest names, unreadable cells.
    """
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.DictReader(file))
            headers = [header for header in (table[0] if table else {}) if header is not None]
    except (OSError, UnicodeDecodeError, csv.Error) as failure:
        raise FileProblemsError(path, [f"can't be read: {failure}"]) from None
    if not table:
        raise FileProblemsError(path, ["there are no rows; the first line names the columns"])
    problems, columns = [], {}
    for header in headers:
        found = _column(header)
        if found is None:
            close = nearest(header, _NAMES)
            hint = f"; did you mean {' or '.join(close)}?" if close else ""
            problems.append(f'column "{header}" is not known{hint}')
        else:
            columns[header] = found
    rows: dict[str, list[dict[str, Any]]] = {"points": [], "charts": [], "outputs": []}
    for line, cells in enumerate(table, start=2):
        row, faults = _row(cells, columns, path.stem)
        problems += [f"line {line}, {fault}" for fault in faults]
        kind = "outputs" if row.get("topology") else "charts" if row.get("anode_resistor") else "points"
        rows[kind].append(row)
    if problems:
        raise FileProblemsError(path, problems)
    return rows


def _row(
    cells: Mapping[str, str | None], columns: Mapping[str, tuple[str, float | None]], source: str
) -> tuple[dict[str, Any], list[str]]:
    row: dict[str, Any] = {"source": source, "how_known": "measured", "grade": "high"}
    faults = []
    for header, (name, factor) in columns.items():
        text = (cells.get(header) or "").strip()
        if not text:
            continue
        try:
            row[name] = _value(name, text, factor)
        except (ValueError, QuantityError) as failure:
            reason = str(failure) if isinstance(failure, QuantityError) else f'"{text}" is not a number'
            faults.append(f"{header}: {reason}")
    return row, faults


def kind_of(rows: Mapping[str, list[dict[str, Any]]]) -> str:
    """Return the kind of valve that a table is about, from what its rows hold."""
    every = [row for part in rows.values() for row in part]
    if any("screen_voltage" in row or "screen_current" in row or "screen_resistor" in row for row in every):
        return "pentode"
    if rows["points"] and all(row.get("connection") == "drop" for row in rows["points"]):
        return "rectifier"
    return "triode"
