"""The audit of an amplifier: what is over a rating, whether it stays stable, what it does, what hums.

Terms are those of IEC 60268-3 (from memory): rated source e.m.f., minimum source e.m.f., distortion-limited output
power, gain-limited effective frequency range, signal-to-noise ratio, damping factor.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.amplifier import hum_budget, parts, sections
from simwrap.amplifier.gain_plan import Plan, plan
from simwrap.amplifier.page import Audit
from simwrap.amplifier.supply_match import Match, at_voltage, fed, match
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.errors import EngineError, InputError
from simwrap.measures.registry import get_measure
from simwrap.simulation.evaluate import unstable_words
from simwrap.simulation.measurement import Measurement, measure
from simwrap.simulation.report import NOTE, OVER

#: What no audit looks at.
NEVER = (
    "intermodulation", "power and distortion at other frequencies than 1 kHz", "what sag does to the power",
    "crosstalk through the shared supply", "the supply's own impedance inside the loops (motorboating through it)",
    "dissipation of both systems of one envelope together", "electrode voltages before the valves warm up",
    "ripple current of capacitors", "hum that the mains transformer induces", "tolerances of parts and valves",
)  # fmt: skip


@dataclass
class _Run:
    """What an audit has found so far."""

    design: Design
    audit: Audit
    engine: str
    tell: Callable[[str], None]
    circuit: Circuit
    supply: Match | None = None
    plan: Plan | None = None

    @property
    def load(self) -> float:
        """Rated load impedance [ohm], NaN where there is none."""
        name = self.circuit.bench_part("output", "resistor")
        ohms = float(self.circuit.values[name]) if name else 0.0
        return ohms or np.nan

    @property
    def rated_output(self) -> float:
        """[V r.m.s.], NaN where the design doesn't state it."""
        levels = self.design.levels
        if levels.rated_power is not None:
            return float(np.sqrt(levels.rated_power * self.load))
        return np.nan if levels.rated_output is None else levels.rated_output

    def measure(self, measures: dict[str, dict[str, Any]], circuit: Circuit | None = None) -> Measurement:
        """Measure the circuit."""
        found = measure(circuit or self.circuit, measures, engine=self.engine)
        self.audit.provenance = self.audit.provenance or found.provenance
        return found


def audit(
    design: Design, *, quick: bool = False, engine: str = "auto", progress: Callable[[str], None] | None = None
) -> Audit:
    """Audit a design.

    Parameters
    ----------
    design : Design
        As :func:`simwrap.circuits.design_file.read_whole_design` reads it.
    quick : bool
        Whether to leave out what needs large signals.
    engine : str
        "auto", "neospice" or "ngspice".
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Audit

    Raises
    ------
    InputError
        If the design names a part that it doesn't have, or states a rated power without a load.
    EngineError
        If there is no operating point.
    """
    run = _Run(design, Audit(design.circuit.name), engine, progress or (lambda words: None), design.circuit)
    if design.levels.rated_power is not None and np.isnan(run.load):
        raise InputError(f"{design.circuit.name}: levels.rated_power needs a load at the output; give rated_output")
    run.audit.not_checked = list(NEVER)
    _supply(run)
    first, stable = _stability(run)
    sections.bias(run.audit, first)
    _parts(run, first)
    if not stable:
        run.audit.not_checked.insert(0, "everything else, since the circuit is unstable: gains, noise, hum, power")
    elif np.isnan(run.rated_output):
        run.audit.not_checked.insert(0, "gain plan, margins, power, noise and hum below the rated output: "
                                        "levels.rated_power (or rated_output) isn't stated")  # fmt: skip
        _response(run)
    else:
        _levels(run, quick)
    # Stability and what is rated come first, then what it does.
    order = ["stability", "levels", "performance", "noise", "supply", "bias", "parts"]
    run.audit.sections.sort(key=lambda section: order.index(section.name))
    return run.audit


def _supply(run: _Run) -> None:
    """Find the voltage on which the supply and the design agree, and go on with that."""
    if run.design.supply is None or not fed(run.design):
        run.audit.not_checked.insert(0, "the supply: the design has no [supply], so its voltages are as stated")
        return
    run.tell("supply: voltage and current on which rectifier and circuit agree")
    try:
        run.supply = match(run.design, engine=run.engine)
    except EngineError as fault:
        run.audit.say(OVER, f"The supply couldn't be computed: {fault}.")
        return
    sections.supply(run.audit, run.design, run.supply)
    if np.isfinite(run.supply.voltage):
        run.circuit = run.supply.circuit


def _stability(run: _Run) -> tuple[Measurement, bool]:
    """Return the operating point, and whether the circuit is stable."""
    run.tell("stability and operating point")
    if not run.circuit.loops:
        run.audit.not_checked.insert(0, "stability: the design has no feedback path")
        return run.measure({"bias": {}}), True
    nominal = 0.0 if np.isnan(run.load) else run.load
    found = run.measure({"stability": {"nominal_load": nominal}, "bias": {}})
    stable = bool(found.stability.stable == "yes")
    if not stable:
        pole = complex(found.stability.growth, 2.0 * np.pi * found.stability.natural_frequency)
        words = unstable_words(pole, list(run.circuit.loops)).removeprefix("unstable: it ")
        run.audit.say(OVER, f"The circuit is unstable: it {words}.")
    sections.stability(run.audit, found, list(run.circuit.loops))
    return found, stable


def _parts(run: _Run, warm: Measurement) -> None:
    """Hold what parts bear against what is fitted, warm and before the valves warm up."""
    cold = warm
    if run.supply is not None:
        highest = float(run.supply.supply.supply.before_warm_up.output_voltage)
        if np.isfinite(highest):
            cold = run.measure({"bias": {}}, at_voltage(run.design, highest))
    parts.section(run.audit, run.design, warm, cold, run.supply)


def _response(run: _Run) -> Measurement:
    """Measure what small signals tell."""
    asked: dict[str, dict[str, Any]] = {"response": {}, "impedance": {}, "noise": {}}
    asked["heater_hum"] = {"mains_frequency": run.design.mains_frequency}
    asked = {name: options for name, options in asked.items() if not get_measure(name).refuses(run.circuit)}
    found = run.measure(asked)
    # Without a rated power the output is no loudspeaker's, and nothing there is to be damped.
    sections.performance(run.audit, found, np.nan if run.design.levels.rated_power is None else run.load)
    return found


def _levels(run: _Run, quick: bool) -> None:
    """Plan the gains, then measure small signals, then large ones."""
    run.tell("gain plan")
    run.plan = plan(run.circuit, run.design.levels, run.rated_output, engine=run.engine)
    run.circuit = run.plan.circuit
    run.tell("small signals: response, impedance, noise, hum")
    small = _response(run)
    _noise(run, small)
    options: dict[str, Any] = {"rated_output": run.rated_output, "stated_thd": run.design.levels.stated_thd}
    if quick:
        options["levels"] = 0
        run.audit.not_checked.insert(0, "large signals: power, distortion, clipping, currents at the rated output")
    else:
        run.tell("large signals: power, distortion, what clips first")
    try:
        found = run.measure({"overload": options})
    except EngineError as fault:
        run.audit.say(NOTE, f"Large signals couldn't be computed: {fault}.")
        found = run.measure({"overload": options | {"levels": 0}})
        quick = True
    sections.levels(run.audit, run.plan, found, run.rated_output)
    if not quick:
        sections.power(run.audit, run.design, found, run.supply, run.load)


def _noise(run: _Run, small: Measurement) -> None:
    causes = hum_budget.noise_causes(small) + hum_budget.heater_causes(small, run.design.mains_frequency)
    ports = [port for port, _ in fed(run.design)]
    if run.supply is not None and np.isfinite(run.supply.voltage):
        ripple = float(run.supply.supply.supply.ripple_fundamental)
        twice = 2.0 * run.design.mains_frequency
        causes += hum_budget.ripple_causes(run.circuit, ports, ripple, twice, run.engine)
    else:
        run.audit.not_checked.insert(0, "hum from supply ripple")
    sections.noise(run.audit, causes, run.rated_output)
