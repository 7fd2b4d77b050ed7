"""A sweep as tables: a row a point, what was swept first, then figures."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from simwrap.findings.finding import from_json, worst
from simwrap.findings.status import Status
from simwrap.measures.registry import measures
from simwrap.measures.results import full_name, split_name
from simwrap.report.model import Listing
from simwrap.report.text import GAP
from simwrap.simulation.dataset import point_dims, single_figures, unit_of
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray


def sweep_tables(
    data: xarray.Dataset, *, details: bool = False, width: int = 100, most: int = 200
) -> Iterator[Listing]:
    """Yield tables of a sweep, a row a point: what was swept, then figures, as many columns a table as fit.

    Parameters
    ----------
    data : xarray.Dataset
    details : bool
        All figures; without it those that the measures put first.
    width : int
        Characters of a line.
    most : int
        Points that are shown, the first ones.
    """
    dims = point_dims(data)
    flat = data.reset_index([d for d in dims if d in data.indexes]).stack({_ROW: dims}, create_index=False)
    flat = flat.isel({_ROW: slice(0, most)})
    axes = [str(name) for name, coord in data.coords.items() if set(coord.dims) <= set(dims)]
    figures = single_figures(data)
    if not details:
        figures = _first_figures(figures) or figures
    swept = [_swept_column(str(name), flat[name]) for name in axes]
    shown = [_swept_column(_short(name, figures), flat[name]) for name in figures if not _is_nothing(flat[name])]
    notes = _notes_column(flat)
    fixed = [*swept, *([notes] if any(notes[1]) else [])]
    for number, part in enumerate(_that_fit(fixed, shown, width)):
        columns = [*swept, *part, *fixed[len(swept) :]]
        rows = [tuple(cells) for cells in zip(*(texts for _, texts in columns), strict=True)]
        yield Listing("" if number else "sweep", tuple(head for head, _ in columns), rows)
    reasons = list(dict.fromkeys(str(text) for text in flat["status"].values if text))
    for reason in reasons[:3]:
        yield Listing(f"failed: {reason}", (), [])


#: The points of a table.
_ROW = "table_row"
_Column = tuple[str, list[str]]
#: Values below this are none [V, A, W]: no meter shows them.
_NOTHING = 1e-10


def _first_figures(names: list[str]) -> list[str]:
    """Return which figures their measures put first, in the order of the measures."""
    by_measure: dict[str, list[str]] = {}
    for name in names:
        measure, path = split_name(name)
        by_measure.setdefault(measure, []).append(path)
    known = measures()
    return [
        full_name(measure, path)
        for measure, paths in by_measure.items()
        for path in (known[measure].headlines(paths) if measure in known else paths)
    ]


def _short(name: str, names: list[str]) -> str:
    """Return the shortest tail of a figure's name that means it alone among the others."""
    words = name.split(".")
    for length in range(1, len(words)):
        tail = ".".join(words[-length:])
        if sum(f".{other}".endswith(f".{tail}") for other in names) == 1:
            return tail
    return name


def _is_nothing(values: xarray.DataArray) -> bool:
    """Whether a column holds nothing that a meter shows."""
    array = values.values
    if array.dtype.kind != "f" or unit_of(values) not in ("V", "A", "W") or not np.isfinite(array).any():
        return False
    return bool(np.nanmax(np.abs(array)) < _NOTHING)


def _swept_column(name: str, values: xarray.DataArray) -> _Column:
    """Return the head of a column, words under one another and the unit last, and its texts."""
    array = values.values
    if array.dtype.kind == "f":
        texts, sign = quantity.alike([float(value) for value in array], unit_of(values))
    else:
        texts, sign = [str(value) for value in array], ""
    most = max([7, *map(len, texts)])
    words = name.removesuffix("_db") if sign == "dB" else name
    lines = textwrap.wrap(words.replace("_", " ").replace(".", " "), most, break_long_words=False)
    return "\n".join([*lines, sign]), texts


def _notes_column(flat: xarray.Dataset) -> _Column:
    """Return the mark of each point: that it failed, or that of its worst finding."""
    marks = []
    for outcome, text in zip(flat["outcome"].values, flat["findings"].values, strict=True):
        severity = worst(from_json(str(text)))
        marks.append("failed" if outcome != Status.DONE else "" if severity is None else severity.mark)
    return "", marks


def _that_fit(fixed: list[_Column], shown: list[_Column], width: int) -> Iterator[list[_Column]]:
    """Yield as many columns at a time as a line has room for beside those that stand in each table."""

    def size(column: _Column) -> int:
        head, texts = column
        return max(map(len, [*head.split("\n"), *texts])) + len(GAP)

    room = width + len(GAP) - sum(map(size, fixed))
    part: list[_Column] = []
    for column in shown:
        if part and sum(map(size, [*part, column])) > room:
            yield part
            part = []
        part.append(column)
    if part or not shown:
        yield part
