"""Closed forms of output stages and of stages with transformers; gm, ra and mu are slopes at the operating point."""

from __future__ import annotations

from typing import Any

import numpy as np
from closed_forms import FARAD, OPEN, check, gain, impedance, parallel, slopes
from stage_runs import at

import simwrap
from simwrap.circuits.stage import Stage

HANDBOOK = "Radio Designer's Handbook ch. 13 (from memory; derived again)"
TRIODES: dict[str, Any] = {
    "valve": "300B", "supply": 350.0, "bias": "fixed", "grid_bias": "-70 V", "anode_to_anode_load": "5k",
    "transformer": "ideal", "source_resistance": 0, "grid_stopper": 0,
}  # fmt: skip


def speaker_turns(made: Stage) -> float:
    """Return the loudspeaker's voltage for 1 V across a half primary."""
    return 2.0 * float(np.sqrt(made.values["speaker_impedance"] / made.values["anode_to_anode_load"]))


def wound_gain(made: Stage) -> tuple[float, float]:
    """Each valve has 1 + x half primaries between anode and cathode, and x of them against its grid."""
    valve, x = slopes(made), made.values["cathode_winding"]
    quarter = made.values["anode_to_anode_load"] / 4.0
    volts = 2.0 * (1.0 + x) * quarter * valve.gm
    wanted = volts / (1.0 + 2.0 * (1.0 + x) * quarter * (valve.gm * x + (1.0 + x) / valve.ra))
    return gain(made), wanted * speaker_turns(made)


for _share in (0.0, 0.1):
    _words = f"gain of a pair of 300B, {100 * _share:.0f} % of a half primary in each cathode"
    check("push_pull_output", _words, HANDBOOK, 0.2, **TRIODES, cathode_winding=_share)(wound_gain)


@check("push_pull_output", "output resistance of that pair: ra/((1 + x)(1 + x + mu x)), by the turns", HANDBOOK, 0.5,
       **TRIODES, cathode_winding=0.1)  # fmt: skip
def wound_output(made: Stage) -> tuple[float, float]:
    valve, x = slopes(made), made.values["cathode_winding"]
    half = valve.ra / ((1.0 + x) * (1.0 + x + valve.mu * x)) / 2.0  # of both, at a half primary
    return simwrap.measure(made, "impedance").impedance.output, half * speaker_turns(made) ** 2


KT66: dict[str, Any] = {
    "valve": "KT66", "supply": 400.0, "cathode_resistor": "180 ohm", "transformer": "ideal", "source_resistance": 0,
}  # fmt: skip
SEEN = "measured on a pair of 13E1 with 13.6 % in the cathodes, smithsofweston.com"


@check("push_pull_output", "KT66 with a winding of 13.6 %: what the cathodes carry along, 39.5 V of 291 V", SEEN, 1.0,
       **KT66, cathode_winding=39.5 / 291.0)  # fmt: skip
def carried_along(made: Stage) -> tuple[float, float]:
    return abs(at(made, 1000.0, "n_cathode_a")) / (gain(made) / speaker_turns(made)), 39.5 / 291.0


@check("push_pull_output", "KT66 with that winding: gain A/(1 + x A); the rule knows neither the screens, which "
       "stay, nor that the load rises by (1 + x)^2", f"the rule that holds for the gains there, 10.4 and 4.3 ({SEEN})",
       7.0, **KT66)  # fmt: skip
def rule_of_thumb(made: Stage) -> tuple[float, float]:
    share = 39.5 / 291.0
    plain = gain(made) / speaker_turns(made)
    return gain(made.replace(cathode_winding=share)) / speaker_turns(made), plain / (1.0 + share * plain)


@check("push_pull_output", "eight pairs into an eighth of the load: the voltage of each anode is that of one pair",
       "n valves in parallel (elementary)", 0.1, transformer="ideal", source_resistance=0,
       cathode_connection="separate", cathode_resistor="560 ohm")  # fmt: skip
def eight_pairs(made: Stage) -> tuple[float, float]:
    eight = made.replace(valves="sixteen", anode_to_anode_load=made.values["anode_to_anode_load"] / 8.0)
    return gain(eight) / speaker_turns(eight), gain(made) / speaker_turns(made)


SELF_SPLIT: dict[str, Any] = TRIODES | {
    "bias": "cathode", "cathode_resistor": "700 ohm", "cathode_capacitor": 0, "drive_imbalance": -1.0,
}  # fmt: skip


@check("push_pull_output", "self-split: half the gain of both grids driven, whatever the shared resistor", HANDBOOK,
       0.2, **SELF_SPLIT)  # fmt: skip
def self_split_gain(made: Stage) -> tuple[float, float]:
    return gain(made), gain(made.replace(drive_imbalance=0.0)) / 2.0


@check("push_pull_output", "self-split: unbalance of the currents, 1/(1 + 2 Rk (gm + 1/ra)) against 1/(1 + Raa/(2 ra))",
       HANDBOOK, 0.2, **SELF_SPLIT)  # fmt: skip
def self_split_balance(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    one, other = at(made, 1000.0, "n_v1_ia", "n_v2_ia")
    total = 1.0 / (1.0 + 2.0 * v["cathode_resistor"] * (valve.gm + 1.0 / valve.ra))
    across = 1.0 / (1.0 + v["anode_to_anode_load"] / (2.0 * valve.ra))
    return ((one + other) / (one - other)).real, total / across


@check("single_ended_output", "three valves into a third of the load: the voltage of each anode is that of one",
       "n valves in parallel (elementary)", 0.1, transformer="ideal", source_resistance=0)  # fmt: skip
def three_single(made: Stage) -> tuple[float, float]:
    v = made.values
    third = made.replace(valves="three", anode_load=v["anode_load"] / 3.0, cathode_resistor=v["cathode_resistor"] / 3.0)
    turns = [np.sqrt(each.values["speaker_impedance"] / each.values["anode_load"]) for each in (third, made)]
    return gain(third) / turns[0], gain(made) / turns[1]


TOTEM = "both valves' currents (own); Peterson and Sinclair 1952 (from memory)"
COUPLED: dict[str, Any] = {
    "source_resistance": 0, "input_capacitor": FARAD, "cathode_capacitor": FARAD, "coupling_capacitor": FARAD,
    "load_capacitance": 0, "bleeder_resistor": 0, "discharge_resistor": 0,
}  # fmt: skip


@check("totem_pole", "gain: gm (2 + u) over the sum of 1/RL, 2/ra and gm", TOTEM, 0.2, **COUPLED, valve="6SN7GTB",
       cathode_resistor="390 ohm", grid_leak=1e8)  # fmt: skip
def totem_gain(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    down = 1.0 / made.values["load_resistor"] + 1.0 / low.ra + 1.0 / high.ra + high.gm
    return gain(made), (low.gm + high.gm * (1.0 + made.values["upper_drive"])) / down


@check("totem_pole", "output impedance of four: 1/(n (gm + 2/ra))", TOTEM, 0.2, **COUPLED, valve="6SN7GTB",
       valves="four", cathode_resistor="390 ohm", grid_leak=1e8, load_resistor=OPEN)  # fmt: skip
def totem_output(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    return impedance(made), 0.5 / (1.0 / low.ra + 1.0 / high.ra + high.gm)


WINDINGS = "Radio Designer's Handbook ch. 5 and 12, transformer coupling (from memory)"
WIDE: dict[str, Any] = {
    "source_resistance": 0, "cathode_capacitor": FARAD, "load_capacitance": 0, "primary_capacitance": 0,
    "leakage_inductance": 1e-6,
}  # fmt: skip


def reflected(made: Stage, load: float) -> tuple[float, float]:
    """Return what the anode sees, and the part of its voltage that comes across the secondary's load, by the turns."""
    v = made.values
    square = v["turns_ratio"] ** 2
    seen = v["primary_resistance"] + square * (v["secondary_resistance"] + load)
    return seen, square * load / seen / v["turns_ratio"]


@check("line_output", "gain at mid frequencies: mu R/(ra + R), R = Rp + n^2 (Rs + RL)", WINDINGS, 0.2, **WIDE,
       primary_inductance=1e4)  # fmt: skip
def line_gain(made: Stage) -> tuple[float, float]:
    valve = slopes(made)
    seen, passed = reflected(made, made.values["load_resistor"])
    assert at(made, 1000.0).real > 0.0  # in the phase of the input? the dot says so
    return gain(made), valve.mu * seen / (valve.ra + seen) * passed


@check("line_output", "lower corner: R/(2 pi Lp), R = (ra + Rp) beside n^2 (Rs + RL)", WINDINGS, 0.5, **WIDE)
def line_corner(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    other = v["turns_ratio"] ** 2 * (v["secondary_resistance"] + v["load_resistor"])
    wanted = parallel(valve.ra + v["primary_resistance"], other) / (2.0 * np.pi * v["primary_inductance"])
    return simwrap.measure(made, "response").response.low_corner, wanted


@check("line_output", "output impedance at 1 kHz: Rs + (Rp + ra)/n^2", WINDINGS, 0.2, **WIDE, load_resistor=OPEN,
       primary_inductance=1e4)  # fmt: skip
def line_impedance(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    return impedance(made), v["secondary_resistance"] + (v["primary_resistance"] + valve.ra) / v["turns_ratio"] ** 2


@check("transformer_splitter", "gain to either half", WINDINGS, 0.2, **WIDE, primary_inductance=1e4)
def split_gain(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    # Both halves load the primary: as one load of half the resistance on one half.
    across = parallel(v["damping_resistor"], v["load_resistor"])
    n = v["turns_ratio"]
    seen = v["primary_resistance"] + n**2 * (v["secondary_resistance"] + across) / 2.0
    passed = (seen - v["primary_resistance"]) / seen / n * across / (v["secondary_resistance"] + across)
    assert at(made, 1000.0).real < 0.0
    return gain(made), valve.mu * seen / (valve.ra + seen) * passed


@check("transformer_splitter", "ratio of the outputs", WINDINGS, 0.01, **WIDE)
def split_ratio(made: Stage) -> tuple[float, float]:
    one, other = at(made, 1000.0, made.ports["output"], made.ports["output_b"])
    return (one / other).real, -1.0
