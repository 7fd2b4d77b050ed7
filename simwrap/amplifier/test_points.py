"""Test points of a circuit: what a meter shows there, and the window within which a healthy build may lie.

Names are those of the pins, ``driver.v1.anode`` (voltage to ground), of the rails, ``power.supply`` and
``early.output``, of the parts that a meter is laid across, ``driver.anode_resistor``, and of currents,
``driver.v1.cathode_current``. Each has the ``figure`` that it is elsewhere (``bias.nodes.driver.n_anode``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit, as_circuit, joined_name
from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.design.tolerance import Tolerances, spread
from simwrap.engine import DEFAULT, Run
from simwrap.errors import EngineError
from simwrap.findings.status import Status
from simwrap.measures.numerics.parts import bought, netlist_parts, wired
from simwrap.netlist.element import Element
from simwrap.simulation.measurement import measure
from simwrap.simulation.simulate import metered

What = Literal["to ground", "across", "current"]
Floats = NDArray[np.float64]

#: A part is one to lay a meter across when at least this stands across it [V].
_WORTH = 1.0
#: Below this a voltage is none, and a share of it means nothing [V].
_NOTHING = 1e-6


@dataclass(frozen=True, kw_only=True)
class Allowance:
    """What the window of a test point allows for.

    Attributes
    ----------
    resistors : str or float
        Tolerance of every resistor.
    emission, mu : str or float
        Spread of every valve: its emission at given voltages, and its amplification factor (common practice for new
        valves, no source).
    mains : str or float
        Variation of the mains, and of every supply with it (IEC 60038: 10 %, from memory).
    builds, seed : int
        Builds that are drawn; the window holds all of them.
    meter : float
        Input resistance of the voltmeter [ohm].
    meter_share, meter_least : float
        Error of the meter: a share of the reading, and [V] beside it.
    """

    resistors: Any = "5 %"
    emission: Any = "20 %"
    mu: Any = "10 %"
    mains: Any = "10 %"
    builds: int = 200
    seed: int = 0
    meter: float = 10e6
    meter_share: float = 0.01
    meter_least: float = 0.1

    def tolerances(self, circuit: Circuit) -> Tolerances:
        """Return all that varies in a circuit; what it doesn't have is left out."""
        return Tolerances(
            parts={"resistors": self.resistors},
            valves={"emission": self.emission, "mu": self.mu} if circuit.valves else {},
            supplies=self.mains if circuit.supplies else 0.0,
        )


@dataclass(frozen=True)
class TestPoint:
    """A place where something is measured.

    Attributes
    ----------
    name : str
        Such as "driver.v1.anode".
    also : tuple of str
        Other names of the same place: "splitter.v1.grid" where that hangs directly on the driver's anode.
    what : str
        "to ground", "across" (a part) or "current".
    figure : str
        What it is elsewhere in simwrap; of "across" that of the positive lead.
    less : str
        Of "across" the figure of the other lead, which is taken away.
    nodes : tuple of str
        Netlist nodes of both leads, "0" for ground; none for a current.
    unit : str
        "V" or "A".
    expected : float
        Of the nominal build without a meter: what the netlist says.
    shown : float
        What the meter shows of it, which loads the circuit.
    low, high : float
        Window of what the meter shows in a healthy build.
    """

    __test__: ClassVar[bool] = False  # pytest takes what begins with "Test" for tests

    name: str
    also: tuple[str, ...]
    what: What
    figure: str
    nodes: tuple[str, ...]
    unit: str
    less: str = ""
    expected: float = np.nan
    shown: float = np.nan
    low: float = np.nan
    high: float = np.nan


def quiescent_points(
    design: Circuit | Stage,
    *,
    rail: Sequence[str] = (),
    allowance: Allowance | None = None,
    figures: Mapping[str, float] | None = None,
    run: Run = DEFAULT,
    workers: int | None = None,
) -> list[TestPoint]:
    """Return the test points of a circuit at rest: rails first, then valve by valve.

    Parameters
    ----------
    design : Circuit or Stage
    rail : sequence of str
        Supply ports that hang on one supply (``design.feeds``): one place, though the netlist draws each for itself.
    allowance : Allowance, optional
    figures : mapping of str to float, optional
        Of the nominal build's bias, by name, where they are known already.
    run : Run
        "auto", "neospice" or "ngspice".
    workers : int, optional
        As for :func:`simwrap.sweep`.

    Returns
    -------
    list of TestPoint
        Of a build that couldn't be simulated nothing counts in a window; NaN where none could.

    Raises
    ------
    EngineError
        If the nominal build has no operating point.
    """
    circuit = as_circuit(design, "quiescent_points")
    allowed = allowance or Allowance()
    asked = {"bias": {"with_parts": False}}
    found = measure(circuit, asked, run=run) if figures is None else figures
    points = [replace(point, expected=float(_value(found, point))) for point in places(circuit, rail)]
    points = [point for point in points if point.what != "across" or abs(point.expected) >= _WORTH]
    across = [point for point in points if point.nodes]
    readings = metered(circuit, [(p.nodes[0], p.nodes[1]) for p in across], allowed.meter, run=run)
    shown = {point.name: float(reading) for point, reading in zip(across, readings, strict=True)}
    points = [replace(point, shown=shown.get(point.name, point.expected)) for point in points]
    data = spread(
        circuit, allowed.tolerances(circuit), asked, builds=allowed.builds, seed=allowed.seed, curves=False,
        spot_check=0, run=run, workers=workers,
    )  # fmt: skip
    in_time(data, "windows of test points")
    return [_windowed(point, _value(data, point), allowed) for point in points]


def in_time(data: Any, what: str) -> None:
    """Refuse builds of which some ran out of time: a window of the others would be too narrow.

    Raises
    ------
    EngineError
    """
    lost = np.ravel(data["outcome"].values == Status.LATE.value)
    if lost.any():
        reason = np.ravel(data["status"].values)[lost][0]
        raise EngineError(f"{what}: {reason}, with {int(lost.sum())} of {len(lost)} builds; give a longer one")


def places(circuit: Circuit, rail: Sequence[str] = ()) -> Iterator[TestPoint]:
    """Yield the test points of a circuit without their values, each place once under its first name."""
    parts = netlist_parts(render(circuit).elements)
    same = wired(parts)
    feeds = [node for name, node in _rails(circuit) if name in rail]
    same |= dict.fromkeys(feeds, feeds[0] if feeds else "")
    figures = {node: f"bias.nodes.{path}" for path, node in circuit.node_paths.items()}
    found: dict[str, list[tuple[str, str]]] = {}
    for name, node in [*_rails(circuit), *_pins(circuit)]:
        if node in figures and same.get(node) != "0":
            found.setdefault(same.get(node, node), []).append((name, node))
    for (first, node), *others in found.values():
        names = tuple(name for name, _ in others)
        yield TestPoint(first, names, "to ground", figures[node], (node, "0"), "V")
    yield from _across(circuit, parts, figures)
    for valve in circuit.valves:
        figure = f"bias.valves.{valve}.cathode_current"
        yield TestPoint(f"{valve}.cathode_current", (), "current", figure, (), "A")


def _rails(circuit: Circuit) -> Iterator[tuple[str, str]]:
    """Yield name and node of every supply, and of what passes one on: a dropper."""
    for name in circuit.supplies:
        yield name, circuit.placed_ports[name].node
    for stage, made in circuit.stages.items():
        kinds = {name: port.kind for name, port in made.template.header.ports.items()}
        if "source" not in kinds.values() and "supply" in kinds.values():
            yield from (
                (full, circuit.placed_ports[full].node)
                for name, kind in kinds.items()
                if kind == "load" and (full := joined_name(stage, name)) in circuit.placed_ports
            )


def _pins(circuit: Circuit) -> Iterator[tuple[str, str]]:
    for valve, use in circuit.valves.items():
        yield from ((f"{valve}.{role}", node) for role, node in use.nodes.items())


def _across(circuit: Circuit, parts: Mapping[str, Element], figures: Mapping[str, str]) -> Iterator[TestPoint]:
    """Yield the resistors in the way of an anode's or screen's current: what stands across them gives it."""
    electrodes = {use.nodes[role] for use in circuit.valves.values() for role in ("anode", "screen")
                  if role in use.nodes}  # fmt: skip
    for path, part in bought(parts, "r").items():
        one, other = part.nodes
        if electrodes.isdisjoint(part.nodes) or not {one, other} <= set(figures):
            continue
        yield TestPoint(f"{path}_resistor", (), "across", figures[one], (one, other), "V", figures[other])


def _value(figures: Any, point: TestPoint) -> Any:
    """Return what a measurement or Dataset has at a point."""
    value = np.asarray(figures[point.figure], dtype=float)
    return value - np.asarray(figures[point.less], dtype=float) if point.less else value


def _windowed(point: TestPoint, builds: Floats, allowed: Allowance) -> TestPoint:
    """Return a point with its window: the meter loads each build as it loads the nominal one, and errs."""
    loaded = point.shown / point.expected if abs(point.expected) > _NOTHING else 1.0
    builds = builds[np.isfinite(builds)] * loaded
    if not len(builds):
        return point
    least = allowed.meter_least if point.unit == "V" else 0.0
    low, high = float(builds.min()), float(builds.max())
    return replace(
        point, low=low - allowed.meter_share * abs(low) - least, high=high + allowed.meter_share * abs(high) + least
    )
