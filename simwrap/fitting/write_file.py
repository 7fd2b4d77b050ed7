"""From a table of points to a valve file: what `simwrap fit` does."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from simwrap.errors import FileProblemsError, InputError
from simwrap.files import check_free, write_text
from simwrap.fitting.fit import FitResult, family_name, fit_section
from simwrap.fitting.fitted_part import fitted_part, toml_value
from simwrap.fitting.read_table import PublishedTable, kind_of, read_table
from simwrap.fitting.row_checks import listed, missing
from simwrap.registry import find
from simwrap.valves import schema
from simwrap.valves.schema import CONSTANTS, FITTED_MARK, ValveSystem

#: Root mean square of the errors' logarithms from which on no law suits a table.
UNLIKE = 0.3


def fit_file(
    points_csv: str | Path,
    out_toml: str | Path,
    *,
    name: str | None = None,
    kind: str | None = None,
    family: str = "",
    progress: Callable[[int, int], None] | None = None,
    replace: bool = False,
) -> FitResult:
    """Fit a valve to a table of points and write its file.

    Parameters
    ----------
    points_csv : path
        Table as :mod:`simwrap.fitting.read_table` says: points, chart rows, output-stage rows or a
        curve tracer's table, mixed if need be.
    out_toml : path
        The valve file to write. Ratings, capacitances and the base are
        then added by hand, above the mark in it.
    name : str, optional
        The valve's designation; the name of ``out_toml`` otherwise.
    kind : {"triode", "pentode", "rectifier"}, optional
        From the columns otherwise.
    family : str, optional
        Family of priors: "triode", "directly heated", "small pentode", "power pentode", "beam",
        "rectifier", "silicon". Otherwise that of the kind; "power pentode" for a pentode with rows of an
        output stage or a point above 15 mA. The file names it.
    progress : callable, optional
        Called with (starts done, starts in all).
    replace : bool
        Whether a file that is there may be written over.

    Returns
    -------
    FitResult
        Residuals, what the data determine, and warnings. Constants are written even if they prove
        little: the warnings stand in the file.

    Raises
    ------
    FileProblemsError
        With all faults of the table, and the lines of rows that lack what their numbers need.
    UnknownNameError
        If there is no such kind or family.
    InputError
        If there is nothing to fit, no law comes near the rows, or the file to write exists.
    """
    source, target = Path(points_csv), Path(out_toml)
    check_free(target, replace=replace)
    if kind is not None:
        kind = find("kind of valve", kind, {each: each for each in CONSTANTS})
    table = read_table(source)
    kind = kind or kind_of(table.rows)
    data = _data(table, kind, name or target.stem.upper(), source)
    section = _checked(data, kind, table, source)
    notes = list(table.notes)
    if not family:
        family = family_name(section, kind)
        notes.append(
            f'the priors are those of the family "{family}", as the rows suggest; --family (family=) names another'
        )
    settings: dict[str, Any] = {"fit": {"family": family}}
    section = dataclasses.replace(section, fit=settings["fit"])
    result = fit_section(section, kind, progress=progress)
    _refuse_unlike(result, kind, source, table.notes)
    result.warnings.extend(notes)
    text = _hand_text(data, kind, settings)
    whole = text + "\n" + FITTED_MARK + "\n\n" + fitted_part(kind, result, None)
    write_text(target, whole, replace=replace)
    return result


def _refuse_unlike(result: FitResult, kind: str, source: Path, notes: list[str]) -> None:
    """Refuse a table that no law of the kind comes near: its constants would say nothing of any valve."""
    used = [r for r in result.residuals if r.use == "calibrate" and r.number.scale != "points" and r.error > -1.0]
    size = np.abs(np.log1p([r.error for r in used]))
    if not len(size) or np.sqrt(np.mean(np.square(size))) < UNLIKE:
        return
    worst = used[int(np.argmax(size))]
    raise InputError(
        f"{source}: no {kind} is like that: at {worst.number.label} the {worst.number.quantity.replace('_', ' ')} of "
        f"the nearest one is {100.0 * worst.error:+.0f} % off {worst.number.published:.4g}; "
        + ("; ".join(notes) or "look at the units and signs of the columns, and whether all rows are of one valve")
    )


def _data(table: PublishedTable, kind: str, name: str, source: Path) -> dict[str, Any]:
    """Return what the part by hand of the new file holds; rows get the keys of their sources."""
    rows = table.rows
    if kind == "rectifier":
        for row in rows["points"]:
            row.setdefault("connection", "drop")
    sources = {row["source"]: row["source"] for part in rows.values() for row in part}
    sources[source.stem] = f"table {source.name}"
    keys = {text: f"source_{number}" for number, text in enumerate(sources, start=1)}
    for part in rows.values():
        for row in part:
            row["source"] = keys[row["source"]]
    return {
        "name": name,
        "designations": [],
        "summary": f"Fitted to {source.name}",
        "sources": {keys[text]: words for text, words in sources.items()},
        kind: {part: found for part, found in rows.items() if found},
    }


def _checked(data: dict[str, Any], kind: str, table: PublishedTable, source: Path) -> ValveSystem:
    """Return the section of ``data``; faults name lines of the table."""

    def line(found: re.Match[str]) -> str:
        return f"line {table.lines[found[1]][int(found[2])]}, "

    try:
        section: ValveSystem = getattr(schema.check(data, source, fitted=False), kind)
    except FileProblemsError as failure:
        where = re.compile(rf"^{kind}\.(points|charts|outputs)\.([0-9]+)\.")
        raise FileProblemsError(source, [where.sub(line, fault) for fault in failure.problems]) from None
    if faults := missing(section, kind):
        problems = []
        for words, places in faults.items():
            lines = [table.lines[part][index] for part, index in places]
            problems.append(f"line{'s' if len(lines) > 1 else ''} {listed(lines)}: {words}")
        raise FileProblemsError(source, problems)
    return section


def _hand_text(data: dict[str, Any], kind: str, settings: dict[str, Any]) -> str:
    lines = [f"{key} = {toml_value(data[key])}" for key in ("name", "designations", "summary")]
    lines += ["", "[sources]", *(f"{key} = {toml_value(value)}" for key, value in data["sources"].items())]
    lines += ["", f"[{kind}]"]
    for part, rows in data[kind].items():
        lines += [f"{part} = [", *(f"  {toml_value(row)}," for row in rows), "]"]
    for name, values in settings.items():
        lines += ["", f"[{kind}.{name}]", *(f"{key} = {toml_value(value)}" for key, value in values.items())]
    return "\n".join(lines) + "\n"
