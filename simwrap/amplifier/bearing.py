"""What resistors and capacitors bear in the least favourable state of each: what they are bought for.

Beside rest on nominal mains there are: valves cold and nothing drawn, mains at their upper limit; rest on
such mains, with all valves and with each one pulled; and the signal, at the rated output and at the level where the
first valve is foretold to clip, at the worst of the audio frequencies. Signals are those of the linear circuit: a
stage that clips gives less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray

from simwrap.amplifier.gain_plan import Plan
from simwrap.amplifier.states import COLD, HIGH, Points, pulled, without_signal
from simwrap.amplifier.supply_match import Match
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.engine import DEFAULT, Run
from simwrap.errors import EngineError
from simwrap.findings.status import late
from simwrap.measures.numerics.parts import bought, netlist_parts
from simwrap.netlist.element import Element
from simwrap.simulation.measurement import Measurement
from simwrap.simulation.simulate import raw

Floats = NDArray[np.float64]
#: The states with a signal, in words that stand behind a value.
RATED = "with the signal of the rated output, mains 10 % high"
CLIPPING = "with a signal at the onset of clipping, mains 10 % high"
#: Frequencies of the signal [Hz], and how many a decade are looked at.
_LOWEST, _HIGHEST, _PER_DECADE = 20.0, 20e3, 4
#: Controls whose ends matter to the parts of their own stage.
_CONTROLS = ("bass", "middle", "treble")
#: Clipping isn't looked for beyond so many times the rated output.
_FARTHEST = 10.0


@dataclass
class Borne:
    """What each part bears, by kind ("r" or "c"), path and state: watts of a resistor, volts of a capacitor."""

    states: dict[tuple[str, str], dict[str, float]] = field(default_factory=dict)

    def note(self, kind: str, path: str, state: str, value: float) -> None:
        """Keep the largest value of a state."""
        own = self.states.setdefault((kind, path), {})
        own[state] = float(np.fmax(own.get(state, np.nan), value))

    def of(self, kind: str, path: str) -> Mapping[str, float]:
        """Return the states of a part; none where it isn't known."""
        return self.states.get((kind, path), {})

    def worst(self, kind: str, path: str) -> tuple[float, str]:
        """Return the most that a part bears, and in which state; NaN and "" where that isn't known."""
        known = {state: value for state, value in self.of(kind, path).items() if np.isfinite(value)}
        return max(((value, state) for state, value in known.items()), default=(np.nan, ""))

    def lasting(self, kind: str, path: str) -> float:
        """Return the most that a part bears for long: with every valve in its socket."""
        own = self.of(kind, path)
        return float(np.fmax.reduce([own.get(state, np.nan) for state in (HIGH, RATED, CLIPPING)]))


def bearing(
    design: Design,
    circuit: Circuit,
    supply: Match | None,
    *,
    warm: Measurement,
    plan: Plan | None,
    run: Run = DEFAULT,
    points: Points | None = None,
) -> Borne:
    """Return what the parts of a channel bear in the states above.

    Parameters
    ----------
    design : Design
    circuit : Circuit
        One channel, at the voltage that its supply gives.
    supply : Match or None
    warm : Measurement
        Its bias at rest.
    plan : Plan or None
        How it is used with each source; None where the rated output isn't known.
    run : Run
    points : Points, optional
        The states without a signal, where they are known already.
    """
    found = Borne()
    if points is None:
        currents = np.array([float(warm.bias[f"valves.{valve}.cathode_current"]) for valve in circuit.valves])
        points = without_signal(design, circuit, supply, currents, run)
    if why := late(points.reasons):
        raise EngineError(why)
    names = [COLD, HIGH, *map(pulled, circuit.valves)]
    for name, values in points.variables.items():
        kind, _, rest = name.partition(".")
        path, _, figure = rest.rpartition(".")
        if (kind, figure) in (("resistors", "dissipation"), ("capacitors", "voltage")):
            for state in names:
                if state != COLD:
                    found.note(kind[0], path, state, values[points.words.index(state)])
        elif (kind, figure) == ("capacitors", "voltage_cold"):
            found.note("c", path, COLD, values[points.words.index(COLD)])
    if plan is not None:
        strongest = max(plan.sources, key=lambda source: plan.sources[source])
        for source in plan.sources:
            _signals(found, design, circuit, plan, source, source == strongest, run)
    return found


def _signals(
    found: Borne, design: Design, circuit: Circuit, plan: Plan, source: str, strongest: bool, run: Run
) -> None:
    """Add the signal of one source to what stands across each part at rest on high mains."""
    volume, emf = design.levels.volume, plan.sources[source]
    position = plan.positions[source]
    if volume and np.isfinite(position):
        circuit = circuit.with_values({circuit.check(volume, position)[0]: position})
    room = min(plan.margins[source].values(), default=0.0)
    beyond = float(np.clip(10.0 ** (room / 20.0), 1.0, _FARTHEST)) if np.isfinite(room) else 1.0
    for (kind, path), (part, gain) in (_at_ends if strongest else _gains)(circuit, run).items():
        still = found.of(kind, path).get(HIGH, np.nan)
        for state, level in ((RATED, emf), (CLIPPING, beyond * emf)):
            if kind == "c":
                found.note(kind, path, state, still + np.sqrt(2.0) * level * gain)
            else:
                found.note(kind, path, state, still + (level * gain) ** 2 / float(part.value[0]))


def _at_ends(circuit: Circuit, run: Run) -> dict[tuple[str, str], tuple[Element, float]]:
    """Return what :func:`_gains` does, the parts of a stage with tone controls with these at their ends too."""
    whole = _gains(circuit, run)
    for name, stage in circuit.stages.items():
        controls = [each for each in _CONTROLS if each in stage.values]
        start = f"{name}." if len(circuit.stages) > 1 else ""
        for ends in product((0.0, 1.0), repeat=len(controls)):
            if not controls:
                continue
            turned = circuit.with_values({f"{start}{each}": end for each, end in zip(controls, ends, strict=True)})
            for key, (part, gain) in _gains(turned, run).items():
                if key[1].startswith(start) and gain > whole.get(key, (part, 0.0))[1]:
                    whole[key] = (part, gain)
    return whole


def _gains(circuit: Circuit, run: Run) -> dict[tuple[str, str], tuple[Element, float]]:
    """Return each part with the largest signal across it for 1 V of the source's e.m.f., at any frequency."""
    parts = netlist_parts(render(circuit).elements)
    chosen = {(kind, path): part for kind in "rc" for path, part in bought(parts, kind).items()}
    named = {node: path for path, node in circuit.node_paths.items()}
    known = {key: part for key, part in chosen.items() if set(part.nodes) <= {"0", *named}}
    nodes = sorted({named[node] for part in known.values() for node in part.nodes if node != "0"})
    data = raw(circuit, "frequencies", nodes=nodes, start=_LOWEST, stop=_HIGHEST, per_decade=_PER_DECADE, run=run)

    def level(node: str) -> Floats:
        return data[named[node]] if node != "0" else np.zeros(1)

    return {key: (part, float(np.abs(level(part.nodes[0]) - level(part.nodes[1])).max()))
            for key, part in known.items()}  # fmt: skip


__all__ = ["CLIPPING", "COLD", "HIGH", "RATED", "Borne", "bearing"]
