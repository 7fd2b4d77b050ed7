"""Published amplifiers: design files under tests, and the readings that their sheets print, as printed.

tests/reference/amplifiers/<topology>.toml is the amplifier, <topology>.csv what was read in it. A row is one of

voltage    direct, from ``at`` to ground
ratio      of two alternating voltages at 1 kHz: printed over printed_over; ``over`` may be a difference "a - b". Small
           signal, but for rows with ``output``: those are read at that level [V r.m.s.] of the loudspeaker
power      at 5 % distortion, in the load at ``at``: a reading
at_least   the same, where the sheet gives a limit of production
feedback   through the path ``at`` [dB]

A row is excited at the circuit's own input, or at ``excite``. Rows at a level, and of power, are run in the part of
the amplifier from the stage ``first`` on.

``contradicts`` has the reason of a row that other rows of the same sheet contradict: it is shown, and doesn't count.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

import simwrap
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import read_design
from simwrap.circuits.render import render
from simwrap.engine import RunOptions, run
from simwrap.engine.protocol import AcRun, OpRun, Reply, Sine, SteadyRun

FOLDER = Path(__file__).parent / "reference" / "amplifiers"
NAMES = sorted(path.stem for path in FOLDER.glob("*.toml"))


@dataclass(frozen=True)
class Reading:
    """One row of a sheet beside what the design file gives."""

    kind: str
    at: str
    over: str
    printed: float
    computed: float
    contradicts: str
    note: str

    @property
    def apart(self) -> float:
        """Computed against printed [%]; of feedback, the difference [dB]."""
        if self.kind == "feedback":
            return self.computed - self.printed
        return 100.0 * (self.computed / self.printed - 1.0)

    def __str__(self) -> str:
        unit = "dB" if self.kind == "feedback" else "%"
        what = f"{self.at} over {self.over}" if self.over else self.at
        words = f"{self.kind:9} {what:55} {self.printed:9.4g} {self.computed:9.4g} {self.apart:+6.1f} {unit}"
        return words + (f"   CONTRADICTED: {self.contradicts}" if self.contradicts else "")


@cache
def amplifier(name: str) -> Circuit:
    """Return the circuit of a design file."""
    return read_design(FOLDER / f"{name}.toml")


def rows(name: str) -> list[dict[str, str]]:
    """Return what was read in an amplifier, as printed."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def node(made: Circuit, place: str) -> str:
    """Return the node of a port ("tone.output"), of a valve's electrode ("v1a.v1.anode"), or of a node by its path."""
    if place in made.ports:
        return made.ports[place]
    valve, _, electrode = place.rpartition(".")
    if valve in made.valves:
        return made.valves[valve].nodes[electrode]
    return made.node_paths[place]


@cache
def _solved(name: str, excite: str) -> tuple[Reply, Reply]:
    """Return the operating point, and all nodes at 1 kHz with 1 V at what is excited."""
    made = amplifier(name)
    circuit = render(made, excite=excite).circuit
    (op,) = run(circuit, [OpRun()])
    nodes = tuple(entry for entry in op.values if entry.startswith("n_"))
    (ac,) = run(circuit, [AcRun(1000.0, 1000.0, 1, nodes)])
    assert op.reasons == ac.reasons == [""]
    return op, ac


def _alternating(made: Circuit, ac: Reply, place: str) -> complex:
    """Return the voltage at 1 kHz of a place, or of the difference of two."""
    first, minus, second = place.partition(" - ")
    volts = complex(ac.values[node(made, first)][0, 0])
    return volts - complex(ac.values[node(made, second)][0, 0]) if minus else volts


def gain(made: Circuit) -> float:
    """Return the gain at 1 kHz from the input to the output."""
    (reply,) = run(render(made).circuit, [AcRun(1000.0, 1000.0, 1, (made.ports["output"],))])
    assert reply.reasons == [""]
    return abs(complex(reply.values[made.ports["output"]][0, 0]))


@cache
def _at_level(name: str, first: str, output: float) -> tuple[Circuit, dict[str, np.ndarray]]:
    """Return the power section, and one period of all its nodes with ``output`` [V r.m.s.] at the loudspeaker."""
    made = power_section(amplifier(name), first)
    circuit = render(made).circuit
    (op,) = run(circuit, [OpRun()])
    nodes = tuple(entry for entry in op.values if entry.startswith("n_"))
    drive = output / gain(made)
    for _ in range(5):
        asked = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[drive * np.sqrt(2.0)]]), nodes, tolerance=1e-4)
        (reply,) = run(circuit, [asked], RunOptions(time_limit=120.0))
        assert reply.reasons == [""]
        reached = float(np.std(reply.values[made.ports["output"]][0, 0]))
        if abs(reached / output - 1.0) < 0.003:
            return made, {entry: reply.values[entry][0, 0] for entry in nodes}
        drive *= output / reached
    raise AssertionError(f"{name}: {output} V aren't reached")


def _ratio_at_level(name: str, row: dict[str, str]) -> float:
    made, waves = _at_level(name, row["first"], float(row["output"]))

    def level(place: str) -> float:
        first, minus, second = place.partition(" - ")
        wave = waves[node(made, first)] - (waves[node(made, second)] if minus else 0.0)
        return float(np.std(wave))

    return level(row["at"]) / level(row["over"])


def readings(name: str) -> Iterator[Reading]:
    """Yield the rows of voltages, ratios and feedback."""
    made = amplifier(name)
    for row in rows(name):
        printed, over = float(row["printed"]), row["over"]
        op, ac = _solved(name, row["excite"] or "signal")
        match row["kind"]:
            case "voltage":
                found = float(op.values[node(made, row["at"])][0])
            case "ratio":
                printed /= float(row["printed_over"])
                if row["output"]:
                    found = _ratio_at_level(name, row)
                else:
                    found = abs(_alternating(made, ac, row["at"]) / _alternating(made, ac, over))
            case "feedback":
                found = float(simwrap.measure(made, ["stability"]).stability[f"loops.{row['at']}.feedback_db"])
            case _:
                continue
        yield Reading(row["kind"], row["at"], over, printed, found, row["contradicts"], row["note"])


def power_section(made: Circuit, first: str) -> Circuit:
    """Return the part of an amplifier from a stage on, its supplies held at the voltages that the whole has there.

    Rails are decoupled at the frequencies of a power test, and what comes before the splitter works far below its
    limits: the part does what the whole does, in a small part of the time.
    """
    order = list(made.stages)
    kept = {name: made.stages[name] for name in order[order.index(first) :] if made.stages[name].name != "dropper"}
    (op,) = run(render(made).circuit, [OpRun()])
    for name, stage in kept.items():
        supplies = {
            port.supply: float(op.values[node(made, f"{name}.{own}")][0])
            for own, port in stage.template.header.ports.items()
            if port.supply and made.is_joined(f"{name}.{own}")
        }
        kept[name] = stage.replace(**supplies)
    joins = [tuple(join) for join in made.joins if all(place.partition(".")[0] in kept for place in join)]
    part = simwrap.circuit(
        kept, joins=joins, title=made.title, main_input=f"{first}.input", main_output=made.main_output
    )
    return part.replace(**({f"{first}.source_resistance": 0} if f"{first}.source_resistance" in part.values else {}))


def power_at_5_percent(made: Circuit, printed: float, load: float) -> simwrap.Measurement:
    """Return the power measure, driven up to what the printed power [W] in a load [ohm] asks for in small signals."""
    return simwrap.measure(made, {"power": {"drive": np.sqrt(printed * load) / gain(made), "levels": 6}})
