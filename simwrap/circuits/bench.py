"""The bench: what is drawn around a circuit's ports that are open.

At an input a signal source with what stands in its way, at an output the load and a test current, at a supply port a
voltage. All of it comes from the header's ports and is drawn here, once for all stages.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from simwrap.circuits.circuit import Circuit, PlacedPort, in_netlist, joined_name
from simwrap.circuits.header import Port, When
from simwrap.circuits.sandbox import present
from simwrap.circuits.stage import holds
from simwrap.circuits.template_functions import given, resistance
from simwrap.netlist.element import Element, Role

#: Source device of the circuit's own input.
SIGNAL = "v_signal"
#: What a loop is looked into with: a voltage in series with it, a current into it.
PROBES = ("voltage_probe", "injected_probe")


def devices(circuit: Circuit) -> dict[str, str]:
    """Return the device by the name with which a request excites it: "signal", "output", a supply, a port."""
    found = {}
    for port in circuit.placed_ports.values():
        match port.port.kind:
            case "source" if not port.joined and not _inverse(port):
                found[port.full] = signal_device(circuit, port)
            case "load":
                found[port.full] = in_netlist(port.stage, f"i_{port.name}")
            case "supply" if not port.joined:
                found[port.full] = in_netlist(port.stage, f"v_{port.name}")
    for alias, end in circuit.ends.items():
        if end.full in found and alias != "input":
            found[alias] = found[end.full]
    for name in circuit.loops:
        found |= {f"{name}.{kind}": in_netlist(name, f"{kind[0]}_probe") for kind in PROBES}
    return found | {"signal": SIGNAL}


def takes_signal(circuit: Circuit) -> bool:
    """Return whether a signal comes in at the circuit: a dropper's input is a supply."""
    ports = circuit.placed_ports.values()
    inputs = (port for port in ports if port.port.kind == "source" and not port.joined and not _inverse(port))
    return any(signal_device(circuit, port) == SIGNAL for port in inputs)


def signal_device(circuit: Circuit, port: PlacedPort) -> str:
    """Return the source device of an input."""
    own = circuit.ends.get("input")
    return SIGNAL if own is not None and own.full == port.full else in_netlist(port.stage, f"v_signal{_suffix(port)}")


def elements(
    circuit: Circuit, values: Mapping[str, Any], excite: str, load: Mapping[str, float] | None = None
) -> Iterator[Element]:
    """Yield the elements of the bench.

    Parameters
    ----------
    circuit : Circuit
    values : mapping
        By full name, those of joined ports included; a swept one is an array of shape (points,).
    excite : str
        The device whose ac value is 1.
    load : mapping, optional
        What stands at the circuit's output in place of its own load; see :func:`_other_load`.
    """
    bench = _Bench(circuit, values, excite)
    end = circuit.ends.get("output")
    for port in circuit.placed_ports.values():
        match port.port.kind:
            case "supply" if not port.joined:
                yield bench.supply(port)
            case "source" if not port.joined:
                yield from bench.source(port)
            case "load":
                other = load if load is not None and end is not None and port.full == end.full else None
                yield from bench.load(port, other)
    for name, join in circuit.loops.items():
        yield from bench.probe(name, circuit.place(join.start), circuit.place(join.end))


#: A loudspeaker by its nominal impedance: resistance of the coil, its inductance with the loss beside it, and the
#: resonance as a parallel circuit, as shares of the nominal impedance. An invented but usual one (common practice,
#: no source): at its resonance of 60 Hz four times the nominal impedance, twice the nominal impedance near 10 kHz.
COIL, INDUCTANCE, LOSS, PEAK, RESONANCE, QUALITY = 0.8, 4e-5, 3.0, 3.2, 60.0, 3.0


def _other_load(node: str, load: Mapping[str, float]) -> Iterator[Element]:
    """Yield another load: "resistance" [ohm], "capacitance" [F], "loudspeaker" (its nominal impedance [ohm]); 0: none.

    A megohm stays where nothing else does, so that the node has a path.
    """
    ohms, farads, nominal = (float(load.get(key, 0.0)) for key in ("resistance", "capacitance", "loudspeaker"))
    drawn = [("r_other_load", node, "0", ohms or 1e6)]
    if farads:
        drawn.append(("c_other_load", node, "0", farads))
    if nominal:
        peak = PEAK * nominal
        omega = 2.0 * np.pi * RESONANCE
        drawn += [
            ("r_coil", node, "n_coil", COIL * nominal),
            ("l_coil", "n_coil", "n_cone", INDUCTANCE * nominal),
            ("r_coil_loss", "n_coil", "n_cone", LOSS * nominal),
            ("r_cone", "n_cone", "0", peak),
            ("l_cone", "n_cone", "0", float(peak / (omega * QUALITY))),
            ("c_cone", "n_cone", "0", float(QUALITY / (omega * peak))),
        ]
    for name, one, other, value in drawn:
        yield Element(name, (one, other), value, role=Role.LOAD)


class PortRow(NamedTuple):
    """A port for a table: its name, what it is, its node, how it joins, and what the bench draws while it is open."""

    port: str
    kind: str
    node: str
    join: str
    while_open: str


#: What each kind of port is, and the join that takes the bench's place there.
_KINDS = {
    "source": ("input", "... -> {}"),
    "load": ("output", "{} -> ..."),
    "supply": ("supply", "... -> {}"),
    "point": ("point", "... -> {} -> ..."),
}


def port_rows(circuit: Circuit) -> list[PortRow]:
    """Return one row a port, those included that are only there when something is joined to them."""
    rows = []
    for stage, made in circuit.stages.items():
        for name, port in made.template.header.ports.items():
            full = joined_name(stage, name)
            kind, join = _KINDS[port.kind]
            joined = [str(join) for join in circuit.joins if full in join]
            drawn = "" if circuit.is_joined(full) else _drawn(port)
            rows.append(PortRow(full, kind, port.node, ", ".join(joined) or join.format(full), drawn))
    return rows


def _drawn(port: Port) -> str:
    """Return what the bench draws at an open port, by the names of its parameters."""
    words = []
    if (source := port.source) is not None:
        words.append(f"the inverse of {source.inverse_of}" if source.inverse_of else "the signal")
        path = [
            part + (f" (with {_in_words(when)})" if when else "")
            for part, when in (
                (source.offset, source.offset_when), (source.resistance, {}), (source.capacitor, source.capacitor_when)
            )
            if part
        ]  # fmt: skip
        words += [f"through {', '.join(path)}"] if path else []
    elif (load := port.load) is not None:
        words.append(", ".join(part for part in (load.resistor, load.capacitance) if part) or "no load")
    elif port.supply:
        words.append(port.supply)
    if port.when:
        words.append(f"(with {_in_words(port.when)}, else 0 V)")
    if port.needs:
        words.append(f"there with {port.needs} above 0, or where something is joined")
    return " ".join(words)


def _in_words(when: When) -> str:
    return " and ".join(f"{name} = {' or '.join(choices)}" for name, choices in when.items())


def _inverse(port: PlacedPort) -> bool:
    return port.port.source is not None and bool(port.port.source.inverse_of)


def _suffix(port: PlacedPort) -> str:
    """Return what tells a stage's ports of one kind apart in device names: "" for input and output, "_b"."""
    return port.name.removeprefix("input").removeprefix("output")


class _Bench:
    """Draws ports of one circuit."""

    def __init__(self, circuit: Circuit, values: Mapping[str, Any], excite: str) -> None:
        self.circuit, self.values, self.excite = circuit, values, excite

    def value(self, port: PlacedPort, parameter: str) -> Any:
        full = joined_name(port.stage, parameter)
        return given(self.values[full], full) if parameter else 0.0

    def there(self, port: PlacedPort, parameter: str) -> bool:
        """Whether a part is there: its value isn't 0."""
        return present(self.value(port, parameter))

    def holds(self, port: PlacedPort, when: When) -> bool:
        return holds(when, self.circuit.stages[port.stage].values)

    def name(self, port: PlacedPort, token: str) -> str:
        return in_netlist(port.stage, token)

    def drawn(self, stage: str, token: str, nodes: tuple[str, str], value: Any, role: Role) -> Element:
        """Return an element of the bench; ``value`` knows the parameter that it is, if it is one."""
        path, parameter = joined_name(stage, token[2:]), getattr(value, "parameter", "")
        return Element(in_netlist(stage, token), nodes, value, role=role, path=path, parameter=parameter, stage=stage)

    def excited(self, name: str, nodes: tuple[str, str], value: Any = 0.0, role: Role = Role.SOURCE) -> Element:
        """Return a source that a request may excite."""
        parameter = getattr(value, "parameter", "")
        ac = (1.0 if name == self.excite else 0.0,)
        return Element(name, nodes, value, ac=ac, role=role, parameter=parameter)

    def supply(self, port: PlacedPort) -> Element:
        in_use = self.circuit.stages[port.stage].in_use(port.port.when)
        volts = self.value(port, port.port.supply) if in_use else 0.0
        return self.excited(self.name(port, f"v_{port.name}"), (port.node, "0"), volts)

    def source(self, port: PlacedPort) -> Iterator[Element]:
        source = port.port.source
        assert source is not None
        tail = _suffix(port)
        signal, inner = (self.name(port, f"n_{word}{tail}") for word in ("signal", "source"))
        capacitor = self.holds(port, source.capacitor_when) and self.there(port, source.capacitor)
        foot = "0" if capacitor or source.foot == "0" else self.circuit.node(self.name(port, source.foot))
        if source.offset and self.holds(port, source.offset_when):
            stand = self.name(port, f"n_offset{tail}")
            volts = self.value(port, source.offset)
            yield self.drawn(port.stage, f"v_offset{tail}", (stand, foot), volts, Role.SOURCE)
            foot = stand
        path = [source.resistance] if source.resistance else []
        if not path and not capacitor:
            signal = port.node
        if source.inverse_of:
            yield from self.inverse(port, signal, foot)
        else:
            yield self.excited(signal_device(self.circuit, port), (signal, foot))
        if path:
            end = inner if capacitor else port.node
            ohms = resistance(self.value(port, source.resistance))
            yield self.drawn(port.stage, f"r_source{tail}", (signal, end), ohms, Role.SOURCE)
        if capacitor:
            start = inner if path else signal
            farads = self.value(port, source.capacitor)
            yield self.drawn(port.stage, f"c_input{tail}", (start, port.node), farads, Role.PART)

    def inverse(self, port: PlacedPort, signal: str, foot: str) -> Iterator[Element]:
        """Draw the opposite of another input's signal, each over its own foot."""
        source = port.port.source
        assert source is not None
        other = self.circuit.placed_ports[joined_name(port.stage, source.inverse_of)]
        of = self.name(other, f"n_signal{_suffix(other)}")
        upright = other.port.source
        assert upright is not None
        apart = self.holds(other, upright.capacitor_when) and self.there(other, upright.capacitor)
        stand = "0" if apart or upright.foot == "0" else self.circuit.node(self.name(other, upright.foot))
        level = f"(v({stand})-v({of}))" if stand != "0" else f"(0-v({of}))"
        tail = _suffix(port)
        ratio = self.name(port, f"n_ratio{tail}")
        if source.imbalance:
            factor = 1.0 + np.asarray(self.value(port, source.imbalance))
            yield self.drawn(port.stage, f"v_ratio{tail}", (ratio, "0"), factor, Role.MODEL)
            level += f"*v({ratio})"
        name = self.name(port, f"b_signal{tail}")
        yield Element(name, (signal, foot), expression=f"v={level}", role=Role.SOURCE)

    def load(self, port: PlacedPort, other: Mapping[str, float] | None = None) -> Iterator[Element]:
        load = port.port.load
        assert load is not None
        tail = _suffix(port)
        if other is not None:
            yield from _other_load(port.node, other)
        elif not port.joined:
            for letter, parameter in (("r", load.resistor), ("c", load.capacitance)):
                if parameter and self.there(port, parameter):
                    value = self.value(port, parameter)
                    yield self.drawn(port.stage, f"{letter}_load{tail}", (port.node, "0"), value, Role.LOAD)
        yield self.excited(self.name(port, f"i_{port.name}"), ("0", port.node))

    def probe(self, name: str, start: str, end: str) -> Iterator[Element]:
        """Draw the sources through which a loop is looked into; without a value they are a wire."""
        voltage, current = (in_netlist(name, f"{kind[0]}_probe") for kind in PROBES)
        yield self.excited(voltage, (end, start), role=Role.SENSE)
        yield self.excited(current, ("0", end))
