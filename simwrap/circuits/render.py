"""From a circuit to a netlist: jinja2 with undefined names forbidden, plain numbers only.

A circuit is rendered once for a whole table of values. A parameter that is an array may be the value of a resistor,
capacitor, inductor or source, which then has a value a point. Where it isn't (it decides about a branch,
or stands in an expression), :class:`~simwrap.circuits.sandbox.NotTabular` makes :func:`render_table` render that
point by itself. A rendering shares no state with another one: threads may render side by side.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits import bench
from simwrap.circuits.circuit import Circuit, as_circuit, in_netlist, joined_name
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.sandbox import DottedTable, Inside, Printed, rendered
from simwrap.circuits.stage import PART_SPREAD, Stage
from simwrap.circuits.template_functions import given
from simwrap.components.component import Component
from simwrap.engine import protocol
from simwrap.errors import NetlistError, SimwrapError, UnknownNameError
from simwrap.forking import cached_property
from simwrap.netlist.allow_list import check
from simwrap.netlist.element import Element
from simwrap.netlist.groups import GROUND, Groups
from simwrap.netlist.text import NotTabular, read
from simwrap.valves.valve import Valve

Named = tuple[tuple[str, Any], ...]

#: What a valve's own sources are called after its instance.
_VALVE_SOURCES = ("drive", "anode", "screen", "grid", "heater")


@dataclass(frozen=True)
class Netlist:
    """A rendered circuit.

    Attributes
    ----------
    elements : tuple of Element
        A value that varies is an array of shape (points,).
    design : Circuit
        What it was made from.
    points : int
    """

    elements: tuple[Element, ...]
    design: Circuit
    points: int = 1

    @cached_property
    def circuit(self) -> protocol.NetlistTable:
        """What an engine takes: text, and the table of values that vary.

        Raises
        ------
        NetlistError
            If a line isn't on the allow-list, with its line in the template.
        """
        table = protocol.NetlistTable.of(self.elements, self.points)
        try:
            check(table.text)
        except NetlistError as fault:
            if place := _written_at(self.design, fault.device):
                raise NetlistError(f"{place}: {fault.device} {fault.problem}", fault.device, fault.problem) from None
            raise
        return table

    @property
    def sha256(self) -> str:
        """Hash of the text, for provenance."""
        return hashlib.sha256(self.circuit.text.encode()).hexdigest()

    def complete(self, analyses: Sequence[str] = (".op",), sweep: str = "dec 20 1.0 1000000.0") -> str:
        """Return a whole netlist, with title, analyses and a small-signal sweep, that any SPICE reads.

        ``ngspice -b`` runs it unchanged and prints the operating point and the output.

        Raises
        ------
        NetlistError
            If a line isn't on the allow-list.
        """
        port = self.design.ports.get("output", "")
        lines = [f"* simwrap {self.design.name}: {self.design.summary}"]
        for _, label, name, value in self.design.rows():
            plain = value.replace("Ω", "ohm").replace("µ", "u")
            lines.append(f"* {name} = {plain} ({label})")
        lines = [" ".join(line.encode("ascii", "replace").decode().split()) for line in lines]
        lines += [self.circuit.text.rstrip("\n"), *analyses]
        lines += [f".ac {sweep}"] * bool(sweep) + [f".print ac v({port})"] * bool(sweep and port)
        return "\n".join([*lines, ".end", ""])


@lru_cache(maxsize=512)
def _inside(valve: Valve, instance: str, nodes: Named, spread: Named) -> tuple[Element, ...]:
    """Return the elements of one instance; a stage with other parts around it has the same ones."""
    lines = valve.netlist(instance, **dict(nodes), **dict(spread))
    return tuple(replace(read(line), valve=instance) for line in lines)


class _Valves:
    """The ``valve`` function of a template: prints the elements of one valve instance, and notes which it drew."""

    for_templates = True

    def __init__(self, stage: Stage, name: str, values: Mapping[str, Any], extra: Mapping[str, Any]):
        self._uses, self._where = stage.valves, name or stage.name
        self._values, self._extra = values, extra
        self._stage = name
        self.drawn: set[str] = set()

    def __call__(self, instance: str, **nodes: str) -> Inside:
        """Return the elements; ``nodes`` override the header's, such as ``screen="n_anode"``."""
        if instance not in self._uses:
            raise UnknownNameError("valve in this circuit", instance, self._uses, self._where)
        self.drawn.add(instance)
        use = self._uses[instance]
        found: dict[str, Any] = {**use.nodes, **nodes}
        if use.valve.kind == "triode":
            found.pop("screen", None)
        full = joined_name(self._stage, instance)
        values = {key: self._values.get(f"{instance}.{key}") for key in ("emission", "mu")}
        values = {key: value for key, value in values.items() if value is not None}
        # Which elements there are doesn't hang on the values: they are put in afterwards.
        spread: dict[str, Any] = dict.fromkeys(values, 1.0)
        spread |= {key: True for key in ("sources", "heater_leakage") if self._extra.get(key, {}).get(full)}
        devices = {f"v_{instance}_{key}": key for key in values}
        return Inside(
            replace(element, value=values[devices[element.name]]) if element.name in devices else element
            for element in _inside(use.valve, instance, tuple(found.items()), tuple(spread.items()))
        )


@lru_cache(maxsize=512)
def _component_inside(component: Component, instance: str, nodes: Named, dark: bool) -> tuple[Element, ...]:
    lines = component.netlist(instance, dark=dark, **dict(nodes))
    return tuple(replace(read(line), valve=instance) for line in lines)


class _Components:
    """The ``component`` function of a template: prints the elements of one component, and notes which it drew."""

    for_templates = True

    def __init__(self, stage: Stage, name: str, extra: Mapping[str, Any]):
        self._uses, self._where = stage.components, name or stage.name
        self._stage, self._extra = name, extra
        self.drawn: set[str] = set()

    def __call__(self, instance: str) -> Inside:
        """Return the elements."""
        if instance not in self._uses:
            raise UnknownNameError("component in this circuit", instance, self._uses, self._where)
        self.drawn.add(instance)
        use = self._uses[instance]
        dark = bool(self._extra.get("dark", {}).get(joined_name(self._stage, instance)))
        return Inside(_component_inside(use.component, instance, tuple(use.nodes.items()), dark))


class _Excitation:
    """``ac("mains")`` in a template: 1 for the source that is excited, 0 for the others."""

    for_templates = True

    def __init__(self, stage: str, excite: str) -> None:
        self._stage, self._excite = stage, excite

    def __call__(self, name: str) -> float:
        return 1.0 if in_netlist(self._stage, f"v_{name}") == self._excite else 0.0


def excited(circuit: Circuit, excite: str) -> tuple[str, bool]:
    """Return the device that a request excites, and whether it is a valve's own.

    Raises
    ------
    UnknownNameError
        If there is no such source.
    """
    known = bench.devices(circuit)
    if excite in known:
        return known[excite], False
    for source in _VALVE_SOURCES:
        full = excite.removesuffix(f"_{source}")
        if full != excite and full in circuit.valves:
            stage, _, instance = full.rpartition(".")
            letter = "v" if source in ("drive", "heater") else "i"
            return in_netlist(stage, f"{letter}_{instance}_{source}"), True
    raise UnknownNameError("source to excite", excite, [*known, *circuit.valves], circuit.name)


def _whole(element: Element, points: int) -> Element:
    """Return an element with its value checked, and as long as there are points where it varies."""
    if not isinstance(element.value, np.ndarray):
        return element
    value = np.ascontiguousarray(np.broadcast_to(np.asarray(element.value), (points,)), dtype=float)
    if not np.isfinite(value).all():
        raise NetlistError(f"{element.name} has a value that is not finite")
    return replace(element, value=value)


@dataclass(frozen=True)
class _Asked:
    """One stage of a circuit, as it is to be rendered; the same key gives the same elements."""

    key: tuple[Any, ...]
    circuit: Circuit = field(compare=False)
    name: str = field(compare=False)
    values: Mapping[str, Any] = field(compare=False)
    extra: Mapping[str, Any] = field(compare=False)
    excite: str = field(compare=False)


def _stage_elements(
    circuit: Circuit, name: str, values: Mapping[str, Any], extra: Mapping[str, Any], excite: str
) -> Sequence[Element]:
    """Return the elements of one stage, with the circuit's names; those of a stage that is as before are kept."""
    stage = circuit.stages[name]
    own: dict[str, Valve | Component] = {joined_name(name, i): use.valve for i, use in stage.valves.items()}
    own |= {joined_name(name, i): use.component for i, use in stage.components.items()}
    more = tuple(
        (what, full, table[full])
        for what, table in extra.items() if isinstance(table, Mapping) for full in own if full in table
    )  # fmt: skip
    # Joins and templates decide about nodes and neighbours, whatever the values of the other stages are.
    around = (circuit.joins, tuple((other, each.template) for other, each in circuit.stages.items()))
    key = (name, around, stage.valve_folders, tuple(values.items()), tuple(own.items()), more, excite)
    asked = _Asked(key, circuit, name, values, extra, excite)
    try:
        hash(key)
    except TypeError:  # arrays: a table of values
        return _made_elements(asked)
    return _kept_elements(asked)


@lru_cache(maxsize=512)
def _kept_elements(asked: _Asked) -> Sequence[Element]:
    return _made_elements(asked)


def _made_elements(asked: _Asked, printed: Printed | None = None) -> Sequence[Element]:
    """Render a stage; ``printed`` then knows which line of the template each element is from."""
    circuit, name, values, extra, excite = asked.circuit, asked.name, asked.values, asked.extra, asked.excite
    stage = circuit.stages[name]
    template = stage.template
    if template.compiled is None:
        raise NetlistError(f"{template.path}: " + "; ".join(template.faults))
    shown = {part: given(value, joined_name(name, part)) for part, value in values.items() if "." not in part}
    valves, components = _Valves(stage, name, values, extra), _Components(stage, name, extra)
    kinds: dict[str, str] = {instance: use.valve.kind for instance, use in stage.valves.items()}
    kinds |= {instance: use.component.kind for instance, use in stage.components.items()}
    shown |= {
        "ac": _Excitation(name, excite),
        "valve": valves,  # shadows the parameter that names the type
        "component": components,
        "kind": DottedTable(kinds),
        "joined": DottedTable({port: circuit.is_joined(joined_name(name, port)) for port in template.ports}),
    }
    printed = printed or Printed()
    try:
        text = rendered(template.compiled, shown, printed)
    except ValueError as fault:
        if "truth value of an array" in str(fault):  # an array decided about a branch
            raise NotTabular from None
        raise NetlistError(f"{template.path}: {fault}") from None
    except (SimwrapError, NotTabular):
        raise
    except Exception as fault:  # a template is somebody's code: name it, and show no traceback
        raise NetlistError(f"{template.path}: {fault}") from None
    for word, uses, drawn in (("valve", stage.valves, valves.drawn), ("component", stage.components, components.drawn)):
        if missing := set(uses) - drawn:
            words = ", ".join(sorted(missing))
            raise NetlistError(
                f'{template.path}: the header has {words}, which the lines never draw with {word}("...")'
            )
    return tuple(circuit.placed(name, element) for element in printed.elements(text, str(template.path)))


def _written_at(circuit: Circuit, device: str) -> str:
    """Return the template and line of an element of a circuit, "" for one of the bench or of a valve's inside.

    Of an element that stands there twice, or is the bench's too, it is the last line: the one to mend.
    """
    for name, stage in circuit.stages.items():
        printed = Printed()
        asked = _Asked((), circuit, name, stage.values, {}, "")
        _made_elements(asked, printed)
        own = {in_netlist(name, each): line for each, line in printed.lines.items()}
        if device in own:
            return f"{stage.template.path}: line {own[device]}"
    return ""


def _render(
    circuit: Circuit,
    columns_of: Mapping[str, Any],
    points: int,
    excite: str,
    extra: Mapping[str, Any],
    only: Collection[str] | None = None,
) -> Netlist:
    """Render a circuit; ``columns_of`` has what varies, by full name, ``only`` the stages beside the bench."""
    device, inside = excited(circuit, excite)
    swept = circuit.split(columns_of)
    whole: dict[str, Any] = {}
    found: list[Element] = []
    for name, stage in circuit.stages.items():
        values = {**stage.values, **swept.get(name, {})}
        whole |= {joined_name(name, part): value for part, value in values.items()}
        if only is None or name in only:
            found += _stage_elements(circuit, name, values, extra, device)
    around = bench.elements(circuit, whole, device, extra.get("load"))
    found = _spread([*(replace(each, bench=True) for each in around), *found], whole)
    if only is None:
        _check_grids(circuit, found)
    if inside:  # a valve's own source or heater
        found = [replace(each, ac=(1.0,)) if each.name == device else each for each in found]
    return Netlist(tuple(_whole(element, points) for element in found), circuit, points)


def _check_grids(circuit: Circuit, elements: list[Element]) -> None:
    """Refuse a grid that nothing but its own current could hold: it would drift to where hardly any flows.

    Raises
    ------
    NetlistError
        With the grid's name.
    """
    grids = {name: use.nodes["grid"] for name, use in circuit.valves.items() if "grid" in use.nodes}
    held = Groups()
    for each in elements:
        own = each.kind == "g" and bool(each.valve) and grids.get(each.valve) in each.nodes
        if each.kind not in "ci" and len(each.nodes) > 1 and not own:
            held.join(*each.nodes[:2])
    for name, node in grids.items():
        if held.of(node) != GROUND:
            leak = circuit.valves[name].grid_leak
            how = f"give {leak} a value, or join it" if leak else "join it"
            why = f"the grid of {name} is held by nothing, since only capacitors lead to it"
            raise NetlistError(f"{circuit.name}: {why}; {how} without a coupling capacitor to what is before it")


def _spread(elements: list[Element], values: Mapping[str, Any]) -> list[Element]:
    """Return elements, those with a spread of their own multiplied by it."""
    factors: dict[str, Any] = {}
    for full, value in values.items():
        device, dot, which = full.rpartition(".")
        if dot and which == PART_SPREAD:
            stage, _, own = device.rpartition(".")
            factors[in_netlist(stage, own)] = value
    if not factors:
        return elements
    if unknown := set(factors) - {each.name for each in elements}:
        raise NetlistError(f"there is no element {', '.join(sorted(unknown))} whose value could vary")
    return [replace(each, value=each.value * factors[each.name]) if each.name in factors else each for each in elements]


def render(
    design: Circuit | Stage, *, excite: str = "signal", extra: Mapping[str, Any] = MappingProxyType({})
) -> Netlist:
    """Render one circuit.

    Parameters
    ----------
    design : Circuit or Stage
    excite : str
        Which source has an ac value of 1; see :class:`simwrap.measures.requests.Request`.
    extra : mapping
        Further values for the renderer.

    Raises
    ------
    NetlistError
        If a template is faulty or prints what a netlist must not hold.
    """
    return _render(as_circuit(design), {}, 1, excite, extra)


#: By how much a value is changed to see what it moves: hardly, and so far that one of a series is another one.
_NUDGES = (1.001, 1.25, 0.8)


def devices_moved(design: Circuit | Stage, name: str) -> set[str]:
    """Return the devices of the netlist that a value changes: none where its choices leave it out."""
    circuit = as_circuit(design)
    before = _render(circuit, {}, 1, "signal", {}, circuit.split({name: 0.0})).elements
    for factor in _NUDGES:
        value = circuit.values[name] * factor
        try:
            moved = circuit.with_values({name: value})
        except SimwrapError:  # beyond what the template accepts
            continue
        after = _render(moved, {}, 1, "signal", {}, circuit.split({name: value})).elements
        if found := {old.name for old, new in zip(before, after, strict=False) if old != new}:
            return found
    return set()


@dataclass(frozen=True)
class Batch:
    """Points that share one text: their indices in the whole table, and the netlist."""

    indices: NDArray[np.intp]
    netlist: Netlist


def take_extra(extra: Mapping[str, Any], indices: NDArray[np.intp]) -> dict[str, Any]:
    """Pick the points of every array inside ``extra``."""
    picked: dict[str, Any] = {}
    for key, value in extra.items():
        if isinstance(value, Mapping):
            picked[key] = take_extra(value, indices)
        else:
            array = np.asarray(value)
            picked[key] = array[indices] if array.ndim else value
    return picked


def render_table(
    table: PointTable, *, excite: str = "signal", extra: Mapping[str, Any] = MappingProxyType({})
) -> list[Batch]:
    """Render every point of a table with as few texts as possible.

    Arrays inside ``extra`` have the shape (points,).

    Returns
    -------
    list of Batch
        Together they hold every point once.
    """
    batches = []
    for indices in table.groups():
        part = table.take(indices)
        first = part.at(0)
        varying = {
            name: column
            for name, column in part.columns.items()
            if column.dtype.kind == "f" and (column != column[0]).any()
        }
        picked = _scalars(take_extra(extra, indices)) if len(indices) == 1 else take_extra(extra, indices)
        try:
            batches.append(Batch(indices, _render(first, varying, len(indices), excite, picked)))
        except NotTabular:
            for position, index in enumerate(indices):
                one = np.array([index])
                made = render(part.at(position), excite=excite, extra=_scalars(take_extra(extra, one)))
                batches.append(Batch(one, made))
    return batches


def _scalars(extra: Mapping[str, Any]) -> dict[str, Any]:
    """Turn arrays of one point into plain floats."""
    return {
        key: _scalars(value) if isinstance(value, Mapping) else (float(value[0]) if np.ndim(value) else value)
        for key, value in extra.items()
    }
