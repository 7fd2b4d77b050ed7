"""From a table of points to a valve file: what `simwrap fit` does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from simwrap.errors import FileProblemsError, InputError
from simwrap.valves import record
from simwrap.valves.build import fitted_part, toml_value
from simwrap.valves.fit import FitResult, fit_section
from simwrap.valves.points import kind_of, read_rows
from simwrap.valves.record import FITTED_MARK


def fit_file(
    points_csv: str | Path,
    out_toml: str | Path,
    *,
    name: str | None = None,
    kind: str | None = None,
    family: str = "",
    progress: Callable[[int, int], None] | None = None,
) -> FitResult:
    """Fit a valve to a table of points and write its file.

    Parameters
    ----------
    points_csv : path
        Table as :mod:`simwrap.valves.points` says: points, chart rows, output-stage rows or a
        curve tracer's table, mixed if need be.
    out_toml : path
        The valve file to write; it must not be there yet. Ratings, capacitances and the base are
        then added by hand, above the mark in it.
    name : str, optional
        The valve's designation; the name of ``out_toml`` otherwise.
    kind : {"triode", "pentode", "rectifier"}, optional
        From the columns otherwise.
    family : str, optional
        Family of priors: "triode", "directly heated", "small pentode", "power pentode", "beam",
        "rectifier", "silicon".
    progress : callable, optional
        Called with (starts done, starts in all).

    Returns
    -------
    FitResult
        Residuals, what the data determine, and warnings. Constants are written even if they prove
        little: the warnings stand in the file.

    Raises
    ------
    FileProblemsError
        With all faults of the table.
    InputError
        If there is nothing to fit, or the file to write exists.
    """
    source, target = Path(points_csv), Path(out_toml)
    if target.exists():
        raise InputError(f"{target}: is there already; give another name, or move it away")
    if not target.parent.is_dir():
        raise InputError(f"{target}: there is no folder {target.parent}; make it first")
    rows = read_rows(source)
    kind = kind or kind_of(rows)
    sources = {row["source"]: row["source"] for part in rows.values() for row in part}
    sources[source.stem] = f"table {source.name}"
    keys = {text: f"source_{number}" for number, text in enumerate(sources, start=1)}
    for part in rows.values():
        for row in part:
            row["source"] = keys[row["source"]]
    data: dict[str, Any] = {
        "name": name or target.stem.upper(),
        "designations": [],
        "summary": f"Fitted to {source.name}",
        "sources": {keys[text]: words for text, words in sources.items()},
        kind: {**{part: found for part, found in rows.items() if found}, "fit": {"family": family} if family else {}},
    }
    checked = record.check(data, source, fitted=False)
    section = getattr(checked, kind)
    if section is None:
        raise FileProblemsError(source, [f'kind "{kind}" is none of triode, pentode, rectifier'])
    result = fit_section(section, kind, progress=progress)
    target.write_text(_hand_text(data, kind) + "\n" + FITTED_MARK + "\n\n" + fitted_part(kind, result, None), "utf-8")
    return result


def _hand_text(data: dict[str, Any], kind: str) -> str:
    lines = [f"{key} = {toml_value(data[key])}" for key in ("name", "designations", "summary")]
    lines += ["", "[sources]", *(f"{key} = {toml_value(value)}" for key, value in data["sources"].items())]
    lines += ["", f"[{kind}]"]
    for part, rows in data[kind].items():
        if part != "fit":
            lines += [f"{part} = [", *(f"  {toml_value(row)}," for row in rows), "]"]
    if data[kind]["fit"]:
        lines += ["", f"[{kind}.fit]", *(f"{key} = {toml_value(value)}" for key, value in data[kind]["fit"].items())]
    return "\n".join(lines) + "\n"
