"""Stages: a template with a checked value for every parameter.

Values are plain SI floats, valve names and words of choices. Stages are frozen; ``replace`` makes a
changed one. Wherever a circuit is wanted, a stage is a circuit of one (:mod:`simwrap.circuits.circuit`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap._paths import as_folders
from simwrap.circuits.header import SAME, Parameter, ValveSlot, When
from simwrap.circuits.library import find_template
from simwrap.circuits.template import Template
from simwrap.errors import InputError, RangeError, UnknownNameError
from simwrap.forking import cached_property
from simwrap.registry import find, load
from simwrap.report.html import as_html
from simwrap.report.model import Listing
from simwrap.units import quantity

if TYPE_CHECKING:
    from simwrap.components import Component
    from simwrap.valves import Valve

#: Parameters that any valve of any stage has: factors on emission and amplification factor.
SPREADS = ("emission", "mu")
#: And any resistor, capacitor and coil: "r_grid_leak_b.spread" is a factor on the value of that element alone.
PART_SPREAD, _DEVICE = "spread", re.compile(r"[rcl]_[a-z0-9_]+")


@dataclass(frozen=True)
class ValveUse:
    """A valve in a circuit.

    Attributes
    ----------
    valve : Valve
    nodes : mapping of str to str
        Nodes by role.
    currents : mapping of str to str
        Nodes that carry the currents into the electrodes, in mA as volts, by electrode.
    grid_leak : str
        The parameter that is its grid leak, "" where there is none in the circuit.
    fixed_bias : bool
    stage : str
        Name of the stage that it is in.
    side : str
        "a" or "b": its half of a pair; "" where there are none.
    shares_load : bool
        Whether another valve in opposite phase works on the same transformer, so that it may be cut off.
    """

    valve: Valve
    nodes: Mapping[str, str]
    currents: Mapping[str, str] = field(default_factory=dict)
    grid_leak: str = ""
    fixed_bias: bool = False
    stage: str = ""
    side: str = ""
    shares_load: bool = False


@dataclass(frozen=True)
class ComponentUse:
    """A component in a circuit: what it is, and its nodes by electrode.

    The node ``current`` carries its current in mA as volts; ``stage`` is the name of the stage that it is in,
    ``protects`` tells of a zener that isn't meant to conduct at rest.
    """

    component: Component
    nodes: Mapping[str, str]
    current: str
    stage: str = ""
    protects: bool = False


def holds(words: When, values: Mapping[str, Any]) -> bool:
    """Return whether every choice has one of its words."""
    return all(values[name] in accepted for name, accepted in words.items())


def _use(instance: str, slot: ValveSlot, valve: Valve, values: Mapping[str, Any]) -> ValveUse:
    # A triode in the place of a pentode has no screen.
    nodes = {role: node for role, node in slot.nodes.items() if role != "screen" or valve.kind == "pentode"}
    currents = {"anode": f"n_{instance}_ia"}
    if valve.kind == "pentode":
        currents["screen"] = f"n_{instance}_ig2"
    if valve.kind != "rectifier":
        currents["grid"] = f"n_{instance}_ig"
    leak = slot.grid_leak if holds(slot.leak_when, values) else ""
    fixed = bool(slot.fixed_when) and holds(slot.fixed_when, values)
    return ValveUse(valve, MappingProxyType(nodes), MappingProxyType(currents), leak, fixed)


@dataclass(frozen=True)
class Stage:
    """A template with a checked value for every parameter.

    Attributes
    ----------
    template : Template
    values : mapping of str to float or str
        SI floats, canonical valve names, words of choices; also "<instance>.emission" and
        "<instance>.mu" where a valve's spread was set.
    valve_folders : tuple of Path
        The builder's own folders of valves.
    """

    template: Template
    values: Mapping[str, Any]
    valve_folders: tuple[Path, ...] = ()

    @property
    def name(self) -> str:
        """Name of the template."""
        return self.template.name

    @property
    def summary(self) -> str:
        """One line for a list."""
        return self.template.summary

    @cached_property
    def circuit(self) -> Any:
        """The circuit of this stage alone, on its bench."""
        return load("simwrap.circuits.circuit:Circuit")({"": self}, (), self.name)

    @property
    def parameters(self) -> Mapping[str, Parameter]:
        """Parameters by name."""
        return self.template.parameters

    @property
    def measures(self) -> tuple[str, ...]:
        """What is measured where nothing is asked for."""
        return self.template.measures

    @property
    def ports(self) -> Mapping[str, str]:
        """Node of each port by name."""
        ports: Mapping[str, str] = self.circuit.ports
        return ports

    @property
    def supplies(self) -> Mapping[str, str]:
        """Source device by name of each supply that feeds something with these choices and valves."""
        supplies: Mapping[str, str] = self.circuit.supplies
        return supplies

    @cached_property
    def valves(self) -> Mapping[str, ValveUse]:
        """The valves that are in the circuit, by instance name."""
        found = {}
        for instance, slot in self.template.header.valves.items():
            if holds(slot.when, self.values):
                found[instance] = _use(instance, slot, self._in_socket(slot), self.values)
        return found

    @cached_property
    def components(self) -> Mapping[str, ComponentUse]:
        """The components that are in the circuit, by instance name."""
        found = {}
        for instance, slot in self.template.header.components.items():
            if holds(slot.when, self.values):
                own = self.parameters[slot.parameter]
                made = _component(own, self.values[slot.parameter], self.name, self.valve_folders)
                nodes = MappingProxyType({role: slot.nodes[role] for role in made.electrodes})
                found[instance] = ComponentUse(made, nodes, f"n_{instance}_ia", protects=slot.protects)
        return found

    def _in_socket(self, slot: ValveSlot) -> Valve:
        parameter = self.parameters[slot.parameter]
        valve = _valve(parameter, self.values[slot.parameter], self.name, self.valve_folders)
        if not slot.replaced_by or self.values[slot.replaced_by] == SAME:
            return valve
        other = _valve(self.parameters[slot.replaced_by], self.values[slot.replaced_by], self.name, self.valve_folders)
        if other.kind != valve.kind:
            accepted = f'a {valve.kind} as {slot.parameter} is, or "{SAME}"'
            raise RangeError(slot.replaced_by, f"{other.name} ({other.kind})", accepted, self.name)
        return other

    def in_use(self, when: When) -> bool:
        """Return whether something is in use with these choices ("valve_kind": kind of the first valve)."""
        kinds = [use.valve.kind for use in self.valves.values()] if "valve_kind" in when else []
        return holds(when, {**self.values, "valve_kind": kinds[0] if kinds else ""})

    def check(self, name: str, given: Any) -> tuple[str, Any]:
        """Return the canonical name and checked value of one parameter, by its name or trade symbol.

        Raises
        ------
        UnknownNameError, QuantityError, RangeError
        """
        own = self.parameter_name(name)
        parameter = self.parameters.get(own) or Parameter(
            name=own, unit="", default=1.0, label="spread", minimum=0.1, maximum=10.0
        )
        return own, _checked(parameter, given, self.name, self.valve_folders)

    def parameter_name(self, name: str) -> str:
        """Return the canonical name of a parameter by its name, its trade symbol, or as "<instance>.emission".

        Raises
        ------
        UnknownNameError
        """
        return self._spread(name) or find_parameter(name, self.parameters, self.name).name

    def _spread(self, name: str) -> str | None:
        instance, dot, which = str(name).strip().casefold().partition(".")
        if not dot:
            return None
        if which == PART_SPREAD and _DEVICE.fullmatch(instance):  # whether it is there shows when drawn
            return f"{instance}.{which}"
        accepted = [f"{valve}.{key}" for valve in self.template.header.valves for key in SPREADS]
        return find("parameter", f"{instance}.{which}", {entry: entry for entry in accepted}, self.name)

    def replace(self, **values: Any) -> Stage:
        """Return a stage with some values changed (text such as "4k7" is read)."""
        changed = dict(self.values)
        for name, given in values.items():
            key, value = self.check(name, given)
            changed[key] = value
        return self.with_values(changed)

    def with_values(self, checked: Mapping[str, Any]) -> Stage:
        """Return a stage with some checked values by name."""
        changed = {**self.values, **checked}
        check_pairs(self.parameters, changed, self.name)
        return Stage(self.template, MappingProxyType(changed), self.valve_folders)

    def netlist(self) -> str:
        """Return a whole netlist, with title and analyses, that ``ngspice -b`` runs unchanged."""
        text: str = self.circuit.netlist()
        return text

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Return one row a parameter: symbol, label, name, and value with its unit."""
        return [parameter_row(self.parameters.get(name), name, value) for name, value in self.values.items()]

    def _repr_html_(self) -> str:
        return as_html([parameter_table(f"{self.name}: {self.summary}", self.rows())])

    def __repr__(self) -> str:
        values = ", ".join(f"{name}={text}" for _, _, name, text in self.rows())
        return f"Stage {self.name}({values})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Stage):
            return NotImplemented
        mine, theirs = ((s.template.path, dict(s.values), s.valve_folders) for s in (self, other))
        return mine == theirs

    def __hash__(self) -> int:
        return hash((self.template.path, tuple(self.values.items()), self.valve_folders))

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (self.template.path, dict(self.values), self.valve_folders)


def _rebuild(path: Path, values: dict[str, Any], folders: tuple[Path, ...]) -> Stage:
    return Stage(find_template(path), MappingProxyType(values), folders)


def parameter_row(parameter: Parameter | None, name: str, value: Any) -> tuple[str, str, str, str]:
    """Return symbol, label, name, and value with its unit."""
    if parameter is None:
        return "", "spread of a valve", name, f"{value:g}"
    if not parameter.numeric:
        return parameter.symbol, parameter.label, name, str(value)
    none = value == 0 and parameter.unit == "F"
    return parameter.symbol, parameter.label, name, "none" if none else quantity.render(value, parameter.unit)


def parameter_table(caption: str, rows: Iterable[tuple[str, str, str, str]]) -> Listing:
    """Return the rows as a table."""
    return Listing(caption, ("symbol", "part", "parameter", "value"), list(rows))


def find_parameter(name: str, parameters: Mapping[str, Parameter], where: str) -> Parameter:
    """Return a parameter by its name in any case, or by its trade symbol.

    A symbol counts as it is written ("Ra", "RA" only where nothing else is meant).

    Raises
    ------
    UnknownNameError
        With the nearest names.
    InputError
        If a symbol stands for several parameters.
    """
    try:
        return find("parameter", name, parameters, where)
    except UnknownNameError:
        for fold in (str, str.casefold):
            stage, _, symbol = str(name).strip().rpartition(".")
            wanted = fold(symbol)
            meant = [
                full
                for full, parameter in parameters.items()
                if full.rpartition(".")[0].casefold() == stage.casefold()
                and wanted in (fold(part) for part in (parameter.symbol, *parameter.symbol.split(", ")) if part)
            ]
            if len(meant) == 1:
                return parameters[meant[0]]
            if meant:
                raise InputError(f'{where}: "{name}" may be {" or ".join(meant)}; give one of these names') from None
        raise


def _checked(parameter: Parameter, given: Any, where: str, folders: tuple[Path, ...]) -> Any:
    if parameter.unit == "choice":
        try:
            return find("choice", given, {word: word for word in parameter.choices}, f"{where}: {parameter.name}")
        except UnknownNameError:
            raise RangeError(parameter.name, given, " or ".join(parameter.choices), where) from None
    if parameter.same and str(given).strip().casefold() == SAME:
        return SAME
    if parameter.unit == "valve":
        return _valve(parameter, given, where, folders).name
    if parameter.unit == "component":
        return _component(parameter, given, where, folders).name
    value = quantity.parse(given, parameter.unit, parameter=parameter.name)
    low, high = parameter.minimum, parameter.maximum
    if (low is not None and value < low) or (high is not None and value > high):
        raise RangeError(parameter.name, given, _range_words(parameter), where)
    return value


def _valve(parameter: Parameter, given: Any, where: str, folders: tuple[Path, ...]) -> Valve:
    """Return the section of a valve that the parameter takes, the first of its kinds that is there."""
    from simwrap.valves import get_valve

    valve = get_valve(given, folders=folders)
    if not parameter.kinds or valve.kind in parameter.kinds[:1]:
        return valve
    for kind in parameter.kinds:
        try:
            return get_valve(given, kind=kind, folders=folders)
        except UnknownNameError:
            raise
        except InputError:
            continue
    raise RangeError(parameter.name, f"{valve.name} ({valve.kind})", "a " + " or ".join(parameter.kinds), where)


def _component(parameter: Parameter, given: Any, where: str, folders: tuple[Path, ...]) -> Component:
    """Return the component that a parameter takes."""
    from simwrap.components import get_component

    found = get_component(given, folders=folders)
    if parameter.kinds and found.kind not in parameter.kinds:
        raise RangeError(parameter.name, f"{found.name} ({found.kind})", "a " + " or ".join(parameter.kinds), where)
    return found


def _range_words(parameter: Parameter) -> str:
    low, high, unit = parameter.minimum, parameter.maximum, parameter.unit
    if low is not None and high is not None:
        return f"a value from {quantity.render(low, unit)} to {quantity.render(high, unit)}"
    if low is not None:
        return f"{quantity.render(low, unit)} or more"
    return "any value" if high is None else f"{quantity.render(high, unit)} or less"


def stage(
    name: str | Path, /, *, valve_folders: Iterable[str | Path] = (), like: str | None = None, **values: Any
) -> Stage:
    """Make a stage from its template's name and design values.

    Parameters
    ----------
    name : str or path
        A stage, such as "triode_gain", in any case (`simwrap list stages` prints them), or the file of
        a template of your own, such as "my_stage.cir.j2".
    valve_folders : iterable of path
        Folders with valve files of your own, searched before the library.
    like : str, optional
        Published operating conditions of an output stage's valve by their short name, such as "single-ended 250 V"
        (`simwrap show EL84` lists them): they set supply, screen supply, bias, load and drive, as far as they are
        printed. Values that are given go before.
    **values
        Parameters by name or trade symbol: numbers in SI units, or text such as ``anode_resistor="100k"``,
        ``Ra="100k"``, ``valve="12AX7"``. What is not given has its default.

    Returns
    -------
    Stage

    Raises
    ------
    UnknownNameError
        No such stage, parameter or valve.
    QuantityError
        A value that can't be read with the unit that its parameter has.
    RangeError
        A value outside the accepted range.
    FileProblemsError
        A template with faults, all at once.

    Examples
    --------
    >>> import simwrap
    >>> line = simwrap.stage("triode_gain", valve="6SL7GT", anode_resistor="100k", Rk="1k8")
    >>> line.values["cathode_resistor"]
    1800.0
    """
    template = find_template(name)
    folders = as_folders(valve_folders)
    base = Stage(template, MappingProxyType({}), folders)
    given: dict[str, Any] = {}
    for key, value in values.items():
        canonical, checked = base.check(key, value)
        if canonical in given:
            raise InputError(f"{template.name}: {canonical} is given twice")
        given[canonical] = checked
    if like is not None:
        given = {**_like(base, given, like), **given}
    complete = {
        parameter.name: given.pop(parameter.name)
        if parameter.name in given
        else _checked(parameter, parameter.default, template.name, folders)
        for parameter in template.parameters.values()
    }
    check_pairs(template.parameters, complete, template.name)
    return Stage(template, MappingProxyType({**complete, **given}), folders)


def _like(base: Stage, given: Mapping[str, Any], like: str) -> dict[str, Any]:
    """Return the checked values that published conditions of the stage's valve set; see :func:`stage`."""
    from simwrap.valves.conditions import values_like

    parameter = base.parameters.get("valve")
    if parameter is None:
        raise InputError(f"{base.name}: has no valve whose published operating conditions it could be like")
    valve = _valve(parameter, given.get("valve", parameter.default), base.name, base.valve_folders)
    return dict(base.check(name, value) for name, value in values_like(valve, base.name, like).items())


def check_pairs(parameters: Mapping[str, Parameter], values: Mapping[str, Any], where: str) -> None:
    """Refuse values that contradict one another, in numbers or columns of shape (points,).

    Raises
    ------
    RangeError
        For the first that isn't below the one that it has to be below.
    """
    for name, parameter in parameters.items():
        if not parameter.below or name not in values:
            continue
        stage, dot, _ = name.rpartition(".")
        other = f"{stage}{dot}{parameter.below}"
        value, limit = np.broadcast_arrays(values[name], values[other])
        for place in np.flatnonzero(np.asarray(value >= limit))[:1]:
            given, most = (quantity.render(float(entry.flat[place]), parameter.unit) for entry in (value, limit))
            raise RangeError(name, given, f"less than {other}, {most}", where)
