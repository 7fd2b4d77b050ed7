"""The faults that a guard is tried with: at each valve of itself, of its half, and of its channel's supplies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from simwrap import engine as engines
from simwrap.cathode_guard.bench import GuardBed, Sensed
from simwrap.engine import Run, protocol
from simwrap.errors import EngineError
from simwrap.faults.bed import OPEN, SHORT, Fault, TestBed, element_of
from simwrap.findings.status import late
from simwrap.measures.bias import rating_of
from simwrap.netlist.element import Element
from simwrap.netlist.groups import Groups

#: By which a valve's emission and its amplification factor are off.
_EMISSIONS = (("without emission", 1e-4), ("with a tenth of its emission", 0.1), ("with a quarter of it", 0.25),
              ("weak", 0.5), ("strong", 1.8), ("far too strong", 4.0))  # fmt: skip
_FACTORS = (("mu far too low", 0.5), ("mu too low", 0.65), ("mu too high", 1.7), ("mu far too high", 2.2))
_GAS = (("gassy", 5e-4), ("more gassy", 1e-3), ("very gassy", 1e-2))
#: Grid currents of gas in every valve of a stage together [A].
_GAS_TOGETHER = (("10 uA", 10e-6), ("30 uA", 30e-6))
_COUPLING = (("shorted", 1.0), ("leaks 100 kohm", 1e5), ("leaks 1 Mohm", 1e6), ("leaks 4.7 Mohm", 4.7e6))


def faults_of(guard: GuardBed, valve: Sensed) -> list[Fault]:
    """Return the faults that a guard is tried with at a valve."""
    return [*_of_valve(guard.bed, valve), *_of_half(guard, valve), *_of_channel(guard.bed, valve),
            *_of_pair(guard, valve)]  # fmt: skip


def _of_valve(bed: TestBed, valve: Sensed) -> Iterator[Fault]:
    emission, mu, gas = (element_of(valve.name, key) for key in ("emission", "mu", "gas"))
    yield from (Fault(valve.name, words, {}, {emission: factor}) for words, factor in _EMISSIONS)
    yield from (Fault(valve.name, words, {}, {mu: factor}) for words, factor in _FACTORS)
    yield from (Fault(valve.name, words, {gas: level}) for words, level in _GAS)
    for (name, *two), element in bed.shorts.items():
        if name == valve.name:
            yield Fault(valve.name, f"shorted: {two[0]} to {two[1]}", {element: SHORT})
    near = _near(bed, bed.resistors, valve)
    leak = next((each for each in near if each.parameter == f"{valve.pair}.grid_leak"), None)
    if leak is not None:
        yield Fault(f"{leak.path} resistor", "open, valve with gas", {leak.name: OPEN, gas: 3e-4})
    sense = f"sense resistor of {valve.name}"
    yield from (Fault(sense, "open", {valve.element: OPEN}), Fault(sense, "shorted", {valve.element: 0.01}),
                Fault(sense, "tenfold", {}, {valve.element: 10.0}))  # fmt: skip
    for each in near:
        if each.parameter == f"{valve.pair}.grid_stopper":
            yield from (Fault(f"{each.path} resistor at {valve.name}", words, {each.name: ohms})
                        for words, ohms in (("open", OPEN), ("shorted", SHORT)))  # fmt: skip


def _of_pair(guard: GuardBed, valve: Sensed) -> Iterator[Fault]:
    """Yield gas in all valves of a stage at once, which their imbalance doesn't tell."""
    rest = dict(zip((v.name for v in guard.valves), guard.rest, strict=True))
    alike = [v.name for v in guard.valves if v.pair == valve.pair]
    if valve.name == alike[0]:
        for words, amperes in _GAS_TOGETHER:
            gas = {element_of(name, "gas"): amperes / max(rest[name], 1e-6) for name in alike}
            yield Fault(valve.pair, f"with {words} of grid current from gas in every valve", gas)


def _of_half(guard: GuardBed, valve: Sensed) -> Iterator[Fault]:
    bed, use = guard.bed, guard.bed.circuit.valves[valve.name]
    nodes = use.nodes
    own_stage = [each for each in bed.elements.values() if each.stage == valve.pair and not each.valve]
    half = Groups()  # what resistors of its side join: the port that drives its grid is there
    for each in own_stage:
        if each.kind == "r" and each.side == use.side and not each.bench:
            half.join(*each.nodes[:2])
    for port, device in guard.drives.items():
        if half.of(bed.circuit.ports[port]) == half.of(nodes["grid"]):
            yield from (Fault(f"coupling capacitor at {port}", words, {device: ohms}) for words, ohms in _COUPLING)
    # The winding is modelled as its leakage inductance at the anode, and its resistance behind that.
    leakage = [each for each in own_stage if each.kind == "l" and nodes["anode"] in each.nodes]
    behind = {node for each in leakage for node in each.nodes} - {nodes["anode"]}
    windings = [each for each in own_stage if each.kind == "r" and behind & set(each.nodes)]
    feeds = [each for each in own_stage if each.kind == "r" and nodes.get("screen", "") in each.nodes]
    # A broken lead of the anode is the same as a broken winding.
    for words, found in ((f"primary winding or anode lead of {valve.name}", windings),
                         (f"screen lead of {valve.name}", feeds)):  # fmt: skip
        yield from (Fault(words, "open", {each.name: 1e8}) for each in found[:1])


def _of_channel(bed: TestBed, valve: Sensed) -> Iterator[Fault]:
    for each in _near(bed, bed.resistors, valve):
        parameter = each.parameter.rpartition(".")[2]
        changes: tuple[tuple[str, float], ...]
        if parameter == "cathode_resistor":
            changes = (("open", 1e8), ("shorted", 0.004), ("a quarter", 0.25), ("half", 0.5), ("three times", 3.0))
        elif parameter == "resistor" and each.stage != valve.pair:
            changes = (("open", 1e6), ("a hundredfold", 100.0))
        else:
            continue
        yield from (Fault(f"{each.path} resistor", f"{words} of its value" if factor in (0.25, 0.5) else words, {},
                          {each.name: factor}) for words, factor in changes)  # fmt: skip
    for each in _near(bed, bed.capacitors, valve):
        if each.parameter.rpartition(".")[2] in ("cathode_capacitor", "screen_capacitor", "capacitor"):
            yield from (Fault(f"{each.path} capacitor", words, {bed.leaks[each.path]: ohms})
                        for words, ohms in (("shorted", SHORT), ("leaks 47 ohm", 47.0)))  # fmt: skip
    for name, device in bed.supplies.items():
        yield from (Fault(f"{name} supply", words, {}, {device: factor})
                    for words, factor in (("missing", 1e-3), ("half", 0.5), ("30 % high", 1.3)))  # fmt: skip


def _near(bed: TestBed, names: Mapping[str, str], valve: Sensed) -> list[Element]:
    """Return the parts in a valve's half of its stage or shared by both, and those of its channel's droppers."""
    channel, side = valve.pair.removeprefix(valve.stage), bed.circuit.valves[valve.name].side
    parts = [bed.elements[name] for name in names.values()]
    in_half = {each.parameter for each in parts if each.stage == valve.pair and each.side == side}
    found = []
    for each in parts:
        if each.stage == valve.pair:
            # What is only on the other side is shared: one part stands for both.
            if each.side in ("", side) or each.parameter not in in_half:
                found.append(each)
        elif each.stage and each.stage.endswith(channel):
            found.append(each)
    return found


def overloads(
    guard: GuardBed, faults: list[Fault], run: Run, columns: Mapping[str, np.ndarray] = MappingProxyType({})
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sense currents at rest with each fault [A], (faults, valves), and the largest load of a valve.

    The load is the dissipation of an anode or a screen as a share of its rating, (faults,).
    """
    vectors = list(guard.vectors)
    for valve in guard.valves:
        use = guard.bed.circuit.valves[valve.name]
        vectors += [*use.nodes.values(), *use.currents.values()]
    wanted = tuple(dict.fromkeys(node for node in vectors if node != "0"))
    (reply,) = engines.run(guard.bed.table(columns, faults), [protocol.OpRun(wanted)], run)
    if why := late(reply.reasons):
        raise EngineError(f"guard: {why}")
    values = reply.values
    load = np.zeros(len(faults))
    for valve in guard.valves:
        use = guard.bed.circuit.valves[valve.name]
        for electrode in ("anode", "screen"):
            rating = rating_of(use, f"{electrode}_dissipation_max")
            if rating and electrode in use.currents:
                across = values[use.nodes[electrode]] - values[use.nodes["cathode"]]
                load = np.fmax(load, across * values[use.currents[electrode]] * 1e-3 / rating)
    ohms = {}
    for v in guard.valves:
        own = columns.get(v.element, np.full(len(faults), guard.sense))
        ohms[v.element] = np.array([f.values.get(v.element, n * f.factors.get(v.element, 1.0))
                                    for f, n in zip(faults, own, strict=True)])  # fmt: skip
    return guard.currents(values, ohms), load


__all__ = ["faults_of", "overloads"]
