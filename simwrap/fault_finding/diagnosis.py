"""Which fault explains readings best: a dictionary of simulated faults, and the likelihood of each.

Each fault shifts the mean of the readings; how they scatter about it from build to build is found by simulating builds
with it, and leans on the scatter of many healthy builds. The meter's own error comes on top. What few builds tell about
a scatter is itself uncertain, so the density is a Student's t (as for a normal sample with an inverse Wishart prior:
A. Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 3.6; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit
from simwrap.engine import DEFAULT, Run, protocol
from simwrap.errors import EngineError, SimwrapError
from simwrap.faults.bed import HEALTHY, Fault, Rail, TestBed, Varied, bed_of
from simwrap.findings.status import late, reworded

Floats = NDArray[np.float64]

#: Builds of the healthy amplifier, of each fault, and of each wrong type of valve.
BUILDS, FAULTY_BUILDS, TYPE_BUILDS = 400, 8, 4
#: Of the draw of healthy builds; that of faulty ones is the next.
SEED = 0
#: How many builds the healthy scatter counts for, beside a fault's own.
_LEAN = 6.0
#: Degrees of freedom of the density.
_FREEDOM = 12.0
#: A meter's error: standard deviation as a share, and at the least [V, A].
METER_SHARE, METER_LEAST = 0.01, {"V": 0.01, "A": 10e-6}
#: A signal below this is none [V].
_SIGNAL_FLOOR = 1e-4
#: Two causes are one where a choice between them by the readings is wrong more often than this.
INSEPARABLE = 0.10
#: Share of healthy builds that are taken for faulty ones.
_REJECTED = 0.01


@dataclass(frozen=True)
class Place:
    """Something that a meter can show.

    Attributes
    ----------
    name : str
        As in the test points, with " at 1 kHz" where it is a signal.
    unit : str
        "V" or "A".
    nodes : tuple of str
        Of both leads ("0": ground), or the nodes that carry a current's parts.
    frequency : float
        Of the signal [Hz]; 0: none.
    level : float
        E.m.f. of its source [V r.m.s.].
    loaded : float
        What the meter leaves of the voltage, as a share.
    low, high : float
        Window; NaN where it comes from the healthy builds of the dictionary.
    expected : float
        NaN likewise.
    """

    name: str
    unit: str
    nodes: tuple[str, ...]
    frequency: float = 0.0
    level: float = 1.0
    loaded: float = 1.0
    low: float = np.nan
    high: float = np.nan
    expected: float = np.nan

    def shown(self, replies: Mapping[float, Mapping[str, Any]]) -> Floats:
        """Return what the meter shows of simulated points, shape (points,)."""
        values = replies[self.frequency]
        at = [np.asarray(values[node]) if node != "0" else 0.0 for node in self.nodes]
        if self.frequency:
            return np.asarray(np.abs(at[0] - at[1]) * self.level * self.loaded)
        if self.unit == "A":
            return np.asarray(1e-3 * sum(at))
        return np.asarray((at[0] - at[1]) * self.loaded)

    def scaled(self, value: Any) -> Floats:
        """Return a reading as the likelihood takes it: a signal by its logarithm."""
        if self.frequency:
            return np.asarray(np.log(np.abs(value) + _SIGNAL_FLOOR * self.level))
        return np.asarray(value, dtype=float)

    def error(self, scaled: Any) -> Floats:
        """Return the meter's standard deviation at a scaled reading."""
        if self.frequency:
            return np.full(np.shape(scaled), METER_SHARE)
        return np.asarray(np.hypot(METER_SHARE * np.asarray(scaled), METER_LEAST[self.unit]))


@dataclass(frozen=True)
class Cause:
    """Causes that the readings can't tell apart, as one.

    Attributes
    ----------
    faults : tuple of Fault
        The most likely first.
    share : float
        Probability among all causes of the dictionary, each as likely beforehand.
    distance : float
        How far the readings lie from the most likely one's: root of the mean square, in standard deviations.
    """

    faults: tuple[Fault, ...]
    share: float
    distance: float

    @property
    def names(self) -> tuple[str, ...]:
        """What they are called, the most likely first."""
        return tuple(fault.name for fault in self.faults)

    @property
    def healthy(self) -> bool:
        """Whether a healthy build is one of them."""
        return HEALTHY in self.faults


@dataclass(frozen=True)
class Diagnosis:
    """What readings say.

    Attributes
    ----------
    healthy : bool
        Whether they are what a healthy build may show.
    explained : bool
        Whether any single cause of the dictionary explains them.
    causes : tuple of Cause
        The most likely first.
    tell_apart : tuple of (str, float, float)
        Places not read yet that would tell the first two apart, with what each would make of them.
    """

    healthy: bool
    explained: bool
    causes: tuple[Cause, ...]
    tell_apart: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True)
class _Prepared:
    """Of some readings: inverse Cholesky factors, logarithms of determinants, groups, and the healthy limit."""

    whitening: Floats
    logarithm: Floats
    labels: Any
    limit: float


@dataclass(frozen=True)
class Dictionary:
    """Simulated readings of every fault.

    Attributes
    ----------
    places : tuple of Place
    faults : tuple of Fault
        The healthy build first.
    means : ndarray, shape (faults, places)
        Scaled.
    covariances : ndarray, shape (faults, places, places)
        From build to build, with the meter's error.
    lows, highs : ndarray, shape (places,)
        Least and largest of healthy builds, not scaled.
    lost : tuple of str
        Faults that couldn't be simulated.
    """

    places: tuple[Place, ...]
    faults: tuple[Fault, ...]
    means: Floats
    covariances: Floats
    lows: Floats
    highs: Floats
    lost: tuple[str, ...]
    _prepared: dict[tuple[int, ...], _Prepared] = field(default_factory=dict, repr=False, compare=False)

    def diagnose(self, readings: Mapping[str, float], *, most: int = 5) -> Diagnosis:
        """Rank the causes of readings.

        Parameters
        ----------
        readings : mapping of str to float
            By name of the place, as the meter shows them.
        most : int
            So many causes are returned.
        """
        known = tuple(k for k, place in enumerate(self.places) if place.name in readings)
        if known not in self._prepared:
            self._prepared[known] = self._prepare(known)
        ready = self._prepared[known]
        given = np.array([float(self.places[k].scaled(readings[self.places[k].name])) for k in known])
        white = np.einsum("fij,fj->fi", ready.whitening, given - self.means[:, known])
        square = (white**2).sum(axis=-1)
        count = len(known)
        density = -0.5 * ready.logarithm - 0.5 * (_FREEDOM + count) * np.log1p(square / _FREEDOM)
        share = np.exp(density - density.max())
        share /= share.sum()
        groups: dict[int, list[int]] = {}
        for k in np.argsort(-share).tolist():
            groups.setdefault(int(ready.labels[k]), []).append(k)
        causes = sorted(
            (
                Cause(
                    tuple(self.faults[k] for k in group),
                    float(share[group].sum()),
                    float(np.sqrt(square[group[0]] / max(count, 1))),
                )
                for group in groups.values()
            ),
            key=lambda cause: -cause.share,
        )
        # What few builds say about a fault's scatter is not sharp: three times the healthy limit.
        explained = bool(square[int(np.argmax(share))] <= 3.0 * ready.limit)
        return Diagnosis(
            bool(square[0] <= ready.limit), explained, tuple(causes[:most]), self._tell_apart(causes, known)
        )

    def _prepare(self, known: Sequence[int]) -> _Prepared:
        """Return what doesn't depend on the readings' values, but on which there are."""
        from scipy.cluster.hierarchy import fcluster, linkage
        from scipy.spatial.distance import squareform
        from scipy.stats import f as fisher

        lower = np.linalg.cholesky(self.covariances[:, known][:, :, known])
        logarithm = 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=-1)
        labels = np.ones(len(self.faults), dtype=int)
        if len(self.faults) > 1:
            apart = squareform(self.separations(known), checks=False)
            labels = fcluster(linkage(apart, "complete"), _separation(INSEPARABLE), "distance")
        count = len(known)
        limit = count * float(fisher.isf(_REJECTED, count, max(BUILDS - count, 1)))
        return _Prepared(np.linalg.inv(lower), logarithm, labels, limit)

    def separations(self, known: Sequence[int]) -> Floats:
        """Return how many standard deviations any two causes' readings are apart, shape (faults, faults).

        A choice between two of them is wrong with the probability of a normal variable beyond half of that.
        """
        mean, covariance = self.means[:, known], self.covariances[:, known][:, :, known]
        gaps = mean[None] - mean[:, None]
        # With one's own scatter first; where that leaves no doubt, the other's isn't asked.
        white = np.einsum("fij,fgj->fgi", np.linalg.inv(np.linalg.cholesky(covariance)), gaps, optimize=True)
        near = np.sqrt((white**2).sum(axis=-1))
        apart: Floats = np.minimum(near, near.T)
        one, other = np.nonzero(np.triu(apart < 6.0, 1))
        both = 0.5 * (covariance[one] + covariance[other])
        solved = np.linalg.solve(both, gaps[one, other][..., None])[..., 0]
        apart[one, other] = apart[other, one] = np.sqrt(np.maximum(0.0, (gaps[one, other] * solved).sum(axis=-1)))
        np.fill_diagonal(apart, 0.0)
        return apart

    def _tell_apart(self, causes: Sequence[Cause], known: Sequence[int]) -> tuple[tuple[str, float, float], ...]:
        if len(causes) < 2:
            return ()
        one, other = (self.faults.index(cause.faults[0]) for cause in causes[:2])
        spread = self.covariances[[one, other]][:, range(len(self.places)), range(len(self.places))].mean(axis=0)
        apart = np.abs(self.means[one] - self.means[other]) / np.sqrt(spread)
        apart[list(known)] = 0.0
        found = []
        for k in np.argsort(-apart)[:3].tolist():
            if apart[k] > 2.0:
                means = (self.means[one, k], self.means[other, k])
                floor = _SIGNAL_FLOOR * self.places[k].level
                ends = [np.exp(m) - floor if self.places[k].frequency else m for m in means]
                found.append((self.places[k].name, float(ends[0]), float(ends[1])))
        return tuple(found)


def _separation(wrong: float) -> float:
    from scipy.special import ndtri

    return float(-2.0 * ndtri(wrong))


def simulated(circuit: protocol.NetlistTable, places: Sequence[Place], run: Run) -> tuple[Floats, list[str]]:
    """Return what a meter would show at every place of every point, shape (points, places), and the points' reasons."""
    frequencies = sorted({place.frequency for place in places})
    runs: list[protocol.Analysis] = []
    for frequency in frequencies:
        nodes = tuple(dict.fromkeys(n for p in places if p.frequency == frequency for n in p.nodes if n != "0"))
        runs.append(protocol.AcRun(frequency, frequency, 1, nodes) if frequency else protocol.OpRun(nodes))
    replies = engines.run(circuit, runs, run)
    values = {
        frequency: {name: array[:, 0] if frequency else array for name, array in reply.values.items()}
        for frequency, reply in zip(frequencies, replies, strict=True)
    }
    reasons = [
        reworded("; ".join(dict.fromkeys(filter(None, said))), *said)
        for said in zip(*(reply.reasons for reply in replies), strict=True)
    ]
    if why := late(reasons):
        raise EngineError(f"readings: {why}")
    return np.stack([place.shown(values) for place in places], axis=-1), reasons


def fault_dictionary(
    circuit: Circuit,
    places: Sequence[Place],
    *,
    rail: Rail | None = None,
    varied: Varied | None = None,
    wrong_types: bool = True,
    builds: int = BUILDS,
    faulty_builds: int = FAULTY_BUILDS,
    run: Run = DEFAULT,
) -> Dictionary:
    """Simulate every single fault.

    Parameters
    ----------
    circuit : Circuit
    places : sequence of Place
    rail : Rail, optional
        The supply, as it sags.
    varied : Varied, optional
        What differs from build to build.
    wrong_types : bool
        Whether another type of valve in each socket is a fault too.
    builds, faulty_builds : int
        Healthy ones, and of each fault.
    run : Run

    Raises
    ------
    EngineError
        If no healthy build can be simulated.
    """
    varied = varied or Varied()
    bed = bed_of(circuit, rail=rail)
    faults = bed.dictionary()
    healthy, _ = simulated(bed.table(bed.draw(varied, builds, SEED), [HEALTHY] * builds), places, run)
    healthy = healthy[np.isfinite(healthy).all(axis=1)]
    if len(healthy) < 10:
        raise EngineError("readings: the healthy design can't be simulated")
    drawn = bed.draw(varied, faulty_builds, SEED + 1)
    # The same builds for every fault, so that what differs between two is the fault.
    columns = {name: np.tile(column, len(faults)) for name, column in drawn.items()}
    every = [fault for fault in faults for _ in range(faulty_builds)]
    faulty, _ = simulated(bed.table(columns, every), places, run)
    # The first of more builds are the same as those of fewer.
    most = max(faulty_builds, TYPE_BUILDS)
    paired, _ = simulated(bed.table(bed.draw(varied, most, SEED + 1), [HEALTHY] * most), places, run)
    samples = list(zip(faults, faulty.reshape(len(faults), faulty_builds, -1), strict=True))
    if wrong_types:
        samples += _other_types(circuit, places, rail, varied, run)
    return _dictionary(places, healthy, paired, samples)


def _dictionary(
    places: Sequence[Place], healthy: Floats, paired: Floats, samples: Sequence[tuple[Fault, Floats]]
) -> Dictionary:
    """Make the dictionary of many healthy builds, and of few builds, healthy (``paired``) and with each fault."""

    def scale(values: Floats) -> Floats:
        return np.stack([place.scaled(values[:, k]) for k, place in enumerate(places)], axis=-1)

    base, same = scale(healthy), scale(paired)
    scatter = np.cov(base, rowvar=False).reshape(len(places), len(places))
    kept, means, covariances, lost = [HEALTHY], [base.mean(axis=0)], [scatter], []
    for fault, values in samples:
        good = np.isfinite(values).all(axis=1) & np.isfinite(same[: len(values)]).all(axis=1)
        if good.sum() < 2:
            lost.append(fault.name)
            continue
        rows, beside = scale(values[good]), same[: len(values)][good]
        own = np.cov(rows, rowvar=False).reshape(scatter.shape)
        weight = len(rows) - 1.0
        kept.append(fault)
        means.append(rows.mean(axis=0) + _follows(rows, beside) * (base.mean(axis=0) - beside.mean(axis=0)))
        # The mean of few builds is itself uncertain.
        covariances.append((_LEAN * scatter + weight * own) / (_LEAN + weight) * (1.0 + 1.0 / len(rows)))
    whole = np.array(means)
    meter = np.stack([place.error(whole[:, k]) for k, place in enumerate(places)], axis=-1)
    spread = np.array(covariances)
    spread[:, range(len(places)), range(len(places))] += meter**2
    return Dictionary(tuple(places), tuple(kept), whole, spread, healthy.min(axis=0), healthy.max(axis=0),
                      tuple(lost))  # fmt: skip


def _follows(faulty: Floats, healthy: Floats) -> Floats:
    """Return how far each reading with a fault follows the same builds' without it, shape (places,).

    The few builds of a fault are the same as those of any other: how far they happen to lie from the mean of all is
    known from the healthy ones, and taken away as far as the two go together (control variates: A. B. Owen, Monte Carlo
    theory, methods and examples, ch. 8; from memory), times the square of their correlation, since few builds tell a
    slope badly where there is none.
    """
    one, other = (values - values.mean(axis=0) for values in (faulty, healthy))
    both, squares = (one * other).sum(axis=0), (other**2).sum(axis=0)
    slope = both / np.maximum(squares, 1e-30)
    share = both**2 / np.maximum(squares * (one**2).sum(axis=0), 1e-30)
    return np.asarray(slope * share)


def _other_types(
    circuit: Circuit, places: Sequence[Place], rail: Rail | None, varied: Varied, run: Run
) -> list[tuple[Fault, Floats]]:
    """Return readings with another type of the same kind in each socket."""
    from simwrap.valves import get_valve, valve_names

    found = []
    for name, parameter in circuit.parameters.items():
        uses = [use for use in circuit.valves.values() if parameter.unit == "valve" and _sits(circuit, name, use)]
        if not uses:
            continue
        kind, own = uses[0].valve.kind, uses[0].valve.name
        for other in valve_names():
            try:
                found_type = get_valve(other)
                # One file may hold several designations of the same valve.
                if found_type.kind != kind or found_type.constants == uses[0].valve.constants:
                    continue
                bed = bed_of(circuit.replace(**{name: other}), rail=rail)
                fault = Fault(name, f"a {other}, not a {own}")
            except SimwrapError:
                continue  # a type that doesn't fit that stage
            drawn = bed.draw(varied, TYPE_BUILDS, SEED + 1)
            values, _ = simulated(bed.table(drawn, [fault] * TYPE_BUILDS), places, run)
            found.append((fault, values))
    return found


def _sits(circuit: Circuit, parameter: str, use: Any) -> bool:
    stage, _, own = parameter.rpartition(".")
    slots = circuit.stages[stage].template.header.valves if stage in circuit.stages else {}
    return use.stage == stage and any(slot.parameter == own for slot in slots.values())


__all__ = ["Cause", "Diagnosis", "Dictionary", "Place", "TestBed", "fault_dictionary", "simulated"]
