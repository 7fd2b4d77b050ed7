"""A builder's meters: what they show at each place of a build, and what the build itself does to its parts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fault_kit.build import Build, Design
from fault_kit.netlist import ROLES, Deck
from fault_kit.spice import NoAnswerError, Script, run

#: Input resistance of the voltmeter [ohm]; its error as a share, of signals too; the least that it tells [V], [A].
METER, DC_ERROR, AC_ERROR, LEAST_VOLTS, LEAST_AMPS, LEAST_SIGNAL = 10e6, 0.01, 0.03, 0.01, 1e-5, 5e-4
FREQUENCIES = (1000.0, 50.0, 15000.0)
#: Frequency at which all capacitors block [Hz].
_STANDING = 1e-6
#: What the operating point is looked for with, one after the other.
_OPTIONS = ("itl1=500 reltol=1e-4", "itl1=500 reltol=1e-3 gmin=1e-11", "itl1=2000 gmin=1e-10 gminsteps=0 itl6=200")
#: How far a signal at the main output may go while it is read [V r.m.s.].
_OUTPUT = 0.5


@dataclass(frozen=True)
class Place:
    """Where a meter is put: a node to ground, a valve's cathode lead, or a node with a signal of some frequency."""

    name: str
    unit: str
    node: str
    frequency: float = 0.0


@dataclass
class Found:
    """What the build does: readings by place, and the operating point of its parts."""

    readings: dict[Place, float] = field(default_factory=dict)
    volts: dict[str, float] = field(default_factory=dict)
    pins: dict[str, dict[str, tuple[float, float]]] = field(default_factory=dict)
    rail: tuple[float, float] = (0.0, 0.0)
    copper: float = 0.0
    oscillates: bool = False


def places(design: Design) -> list[Place]:
    """Return all places of a design, those that a builder reads first in front."""
    deck = design.deck
    seen = {"0"}
    rail = deck[f"v_{design.feeds[0].replace('.', '__')}"].nodes[1]
    seen |= {deck[f"v_{feed.replace('.', '__')}"].nodes[1] for feed in design.feeds}
    droppers = [d for d in deck.devices.values() if re.fullmatch(r"r_\w+__dropper", d.name)]
    first = [Place(design.feeds[0], "V", rail)]
    rails = [Place(f"{d.stage}.output", "V", d.nodes[1]) for d in droppers]
    wire = _wired(deck)
    seen = {wire.get(node, node) for node in seen | {place.node for place in rails}}
    by_role: dict[str, list[Place]] = {role: [] for role in ROLES}
    for path in reversed(deck.valves):
        valve = deck.valves[path]
        for role, node in valve.outside.items():
            if wire.get(node, node) not in seen:
                seen.add(wire.get(node, node))
                by_role[role].append(Place(f"{path}.{role}", "V", node))
    currents = [Place(f"{path}.cathode_current", "A", f"v_{deck.valves[path].pins['cathode']}")
                for path in reversed(deck.valves)]  # fmt: skip
    signals = [Place(name, "V", node, hertz) for hertz in FREQUENCIES for name, node in _outputs(design)]
    anodes, cathodes = by_role["anode"], by_role["cathode"]
    order = [*first, cathodes[0], signals[0], *anodes, *cathodes[1:], *rails, *signals[1 : len(_outputs(design))],
             *by_role["screen"], *currents, *by_role["grid"], *signals[len(_outputs(design)) :]]  # fmt: skip
    return list(dict.fromkeys(order))


def _wired(deck: Deck) -> dict[str, str]:
    """Return the first of the nodes that stand-ins for wires join, by node."""
    found: dict[str, str] = {}
    for wire in [d for d in deck.devices.values() if d.name[0] == "r" and d.value <= 0.011]:
        one, other = (found.get(node, node) for node in wire.nodes)
        found |= {other: one} | {node: one for node, first in found.items() if first == other}
    return found


def _outputs(design: Design) -> list[tuple[str, str]]:
    """Return name and node of every stage's output, the main one first."""
    deck, found = design.deck, []
    for device in deck.devices.values():
        match = re.fullmatch(r"i_(\w+?)__(output(?:_b)?)", device.name)
        if match and f"r_{match[1]}__dropper" not in deck.devices and f"v_{match[1]}__probe" not in deck.devices:
            found.append((f"{match[1]}.{match[2]}", device.nodes[1]))
    main = design.table.get("main_output", found[-1][0])
    return sorted(found, key=lambda each: each[0] != main)


def measure(design: Design, build: Build, at: Sequence[Place], *, level: float, unstable: bool = False) -> Found:
    """Simulate a build and read it, without the meters' errors but with what they load.

    Raises
    ------
    NoAnswerError
    """
    netlist, given = design.supplied(build)
    deck = build.deck
    rest = [place for place in at if not place.frequency and place.unit == "V"]
    meters = [f"i_meter{k} 0 {place.node} dc 0 ac 0" for k, place in enumerate(rest)]
    script, found, asked = Script(), Found(), {}
    script.do("op")
    nodes = sorted({n for d in deck.devices.values() if d.name[0] in "rcv" for n in d.nodes if n != "0"})
    whole = {node: script.ask(f"v({node})") for node in nodes}
    leads = {name.replace("v_kit_v_pin", "v_pin"): script.ask(f"i({name})") for name in deck.devices
             if name.startswith(("v_pin", "v_kit_v_pin"))}  # fmt: skip
    rail = script.ask("v(kit_rail)"), script.ask("i(v_kit_rail)")
    for hertz in sorted({place.frequency for place in at} - {0.0}):
        script.do(f"ac lin 1 {hertz:g} {hertz:g}")
        for place in at:
            if place.frequency == hertz:
                asked[place] = script.ask(f"mag(v({place.node}))")
    script.do("alter v_signal ac = 0")
    for k, place in enumerate(rest):
        script.do(f"alter i_meter{k} ac = 1")
        script.do(f"ac lin 1 {_STANDING:g} {_STANDING:g}")
        asked[place] = script.ask(f"mag(v({place.node}))")
        script.do(f"alter i_meter{k} ac = 0")
    said = _solved("\n".join([netlist, *meters]), script)
    found.volts = {node: said[k] for node, k in whole.items()} | {"0": 0.0}
    if max(map(abs, found.volts.values())) > 1e5:
        raise NoAnswerError("an operating point beyond all supplies")
    found.rail = said[rail[0]], said[rail[1]]
    found.copper = float(np.interp(found.rail[1], given.currents, given.copper))
    for path, valve in deck.valves.items():
        found.pins[path] = {role: (found.volts[pin], said[leads[f"v_{pin}"]]) for role, pin in valve.pins.items()}
    for place in at:
        if place.unit == "A":
            found.readings[place] = -said[leads[place.node]]
        elif place.frequency:
            found.readings[place] = said[asked[place]] * level
        else:  # what the place gives behind its own resistance, into the meter
            found.readings[place] = found.volts[place.node] * METER / (METER + said[asked[place]])
    if unstable:
        _listen(netlist, at, found, _main(design))
    return found


def _solved(netlist: str, script: Script) -> list[float]:
    """Run it, with easier settings where the operating point isn't found."""
    for options in _OPTIONS:
        try:
            return run(netlist, script.lines, options=options, seconds=20.0)
        except NoAnswerError as fault:
            why = fault
    raise why


def _main(design: Design) -> str:
    return _outputs(design)[0][1]


def _listen(netlist: str, at: Sequence[Place], found: Found, output: str) -> None:
    """Let a build run after a knock; where it sings, its readings are those of the song."""
    script = Script()
    script.do("tran 5u 60m 0 10u")
    for start, end in (("10m", "20m"), ("50m", "60m")):
        script.do(f"meas tran qm pp v({output}) from={start} to={end}")
        script.ask("qm")
    places = [place for place in at if place.unit == "V"]
    for place in places:
        script.do(f"meas tran qm avg v({place.node}) from=50m to=60m")
        script.ask("qm")
        script.do(f"meas tran qm pp v({place.node}) from=50m to=60m")
        script.ask("qm")
    knock = f"i_kit_knock 0 {output} pulse(0 0.05 1m 10u 10u 0.2m 1)"
    early, late, *rest = run(f"{netlist}\n{knock}", script.lines, options="itl1=500 reltol=1e-3 itl4=50")
    found.oscillates = late > 0.05 and late > 0.8 * early
    if found.oscillates:
        for place, mean, swing in zip(places, rest[0::2], rest[1::2], strict=True):
            found.readings[place] = swing / 2.83 if place.frequency else mean


def suitable_level(design: Design) -> float:
    """Return a source's e.m.f. that gives half a volt at the main output [V r.m.s.]."""
    place = Place("main", "V", _main(design), FREQUENCIES[0])
    found = measure(design, Build(design.deck.copy(), design.supply.copy()), [place], level=1.0)
    return float(f"{_OUTPUT / max(found.readings[place], 1e-6):.1g}")


def shown(found: Found, chance: np.random.Generator) -> dict[Place, float]:
    """Return what the meters show: with their errors, and no finer than they tell."""
    result = {}
    for place, value in found.readings.items():
        width, least = ((AC_ERROR, LEAST_SIGNAL) if place.frequency else
                        (DC_ERROR, LEAST_VOLTS if place.unit == "V" else LEAST_AMPS))  # fmt: skip
        wrong = value * (1.0 + width * chance.uniform(-1.0, 1.0)) + least * chance.uniform(-0.5, 0.5)
        step = least / 10.0
        read = float(f"{wrong:.4g}") if abs(wrong) > step else 0.0
        result[place] = max(read, 0.0) if place.frequency else read
    return result
