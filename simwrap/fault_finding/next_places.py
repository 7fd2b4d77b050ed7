"""What to read next: the places that tell the leading causes apart best, cold resistances first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simwrap.fault_finding.evidence import Evidence, Explained
from simwrap.fault_finding.hypotheses import Hypothesis
from simwrap.faults.bed import RAIL_RESISTOR

#: Places that are proposed, and how many deviations they have to set the two apart.
_MOST, _APART = 3, 2.0
#: Resistances that differ by less than this factor tell nothing in a circuit.
_COLD_APART = 1.3
#: Beyond this an ohmmeter shows nothing [ohm].
_INFINITE = 2e7


@dataclass(frozen=True)
class NextPlace:
    """A place to read, with what the two leading causes would make of it.

    Attributes
    ----------
    name : str
    unit : str
    first, second : float
        [V, A or ohm]
    cold : bool
        Whether it is read with the power off and everything discharged.
    between : tuple of (str, str)
        What the two are called.
    """

    name: str
    unit: str
    first: float
    second: float
    cold: bool
    between: tuple[str, str] = ("the first", "the second")


def next_places(
    evidence: Evidence, one: Explained, other: Explained, known: Sequence[int], wanted: Sequence[str]
) -> tuple[NextPlace, ...]:
    """Return what tells two explanations apart, cold resistances first.

    Parameters
    ----------
    evidence : Evidence
    one, other : Explained
    known : sequence of int
        Places that were read.
    wanted : sequence of str
        Names that a place may have: only what can be read is proposed.
    """
    found = [*_cold(evidence, one, other)][:2]
    spread = 0.5 * (one.covariance + other.covariance).diagonal()
    apart = np.abs(one.means - other.means) / np.sqrt(spread)
    apart[list(known)] = 0.0
    for k in np.argsort(-apart).tolist():
        place = evidence.places[k]
        if len(found) >= _MOST or apart[k] <= _APART:
            break
        if place.name in wanted:
            ends = [float(place.plain(each.means[k])) for each in (one, other)]
            found.append(NextPlace(place.name, place.unit, ends[0], ends[1], False))
    names = (_name(one), _name(other))
    return tuple(replace(place, between=names) for place in found)


def _name(found: Explained) -> str:
    own = found.hypothesis
    return "a healthy build" if own is None else f"{own.part} {own.word(found.at)}"


def _cold(evidence: Evidence, one: Explained, other: Explained) -> list[NextPlace]:
    """Return the parts of the two whose resistance in the circuit, cold, differs most between them."""
    catalogue = evidence.catalogue
    network, bed = catalogue.network, catalogue.bed
    pairs: dict[str, int] = {}
    for each in (one, other):
        own = each.hypothesis
        for act in own.acts if own is not None else ():
            if own is not None and act.what == "siemens":
                pairs.setdefault(_called(own), act.place[0])
    if not pairs:
        return []
    at = np.array(list(pairs.values()))
    ohms = np.empty((2, len(at)))
    slope = bed.elements.get(RAIL_RESISTOR)
    for row, each in enumerate((one, other)):
        faulty = evidence.faulty(each)
        if slope is not None:
            # A rectifier doesn't conduct back: what feeds the rail is open.
            faulty.pair[0, -1] = network.pairs[slope.nodes[0], slope.nodes[1]]
            faulty.siemens[0, -1] = -(1.0 - 1e-9) / float(slope.value)
        ohms[row] = np.maximum(-network.reach(faulty, 0.0).itself(at)[0], 1e-3)
    gap = np.abs(np.log(np.minimum(ohms[0], _INFINITE) / np.minimum(ohms[1], _INFINITE)))
    names = list(pairs)
    return [NextPlace(f"{names[k]}, cold", "ohm", float(ohms[0, k]), float(ohms[1, k]), True)
            for k in np.argsort(-gap).tolist() if gap[k] > np.log(_COLD_APART)]  # fmt: skip


def _called(own: Hypothesis) -> str:
    """Return where an ohmmeter is put to see a fault."""
    return f"{own.part}: {own.words[0]}" if own.kind in ("heater", "electrodes") else own.part


__all__ = ["NextPlace", "next_places"]
