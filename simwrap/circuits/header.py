"""The header of a template: a schema that is checked when the file is read, all problems at once.

A template ``netlist_templates/<name>.cir.j2`` opens with a TOML header in a jinja2 comment
(``{#toml ... #}``); :class:`Header` is what may stand in it. What follows is the netlist of what
stands between the template's ports; :mod:`simwrap.circuits.template` reads both.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from simwrap.components.schema import ELECTRODES
from simwrap.errors import InputError, nearest, shown
from simwrap.forking import cached_property
from simwrap.netlist.element import Role
from simwrap.units import quantity

#: Choices with which something holds: parameter names, each with the words that count.
When = Mapping[str, tuple[str, ...]]
PortKind = Literal["source", "load", "supply", "point"]


class HeaderTable(BaseModel):
    """A table of the header; keys that it doesn't know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, ignored_types=(cached_property,))


#: The word for no other valve.
SAME = "same"
#: Kinds of what a designation may name, by the unit of its parameter.
KINDS: Mapping[str, tuple[str, ...]] = {"valve": ("triode", "pentode", "rectifier"), "component": tuple(ELECTRODES)}


class Parameter(HeaderTable):
    """One parameter of a stage.

    Parameters
    ----------
    name : str
        Role in full words, such as "anode_resistor".
    unit : str
        Unit of the quantity ("ohm", "F", "V", "" for a pure number), "valve", "component" or "choice".
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
        Accepted kinds of a valve or a component.
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
    kinds: tuple[Any, ...] = ()
    same: bool = False

    @property
    def accepted(self) -> str:
        """What is accepted, in words: a range with its unit, the words of a choice, kinds of valves."""
        if self.unit == "choice":
            return " or ".join(self.choices)
        if self.unit in KINDS:
            return "a " + " or ".join(self.kinds or (self.unit,)) + (f' or "{SAME}"' if self.same else "")
        low, high = (None if end is None else quantity.render(end, self.unit) for end in (self.minimum, self.maximum))
        if low is not None and high is not None:
            return f"{low} to {high}"
        return f"{low} or more" if low is not None else f"{high} or less" if high is not None else "any value"

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str) -> str:
        accepted = [*KINDS, "choice", *quantity.UNITS]
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
        if self.unit in KINDS and not isinstance(self.default, str):
            raise ValueError(f"the default of a {self.unit} is a designation in quotes")
        known = KINDS.get(self.unit, ())
        if strange := [kind for kind in self.kinds if kind not in known]:
            raise ValueError(f"{strange[0]} is no kind of a {self.unit}; it is {' or '.join(known)}")
        if self.numeric:
            low = self.minimum is not None and self.default < self.minimum
            high = self.maximum is not None and self.default > self.maximum
            if low or high:
                raise ValueError("the default lies outside of its range")
        return self

    @property
    def numeric(self) -> bool:
        """Whether the value is a number."""
        return self.unit not in (*KINDS, "choice")


class ValveSlot(HeaderTable):
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


class ComponentSlot(HeaderTable):
    """A component's place in a template: which parameter names it, its nodes by electrode, and when it is there.

    ``protects`` tells of a zener that isn't meant to conduct at rest.
    """

    parameter: str
    anode: str = ""
    cathode: str = ""
    collector: str = ""
    base: str = ""
    emitter: str = ""
    drain: str = ""
    gate: str = ""
    source: str = ""
    when: When = Field(default_factory=dict)
    protects: bool = False

    @property
    def nodes(self) -> dict[str, str]:
        """Nodes by electrode."""
        roles = dict.fromkeys(role for electrodes in ELECTRODES.values() for role in electrodes)
        return {role: node for role in roles if (node := getattr(self, role))}


class Source(HeaderTable):
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


class Load(HeaderTable):
    """What the bench draws at an open output: a resistor and a capacitance to ground (parameters; 0: not there)."""

    resistor: str = ""
    capacitance: str = ""


class Port(HeaderTable):
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


class Header(HeaderTable):
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
    parameters, valves, components : mapping
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
    components: Mapping[str, ComponentSlot] = Field(default_factory=dict)
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
        """Refuse the form in which a port was only a node, with what to write now, and a template without any."""
        if ports == {}:
            raise ValueError('a template needs one at least, such as output = { node = "n_out", load = {} }')
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
