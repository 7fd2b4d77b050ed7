"""Which part matters: each part's share of the spread of a variable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from simwrap.circuits.circuit import as_circuit
from simwrap.design.limits import known_of
from simwrap.design.runs import Design, Runs
from simwrap.design.tolerance import KEYWORDS, HowKeywords, Tolerances, columns_of, positions_of, whole_number
from simwrap.engine import Run, spelled_out
from simwrap.errors import InputError, RangeError
from simwrap.report.bars import bars
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled

if TYPE_CHECKING:
    import xarray

    from simwrap.simulation.measurement import MeasureChoice

#: Below this share of explained spread a straight line is called a poor description.
WELL_EXPLAINED = 0.9
#: Most samples, so that a slip of the pen doesn't take all memory.
MOST_SAMPLES = 2**17
#: Times that the builds are drawn from themselves for the confidence of Sobol indices (scipy's own has no seed).
RESAMPLES = 100


@dataclass(frozen=True, repr=False)
class Ranking(Shown):
    """Parts in the order of their share of a variable's spread.

    Attributes
    ----------
    variable : str
    method : str
        "standardised regression coefficients" or "Sobol indices".
    names : tuple of str
        Parts, the one with the largest share first; parts that always move together are one.
    shares : ndarray
        Share of the variance, 0..1: the square of the standardised regression coefficient, or
        the first-order Sobol index.
    coefficients : ndarray
        Standardised regression coefficients (the sign says which way), or total Sobol indices.
    explained : float
        Share of the variance that the shares explain together (R^2, or the sum of the
        first-order indices).
    margins : ndarray or None
        95 % confidence half-widths of the shares, for Sobol indices.
    """

    variable: str
    method: str
    names: tuple[str, ...]
    shares: Any
    coefficients: Any
    explained: float
    margins: Any = None

    @property
    def summary(self) -> str:
        """One or two sentences."""
        text = f"spread of {self.variable}: {self.method}; they explain {100 * self.explained:.3g} % of the variance"
        if self.explained < WELL_EXPLAINED:
            text += ". The rest is curvature or parts acting together" + (
                ": sobol_indices(...) tells more" if self.method.startswith("standard") else ""
            )
        return text

    def rows(self) -> list[tuple[str, str, str]]:
        """Return one row a part."""
        margins = (
            [""] * len(self.names) if self.margins is None else [f" ± {100 * margin:.2g}" for margin in self.margins]
        )
        return [
            (name, f"{100 * share:.1f}{margin} %", f"{coefficient:+.3f}")
            for name, share, margin, coefficient in zip(
                self.names, self.shares, margins, self.coefficients, strict=True
            )
        ]

    @property
    def head(self) -> tuple[str, str, str]:
        return "part", "share", "coefficient" if self.method.startswith("standard") else "total index"

    def to_dict(self) -> dict[str, Any]:
        """Return the share of each part as plain values."""
        shares = dict(zip(self.names, np.asarray(self.shares).tolist(), strict=True))
        return dict(plain({"explained": self.explained, "shares": shares}))

    def to_dataset(self) -> xarray.Dataset:
        """Return share and coefficient of each part, dim "part"."""
        columns = {
            "share": (self.shares, "", "share of the variance"),
            "coefficient": (self.coefficients, "", self.head[2]),
        }
        return labelled("part", self.names, columns, variable=self.variable, method=self.method,
                        explained=self.explained)  # fmt: skip

    def plot(self, *, ax: Any = None) -> Any:
        """Draw the shares as bars, the largest on top; a figure, or in the place of axes."""
        shares = [100.0 * float(share) for share in self.shares]
        wide = [] if self.margins is None else [100.0 * float(margin) for margin in self.margins]
        ends = [(share - margin, share + margin) for share, margin in zip(shares, wide, strict=False)]
        return bars(self.names, shares, "share of the spread [%]", self.variable, ends=ends, ax=ax)

    def report(self) -> list[Listing]:
        return [Listing(self.summary, self.head, self.rows())]


def _ordered(
    variable: str,
    method: str,
    names: Sequence[str],
    shares: Any,
    coefficients: Any,
    explained: float,
    margins: Any = None,
) -> Ranking:
    order = np.argsort(-np.asarray(shares), kind="stable")
    return Ranking(
        variable,
        method,
        tuple(names[k] for k in order),
        np.asarray(shares)[order],
        np.asarray(coefficients)[order],
        explained,
        None if margins is None else np.asarray(margins)[order],
    )


def _figure(data: xarray.Dataset, variable: str, what: str) -> tuple[str, Any]:
    """Return the name and the values of a variable with one number a build."""
    known = known_of(data, what)
    name, *others = known.find(_named(variable))
    if others or known.units[name] == "word":
        raise RangeError("variable", variable, "one that has a single number: " + ", ".join([name, *others]))
    return name, np.asarray(data[name].values, dtype=float).ravel()


def _named(variable: Any) -> str:
    if not isinstance(variable, str):
        raise RangeError("variable", variable, 'the name of a figure, such as "gain"')
    return variable


def _refuse_still(values: Any, what: str) -> None:
    if values.std() <= 1e-12 * abs(values.mean()):
        raise InputError(f"{what}: it doesn't vary")


def _standard_columns(data: xarray.Dataset, good: Any) -> dict[str, Any]:
    """Return what was drawn, centred and scaled; parts that always move together are one entry."""
    columns: dict[str, Any] = {}
    for coordinate in data.coords.values():
        column = np.asarray(coordinate.values)
        if coordinate.dims != data["outcome"].dims or column.dtype.kind != "f":
            continue
        width = column[good].std() if good.any() else 0.0
        if width == 0:
            continue
        standard = (column[good] - column[good].mean()) / width
        # A matched pair can't be told apart.
        twin = next((name for name, other in columns.items() if np.allclose(other, standard, atol=1e-9)), None)
        if twin is None:
            columns[str(coordinate.name)] = standard
        else:
            columns = {(f"{n} = {coordinate.name}" if n == twin else n): c for n, c in columns.items()}
    return columns


def rank_parts(data: xarray.Dataset, variable: str) -> Ranking:
    """Rank parts by standardised regression coefficients.

    A plane is fitted through all builds. With parts drawn independently, the squares of the
    standardised coefficients are the parts' shares of the variance and add up to R^2 (A.
    Saltelli et al., Global Sensitivity Analysis: The Primer, 2008, ch. 1).

    Parameters
    ----------
    data : xarray.Dataset
        From :func:`simwrap.spread`.
    variable : str
        A variable with one number a build.

    Returns
    -------
    Ranking

    Raises
    ------
    InputError
        For an unknown variable, or where there are too few builds, or nothing varies.

    Examples
    --------
    >>> import simwrap
    >>> tolerances = {"anode_resistor": "5 %", "grid_leak": "20 %"}
    >>> builds = simwrap.spread(simwrap.stage("triode_gain"), tolerances, ["bias"], builds=50)
    >>> ranking = simwrap.rank_parts(builds, "bias.valves.v1.anode_current")
    >>> ranking.names
    ('anode_resistor', 'grid_leak')
    """
    name, values = _figure(data, variable, "rank_parts")
    good = np.isfinite(values)
    columns = _standard_columns(data, good)
    if not columns or good.sum() < 2 * len(columns) + 2:
        raise InputError(
            f"ranking of {name}: {int(good.sum())} usable builds are too few for {len(columns)} varying parts"
        )
    wanted = values[good]
    _refuse_still(wanted, f"ranking of {name}")
    standard_values = (wanted - wanted.mean()) / wanted.std()
    matrix = np.stack(list(columns.values()), axis=1)
    coefficients, *_ = np.linalg.lstsq(matrix, standard_values, rcond=None)
    explained = 1.0 - float(np.mean((standard_values - matrix @ coefficients) ** 2))
    method = "standardised regression coefficients"
    return _ordered(name, method, list(columns), coefficients**2, coefficients, explained)


@spelled_out(Run, **KEYWORDS)
def sobol_indices(
    stage: Design,
    variable: str,
    tolerances: Tolerances | Mapping[str, Any] | None = None,
    measures: MeasureChoice = None,
    *,
    samples: int = 256,
    seed: int = 0,
    **how: Unpack[HowKeywords],
) -> Ranking:
    """Rank parts by Sobol indices, which hold also where a straight line doesn't.

    Runs ``samples * (factors + 2)`` builds of its own. Shares are first-order
    indices, coefficients total indices (I. M. Sobol', Math. Comput. Simulation 55, 2001, p. 271).

    Parameters
    ----------
    variable : str
        A variable with one number a build.
    samples : int
        A power of 2.
    stage, tolerances, measures, seed, distribution, valve_spread, supply_variation, matched, matching
        As for :func:`simwrap.spread`.
    engine, executor, workers, time_limit, progress
        As for :func:`simwrap.sweep`.

    Returns
    -------
    Ranking

    Raises
    ------
    InputError
        For an unknown variable, or where builds failed.

    Examples
    --------
    >>> import simwrap
    >>> tolerances = {"anode_resistor": "5 %", "grid_leak": "20 %"}
    >>> ranking = simwrap.sobol_indices(simwrap.stage("triode_gain"), "response.gain", tolerances, samples=16)
    >>> ranking.names
    ('anode_resistor', 'grid_leak')
    """
    if whole_number("samples", samples, 8, MOST_SAMPLES) & (samples - 1):
        raise RangeError("samples", samples, "a power of 2 from 8 on")
    whole_number("seed", seed, 0, 2**32 - 1)
    as_circuit(stage, "sobol_indices")
    varied, run = Tolerances.of(tolerances, how)
    runs = Runs.of(stage, measures, **run)
    factors = varied.factors(stage)
    runs, known = runs.begin()
    known.find(_named(variable))  # a slip is told before all is run
    share = _saltelli(len(factors), samples, seed)
    columns = columns_of(stage, factors, positions_of(factors, share, varied.distribution))
    name, values = _figure(runs.figures(columns, "build", curves=False, spot_check=0), variable, "sobol_indices")
    if not np.isfinite(values).all():
        without = int((~np.isfinite(values)).sum())
        raise InputError(
            f"Sobol indices of {name}: {without} of {len(values)} builds have no value, and the method takes them all"
        )
    _refuse_still(values, f"Sobol indices of {name}")
    # Centred and scaled: the estimator loses digits where the mean is far from zero.
    parts = np.split((values - values.mean()) / values.std(), len(factors) + 2)
    # The last once more, since scipy takes a single one for none.
    builds = np.stack([*parts, parts[-1]])
    first, total = _indices(builds)
    rng = np.random.default_rng(seed)
    again = [_indices(builds[:, rng.integers(samples, size=samples)])[0] for _ in range(RESAMPLES)]
    margins = 1.96 * np.std(again, axis=0)
    names = [factor.name for factor in factors]
    return _ordered(name, "Sobol indices", names, first, total, float(first.sum()), margins)


def _indices(builds: Any) -> tuple[Any, Any]:
    """Return first-order and total indices of builds, shape (2 + factors + 1, samples); the last is left out."""
    from scipy import stats

    given = {"f_A": builds[0][None], "f_B": builds[1][None], "f_AB": builds[2:, None]}
    found = stats.sobol_indices(func=given, n=builds.shape[1])
    return np.ravel(found.first_order)[:-1], np.ravel(found.total_order)[:-1]


def _saltelli(count: int, samples: int, seed: int) -> Any:
    """Return the shares 0 .. 1 of all builds: two draws A and B, then A with one factor after another from B.

    A. Saltelli et al., Comput. Phys. Commun. 181, 2010, p. 259. The columns of both are of one Sobol' sequence.
    """
    from scipy.stats import qmc

    drawn = qmc.Sobol(2 * count, seed=seed).random(samples)
    first, second = drawn[:, :count], drawn[:, count:]
    mixed = [np.where(np.arange(count) == factor, second, first) for factor in range(count)]
    return np.concatenate([first, second, *mixed])


__all__ = ["Ranking", "rank_parts", "sobol_indices"]
