"""States of a builder's day: an amplifier cold, warming up, at rest, on low and high mains, and with a valve pulled.

What differs between them is the voltage of its supplies and how much its cathodes emit, so that all states without a
signal are points of one run (:func:`without_signal`). What the heaters do on other mains isn't counted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.amplifier.supply_match import Match, fed, highest, supply_parameters
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import render
from simwrap.engine import Run
from simwrap.findings.finding import Finding
from simwrap.measures.common import MAINS_UPPER
from simwrap.measures.numerics.parts import bought, cold_nodes, netlist_parts
from simwrap.report.bars import bars
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Keyed, Shown, labelled
from simwrap.simulation.conduct import evaluate
from simwrap.units.quantity import render as shown

if TYPE_CHECKING:
    import xarray

Floats = NDArray[np.float64]
#: The states, in words that stand behind a value.
COLD = "with the valves cold, mains 10 % high and nothing drawn"
HIGH = "at rest, mains 10 % high"
LOW = "at rest, mains 10 % low"
HALF = "with half the rail, heaters and bias in full"
WARMING = "warming up, every cathode with half of its emission"
#: Low mains (IEC 60038: 10 %, from memory).
MAINS_LOWER = 0.9
#: Part of the rail at the first power, and of the emission while the valves warm up.
FIRST, WARM = 0.5, 0.5
#: Emission of a valve that is out of its socket, as a part.
_PULLED = 1e-4


def pulled(valve: str) -> str:
    """Return the words of the state in which a valve is out of its socket."""
    return f"with {valve} pulled, mains 10 % high"


@dataclass(frozen=True, repr=False)
class State(Shown):
    """An amplifier in one state; what wasn't looked at isn't there.

    Attributes
    ----------
    name, words : str
        Such as "mains 0.9", and what that means.
    nodes : dict of str to float
        Voltage to ground by the node's path [V]; with a signal its mean.
    currents : dict of str to float
        Cathode current by valve [A].
    dissipations : dict of str to float
        Of anodes and screens, such as "power.v1.anode", and of resistors by their path, such as "power.cathode" [W].
    capacitors : dict of str to float
        Voltage across each, by its path [V].
    findings : tuple of Finding
    """

    name: str
    words: str
    nodes: dict[str, float] = field(default_factory=dict)
    currents: dict[str, float] = field(default_factory=dict)
    dissipations: dict[str, float] = field(default_factory=dict)
    capacitors: dict[str, float] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    @classmethod
    def of_bias(cls, name: str, words: str, figures: Mapping[str, float], findings: tuple[Finding, ...] = ()) -> State:
        """Return the state that the figures of a bias tell, by their names without the measure's."""
        groups: dict[str, dict[str, float]] = {"nodes": {}, "currents": {}, "dissipations": {}, "capacitors": {}}
        for path, value in figures.items():
            kind, _, rest = path.partition(".")
            own, _, figure = rest.rpartition(".")
            if kind == "nodes":
                groups["nodes"][rest] = value
            elif kind == "capacitors" and figure == "voltage":
                groups["capacitors"][own] = value
            elif kind == "resistors" and figure == "dissipation":
                groups["dissipations"][own] = value
            elif kind == "valves" and figure == "cathode_current":
                groups["currents"][own] = value
            elif kind == "valves" and figure in ("anode_dissipation", "screen_dissipation"):
                groups["dissipations"][f"{own}.{figure.partition('_')[0]}"] = value
        return cls(name, words, **groups, findings=findings)

    @property
    def figures(self) -> dict[str, float]:
        """Voltages of nodes and currents of valves, by the names that a bias gives them."""
        own = {f"bias.nodes.{path}": volts for path, volts in self.nodes.items()}
        return own | {f"bias.valves.{valve}.cathode_current": amps for valve, amps in self.currents.items()}

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold; null is what wasn't found."""
        groups = {name: plain(getattr(self, name)) for name in ("nodes", "currents", "dissipations", "capacitors")}
        told = [finding.to_dict() for finding in self.findings]
        return {"name": self.name, "state": self.words, **groups, "findings": told}

    def plot(self, *, ax: Any = None) -> Any:
        """Draw the voltage of each node to ground."""
        return bars(list(self.nodes), list(self.nodes.values()), "to ground [V]", f"{self.name}: {self.words}", ax=ax)

    def to_dataset(self) -> xarray.Dataset:
        """Return it with the dims "node", "valve", "place" (of a dissipation) and "capacitor"."""
        import xarray

        told = (("node", "nodes", "V"), ("valve", "currents", "A"), ("place", "dissipations", "W"),
                ("capacitor", "capacitors", "V"))  # fmt: skip
        tables = [labelled(dim, list(values := getattr(self, name)), {name: (list(values.values()), unit, name)})
                  for dim, name, unit in told]  # fmt: skip
        return xarray.merge(tables).assign_attrs(state=self.name, words=self.words)

    def report(self) -> Iterator[Listing]:
        """Yield what is told: findings, then a table of each kind of figure."""
        yield Listing(f"{self.name}: {self.words}", (), [])
        yield from (Listing(f"{finding.mark}: {finding.text}", (), []) for finding in self.findings)
        told = (("node", self.nodes, "V"), ("cathode current", self.currents, "A"),
                ("dissipation", self.dissipations, "W"), ("across", self.capacitors, "V"))  # fmt: skip
        for head, values, unit in told:
            rows = [(path, shown(value, unit, digits=3)) for path, value in values.items()]
            if rows:
                yield Listing("", (head, ""), rows)


class States(Keyed):
    """The states of an amplifier by name, each found when it is first asked for.

    Parameters
    ----------
    makers : mapping of str to callable
        What makes the state of each name.
    """

    def __init__(self, makers: Mapping[str, Callable[[str], State]]) -> None:
        self._makers, self._made = dict(makers), dict[str, State]()

    def __getitem__(self, name: str) -> State:
        if name not in self._made:
            self._made[name] = self._makers[name](name)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)

    def __repr__(self) -> str:
        return f"states: {', '.join(self)}"


@dataclass(frozen=True)
class Points:
    """Figures of a bias in several states at once.

    Attributes
    ----------
    words : tuple of str
        Of each state.
    variables : dict of str to ndarray, shape (states,)
    findings : list of list of Finding
        Of each state, which each names.
    reasons : list of str
        Why a state has none; "" where it has.
    """

    words: tuple[str, ...]
    variables: dict[str, Floats]
    findings: list[list[Finding]]
    reasons: list[str]

    def state(self, name: str, words: str) -> State:
        """Return one of them."""
        at = self.words.index(words)
        if self.reasons[at]:
            return State(name, words, findings=(Finding.of("not_computed", quantity=words, reason=self.reasons[at]),))
        figures = {path: float(values[at]) for path, values in self.variables.items()}
        return State.of_bias(name, words, figures, tuple(self.findings[at]))


def without_signal(design: Design, circuit: Circuit, supply: Match | None, currents: Floats, run: Run) -> Points:
    """Return the states without a signal but those at rest and cold on nominal mains.

    On low and high mains every supply is as much lower or higher as they are: what the supply's curve bends isn't
    counted.

    Parameters
    ----------
    design : Design
    circuit : Circuit
        One channel, at the voltage that its supply gives.
    supply : Match or None
    currents : ndarray, shape (valves,)
        Of the cathodes at rest [A].
    run : Run
    """
    ready = circuit.with_values({f"{valve}.emission": 1.0 for valve in circuit.valves
                                 if f"{valve}.emission" not in circuit.values})  # fmt: skip
    words = (COLD, HIGH, *map(pulled, ready.valves), LOW, HALF, WARMING)
    count, first = len(words), 2
    columns: dict[str, Floats] = {}
    top, rails = highest(design, supply), {parameter for _, parameter in fed(design)}
    for parameter in set(supply_parameters(ready).values()):
        nominal = float(ready.values[parameter])
        rest, most = MAINS_UPPER * nominal, float(top.values[parameter])
        column = columns[parameter] = np.full(count, rest)
        column[words.index(LOW)] = MAINS_LOWER * nominal
        column[words.index(HALF)] = (FIRST if parameter in rails else 1.0) * nominal
        column[words.index(WARMING)] = nominal
        if parameter in rails and supply is not None:
            column[0] = most
            # The supply's curve is steepest at light loads: a straight line to its unloaded end lies above it.
            share = np.clip(np.nan_to_num(currents / supply.current, nan=1.0), 0.0, 1.0)
            column[first : first + len(ready.valves)] = rest + (most - rest) * share
            unloaded = float(supply.supply.supply.before_warm_up.output_voltage)
            column[words.index(WARMING)] += (1.0 - WARM) * max(np.nan_to_num(unloaded - nominal), 0.0)
    for number, valve in enumerate(ready.valves):
        columns[f"{valve}.emission"] = np.full(count, float(ready.values[f"{valve}.emission"]))
        columns[f"{valve}.emission"][first + number] *= _PULLED
        columns[f"{valve}.emission"][words.index(WARMING)] *= WARM
    options = {"heater_elevation": design.heater_elevation} if design.heater_elevation else {}
    outcome = evaluate(PointTable(ready, columns, count), {"bias": options}, replace(run, workers=1))
    variables = outcome.results["bias"].variables
    numbers = {name: np.asarray(each.values, dtype=float) for name, each in variables.items()
               if np.asarray(each.values).dtype.kind == "f"}  # fmt: skip
    # What is out of its socket passes no rating.
    found = [[replace(finding, state=state) for finding in each if state != pulled(finding.subject)]
             for state, each in zip(words, outcome.findings, strict=True)]  # fmt: skip
    return Points(words, numbers, found, list(outcome.reasons))


def cold(name: str, circuit: Circuit) -> State:
    """Return the state before the valves conduct, on today's mains: closed form, nothing flows but through resistors.

    Parameters
    ----------
    name : str
    circuit : Circuit
        With its supply at the voltage that it has without a load.
    """
    parts = netlist_parts(render(circuit).elements)
    levels = {node: float(np.ravel(volts)[0]) for node, volts in cold_nodes(parts).items()}

    def across(path: str, kind: str) -> float:
        one, other = (levels.get(node, 0.0) for node in bought(parts, kind)[path].nodes)
        return abs(one - other)

    valves = list(circuit.valves)
    resistors = {path: across(path, "r") ** 2 / float(part.value[0]) for path, part in bought(parts, "r").items()}
    return State(
        name,
        "valves cold, full mains, nothing drawn",
        {path: levels[node] for path, node in circuit.node_paths.items() if node in levels},
        dict.fromkeys(valves, 0.0),
        dict.fromkeys((f"{valve}.anode" for valve in valves), 0.0) | resistors,
        {path: across(path, "c") for path in bought(parts, "c")},
    )


__all__ = ["COLD", "FIRST", "HALF", "HIGH", "LOW", "WARMING", "Points", "State", "States", "cold", "pulled",
           "without_signal"]  # fmt: skip
