"""Leaving one row out: what a fit says about a row that it hasn't seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.fitting.fit import FitResult, _problem, _residuals, as_numbers
from simwrap.fitting.priors import fitted_numbers
from simwrap.fitting.rows import Number
from simwrap.valves.schema import Section


@dataclass(frozen=True)
class LeftOut:
    """One published number, and the error of the law with and without its row in the fit.

    Errors are relative, or in points (of percent) for distortion; ``counts`` is False where the row
    contradicts others.
    """

    number: Number
    calibrated: float
    left_out: float
    counts: bool


def twins(section: Section) -> dict[str, str]:
    """Return row -> name of its group: rows for the same operating point and connection are left out together."""
    groups: dict[str, str] = {}
    for rows in ("points", "charts", "outputs"):
        for index, row in enumerate(getattr(section, rows)):
            name = f"{rows}[{index}]"
            if rows == "charts":
                groups[name] = name
                continue
            key = [rows, *(str(getattr(row, field, None)) for field in _SAME)]
            groups[name] = "/".join(key)
    return groups


_SAME = (
    "topology",
    "connection",
    "tap",
    "supply",
    "anode_voltage",
    "screen_voltage",
    "grid_voltage",
    "cathode_resistor",
    "load",
)


def leave_one_out(
    section: Section, kind: str, result: FitResult, *, progress: Callable[[int, int], None] | None = None
) -> list[LeftOut]:
    """Fit again without each row in turn, and hold the law to that row.

    Parameters
    ----------
    section : Section
        With rows.
    kind : {"triode", "pentode"}
        Of the section.
    result : FitResult
        Fit to all rows that calibrate; each new fit starts from it.
    progress : callable, optional
        Called with (rows done, rows in all).

    Returns
    -------
    list of LeftOut
        For every number of rows that calibrate or contradict; those that only check are in the fit's own table. Printed
        twice, the same row is left out as a whole.
    """
    from scipy.optimize import least_squares

    groups = twins(section)
    whole = {(r.number.row, r.number.quantity): r for r in result.residuals}
    problem, uses = _problem(section, kind, False, ())
    start = fitted_numbers(kind, problem.priors, as_numbers(result.constants))
    calibrating = {n.row for n, use in zip(problem.numbers, uses, strict=True) if use == "calibrate"}
    order = list(dict.fromkeys(groups[n.row] for n in problem.numbers if n.row in calibrating))
    found: dict[tuple[str, str], float] = {}
    for done, group in enumerate(order):
        rows = [row for row, name in groups.items() if name == group]
        for residual in _left(section, kind, rows, start, least_squares):
            if residual.number.row in rows:
                found[(residual.number.row, residual.number.quantity)] = residual.error
        if progress is not None:
            progress(done + 1, len(order))
    return [
        LeftOut(r.number, r.error, found.get(key, r.error), r.use == "calibrate")
        for key, r in whole.items()
        if r.use in ("calibrate", "contradicts") and np.isfinite(r.error)
    ]


def _left(section: Section, kind: str, rows: list[str], start: Any, least_squares: Any) -> list[Any]:
    try:
        problem, uses = _problem(section, kind, False, rows)
    except InputError:
        return []
    inside = np.clip(start, problem.low + 1e-9, problem.high - 1e-9)
    best = least_squares(
        problem.residuals,
        inside,
        jac=problem.jacobian,
        bounds=(problem.low, problem.high),
        x_scale="jac",
        ftol=1e-6,
        xtol=1e-5,
        max_nfev=50,
    )
    return _residuals(problem, np.asarray(best.x), uses)


def summary(table: list[LeftOut]) -> dict[str, NDArray[np.float64]]:
    """Return quantity -> [median and worst error calibrated, median and worst left out], without contradicting rows."""
    out = {}
    for quantity in dict.fromkeys(row.number.quantity for row in table if row.counts):
        pairs = np.abs([(r.calibrated, r.left_out) for r in table if r.counts and r.number.quantity == quantity])
        out[quantity] = np.array([np.median(pairs[:, 0]), pairs[:, 0].max(), np.median(pairs[:, 1]), pairs[:, 1].max()])
    return out
