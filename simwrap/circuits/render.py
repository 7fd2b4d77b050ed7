"""From a stage to netlist text: jinja2 with undefined names forbidden, plain numbers only.

A template is rendered once for a whole table of values. A parameter that is an array is
printed as a marker; where the marker is the value of a resistor, capacitor, inductor or
source, it becomes a column of the engine's table. Where it isn't (it decides about a branch,
or stands in an expression), :class:`NotTabular` makes :func:`render_table` render that
point by itself.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import jinja2
import numpy as np
from numpy.typing import NDArray

from simwrap.circuits import template_functions
from simwrap.circuits.stage import Stage, Template
from simwrap.engine.protocol import Circuit
from simwrap.errors import NetlistError, SimwrapError, UnknownNameError

_WORD = re.compile(r"[a-z][a-z0-9_]*\Z")
_PRESENT = re.compile(r"(\w+) is present")
_MARKER = re.compile(r"@(\d+)@")


class NotTabular(Exception):
    """A swept value changes more than element values; internal to this module."""


class Lines(str):
    """Netlist lines made by our own code, which may be printed as they are."""

    __slots__ = ()


class _Columns:
    """Collects the arrays that were printed while a template was rendered."""

    def __init__(self) -> None:
        self.arrays: list[NDArray[np.float64]] = []

    def write(self, value: Any) -> str:
        """Return the text of one printed value (jinja2's ``finalize``)."""
        if isinstance(value, Lines | jinja2.Undefined):
            return str(value)  # an undefined name raises here
        if isinstance(value, str):
            if not _WORD.match(value):
                raise NetlistError(f'a template prints "{value[:40]}", which is neither a number nor a plain name')
            return value
        array = np.asarray(value, dtype=float)
        if array.ndim == 0:
            number = float(array)
            if not math.isfinite(number):
                raise NetlistError(f"a template prints the number {number}, which no netlist can hold")
            return repr(number)
        self.arrays.append(array)
        return f"@{len(self.arrays) - 1}@"


def _present(value: Any) -> bool:
    """Jinja test: whether a part is there (its value isn't 0)."""
    there = np.asarray(value) != 0
    if there.all():
        return True
    if not there.any():
        return False
    raise NotTabular


@lru_cache(maxsize=64)
def _compiled(template: Template) -> tuple[jinja2.Template, _Columns]:
    columns = _Columns()
    environment = jinja2.Environment(
        undefined=jinja2.StrictUndefined,
        finalize=columns.write,
        trim_blocks=True,
        lstrip_blocks=True,
        autoescape=False,
    )
    environment.tests["present"] = _present
    environment.globals.update(
        taper=template_functions.taper,
        leg=template_functions.leg,
        tapped_legs=template_functions.tapped_legs,
        resistance=template_functions.resistance,
        core_scale=template_functions.core_scale,
        sqrt=np.sqrt,
        maximum=np.maximum,
        pi=math.pi,
    )
    return environment.from_string(template.source), columns


@dataclass(frozen=True)
class Netlist:
    """A rendered stage: element lines, and the table of values that vary.

    Attributes
    ----------
    circuit : Circuit
        What an engine takes.
    stage : Stage
        What it was made from.
    """

    circuit: Circuit
    stage: Stage

    @property
    def sha256(self) -> str:
        """Hash of the text, for provenance."""
        return hashlib.sha256(self.circuit.text.encode()).hexdigest()

    def complete(self, analyses: Sequence[str] = (".op", ".ac dec 20 1.0 1000000.0")) -> str:
        """Return a whole netlist, with title and analyses, that any SPICE reads.

        ``ngspice -b`` runs it unchanged and prints the operating point and the output.
        """
        port = self.stage.ports.get("output", "")
        lines = [f"* simwrap {self.stage.name}: {self.stage.template.summary}"]
        for _, label, name, value in self.stage.rows():
            plain = value.replace("Ω", "ohm").replace("µ", "u")
            lines.append(f"* {name} = {plain} ({label})".encode("ascii", "replace").decode())
        lines += [self.circuit.text.rstrip("\n"), *analyses]
        if port and any(line.startswith(".ac") for line in analyses):
            lines.append(f".print ac v({port})")
        return "\n".join([*lines, ".end", ""])


class _Valves:
    """The ``valve`` function of a template: prints the lines of one valve instance."""

    def __init__(self, stage: Stage, values: Mapping[str, Any], extra: Mapping[str, Any], columns: _Columns) -> None:
        self._uses = stage.valves
        self._values, self._extra, self._columns = values, extra, columns
        self._name = stage.name

    def __call__(self, instance: str, **nodes: str) -> Lines:
        """Return the lines; ``nodes`` override the header's, such as ``screen="n_anode"``."""
        if instance not in self._uses:
            raise UnknownNameError("valve in this circuit", instance, self._uses, self._name)
        use = self._uses[instance]
        found: dict[str, Any] = {**use.nodes, **nodes}
        if use.valve.kind == "triode":
            found.pop("screen", None)
        spread: dict[str, Any] = {
            key: self._columns.write(self._values[f"{instance}.{key}"])
            for key in ("emission", "mu")
            if f"{instance}.{key}" in self._values
        }
        for name in ("noise_resistance", "partition_resistance"):
            value = self._extra.get(name, {}).get(instance)
            if value is not None:
                spread[name] = self._columns.write(value)
        if self._extra.get("heater_leakage", {}).get(instance):
            spread["heater_leakage"] = True
        return Lines("\n".join(use.valve.netlist(instance, **found, **spread)))


class _Excitation:
    """``ac("signal")`` in a template: 1 for the source that is excited, 0 for the others."""

    def __init__(self, excite: str) -> None:
        self._excite = excite

    def __call__(self, name: str) -> float:
        return 1.0 if name == self._excite else 0.0


def _excite_valve(text: str, excite: str) -> str:
    """Set the ac value of a valve's noise source or heater to 1 where it is what is excited."""
    if not excite.endswith(("_noise", "_partition", "_heater")):
        return text
    pattern = re.compile(rf"^([iv]_{re.escape(excite)}\b.*\bac) \S+$", re.MULTILINE)
    text, count = pattern.subn(r"\1 1.0", text)
    if count != 1:
        raise NetlistError(f"there is no source {excite} to excite")
    return text


def _tabulate(text: str, columns: _Columns, points: int) -> Circuit:
    """Replace markers by the first point's value and collect the table."""
    table: dict[str, NDArray[np.float64]] = {}
    lines = []
    for line in text.split("\n"):
        line = line.strip()
        if not line or line.startswith("*"):
            continue
        markers = _MARKER.findall(line)
        if markers:
            words = line.split()
            position = _value_position(words)
            if len(markers) != 1 or position is None or not _MARKER.fullmatch(words[position]):
                raise NotTabular
            array = columns.arrays[int(markers[0])]
            table[words[0]] = np.ascontiguousarray(np.broadcast_to(array, (points,)), dtype=float)
            words[position] = repr(float(table[words[0]][0]))
            line = " ".join(words)
        lines.append(line)
    for name, array in table.items():
        if not np.isfinite(array).all():
            raise NetlistError(f"{name} has a value that is not finite")
    return Circuit("\n".join(lines) + "\n", table, points)


def _value_position(words: Sequence[str]) -> int | None:
    """Return which word of an element line is its value, or None where none can vary."""
    kind = words[0][:1]
    if kind in "rcl" and len(words) >= 4:
        return 3
    if kind in "vi" and len(words) >= 5 and words[3] == "dc":
        return 4
    return None


def _render(stage: Stage, values: Mapping[str, Any], points: int, excite: str, extra: Mapping[str, Any]) -> Netlist:
    compiled, columns = _compiled(stage.template)
    columns.arrays.clear()
    names = {name: value for name, value in values.items() if "." not in name}
    try:
        placed = _Valves(stage, values, extra, columns)  # shadows the parameter that names the type
        kinds = {instance: use.valve.kind for instance, use in stage.valves.items()}
        text = compiled.render({**names, "ac": _Excitation(excite), "valve": placed, "kind": kinds, "extra": extra})
    except ValueError as fault:
        if "truth value of an array" in str(fault):  # an array decided about a branch
            raise NotTabular from None
        raise NetlistError(f"{stage.template.path}: {fault}") from None
    except (SimwrapError, NotTabular):
        raise
    except Exception as fault:  # a template is somebody's code: name it, and show no traceback
        raise NetlistError(f"{stage.template.path}: {fault}") from None
    return Netlist(_tabulate(_excite_valve(text, excite), columns, points), stage)


def render(stage: Stage, *, excite: str = "signal", extra: Mapping[str, Any] = MappingProxyType({})) -> Netlist:
    """Render one stage.

    Parameters
    ----------
    stage : Stage
    excite : str
        Which source has an ac value of 1; see :class:`simwrap.measures.requests.Request`.
    extra : mapping
        Further values for the renderer.

    Raises
    ------
    NetlistError
        If the template is faulty or prints what a netlist must not hold.
    """
    return _render(stage, stage.values, 1, excite, extra)


@dataclass(frozen=True)
class Batch:
    """Points that share one text: their indices in the whole table, and the netlist."""

    indices: NDArray[np.intp]
    netlist: Netlist


@dataclass(frozen=True)
class Table:
    """Parameter values of many points.

    Attributes
    ----------
    stage : Stage
        Gives every value that isn't in ``columns``.
    columns : mapping of str to ndarray, shape (points,)
        Checked values by canonical parameter name.
    points : int
    """

    stage: Stage
    columns: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    points: int = 1

    def at(self, index: int) -> Stage:
        """Return the stage of one point."""
        picked = {name: column[index] for name, column in self.columns.items()}
        plain = {name: str(v) if isinstance(v, str) else float(v) for name, v in picked.items()}
        return Stage(self.stage.template, MappingProxyType({**self.stage.values, **plain}), self.stage.valve_folders)

    def take(self, indices: NDArray[np.intp]) -> Table:
        """Return the table of some of its points, in that order."""
        return Table(self.stage, {name: column[indices] for name, column in self.columns.items()}, len(indices))


def _groups(table: Table) -> list[NDArray[np.intp]]:
    """Split points by what surely changes the text: words, and which parts are there."""
    if table.points == 1:
        return [np.zeros(1, dtype=np.intp)]
    keys = []
    parts_asked_for = _PRESENT.findall(table.stage.template.source)
    for name, column in table.columns.items():
        if column.dtype.kind == "f":
            if name in parts_asked_for:
                keys.append((column != 0).astype(np.intp))
        else:
            keys.append(np.unique(column, return_inverse=True)[1].astype(np.intp))
    if not keys:
        return [np.arange(table.points)]
    _, labels = np.unique(np.stack(keys), axis=1, return_inverse=True)
    labels = labels.ravel()
    order = np.argsort(labels, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(labels[order])) + 1)


def _take(extra: Mapping[str, Any], indices: NDArray[np.intp]) -> dict[str, Any]:
    """Pick the points of every array inside ``extra``."""
    picked: dict[str, Any] = {}
    for key, value in extra.items():
        if isinstance(value, Mapping):
            picked[key] = _take(value, indices)
        else:
            array = np.asarray(value)
            picked[key] = array[indices] if array.ndim else value
    return picked


def render_table(
    table: Table, *, excite: str = "signal", extra: Mapping[str, Any] = MappingProxyType({})
) -> list[Batch]:
    """Render every point of a table with as few texts as possible.

    Arrays inside ``extra`` have the shape (points,).

    Returns
    -------
    list of Batch
        Together they hold every point once.
    """
    batches = []
    for indices in _groups(table):
        part = table.take(indices)
        first = part.at(0)
        values = dict(first.values)
        values |= {
            name: column
            for name, column in part.columns.items()
            if column.dtype.kind == "f" and (column != column[0]).any()
        }
        picked = _scalars(_take(extra, indices)) if len(indices) == 1 else _take(extra, indices)
        try:
            batches.append(Batch(indices, _render(first, values, len(indices), excite, picked)))
        except NotTabular:
            for position, index in enumerate(indices):
                one = np.array([index])
                made = render(part.at(position), excite=excite, extra=_scalars(_take(extra, one)))
                batches.append(Batch(one, made))
    return batches


def _scalars(extra: Mapping[str, Any]) -> dict[str, Any]:
    """Turn arrays of one point into plain floats."""
    return {
        key: _scalars(value) if isinstance(value, Mapping) else (float(value[0]) if np.ndim(value) else value)
        for key, value in extra.items()
    }
