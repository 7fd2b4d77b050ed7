"""What most measures need: vectors by node, values by point, small formulas."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.errors import InputError, RangeError
from simwrap.measures.requests import Variable

Array = NDArray[Any]
Floats = NDArray[np.float64]

#: Temperature at which both engines run unless told otherwise [K] (27 degrees Celsius).
TEMPERATURE = 300.15
#: Mains at their upper limit, as a part of the nominal (IEC 60038: 10 %, from memory).
MAINS_UPPER = 1.1
BOLTZMANN, CHARGE = 1.380649e-23, 1.602176634e-19


class StageLike(Protocol):
    """The part of a stage that measures use."""

    @property
    def name(self) -> str:
        """Name of the template."""

    @property
    def values(self) -> Mapping[str, Any]:
        """Design values; a swept one is an array of shape (points,)."""

    @property
    def ports(self) -> Mapping[str, str]:
        """Node of each port by role."""

    @property
    def supplies(self) -> Mapping[str, str]:
        """Source device of each supply by name."""

    @property
    def loop_probes(self) -> Mapping[str, tuple[str, str]]:
        """Node and current vector with which each feedback loop is looked into, by its path's name."""

    def bench_part(self, port: str, part: str) -> str:
        """Parameter of a part of the bench at a port ("resistor", "resistance", "drive", ...), "" for none."""

    @property
    def standard_curves(self) -> Mapping[str, Mapping[str, list[float]]]:
        """Time constants of the standards' curves that it is meant to follow, by name."""

    @property
    def valves(self) -> Mapping[str, Any]:
        """Valve instances, each with ``.valve``, ``.nodes`` and ``.currents``."""

    @property
    def components(self) -> Mapping[str, Any]:
        """Component instances, each with ``.component``, ``.nodes`` and ``.current``."""

    @property
    def node_paths(self) -> Mapping[str, str]:
        """Node by path of every node that a builder can touch with a probe."""


def port(stage: StageLike, role: str, measure: str) -> str:
    """Return the node of a port.

    Raises
    ------
    InputError
        If the stage has no such port, so that the measure has no meaning for it.
    """
    try:
        return stage.ports[role]
    except KeyError:
        has = ", ".join(sorted(stage.ports)) or "none"
        raise InputError(f'{measure}: {stage.name} has no port "{role}"; its ports are {has}') from None


def check_inside(measure: str, name: str, value: float, start: float, stop: float) -> None:
    """Refuse a frequency at which figures are read that lies outside of the sweep [Hz].

    Raises
    ------
    RangeError
    """
    if not start <= value <= stop:
        raise RangeError(
            name, f"{value:g} Hz", f"a frequency inside of the sweep, {start:g} Hz to {stop:g} Hz", measure
        )


def wanted(*nodes: str | None) -> tuple[str, ...]:
    """Return nodes to ask for: without ground, without repeats."""
    return tuple(dict.fromkeys(node for node in nodes if node and node != "0"))


def vector(reply: Reply, node: str | None) -> Array:
    """Return a vector of a reply; zeros for ground, NaN for what isn't there."""
    if node in reply.values:
        return np.asarray(reply.values[node])
    like = np.asarray(next(iter(reply.values.values())))
    return np.zeros_like(like) if node == "0" else np.full_like(like, np.nan)


def between(reply: Reply, node: str | None, other: str | None) -> Array:
    """Return the voltage of ``node`` against ``other`` [V]."""
    difference: Array = vector(reply, node) - vector(reply, other)
    return difference


def current_nodes(instance: str, use: Any) -> dict[str, str]:
    """Return the nodes that carry a valve's currents in mA, by electrode."""
    return dict(use.currents)


def valve_vectors(valves: Mapping[str, Any]) -> tuple[str, ...]:
    """Return every node that tells what the valves do: electrodes and currents."""
    nodes: list[str] = []
    for instance, use in valves.items():
        nodes += use.nodes.values()
        nodes += current_nodes(instance, use).values()
    return wanted(*nodes)


def count(reply: Reply) -> int:
    """Return the number of points of a reply."""
    return len(reply.reasons)


def per_point(stage: StageLike, name: str, points: int, default: float | Floats = np.nan) -> Floats:
    """Return a design value for each point, shape (points,)."""
    value = np.asarray(stage.values.get(name, default), dtype=float)
    return np.broadcast_to(value, (points,)).copy()


def bench_value(stage: StageLike, port_name: str, part: str, points: int, default: float = 0.0) -> Floats:
    """Return the value of a part of the bench at a port for each point, shape (points,); see ``bench_part``."""
    name = stage.bench_part(port_name, part)
    return per_point(stage, name, points, default) if name else np.full(points, default)


def load_of(stage: StageLike, points: int, at: str = "output") -> tuple[str, Floats]:
    """Return the name and the value [ohm] of the resistance that loads a port; NaN without one."""
    name = stage.bench_part(at, "resistor")
    value = bench_value(stage, at, "resistor", points)
    return name, np.where(value > 0, value, np.nan)  # 0 stands for no load


def common_conditions(stage: StageLike, points: int) -> dict[str, tuple[Any, str]]:
    """Return what every measure was made under: the load of the output (where there is one), and the temperature."""
    conditions: dict[str, tuple[Any, str]] = {}
    _, load = load_of(stage, points)
    if np.isfinite(load).any():
        conditions["load"] = (stated(load), "ohm")
    conditions["temperature"] = (TEMPERATURE, "K")
    return conditions


def decibels(ratio: Array) -> Floats:
    """Return 20 log10 of the magnitude; -inf for zero, NaN for NaN."""
    with np.errstate(divide="ignore", invalid="ignore"):
        level: Floats = 20.0 * np.log10(np.abs(ratio))
    return level


def divide(top: Any, bottom: Any) -> Array:
    """Divide without a warning: inf or NaN where ``bottom`` is zero."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        quotient: Array = np.asarray(top) / np.asarray(bottom)
    return quotient


def axis(values: Any, unit: str, long_name: str) -> Variable:
    """Return a coordinate: a Variable without a point axis."""
    return Variable((), np.asarray(values), unit, long_name)


def scalar(values: Any, unit: str, long_name: str) -> Variable:
    """Return a Variable with one value a point."""
    return Variable((), np.asarray(values), unit, long_name)


def stated(values: Floats) -> float | str:
    """Return a condition's value: the number that all points share, or that it differs."""
    first = values.flat[0]
    return float(first) if ((values == first) | np.isnan(values)).all() else "differs by point"
