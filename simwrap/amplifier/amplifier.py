"""One amplifier: a design evaluated once, lazily, and asked by everything that tells of it.

A figure that stands in two papers is the same object here. What was found is kept by the content of the design, the
models and the versions (:mod:`simwrap.amplifier.kept`), so that a second command takes it from there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np

from simwrap.amplifier import hum_budget, kept, shared_supply
from simwrap.amplifier.bearing import Borne, bearing
from simwrap.amplifier.discharge_times import Discharge
from simwrap.amplifier.gain_plan import Plan, plan
from simwrap.amplifier.large_signals import Driven, Large, large_signals, overload
from simwrap.amplifier.states import (
    FIRST,
    HALF,
    HIGH,
    LOW,
    WARMING,
    Points,
    State,
    States,
    cold,
    pulled,
    without_signal,
)
from simwrap.amplifier.supply_match import Match, fed, highest, match
from simwrap.amplifier.test_points import Allowance, TestPoint, quiescent_points
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.engine import DEFAULT, Run, RunKeywords
from simwrap.errors import EngineError, InputError
from simwrap.findings.finding import Finding
from simwrap.findings.status import late
from simwrap.forking import cached_property
from simwrap.measures.registry import get_measure
from simwrap.simulation.measurement import Measurement, measure
from simwrap.simulation.simulate import raw

#: How long after switching off it is looked at, and from which discharge times on there is something to say [s].
MINUTE = 60.0


class Amplifier:
    """A design with everything that is found out about it, each when it is first asked for.

    Parameters
    ----------
    design : Design
    run : Run
        How all of it is simulated; its ``time_limit`` is that of one point.
    quick : bool
        Whether large signals are left out.
    fresh : bool
        Whether what was kept of an earlier run is ignored.
    progress : callable, optional
        Told what is being done.
    """

    def __init__(
        self,
        design: Design,
        *,
        run: Run = DEFAULT,
        quick: bool = False,
        fresh: bool = False,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        self.design, self.run, self.quick = design, run, quick
        self.tell = progress or (lambda words: None)
        self._kept = kept.Kept(design, run.engine, fresh=fresh)
        if design.levels.rated_power is not None and np.isnan(self.load):
            raise InputError(f"{design.circuit.name}: levels.rated_power needs a load at the output; give rated_output")

    def keep(self, name: str, make: Callable[[], Any], *, lasting: Callable[[Any], bool] = lambda found: True) -> Any:
        """Return what was found under a name, or find it now and keep it, on disk too where it is ``lasting``."""
        return self._kept.of(name, make, lasting=lasting)

    def knows(self, name: str) -> bool:
        """Whether something was found under a name."""
        return self._kept.has(name)

    def measured(self, name: str, measures: dict[str, dict[str, Any]], circuit: Circuit) -> Measurement:
        """Measure a circuit, and keep it under a name; what ran out of time is another try's next time."""
        found: Measurement = self.keep(
            name, lambda: measure(circuit, measures, run=self.run), lasting=lambda found: not late([found.reason])
        )
        return found

    # What the design states

    @property
    def load(self) -> float:
        """Rated load impedance [ohm], NaN where there is none."""
        name = self.design.circuit.bench_part("output", "resistor")
        ohms = float(self.design.circuit.values[name]) if name else 0.0
        return ohms or np.nan

    @property
    def rated_output(self) -> float:
        """[V r.m.s.], NaN where the design doesn't state it."""
        levels = self.design.levels
        if levels.rated_power is not None:
            return float(np.sqrt(levels.rated_power * self.load))
        return np.nan if levels.rated_output is None else levels.rated_output

    # Where it stands

    @cached_property
    def _supply(self) -> tuple[Match | None, str]:
        if self.design.supply is None or not fed(self.design):
            return None, ""
        self.tell("supply: voltage and current on which rectifier and circuit agree")

        def make() -> tuple[Match | None, str]:
            try:
                return match(self.design, run=self.run), ""
            except EngineError as fault:
                return None, str(fault)

        found: tuple[Match | None, str] = self.keep("supply", make, lasting=lambda found: not found[1])
        return found

    @property
    def supply(self) -> Match | None:
        """Where supply and design agree; None where there is no supply, or it couldn't be computed."""
        return self._supply[0]

    @property
    def supply_fault(self) -> str:
        """Why the supply couldn't be computed, "" where it could."""
        return self._supply[1]

    @property
    def fed(self) -> bool:
        """Whether there is a supply that can feed it."""
        return self.supply is not None and bool(np.isfinite(self.supply.voltage))

    @property
    def plan(self) -> Plan | None:
        """Gain plan on the supply that it really gets; None where no rated output is stated, or it has no gain."""
        return self._plan[0]

    @property
    def plan_fault(self) -> str:
        """Why there is no gain plan though a rated output is stated, "" where there is one."""
        return self._plan[1]

    @cached_property
    def _plan(self) -> tuple[Plan | None, str]:
        if np.isnan(self.rated_output):
            return None, ""
        circuit = self.supply.circuit if self.supply is not None and self.fed else self.design.circuit
        self.tell("gain plan")

        def make() -> tuple[Plan | None, str]:
            try:
                return plan(circuit, self.design.levels, self.rated_output, run=self.run), ""
            except (EngineError, InputError) as fault:
                return None, str(fault)

        found: tuple[Plan | None, str] = self.keep("plan", make, lasting=lambda found: not found[1])
        return found

    @cached_property
    def circuit(self) -> Circuit:
        """One channel on the supply that it really gets, its controls set: the volume gives the rated output."""
        if self.plan is not None:
            return self.plan.circuit
        return self.supply.circuit if self.supply is not None and self.fed else self.design.circuit

    @cached_property
    def on_supply(self) -> Circuit:
        """The channel on its supply's impedance, all driven alike: rails and bias fall as the current takes them.

        A design without a supply is taken on the voltages that it states.
        """
        if self.supply is None or not self.fed:
            return self.circuit
        return shared_supply.one_channel(self.design, self.supply, self.circuit)

    @cached_property
    def highest(self) -> Circuit:
        """The channel as it may stand at most: mains at their upper limit, and nothing drawn from the supply."""
        return highest(self.design, self.supply)

    @cached_property
    def unheated(self) -> Circuit:
        """The channel before its valves warm up, on today's mains; as stated where the supply isn't known."""
        volts = float(self.supply.supply.supply.before_warm_up.output_voltage) if self.supply is not None else np.nan
        return self.at(volts) if np.isfinite(volts) else self.circuit

    def at(self, voltage: float) -> Circuit:
        """Return the channel with the supply at another voltage [V], controls as set."""
        parameters = {parameter: voltage for _, parameter in fed(self.design)}
        return self.circuit.with_values(parameters) if parameters else self.circuit

    # What it does

    @cached_property
    def stability(self) -> Measurement:
        """Stability on the supply's own impedance where that is known, with its own and other loads."""
        self.tell("stability and operating point")
        # Other loads than its own are what a loudspeaker is: a line output has its line.
        nominal = self.load if "speaker" in self.on_supply.ports and np.isfinite(self.load) else 0.0
        return self.measured("stability", {"stability": {"nominal_load": nominal}}, self.on_supply)

    @property
    def stable(self) -> bool:
        """Whether nothing grows by itself with its own load."""
        return bool(self.stability.stability.stable == "yes")

    @cached_property
    def warm(self) -> Measurement:
        """Operating points at rest."""
        return self.measured("warm", {"bias": self._heaters}, self.circuit)

    @cached_property
    def borne(self) -> tuple[Borne, str]:
        """What parts bear in their least favourable states; nothing, and why, where that couldn't be computed."""
        self.tell("what parts bear: cold, mains high, a valve pulled, the signal")
        known = self.plan if self.stable else None

        def make() -> tuple[Borne, str]:
            try:
                return bearing(self.design, self.circuit, self.supply, warm=self.warm, plan=known, run=self.run,
                               points=self._without_signal), ""  # fmt: skip
            except EngineError as fault:
                return Borne(), str(fault)

        found: tuple[Borne, str] = self.keep("borne", make, lasting=lambda found: not found[1])
        return found

    @cached_property
    def _without_signal(self) -> Points:
        """All states without a signal, but those at rest and cold: found in one run."""
        currents = np.array([float(self.warm.bias[f"valves.{valve}.cathode_current"]) for valve in self.circuit.valves])

        def make() -> Points:
            return without_signal(self.design, self.circuit, self.supply, currents, self.run)

        found: Points = self.keep("without signal", make, lasting=lambda found: not any(found.reasons))
        return found

    @cached_property
    def discharge(self) -> Discharge:
        """What stays charged after switching off, from the highest voltages on."""
        found = None if self.supply is None else self.supply.supply

        def make() -> Discharge:
            return Discharge.of(self.design, self.highest, found, run=self.run)

        made: Discharge = self.keep("discharge", make)
        return made

    def test_points(self, allowance: Allowance | None = None) -> list[TestPoint]:
        """Return the test points at rest with their windows, each window found once."""
        return self._points("points", self.circuit, self.states["at rest"], allowance or Allowance())

    def first_points(self, allowance: Allowance | None = None) -> list[TestPoint]:
        """Return the test points on half the rail; the mains has no part in their windows."""
        state, allowed = self.states["half supply"], replace(allowance or Allowance(), mains=0.0)
        return self._points("points on half the rail", self.at(FIRST * self.rail), state, allowed)

    def _points(self, name: str, circuit: Circuit, state: State, allowed: Allowance) -> list[TestPoint]:
        rail = tuple(port for port, _ in fed(self.design))

        def make() -> list[TestPoint]:
            return quiescent_points(circuit, rail=rail, allowance=allowed, figures=state.figures, run=self.run)

        found: list[TestPoint] = self.keep(f"{name} {allowed}", make)
        return found

    @property
    def rail(self) -> float:
        """Voltage of the supply at rest [V], NaN where nothing hangs on one."""
        ports = fed(self.design)
        return float(self.circuit.values[ports[0][1]]) if ports else np.nan

    @cached_property
    def rated_rail(self) -> tuple[float, float]:
        """What all channels draw at the rated output [A], and the supply's voltage then [V]; NaN where not known."""
        if self.quick or not self.stable or np.isnan(self.rated_output) or self.supply is None or not self.fed:
            return np.nan, np.nan
        if self.large.overload is None:
            return np.nan, np.nan
        figure = f"rated.supplies.{shared_supply.SOURCE}.input.current"
        drawn = self.design.channels * float(self.large.overload.overload[figure])
        slope = float(self.supply.supply.supply.output_resistance)
        return drawn, self.supply.voltage - slope * (drawn - self.supply.current)

    @cached_property
    def states(self) -> States:
        """The states of a builder's day by name, each found when it is first asked for.

        "cold", "half supply" (heaters in full), "warming", "at rest", "rated output", "mains 0.9", "mains 1.1", "after
        switching off" (a minute), and for each valve such as "power.v1 pulled". "half supply" and "rated output" are
        there where the design has a supply, and states what it is to give.
        """
        makers: dict[str, Callable[[str], State]] = {
            "cold": lambda name: cold(name, self.unheated),
            "warming": lambda name: self._without_signal.state(name, WARMING),
            "at rest": self._at_rest,
            "mains 0.9": lambda name: self._without_signal.state(name, LOW),
            "mains 1.1": lambda name: self._without_signal.state(name, HIGH),
            "after switching off": self._switched_off,
        }
        if fed(self.design):
            makers["half supply"] = lambda name: self._without_signal.state(name, HALF)
        if np.isfinite(self.rated_output) and self.stable:
            makers["rated output"] = self._rated
        for valve in self.circuit.valves:
            makers[f"{valve} pulled"] = lambda name: self._without_signal.state(
                name, pulled(name.removesuffix(" pulled"))
            )
        return States(makers)

    def _at_rest(self, name: str) -> State:
        figures = {path: float(self.warm.bias[path]) for path in self.warm.bias.paths
                   if not isinstance(self.warm.bias[path], str)}  # fmt: skip
        return State.of_bias(name, "full mains, no signal", figures, tuple(self.warm.findings))

    def _switched_off(self, name: str) -> State:
        """Return the least favourable state a minute after switching off; a finding says what takes longer."""
        findings = []
        for last in self.discharge.rows(MINUTE)[:1]:
            if not np.isfinite(last.time):
                findings.append(Finding.of("never_discharged", last.path, "time to 60 V", unit="s"))
            elif last.time > MINUTE:
                findings.append(Finding.of("discharged_slowly", last.path, "time to 60 V", last.time, MINUTE, "s"))
        words = "a minute after switching off, from mains 10 % high and nothing drawn, valves out or cold"
        return State(name, words, capacitors=self.discharge.after(MINUTE), findings=tuple(findings))

    def _rated(self, name: str) -> State:
        """Return means over a period at the rated output; dissipations are the highest on the way there."""
        there = {node for element in render(self.on_supply).elements for node in element.nodes}
        paths = [path for path in self.circuit.node_paths if self.on_supply.node_paths.get(path) in there]
        amps = {valve: [f"{valve}.{each}_current" for each in self.circuit.valves[valve].currents]
                for valve in self.circuit.valves}  # fmt: skip
        figures = None if self.large.overload is None else self.large.overload.overload
        level = float(np.nan if figures is None else figures.rated.source_emf)
        if figures is None or np.isnan(level):
            lost = Finding.of("rated_output_not_reached")
            return State(name, "1 kHz at the rated output", findings=(*self.large.findings, lost))
        asked = [*paths, *(one for each in amps.values() for one in each)]

        def make() -> dict[str, float]:
            waves = raw(self.on_supply, "period", nodes=asked, level=level, run=self.run)
            return {path: float(waves[path].mean()) for path in asked}

        means = self.keep("rated means", make)
        losses = {f"{valve}.anode": float(figures[f"rated.valves.{valve}.anode_dissipation"]) for valve in amps
                  if f"rated.valves.{valve}.anode_dissipation" in figures.paths}  # fmt: skip
        currents = {valve: sum(means[one] for one in each) for valve, each in amps.items()}
        nodes = {path: means[path] for path in paths}
        said = tuple(self.large.overload.findings) if self.large.overload is not None else ()
        return State(name, "1 kHz at the rated output, all channels driven", nodes, currents, losses, findings=said)

    @property
    def _heaters(self) -> dict[str, Any]:
        return {"heater_elevation": self.design.heater_elevation} if self.design.heater_elevation else {}

    @cached_property
    def small(self) -> Measurement:
        """What small signals tell: response, impedance, noise, hum of heaters."""
        self.tell("small signals: response, impedance, noise, hum")
        asked: dict[str, dict[str, Any]] = {"response": {}, "impedance": {}, "noise": {}}
        asked["heater_hum"] = {"mains_frequency": self.design.mains_frequency}
        asked = {name: options for name, options in asked.items() if not get_measure(name).refuses(self.circuit)}
        return self.measured("small", asked, self.circuit)

    @cached_property
    def causes(self) -> list[hum_budget.HumSource]:
        """Noise and hum at the output by cause."""
        causes = hum_budget.noise_causes(self.small)
        causes += hum_budget.heater_causes(self.small, self.design.mains_frequency)
        if self.supply is not None and self.fed:
            ripple, twice = float(self.supply.supply.supply.ripple_fundamental), 2.0 * self.design.mains_frequency
            ports = [port for port, _ in fed(self.design)]
            causes += self.keep(
                "ripple", lambda: hum_budget.ripple_causes(self.circuit, ports, ripple, twice, self.run)
            )
        return causes

    @cached_property
    def crosstalk(self) -> shared_supply.Crosstalk | None:
        """What one channel leaves at another's output through their supply."""
        if self.design.channels < 2 or self.supply is None or not self.fed:
            return None
        found = self.supply
        made: shared_supply.Crosstalk = self.keep(
            "crosstalk",
            lambda: shared_supply.crosstalk(self.design, found, self.circuit, run=self.run),
        )
        return made

    @cached_property
    def levels(self) -> Measurement:
        """Levels and margins at the rated output: by large signals, or where they are left out by gains alone."""
        told = None if self.quick else self.large.overload
        return self.margins if told is None else told

    @cached_property
    def margins(self) -> Measurement:
        """Levels and margins at the rated output by gains alone."""
        return self.measured("margins", overload(self.design, self.rated_output, 0), self.circuit)

    @cached_property
    def large(self) -> Large:
        """What large signals tell."""
        self.tell("large signals: power, distortion, what clips first, hum of the rectifier itself")

        def make() -> Large:
            driven = Driven(self.design, self.circuit, self.on_supply, self.supply if self.fed else None, self.load,
                            self.rated_output, self.rated_output / self.small.response.gain)  # fmt: skip
            return large_signals(driven, self.run)

        found: Large = self.keep("large", make, lasting=lambda found: not found.findings)
        return found

    def save(self) -> None:
        """Keep what was found for the next command."""
        self._kept.save()


def as_amplifier(
    given: Any,
    *,
    valve_folders: Any = (),
    quick: bool = False,
    fresh: bool = False,
    progress: Callable[[str], None] | None = None,
    **run: Any,
) -> Amplifier:
    """Return the amplifier of a design file, a design, a circuit or a stage; an amplifier is itself.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    valve_folders : iterable of path
        Folders with valves of your own, for a file.
    quick, fresh, progress
        As for :class:`Amplifier`.
    **run
        Fields of a :class:`~simwrap.engine.Run`, or a whole one as ``run``.

    Raises
    ------
    FileProblemsError
        With all that is wrong with a file.
    """
    if isinstance(given, Amplifier):
        return given
    if isinstance(given, str | Path):
        given = read_whole_design(given, valve_folders=valve_folders, complete=True)
    elif isinstance(given, Circuit | Stage):
        given = Design(as_circuit(given, "amplifier"))
    if not isinstance(given, Design):
        raise InputError(f"{type(given).__name__} is no amplifier; give a design file, a design, a circuit or a stage")
    return Amplifier(given, run=Run.of(cast(RunKeywords, run)), quick=quick, fresh=fresh, progress=progress)
