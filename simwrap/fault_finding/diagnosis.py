"""Which fault explains readings: a circuit on its supply with every fault that it may have, ready to be asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from simwrap.circuits.design_file import FittedParts
from simwrap.engine import DEFAULT, Run
from simwrap.fault_finding.causes import Bearable, causes
from simwrap.fault_finding.evidence import Evidence
from simwrap.fault_finding.hypotheses import Catalogue, pairs_of
from simwrap.fault_finding.next_places import next_places
from simwrap.fault_finding.page import Diagnosis
from simwrap.fault_finding.places import Place, Scatter
from simwrap.faults.bed import Rail, Varied, bed_of
from simwrap.faults.joints import jointed
from simwrap.faults.network import FaultNetwork
from simwrap.faults.rails import Supplied

#: Share of healthy builds that are taken for faulty ones, and of faulty ones for unexplained.
_REJECTED, _UNEXPLAINED = 0.01, 1e-4
#: How loud an oscillation is where the design doesn't say what is rated [V r.m.s.].
_LOUDEST = 8.0


@dataclass
class Suspicions:
    """Every fault of a circuit on its supply, solved where readings are taken.

    Parameters
    ----------
    source : Supplied
    places : sequence of Place
        Where something may be read.
    varied : Varied, optional
        What differs from build to build.
    shelf : iterable of str, optional
        Types of valves that a builder has beside the design's own; otherwise the library's.
    often : mapping of str to float, optional
        In place of entries of :data:`simwrap.fault_finding.hypotheses.OFTEN`.
    parts : FittedParts, optional
        What resistors and capacitors bear.
    loudest : float
        Rated at the main output [V r.m.s.]: how loud it is when it oscillates; NaN where that isn't known.
    tell : callable, optional
        Told what is being done.
    run : Run

    Raises
    ------
    EngineError
        If the healthy circuit has no operating point.
    """

    source: Supplied
    places: Sequence[Place]
    varied: Varied = field(default_factory=Varied)
    shelf: Iterable[str] | None = None
    often: Mapping[str, float] | None = None
    parts: FittedParts = field(default_factory=FittedParts)
    loudest: float = np.nan
    tell: Callable[[str], None] = lambda words: None
    run: Run = DEFAULT

    def __post_init__(self) -> None:
        source = self.source
        rail: Rail | None = source.rail(source.circuit, source.ports, run=self.run)
        joined = jointed(bed_of(source.circuit, rail=rail))
        read = [place.pair for place in self.places if place.nodes]
        network = FaultNetwork.of(joined, [*pairs_of(joined), *read], run=self.run)
        self.catalogue = Catalogue.of(network, joined, shelf=self.shelf, often=self.often)
        self.scatter = Scatter.of(network, joined.bed, self.varied)
        loudest = self.loudest if np.isfinite(self.loudest) else _LOUDEST
        output = source.circuit.ports.get("output", "")
        self.evidence = Evidence(self.catalogue, self.places, self.scatter, (output, loudest))

    def at(self, places: Sequence[Place]) -> None:
        """Look at other places of the same nodes."""
        if list(places) != list(self.places):
            self.places = places
            self.evidence = self.evidence.at(places)

    def diagnose(self, readings: Mapping[str, float], *, wanted: Sequence[str] = (), most: int = 12) -> Diagnosis:
        """Rank the causes of readings.

        Parameters
        ----------
        readings : mapping of str to float
            By name of the place, as the meter shows them.
        wanted : sequence of str
            Places that may be proposed to be read next.
        most : int
            So many causes are returned.
        """
        from scipy.stats import chi2

        known = [k for k, place in enumerate(self.places) if place.name in readings]
        found = self.evidence.explained({k: readings[self.places[k].name] for k in known})
        every = causes(found, known, Bearable(self.source.circuit, self.evidence, self.parts))
        healthy = bool(found[0].square <= chi2.isf(_REJECTED, len(known)))
        explained = bool(min(each.square for each in found) <= chi2.isf(_UNEXPLAINED, len(known)))
        first, second = sorted(found, key=lambda each: -each.evidence)[:2]
        apart = next_places(self.evidence, first, second, known, wanted)
        return Diagnosis(healthy, explained, every[:most], apart)


__all__ = ["Suspicions"]
