"""What can be the matter with a build: every place of a fault, its sizes, and how often such a thing happens.

Made from what the elements of a circuit are, not from a list of faults. How often is common practice, no source: of a
first build and of a repair alike; :data:`OFTEN` is the table, and a user may give another one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import RangeError, SimwrapError
from simwrap.faults.bed import RAIL_RESISTOR, TestBed
from simwrap.faults.joints import Jointed
from simwrap.faults.network import FaultNetwork, Faulty, Pair
from simwrap.netlist.element import Element, Role

Floats = NDArray[np.float64]

#: How often a kind of fault is met at one part, relative to the others; and a build without any ("none") to all faults
#: of all parts together.
OFTEN: Mapping[str, float] = {
    "none": 0.5,
    "resistor": 2.0,  # another value than meant, a drift, a broken one
    "capacitor leaks": 1.5,
    "capacitor lost": 1.0,
    "emission": 2.5,  # of a valve, low or high
    "gas": 1.0,
    "heater": 1.5,  # leaks to the cathode
    "electrodes": 0.3,  # two that touch
    "lead": 0.4,  # no contact at a pin
    "supply": 2.0,
    "winding": 0.7,
    "turns": 0.7,  # reversed, or another tap
    "load": 0.7,
    "control": 0.7,
    "wire": 0.5,
    "exchanged": 0.04,  # any two parts
    "wrong type": 0.3,
    "oscillation": 0.5,
}
#: Resistances that stand for none and for no contact [ohm].
SHORT, OPEN = 0.1, 1e11
#: A capacitance that is none, as a share.
_GONE = 1e-9
#: Share of a part's faults in which it is wholly open or shorted, or has one of the values that are near at hand.
_WHOLE, _NEAR_AT_HAND = 0.3, 0.4
#: How far a part that was mistaken for another is from the other's value, in its logarithm.
_SPIKE = 0.04
#: Two values are the same within this share.
_ALIKE = 0.15
#: What a test bed adds for faults of its own.
_OF_THE_BED = ("r_fault_", "b_gas_", "r_meter_")
_TOUCH = {pair: f"{pair[0]} touches {pair[1]}" for pair in (
    ("grid", "cathode"), ("screen", "grid"), ("anode", "cathode"), ("anode", "grid"), ("anode", "screen"),
    ("screen", "cathode"))}  # fmt: skip


@dataclass(frozen=True)
class Act:
    """One value that a fault changes.

    Attributes
    ----------
    what : str
        "siemens", "farads" (beside what is there), "emission", "gas", "lead" or "volts".
    place : tuple of int
        The pair, the valve, the valve and its electrode, or the source, as the network counts them.
    values : tuple of float
        For each size, positive: a resistance for siemens, a capacitance for farads, shares of ``base`` for volts.
    base : float
        What is there without the fault [S, F, V].
    within : int
        As :class:`~simwrap.faults.network.Faulty` has it.
    """

    what: str
    place: tuple[int, ...]
    values: tuple[float, ...]
    base: float = 0.0
    within: int = 0

    def amount(self, value: float) -> float:
        """Return what a circuit has more of, or has, with a value."""
        if self.what == "siemens":
            return 1.0 / value - self.base
        return (self.base * value if self.what == "volts" else value) - self.base


@dataclass(frozen=True)
class Hypothesis:
    """One place of a fault, with its sizes from nearly healthy outward.

    Attributes
    ----------
    part : str
        Such as "driver.anode resistor".
    kind : str
        Of :data:`OFTEN`.
    unit : str
        Of the size: "ohm", "F", "V", "A"; "" for a share.
    meant : float
        What it should be; NaN where there is nothing.
    sizes : tuple of float
    words : tuple of str
        What the fault is called at each size: "open".
    acts : tuple of Act
    often : float
        Relative to the others.
    likely : tuple of float
        Sizes near at hand: the values of other parts, slips of a decade.
    network : int
        Which of the networks it is in.
    sings : bool
        Whether the amplifier oscillates with it.
    """

    part: str
    kind: str
    unit: str
    meant: float
    sizes: tuple[float, ...]
    words: tuple[str, ...]
    acts: tuple[Act, ...] = ()
    often: float = 1.0
    likely: tuple[float, ...] = ()
    network: int = 0
    sings: bool = False

    @property
    def axis(self) -> Floats:
        """The sizes as something along which a fault changes evenly."""
        return np.asarray(np.log(self.sizes))

    def density(self, at: Any) -> Floats:
        """Return how likely sizes are beforehand, per unit of the axis, given as places on it."""
        at = np.asarray(at, dtype=float)
        low, high = sorted((self.axis[0], self.axis[-1]))
        width = max(high - low, 1e-9)
        even = np.full(at.shape, 1.0 / width)
        if not self.likely:
            return even
        spikes = sum(np.exp(-0.5 * ((at - np.log(value)) / _SPIKE) ** 2) for value in self.likely)
        each = _NEAR_AT_HAND / (len(self.likely) * _SPIKE * math.sqrt(2.0 * math.pi))
        return np.asarray((1.0 - _NEAR_AT_HAND) * even + each * spikes)

    def put(self, faulty: Faulty, row: int, at: float) -> None:
        """Make one circuit faulty, with the size at a place of the axis."""
        axis = self.axis
        order = np.argsort(axis)
        slot = 0
        for act in self.acts:
            value = act.amount(float(np.exp(np.interp(at, axis[order], np.log(act.values)[order]))))
            if act.what in ("siemens", "farads"):
                faulty.pair[row, slot] = act.place[0]
                getattr(faulty, act.what)[row, slot] = value
                faulty.within[row, slot] = act.within
                slot += 1
            elif act.what == "lead":
                faulty.in_series[row, act.place[0], act.place[1]] = value
            else:
                getattr(faulty, act.what)[row, act.place[0]] = value

    def word(self, at: float) -> str:
        """Return what the fault is called with a size at a place of the axis."""
        return self.words[int(np.argmin(np.abs(self.axis - at)))]


@dataclass
class Catalogue:
    """All hypotheses of a circuit, and the networks that they are in (the first one is the circuit's own)."""

    network: FaultNetwork
    joined: Jointed
    often: Mapping[str, float]
    found: list[Hypothesis] = field(default_factory=list)
    networks: list[FaultNetwork] = field(default_factory=list)

    @classmethod
    def of(
        cls,
        network: FaultNetwork,
        joined: Jointed,
        *,
        shelf: Iterable[str] | None = None,
        often: Mapping[str, float] | None = None,
    ) -> Catalogue:
        """Find what can be the matter with a circuit.

        Parameters
        ----------
        network : FaultNetwork
        joined : Jointed
        shelf : iterable of str, optional
            Types of valves that a builder has beside the design's own; otherwise the library's.
        often : mapping of str to float, optional
            In place of entries of :data:`OFTEN`.
        """
        made = cls(network, joined, often_of(often), networks=[network])
        for part in (made._resistors(), made._capacitors(), made._valves(), made._supplies(), made._transformers(),
                     made._controls(), made._exchanged(), made._types(shelf)):  # fmt: skip
            made.found += part
        return made

    @property
    def bed(self) -> TestBed:
        """The circuit's parts."""
        return self.joined.bed

    def _pair(self, element: Element) -> int:
        return self.network.pairs[element.nodes[0], element.nodes[1]]

    def _ohms(self, element: Element, values: Sequence[float]) -> Act:
        return Act("siemens", (self._pair(element),), tuple(values), 1.0 / self.bed.nominal[element.name])

    def _resistors(self) -> Iterator[Hypothesis]:
        """Yield every resistor with too small and too large a value, wires that aren't there, and loads."""
        bought = {element: path for path, element in self.bed.resistors.items()}
        values = sorted({self.bed.nominal[name] for name in bought})
        for element in _fitted(self.bed):
            ohms = self.bed.nominal.get(element.name, 0.0)
            if element.kind != "r" or not element.stage or element.role in (Role.STRAY, Role.SOURCE):
                continue
            if element.name in bought:
                part, kind, often = f"{bought[element.name]} resistor", "resistor", 0.5
            elif element.role is Role.LOAD:
                part, kind, often = f"{_stage(element)}load", "load", 0.5
            elif element.role is Role.MODEL and ohms > 0.02:
                part, kind, often = f"{_stage(element)}transformer", "winding", 0.5
            elif ohms <= 0.02:
                part = f"{element.path or element.name}"
                yield self._wire(part, element)
                continue
            else:
                continue
            yield from self._either(part, kind, often, element, ohms, values)

        for words, name in self.joined.wires.items():
            stage, _, own = words.partition(": ")
            made = self._wire(stage, self.bed.elements[name])
            yield replace(made, kind="winding", words=(f"has its {own} open",)) if own else made

    def _wire(self, part: str, element: Element) -> Hypothesis:
        return Hypothesis(part, "wire", "ohm", np.nan, (OPEN,), ("isn't connected",), (self._ohms(element, (OPEN,)),),
                          self.often["wire"])  # fmt: skip

    def _either(
        self, part: str, kind: str, often: float, element: Element, ohms: float, values: Sequence[float]
    ) -> Iterator[Hypothesis]:
        likely = _slips(ohms, values) if kind == "resistor" else (0.5 * ohms, 2.0 * ohms) if kind == "load" else ()
        for low in (True, False):
            if kind == "winding" and low and not element.name.endswith("core"):
                continue
            if low:
                sizes = _steps(ohms / 1.18, min(SHORT, 0.01 * ohms), 2.2)
                words = tuple("shorted" if s < max(0.003 * ohms, 2 * SHORT) else "too low" for s in sizes)
                if element.name.endswith("core"):
                    words = ("has shorted turns",) * len(sizes)
            else:
                sizes = (*_steps(1.18 * ohms, max(300.0 * ohms, 3e6), 2.2), max(OPEN, 1e4 * ohms))
                broken = max(100.0 * ohms, 2e6)
                words = tuple("open" if s > broken else "too high" for s in sizes)
                own = element.path.rpartition(".")[2]
                if kind == "winding":
                    words = tuple(f"has its {own} open" if s > broken else f"has a high resistance in its {own}"
                                  for s in sizes)  # fmt: skip
            near = tuple(v for v in likely if min(sizes) <= v <= max(sizes))
            yield Hypothesis(part, kind, "ohm", ohms, sizes, words, (self._ohms(element, sizes),),
                             often * self.often[kind], near)  # fmt: skip

    def _capacitors(self) -> Iterator[Hypothesis]:
        for path, name in self.bed.capacitors.items():
            element, part = self.bed.elements[name], f"{path} capacitor"
            farads, pair = self.bed.nominal[name], (self._pair(element),)
            sizes = _steps(1e8, SHORT, 3.0)
            words = tuple("shorted" if s < 30.0 else "leaky" for s in sizes)
            yield Hypothesis(part, "capacitor leaks", "ohm", np.nan, sizes, words,
                             (Act("siemens", pair, sizes),),
                             self.often["capacitor leaks"])  # fmt: skip
            shares: tuple[float, ...] = (0.6, 0.4, 0.2, 0.1, 0.03, 0.01, 1e-3, 1e-4, 1e-6, _GONE)
            words = tuple("open" if s < 0.02 else "has lost capacitance" for s in shares)
            yield Hypothesis(part, "capacitor lost", "F", farads, tuple(s * farads for s in shares), words,
                             (Act("farads", pair, tuple(s * farads for s in shares), farads),),
                             self.often["capacitor lost"])  # fmt: skip

            shares = (2.0, 4.0, 10.0, 30.0, 100.0)
            yield Hypothesis(part, "capacitor lost", "F", farads, tuple(s * farads for s in shares), ("too large",) * 5,
                             (Act("farads", pair, tuple(s * farads for s in shares), farads),),
                             0.3 * self.often["capacitor lost"])  # fmt: skip

    def _valves(self) -> Iterator[Hypothesis]:
        for k, valve in enumerate(self.network.valves):
            low: tuple[float, ...] = (0.78, 0.65, 0.5, 0.35, 0.2, 0.1, 0.03, 1e-3, 1e-4)
            words = tuple("without emission" if s < 0.02 else "weak" for s in low)
            yield Hypothesis(valve, "emission", "", 1.0, low, words, (Act("emission", (k,), low),),
                             0.8 * self.often["emission"])  # fmt: skip
            high: tuple[float, ...] = (1.22, 1.3, 1.4, 1.6)
            yield Hypothesis(valve, "emission", "", 1.0, high, ("stronger than its type",) * 4,
                             (Act("emission", (k,), high),), 0.2 * self.often["emission"])  # fmt: skip
            gas = (1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2, 3e-2)
            yield Hypothesis(valve, "gas", "", np.nan, gas, ("gassy",) * len(gas), (Act("gas", (k,), gas),),
                             self.often["gas"])  # fmt: skip
            yield from self._inside(k, valve, self.joined.pins[valve])

    def _inside(self, k: int, valve: str, nodes: Mapping[str, str]) -> Iterator[Hypothesis]:
        """Yield leaks and touches within a valve, and pins without contact."""
        if nodes["cathode"] != "0":
            sizes = _steps(1e7, 1.0, 3.0)
            leak = Act("siemens", (self.network.pairs[nodes["cathode"], "0"],), sizes, within=-1 - k)
            yield Hypothesis(valve, "heater", "ohm", np.nan, sizes, ("leaks from heater to cathode",) * len(sizes),
                             (leak,), self.often["heater"])  # fmt: skip
        for (one, other), touch in _TOUCH.items():
            pair: Pair = (nodes.get(one, ""), nodes.get(other, ""))
            if "" in pair or pair[0] == pair[1]:
                continue
            sizes = _steps(3e7, 1.0, 4.0)
            path = Act("siemens", (self.network.pairs[pair],), sizes,
                       within=1 + k if other == "cathode" else 0)  # fmt: skip
            yield Hypothesis(valve, "electrodes", "ohm", np.nan, sizes, (touch,) * len(sizes), (path,),
                             self.often["electrodes"])  # fmt: skip
        for number, electrode in enumerate(("anode", "grid", "screen", "cathode")):
            if electrode in nodes and not (electrode == "screen" and nodes["screen"] == nodes["anode"]):
                # How far a grid in the air charges depends on what still leaks there.
                sizes = (1e9, 1e10, 1e11, 1e12) if electrode == "grid" else (OPEN,)
                words = (f"has no contact at its {electrode}",) * len(sizes)
                yield Hypothesis(valve, "lead", "ohm", np.nan, sizes, words, (Act("lead", (k, number), sizes),),
                                 self.often["lead"])  # fmt: skip

    def _supplies(self) -> Iterator[Hypothesis]:
        for k, (name, source) in enumerate(self.bed.supplies.items()):
            volts = self.bed.nominal[source]
            lower, higher = (0.88, 0.8, 0.7, 0.5, 0.3, 0.1, 1e-3), (1.12, 1.2, 1.35, 1.5)
            for shares, word in ((lower, "too low"), (higher, "too high")):
                words = tuple("missing" if s < 0.02 else word for s in shares)
                sizes = tuple(s * abs(volts) for s in shares)
                yield Hypothesis(f"{name} supply", "supply", "V", abs(volts), sizes, words,
                                 (Act("volts", (k,), shares, volts),),
                                 0.5 * self.often["supply"])  # fmt: skip
        slope = self.bed.elements.get(RAIL_RESISTOR)
        if slope is not None:
            sizes = _steps(1.6 * slope.value, 60.0 * slope.value, 1.6)
            yield Hypothesis("main supply", "supply", "ohm", float(slope.value), sizes, ("too soft",) * len(sizes),
                             (self._ohms(slope, sizes),), 0.5 * self.often["supply"])  # fmt: skip

    def _other(self, values: Mapping[str, float]) -> int:
        self.networks.append(self.network.with_values(values))
        return len(self.networks) - 1

    def _transformers(self) -> Iterator[Hypothesis]:
        """Yield windings that are reversed, and taps that were mistaken for one another."""
        for element in _fitted(self.bed):
            if element.kind == "v" and element.role is Role.MODEL and element.name.endswith("turns"):
                part = f"{_stage(element)}transformer"
                ratio = self.bed.nominal[element.name]
                made = self._other({element.name: -ratio})
                sings = bool(self.bed.circuit.loops) and self.networks[made].grows
                words = "has its secondary reversed" + (": the feedback is positive, it oscillates" if sings else "")
                sizes: tuple[float, ...] = (1.0, 2.0) if sings else (1.0,)  # how far a song moves the direct voltages
                yield Hypothesis(part, "turns", "", np.nan, sizes, (words,) * len(sizes), often=self.often["turns"],
                                 network=made, sings=sings)  # fmt: skip
                for loop in self.bed.circuit.loops if sings else ():
                    yield Hypothesis(f"{loop}.feedback", "oscillation", "", np.nan, sizes, ("oscillates",) * 2,
                                     often=self.often["oscillation"], network=made, sings=True)  # fmt: skip
                for times in (0.5, math.sqrt(0.5), math.sqrt(2.0), 2.0):
                    made = self._other({element.name: times * ratio})
                    word = f"is on a tap of another impedance: {times**2:g} times that of the right one"
                    yield Hypothesis(part, "turns", "", np.nan, (1.0,), (word,), often=0.25 * self.often["turns"],
                                     network=made)  # fmt: skip
            if element.kind == "r" and _is_winding(element):
                sizes = _steps(1e7, 1.0, 3.0)
                yield Hypothesis(f"{_stage(element)}transformer", "winding", "ohm", np.nan, sizes,
                                 ("leaks from its primary to the core",) * len(sizes),
                                 (Act("siemens", (self.network.pairs[element.nodes[1], "0"],),
                                      sizes),), 0.3 * self.often["winding"])  # fmt: skip
            if element.kind == "e" and element.name.endswith("half_b"):
                beside = element.name.replace("e_", "f_", 1)
                names = [n for n in (element.name, beside) if n in self.bed.elements]
                made = self._other({n: -self.bed.nominal.get(n, float(self.bed.elements[n].value)) for n in names})
                yield Hypothesis(f"{_stage(element)}transformer", "turns", "", np.nan, (1.0,),
                                 ("has one half of its primary reversed",), often=0.5 * self.often["turns"],
                                 network=made)  # fmt: skip

    def _controls(self) -> Iterator[Hypothesis]:
        """Yield potentiometers that stand elsewhere than stated."""
        legs: dict[str, list[Element]] = {}
        for element in _fitted(self.bed):
            if element.track and element.kind == "r":
                legs.setdefault(element.parameter, []).append(element)
        for parameter, pair in legs.items():
            if len(pair) != 2:
                continue
            upper, lower = pair
            whole = sum(self.bed.nominal[e.name] for e in pair)
            stands = self.bed.nominal[lower.name] / whole
            for lower_down in (True, False):
                shares = (0.7, 0.4, 0.2, 0.1, 0.03, 0.01, 1e-3)
                parts = [stands * s if lower_down else 1.0 - (1.0 - stands) * s for s in shares]
                acts = (self._ohms(upper, [(1.0 - s) * whole for s in parts]),
                        self._ohms(lower, [s * whole for s in parts]))  # fmt: skip
                word = "stands lower than stated" if lower_down else "stands higher than stated"
                yield Hypothesis(parameter, "control", "", stands, tuple(parts), (word,) * len(parts), acts,
                                 0.5 * self.often["control"])  # fmt: skip

            apart = (self._ohms(upper, (OPEN,)), self._ohms(lower, (OPEN,)))
            yield Hypothesis(parameter, "control", "", np.nan, (1.0,), ("has a wiper without contact",), apart,
                             0.3 * self.often["control"])  # fmt: skip

    def _exchanged(self) -> Iterator[Hypothesis]:
        for kind, words, parts in (("r", "resistor", self.bed.resistors), ("c", "capacitor", self.bed.capacitors)):
            for (one, first), (other, second) in itertools.combinations(parts.items(), 2):
                a, b = self.bed.nominal[first], self.bed.nominal[second]
                e, f = self.bed.elements[first], self.bed.elements[second]
                if abs(math.log(a / b)) < _ALIKE or e.track or f.track:
                    continue
                near = 2.0 if e.stage == f.stage else 0.5
                if kind == "r":
                    acts = (self._ohms(e, [b]), self._ohms(f, [a]))
                elif not 0.05 < a / b < 20.0:
                    continue  # of another size of body
                else:
                    acts = (Act("farads", (self._pair(e),), (b,), a), Act("farads", (self._pair(f),), (a,), b))
                told = (f"exchanged with {other} {words}",)
                yield Hypothesis(f"{one} {words}", "exchanged", "", np.nan, (1.0,), told, acts,
                                 near * self.often["exchanged"])  # fmt: skip

    def _types(self, shelf: Iterable[str] | None) -> Iterator[Hypothesis]:
        """Yield valves of a type that has the same base and heater, of the design's own or the builder's shelf."""
        from simwrap.valves import get_valve, valve_names

        own = {use.valve.name: use.valve for use in self.bed.circuit.valves.values()}
        for name in valve_names() if shelf is None else shelf:
            try:
                own.setdefault(name, get_valve(name))
            except SimwrapError as fault:
                raise RangeError("shelf", name, str(fault)) from None
        fitted = {name: self.bed.circuit.valves[name].valve for name in self.network.valves}
        for valve, meant in fitted.items():
            laws = {repr(meant.constants)}
            for other in own.values():
                if repr(other.constants) not in laws and _goes_in(other, meant):
                    laws.add(repr(other.constants))
                    yield self._types_in({valve: other}, f"is a {other.name}, not a {meant.name}")
        for one, beside in itertools.combinations(fitted, 2):
            a, b = fitted[one], fitted[beside]
            if a.constants != b.constants and _goes_in(a, b) and _goes_in(b, a):
                yield self._types_in({one: b, beside: a}, f"is exchanged with {beside}")

    def _types_in(self, valves: Mapping[str, Any], words: str) -> Hypothesis:
        made = self.network
        for name, valve in valves.items():
            made = made.with_constants(name, valve.constants)
        self.networks.append(made)
        return Hypothesis(next(iter(valves)), "wrong type", "", np.nan, (1.0,), (words,),
                          often=self.often["wrong type"], network=len(self.networks) - 1)  # fmt: skip


def often_of(given: Mapping[str, float] | None) -> dict[str, float]:
    """Return how often each kind happens, with a user's own entries.

    Raises
    ------
    RangeError
        For an unknown kind, or a number that isn't positive.
    """
    for name, value in (given or {}).items():
        if name not in OFTEN or not value > 0.0:
            raise RangeError("often", {name: value}, f"positive numbers for {', '.join(OFTEN)}")
    return {**OFTEN, **(given or {})}


def pairs_of(joined: Jointed) -> list[Pair]:
    """Return the pairs of nodes between which a fault may be."""
    found: list[Pair] = [(e.nodes[0], e.nodes[1]) for e in _fitted(joined.bed) if e.kind in "rc"]
    found += [(e.nodes[1], "0") for e in _fitted(joined.bed) if e.kind == "r" and _is_winding(e)]
    for nodes in joined.pins.values():
        found.append((nodes["cathode"], "0"))
        found += [(nodes[a], nodes[b]) for a, b in _TOUCH if a in nodes and b in nodes]
    return [pair for pair in dict.fromkeys(found) if pair[0] != pair[1]]


def _is_winding(element: Element) -> bool:
    return element.role is Role.MODEL and "winding" in element.name


def _fitted(bed: TestBed) -> Iterator[Element]:
    """Yield the elements that are a circuit's own, not within a valve nor a fault of the bed's."""
    for element in bed.elements.values():
        if not element.valve and (element.name == RAIL_RESISTOR or not element.name.startswith(_OF_THE_BED)):
            yield element


def _stage(element: Element) -> str:
    return f"{element.stage}." if element.stage else ""


def _steps(start: float, stop: float, ratio: float) -> tuple[float, ...]:
    """Return sizes from one to another, each by nearly this ratio from the one before."""
    count = max(2, 1 + math.ceil(abs(math.log(stop / start)) / math.log(ratio)))
    return tuple(float(v) for v in np.geomspace(start, stop, count))


def _slips(ohms: float, values: Sequence[float]) -> tuple[float, ...]:
    """Return values that a resistor may be mistaken for: another one's, a decade off, with exchanged digits."""
    found = {10.0 * ohms, 0.1 * ohms, *values}
    decade = 10.0 ** (math.floor(math.log10(ohms)) - 1)
    tens, ones = divmod(round(ohms / decade), 10)
    if ones and ones != tens:
        found.add((10 * ones + tens) * decade)
    return tuple(sorted(v for v in found if abs(math.log(v / ohms)) > _ALIKE))


def _goes_in(other: Any, fitted: Any) -> bool:
    """Whether a valve goes into another one's socket and lights up there."""
    if other.kind != fitted.kind or other.base is None or fitted.base is None:
        return False
    heated = other.heater is None or fitted.heater is None or other.heater.voltage == fitted.heater.voltage
    return bool(other.base.name == fitted.base.name and other.base.pins == fitted.base.pins and heated)


def points_of(hypotheses: Sequence[Hypothesis], network: FaultNetwork, rows: Sequence[tuple[int, float]]) -> Faulty:
    """Return the faulty circuits of some hypotheses, each with a size at a place of its axis."""
    made = Faulty.none(len(rows), len(network.valves), len(network.sources))
    for row, (number, at) in enumerate(rows):
        hypotheses[number].put(made, row, at)
    return made


__all__ = ["OFTEN", "Act", "Catalogue", "Hypothesis", "often_of", "pairs_of", "points_of"]
