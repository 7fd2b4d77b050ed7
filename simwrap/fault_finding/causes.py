"""What may be the matter, from the evidence: suspects with their sizes and what they endanger, those alike together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import FittedParts
from simwrap.fault_finding.evidence import Evidence, Explained
from simwrap.measures.bias import rating_of
from simwrap.units.quantity import render

Floats = NDArray[np.float64]

#: Two causes are one where a choice between them by the readings is wrong more often than this.
INSEPARABLE = 0.10
#: A suspect is told where it has this share of the likeliest one's odds, and stands with another one from this on.
_TOLD, _BESIDE = 1e-3, 0.03
#: A valve or part that bears so many times its rating is endangered; a healthy build may be this far over it.
_OVER = 1.15
#: What a resistor bears where the design doesn't say [W] (common practice, no source).
_WATTAGE = 1.0

#: The one act that confirms or clears each kind.
ACTS: Mapping[str, str] = {
    "resistor": "switch off, discharge, and measure {part} with one end lifted",
    "capacitor leaks": "switch off, discharge, lift one end of {part} and measure its resistance",
    "capacitor lost": "switch off, discharge, and lay a good capacitor of its value across {part}, then read again",
    "emission": "switch off and put another {part} in",
    "gas": "switch off and put another {part} in; its grid's voltage has to go away",
    "heater": "switch off, take {part} out and measure from heater to cathode",
    "electrodes": "switch off, take {part} out and measure between its pins",
    "lead": "switch off, clean and tighten the socket of {part}, and measure from each pin to its part",
    "supply": "switch off, discharge, and check fuse, rectifier, reservoir and choke of {part}, cold",
    "winding": "switch off, discharge, and measure the windings of {part}",
    "turns": "switch off and exchange the two ends of the loudspeaker winding, or check its taps",
    "load": "switch off and measure the loudspeaker with its leads",
    "control": "set {part} as stated and read again",
    "wire": "switch off, discharge, and measure through {part}",
    "exchanged": "switch off and read the colours of {part} and of the other one",
    "wrong type": "switch off and read what is printed on {part}",
    "oscillation": "switch off, open the feedback and read again",
}


@dataclass(frozen=True)
class Suspect:
    """One thing that may be the matter.

    Attributes
    ----------
    part, kind : str
        Such as "driver.cathode resistor" and "too low".
    sort : str
        Of :data:`simwrap.fault_finding.hypotheses.OFTEN`.
    share : float
        Probability among everything.
    size, low, high, meant : float
        Estimated, with about two deviations either way, and as it should be; NaN where there is none.
    unit : str
        Of these; "" for a share of what is usual.
    distance : float
        How far the readings are from it, in deviations.
    endangers : tuple of str
        What it drives beyond its ratings.
    """

    part: str
    kind: str
    sort: str
    share: float
    size: float = np.nan
    low: float = np.nan
    high: float = np.nan
    meant: float = np.nan
    unit: str = ""
    distance: float = np.nan
    endangers: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Such as "driver.cathode resistor too low"."""
        return f"{self.part} {self.kind}"

    @property
    def healthy(self) -> bool:
        """Whether nothing is the matter."""
        return self.sort == "none"

    @property
    def told(self) -> str:
        """Name and size: "driver.cathode resistor too low: about 28 ohm, 270 ohm was meant"."""
        if not np.isfinite(self.size) or self.kind in ("open", "shorted", "missing", "without emission"):
            return self.name
        about = f"{self.name}: about {_amount(self.size, self.unit)}"
        if not self.unit or not np.isfinite(self.meant):
            return about
        return f"{about}, {_amount(self.meant, self.unit)} was meant"

    @property
    def act(self) -> str:
        """What confirms or clears it."""
        return ACTS.get(self.sort, "").format(part=self.part)


@dataclass(frozen=True)
class Cause:
    """Suspects that the readings can't tell apart, as one.

    Attributes
    ----------
    faults : tuple of Suspect
        The most likely first.
    """

    faults: tuple[Suspect, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """What they are called, the most likely first."""
        return tuple(fault.name for fault in self.faults)

    @property
    def share(self) -> float:
        """Probability of them together."""
        return sum(fault.share for fault in self.faults)

    @property
    def distance(self) -> float:
        """How far the readings are from the most likely one's, in deviations: root of the mean square."""
        return self.faults[0].distance

    @property
    def size(self) -> float:
        """Of the most likely one, estimated, in :attr:`unit`; NaN where it has none."""
        return self.faults[0].size

    @property
    def sizes(self) -> dict[str, float]:
        """Every suspect's estimated size by its name."""
        return {fault.name: fault.size for fault in self.faults}

    @property
    def unit(self) -> str:
        """Of the size."""
        return self.faults[0].unit

    @property
    def healthy(self) -> bool:
        """Whether a healthy build is one of them."""
        return any(fault.healthy for fault in self.faults)


def shares(found: Sequence[Explained]) -> Floats:
    """Return the probability of each explanation among all of them."""
    weight = np.array([each.evidence for each in found])
    made = np.exp(weight - weight.max())
    return np.asarray(made / made.sum())


def causes(found: Sequence[Explained], known: Sequence[int], ratings: Bearable) -> tuple[Cause, ...]:
    """Return the causes, the most likely first; what has no odds to speak of is left out.

    Parameters
    ----------
    found : sequence of Explained
        As :meth:`Evidence.explained` returns them.
    known : sequence of int
        Places that were read.
    ratings : Bearable
    """
    share = shares(found)
    told = np.flatnonzero((share >= _TOLD * share.max()) | (np.arange(len(found)) == 0))
    order = told[np.argsort(-share[told])]
    suspects = {int(k): _suspect(found[k], float(share[k]), len(known), ratings) for k in order}
    groups: list[list[int]] = []
    for k in order.tolist():
        for group in groups:
            beside = share[k] >= _BESIDE * share[group[0]] or suspects[group[0]].healthy or suspects[k].healthy
            if beside and all(_alike(found[k], found[other], known) for other in group):
                group.append(k)
                break
        else:
            groups.append([k])
    made = [Cause(tuple(suspects[k] for k in group)) for group in groups]
    return tuple(sorted(made, key=lambda cause: -cause.share))


def _alike(one: Explained, other: Explained, known: Sequence[int]) -> bool:
    """Whether a choice between two explanations by what is read would often be wrong."""
    from scipy.special import ndtri

    gap = one.means[known] - other.means[known]
    both = 0.5 * (one.covariance + other.covariance)[np.ix_(known, known)]
    return float(gap @ np.linalg.solve(both, gap)) < float(2.0 * ndtri(INSEPARABLE)) ** 2


def _suspect(found: Explained, share: float, count: int, ratings: Bearable) -> Suspect:
    distance = float(np.sqrt(found.square / max(count, 1)))
    own = found.hypothesis
    if own is None:
        return Suspect("every part", "as it should be", "none", share, distance=distance)
    low, high = (float(np.exp(found.at + sign * min(2.0 * found.spread, 20.0))) for sign in (-1.0, 1.0))
    size = found.size
    return Suspect(own.part, own.word(found.at), own.kind, share, size, low if np.isfinite(size) else np.nan,
                   high if np.isfinite(size) else np.nan, own.meant, own.unit, distance,
                   tuple(ratings.over(found)))  # fmt: skip


@dataclass(frozen=True)
class Bearable:
    """What valves and parts of a channel bear.

    Attributes
    ----------
    circuit : Circuit
    evidence : Evidence
        Whose places and network the explanations are of.
    parts : FittedParts
    """

    circuit: Circuit
    evidence: Evidence
    parts: FittedParts

    def over(self, found: Explained) -> list[str]:
        """Return what an explanation drives beyond its rating, in words."""
        own = found.hypothesis
        told = ["it oscillates: full power for valves and loudspeaker"] if own and own.sings else []
        if own and own.kind == "supply" and own.word(found.at) in ("too low", "too soft"):
            told.append("winding and rectifier may carry more than they are made for")
        for k, valve in enumerate(self.evidence.catalogue.network.valves):
            use = self.circuit.valves[valve]
            usual = self.evidence.healthy
            for electrode, number in (("anode", 0), ("screen", 2)):
                most = rating_of(use, f"{electrode}_dissipation_max")
                watts, before = (float(ports[k, number] * currents[k, number]) for ports, currents in (
                    (found.ports, found.currents), (usual.ports[0], usual.currents[0])))  # fmt: skip
                if most and watts > _OVER * max(float(most), before):
                    told.append(f"{valve}: {render(watts, 'W', digits=2)} at its {electrode}, rated "
                                f"{render(float(most), 'W')}")  # fmt: skip
            most = rating_of(use, "cathode_current_max")
            amps = float(found.currents[k].sum())
            if most and amps > _OVER * max(float(most), float(usual.currents[0, k].sum())):
                told.append(f"{valve}: {render(amps, 'A', digits=2)} in its cathode, rated {render(float(most), 'A')}")
        return [*told, *self._parts(found)]

    def _parts(self, found: Explained) -> Iterator[str]:
        """Yield what resistors and capacitors bear beyond what is fitted."""
        network, bed = self.evidence.catalogue.network, self.evidence.catalogue.bed
        faulty = self.evidence.faulty(found)
        usual = self.evidence.usual
        for kind, parts in (("r", bed.resistors), ("c", bed.capacitors)):
            own = self.parts.resistors if kind == "r" else self.parts.capacitors
            rest = (self.parts.wattage or _WATTAGE) if kind == "r" else (self.parts.voltage or np.inf)
            ends = [bed.elements[name].nodes for name in parts.values()]
            at = np.array([network.pairs[one, other] for one, other in ends])
            if not len(at):
                continue
            for (path, name), pair, now, before in zip(parts.items(), at, self.evidence.voltages(found, at),
                                                       self.evidence.voltages(usual, at), strict=True):  # fmt: skip
                most = float(own.get(path, rest))
                if kind == "c":
                    load, healthy, unit = abs(now), abs(before), "V"
                else:
                    siemens = 1.0 / bed.nominal[name]
                    changed = siemens + faulty.siemens[0][faulty.pair[0] == pair].sum()
                    load, healthy, unit = now**2 * changed, before**2 * siemens, "W"
                if load > _OVER * max(most, healthy):
                    word = "resistor" if kind == "r" else "capacitor"
                    yield f"{path} {word}: {render(float(load), unit, digits=2)}, {render(most, unit)} is fitted"


def _amount(value: float, unit: str) -> str:
    return f"{100.0 * value:.0f} %" if not unit else render(value, unit, digits=3)


__all__ = ["ACTS", "INSEPARABLE", "Bearable", "Cause", "Suspect", "causes", "shares"]
