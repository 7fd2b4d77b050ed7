"""The output stages of all channels on one supply, with what a guard looks at: sense resistor, filter, pin.

A guard's verdicts are proved on this netlist: healthy builds and faults run through it in time, and what stands at the
pins is what the microcontroller would convert.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit, in_netlist, joined_name
from simwrap.circuits.joins import Join
from simwrap.circuits.render import render
from simwrap.engine import DEFAULT, Run, protocol
from simwrap.errors import InputError
from simwrap.faults.bed import NO_LEAK, RAIL, Fault, TestBed, Varied, bed_of
from simwrap.faults.rails import Supplied
from simwrap.netlist.element import Element, Role
from simwrap.simulation.simulate import at_rest

Floats = NDArray[np.float64]

_SUPPLY_PIN = "n_guard__supply"
#: A transformer's strays ring above 10 kHz, which costs time and moves an average by less than 0.2 %.
_NO_RINGING = {"leakage_inductance": 1e-6, "primary_capacitance": 0.0, "interwinding_capacitance": 0.0}


@dataclass(frozen=True)
class Sensed:
    """An output valve that is watched.

    Attributes
    ----------
    name : str
        Such as "power_1.v1".
    element : str
        Its sense resistor in the netlist.
    ends : tuple of str
        Nodes of that: the cathode's, and the lower one.
    pin : str
        Node of the microcontroller's pin.
    half : str
        "a" or "b": which half of its pair it is in; "" where there are none.
    pair : str
        Name of the output stage in its channel, such as "power_1".
    stage : str
        Name of that in the design, such as "power": channels are alike.
    """

    name: str
    element: str
    ends: tuple[str, str]
    pin: str
    half: str
    pair: str
    stage: str


@dataclass(frozen=True)
class GuardBed:
    """What is simulated.

    Attributes
    ----------
    bed : TestBed
    valves : tuple of Sensed
        Of all channels.
    inputs : mapping of str to str
        Signal source by output stage.
    lifted : float
        Voltage at which the lower ends of the sense resistors stand [V], 0 where that is ground.
    sense : float
        Sense resistor [ohm].
    drives : mapping of str to str
        By input port ("power_1.input") the resistor from it to the direct voltage before its coupling capacitor.
    rest : tuple of float
        Cathode current of each valve at rest [A].
    supply_pin : str
        Node of the supply's pin behind its divider; "" where it isn't watched.
    """

    bed: TestBed
    valves: tuple[Sensed, ...]
    inputs: Mapping[str, str]
    lifted: float
    sense: float
    drives: Mapping[str, str]
    rest: tuple[float, ...] = ()
    supply_pin: str = ""

    @property
    def channel(self) -> list[Sensed]:
        """Valves of the first channel: the others are alike."""
        first = {valve.stage: valve.pair for valve in reversed(self.valves)}
        return [valve for valve in self.valves if valve.pair == first[valve.stage]]

    def draw(self, varied: Varied, builds: int, seed: int, sense_tolerance: float) -> dict[str, Floats]:
        """Return drawn builds; the sense resistors are closer than the others."""
        columns = self.bed.draw(varied, builds, seed)
        factor = np.random.default_rng([seed, 7]).uniform(-1.0, 1.0, (builds, len(self.valves)))
        for number, valve in enumerate(self.valves):
            columns[valve.element] = self.sense * (1.0 + sense_tolerance * factor[:, number])
        return columns

    def currents(self, values: Mapping[str, Any], columns: Mapping[str, Floats] = MappingProxyType({})) -> Floats:
        """Return the currents in the sense resistors [A] of a reply, of shape (points, ..., valves).

        Parameters
        ----------
        values : mapping
            Of a reply.
        columns : mapping
            The builds', for those of the sense resistors.
        """
        found = []
        for valve in self.valves:
            high, low = (np.asarray(values[node]) if node != "0" else 0.0 for node in valve.ends)
            across = np.asarray(high - low)
            ohms = np.asarray(columns.get(valve.element, self.sense))
            found.append(across / (ohms.reshape(-1, *[1] * (across.ndim - 1)) if ohms.ndim else ohms))
        return np.stack(found, axis=-1)

    def pins(self, values: Mapping[str, Any]) -> Floats:
        """Return the pin voltages [V] of a reply, of shape (points, ..., valves)."""
        return np.stack([np.asarray(values[valve.pin]) for valve in self.valves], axis=-1)

    @property
    def vectors(self) -> tuple[str, ...]:
        """What a run has to return for :meth:`currents` and :meth:`pins`."""
        ends = [node for valve in self.valves for node in valve.ends if node != "0"]
        return (*dict.fromkeys(ends), *(valve.pin for valve in self.valves), *filter(None, [self.supply_pin]))

    def driven(self) -> protocol.NetlistTable:
        """Return the circuit in which all channels have the first one's signal."""
        first, *others = self.inputs.values()
        ends = self.bed.elements[first].nodes
        return protocol.NetlistTable.of(
            Element(f"e_{name[2:]}", (*each.nodes, *ends), 1.0) if name in others else each
            for name, each in self.bed.elements.items()
        )


def output_stages(circuit: Circuit) -> list[str]:
    """Return the stages that drive a loudspeaker."""
    return [name for name, stage in circuit.stages.items() if "speaker" in stage.template.header.ports and stage.valves]


def guard_bed(
    source: Supplied, channels: int, *, sense: float, gain: float, resistance: float, capacitance: float,
    supply_share: float = 0.0, run: Run = DEFAULT,
) -> GuardBed:  # fmt: skip
    """Make the netlist of all output stages with their guards.

    Parameters
    ----------
    source : Supplied
        One channel, and its supply.
    channels : int
    sense : float
        Resistor in each cathode lead [ohm], where the design has none of its own.
    gain : float
        From the sense resistor to the pin: a divider below 1, an amplifier above.
    resistance, capacitance : float
        Filter before the pin [ohm, F].
    supply_share : float
        Of the divider from the supply to a pin of its own; 0: none.
    run : Run

    Raises
    ------
    InputError
        If the design has no output stage, or one without a place for a sense resistor, or no supply to watch.
    """
    circuit = source.circuit
    chosen = output_stages(circuit)
    if not chosen:
        raise InputError(f"{circuit.name}: a guard watches output valves, and there is no stage that drives a speaker")
    whole, ports, sense = _channels(source, chosen, channels, sense)
    rail = source.rail(whole, ports, run=run)
    if rail is not None:
        rail = replace(rail, capacitance=source.capacitance)
    bed = bed_of(whole, rail=rail)
    added: list[Element] = []
    valves: list[Sensed] = []
    shorts: dict[tuple[str, str, str], str] = {}
    origins = {_channel(name, number, channels): name for number in range(channels) for name in chosen}
    for name, use in whole.valves.items():
        if use.stage not in origins:
            continue
        cathode = use.nodes["cathode"]
        sensing = joined_name(use.stage, "sense_resistor")
        element = next((e for e in bed.elements.values() if e.parameter == sensing and cathode in e.nodes), None)
        if element is None:
            raise InputError(f"{name}: its stage has no sense_resistor in the cathode lead, so nothing can be guarded")
        tail = name.replace(".", "__")
        lower = next(node for node in element.nodes if node != cathode)
        pin = f"n_guard__{tail}"
        origin = origins[use.stage] or "output"
        valves.append(Sensed(name, element.name, (cathode, lower), pin, "", use.stage, origin))
        nodes = {**use.nodes, "heater": "0"}
        for one, other in _SHORTS:
            if one in nodes and other in nodes and nodes[one] != nodes[other]:
                shorts[name, one, other] = f"r_fault_{one}_{other}_{tail}"
                added.append(Element(shorts[name, one, other], (nodes[one], nodes[other]), NO_LEAK))
        added += [
            Element(f"e_guard__{tail}", (f"n_sensed__{tail}", "0", cathode, lower), gain),
            Element(f"r_guard__{tail}", (f"n_sensed__{tail}", pin), resistance),
            Element(f"c_guard__{tail}", (pin, "0"), capacitance),
        ]
    if supply_share and rail is None:
        raise InputError(f"{circuit.name}: nothing hangs on a supply that could be watched; leave out supply_share")
    if supply_share:
        added += _behind_divider(supply_share, resistance, capacitance)
    drives = _drives(circuit, whole, chosen, channels, added, run)
    bed = replace(bed.with_elements(added), shorts=MappingProxyType({**bed.shorts, **shorts}))
    inputs = {stage: in_netlist(stage, "v_signal") for stage in _named(chosen, channels)}
    inputs[next(iter(inputs))] = "v_signal"
    made = GuardBed(bed, tuple(valves), inputs, 0.0, sense, drives, supply_pin=_SUPPLY_PIN if supply_share else "")
    run = replace(run, workers=1)
    (still,) = engines.run(bed.table({}, [_NONE]), [protocol.OpRun(made.vectors)], run)
    (signal,) = engines.run(made.driven(), [protocol.AcRun(1e3, 1e3, 1, made.vectors)], run)
    lower = valves[0].ends[1]
    lifted = float(still.values[lower][0]) if lower != "0" else 0.0
    halves = _halves(valves, made.currents(signal.values).reshape(-1))
    rest = tuple(np.nan_to_num(made.currents(still.values).reshape(-1)).tolist())
    return replace(made, valves=halves, lifted=lifted if lifted > 0.1 else 0.0, rest=rest)


def _behind_divider(share: float, resistance: float, capacitance: float) -> list[Element]:
    """Return the supply's divider and filter."""
    return [
        Element("e_guard__supply", ("n_sensed__supply", "0", RAIL, "0"), share),
        Element("r_guard__supply", ("n_sensed__supply", _SUPPLY_PIN), resistance),
        Element("c_guard__supply", (_SUPPLY_PIN, "0"), capacitance),
    ]


def _halves(valves: Sequence[Sensed], signal: NDArray[Any]) -> tuple[Sensed, ...]:
    """Tell the halves of each pair by their signal currents: those in phase with the first valve's are one."""
    found = []
    for valve, current in zip(valves, signal, strict=True):
        own = [c for v, c in zip(valves, signal, strict=True) if v.pair == valve.pair]
        against = [bool(np.real(c * np.conj(own[0])) < 0.0) for c in own]
        turned = bool(np.real(current * np.conj(own[0])) < 0.0)
        found.append(replace(valve, half="" if not any(against) else "b" if turned else "a"))
    return tuple(found)


#: Electrodes that a fault joins here beside those that the test bed has.
_SHORTS = (("anode", "screen"), ("anode", "grid"), ("screen", "cathode"), ("grid", "heater"))


_NONE = Fault("", "")


def _named(chosen: Sequence[str], channels: int) -> list[str]:
    return [_channel(name, number, channels) for number in range(channels) for name in chosen]


def _channel(name: str, number: int, channels: int) -> str:
    """Return a stage's name in one of several channels."""
    return f"{name or 'output'}_{number + 1}" if channels > 1 or not name else name


def _channels(
    source: Supplied, chosen: Sequence[str], channels: int, sense: float
) -> tuple[Circuit, tuple[str, ...], float]:
    """Return the output stages of all channels with their droppers, what hangs on the supply, the sense."""
    circuit = source.circuit
    kept, joins = set(chosen), set[Join]()
    while True:
        more = {join for join in circuit.joins if join.end.partition(".")[0] in kept and _feeds(circuit, join)}
        if more == joins:
            break
        joins = more
        kept |= {join.start.partition(".")[0] for join in joins}
    stages, wires, ports = {}, [], []
    for number in range(channels):
        for name, stage in circuit.stages.items():
            if name in kept:
                made = stage
                if name in chosen:
                    if "sense_resistor" not in stage.values:
                        raise InputError(f"{name or stage.name}: has no sense_resistor in its cathode lead to read")
                    sense = float(stage.values["sense_resistor"]) or sense
                    coupling = _coupling(circuit, name)
                    quick = {part: value for part, value in _NO_RINGING.items() if part in stage.values}
                    made = stage.with_values({"sense_resistor": sense} | quick | coupling)
                stages[_channel(name, number, channels)] = made
        for join in sorted(joins):
            ends = [end.partition(".") for end in join]
            wires.append(Join(*(f"{_channel(name, number, channels)}.{own}" for name, _, own in ends)))
        for port in source.ports:
            name, _, own = port.rpartition(".")
            if name in kept:
                ports.append(f"{_channel(name, number, channels)}.{own}")
    return Circuit(stages, tuple(wires), circuit.name), tuple(ports), sense


def _feeds(circuit: Circuit, join: Join) -> bool:
    """Whether a join carries a supply."""
    place = circuit.placed_ports.get(join.end)
    dropper = circuit.stages[join.start.partition(".")[0]]
    kind = place.port.kind if place else ""
    return not dropper.valves and (kind == "supply" or (dropper.name == "dropper" and kind == "source"))


def _coupling(circuit: Circuit, stage: str) -> dict[str, float]:
    """Return the coupling capacitor that stands before an output stage, where another stage has it."""
    starts = [join.start for join in circuit.joins if join.end == joined_name(stage, "input")]
    for start in starts:
        before = circuit.stages[start.partition(".")[0]]
        value = before.values.get("coupling_capacitor")
        if value:
            return {"coupling_capacitor": float(value)}
    return {}


def _drives(
    circuit: Circuit, whole: Circuit, chosen: Sequence[str], channels: int, added: list[Element], run: Run
) -> dict[str, str]:
    """Add what a leaky coupling capacitor would let through: the direct voltage before it, behind a resistor."""
    capacitors = [each for each in render(circuit).elements if each.kind == "c" and each.role is Role.PART]
    drives = {}
    for name in chosen:
        for own in ("input", "input_b"):
            port = joined_name(name, own)
            node = circuit.ports.get(port)
            if node is None:
                continue
            beyond = [set(each.nodes) - {node} for each in capacitors if node in each.nodes]
            other = next((n for (n,) in beyond if n != "0"), "")
            if not other:
                continue
            paths = {token: path for path, token in circuit.node_paths.items()}
            volts = at_rest(circuit, paths[other], run=run) if other in paths else 0.0
            for number in range(channels):
                full = f"{_channel(name, number, channels)}.{own}"
                tail = full.replace(".", "__")
                drives[full] = f"r_guard_leak__{tail}"
                added += [
                    Element(f"v_guard_drive__{tail}", (f"n_guard_drive__{tail}", "0"), volts, ac=(0.0,)),
                    Element(drives[full], (f"n_guard_drive__{tail}", whole.ports[full]), NO_LEAK),
                ]
    return drives


__all__ = ["GuardBed", "Sensed", "guard_bed", "output_stages"]
