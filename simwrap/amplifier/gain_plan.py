"""Volume positions for the sources of a design, and the level at each stage's output at the rated output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Levels
from simwrap.circuits.point_table import PointTable
from simwrap.engine import DEFAULT, Run
from simwrap.errors import EngineError
from simwrap.findings.status import late
from simwrap.simulation.conduct import evaluate

#: Rated source e.m.f. of a consumer source [V r.m.s.] (IEC 61938, from memory), where a design doesn't say.
SOURCE = 0.5
_POSITIONS = np.linspace(0.0, 1.0, 41)


@dataclass(frozen=True)
class Plan:
    """How a design is used with each source.

    Attributes
    ----------
    circuit : Circuit
        With the volume where the first source gives the rated output.
    sources : mapping of str to float
        E.m.f. by name [V r.m.s.].
    positions : mapping of str to float
        Volume position by source; NaN where the source is too weak, or there is no volume control.
    short_db : mapping of str to float
        By how much each source is too weak at full volume [dB], 0 where it isn't.
    minimum_emf : float
        Source e.m.f. for the rated output at full volume [V r.m.s.].
    levels : mapping of str to mapping
        By source, level by port at the rated output [V r.m.s.].
    margins : mapping of str to mapping
        By source, margin by valve above the rated output, foretold from bias and gains [dB].
    """

    circuit: Circuit
    sources: Mapping[str, float]
    positions: Mapping[str, float]
    short_db: Mapping[str, float]
    minimum_emf: float
    levels: Mapping[str, Mapping[str, float]]
    margins: Mapping[str, Mapping[str, float]]


def sources_of(circuit: Circuit, levels: Levels) -> dict[str, float]:
    """Return the sources' e.m.f. by name: those stated, or an input selector's, or a consumer source's."""
    if levels.sources:
        return dict(levels.sources)
    start = circuit.ends.get("input")
    own = f"{start.stage}.source_level" if start else ""
    return {"source": float(circuit.values.get(own, SOURCE))}


def plan(circuit: Circuit, levels: Levels, rated_output: float, *, run: Run = DEFAULT) -> Plan:
    """Find the volume for each source, by gains alone.

    Parameters
    ----------
    circuit : Circuit
    levels : Levels
    rated_output : float
        [V r.m.s.].
    run : Run

    Raises
    ------
    EngineError
        If a position of the volume ran out of time.
    """
    sources = sources_of(circuit, levels)
    volume = circuit.check(levels.volume, circuit.values[levels.volume])[0] if levels.volume else ""
    settings = {"overload": {"rated_output": rated_output, "levels": 0}}

    def at(positions: np.ndarray) -> dict[str, np.ndarray]:
        table = PointTable(circuit, {volume: positions}, len(positions)) if volume else PointTable(circuit)
        outcome = evaluate(table, settings, replace(run, workers=1))
        if why := late(outcome.reasons):
            raise EngineError(why)
        found = outcome.results["overload"]
        return {name: np.asarray(variable.values) for name, variable in found.variables.items()}

    swept = at(_POSITIONS) if volume else at(np.zeros(1))
    needed = swept["source_emf"]
    minimum = float(np.nanmin(needed))
    positions, short = {}, {}
    for name, emf in sources.items():
        short[name] = max(0.0, float(20.0 * np.log10(minimum / emf)))
        # More rotation needs less e.m.f.; np.interp wants its places rising.
        falling = np.minimum.accumulate(np.nan_to_num(needed, nan=np.inf, posinf=1e12))[::-1]
        reached = volume and not short[name]
        positions[name] = float(np.interp(emf, falling, _POSITIONS[::-1])) if reached else (1.0 if volume else np.nan)
    spots = np.array(list(positions.values()))
    found = at(spots) if volume else {name: np.repeat(values, len(sources)) for name, values in swept.items()}

    def by_source(start: str, end: str = "") -> dict[str, dict[str, float]]:
        names = [name for name in found if name.startswith(start) and name.endswith(end)]
        return {
            source: {name.removeprefix(start).removesuffix(end): float(found[name][number]) for name in names}
            for number, source in enumerate(sources)
        }

    first = next(iter(positions.values()))
    chosen = circuit.with_values({volume: first}) if volume else circuit
    return Plan(chosen, sources, positions, short, minimum, by_source("places."),
                by_source("valves.", ".margin_db"))  # fmt: skip
