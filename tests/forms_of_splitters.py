"""Closed forms of phase splitters; gm, ra and mu are the valve's slopes at the simulated operating point."""

from __future__ import annotations

from typing import Any

from closed_forms import FARAD, check, gain, parallel, slopes

from simwrap.circuits.stage import Stage

HANDBOOK = "Radio Designer's Handbook ch. 7, phase splitters (from memory)"
WIDE: dict[str, Any] = {"source_resistance": 0, "coupling_capacitor": FARAD, "load_capacitance": 0}
BYPASSED: dict[str, Any] = WIDE | {"cathode_capacitor": FARAD}


@check("paraphase", "ratio of the outputs, floating: both nodes' currents", f"{HANDBOOK}; derived again", 0.1,
       **BYPASSED)  # fmt: skip
def floating_ratio(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made, "v2")
    across = 1.0 / parallel(valve.ra, v["anode_resistor_b"], v["load_resistor"], v["cross_resistor"])
    second = (valve.gm - 1.0 / v["cross_resistor"]) / across
    junction = 1.0 / parallel(v["upper_resistor"], v["cross_resistor"], v["lower_resistor"])
    wanted = 1.0 / v["upper_resistor"] / (junction / second + 1.0 / v["cross_resistor"])
    return gain(made, port="output_b") / gain(made), wanted


@check("paraphase", "ratio of the outputs, plain: mu RL/(ra + RL) times R3/(R1 + R3)", HANDBOOK, 0.1, **BYPASSED,
       cross_resistor=0, lower_resistor="12k")  # fmt: skip
def plain_ratio(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made, "v2")
    load = parallel(v["anode_resistor_b"], v["load_resistor"])
    divided = v["lower_resistor"] / (v["upper_resistor"] + v["lower_resistor"])
    return gain(made, port="output_b") / gain(made), valve.mu * load / (valve.ra + load) * divided


@check("long_tailed_pair", "ratio of the outputs, a triode in the tail: 1 + (ra + RL)/((mu + 1)(ra3 + (mu3 + 1) Rk3))",
       HANDBOOK, 0.05, **WIDE, tail="valve", tail_valve="6SN7GTB", input_capacitor=FARAD,
       grid_capacitor=FARAD, grid_leak=1e8)  # fmt: skip
def valve_tail(made: Stage) -> tuple[float, float]:
    v = made.values
    valve, tail = slopes(made, "v1", "v3")
    load = parallel(v["anode_resistor"], v["load_resistor"])
    beneath = tail.ra + (tail.mu + 1.0) * v["tail_bias_resistor"]
    return gain(made) / gain(made, port="output_b"), 1.0 + (valve.ra + load) / ((valve.mu + 1.0) * beneath)
