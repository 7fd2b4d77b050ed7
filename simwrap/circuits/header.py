"""The header of a template: a schema that is checked when the file is read, all problems at once.

A template ``netlist_templates/<name>.cir.j2`` opens with a TOML header in a jinja2 comment
(``{#toml ... #}``); :class:`Header` is what may stand in it. What follows is the netlist of what
stands between the template's ports. Every name that the header refers to (a parameter, a node, a
word of a choice) has to be there, so that a slip of the pen can't switch anything off.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from simwrap import toml_text
from simwrap.circuits import sandbox
from simwrap.errors import FileProblemsError, InputError, nearest, shown
from simwrap.forking import cached_property
from simwrap.netlist.element import Role
from simwrap.units import quantity

_HEADER = re.compile(r"\A\{#toml\n(.*?)#\}", re.DOTALL)
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_NODE = re.compile(r"\bn_[a-z0-9_]+")
_ELEMENT = re.compile(r"^[ \t]*([rclkvibegfhd]_[a-z0-9_]*)(\{\{)?", re.MULTILINE)
#: Longest template [characters]; ours have a tenth of it.
LONGEST = 100_000

#: Choices with which something holds: parameter names, each with the words that count.
When = Mapping[str, tuple[str, ...]]
PortKind = Literal["source", "load", "supply", "point"]


class _Entry(BaseModel):
    """A table of the header; keys that it doesn't know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, ignored_types=(cached_property,))


#: The word for no other valve.
SAME = "same"


class Parameter(_Entry):
    """One parameter of a stage.

    Parameters
    ----------
    name : str
        Role in full words, such as "anode_resistor".
    unit : str
        Unit of the quantity ("ohm", "F", "V", "" for a pure number), "valve" or "choice".
    default : float or str
        Value where none is given.
    label : str
        Words for a table.
    symbol : str
        Trade symbol, such as "Ra".
    minimum, maximum : float or None
        Accepted range, ends included.
    below : str
        Name of another parameter that it has to be smaller than, "" for none.
    choices : tuple of str
        Accepted words of a choice.
    kinds : tuple of str
        Accepted kinds of a valve.
    same : bool
        Whether a valve may be "same": as the one that stands there without it.
    """

    name: str = ""
    unit: str
    default: Any
    label: str = Field(min_length=1)
    symbol: str = ""
    minimum: float | None = None
    maximum: float | None = None
    below: str = ""
    choices: tuple[str, ...] = ()
    kinds: tuple[Literal["triode", "pentode", "rectifier"], ...] = ()
    same: bool = False

    @property
    def accepted(self) -> str:
        """What is accepted, in words: a range with its unit, the words of a choice, kinds of valves."""
        if self.unit == "choice":
            return " or ".join(self.choices)
        if self.unit == "valve":
            return "a " + " or ".join(self.kinds or ("valve",)) + (f' or "{SAME}"' if self.same else "")
        low, high = (None if end is None else quantity.render(end, self.unit) for end in (self.minimum, self.maximum))
        if low is not None and high is not None:
            return f"{low} to {high}"
        return f"{low} or more" if low is not None else f"{high} or less" if high is not None else "any value"

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str) -> str:
        accepted = ["valve", "choice", *quantity.UNITS]
        if unit not in accepted:
            near = nearest(unit, accepted, 1) or [u for u in accepted if u and u[:1] == unit[:1]][:1]
            hint = f'; did you mean "{near[0]}"?' if near else ""
            raise ValueError(f'"{unit}" is not one of {", ".join(word or "(none)" for word in accepted)}{hint}')
        return unit

    @model_validator(mode="before")
    @classmethod
    def _read_numbers(cls, entry: Any) -> Any:
        """Read "4k7" and the like by the parameter's own unit."""
        if not isinstance(entry, dict) or entry.get("unit") not in quantity.UNITS:
            return entry
        read = dict(entry)
        for key in ("default", "minimum", "maximum"):
            if key in read and read[key] is not None:
                try:
                    read[key] = quantity.parse(read[key], read["unit"], parameter=key)
                except InputError as fault:
                    raise ValueError(str(fault)) from None
        return read

    @model_validator(mode="after")
    def _default_is_accepted(self) -> Parameter:
        if self.unit == "choice" and self.default not in self.choices:
            raise ValueError(f'the default "{self.default}" isn\'t among its choices, {", ".join(self.choices)}')
        if self.unit == "valve" and not isinstance(self.default, str):
            raise ValueError("the default of a valve is a designation in quotes")
        if self.numeric:
            low = self.minimum is not None and self.default < self.minimum
            high = self.maximum is not None and self.default > self.maximum
            if low or high:
                raise ValueError("the default lies outside of its range")
        return self

    @property
    def numeric(self) -> bool:
        """Whether the value is a number."""
        return self.unit not in ("valve", "choice")


class ValveSlot(_Entry):
    """A valve's place in a template: which parameter names it, and its nodes by role.

    ``replaced_by`` names a valve that stands there instead, unless it is "same"; it has to be of the same kind.
    ``when`` maps choice parameters to the words for which the valve is there. ``grid_leak`` names the
    parameter that is its grid leak, "" for none; ``leak_when`` tells for which words it is in the circuit, and
    ``fixed_when`` for which the valve has fixed bias (never where it is empty).
    """

    parameter: str
    replaced_by: str = ""
    anode: str
    cathode: str
    grid: str = ""
    screen: str = ""
    when: When = Field(default_factory=dict)
    grid_leak: str = ""
    leak_when: When = Field(default_factory=dict)
    fixed_when: When = Field(default_factory=dict)

    @property
    def nodes(self) -> dict[str, str]:
        """Nodes by role."""
        roles = ("anode", "screen", "grid", "cathode")
        return {role: node for role in roles if (node := getattr(self, role))}


class Source(_Entry):
    """What the bench draws at an open input: a signal source, and what stands between it and the port.

    Each entry names a parameter: ``resistance`` and ``capacitor`` in series (0: a direct connection), ``offset`` a
    direct voltage [V] in series with the signal, ``drive`` the level [V r.m.s.] that large-signal measures start
    from. ``inverse_of`` names another input: this one has the same signal in opposite phase, larger by
    the part ``imbalance``. ``foot`` is the node that the source stands on where no capacitor is in its way
    ("0": ground).
    """

    resistance: str = ""
    capacitor: str = ""
    capacitor_when: When = Field(default_factory=dict)
    offset: str = ""
    offset_when: When = Field(default_factory=dict)
    drive: str = ""
    inverse_of: str = ""
    imbalance: str = ""
    foot: str = "0"


class Load(_Entry):
    """What the bench draws at an open output: a resistor and a capacitance to ground (parameters; 0: not there)."""

    resistor: str = ""
    capacitance: str = ""


class Port(_Entry):
    """A place where stages join: a node, and what the bench draws there as long as nothing is joined.

    ``source`` makes it an input, ``load`` an output, ``supply`` (the parameter that is its voltage) a supply; with
    none of them it is a plain point, such as a cathode's foot. ``when`` tells with which choices it is in use:
    a supply that isn't is drawn as 0 V. ``needs`` names a part without which (at 0) the port is only there when joined.
    """

    node: str
    source: Source | None = None
    load: Load | None = None
    supply: str = ""
    when: When = Field(default_factory=dict)
    needs: str = ""

    @model_validator(mode="after")
    def _one_kind(self) -> Port:
        if sum((self.source is not None, self.load is not None, bool(self.supply))) > 1:
            raise ValueError("has more than one of source, load and supply")
        return self

    @property
    def kind(self) -> PortKind:
        """What stands at the port when it is open."""
        if self.source is not None:
            return "source"
        if self.load is not None:
            return "load"
        return "supply" if self.supply else "point"


class Header(_Entry):
    """The header of a template.

    Parameters
    ----------
    summary, description : str
        One line for a list; as much as a builder has to know.
    role : str
        "stage", or "feedback" for a path that leads back: it may close a loop, and doesn't load what it listens to.
    ports : mapping of str to Port
        "input" and "output" where it has a signal path; "output_b" for the other side of a splitter, "input_b" for
        the other grid of a pair, "speaker" where the output is a loudspeaker's.
    parameters, valves : mapping
        By name.
    measures : tuple of str
        What is measured where nothing is asked for.
    other_measures : bool
        False refuses every measure that isn't in ``measures``.
    elements : mapping of Role to tuple of str
        Elements of the lines that are something else than usual: a resistor, capacitor or coil is a part (see
        :class:`simwrap.netlist.element.Role`), a v or i source a source, everything else a model. Here and in
        ``sides`` "r_screen_a*" is every element that begins so.
    sides : mapping of "a" or "b" to tuple of str
        Valves and elements that stand in one half of a pair.
    hidden_nodes : tuple of str
        Nodes that only help the model (a transformer's core, a ratio): no table shows them.
    references : tuple of str
        Where the circuit is described.
    checks : mapping
        Published figures that the tests hold the stage to.
    standard_curves : mapping
        Time constants [s] by name of each standard's curve that the stage is to follow.
    """

    summary: str = Field(min_length=1)
    description: str = ""
    role: Literal["stage", "feedback"] = "stage"
    ports: Mapping[str, Port] = Field(min_length=1)
    parameters: Mapping[str, Parameter]
    valves: Mapping[str, ValveSlot] = Field(default_factory=dict)
    measures: tuple[str, ...] = ("bias", "response")
    other_measures: bool = True
    elements: Mapping[Role, tuple[str, ...]] = Field(default_factory=dict)
    sides: Mapping[Literal["a", "b"], tuple[str, ...]] = Field(default_factory=dict)
    hidden_nodes: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    checks: Mapping[str, Any] = Field(default_factory=dict)
    standard_curves: Mapping[str, Mapping[str, list[float]]] = Field(default_factory=dict)

    @field_validator("ports", mode="before")
    @classmethod
    def _no_bare_nodes(cls, ports: Any) -> Any:
        """Refuse the form in which a port was only a node, with what to write now."""
        for name, port in ports.items() if isinstance(ports, dict) else ():
            if isinstance(port, str):
                raise ValueError(
                    f'{name} is a table now: write {name} = {{ node = "{port}", source = {{ resistance = "..." }} }} '
                    'for an input, load = { resistor = "..." } for an output, supply = "..." for a supply, and leave '
                    "source, load and supplies out of the netlist lines"
                )
        return ports

    @field_validator("elements", mode="before")
    @classmethod
    def _known_roles(cls, entries: Any) -> Any:
        for word in entries if isinstance(entries, dict) else ():
            if word not in list(Role):
                near = nearest(str(word), list(Role), 1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise ValueError(f"{shown(word)} is no role of an element; it is {' or '.join(Role)}{hint}")
        return entries

    @cached_property
    def _named(self) -> Mapping[str, Mapping[str, Any]]:
        tables: Mapping[str, Mapping[Any, tuple[str, ...]]] = {"elements": self.elements, "sides": self.sides}
        return {table: {n: word for word, names in words.items() for n in names} for table, words in tables.items()}

    def _found(self, table: str, name: str) -> Any:
        """Return under which word a table has a name; an entry "r_screen_a*" is for all that begin so."""
        words = self._named[table]
        starts = (start for start in words if start.endswith("*") and name.startswith(start[:-1]))
        return words[name] if name in words else words.get(next(starts, ""))

    def role_of(self, name: str) -> Role | None:
        """Return what an element is, None where the header doesn't say."""
        found: Role | None = self._found("elements", name)
        return found

    def side_of(self, name: str) -> str:
        """Return the side of a valve or element, "" for none."""
        return self._found("sides", name) or ""

    @field_validator("parameters", mode="before")
    @classmethod
    def _name_parameters(cls, entries: Any) -> Any:
        if not isinstance(entries, dict):
            return entries
        return {name: {**entry, "name": name} if isinstance(entry, dict) else entry for name, entry in entries.items()}


class Template:
    """A netlist template: its header, and its jinja2 source. Compared by file, read once."""

    def __init__(self, name: str, path: Path, header: Header, source: str) -> None:
        self.name, self.path, self.header, self.source = name, path, header, source
        self.compiled, self.faults = sandbox.compiled(source, header.parameters)
        match = _HEADER.match(source)
        self.body = source[match.end() if match else 0 :]
        named = Counter(port.node for port in header.ports.values())
        named.update(node for slot in header.valves.values() for node in slot.nodes.values())
        twice = {node for node, count in named.items() if count > 1}
        #: Every node that the lines name, or two places of the header (an anode that hangs on a supply's own node),
        #: and every element; a name that a loop completes ends with "*".
        self.nodes = frozenset({*_NODE.findall(self.body), *twice} - {"0"})
        self.elements = frozenset(name + ("*" if open_ else "") for name, open_ in _ELEMENT.findall(self.body))

    @property
    def summary(self) -> str:
        """One line for a list."""
        return self.header.summary

    @property
    def description(self) -> str:
        """As much as a builder has to know."""
        return self.header.description

    @property
    def parameters(self) -> Mapping[str, Parameter]:
        """Parameters by name."""
        return self.header.parameters

    @property
    def ports(self) -> Mapping[str, str]:
        """Node of each port by name."""
        return {name: port.node for name, port in self.header.ports.items()}

    @property
    def measures(self) -> tuple[str, ...]:
        """What is measured where nothing is asked for."""
        return self.header.measures

    @property
    def references(self) -> tuple[str, ...]:
        """Where the circuit is described."""
        return self.header.references

    @property
    def checks(self) -> Mapping[str, Any]:
        """Published figures that the tests hold the stage to."""
        return self.header.checks

    def __reduce__(self) -> tuple[Any, ...]:
        return read_template, (self.path,)

    def __repr__(self) -> str:
        return f"<template {self.name}: {self.summary}>"


def read_template(path: str | Path) -> Template:
    """Read one template file.

    Raises
    ------
    FileProblemsError
        With all problems of the file at once.
    """
    try:
        path = Path(path).resolve()
    except (OSError, ValueError, RuntimeError) as fault:  # a name with NUL, a circle of links
        raise FileProblemsError(shown(path), [f"can't be read ({fault})"]) from None
    return _read(path, _stamp(path))


def _stamp(path: Path) -> tuple[int, int]:
    """Return what changes when a file does: a template that was edited is read again."""
    try:
        status = path.stat()
    except (OSError, ValueError) as fault:
        raise FileProblemsError(path, [f"can't be read ({getattr(fault, 'strerror', None) or fault})"]) from None
    return status.st_mtime_ns, status.st_size


@lru_cache(maxsize=256)
def _read(path: Path, stamp: tuple[int, int]) -> Template:
    name = path.name.removesuffix(".cir.j2")
    if not path.name.endswith(".cir.j2") or not _NAME.match(name):
        raise FileProblemsError(path, ['is not named as a template, such as "my_stage.cir.j2", in lower case'])
    if stamp[1] > LONGEST:
        raise FileProblemsError(path, [f"has {stamp[1]} bytes, {LONGEST} at most"])
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, ValueError) as fault:
        raise FileProblemsError(path, [f"can't be read ({fault})"]) from None
    match = _HEADER.match(text)
    if match is None:
        raise FileProblemsError(path, ["doesn't open with a {#toml ... #} header"])
    try:
        table = toml_text.parse(match[1])
    except ValueError as fault:
        raise FileProblemsError(path, [f"its header is not TOML: {fault}"]) from None
    if unknown := sorted(set(table) & {"supplies", "supplies_when"}):
        words = 'give each supply as a port, such as supply = { node = "n_supply", supply = "supply" }'
        raise FileProblemsError(path, [f"the header's table {name} is gone: {words}" for name in unknown])
    try:
        header = Header.model_validate(table)
    except ValidationError as faults:
        problems = [template_problem(fault, _keys_at(fault["loc"][:-1])) for fault in faults.errors()]
        raise FileProblemsError(path, problems) from None
    template = Template(name, path, header, text)
    strays = toml_text.stray_booleans(table, ("same", "other_measures"))
    if problems := [*strays, *_broken_references(template), *template.faults]:
        raise FileProblemsError(path, problems)
    return template


def template_problem(fault: Any, known: list[str]) -> str:
    """Return one of pydantic's faults as a clause: where, and what; ``known`` are the keys that could stand there."""
    place = ".".join(str(part) for part in fault["loc"])
    kind, message = fault["type"], str(fault["msg"]).removeprefix("Value error, ")
    if kind == "missing":
        return f"{place} is missing"
    if kind == "extra_forbidden":
        near = nearest(str(fault["loc"][-1]), known, 1)
        return f"{place} is an unknown key" + (f"; did you mean {near[0]}?" if near else f"; known: {', '.join(known)}")
    return f"{place}: {message[:1].lower() + message[1:] if kind != 'value_error' else message}"


def _keys_at(place: tuple[Any, ...]) -> list[str]:
    """Return the keys of the table at a place of the header."""
    models: dict[str, type[_Entry]] = {"parameters": Parameter, "valves": ValveSlot, "ports": Port}
    if not place:
        return list(Header.model_fields)
    if place[-1] == "source":
        return list(Source.model_fields)
    if place[-1] == "load":
        return list(Load.model_fields)
    return [key for key in models[place[0]].model_fields if key != "name"] if place[0] in models else []


def _broken_references(template: Template) -> Iterator[str]:
    """Yield a clause for every name in the header that leads nowhere."""
    header = template.header
    for name in (*header.parameters, *header.valves, *header.ports):
        if not _NAME.match(name) or "__" in name:
            yield f"{name} is no name: lower-case letters, digits and single underscores"
    for name, parameter in header.parameters.items():
        if parameter.below:
            yield from _parameter(header, f"parameters.{name}.below", parameter.below, ())
    for instance, slot in header.valves.items():
        place = f"valves.{instance}"
        yield from _parameter(header, f"{place}.parameter", slot.parameter, ("valve",))
        yield from _parameter(header, f"{place}.replaced_by", slot.replaced_by, ("valve",))
        yield from _parameter(header, f"{place}.grid_leak", slot.grid_leak, ("ohm",))
        for role, node in slot.nodes.items():
            yield from _node(template, f"{place}.{role}", node)
        for key in ("when", "leak_when", "fixed_when"):
            yield from _choices(header, f"{place}.{key}", getattr(slot, key))
    for name, port in header.ports.items():
        yield from _port(template, f"ports.{name}", port)
    for node in header.hidden_nodes:
        yield from _node(template, "hidden_nodes", node)
    for table, words in (("elements", header.elements), ("sides", header.sides)):
        yield from _elements(template, table, words)


def _port(template: Template, place: str, port: Port) -> Iterator[str]:
    header = template.header
    yield from _node(template, f"{place}.node", port.node)
    yield from _parameter(header, f"{place}.supply", port.supply, ("V",))
    yield from _parameter(header, f"{place}.needs", port.needs, ())
    yield from _choices(header, f"{place}.when", port.when)
    if port.load is not None:
        yield from _parameter(header, f"{place}.load.resistor", port.load.resistor, ("ohm",))
        yield from _parameter(header, f"{place}.load.capacitance", port.load.capacitance, ("F",))
    if (source := port.source) is not None:
        units = {"resistance": "ohm", "capacitor": "F", "offset": "V", "drive": "V", "imbalance": ""}
        for key, unit in units.items():
            yield from _parameter(header, f"{place}.source.{key}", getattr(source, key), (unit,))
        for key in ("capacitor_when", "offset_when"):
            yield from _choices(header, f"{place}.source.{key}", getattr(source, key))
        if source.inverse_of and source.inverse_of not in header.ports:
            yield f'{place}.source.inverse_of: there is no port "{source.inverse_of}"'
        if source.foot != "0":
            yield from _node(template, f"{place}.source.foot", source.foot)


def _elements(template: Template, table: str, words: Mapping[Any, tuple[str, ...]]) -> Iterator[str]:
    """Yield a clause for every name in a table of elements that isn't in the lines, or that stands there twice."""
    loops = tuple(name.removesuffix("*") for name in template.elements if name.endswith("*"))
    known = [*template.elements, *(template.header.valves if table == "sides" else ())]
    seen: dict[str, str] = {}
    for word, names in words.items():
        for name in names:
            if name in seen:
                yield f"{table}.{word}: {name} stands under {seen[name]} too"
            elif name not in known and not name.startswith(loops) and not _starts_any(name, known):
                near = nearest(name, known, 1)
                yield f'{table}.{word}: there is no element "{name}" in the netlist' + (
                    f"; did you mean {near[0]}?" if near else ""
                )
            seen[name] = str(word)


def _starts_any(pattern: str, known: list[str]) -> bool:
    return pattern.endswith("*") and any(name.startswith(pattern[:-1]) for name in known)


def _parameter(header: Header, place: str, name: str, units: tuple[str, ...]) -> Iterator[str]:
    if not name:
        return
    if name not in header.parameters:
        near = nearest(name, header.parameters, 1)
        yield f'{place}: there is no parameter "{name}"' + (f"; did you mean {near[0]}?" if near else "")
    elif units and header.parameters[name].unit not in units:
        wanted = " or ".join(unit or "a pure number" for unit in units)
        yield f'{place}: {name} has the unit "{header.parameters[name].unit}", and {wanted} is needed'


def _choices(header: Header, place: str, when: When) -> Iterator[str]:
    for name, words in when.items():
        if name == "valve_kind":
            accepted: tuple[str, ...] = ("triode", "pentode", "rectifier")
        elif name in header.parameters and header.parameters[name].unit == "choice":
            accepted = header.parameters[name].choices
        else:
            yield f'{place}: there is no choice "{name}"'
            continue
        for word in words:
            if word not in accepted:
                yield f'{place}: {name} is never "{word}"; it is {" or ".join(accepted)}'


def _node(template: Template, place: str, node: str) -> Iterator[str]:
    if node not in template.nodes:
        near = nearest(node, template.nodes, 1)
        yield f'{place}: there is no node "{node}" in the netlist' + (f"; did you mean {near[0]}?" if near else "")
