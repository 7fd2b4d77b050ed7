"""The voltage on which a supply and what hangs on it agree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simwrap.circuits.circuit import Circuit, joined_name
from simwrap.circuits.design_file import Design
from simwrap.circuits.stage import Stage
from simwrap.engine import DEFAULT, Run
from simwrap.engine.process import cores
from simwrap.errors import EngineError
from simwrap.findings.status import late
from simwrap.measures.common import MAINS_UPPER
from simwrap.simulation.measurement import Measurement, measure
from simwrap.simulation.simulate import all_at_rest

#: How near both have to come [as a part], and how often it is tried.
_AGREED, _TRIES = 1e-4, 12
#: How much the current may differ from the one at which ripple and surges were found, as a part: no meter shows it.
_SAME = 1e-3
#: Children that measure it at a time: as many as will be at work on what hangs on it.
_AT_ONCE = 2
#: Load currents at which the supply is looked at, as parts of the current at the stated voltage.
LOADS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.6)


@dataclass(frozen=True)
class Match:
    """Where a supply and a design agree.

    Attributes
    ----------
    stated : float
        Voltage that the design states [V].
    voltage, current : float
        On which both agree [V, A], the current of all channels; NaN where they don't.
    circuit : Circuit
        One channel at that voltage.
    supply : Measurement
        Of the supply at that current.
    """

    stated: float
    voltage: float
    current: float
    circuit: Circuit
    supply: Measurement

    def voltage_at(self, current: float) -> float:
        """Return the supply's voltage at another current [V], NaN beyond its curve."""
        found = self.supply.supply
        return float(np.interp(current, found.load, found.output_curve, left=np.nan, right=np.nan))


def match(design: Design, *, run: Run = DEFAULT) -> Match:
    """Find where the supply's curve and the current that the channels draw meet.

    Source: none needed; it is the crossing of two curves, found by secants.

    Raises
    ------
    EngineError
        If there is no operating point, or the time was too short.
    """
    assert design.supply is not None
    ports = fed(design)
    stated = float(design.circuit.values[ports[0][1]])
    current = first = drawn(design, design.circuit, run)
    supply = measured(design, design.supply, current, run, starting=0.0)
    voltage, circuit = stated, design.circuit
    tried: list[tuple[float, float]] = []
    for _ in range(_TRIES):
        found = supply.supply
        given = float(np.interp(current, found.load, found.output_curve))
        if late([supply.reason]):
            raise EngineError(supply.reason)
        if not np.isfinite(given):
            voltage = current = np.nan
            break
        tried.append((voltage, given - voltage))
        if abs(given / voltage - 1.0) < _AGREED:
            break
        voltage = _next(tried, given)
        circuit = at_voltage(design, voltage)
        current = drawn(design, circuit, run)
    else:
        voltage = current = np.nan
    # Ripple, surges and discharge are those at that current.
    known = np.isfinite(current) and abs(current / first - 1.0) > _SAME
    supply = measured(design, design.supply, current if known else first, run)
    return Match(stated, voltage, current, circuit, supply)


def _next(tried: list[tuple[float, float]], given: float) -> float:
    """Return the next voltage to try: halfway first, then by a secant where it is a sensible one."""
    if len(tried) > 1:
        (one, gap), (other, gap_other) = tried[-2:]
        if gap != gap_other:
            secant = other - gap_other * (other - one) / (gap_other - gap)
            if 0.3 * other < secant < 3.0 * other:
                return secant
    return 0.5 * (tried[-1][0] + given)


def fed(design: Design) -> list[tuple[str, str]]:
    """Return the ports that hang on the supply and are in use, each with the parameter that is its voltage."""
    found = []
    for port in design.feeds:
        if port in design.circuit.supplies:
            place = design.circuit.placed_ports[port]
            found.append((port, joined_name(place.stage, place.port.supply)))
    return found


def at_voltage(design: Design, voltage: float) -> Circuit:
    """Return the circuit with its supply at another voltage [V]."""
    return design.circuit.with_values({parameter: voltage for _, parameter in fed(design)})


def highest(design: Design, found: Match | None) -> Circuit:
    """Return the circuit as it may stand at most: mains at their upper limit, and nothing drawn from the supply.

    Where the supply isn't known, every voltage is the stated one, as much higher as the mains.
    """
    high = on_high_mains(design.circuit)
    if found is None:
        return high
    volts = float(found.supply.supply.discharge_from)
    if not np.isfinite(volts):
        volts = MAINS_UPPER * found.stated
    return high.with_values({parameter: volts for _, parameter in fed(design)})


def on_high_mains(circuit: Circuit) -> Circuit:
    """Return a circuit with every supply as much higher as the mains at their upper limit."""
    named = supply_parameters(circuit).values()
    return circuit.with_values({name: MAINS_UPPER * float(circuit.values[name]) for name in named})


def supply_parameters(circuit: Circuit) -> dict[str, str]:
    """Return the parameter that is the voltage of each supply port in use."""
    places = ((port, circuit.placed_ports[port]) for port in circuit.supplies)
    return {port: joined_name(place.stage, place.port.supply) for port, place in places if place.port.supply}


def drawn(design: Design, circuit: Circuit, run: Run) -> float:
    """Return the current that all channels draw at rest [A]."""
    return design.channels * sum(all_at_rest(circuit, [f"{port}.current" for port, _ in fed(design)], run=run))


def measured(design: Design, supply: Stage, current: float, run: Run, **more: Any) -> Measurement:
    """Return what the supply does with a load of all channels' current [A]; ``more`` options of the measure."""
    loaded = supply.replace(load_current=current)
    options = {"mains_frequency": design.mains_frequency, "loads": LOADS, **more}
    return measure(loaded, {"supply": options}, run=replace(run, workers=run.workers or min(cores(), _AT_ONCE)))
