"""Circuits: stages joined at their ports. A stage alone is a circuit of one.

Whatever is measured, swept or drawn is a :class:`Circuit`. In one of several stages every name has the stage in front:
parameters (``driver.anode_resistor``), valves (``driver.v1``), ports (``driver.output``), nodes (``driver.n_anode``).
What the bench would draw at a port (source, load, supply) is gone where that port is joined, its parameters too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from simwrap.circuits.header import Parameter, Port
from simwrap.circuits.joins import Join, chain, join_faults
from simwrap.circuits.stage import (
    ComponentUse,
    Stage,
    ValveUse,
    check_pairs,
    parameter_row,
    parameter_table,
)
from simwrap.circuits.template import Template
from simwrap.errors import InputError, UnknownNameError, shown
from simwrap.forking import cached_property
from simwrap.netlist.element import USUAL, Element, Role
from simwrap.registry import load
from simwrap.report.html import as_html

_STAGE_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*\Z")
#: What stands between a stage's name and a name inside it, in a netlist.
_SEAM = "__"
#: Ports that stand for the circuit's own where nothing is said.
_INPUTS, _OUTPUTS = ("input", "input_b"), ("output", "output_b", "speaker")


@dataclass(frozen=True)
class PlacedPort:
    """A port of a stage in a circuit.

    Attributes
    ----------
    stage, name : str
        Where it is ("" in a circuit of one), and its own name.
    port : Port
    node : str
        In the netlist.
    joined : bool
        Whether something else stands there in place of the bench.
    """

    stage: str
    name: str
    port: Port
    node: str
    joined: bool

    @property
    def full(self) -> str:
        """Its name in the circuit."""
        return joined_name(self.stage, self.name)


def joined_name(stage: str, name: str) -> str:
    """Return a name with its stage in front."""
    return f"{stage}.{name}" if stage else name


def in_netlist(stage: str, token: str) -> str:
    """Return the netlist's name of a node or device of a stage, such as "n_driver__anode"."""
    return f"{token[:2]}{stage}{_SEAM}{token[2:]}" if stage and token != "0" else token


@dataclass(frozen=True)
class Circuit:
    """Stages joined at ports.

    Attributes
    ----------
    stages : mapping of str to Stage
        In order from input to output; a circuit of one stage has it under "".
    joins : tuple of Join
    title : str
    main_input, main_output : str
        Ports "stage.port" that "input" and "output" mean; "": the first open input, the last open output.
    """

    stages: Mapping[str, Stage]
    joins: tuple[Join, ...] = ()
    title: str = ""
    main_input: str = ""
    main_output: str = ""

    # What it is made of

    @property
    def name(self) -> str:
        """Name of the template of a circuit of one, or else the title or the names of the stages."""
        return self.title or ", ".join(self.stages)

    @property
    def summary(self) -> str:
        """One line for a list."""
        alone = self.stages.get("")
        if alone is not None:
            return alone.summary
        return " -> ".join(f"{name} ({stage.name})" for name, stage in self.stages.items())

    @cached_property
    def placed_ports(self) -> Mapping[str, PlacedPort]:
        """Every port by its full name."""
        ends = {end for join in self.joins for end in (self._listens(join) + [join.end])}
        found = {}
        for name, stage in self.stages.items():
            for own, port in stage.template.header.ports.items():
                full = joined_name(name, own)
                if port.needs and not stage.values[port.needs] and full not in ends:
                    continue
                found[full] = PlacedPort(name, own, port, self.node(in_netlist(name, port.node)), full in ends)
        return found

    @cached_property
    def loops(self) -> Mapping[str, Join]:
        """The join at which each feedback path listens, by the path's name: where a loop is looked into."""
        return {
            join.end.partition(".")[0]: join
            for join in self.joins
            if not self._listens(join) and join.end.partition(".")[2] in _INPUTS
        }

    @property
    def loop_probes(self) -> Mapping[str, tuple[str, str]]:
        """Node and current vector with which each loop is looked into, by its path's name."""
        return {name: (self.ports[join.end], f"i({in_netlist(name, 'v_probe')})") for name, join in self.loops.items()}

    def ignored(self) -> Iterator[str]:
        """Yield a clause for every capacitor that was set in front of a port at which something is joined."""
        for port in self.placed_ports.values():
            name = port.port.source.capacitor if port.port.source is not None else ""
            made = self.stages[port.stage]
            if port.joined and name and made.values[name] not in (0.0, made.parameters[name].default):
                yield (
                    f"{joined_name(port.stage, name)}: is not there, since {port.full} is joined; leave it out, or put "
                    "a stage coupling in between"
                )

    def is_joined(self, full: str) -> bool:
        """Return whether something else stands at a port in place of the bench."""
        port = self.placed_ports.get(full)
        return port is not None and port.joined

    def _listens(self, join: Join) -> list[str]:
        """Return the start of a join as a list, empty where what it leads to is no load: a feedback path."""
        stage = self.stages.get(join.end.partition(".")[0])
        return [] if stage is not None and stage.template.header.role == "feedback" else [join.start]

    @cached_property
    def _wires(self) -> Mapping[str, str]:
        """Nodes that are another one's because they are joined, by netlist name."""
        wires: dict[str, str] = {}

        def root(node: str) -> str:
            while node in wires:
                node = wires[node]
            return node

        for join in self.joins:
            start, end = (root(self._node_of(place)) for place in join)
            if start != end and join not in self.loops.values():
                wires[end] = start
        return {node: root(node) for node in wires}

    def _node_of(self, place: str) -> str:
        """Return the netlist node of "stage.port" or of "stage.n_node", before joining."""
        name, _, own = place.partition(".")
        template = self.stages[name].template
        port = template.header.ports.get(own)
        return in_netlist(name, own if port is None else port.node)

    def node(self, token: str) -> str:
        """Return the node that a node of a stage is after joining."""
        return self._wires.get(token, token)

    @property
    def wired(self) -> Mapping[str, str]:
        """Netlist nodes of nodes "stage.n_node" that have become another stage's, since they are joined."""
        places = (f"{name}.{node}" for name, made in self.stages.items() if name for node in made.template.nodes)
        return {place: node for place in places if (node := self.place(place)) != self._node_of(place)}

    def place(self, path: str) -> str:
        """Return the netlist node of an end of a join: "stage.port" or "stage.n_node"."""
        return self.node(self._node_of(path))

    def placed(self, stage: str, element: Element) -> Element:
        """Return an element of a stage's template as it is in the circuit: its names there, and what it is."""
        header = self.stages[stage].template.header
        what: dict[str, Any] = {"stage": stage, "side": header.side_of(element.valve or element.name)}
        if element.valve and not stage and not what["side"]:
            return element
        if element.valve:
            what["valve"] = joined_name(stage, element.valve)
        else:
            what["role"] = header.role_of(element.name) or USUAL.get(element.kind, Role.MODEL)
            what["path"] = joined_name(stage, element.name[2:])
        if not stage:
            return replace(element, **what)
        return replace(element.renamed(lambda name: self.node(in_netlist(stage, name))), **what)

    # Parameters

    @cached_property
    def _left_out(self) -> Mapping[str, str]:
        """Parameters that belong to the bench at joined ports, with the port."""
        return {
            joined_name(port.stage, parameter): port.full
            for port in self.placed_ports.values()
            if port.joined
            for parameter in bench_parameters(port.port)
        }

    @cached_property
    def parameters(self) -> Mapping[str, Parameter]:
        """Parameters by name."""
        return {
            full: parameter.model_copy(update={"name": full})
            for stage, made in self.stages.items()
            for name, parameter in made.parameters.items()
            if (full := joined_name(stage, name)) not in self._left_out
        }

    @cached_property
    def values(self) -> Mapping[str, Any]:
        """SI floats, valve names and words of choices by parameter; spreads of valves that were set."""
        return MappingProxyType(
            {
                full: value
                for stage, made in self.stages.items()
                for name, value in made.values.items()
                if (full := joined_name(stage, name)) not in self._left_out
            }
        )

    def split(self, values: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
        """Return values by stage and by their name there."""
        if "" in self.stages:
            return {"": dict(values)}
        parts: dict[str, dict[str, Any]] = {}
        for full, value in values.items():
            stage, _, name = full.partition(".")
            parts.setdefault(stage, {})[name] = value
        return parts

    def check(self, name: str, given: Any) -> tuple[str, Any]:
        """Return the canonical name and checked value of one parameter.

        Raises
        ------
        UnknownNameError, QuantityError, RangeError
        InputError
            For a part of the bench at a port that is joined.
        """
        if "" in self.stages:
            return self.stages[""].check(name, given)
        stage, dot, part = str(name).strip().partition(".")
        if not dot or stage.casefold() not in self.stages:
            raise UnknownNameError("parameter", name, self.parameters, self.name)
        stage = stage.casefold()
        full = joined_name(stage, self.stages[stage].parameter_name(part))
        if full in self._left_out:
            port = self._left_out[full]
            others = [str(join) for join in self.joins if port in join]
            raise InputError(f"{full}: is not there, since {port} is joined ({', '.join(others)})")
        return full, self.stages[stage].check(part, given)[1]

    def replace(self, **values: Any) -> Circuit:
        """Return a circuit with some values changed (text such as "4k7" is read)."""
        checked = dict(self.check(name, given) for name, given in values.items())
        return self.with_values(checked)

    def with_values(self, checked: Mapping[str, Any]) -> Circuit:
        """Return a circuit with some checked values by full name."""
        check_pairs(self.parameters, {**self.values, **checked}, self.name)
        parts = self.split(checked)
        stages = {
            name: Stage(stage.template, MappingProxyType({**stage.values, **parts[name]}), stage.valve_folders)
            if name in parts
            else stage
            for name, stage in self.stages.items()
        }
        return replace(self, stages=stages)

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Return one row a parameter: symbol, label, name, and value with its unit."""
        return [parameter_row(self.parameters.get(name), name, value) for name, value in self.values.items()]

    # What measures look at

    @cached_property
    def valves(self) -> Mapping[str, ValveUse]:
        """The valves that are in the circuit, by name."""
        found = {}
        for stage, made in self.stages.items():
            for instance, use in made.valves.items():
                nodes = {role: self.node(in_netlist(stage, node)) for role, node in use.nodes.items()}
                currents = {electrode: in_netlist(stage, node) for electrode, node in use.currents.items()}
                leak = joined_name(stage, use.grid_leak) if use.grid_leak else ""
                found[joined_name(stage, instance)] = replace(
                    use,
                    nodes=MappingProxyType(nodes),
                    currents=MappingProxyType(currents),
                    grid_leak=leak,
                    stage=stage,
                    side=made.template.header.side_of(instance),
                    shares_load="speaker" in made.template.header.ports and len(made.valves) > 1,
                )
        return found

    @cached_property
    def components(self) -> Mapping[str, ComponentUse]:
        """The components that are in the circuit, by name."""
        found = {}
        for stage, made in self.stages.items():
            for instance, use in made.components.items():
                nodes = {role: self.node(in_netlist(stage, node)) for role, node in use.nodes.items()}
                current = in_netlist(stage, use.current)
                own = replace(use, nodes=MappingProxyType(nodes), current=current, stage=stage)
                found[joined_name(stage, instance)] = own
        return found

    @cached_property
    def ports(self) -> Mapping[str, str]:
        """Node of each port by name; "input", "output", "output_b", "speaker" are the circuit's own ends."""
        full = {name: port.node for name, port in self.placed_ports.items()}
        return {alias: port.node for alias, port in self.ends.items()} | full

    @cached_property
    def ends(self) -> Mapping[str, PlacedPort]:
        """The ports that "input", "output" and their companions mean."""
        found: dict[str, PlacedPort] = {}
        ports = self.placed_ports
        start = ports.get(self.main_input) or next(
            (port for port in ports.values() if port.port.kind == "source" and not port.joined), None
        )
        signal = [
            port
            for port in ports.values()
            if port.port.kind == "load" and self.stages[port.stage].template.header.role == "stage"
        ]
        end = ports.get(self.main_output) or next(
            (port for port in reversed(signal) if not port.joined and port.name == "output"), None
        )
        for chosen, names in ((start, _INPUTS), (end, _OUTPUTS)):
            if chosen is None:
                continue
            for name in names:
                other = ports.get(joined_name(chosen.stage, name))
                if other is not None:
                    found[name] = other
            found[names[0]] = chosen
        return found

    def end(self, name: str) -> PlacedPort | None:
        """Return a port by its full name or by what it is at the circuit's ends; None where there is none."""
        return self.ends.get(name) or self.placed_ports.get(name)

    def bench_part(self, port: str, part: str) -> str:
        """Return the parameter of a part that the bench draws at a port, "" where there is none.

        Parameters
        ----------
        port : str
            Such as "output" or "driver.output".
        part : str
            "resistor" or "capacitance" of a load, "resistance", "capacitor", "offset" or "drive" of a source.
        """
        end = self.end(port)
        if end is None or end.joined:
            return ""
        own = getattr(end.port.load, part, "") or getattr(end.port.source, part, "")
        return joined_name(end.stage, own) if own else ""

    @cached_property
    def supplies(self) -> Mapping[str, str]:
        """Source device by name of each supply that is not joined and feeds something."""
        return {
            name: in_netlist(port.stage, f"v_{port.name}")
            for name, port in self.placed_ports.items()
            if port.port.kind == "supply" and not port.joined and self.stages[port.stage].in_use(port.port.when)
        }

    @cached_property
    def node_paths(self) -> Mapping[str, str]:
        """Netlist node by path ("driver.n_anode") of every node that a builder can touch with a probe."""
        found: dict[str, str] = {}
        for stage, made in self.stages.items():
            header = made.template.header
            inner = tuple(f"n_{instance}_" for instance in (*header.valves, *header.components))
            hidden = {*header.hidden_nodes, "n_signal"}
            for node in sorted(made.template.nodes):
                if node in hidden or node.startswith(inner):
                    continue
                token = in_netlist(stage, node)
                if self.node(token) == token:  # a joined node has the name of where it comes from
                    found[joined_name(stage, node)] = token
        return found

    @property
    def measures(self) -> tuple[str, ...]:
        """What is measured where nothing is asked for."""
        alone = self.stages.get("")
        return ("bias", "response") if alone is None else alone.template.measures

    @property
    def other_measures(self) -> bool:
        """Whether measures that aren't in ``measures`` have a meaning."""
        return all(stage.template.header.other_measures for stage in self.stages.values())

    @property
    def standard_curves(self) -> Mapping[str, Mapping[str, list[float]]]:
        """Time constants [s] by name of each standard's curve that the circuit is meant to follow."""
        return {
            joined_name(name, curve): times
            for name, stage in self.stages.items()
            for curve, times in stage.template.header.standard_curves.items()
        }

    @property
    def templates(self) -> list[Template]:
        """The templates of its stages."""
        return [stage.template for stage in self.stages.values()]

    def netlist(self) -> str:
        """Return a whole netlist, with title and analyses, that ``ngspice -b`` runs unchanged."""
        text: str = load("simwrap.circuits.render:render")(self).complete()
        return text

    def __repr__(self) -> str:
        return f"Circuit {self.name}: {self.summary}"

    def _repr_html_(self) -> str:
        return as_html([parameter_table(f"{self.name}: {self.summary}", self.rows())])

    def __reduce__(self) -> tuple[Any, ...]:
        return Circuit, (dict(self.stages), self.joins, self.title, self.main_input, self.main_output)


def bench_parameters(port: Port) -> Iterator[str]:
    """Yield the parameters that belong to the bench at a port."""
    if port.source is not None:
        names = ("resistance", "capacitor", "offset", "drive", "imbalance")
        yield from (name for key in names if (name := getattr(port.source, key)))
    if port.load is not None:
        yield from (name for name in (port.load.resistor, port.load.capacitance) if name)
    if port.supply:
        yield port.supply


def as_circuit(given: Any, where: str = "simwrap") -> Circuit:
    """Return a stage or circuit as a circuit.

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(given, Circuit):
        return given
    if isinstance(given, Stage):
        alone: Circuit = given.circuit
        return alone
    hint = (
        f'simwrap.stage("{given}")'
        if isinstance(given, str) and given.isidentifier() and len(given) < 40
        else 'simwrap.stage("triode_gain")'
    )
    raise InputError(f"{where}: {type(given).__name__} is neither a stage nor a circuit; give one such as {hint}")


def circuit(
    stages: Mapping[str, Stage] | None = None,
    /,
    *,
    joins: Sequence[str | tuple[str, str]] | None = None,
    title: str = "",
    main_input: str = "",
    main_output: str = "",
    **named: Stage,
) -> Circuit:
    """Join stages into a circuit.

    Parameters
    ----------
    stages : mapping of str to Stage, optional
        Stages by a name of your own, in order; or give them as keywords: ``line=simwrap.stage("triode_gain")``.
    joins : sequence, optional
        Connections such as ``"line.output -> tone.input"``, ``"dropper.output -> line.supply"`` or
        ``"loop.output -> driver.foot"``. A port of the header, or any node of a stage's netlist
        (``driver.n_anode``). Without it the stages form a chain: each output to the next input, and both sides
        of a splitter to a pair.
    title : str, optional
    main_input, main_output : str, optional
        Which ports "input" and "output" mean; otherwise the first open input and the last open output.

    **named : Stage
        Stages by name.

    Returns
    -------
    Circuit

    Raises
    ------
    InputError
        For all that is wrong with names and joins, at once.

    Examples
    --------
    >>> import simwrap
    >>> chain = simwrap.circuit(line=simwrap.stage("triode_gain"), tone=simwrap.stage("tone_passive"))
    >>> [str(join) for join in chain.joins]
    ['line.output -> tone.input']
    """
    if not isinstance(stages or {}, Mapping):
        raise InputError(f'{shown(stages)} is no mapping of stages; give one such as {{"line": simwrap.stage(...)}}')
    everything = {**(stages or {}), **named}
    if not everything:
        raise InputError('a circuit needs at least one stage, such as line=simwrap.stage("triode_gain")')
    for name, stage in everything.items():
        if not isinstance(stage, Stage):
            raise InputError(
                f'{name}: {type(stage).__name__} is no stage; give one such as simwrap.stage("triode_gain")'
            )
        if not _STAGE_NAME.match(name):
            raise InputError(f'"{name}" can\'t name a stage; give lower-case letters, digits and single underscores')
    wanted = tuple(map(Join.read, joins)) if joins is not None else tuple(chain(everything))
    problems = list(join_faults(everything, wanted, (main_input, main_output)))
    made = Circuit(everything, wanted, title, main_input, main_output)
    problems = problems or list(made.ignored())
    if problems:
        raise InputError(f"{title or 'circuit'}: " + "; ".join(problems))
    return made
