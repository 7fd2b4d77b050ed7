"""The test-point chart in the order of powering up: what a meter shows at each step, and within which window."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.states import FIRST
from simwrap.amplifier.supply_match import Match, fed
from simwrap.amplifier.test_points import Allowance, TestPoint, in_time, places
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.design.tolerance import Tolerances, read_tolerance, spread
from simwrap.measures.numerics.parts import cold_nodes, netlist_parts
from simwrap.netlist.element import Element
from simwrap.simulation.measurement import Measurement

#: Voltage of a heater: the tolerance that valve makers ask for (common practice; RCA manuals, from memory).
HEATER = 0.1
#: What heats a rectifier, or is a cathode itself, by whether it is a rectifier and whether it is a filament.
_WINDINGS = {
    (True, True): "across the filament: a winding of its own, insulated for the high voltage",
    (
        True,
        False,
    ): "across the heater: a winding of its own unless its maker rates heater to cathode for the high voltage",
    (False, True): "across the filament: a winding of its own for each valve, insulated from all others",
}
_FIRST_TITLE = "First power: half the rail from a supply of its own, heaters at their full voltage, valves in"
#: Builds from which the windows of levels come.
_BUILDS = 100


@dataclass(frozen=True)
class ChartRow:
    """A row of the chart.

    Attributes
    ----------
    name, lead : str
        The test point, and where the meter is laid.
    unit : str
    expected, shown, low, high : float
        As of a :class:`~simwrap.amplifier.test_points.TestPoint`.
    """

    name: str
    lead: str
    unit: str
    expected: float
    shown: float
    low: float
    high: float


@dataclass
class PowerUpStep:
    """A step of powering up: what is done, what is looked for, and what is read."""

    title: str
    do: list[str]
    readings: list[ChartRow] = field(default_factory=list)


def steps(amplifier: Amplifier, allowed: Allowance, rated: Measurement | None) -> list[PowerUpStep]:
    """Return the chart of a sheet, step by step; ``allowed`` is what its windows allow for."""
    design = amplifier.design
    found = [_before(design, amplifier.supply, allowed), _heaters(amplifier), _without_valves(amplifier, allowed)]
    if fed(design) and np.isfinite(amplifier.rail):
        points = amplifier.first_points(allowed)
        readings = [_reading(point) for point in points if not point.name.endswith("current")]
        do = [*_first(FIRST * amplifier.rail), *_howls(amplifier.circuit)]
        found.append(PowerUpStep(_FIRST_TITLE, do, readings))
    points = amplifier.test_points(allowed)
    readings = [*_supply_at_rest(amplifier, allowed), *(_reading(point) for point in points)]
    found.append(
        PowerUpStep(
            "Quiescent: full mains, no signal, after ten minutes",
            ["Full mains, load connected, volume down. Output valves first: if their current is outside its window, "
             "switch off.", *_howls(amplifier.circuit)],
            readings,
        )
    )  # fmt: skip
    if rated is not None:
        found.append(_full_power(amplifier, allowed, rated))
    return found


def _reading(point: TestPoint) -> ChartRow:
    lead = {"to ground": "to ground", "across": "across it, meter floating", "current": "in the cathode"}[point.what]
    name = point.name if not point.also else f"{point.name} (also {', '.join(point.also)})"
    return ChartRow(name, lead, point.unit, point.expected, point.shown, point.low, point.high)


def _before(design: Design, supply: Match | None, allowed: Allowance) -> PowerUpStep:
    step = PowerUpStep(
        "Before the valves are in, power off and then mains on without any valve",
        [
            "Power off: measure from the supply's output to ground with an ohmmeter. It rises while the capacitors "
            "charge and settles at the bleeder, or higher; near 0 Ω is a fault.",
            "Mains on without rectifier and valves: windings alone. Mind that both ends of the high-voltage winding "
            "are lethal. The unloaded winding gives some per cent more than its loaded voltage.",
        ],
    )  # fmt: skip
    if design.supply is not None:
        low, high = read_tolerance(allowed.mains, "the mains")
        volts = float(design.supply.values["winding_voltage"])
        step.readings.append(
            ChartRow("supply winding, each half" if "bi" not in str(design.supply.values.get("rectification"))
                    else "supply winding", "a.c. r.m.s., loaded value", "V", volts, volts,
                    volts * (1 + low), volts * (1 + high) * 1.1)
        )  # fmt: skip
    return step


def _first(volts: float) -> list[str]:
    """Say which supply is meant at the first power: the high voltage alone is half."""
    return [
        "All valves in, load connected, no signal. These windows are for heaters (and a fixed bias) at their full "
        "voltage and half the high voltage, so they come from different supplies: heaters and bias from their own "
        "windings on full mains, the rail from a bench supply with a current limit, the rectifier out (or from a "
        "high-voltage transformer of its own on a variable one).",
        f"Raise the rail until it reads {volts:.0f} V, half of what it will be, and compare; at another rail they go "
        "roughly in proportion. The mains has no part in these windows.",
        "A lamp or a variable transformer before a mains transformer that feeds the heaters too halves them as well: "
        "the valves then draw less than these windows say, or nothing. That finds a short, and no more: the lamp glows "
        "brightly for a moment and then dims; one that stays bright means a fault: switch off.",
    ]


def _howls(circuit: Circuit) -> list[str]:
    """Say what to do when the feedback round an output transformer is the wrong way round."""
    if not circuit.loops or not any("secondary_phase" in stage.values for stage in circuit.stages.values()):
        return []
    return [
        "There is feedback round the output transformer: a hand on the switch. If it howls, motorboats, or the load "
        "gets warm without a signal, switch off at once: the feedback is positive. Discharge, exchange the two ends of "
        "the transformer's secondary (the dots in the drawing are the ends that go up together), and begin again."
    ]


def _heaters(amplifier: Amplifier) -> PowerUpStep:
    """Return the heaters' voltages: one row for those that may share a winding, others by themselves."""
    step = PowerUpStep(
        "Heaters only",
        [
            "Valves in, high voltage disconnected. Every heater glows within half a minute; measure at the sockets, "
            "with all valves in.",
            "With fixed bias: measure every output grid now. It has its bias before there is any anode voltage.",
        ],
    )
    shared: dict[float, set[str]] = {}
    apart: dict[tuple[str, bool, bool], float] = {}
    rectifiers = amplifier.design.supply.circuit.valves.values() if amplifier.design.supply is not None else ()
    for use, rectifier in [*((u, False) for u in amplifier.circuit.valves.values()), *((u, True) for u in rectifiers)]:
        heater = use.valve.heater
        if heater is None:
            continue
        if rectifier or heater.direct:
            apart[use.valve.name, rectifier, heater.direct] = heater.voltage
        else:
            shared.setdefault(heater.voltage, set()).add(use.valve.name)
    rows = [(f"heaters of {', '.join(sorted(types))}", "across the heater, a.c. or d.c.", volts)
            for volts, types in sorted(shared.items())]  # fmt: skip
    rows += [(f"{'filament' if direct else 'heater'} of {name}", _WINDINGS[rectifier, direct], volts)
             for (name, rectifier, direct), volts in sorted(apart.items())]  # fmt: skip
    if apart:
        step.do.append(
            "Rows that name a winding of its own must not share one: a filament is a cathode, and a rectifier's stands "
            "at the full high voltage as soon as there is any. Insulate these windings from the others and from the "
            "chassis; power off, an ohmmeter shows no connection between them."
        )
    for name, lead, volts in rows:
        step.readings.append(ChartRow(name, lead, "V", volts, volts, (1 - HEATER) * volts, (1 + HEATER) * volts))
    return step


def _without_valves(amplifier: Amplifier, allowed: Allowance) -> PowerUpStep:
    """Return what is there with a rectifier, but before the valves conduct: the highest voltages of all."""
    return PowerUpStep(
        "High voltage before the valves conduct",
        [
            "Rectifier in, the other valves out, or cold: for half a minute after switching on every part sees these "
            "voltages, the highest of all. Capacitors must stand them. Fixed bias is there now, or it won't be later.",
        ],
        list(cold_readings(amplifier.unheated, amplifier.design.feeds, allowed)),
    )


def cold_readings(circuit: Circuit, rail: Any, allowed: Allowance) -> Iterator[ChartRow]:
    """Yield the test points to ground before the valves conduct; what is 0 V then is left out."""
    parts = netlist_parts(render(circuit).elements)
    points = [point for point in places(circuit, rail) if point.what == "to ground"]
    bare = cold_nodes(parts)
    low, high = read_tolerance(allowed.mains, "the mains")
    for point in points:
        node = point.nodes[0]
        value = float(np.ravel(bare[node])[0])
        if abs(value) < 1.0:
            continue
        meter = Element("r_meter", (node, "0"), np.array([allowed.meter]))
        shown = float(np.ravel(cold_nodes({**parts, "r_meter": meter})[node])[0])
        ends = sorted((shown * (1 + low), shown * (1 + high)))
        error = allowed.meter_share * abs(shown) + allowed.meter_least
        name = point.name if not point.also else f"{point.name} (also {', '.join(point.also)})"
        yield ChartRow(name, "to ground", "V", value, shown, ends[0] - error, ends[1] + error)


def _supply_at_rest(amplifier: Amplifier, allowed: Allowance) -> Iterator[ChartRow]:
    """Yield the voltages of the supply itself at rest; the mains moves them."""
    if amplifier.supply is None or not np.isfinite(amplifier.supply.voltage):
        return
    low, high = read_tolerance(allowed.mains, "the mains")
    figures = amplifier.supply.supply.supply
    for place, words in (("reservoir", "supply.reservoir"), ("output", "supply.output")):
        value = float(figures[f"{place}_voltage"])
        if np.isfinite(value):
            error = allowed.meter_share * value + allowed.meter_least
            yield ChartRow(words, "to ground", "V", value, value, value * (1 + low) - error, value * (1 + high) + error)


def _full_power(amplifier: Amplifier, allowed: Allowance, rated: Measurement) -> PowerUpStep:
    """Return signal levels at the rated output, and what the supply gives then."""
    step = PowerUpStep(
        "Full power: 1 kHz, rated output, rated load",
        [
            "A sine of 1 kHz into the first source's input, volume where this sheet has it, all channels driven. The "
            "load is a resistor of the rated value that stands the power. Levels are r.m.s., by small-signal gain.",
        ],
    )
    figures = rated.overload
    data = _spread_levels(amplifier, allowed, rated)
    in_time(data, "windows at the rated output")
    share = allowed.meter_share
    for path in ["source_emf", *(f"places.{name}" for name in _signal_ports(amplifier.circuit))]:
        value = float(figures[path])
        builds = np.asarray(data[f"overload.{path}"].values, dtype=float)
        low, high = float(np.nanmin(builds)) * (1 - share), float(np.nanmax(builds)) * (1 + share)
        name = "source, e.m.f." if path == "source_emf" else path.removeprefix("places.")
        step.readings.append(ChartRow(name, "a.c. r.m.s. to ground", "V", value, value, low, high))
    volts = amplifier.rated_rail[1]
    if np.isfinite(volts):
        low, high = (volts * (1 + end) for end in read_tolerance(allowed.mains, "the mains"))
        step.readings.append(ChartRow("supply.output", "to ground", "V", volts, volts, low, high))
    return step


def _signal_ports(circuit: Circuit) -> Iterator[str]:
    """Yield the outputs of stages that the signal goes through."""
    for name, port in circuit.placed_ports.items():
        kinds = {each.kind for each in circuit.stages[port.stage].template.header.ports.values()}
        if port.name in ("output", "output_b") and "source" in kinds:
            yield name


def _spread_levels(amplifier: Amplifier, allowed: Allowance, rated: Measurement) -> Any:
    """Return the levels at the rated output of many builds."""
    output = rated.results["overload"].conditions["rated_output"][0]
    varied = Tolerances(
        parts={"resistors": allowed.resistors, "capacitors": "10 %"},
        valves={"emission": allowed.emission, "mu": allowed.mu} if amplifier.circuit.valves else {},
        supplies=allowed.mains if amplifier.circuit.supplies else 0.0,
    )
    options = {"rated_output": float(np.ravel(output)[0]), "levels": 0}
    return spread(amplifier.circuit, varied, {"overload": options}, builds=_BUILDS, seed=allowed.seed, curves=False,
                  spot_check=0, run=amplifier.run)  # fmt: skip
