"""Leaving rows out: what a fit says about rows that it hasn't seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.errors import InputError
from simwrap.fitting.fit import FitResult, as_numbers, problem_of, residuals_of
from simwrap.fitting.priors import fitted_numbers
from simwrap.fitting.rows import Number
from simwrap.valves.schema import Point, ValveSystem


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


def twins(section: ValveSystem) -> dict[str, str]:
    """Return row -> name of its group: rows for the same operating point and connection are left out together.

    Points read off curves lie too close together to be left out one by one: they are in two halves, every second one
    of a family in the order in which they were read.
    """
    groups: dict[str, str] = {}
    read: Counter[str] = Counter()
    for rows in ("points", "charts", "outputs"):
        for index, row in enumerate(getattr(section, rows)):
            name = f"{rows}[{index}]"
            if rows == "charts":
                groups[name] = name
            elif getattr(row, "reading_error", None) is not None:
                family = _family(row)
                groups[name] = HALVES[read[family] % 2]
                read[family] += 1
            else:
                groups[name] = "/".join([rows, *(str(getattr(row, field, None)) for field in _SAME)])
    return groups


#: Names of the two groups of points read off curves.
HALVES = ("curves, first half", "curves, second half")


def _family(row: Point) -> str:
    """Return which family of curves a point is of."""
    given = [name for name in ("anode_current", "screen_current", "grid_current", "gm") if getattr(row, name)]
    return f"{row.connection}, {row.source}, {given}"


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


def leave_out(
    section: ValveSystem, kind: str, result: FitResult, *, progress: Callable[[int, int], None] | None = None
) -> list[LeftOut]:
    """Fit again without each group of rows in turn (see :func:`twins`), and hold the law to those rows.

    Of sections without rows of output stages only the points read off curves are left out: their tables are long
    enough to keep rows that check.

    Parameters
    ----------
    section : ValveSystem
        With rows.
    kind : {"triode", "pentode"}
        Of the section.
    result : FitResult
        Fit to all rows that calibrate; each new fit starts from it.
    progress : callable, optional
        Called with (groups done, groups in all).

    Returns
    -------
    list of LeftOut
        For every number of rows that were left out or contradict; those that only check are in the fit's own table.
        Printed twice, the same row is left out as a whole.
    """
    from scipy.optimize import least_squares

    groups = twins(section)
    whole = {(r.number.row, r.number.quantity): r for r in result.residuals}
    problem, uses = problem_of(section, kind, False, ())
    start = fitted_numbers(kind, problem.priors, as_numbers(result.constants))
    calibrating = {n.row for n, use in zip(problem.numbers, uses, strict=True) if use == "calibrate"}
    if not section.outputs:
        calibrating = {row for row in calibrating if groups[row] in HALVES}
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
        if (r.number.row in calibrating or (section.outputs and r.use == "contradicts")) and np.isfinite(r.error)
    ]


def _left(section: ValveSystem, kind: str, rows: list[str], start: Any, least_squares: Any) -> list[Any]:
    try:
        problem, uses = problem_of(section, kind, False, rows)
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
    return residuals_of(problem, np.asarray(best.x), uses)
