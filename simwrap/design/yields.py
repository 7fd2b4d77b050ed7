"""Which share of the builds keeps all limits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.design.limits import Limit, known_of, parse_limits
from simwrap.errors import InputError
from simwrap.report.bars import bars
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled
from simwrap.simulation.dataset import done

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True, repr=False)
class Yield(Shown):
    """How many builds keep all limits. ``float(found)`` is the share.

    Attributes
    ----------
    share : float
        Of the builds, 0..1; a build that could not be simulated counts as one that fails.
    interval : tuple of float
        95 % confidence interval of the share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927, p. 209).
    builds : int
    failed : int
        Builds that could not be simulated.
    limits : tuple of Limit
    shares : tuple of float
        Share of the builds that keep each limit.
    missing : tuple of int
        Builds that were simulated but have no value there (a corner outside of the range).
    passed : ndarray of bool, shape (builds,)
    """

    share: float
    interval: tuple[float, float]
    builds: int
    failed: int
    limits: tuple[Limit, ...]
    shares: tuple[float, ...]
    missing: tuple[int, ...]
    passed: NDArray[np.bool_]

    def __float__(self) -> float:
        return self.share

    @property
    def summary(self) -> str:
        """One or two sentences, the verdict first."""
        low, high = (100 * end for end in self.interval)
        text = f"{int(self.passed.sum())} of {self.builds} builds keep all limits: {100 * self.share:.3g} %"
        text += f" (95 % confidence: {low:.3g} to {high:.3g} %)"
        if self.failed:
            text += f"; {self.failed} could not be simulated and count as outside"
        if any(self.missing):
            text += f"; up to {max(self.missing)} have no value for a limit and count as outside"
        return text

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Return one row a limit: as stated, the variable, builds inside, builds without a value."""
        return [
            (limit.text, limit.variable, f"{100 * share:.4g} %", str(missing) if missing else "")
            for limit, share, missing in zip(self.limits, self.shares, self.missing, strict=True)
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return share, confidence interval, and the share of each limit, as plain values."""
        limits = dict(zip([limit.text for limit in self.limits], self.shares, strict=True))
        return dict(plain({"share": self.share, "interval": self.interval, "limits": limits}))

    def plot(self, *, ax: Any = None) -> Any:
        """Draw the share of builds inside all limits with its confidence interval, and inside each."""
        names = ["all limits", *[limit.text for limit in self.limits]]
        shares = [100.0 * share for share in (self.share, *self.shares)]
        low, high = self.interval
        return bars(names, shares, "builds inside [%]", ends=[(100.0 * low, 100.0 * high)], ax=ax)

    def to_dataset(self) -> xarray.Dataset:
        """Return the share of the builds that keep each limit, dim "limit", and how many have no value there."""
        columns = {"share": (self.shares, "", "share of the builds"), "missing": (self.missing, "", "builds without")}
        return labelled("limit", [limit.text for limit in self.limits], columns, share=self.share, builds=self.builds,
                        failed=self.failed)  # fmt: skip

    HEAD = ("limit", "variable", "builds inside", "not found")

    def report(self) -> list[Listing]:
        return [Listing(self.summary, self.HEAD, self.rows())]


def yield_of(data: xarray.Dataset, limits: str | Iterable[str]) -> Yield:
    """Return which share of the builds keeps all limits.

    Parameters
    ----------
    data : xarray.Dataset
        From :func:`simwrap.spread` (any sweep will do).
    limits : str or iterable of str
        Such as ``"gain 50 +/- 10 %, anode dissipation < 80 %"``; see :mod:`simwrap.design.limits`.

    Returns
    -------
    Yield

    Raises
    ------
    InputError
        For a limit that can't be read.

    Examples
    --------
    >>> import simwrap
    >>> builds = simwrap.spread(simwrap.stage("triode_gain"), {"anode_resistor": "5 %"}, ["response"], builds=50)
    >>> simwrap.yield_of(builds, "response.gain > 1").share
    1.0
    """
    parsed = parse_limits(limits, known_of(data, "yield_of"))
    simulated = done(data).ravel()
    passed = simulated.copy()
    shares, missing = [], []
    for limit in parsed:
        values: Any = np.asarray(data[limit.variable].values).ravel()
        inside = limit.passes(values) & simulated
        passed &= inside
        shares.append(float(inside.mean()))
        missing.append(0 if limit.word else int((np.isnan(values.astype(float)) & simulated).sum()))
    if not len(passed):
        raise InputError("yield_of: the Dataset holds no builds")
    from scipy.stats import binomtest

    interval = binomtest(int(passed.sum()), len(passed)).proportion_ci(0.95, "wilson")
    return Yield(
        float(passed.mean()),
        (float(interval.low), float(interval.high)),
        len(passed),
        int((~simulated).sum()),
        tuple(parsed),
        tuple(shares),
        tuple(missing),
        passed,
    )


__all__ = ["Yield", "yield_of"]
