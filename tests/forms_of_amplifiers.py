"""Closed forms of gain stages and followers; gm, ra and mu are the valve's slopes at the simulated operating point.

Radio Designer's Handbook stands for F. Langford-Smith (ed.), Radio Designer's Handbook, 4th ed.; all forms are from
memory, and were derived again from the equations of both valves' currents where "own" is said.
"""

from __future__ import annotations

from typing import Any

from closed_forms import FARAD, OPEN, check, gain, impedance, parallel, slopes
from nodal import Network
from stage_runs import at

import simwrap
from simwrap.circuits.stage import Stage

SERIES = "Valley and Wallman ch. 11, series amplifiers (from memory; derived again)"
BYPASSED: dict[str, Any] = {
    "source_resistance": 0, "cathode_capacitor": FARAD, "coupling_capacitor": FARAD, "load_capacitance": 0,
}  # fmt: skip


def series_gain(low: Any, high: Any, between: float, load: float) -> float:
    """The upper grid on the lower anode, R beneath the upper cathode: i2 = -gm2 R i1 - vo/ra2, vo = RL (i2 - i1)."""
    per_current = -load * (1.0 + high.gm * between) / (1.0 + load / high.ra)  # vo for 1 A of the lower valve
    current = low.gm / (1.0 + between / low.ra - per_current / low.ra)
    return abs(per_current * current)


def series_output(low: Any, high: Any, between: float) -> float:
    return 1.0 / ((1.0 + high.gm * between) / (low.ra + between) + 1.0 / high.ra)


@check("srpp", "gain", SERIES, 0.1, **BYPASSED)
def srpp_gain(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    return gain(made), series_gain(low, high, made.values["upper_resistor"], made.values["load_resistor"])


@check("srpp", "output impedance", SERIES, 0.1, **BYPASSED, load_resistor=OPEN)
def srpp_output(made: Stage) -> tuple[float, float]:
    return impedance(made), series_output(*slopes(made, "v1", "v2"), made.values["upper_resistor"])


@check("srpp", "both valves share the load's current where Rk' = (ra + 2 RL) / mu", SERIES, 0.1, **BYPASSED)
def srpp_balance(made: Stage) -> tuple[float, float]:
    high = slopes(made, "v2")
    balanced = made.replace(load_resistor=(high.mu * made.values["upper_resistor"] - high.ra) / 2.0)
    lower, upper = at(balanced, 1000.0, "n_v1_ia", "n_v2_ia")
    return (upper / lower).real, -1.0


def beneath(made: Stage) -> float:
    """The resistors of a mu-follower between its upper cathode and the lower anode, the grid leak beside one."""
    v = made.values
    return v["upper_bias_resistor"] + parallel(v["anode_resistor"], v["upper_grid_leak"])


@check("mu_follower", "gain", SERIES, 0.1, **BYPASSED, grid_capacitor=FARAD)
def mu_follower_gain(made: Stage) -> tuple[float, float]:
    return gain(made), series_gain(*slopes(made, "v1", "v2"), beneath(made), made.values["load_resistor"])


@check("mu_follower", "output impedance", SERIES, 0.1, **BYPASSED, grid_capacitor=FARAD, load_resistor=OPEN)
def mu_follower_output(made: Stage) -> tuple[float, float]:
    return impedance(made), series_output(*slopes(made, "v1", "v2"), beneath(made))


@check("mu_follower", "gain at the lower anode: mu RL/(ra + RL), a load of ra2 + (mu2 + 1) R beside RL",
       "Reich, a valve as load (from memory)", 0.1,
       **BYPASSED, grid_capacitor=FARAD, take_off="lower_anode")  # fmt: skip
def current_load_gain(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    load = parallel(made.values["load_resistor"], high.ra + (high.mu + 1.0) * beneath(made))
    return gain(made), low.mu * load / (low.ra + load)


@check("mu_follower", "gain with a 6AU6 as load: R + (1 + gm2 R) times ra2 beside Rg2, beside RL",
       "both currents (own); the screen moves with the cathode", 0.2, **BYPASSED,
       grid_capacitor=FARAD, take_off="lower_anode", upper_valve="6AU6",
       screen_capacitor=FARAD, screen_resistor="100k", upper_bias_resistor="560 ohm",
       anode_resistor="4k7", cathode_resistor="1k5")  # fmt: skip
def pentode_load_gain(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    between = beneath(made)
    above = between + (1.0 + high.gm * between) * parallel(high.ra, made.values["screen_resistor"])
    load = parallel(made.values["load_resistor"], above)
    return gain(made), low.mu * load / (low.ra + load)


CASCODE = "A = mu1 (mu2 + 1) RL/(RL + ra2 + (mu2 + 1) ra1), Valley and Wallman ch. 11 (from memory)"


@check("cascode", "gain", CASCODE, 0.2, **BYPASSED, grid_capacitor=FARAD)
def cascode_gain(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    return gain(made), low.mu * (high.mu + 1.0) * load / (load + high.ra + (high.mu + 1.0) * low.ra)


@check("cascode", "output impedance Ra, beside it ra2 + (mu2 + 1) ra1", "Valley and Wallman ch. 11 (from memory)", 0.1,
       **BYPASSED, grid_capacitor=FARAD, load_resistor=OPEN)  # fmt: skip
def cascode_output(made: Stage) -> tuple[float, float]:
    low, high = slopes(made, "v1", "v2")
    return impedance(made), parallel(made.values["anode_resistor"], high.ra + (high.mu + 1.0) * low.ra)


WHITE = "both valves' currents (own); 1/gm of the upper, divided by 1 + gm2 Ra, is the usual estimate"
FOLLOWING: dict[str, Any] = {
    "source_resistance": 0, "input_capacitor": FARAD, "lower_capacitor": FARAD, "drive_capacitor": FARAD,
    "coupling_capacitor": FARAD, "load_capacitance": 0, "bleeder_resistor": 0, "discharge_resistor": 0,
}  # fmt: skip


def white(made: Stage) -> tuple[float, float, float]:
    """Return the upper mu, the current into the output for 1 V there, and that of the lower valve's ra."""
    high, low = slopes(made, "v1", "v2")
    anode = parallel(made.values["anode_resistor"], made.values["lower_grid_leak"])
    return high.mu, (1.0 + low.gm * anode) / (high.ra + anode), 1.0 / low.ra


@check("white_follower", "gain", WHITE, 0.1, **FOLLOWING)
def white_gain(made: Stage) -> tuple[float, float]:
    mu, slope, shunt = white(made)
    return gain(made), mu * slope / (1.0 / made.values["load_resistor"] + shunt + (mu + 1.0) * slope)


@check("white_follower", "output impedance", WHITE, 0.1, **FOLLOWING, load_resistor=OPEN)
def white_output(made: Stage) -> tuple[float, float]:
    mu, slope, shunt = white(made)
    return impedance(made), 1.0 / ((mu + 1.0) * slope + shunt)


@check("white_follower", "both valves share the load's current where Ra = (ra + 2 RL) / mu of the lower",
       "as an SRPP (own)", 0.5, **FOLLOWING)  # fmt: skip
def white_balance(made: Stage) -> tuple[float, float]:
    low = slopes(made, "v2")
    anode = parallel(made.values["anode_resistor"], made.values["lower_grid_leak"])
    balanced = made.replace(load_resistor=(low.mu * anode - low.ra) / 2.0)
    upper, lower = at(balanced, 1000.0, "n_v1_ia", "n_v2_ia")
    return (lower / upper).real, -1.0


FEEDBACK: dict[str, Any] = {
    "source_resistance": 0, "input_capacitor": FARAD, "cathode_capacitor": FARAD, "coupling_capacitor": FARAD,
    "feedback_capacitor": FARAD, "load_capacitance": 0,
}  # fmt: skip


@check(
    "anode_follower",
    "gain: both nodes' currents",
    "Radio Designer's Handbook ch. 7 (from memory; own)",
    0.1,
    **FEEDBACK,
)
def anode_follower_gain(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    admittance = 1.0 / v["input_resistor"] + 1.0 / v["feedback_resistor"] + 1.0 / v["grid_leak"]
    across = 1.0 / parallel(v["anode_resistor"], v["load_resistor"], valve.ra, v["feedback_resistor"])
    forward = (valve.gm - 1.0 / v["feedback_resistor"]) / across
    wanted = forward / v["input_resistor"] / (admittance + forward / v["feedback_resistor"])
    return gain(made), wanted


@check("anode_follower", "gain with a bootstrapped anode resistor", "a nodal solution by hand", 0.1, **FEEDBACK,
       follower="bootstrap", bootstrap_capacitor=FARAD)  # fmt: skip
def bootstrapped_gain(made: Stage) -> tuple[float, float]:
    v = made.values
    first, second = slopes(made, "v1", "v2")
    network = (
        Network().add("resistor", "signal", "grid", v["input_resistor"]).add("resistor", "grid", "0", v["grid_leak"])
    )
    network.transconductance("anode", "0", "grid", "0", first.gm).add("resistor", "anode", "0", first.ra)
    network.add("resistor", "anode", "out", v["anode_resistor"])
    network.transconductance("0", "out", "anode", "out", second.gm).add("resistor", "out", "0", second.ra)
    for name in ("bootstrap_resistor", "follower_resistor", "load_resistor"):
        network.add("resistor", "out", "0", v[name])
    network.add("resistor", "out", "grid", v["feedback_resistor"])
    return gain(made), abs(network.gain([1000.0], output="out")[0])


@check("cathode_coupled", "gain: (mu + 1) RL/(ra + RL) times the follower's at the shared cathode",
       "Reich, cathode-coupled amplifiers (from memory; own)", 0.2, source_resistance=0, input_capacitor=FARAD,
       coupling_capacitor=FARAD, grid_capacitor=FARAD, load_capacitance=0, grid_leak=1e8)  # fmt: skip
def cathode_coupled_gain(made: Stage) -> tuple[float, float]:
    v = made.values
    one, two = slopes(made, "v1", "v2")
    load = parallel(v["anode_resistor"], v["load_resistor"])
    beneath = parallel(v["bias_resistor"] + v["cathode_resistor"], (two.ra + load) / (two.mu + 1.0))
    follower = one.mu * beneath / (one.ra + (one.mu + 1.0) * beneath)
    return gain(made), follower * (two.mu + 1.0) * load / (two.ra + load)


GROUNDED = "Reich, grounded-grid amplifiers (from memory)"
WIDE: dict[str, Any] = {"input_capacitor": FARAD, "coupling_capacitor": FARAD, "load_capacitance": 0}


@check("grounded_grid", "gain from the source's e.m.f.: (mu + 1) RL/(ra + RL), divided at Rs and the cathode", GROUNDED,
       0.1, **WIDE)  # fmt: skip
def grounded_grid_gain(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    load = parallel(v["anode_resistor"], v["load_resistor"])
    entry = parallel(v["cathode_resistor"], (valve.ra + load) / (valve.mu + 1.0))
    wanted = (valve.mu + 1.0) * load / (valve.ra + load) * entry / (entry + v["source_resistance"])
    return gain(made), wanted


@check("grounded_grid", "input impedance Rk, beside it (ra + RL)/(mu + 1)", GROUNDED, 0.1, **WIDE)
def grounded_grid_input(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    load = parallel(v["anode_resistor"], v["load_resistor"])
    found = simwrap.measure(made, "impedance").impedance.input
    return found, parallel(v["cathode_resistor"], (valve.ra + load) / (valve.mu + 1.0))


NUMBERS = {"two": 2, "three": 3, "four": 4, "six": 6, "eight": 8}
PARALLEL = "Radio Designer's Handbook ch. 2, valves in parallel (from memory)"


def parallel_gain(made: Stage) -> tuple[float, float]:
    valve = slopes(made)
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    return gain(made), valve.mu * load / (valve.ra / NUMBERS[made.values["valves"]] + load)


for _words, _cathodes in (("two", "shared"), ("eight", "separate")):
    _each = "220 ohm" if _words == "two" else "2k2"
    check("parallel_triodes", f"gain of {_words}: mu RL/(ra/n + RL)", PARALLEL, 0.2, **BYPASSED, valves=_words,
          cathodes=_cathodes, cathode_resistor=_each)(parallel_gain)  # fmt: skip


@check("parallel_triodes", "output impedance of three: Ra, beside it ra/3", PARALLEL, 0.1, **BYPASSED, valves="three",
       load_resistor=OPEN)  # fmt: skip
def parallel_output(made: Stage) -> tuple[float, float]:
    return impedance(made), parallel(made.values["anode_resistor"], slopes(made).ra / 3.0)


DIFFERENCE = "Valley and Wallman ch. 11, differential amplifiers (from memory)"
PAIR: dict[str, Any] = {"source_resistance": 0, "coupling_capacitor": FARAD, "load_capacitance": 0}


@check(
    "differential_amplifier", "gain of either side, driven in opposite phase: mu RL/(ra + RL)", DIFFERENCE, 0.1, **PAIR
)
def difference_gain(made: Stage) -> tuple[float, float]:
    valve = slopes(made)
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    return gain(made), valve.mu * load / (valve.ra + load)


@check("differential_amplifier", "gain of the common signal: mu RL/(ra + RL + 2 (mu + 1) Rt)", DIFFERENCE, 0.1, **PAIR,
       drive_imbalance=-2.0)  # fmt: skip
def common_gain(made: Stage) -> tuple[float, float]:
    v, valve = made.values, slopes(made)
    load = parallel(v["anode_resistor"], v["load_resistor"])
    return gain(made), valve.mu * load / (valve.ra + load + 2.0 * (valve.mu + 1.0) * v["tail_resistor"])
