"""The audit of an amplifier: what is over a rating, whether it stays stable, what it does, what hums.

Terms are those of IEC 60268-3 (from memory): rated source e.m.f., minimum source e.m.f., distortion-limited output
power, gain-limited effective frequency range, signal-to-noise ratio, damping factor.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from simwrap.amplifier import hum_budget, parts, sections, shared_supply
from simwrap.amplifier.bearing import Borne, bearing
from simwrap.amplifier.gain_plan import Plan, plan
from simwrap.amplifier.page import Audit
from simwrap.amplifier.supply_match import Match, fed, match
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.errors import EngineError, InputError
from simwrap.measures.registry import get_measure
from simwrap.simulation.measurement import Measurement, measure

#: What no audit looks at.
NEVER = (
    "power and distortion at other frequencies than 1 kHz", "crosstalk but through the shared supply",
    "dissipation of both systems of one envelope together", "electrode voltages before the valves warm up",
    "ripple current of capacitors", "hum that the mains transformer induces", "tolerances of parts and valves",
)  # fmt: skip
#: Levels at which intermodulation is looked at, as parts of the rated output: a tenth of its power, and all of it.
INTERMODULATION = (10.0**-0.5, 1.0)
#: Levels of the curve, and of that on rails that are held.
LEVELS, HELD_LEVELS = 8, 6


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

    @property
    def fed(self) -> bool:
        """Whether there is a supply that can feed it."""
        return self.supply is not None and bool(np.isfinite(self.supply.voltage))

    def measure(self, measures: dict[str, dict[str, Any]], circuit: Circuit | None = None) -> Measurement:
        """Measure the circuit."""
        found = measure(circuit or self.circuit, measures, engine=self.engine)
        self.audit.provenance = self.audit.provenance or found.provenance
        return found


@dataclass
class _Large:
    """What large signals told; None, or empty, where they couldn't."""

    overload: Measurement | None = None
    held: Measurement | None = None
    hum: tuple[float, float] | None = None
    mixed: list[Measurement] = field(default_factory=list)


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
    if stable and np.isfinite(run.rated_output):
        _levels(run, quick)
    _parts(run, first)
    if not stable:
        run.audit.not_checked.insert(0, "everything else, since the circuit is unstable: gains, noise, hum, power")
    elif np.isnan(run.rated_output):
        run.audit.not_checked.insert(0, "gain plan, margins, power, noise and hum below the rated output: "
                                        "levels.rated_power (or rated_output) isn't stated")  # fmt: skip
        _response(run)
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
        run.audit.say("supply_not_computed", reason=str(fault))
        return
    sections.supply(run.audit, run.design, run.supply)
    if np.isfinite(run.supply.voltage):
        run.circuit = run.supply.circuit


def _stability(run: _Run) -> tuple[Measurement, bool]:
    """Return the operating point, and whether the circuit is stable, on its supply's own impedance if that is known."""
    run.tell("stability and operating point")
    circuit = run.circuit
    if run.fed:
        assert run.supply is not None
        circuit = shared_supply.one_channel(run.design, run.supply, circuit)
    else:
        run.audit.not_checked.insert(0, "the supply's own impedance (motorboating through it)")
    # Other loads than its own are what a loudspeaker is: a line output has its line.
    nominal = run.load if "speaker" in circuit.ports and np.isfinite(run.load) else 0.0
    found = run.measure({"stability": {"nominal_load": nominal}}, circuit)
    stable = bool(found.stability.stable == "yes")
    if not stable:
        grows = found.results["stability"].findings[0][0]
        loops = ("loops", tuple(run.circuit.loops))
        run.audit.findings.append(replace(grows, details=(*grows.details, loops)))
    sections.stability(run.audit, found, list(run.circuit.loops), with_supply=run.fed)
    return run.measure({"bias": {}}), stable


def _parts(run: _Run, warm: Measurement) -> None:
    """Hold what parts bear in their least favourable state against what is fitted."""
    run.tell("what parts bear: cold, mains high, a valve pulled, the signal")
    try:
        states = bearing(run.design, run.circuit, run.supply, warm=warm, plan=run.plan, engine=run.engine)
    except EngineError as fault:
        run.audit.say("not_computed", quantity="What parts bear in other states than at rest", reason=str(fault))
        states = Borne()
    parts.section(run.audit, run.design, warm, states, run.supply)


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
    _crosstalk(run)
    large = None
    if quick:
        run.audit.not_checked.insert(0, "large signals: power, distortion, clipping, currents at the rated output")
    else:
        run.tell("large signals: power, distortion, what clips first, hum of the rectifier itself")
        large = _large(run, run.rated_output / small.response.gain)
    told = large.overload if large else None
    sections.levels(run.audit, run.plan, told or run.measure(_overload(run, 0)), run.rated_output)
    if large is None:
        return
    if large.overload is not None:
        sections.power(run.audit, run.design, large.overload, run.supply, run.load)
    if large.held is not None:
        sections.held(run.audit, run.design, large.held)
    if large.mixed:
        sections.intermodulation(run.audit, run.load, large.mixed)
    if large.hum is not None:
        sections.hum(run.audit, run.rated_output, *large.hum)


def _crosstalk(run: _Run) -> None:
    if run.design.channels < 2:
        return
    if not run.fed:
        run.audit.not_checked.insert(0, "crosstalk through the shared supply")
        return
    assert run.supply is not None
    sections.crosstalk(run.audit, shared_supply.crosstalk(run.design, run.supply, run.circuit, engine=run.engine))


def _overload(run: _Run, levels: int) -> dict[str, dict[str, Any]]:
    stated = run.design.levels.stated_thd
    return {"overload": {"rated_output": run.rated_output, "stated_thd": stated, "levels": levels}}


def _large(run: _Run, emf: float) -> _Large:
    """Measure with large signals, in two threads since neither half needs the other.

    ``emf`` is the source e.m.f. at the rated output, by the gain [V r.m.s.].
    """
    large = _Large()
    with ThreadPoolExecutor(1) as other:
        rest = other.submit(_beside, run, emf, large)
        try:
            large.overload = run.measure(_overload(run, LEVELS), _on_supply(run))
            if run.fed:
                large.held = run.measure(_overload(run, HELD_LEVELS))
        except EngineError as fault:
            run.audit.say("not_computed", quantity="Large signals", reason=str(fault))
        rest.result()
    return large


def _beside(run: _Run, emf: float, large: _Large) -> None:
    """Find hum in the steady state of the real rectifier, and distortion with two tones at some levels."""
    try:
        if run.fed:
            assert run.supply is not None
            large.hum = shared_supply.hum(run.design, run.supply, run.circuit, engine=run.engine)
    except EngineError as fault:
        run.audit.say("not_computed", quantity="Hum of the rectifier itself", reason=str(fault))
    try:
        for part in INTERMODULATION:
            large.mixed.append(run.measure({"distortion": {"level": part * emf, "with_noise": False}}))
    except EngineError as fault:
        run.audit.say("not_computed", quantity="Intermodulation", reason=str(fault))


def _on_supply(run: _Run) -> Circuit:
    """Return the channel on its supply, all driven alike: rails and bias fall as far as the current takes them.

    A design without a supply is taken on the voltages that it states.
    """
    if not run.fed:
        return run.circuit
    assert run.supply is not None
    return shared_supply.one_channel(run.design, run.supply, run.circuit)


def _noise(run: _Run, small: Measurement) -> None:
    causes = hum_budget.noise_causes(small) + hum_budget.heater_causes(small, run.design.mains_frequency)
    ports = [port for port, _ in fed(run.design)]
    if run.fed:
        assert run.supply is not None
        ripple = float(run.supply.supply.supply.ripple_fundamental)
        twice = 2.0 * run.design.mains_frequency
        causes += hum_budget.ripple_causes(run.circuit, ports, ripple, twice, run.engine)
    else:
        run.audit.not_checked.insert(0, "hum from supply ripple")
    sections.noise(run.audit, causes, run.rated_output)
