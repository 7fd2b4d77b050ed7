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
from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, OpRun, Reply, Sine, SteadyRun
from simwrap.simulation.simulate import at_rest
from simwrap.units import quantity

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
        (reply,) = run(circuit, [asked], Run(time_limit=120.0))
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


@dataclass(frozen=True)
class Supply:
    """What a sheet says of a supply, and what common practice adds.

    Attributes
    ----------
    rectifier, rectification, valves
        As printed; several valves in parallel.
    reservoir_capacitor, filter_capacitor : str
        As printed.
    choke : float
        Resistance of the filter choke [ohm], 0: none. From the printed drop where there is one, or common practice.
    voltage : float
        Printed at the reservoir [V], without signal.
    full_current : float
        What the amplifier draws at full output [A], as computed: the transformer is made for that.
    source_resistance : float
        What comes of it, see :func:`source_resistance` [ohm].
    joins : tuple of str
        What hangs on it.
    emission : float
        Of the output valves that the sheet was read with, as its own currents say (never its power): 1 where it prints
        none. 13 W: rail X at 307 V. 33 W: 60 mA of both at -50 V.
    master : str
        Control that the power test has full up: with 20 mV at the input, twice the 10 mV, the printed 10.25 V are four
        times the 2.64 V at half.
    """

    rectifier: str
    rectification: str
    valves: int
    reservoir_capacitor: str
    filter_capacitor: str
    choke: float
    voltage: float
    full_current: float
    source_resistance: float
    joins: tuple[str, ...]
    emission: float = 1.0
    master: str = ""


#: Resistance of a winding with the primary's share, as a part of its voltage over the direct current at full output.
#: The only sheet that prints winding and rail is that of 13 W, 261 V and 329 V: 4.2 % gives these. For all the same.
WINDING_SHARE = 0.042
SUPPLIES = {
    "pair_el84_long_tailed_13w": Supply(
        "1N4007", "bridge", 1, "47u", "0", 0.0, 329.0, 0.157, 230.0,
        ("mains.output -> power.supply", "mains.output -> rail_x.input"), emission=0.8, master="master.position",
    ),
    "pair_6l6gc_long_tailed_33w": Supply(
        "1N4007", "bridge", 1, "47u", "22u", 77.0, 431.0, 0.22, 230.0,
        ("mains.reservoir -> power.supply", "mains.output -> power.screen_supply"), emission=1.13,
    ),
    "pair_6l6gc_cathodyne_30w": Supply(
        "5U4GB", "centre_tap", 2, "22u", "44u", 50.0, 460.0, 0.25, 362.0, ("mains.output -> rail_c.input",),
    ),
    "pair_6l6gc_long_tailed_50w": Supply(
        "1N4007", "bridge", 1, "50u", "23u5", 77.0, 491.0, 0.30, 191.0,
        ("mains.reservoir -> power.supply", "mains.output -> rail_z.input"),
    ),
    "pair_6v6_long_tailed_22w": Supply(
        "GZ34", "centre_tap", 1, "38u7", "22u", 100.0, 396.0, 0.145, 417.0,
        ("mains.reservoir -> power.supply", "mains.output -> rail_z.input"),
    ),
}  # fmt: skip


def source_resistance(supply: Supply, rest_current: float) -> tuple[float, float]:
    """Return winding voltage [V r.m.s.] and source resistance from rest to full output [ohm], by the rectifier's law.

    The winding voltage is the one with which the printed reservoir voltage stands there at rest. Valves in parallel are
    one with a share of the current, behind as many times the resistance and a share of the capacitor.
    """
    share = supply.valves

    def reservoir(winding: float) -> np.ndarray:
        made = simwrap.stage(
            "supply", rectifier=supply.rectifier, rectification=supply.rectification, winding_voltage=winding,
            winding_resistance=share * WINDING_SHARE * winding / supply.full_current,
            reservoir_capacitor=quantity.parse(supply.reservoir_capacitor, "F") / share,
            load_current=rest_current / share, filter="resistor", filter_resistor=0, filter_capacitor=0,
            first_dropper_capacitor=0, bleeder=0,
        )  # fmt: skip
        loads = (1.0, supply.full_current / rest_current)
        found = simwrap.measure(made, {"supply": {"loads": loads, "mains_frequency": 60.0}}).supply
        return np.interp([rest_current / share, supply.full_current / share], found.load, found.output_curve)

    voltage = supply.voltage / 1.26
    for _ in range(6):
        voltage *= supply.voltage / reservoir(voltage)[0]
    rest, full = reservoir(voltage)
    return voltage, (rest - full) / (supply.full_current - rest_current)


def rest_current(name: str) -> float:
    """Return what the whole amplifier draws at rest from what hangs on its supply, at the printed rails [A]."""
    made = amplifier(name)
    ends = [join.partition(" -> ")[2] for join in SUPPLIES[name].joins]
    return sum(at_rest(made, f"{end}.current") for end in ends)


def on_supply(
    name: str, *, source: bool = True, bias_follows: float = 0.5, copper: float = 0.10, specimen: bool = True
) -> Circuit:
    """Return an amplifier on its supply, which gives the printed voltage at rest.

    ``source``: its resistance, or 1 ohm. ``copper``: of both windings of the output transformer, as a part of the load
    (a tenth: common practice; the design files have 5 %); the turns follow, so that the printed ratio of anodes to
    loudspeaker stays. ``specimen``: whether the output valves have the emission that the sheet's currents say.
    """
    made, supply = amplifier(name), SUPPLIES[name]
    mains = simwrap.stage(
        "sagging_supply",
        supply=supply.voltage
        - rest_current(name) * supply.choke * any("mains.reservoir" in join for join in supply.joins),
        rest_current=rest_current(name),
        source_resistance=supply.source_resistance if source else 1.0,
        reservoir_capacitor=supply.reservoir_capacitor,
        filter_resistance=supply.choke,
        choke_inductance=5.0 if supply.choke else 0.0,
        filter_capacitor=supply.filter_capacitor,
        bias=made.values["power.grid_bias"],
        bias_follows=bias_follows,
    )
    joins = [*made.joins, *supply.joins, "mains.bias -> power.bias_supply"]
    whole = simwrap.circuit(
        {**made.stages, "mains": mains}, joins=joins, main_input=made.main_input, main_output=made.main_output
    )
    load, speaker = made.values["power.anode_to_anode_load"], made.values["power.speaker_impedance"]
    anodes = load * (1.05 / (1.0 + copper)) ** 2
    wound = {
        "power.anode_to_anode_load": anodes,
        "power.primary_resistance": anodes * copper / 2.0,
        "power.secondary_resistance": speaker * copper / 2.0,
    }
    emission = supply.emission if specimen else 1.0
    wound |= {f"power.{valve}.emission": emission for valve in ("v1", "v2")}
    return whole.replace(**wound, **({supply.master: 1.0} if supply.master else {}))
