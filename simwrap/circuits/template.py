"""A template as a file: read, and checked as a whole.

Every name that the header refers to (a parameter, a node, a word of a choice) has to be there, so that a slip of the
pen can't switch anything off.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from simwrap import toml_text
from simwrap.circuits import sandbox
from simwrap.circuits.header import (
    KINDS,
    ComponentSlot,
    Header,
    HeaderTable,
    Load,
    Parameter,
    Port,
    Source,
    ValveSlot,
    When,
)
from simwrap.components.schema import ELECTRODES
from simwrap.errors import FileProblemsError, nearest, shown
from simwrap.netlist.groups import GROUND

_HEADER = re.compile(r"\A\{#toml\n(.*?)#\}", re.DOTALL)
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_NODE = re.compile(r"\bn_[a-z0-9_]+")
_ELEMENT = re.compile(r"^[ \t]*([rclkvibegfhd]_[a-z0-9_]*)(\{\{)?", re.MULTILINE)
#: Longest template [characters]; ours have a tenth of it.
LONGEST = 100_000


class Template:
    """A netlist template: its header, and its jinja2 source. Compared by file, read once."""

    def __init__(self, name: str, path: Path, header: Header, source: str) -> None:
        self.name, self.path, self.header, self.source = name, path, header, source
        self.compiled, self.faults = sandbox.compiled(source, header.parameters)
        match = _HEADER.match(source)
        self.body = source[match.end() if match else 0 :]
        named = Counter(port.node for port in header.ports.values())
        slots = [slot.nodes for slot in header.valves.values()]
        slots += [slot.nodes for slot in header.components.values()]
        named.update(node for nodes in slots for node in nodes.values())
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
    strays = toml_text.stray_booleans(table, ("same", "other_measures", "protects"))
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
    models: dict[str, type[HeaderTable]] = {
        "parameters": Parameter, "valves": ValveSlot, "components": ComponentSlot, "ports": Port
    }  # fmt: skip
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
    for name in (*header.parameters, *header.valves, *header.components, *header.ports):
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
    for instance, part in header.components.items():
        yield from _component(template, instance, part)
    for name, port in header.ports.items():
        yield from _port(template, f"ports.{name}", port)
    for node in header.hidden_nodes:
        yield from _node(template, "hidden_nodes", node)
    for table, words in (("elements", header.elements), ("sides", header.sides)):
        yield from _elements(template, table, words)


def _component(template: Template, instance: str, slot: ComponentSlot) -> Iterator[str]:
    header, place = template.header, f"components.{instance}"
    if instance in header.valves:
        yield f"{place}: there is a valve of that name"
    yield from _parameter(header, f"{place}.parameter", slot.parameter, ("component",))
    yield from _choices(header, f"{place}.when", slot.when)
    for role, node in slot.nodes.items():
        yield from _node(template, f"{place}.{role}", node)
    parameter = header.parameters.get(slot.parameter)
    for kind in parameter.kinds if parameter is not None else ():
        if set(slot.nodes) != set(ELECTRODES[kind]):
            yield f"{place}: a {kind} has a node for {', '.join(ELECTRODES[kind])}"


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
    known = [*template.elements, *((*template.header.valves, *template.header.components) if table == "sides" else ())]
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
            accepted: tuple[str, ...] = KINDS["valve"]
        elif name in header.parameters and header.parameters[name].unit == "choice":
            accepted = header.parameters[name].choices
        else:
            yield f'{place}: there is no choice "{name}"'
            continue
        for word in words:
            if word not in accepted:
                yield f'{place}: {name} is never "{word}"; it is {" or ".join(accepted)}'


def _node(template: Template, place: str, node: str) -> Iterator[str]:
    if node not in template.nodes and node != GROUND:
        near = nearest(node, template.nodes, 1)
        hint = f"; did you mean {near[0]}?" if near else ""
        if not _NODE.fullmatch(node):
            hint = '; a node is "0" (ground) or begins with "n_"'
        yield f'{place}: there is no node "{node}" in the netlist lines, so that nothing is joined to it{hint}'
