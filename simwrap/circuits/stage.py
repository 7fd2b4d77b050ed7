"""Stages: the header of a template and checked design values.

A template ``netlist_templates/<name>.cir.j2`` opens with a TOML header in a jinja2 comment
(``{#toml ... #}``). A :class:`Stage` is that template with a checked value for every
parameter: plain SI floats, valve names and choices. Stages are frozen; ``replace`` makes a
changed one.
"""

from __future__ import annotations

import html
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap._paths import template_folders
from simwrap.errors import FileProblemsError, InputError, RangeError, UnknownNameError
from simwrap.registry import find, plugins
from simwrap.units import quantity

if TYPE_CHECKING:
    from simwrap.valves import Valve

_HEADER = re.compile(r"\A\{#toml\n(.*?)#\}", re.DOTALL)
_VALVE_ROLES = ("anode", "screen", "grid", "cathode")
#: Parameters that any valve of any stage has: factors on emission and amplification factor.
SPREADS = ("emission", "mu")


@dataclass(frozen=True)
class Parameter:
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
    """

    name: str
    unit: str
    default: Any
    label: str
    symbol: str = ""
    minimum: float | None = None
    maximum: float | None = None
    below: str = ""
    choices: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()

    @property
    def numeric(self) -> bool:
        """Whether the value is a number."""
        return self.unit not in ("valve", "choice")


@dataclass(frozen=True)
class ValveSlot:
    """A valve's place in a template: which parameter names it, and its nodes by role.

    ``when`` maps choice parameters to the words for which the valve is there. ``grid_leak`` names the
    parameter that is its grid leak, "" for none; ``leak_when`` tells for which words it is in the circuit, and
    ``fixed_when`` for which the valve has fixed bias (never where it is empty).
    """

    instance: str
    parameter: str
    nodes: Mapping[str, str]
    when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    grid_leak: str = ""
    leak_when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    fixed_when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def present(self, values: Mapping[str, Any]) -> bool:
        """Whether the valve is in the circuit for these values."""
        return _holds(self.when, values)

    def use(self, valve: Valve, values: Mapping[str, Any]) -> ValveUse:
        """Return the valve in its place."""
        # A triode in the place of a pentode has no screen.
        nodes = {role: node for role, node in self.nodes.items() if role != "screen" or valve.kind == "pentode"}
        leak = self.grid_leak if _holds(self.leak_when, values) else ""
        fixed = bool(self.fixed_when) and _holds(self.fixed_when, values)
        return ValveUse(valve, MappingProxyType(nodes), leak, fixed)


def _holds(words: Mapping[str, tuple[str, ...]], values: Mapping[str, Any]) -> bool:
    return all(values[name] in accepted for name, accepted in words.items())


@dataclass(frozen=True, eq=False)
class Template:
    """A netlist template: its header, and its jinja2 source. Each file is read once."""

    name: str
    path: Path
    summary: str
    description: str
    parameters: Mapping[str, Parameter]
    ports: Mapping[str, str]
    supplies: Mapping[str, str]
    supplies_when: Mapping[str, Mapping[str, tuple[str, ...]]]
    valves: Mapping[str, ValveSlot]
    measures: tuple[str, ...]
    other_measures: bool
    references: tuple[str, ...]
    checks: Mapping[str, Any]
    standard_curves: Mapping[str, Mapping[str, list[float]]]
    source: str


@dataclass(frozen=True)
class ValveUse:
    """A valve in a stage.

    The :class:`~simwrap.valves.Valve`, its nodes by role, the parameter that is its grid leak ("" where there is
    none in the circuit), and whether its bias is fixed.
    """

    valve: Valve
    nodes: Mapping[str, str]
    grid_leak: str = ""
    fixed_bias: bool = False


def _parameter(name: str, entry: Mapping[str, Any], problems: list[str]) -> Parameter | None:
    missing = [key for key in ("unit", "default", "label") if key not in entry]
    allowed = set(Parameter.__dataclass_fields__) - {"name"}
    surplus = sorted(set(entry) - allowed)
    if missing or surplus:
        problems += [f"parameter {name} lacks {key}" for key in missing]
        problems += [f"parameter {name} has the unknown key {key}" for key in surplus]
        return None
    words = dict(entry)
    unit = words["unit"]
    if unit == "choice" and words["default"] not in words.get("choices", ()):
        problems.append(f"parameter {name}: the default isn't among its choices")
        return None
    try:
        for key in ("default", "minimum", "maximum"):
            if key in words and unit not in ("valve", "choice"):
                words[key] = quantity.parse(words[key], unit, parameter=name)
    except InputError as fault:
        problems.append(str(fault))
        return None
    for key in ("choices", "kinds"):
        words[key] = tuple(words.get(key, ()))
    return Parameter(name=name, **words)


def read_template(path: Path) -> Template:
    """Read one template file.

    Raises
    ------
    FileProblemsError
        With all problems of its header at once.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as fault:
        raise FileProblemsError(path, [f"can't be read ({fault.strerror})"]) from None
    match = _HEADER.match(text)
    if match is None:
        raise FileProblemsError(path, ["doesn't open with a {#toml ... #} header"])
    try:
        header = tomllib.loads(match[1])
    except tomllib.TOMLDecodeError as fault:
        raise FileProblemsError(path, [f"its header is not TOML: {fault}"]) from None
    problems: list[str] = []
    problems += [f"the header lacks {key}" for key in ("summary", "parameters", "ports") if key not in header]
    parameters = {
        name: found
        for name, entry in header.get("parameters", {}).items()
        if (found := _parameter(name, entry, problems)) is not None
    }
    valves = {}
    for instance, entry in header.get("valves", {}).items():
        if entry.get("parameter") not in header.get("parameters", {}):
            problems.append(f"valve {instance} names no parameter of the header")
            continue
        nodes = {role: entry[role] for role in _VALVE_ROLES if role in entry}
        when, leak_when, fixed_when = (
            {name: tuple(words) for name, words in entry.get(key, {}).items()}
            for key in ("when", "leak_when", "fixed_when")
        )
        valves[instance] = ValveSlot(
            instance,
            entry["parameter"],
            MappingProxyType(nodes),
            when,
            entry.get("grid_leak", ""),
            leak_when,
            fixed_when,
        )
    if problems:
        raise FileProblemsError(path, problems)
    return Template(
        name=path.name.removesuffix(".cir.j2"),
        path=path,
        summary=header["summary"],
        description=header.get("description", ""),
        parameters=MappingProxyType(parameters),
        ports=MappingProxyType(header["ports"]),
        supplies=MappingProxyType(header.get("supplies", {})),
        supplies_when=MappingProxyType(
            {
                name: {key: tuple(words) for key, words in entry.items()}
                for name, entry in header.get("supplies_when", {}).items()
            }
        ),
        valves=MappingProxyType(valves),
        measures=tuple(header.get("measures", ("bias", "response"))),
        other_measures=header.get("other_measures", True),
        references=tuple(header.get("references", ())),
        checks=MappingProxyType(header.get("checks", {})),
        standard_curves=MappingProxyType(header.get("standard_curves", {})),
        source=text,
    )


@lru_cache(maxsize=8)
def _templates(folders: tuple[Path, ...]) -> Mapping[str, Path]:
    found: dict[str, Path] = {}
    for folder in folders:
        for path in sorted(folder.glob("*.cir.j2")):
            found.setdefault(path.name.removesuffix(".cir.j2"), path)
    return found


def _folders() -> tuple[Path, ...]:
    added = [Path(str(folder)) for _, folder in plugins("simwrap.stages")]
    return (*added, *template_folders())


_read_template = lru_cache(maxsize=256)(read_template)


def stage_names() -> list[str]:
    """Return the names of all stages that can be made."""
    return sorted(_templates(_folders()))


def get_template(name: str) -> Template:
    """Return the template named ``name``, in any case.

    Raises
    ------
    UnknownNameError
        If there is none; the error has the nearest names.
    """
    return _read_template(find("stage", name, _templates(_folders())))


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
    def ports(self) -> Mapping[str, str]:
        """Node of each port by role."""
        return self.template.ports

    @property
    def standard_curves(self) -> Mapping[str, Mapping[str, list[float]]]:
        """Time constants [s] by name of each standard's curve that the stage is meant to follow."""
        return self.template.standard_curves

    @cached_property
    def supplies(self) -> Mapping[str, str]:
        """Source device by name of each supply that feeds something with these choices and valves."""
        kinds = [use.valve.kind for use in self.valves.values()]
        values = {**self.values, "valve_kind": kinds[0] if kinds else ""}
        when = self.template.supplies_when
        return {name: device for name, device in self.template.supplies.items() if _holds(when.get(name, {}), values)}

    @cached_property
    def valves(self) -> Mapping[str, ValveUse]:
        """The valves that are in the circuit, by instance name."""
        found = {}
        for instance, slot in self.template.valves.items():
            if slot.present(self.values):
                parameter = self.template.parameters[slot.parameter]
                valve = _valve(parameter, self.values[slot.parameter], self.name, self.valve_folders)
                found[instance] = slot.use(valve, self.values)
        return found

    def check(self, name: str, given: Any) -> tuple[str, Any]:
        """Return the canonical name and checked value of one parameter.

        Raises
        ------
        UnknownNameError, QuantityError, RangeError
        """
        spread = self._spread(name)
        if spread is not None:
            parameter = Parameter(spread, "", 1.0, "spread of a valve", minimum=0.1, maximum=10.0)
        else:
            where = self.name
            parameter = find("parameter", name, self.template.parameters, where)
        return parameter.name, _checked(parameter, given, self.name, self.valve_folders)

    def _spread(self, name: str) -> str | None:
        instance, dot, which = name.strip().casefold().partition(".")
        if not dot:
            return None
        accepted = [f"{valve}.{key}" for valve in self.template.valves for key in SPREADS]
        return find("parameter", f"{instance}.{which}", {entry: entry for entry in accepted}, self.name)

    def replace(self, **values: Any) -> Stage:
        """Return a stage with some values changed (text such as "4k7" is read)."""
        changed = dict(self.values)
        for name, given in values.items():
            key, value = self.check(name, given)
            changed[key] = value
        check_pairs(self.template, changed)
        return Stage(self.template, MappingProxyType(changed), self.valve_folders)

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Return one row a parameter: symbol, label, name, and value with its unit."""
        rows = []
        for name, value in self.values.items():
            parameter = self.template.parameters.get(name)
            if parameter is None:
                rows.append(("", "spread of a valve", name, f"{value:g}"))
            elif parameter.numeric:
                rows.append((parameter.symbol, parameter.label, name, _shown(parameter, value)))
            else:
                rows.append((parameter.symbol, parameter.label, name, str(value)))
        return rows

    def _repr_html_(self) -> str:
        cells = "".join(
            "<tr>" + "".join(f"<td style='text-align:left'>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in self.rows()
        )
        head = "".join(f"<th style='text-align:left'>{word}</th>" for word in ("symbol", "part", "parameter", "value"))
        return (
            f"<table><caption>{html.escape(self.name)}: {html.escape(self.template.summary)}</caption>"
            f"<tr>{head}</tr>{cells}</table>"
        )

    def __repr__(self) -> str:
        values = ", ".join(f"{name}={text}" for _, _, name, text in self.rows())
        return f"Stage {self.name}({values})"

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (self.template.path, dict(self.values), self.valve_folders)


def _rebuild(path: Path, values: dict[str, Any], folders: tuple[Path, ...]) -> Stage:
    return Stage(_read_template(path), MappingProxyType(values), folders)


def _shown(parameter: Parameter, value: float) -> str:
    if value == 0 and parameter.unit == "F":
        return "none"
    return quantity.render(value, parameter.unit)


def _checked(parameter: Parameter, given: Any, where: str, folders: tuple[Path, ...]) -> Any:
    if parameter.unit == "choice":
        try:
            return find("choice", given, {word: word for word in parameter.choices}, f"{where}: {parameter.name}")
        except UnknownNameError:
            raise RangeError(parameter.name, given, " or ".join(parameter.choices), where) from None
    if parameter.unit == "valve":
        return _valve(parameter, given, where, folders).name
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
            return get_valve(given, kind=kind, folders=folders)  # type: ignore[arg-type]  # a header's word
        except UnknownNameError:
            raise
        except InputError:
            continue
    raise RangeError(parameter.name, f"{valve.name} ({valve.kind})", "a " + " or ".join(parameter.kinds), where)


def _range_words(parameter: Parameter) -> str:
    low, high, unit = parameter.minimum, parameter.maximum, parameter.unit
    if low is not None and high is not None:
        return f"a value from {quantity.render(low, unit)} to {quantity.render(high, unit)}"
    if low is not None:
        return f"{quantity.render(low, unit)} or more"
    return "any value" if high is None else f"{quantity.render(high, unit)} or less"


def stage(name: str, /, *, valve_folders: Iterable[str | Path] = (), **values: Any) -> Stage:
    """Make a stage from its template's name and design values.

    Parameters
    ----------
    name : str
        A stage, such as "triode_gain", in any case; `simwrap list stages` prints them.
    valve_folders : iterable of path
        Folders with valve files of your own, searched before the library.
    **values
        Parameters by name: numbers in SI units, or text such as ``anode_resistor="100k"``,
        ``valve="12AX7"``. What is not given has its default.

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
    """
    template = get_template(name)
    folders = tuple(Path(folder) for folder in valve_folders)
    base = Stage(template, MappingProxyType({}), folders)
    given: dict[str, Any] = {}
    for key, value in values.items():
        canonical, checked = base.check(key, value)
        given[canonical] = checked
    complete = {
        parameter.name: given.pop(parameter.name)
        if parameter.name in given
        else _checked(parameter, parameter.default, template.name, folders)
        for parameter in template.parameters.values()
    }
    check_pairs(template, complete)
    return Stage(template, MappingProxyType({**complete, **given}), folders)


def check_pairs(template: Template, values: Mapping[str, Any]) -> None:
    """Refuse values that contradict one another, in numbers or columns of shape (points,).

    Raises
    ------
    RangeError
        For the first that isn't below the one that it has to be below.
    """
    for parameter in template.parameters.values():
        if not parameter.below:
            continue
        value, limit = np.broadcast_arrays(values[parameter.name], values[parameter.below])
        for place in np.flatnonzero(np.asarray(value >= limit))[:1]:
            given, most = (quantity.render(float(entry.flat[place]), parameter.unit) for entry in (value, limit))
            raise RangeError(parameter.name, given, f"less than {parameter.below}, {most}", template.name)


def check_column(made: Stage, name: str, given: Iterable[Any]) -> tuple[str, np.ndarray]:
    """Return the canonical name and checked values of one swept parameter.

    A float array passes as it is (after the range check); text entries are parsed one by one.
    """
    entries = list(given) if not isinstance(given, np.ndarray) else given
    if len(entries) == 0:
        raise RangeError(name, "[]", "at least one value", made.name)
    if isinstance(entries, np.ndarray) and entries.dtype.kind == "f":
        # The ends of the range stand for all that lies between them; NaN and infinity would not.
        picked = np.flatnonzero(~np.isfinite(entries))[:1].tolist() or [entries.argmin(), entries.argmax()]
        names = [made.check(name, float(entries[index]))[0] for index in picked]
        return names[0], np.array(entries, dtype=float)
    checked = [made.check(name, entry) for entry in entries]
    return checked[0][0], np.array([value for _, value in checked])
