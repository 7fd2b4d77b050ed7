"""Fitting a law to published or measured numbers: robust least squares with priors, several starts.

The residual of a number is ln(law / published) / sigma, times a weight for how well the row is
known. Data residuals are soft-L1 beyond 2 sigma, so that one wrong row can't bend a law; priors
stay quadratic. Starts are fixed, so that a fit comes out the same again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.fitting.priors import DEFAULT_FAMILY, Prior, constants_from, family, fitted_numbers
from simwrap.fitting.row_checks import listed, missing
from simwrap.fitting.rows import ChartRows, Number, PointRows, RowSet, in_batch
from simwrap.valves.accuracy import FEW_NUMBERS
from simwrap.valves.schema import ValveSystem

Array = NDArray[np.float64]

#: Residuals beyond this many sigma count less and less.
ROBUST_AT = 2.0

#: A pentode that has carried more than this at its anode [A] is taken for a power valve.
POWER_CURRENT = 15e-3

_SWAP = {"calibrate": "check", "check": "calibrate"}


@dataclass(frozen=True)
class Residual:
    """One published number beside the law: relative error, or points (of percent) for distortion."""

    number: Number
    law: float
    error: float
    use: str


@dataclass(frozen=True)
class FitResult:
    """Constants, what they give at each number, and how well the data determine them.

    Attributes
    ----------
    constants : Constants
        Of the law.
    residuals : list of Residual
        Every number, calibrated or not.
    numbers : int
        How many numbers calibrated.
    cost : float
        Half the sum of squares at the end.
    determined : dict of str to float
        For each constant, the width that the data leave it relative to that of its prior: near 1
        means that its value is the prior's. Where there is no prior: the width itself.
    undetermined : tuple of str
        Constants whose value comes from the prior.
    singular_values : ndarray
        Of the data's Jacobian, in prior widths: those below 1 are directions the data don't see.
    warnings : list of str
        In plain words.
    """

    constants: Any
    residuals: list[Residual]
    numbers: int
    cost: float
    determined: dict[str, float]
    undetermined: tuple[str, ...]
    singular_values: Array
    warnings: list[str] = field(default_factory=list)

    def errors(self, use: str, quantities: Collection[str] = ()) -> Array:
        """Return the magnitudes of the errors of one use ("calibrate", "check", "contradicts")."""
        return np.array(
            [
                abs(r.error)
                for r in self.residuals
                if r.use == use and (not quantities or r.number.quantity in quantities) and np.isfinite(r.error)
            ]
        )


def row_sets(section: ValveSystem, kind: str) -> list[RowSet]:
    """Return the row sets that a section has."""
    sets: list[RowSet] = []
    if section.points:
        sets.append(PointRows(section.points, kind))
    if section.charts:
        sets.append(ChartRows(section.charts, kind))
    if section.outputs:
        from simwrap.fitting.output_rows import OutputRows

        sets.append(OutputRows(section.outputs, kind))
    return sets


def _only(section: ValveSystem, rows: Collection[str]) -> ValveSystem:
    """Return a section with only the rows named, such as "charts[3]"."""
    kept: dict[str, Any] = {
        part: tuple(row for index, row in enumerate(getattr(section, part)) if f"{part}[{index}]" in rows)
        for part in ("points", "charts", "outputs")
    }
    return replace(section, **kept)


def _robust(r: Array) -> Array:
    """Return residuals whose square is twice the soft-L1 loss."""
    return np.asarray(r * np.sqrt(2.0 / (1.0 + np.sqrt(1.0 + (r / ROBUST_AT) ** 2))))


class _Problem:
    """The residual vector as a function of the fitted numbers, one or many at once."""

    def __init__(
        self, section: ValveSystem, kind: str, priors: list[Prior], fixed: dict[str, float], uses: Sequence[str]
    ) -> None:
        self.sets, self.kind, self.priors, self.fixed = row_sets(section, kind), kind, priors, fixed
        self.numbers = [number for rows in self.sets for number in rows.numbers]
        self.used = np.array([use == "calibrate" for use in uses], dtype=bool)
        # Only rows that calibrate are solved while fitting: output stages take most of the time.
        calibrating = {n.row for n, used in zip(self.numbers, self.used, strict=True) if used}
        self.fit_sets = row_sets(_only(section, calibrating), kind)
        self.solved = np.array([n.row in calibrating for n in self.numbers], dtype=bool)
        self.published = np.array([n.published for n in self.numbers], dtype=float)
        self.scale = np.array([n.weight / n.sigma for n in self.numbers], dtype=float)
        self.log = np.array([n.scale == "log" for n in self.numbers], dtype=bool)
        self.low = np.array([prior.forward(prior.low) for prior in priors])
        self.high = np.array([prior.forward(prior.high) for prior in priors])
        self.centre = np.array([prior.forward(prior.centre) for prior in priors])
        self.width = np.array([np.inf if prior.width is None else prior.width for prior in priors])

    def constants(self, x: Array) -> Any:
        return constants_from(self.kind, self.priors, self.fixed, x)

    def predict(self, x: Array) -> Array:
        """Return predictions, shape (batch, numbers), for ``x`` of shape (batch, constants)."""
        return self._predicted(self.sets, x)

    def _predicted(self, sets: Sequence[RowSet], x: Array) -> Array:
        constants = in_batch(self.constants(x))
        found = [rows.predict(constants) for rows in sets]
        return np.concatenate([np.broadcast_to(each, (len(x), each.shape[-1])) for each in found], axis=-1)

    def errors(self, predicted: Array) -> Array:
        """Return relative errors, or points for distortion."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(
                np.where(self.log, np.log(np.maximum(predicted, 1e-300) / self.published), predicted - self.published)
            )

    def residuals(self, x: Array) -> Array:
        """Return data and prior residuals for one or many ``x``."""
        many = np.atleast_2d(x)
        predicted = np.full((len(many), len(self.numbers)), np.nan)
        predicted[:, self.solved] = self._predicted(self.fit_sets, many)
        data = self.errors(predicted) * self.scale
        data = _robust(np.nan_to_num(data[:, self.used], nan=0.0, posinf=1e3, neginf=-1e3))
        prior = ((many - self.centre) / self.width)[:, np.isfinite(self.width)]
        both = np.concatenate([data, prior], axis=-1)
        return both if np.ndim(x) == 2 else np.asarray(both[0])

    def jacobian(self, x: Array) -> Array:
        """Return the Jacobian by central differences, all directions in one batch."""
        step = 1e-5 * np.maximum(1.0, np.abs(x))
        points = np.concatenate([x + np.diag(step), x - np.diag(step)])
        r = self.residuals(points)
        return np.asarray(((r[: len(x)] - r[len(x) :]) / (2.0 * step[:, None])).T)

    def starts(self) -> list[Array]:
        """Return fixed first guesses; perveance and mu from the data at hand."""
        start = np.clip(self.centre, self.low, self.high)
        names = [prior.name for prior in self.priors]
        start = self._scanned(start, names)
        out = [start]
        for change in (
            {"tail_share": 1.5, "width": 0.5},
            {"tail_share": -1.5, "exponent": 0.07, "contact": 0.3},
            {"width_slope": 0.5, "exponent": -0.1, "division_drive": 0.4},
        ):
            moved = start.copy()
            for name, shift in change.items():
                if name in names:
                    moved[names.index(name)] += shift
            if not np.array_equal(moved, start):
                out.append(np.clip(moved, self.low + 1e-6, self.high - 1e-6))
        return out

    def _mu_guesses(self) -> Array:
        """Return amplification factors to try: from printed ones where there are any."""
        by_row: dict[str, dict[str, float]] = {}
        for number in self.numbers:
            by_row.setdefault(number.row, {})[number.quantity] = number.published
        guesses = [row["mu"] for row in by_row.values() if "mu" in row]
        guesses += [row["gm"] * row["ra"] for row in by_row.values() if {"gm", "ra"} <= set(row)]
        if self.kind == "triode" and guesses:
            return np.array([1.1 * float(np.median(guesses))])
        return np.geomspace(4.0, 120.0, 14)

    def _scanned(self, start: Array, names: list[str]) -> Array:
        """Return the start with the perveance and mu that bring the law nearest to the numbers."""
        position = names.index("perveance")
        trials = np.repeat(start[None], 25, axis=0)
        trials[:, position] = np.linspace(self.low[position] + 0.01, self.high[position] - 0.01, 25)
        if "mu" in names:
            mu = np.log(self._mu_guesses())
            trials = np.repeat(trials, len(mu), axis=0)
            trials[:, names.index("mu")] = np.tile(mu, 25)
        trials = np.clip(trials, self.low + 1e-9, self.high - 1e-9)
        cost = np.sum(self.residuals(trials) ** 2, axis=-1)
        return np.asarray(trials[int(np.argmin(cost))])


def family_name(section: ValveSystem, kind: str) -> str:
    """Return the family of priors that a section names, or that its rows suggest.

    A pentode with rows of an output stage, or with a point of more than :data:`POWER_CURRENT`, is a power pentode.
    """
    if named := str(section.fit.get("family", "")):
        return named
    if kind == "pentode" and (
        section.outputs or any((point.anode_current or 0.0) > POWER_CURRENT for point in section.points)
    ):
        return "power pentode"
    return DEFAULT_FAMILY[kind]


def problem_of(section: ValveSystem, kind: str, swap: bool, leave_out: Collection[str]) -> tuple[_Problem, list[str]]:
    """Return the problem of a section and the use of each number in it."""
    if faults := missing(section, kind):
        rows_of = {words: listed([f"{part}[{index}]" for part, index in rows]) for words, rows in faults.items()}
        raise InputError(f"{kind}: " + "; ".join(f"{rows}: {words}" for words, rows in rows_of.items()))
    sets = row_sets(section, kind)
    uses = []
    for number in (number for rows in sets for number in rows.numbers):
        use: str = number.use
        if swap and not number.row.startswith("points"):
            use = _SWAP.get(use, use)
        if number.row in leave_out and use == "calibrate":
            use = "check"
        uses.append(use)
    if "calibrate" not in uses:
        raise InputError(f"{kind}: there is no number to calibrate with; give at least one row with a current")
    overrides = {"grid_onset": [section.grid.onset, section.grid.spread], **section.fit.get("priors", {})}
    priors, fixed = family(family_name(section, kind), kind, overrides)
    fixed.update({name: float(value) for name, value in dict(section.fit.get("set", {})).items()})
    priors = [prior for prior in priors if prior.name not in fixed]
    return _Problem(section, kind, priors, fixed, uses), uses


def fit_section(
    section: ValveSystem,
    kind: str,
    *,
    swap: bool = False,
    leave_out: Collection[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> FitResult:
    """Fit the law of a section to its own rows.

    Parameters
    ----------
    section : ValveSystem
        With rows; ``fit.family`` and ``fit.priors`` choose the priors.
    kind : {"triode", "pentode", "rectifier"}
        Of the section.
    swap : bool
        Exchange the chart and output rows that calibrate and those that only check.
    leave_out : collection of str
        Rows such as "charts[3]" that are only checked this time.
    progress : callable, optional
        Called with (starts done, starts in all).

    Raises
    ------
    InputError
        If a row lacks what its numbers need, or no number is left to calibrate with.
    """
    from scipy.optimize import least_squares

    problem, uses = problem_of(section, kind, swap, leave_out)
    best: Any = None
    starts = problem.starts()
    for done, start in enumerate(starts):
        found = least_squares(
            problem.residuals,
            start,
            jac=problem.jacobian,
            bounds=(problem.low, problem.high),
            x_scale="jac",
            xtol=1e-6,
            ftol=1e-7,
            gtol=1e-7,
            max_nfev=100,
        )
        if best is None or found.cost < best.cost * (1.0 - 1e-4):
            best = found
        if progress is not None:
            progress(done + 1, len(starts))
    return _result(problem, _polished(problem, np.asarray(best.x)), uses)


def _step(problem: _Problem, x: Array) -> Array:
    """Return the Gauss-Newton step, 0 for constants at a bound that they press against."""
    r, jacobian = problem.residuals(x), problem.jacobian(x)
    down = -(jacobian.T @ r)
    held = ((x - problem.low < 1e-4) & (down < 0)) | ((problem.high - x < 1e-4) & (down > 0))
    step = np.zeros_like(x)
    if not held.all():
        step[~held] = np.linalg.lstsq(jacobian[:, ~held], -r, rcond=None)[0]
    return step


def _polished(problem: _Problem, x: Array) -> Array:
    """Return the optimum to rounding error, so that a fit repeats on any machine.

    Constants at a bound are put on it; the others take Gauss-Newton steps.
    """
    x = np.where(x - problem.low < 1e-4, problem.low, np.where(problem.high - x < 1e-4, problem.high, x))
    share, last = 1.0, np.zeros_like(x)
    for _ in range(300):
        step = _step(problem, x)
        if np.max(np.abs(step)) < 1e-9:
            break
        # Large residuals bend the cost more than Gauss-Newton knows: then whole steps overshoot, and the next one
        # points back. The share of a step that is taken follows.
        if 2.0 * np.linalg.norm(step) > np.linalg.norm(last) > 0:
            share = min(1.0, 1.3 * share) if step @ last > 0 else 0.5 * share
        last = step
        x = np.clip(x + share * step, problem.low, problem.high)
    return x


def residuals_of(problem: _Problem, x: Array, uses: Sequence[str]) -> list[Residual]:
    """Return how far the law is from each number at constants ``x``."""
    predicted = problem.predict(x[None])[0]
    errors = problem.errors(predicted)
    return [
        Residual(number, float(law), float(np.expm1(error)) if number.scale == "log" else float(error), use)
        for number, law, error, use in zip(problem.numbers, predicted, errors, uses, strict=True)
    ]


def proof(section: ValveSystem, kind: str) -> tuple[list[Residual], float]:
    """Return what a file's own constants give at its rows, and how far they are from the best fit.

    Returns
    -------
    residuals : list of Residual
        As a fit gives them.
    distance : float
        Largest component of the step that a fit would still make, on the fitted scale (logarithms
        mostly): about 1e-7 for constants that come from these rows.
    """
    problem, uses = problem_of(section, kind, False, ())
    x = fitted_numbers(kind, problem.priors, section.constants)
    step = _step(problem, x)
    return residuals_of(problem, x, uses), float(np.max(np.abs(step)))


def _result(problem: _Problem, x: Array, uses: Sequence[str]) -> FitResult:
    residuals = residuals_of(problem, x, uses)
    constants = problem.constants(x)
    count = int(problem.used.sum())
    jacobian = problem.jacobian(x)
    data = jacobian[:count]
    width = np.where(np.isfinite(problem.width), problem.width, 1.0)
    singular = np.asarray(np.linalg.svd(data * width, compute_uv=False), dtype=float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    left = np.sqrt(np.diag(covariance)) / width
    determined = {prior.name: float(value) for prior, value in zip(problem.priors, left, strict=True)}
    undetermined = tuple(
        prior.name for prior, value in zip(problem.priors, left, strict=True) if prior.width is not None and value > 0.7
    )
    warnings = []
    if count < FEW_NUMBERS:
        warnings.append(
            f"only {count} numbers calibrate {len(problem.priors)} constants: a small residual proves nothing"
        )
    if undetermined:
        warnings.append(f"the data don't determine {', '.join(undetermined)}: their values come from what is usual")
    at_bound = [
        prior.name
        for prior, value, low, high in zip(problem.priors, x, problem.low, problem.high, strict=True)
        if min(value - low, high - value) < 1e-4
    ]
    if at_bound:
        warnings.append(f"{', '.join(at_bound)} ended at a bound: the law may not suit this valve")
    if unsolved := dict.fromkeys(r.number.row for r in residuals if not np.isfinite(r.law)):
        warnings.append(f"the law could not be solved for {listed(list(unsolved))}, which did not count")
    return FitResult(
        constants,
        residuals,
        count,
        0.5 * float(np.sum(problem.residuals(x) ** 2)),
        determined,
        undetermined,
        singular,
        warnings,
    )


def as_numbers(constants: Any) -> Mapping[str, float]:
    """Return constants as plain floats of ten digits, as written to files."""
    return {name: float(f"{float(value):.10g}") for name, value in asdict(constants).items()}
