"""How well each hypothesis explains readings: its size fitted, and its evidence over all sizes.

Between two sizes that were solved, readings run along a line: the size that comes nearest is a projection, and the
evidence of the stretch an integral in closed form. The best stretches are then solved again where they come nearest,
until the lines are as good as the circuit. How readings scatter from build to build comes from the circuit made linear
at each size. What is normal in small scatter has longer tails in a bench's: the density is a Student's t (as for a
normal sample whose variance is uncertain: A. Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 3; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr

from simwrap.fault_finding.hypotheses import Catalogue, Hypothesis, points_of
from simwrap.fault_finding.places import Place, Scatter, Seen, shown
from simwrap.fault_finding.song import song
from simwrap.faults.network import Faulty, Solved

Floats = NDArray[np.float64]
Array = NDArray[Any]

#: Degrees of freedom of the density.
_FREEDOM = 12.0
#: Share of a part's faults in which it is wholly gone or shorted: the last of its sizes.
_WHOLE = {"heater": 0.2, "electrodes": 0.5, "resistor": 0.3, "capacitor leaks": 0.2, "capacitor lost": 0.4,
          "load": 0.5, "winding": 0.5, "supply": 0.1,
          "emission": 0.1}  # fmt: skip
#: By so much, in its logarithm, wholly gone is preferred to nearly gone.
_WHOLLY = 1.0
#: Hypotheses that are solved again, so often, until a size moves less than this along its axis.
_BEST, _ROUNDS = 40, 4
#: Places within a stretch at which the prior is looked at.
_LOOKS = np.linspace(-1.5, 1.5, 7)
#: Attempts at sizes without an operating point, each from the nearest one that has one.
_AGAIN = 6


@dataclass
class Stock:
    """Solved circuits: of which hypothesis each is, with which size, and what a meter shows of it.

    Attributes
    ----------
    number : ndarray of int, shape (points,)
    at : ndarray, shape (points,)
        Place of the size on the hypothesis' axis.
    ports, currents : ndarray, shape (points, valves, 3)
        [V], [A]
    seen : Seen
    """

    number: Array
    at: Floats
    ports: Floats
    currents: Floats
    seen: Seen

    def rows(self, which: Any) -> Stock:
        """Return some of them."""
        return Stock(self.number[which], self.at[which], self.ports[which], self.currents[which],
                     Seen(self.seen.means[which], self.seen.covariances[which]))  # fmt: skip

    def with_more(self, other: Stock) -> Stock:
        """Return both, in the order of hypotheses and sizes."""
        number, at, ports, currents = (np.concatenate([getattr(self, key), getattr(other, key)])
                                       for key in ("number", "at", "ports", "currents"))  # fmt: skip
        means, covariances = (np.concatenate([getattr(self.seen, key), getattr(other.seen, key)])
                              for key in ("means", "covariances"))  # fmt: skip
        both = Stock(number, at, ports, currents, Seen(means, covariances))
        return both.rows(np.lexsort((both.at, both.number)))


@dataclass(frozen=True)
class Explained:
    """A hypothesis with the size that explains readings best.

    Attributes
    ----------
    hypothesis : Hypothesis or None
        None: nothing is the matter.
    at : float
        Place of the size on its axis.
    spread : float
        Standard deviation there.
    evidence : float
        Logarithm of the marginal likelihood, with how often it happens.
    square : float
        Squared distance of the readings, in standard deviations.
    means : ndarray, shape (places,)
        What the meter would show, scaled.
    covariance : ndarray, shape (places, places)
    ports, currents : ndarray, shape (valves, 3)
        Of the valves [V], [A].
    """

    hypothesis: Hypothesis | None
    at: float
    spread: float
    evidence: float
    square: float
    means: Floats
    covariance: Floats
    ports: Floats
    currents: Floats

    @property
    def size(self) -> float:
        """The size in its own unit; NaN where there is none."""
        own = self.hypothesis
        return float(np.exp(self.at)) if own and len(own.sizes) > 1 and not own.sings else np.nan


@dataclass
class Evidence:
    """All hypotheses of a circuit, solved at some sizes: made once, it judges many readings.

    Parameters
    ----------
    catalogue : Catalogue
    places : sequence of Place
    scatter : Scatter
    """

    catalogue: Catalogue
    places: Sequence[Place]
    scatter: Scatter
    #: Node of the main output, and what is rated there [V r.m.s.].
    output: tuple[str, float] = ("", np.nan)
    #: Operating points by network, with the hypotheses' numbers and places on their axes.
    states: dict[int, tuple[Solved, Array, Floats]] = field(default_factory=dict, repr=False)
    stock: Stock = field(init=False)
    healthy: Stock = field(init=False)

    def __post_init__(self) -> None:
        found = self.catalogue.found
        self.healthy = self._solved([(-1, 0.0)])
        for number, network in enumerate(self.catalogue.networks):
            own = [(k, each) for k, each in enumerate(found) if each.network == number]
            rows = [(k, float(at)) for k, each in own for at in np.sort(each.axis)]
            if rows and number not in self.states:
                numbers, at = np.array([k for k, _ in rows]), np.array([a for _, a in rows])
                self.states[number] = (_again(network, network.solve(points_of(found, network, rows)), numbers, at),
                                        numbers, at)  # fmt: skip
        parts = [self._stock(number, *state) for number, state in self.states.items()]
        self.stock = parts[0]
        for part in parts[1:]:
            self.stock = self.stock.with_more(part)

    def at(self, places: Sequence[Place]) -> Evidence:
        """Return the same, seen at other places of the same nodes."""
        return Evidence(self.catalogue, places, self.scatter, self.output, self.states)

    def _stock(self, network: int, solved: Solved, numbers: Array, at: Floats) -> Stock:
        """Return what a meter shows of operating points; those that aren't any are left out."""
        seen = shown(self.catalogue.networks[network], solved, self.places, self.scatter)
        for k, number in enumerate(numbers.tolist()):
            if number >= 0 and self.catalogue.found[number].sings:
                row = Seen(seen.means[k : k + 1], seen.covariances[k : k + 1])
                sung = song(self.places, self.healthy.seen, row, self.output, float(at[k] / np.log(2.0)))
                seen.means[k], seen.covariances[k] = sung.means[0], sung.covariances[0]
        good = solved.good & np.isfinite(seen.means).all(axis=1) & np.isfinite(seen.covariances).all(axis=(1, 2))
        return Stock(numbers, at, solved.ports, solved.currents, seen).rows(good)

    @property
    def none(self) -> Faulty:
        """A healthy circuit."""
        network = self.catalogue.network
        return Faulty.none(1, len(network.valves), len(network.sources))

    @property
    def usual(self) -> Explained:
        """A healthy build, as an explanation."""
        own = self.healthy
        return Explained(None, 0.0, 0.0, 0.0, 0.0, own.seen.means[0], own.seen.covariances[0], own.ports[0],
                         own.currents[0])  # fmt: skip

    def faulty(self, found: Explained) -> Faulty:
        """Return the circuit of an explanation."""
        own = self.catalogue.found
        if found.hypothesis is None:
            return self.none
        return points_of(own, self.catalogue.network, [(own.index(found.hypothesis), found.at)])

    def voltages(self, found: Explained, at: Array) -> Floats:
        """Return voltages at rest between pairs of the network, shape (at,) [V]."""
        network = self.catalogue.networks[found.hypothesis.network if found.hypothesis else 0]
        state = Solved(self.faulty(found), found.ports[None], found.currents[None], np.array([True]))
        return np.asarray(network.voltages(state, at)[0])

    def _solved(self, rows: Sequence[tuple[int, float]], start: Floats | None = None) -> Stock:
        """Solve some hypotheses with a size each; those without an operating point are left out."""
        numbers, at = np.array([n for n, _ in rows], dtype=int), np.array([a for _, a in rows])
        found, networks = self.catalogue.found, self.catalogue.networks
        parts = []
        which = np.array([found[n].network if n >= 0 else 0 for n in numbers])
        for k in sorted(set(which.tolist())):
            own = np.flatnonzero(which == k)
            network = networks[k]
            faulty = points_of(found, network, [rows[int(i)] for i in own]) if numbers[own[0]] >= 0 else self.none
            solved = network.solve(faulty, None if start is None else start[own])
            solved = _again(network, solved, numbers[own], at[own])
            parts.append(self._stock(k, solved, numbers[own], at[own]))
        made = parts[0]
        for part in parts[1:]:
            made = made.with_more(part)
        return made

    def explained(self, readings: Mapping[int, float]) -> list[Explained]:
        """Return every hypothesis with its best size and evidence, that of a healthy build first, then the best.

        Parameters
        ----------
        readings : mapping of int to float
            By number of the place, as the meter shows them.
        """
        known = np.array(sorted(readings), dtype=int)
        given = np.array([float(self.places[k].scaled(readings[k])) for k in known])
        often, own = self.catalogue.often, self.catalogue.found
        whole = sum(each.often for each in own)
        prior = np.log([(1.0 - often["none"]) * each.often / whole for each in own])
        fitted = _fit(self.stock, own, known, given)
        numbers = sorted(fitted, key=lambda n: -(fitted[n].evidence + prior[n]))
        best = numbers[:_BEST]
        near = self.stock.rows(np.isin(self.stock.number, best))
        fitted |= _fit(near, own, known, given)
        for _ in range(_ROUNDS):
            ends = {n: near.at[near.number == n] for n in best}
            more = [(n, fitted[n].at, fitted[n].start) for n, at in ends.items()
                    if np.abs(at - fitted[n].at).min() > max(0.3 * fitted[n].spread, 1e-3)]  # fmt: skip
            if not more:
                break
            solved = self._solved([(n, a) for n, a, _ in more], np.array([s for _, _, s in more]))
            near = near.with_more(solved)
            fitted |= _fit(near, own, known, given)
        none = _points(self.healthy, known, given)
        found = [self._explained(None, none, self.healthy, float(np.log(often["none"])), len(known))]
        found += [self._explained(own[n], fitted[n], near if n in best else self.stock, float(prior[n]), len(known))
                  for n in numbers]  # fmt: skip
        return [found[0], *sorted(found[1:], key=lambda each: -each.evidence)]

    def _explained(self, own: Hypothesis | None, fit: _Fit, stock: Stock, prior: float, count: int) -> Explained:
        one, other, share = fit.rows[0], fit.rows[1], fit.share
        mix = [(1.0 - share) * of[one] + share * of[other]
               for of in (stock.seen.means, stock.seen.covariances, stock.ports, stock.currents)]  # fmt: skip
        return Explained(own, fit.at, fit.spread, fit.evidence + prior, fit.square, *mix)


@dataclass(frozen=True)
class _Fit:
    """The best size of a hypothesis: between two rows of the stock, at a share of the way."""

    evidence: float
    square: float
    at: float
    spread: float
    rows: tuple[int, int]
    share: float
    start: Floats


def _again(network: Any, solved: Solved, numbers: Array, at: Floats) -> Solved:
    """Solve what didn't come to rest from the nearest size of the same fault that did."""
    for _ in range(_AGAIN):
        lost = [i for i in np.flatnonzero(~solved.good) if (solved.good & (numbers == numbers[i])).any()]
        if not lost:
            break
        from_ = []
        for i in lost:
            near = np.flatnonzero(solved.good & (numbers == numbers[i]))
            from_.append(near[np.argmin(np.abs(at[near] - at[i]))])
        more = network.solve(solved.faulty.at(np.array(lost)), solved.ports[from_])
        if not more.good.any():
            break
        solved.ports[lost], solved.currents[lost], solved.good[lost] = more.ports, more.currents, more.good
    return solved


def _density(square: Any, logarithm: Any, count: int) -> Any:
    """Return the logarithm of Student's density, less what is the same for all."""
    return -0.5 * logarithm - 0.5 * (_FREEDOM + count) * np.log1p(square / _FREEDOM)


def _white(covariance: Floats, *vectors: Floats) -> tuple[Floats, list[Floats]]:
    """Return the logarithm of each determinant, and vectors in standard deviations."""
    lower = np.linalg.cholesky(covariance)
    logarithm = 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    solved = np.linalg.solve(lower, np.stack(vectors, axis=-1))
    return logarithm, [solved[:, :, k] for k in range(len(vectors))]


def _points(stock: Stock, known: Array, given: Floats) -> _Fit:
    """Return the fit of a stock's first row."""
    covariance = stock.seen.covariances[:1][:, known][:, :, known]
    logarithm, (white,) = _white(covariance, given - stock.seen.means[:1, known])
    square = float((white**2).sum())
    return _Fit(float(_density(square, logarithm[0], len(known))), square, 0.0, 0.0, (0, 0), 0.0, stock.ports[0])


def _fit(stock: Stock, own: Sequence[Hypothesis], known: Array, given: Floats) -> dict[int, _Fit]:
    """Return the fit of each hypothesis in a stock, whose rows are in the order of hypotheses and sizes."""
    count, total = len(known), len(stock.at)
    if not total:
        return {}
    means = stock.seen.means[:, known]
    covariances = stock.seen.covariances[:, known][:, :, known]
    logarithm, (white,) = _white(covariances, given - means)
    squares = (white**2).sum(axis=1)
    point = _density(squares, logarithm, count)
    first = np.flatnonzero(stock.number[1:] == stock.number[:-1])
    between = 0.5 * (covariances[first] + covariances[first + 1])
    between_log, (miss, way) = _white(between, given - means[first], means[first + 1] - means[first])
    length2 = np.maximum((way**2).sum(axis=1), 1e-12)
    free = (miss * way).sum(axis=1) / length2
    share = np.clip(free, 0.0, 1.0)
    square = ((miss - share[:, None] * way) ** 2).sum(axis=1)
    length = np.sqrt(length2)
    width = np.sqrt(2.0 * np.pi) / length * (ndtr((1.0 - share) * length) - ndtr(-share * length))
    width = np.minimum(1.0, width)
    along = stock.at[first + 1] - stock.at[first]
    line = _density(square, between_log, count) + np.log(width * along)
    found = {}
    starts = np.flatnonzero(np.r_[True, stock.number[1:] != stock.number[:-1]])
    for begin, end in zip(starts, np.r_[starts[1:], total], strict=True):
        number = int(stock.number[begin])
        hypothesis = own[number]
        whole = _WHOLE.get(hypothesis.kind, 0.0) if len(hypothesis.sizes) > 1 else 1.0
        last = begin if hypothesis.axis[-1] < hypothesis.axis[0] else end - 1
        terms, spots = [np.log(max(whole, 1e-12)) + point[last]], [(int(last), int(last), 0.0)]
        likely = [point[last] + (_WHOLLY if whole else 0.0)]
        lo, hi = np.searchsorted(first, [begin, end - 1])
        for k in range(lo, hi):
            at = stock.at[first[k]] + share[k] * along[k]
            spread = min(along[k] / length[k], along[k])
            looked = np.clip(at + spread * _LOOKS, stock.at[first[k]], stock.at[first[k] + 1])
            prior = np.mean(hypothesis.density(looked)) * max(1.0 - whole, 1e-12)
            terms.append(line[k] + np.log(prior))
            spots.append((int(first[k]), int(first[k] + 1), float(share[k])))
            likely.append(line[k] - np.log(width[k] * along[k]))
        # The size is the likeliest by the readings alone; what is near at hand only makes the whole likelier.
        best = int(np.argmax(likely))
        one, other, part = spots[best]
        spread = 0.0 if one == other else float((stock.at[other] - stock.at[one]) / length[lo + best - 1])
        found[number] = _Fit(
            float(logsumexp(terms)),
            float(squares[one] if one == other else square[lo + best - 1]),
            float((1.0 - part) * stock.at[one] + part * stock.at[other]),
            spread, (one, other), part, stock.ports[other if part > 0.5 else one],
        )  # fmt: skip
    return found


__all__ = ["Evidence", "Explained", "Stock"]
