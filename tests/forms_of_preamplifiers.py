"""Closed forms of preamplifiers, controls and filters; gm, ra and mu are slopes at the simulated operating point."""

from __future__ import annotations

from typing import Any

import numpy as np
from closed_forms import FARAD, check, gain, parallel, slopes
from nodal import Network

import simwrap
from simwrap.circuits.stage import Stage
from simwrap.circuits.template_functions import CONNECTION

IEC = "IEC 60098: 3180, 318 and 75 us"


def replay(frequency: Any) -> Any:
    """The standard's curve: (1 + 318 us s)/((1 + 3180 us s)(1 + 75 us s))."""
    s = 2j * np.pi * np.asarray(frequency, dtype=float)
    return np.abs((1.0 + 318e-6 * s) / ((1.0 + 3180e-6 * s) * (1.0 + 75e-6 * s)))


def nodal_preamplifier(made: Stage) -> Network:
    """Both valves as gm and ra with their capacitances, and all parts around them, written down by hand."""
    v = made.values
    network = Network().add("resistor", "signal", "grid", v["source_resistance"])
    network.add("resistor", "grid", "0", v["cartridge_load"]).add("capacitor", "grid", "0", v["input_capacitance"])
    places = {"v1": ("anode", "grid", "cathode"), "v2": ("anode2", "grid2", "cathode2")}
    for (name, (anode, grid, cathode)), valve in zip(places.items(), slopes(made, "v1", "v2"), strict=True):
        inside = made.valves[name].valve.capacitances
        network.transconductance(anode, cathode, grid, cathode, float(valve.gm))
        network.add("resistor", anode, cathode, float(valve.ra)).add("capacitor", grid, anode, inside.grid_anode)
        network.add("capacitor", grid, cathode, inside.grid_cathode)
        network.add("capacitor", anode, cathode, inside.anode_cathode)
    network.add("resistor", "anode", "first", v["first_anode_resistor"])
    network.add("resistor", "first", "0", v["decoupling_resistor"])
    network.add("capacitor", "first", "0", v["decoupling_capacitor"])
    network.add("resistor", "cathode", "foot", v["first_cathode_resistor"])
    network.add("capacitor", "cathode", "foot", v["first_cathode_capacitor"])
    network.add("resistor", "foot", "0", v["foot_resistor"])
    network.add("capacitor", "anode", "grid2", v["interstage_capacitor"])
    network.add("resistor", "grid2", "0", v["second_grid_leak"])
    network.add("resistor", "anode2", "0", v["second_anode_resistor"])
    network.add("resistor", "cathode2", "0", v["second_cathode_resistor"])
    network.add("capacitor", "cathode2", "0", v["second_cathode_capacitor"])
    network.add("capacitor", "anode2", "end", v["feedback_capacitor"])
    for kind in ("resistor", "capacitor"):
        network.add(kind, "end", "between", v[f"bass_{kind}"]).add(kind, "between", "foot", v[f"treble_{kind}"])
    network.add("capacitor", "anode2", "out", v["coupling_capacitor"])
    return network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])


for _frequency in (20.0, 1000.0, 20e3):
    check("riaa_preamplifier", f"gain at {_frequency:g} Hz", "a nodal solution by hand", 0.05)(
        lambda made, at=_frequency: (gain(made, at), abs(nodal_preamplifier(made).gain([at], output="out")[0]))
    )


@check(
    "riaa_preamplifier", "worst of 31 frequencies from 20 Hz to 20 kHz, relative to 1 kHz (0.5 % are 0.04 dB)", IEC, 0.5
)
def held_to_the_standard(made: Stage) -> tuple[float, float]:
    frequency = np.array([1000.0, *np.geomspace(20.0, 20e3, 31)])
    found, wanted = np.abs(nodal_preamplifier(made).gain(frequency, output="out")), replay(frequency)
    off = (found / found[0]) / (wanted / wanted[0])
    worst = float(frequency[np.argmax(np.abs(off - 1.0))])
    return gain(made, worst) / gain(made), float(replay(worst) / replay(1000.0))


WINDINGS = "Radio Designer's Handbook ch. 5, transformers (from memory)"


@check("step_up_transformer", "gain at 1 kHz: n RL/(RL + Rsec + n^2 (Rs + Rp))", WINDINGS, 0.1, load_capacitance=0,
       secondary_capacitance=0)  # fmt: skip
def step_up_gain(made: Stage) -> tuple[float, float]:
    v = made.values
    n, load = v["turns_ratio"], v["load_resistor"]
    seen = load + v["secondary_resistance"] + n**2 * (v["source_resistance"] + v["primary_resistance"])
    return gain(made), n * load / seen


@check("step_up_transformer", "lower corner: R/(2 pi Lp), R = (Rs + Rp) beside (Rsec + RL)/n^2", WINDINGS, 0.5)
def step_up_corner(made: Stage) -> tuple[float, float]:
    v = made.values
    other = (v["secondary_resistance"] + v["load_resistor"]) / v["turns_ratio"] ** 2
    wanted = parallel(v["source_resistance"] + v["primary_resistance"], other) / (2.0 * np.pi * v["primary_inductance"])
    return simwrap.measure(made, "response").response.low_corner, wanted


@check("stepped_attenuator", "7 steps of 2 dB on 20 kohm: 16k over 3k9 of the E24 series", "IEC 60063 by hand", 0.01,
       position=7.0, source_resistance=0)  # fmt: skip
def attenuated(made: Stage) -> tuple[float, float]:
    lower = parallel(3900.0, made.values["load_resistor"])
    return gain(made), lower / (16e3 + lower + CONNECTION)


@check("stepped_attenuator", "20 dB on 20 kohm: the series has both resistors (18k, 2k)", "closed form", 0.01,
       source_resistance=0, load_resistor=1e9)  # fmt: skip
def attenuated_exactly(made: Stage) -> tuple[float, float]:
    return gain(made), 0.1


def loudness(made: Stage, frequency: float) -> tuple[float, float]:
    """The track in three pieces: end, wiper and tap, end."""
    v = made.values
    network = Network().add("resistor", "signal", "top", v["source_resistance"])
    place, tap, whole = v["position"], v["tap"], v["pot"]  # a linear track
    upper, lower = ("out", "tap") if place > tap else ("tap", "out")
    network.add("resistor", "top", upper, whole * (1.0 - max(place, tap)))
    network.add("resistor", upper, lower, whole * abs(place - tap))
    network.add("resistor", lower, "0", whole * min(place, tap))
    network.add("resistor", "tap", "foot", v["tap_resistor"]).add("capacitor", "foot", "0", v["tap_capacitor"])
    network.add("capacitor", "top", "tap", v["treble_capacitor"])
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    return gain(made, frequency), abs(network.gain([frequency], output="out")[0])


for _place, _where in ((0.1, "below"), (0.6, "above")):
    for _frequency in (50.0, 10e3):
        _words = f"gain at {_frequency:g} Hz, the wiper {_where} the tap"
        check("loudness_control", _words, "a nodal solution by hand", 0.01, pot_taper="linear", position=_place)(
            lambda made, at=_frequency: loudness(made, at)
        )


@check("balance_control", "right over left, a quarter of the way to the right", "closed form: two dividers", 0.01,
       position=0.75, load_capacitance=0)  # fmt: skip
def balanced(made: Stage) -> tuple[float, float]:
    v = made.values
    sides = [parallel(v["pot"] * share, v["load_resistor"]) for share in (0.75, 0.25)]
    left, right = (side / (side + v["series_resistor"] + v["source_resistance"]) for side in sides)
    return gain(made, port="output_b") / gain(made), right / left


TILTED: dict[str, Any] = {
    "network_resistor": 100.0, "network_capacitor": 1.5e-6, "end_resistor": "68k", "source_resistance": 0,
    "load_resistor": 1e9, "load_capacitance": 0, "position": 0.2,
}  # fmt: skip
for _frequency in (1.0, 1000.0, 1e6):
    check("tilt_control", f"gain at {_frequency:g} Hz: (1 - q + q s)/(1 + s), s = jf/f0, q = (E + P p)/(2 E + P)",
          "closed form (own): a low-pass and a high-pass of one corner", 0.1, **TILTED)(
        lambda made, at=_frequency: (gain(made, at), tilted(made, at))
    )  # fmt: skip


def tilted(made: Stage, frequency: float) -> float:
    v = made.values
    q = (v["end_resistor"] + v["pot"] * v["position"]) / (2.0 * v["end_resistor"] + v["pot"])
    s = 2j * np.pi * frequency * v["network_resistor"] * v["network_capacitor"]
    return float(abs((1.0 - q + q * s) / (1.0 + s)))


def follower(network: Network, made: Stage) -> Network:
    """Add the follower, its load and its valve's capacitances."""
    v, valve = made.values, slopes(made)
    inside = made.valves["v1"].valve.capacitances
    network.transconductance("0", "cathode", "grid", "cathode", float(valve.gm))
    network.add("resistor", "cathode", "0", parallel(float(valve.ra), v["cathode_resistor"]))
    network.add("capacitor", "grid", "0", inside.grid_anode).add("capacitor", "grid", "cathode", inside.grid_cathode)
    network.add("capacitor", "cathode", "0", inside.anode_cathode)
    network.add("capacitor", "cathode", "out", v["coupling_capacitor"])
    return network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])


def rumble(made: Stage, frequency: float) -> tuple[float, float]:
    v = made.values
    network = follower(Network().add("resistor", "signal", "input", v["source_resistance"]), made)
    network.add("resistor", "input", "0", v["input_resistor"])
    network.add("capacitor", "input", "middle", v["first_capacitor"])
    network.add("capacitor", "middle", "grid", v["second_capacitor"])
    network.add("resistor", "middle", "cathode", v["feedback_resistor"])
    network.add("resistor", "grid", "0", parallel(v["upper_divider"], v["lower_divider"]))
    return gain(made, frequency), abs(network.gain([frequency], output="out")[0])


def scratch(made: Stage, frequency: float) -> tuple[float, float]:
    v = made.values
    network = follower(Network().add("resistor", "signal", "source", v["source_resistance"]), made)
    network.add("capacitor", "source", "input", v["input_capacitor"])
    network.add("resistor", "input", "0", parallel(v["upper_divider"], v["lower_divider"]))
    network.add("resistor", "input", "middle", v["first_resistor"]).add(
        "resistor", "middle", "grid", v["second_resistor"]
    )
    network.add("capacitor", "middle", "cathode", v["feedback_capacitor"])
    network.add("capacitor", "grid", "0", v["grid_capacitor"])
    return gain(made, frequency), abs(network.gain([frequency], output="out")[0])


for _frequency in (5.0, 20.0, 1000.0):
    check("rumble_filter", f"gain at {_frequency:g} Hz", "a nodal solution by hand", 0.05)(
        lambda made, at=_frequency: rumble(made, at)
    )
for _frequency in (1000.0, 8e3, 50e3):
    check("scratch_filter", f"gain at {_frequency:g} Hz", "a nodal solution by hand", 0.05)(
        lambda made, at=_frequency: scratch(made, at)
    )

SALLEN_KEY = "Sallen and Key 1955 (from memory), for a follower whose gain is 1"
IDEAL: dict[str, Any] = {"valve": "12AX7", "cathode_resistor": "220k", "source_resistance": 0, "load_capacitance": 0}


@check("rumble_filter", "gain at 1/(2 pi sqrt(R1 R2 C1 C2)): Q = sqrt(R2/R1)/2, of a 12AX7's follower of gain 0.98",
       SALLEN_KEY, 4.0, **IDEAL, coupling_capacitor=FARAD)  # fmt: skip
def rumble_corner(made: Stage) -> tuple[float, float]:
    v = made.values
    lower = parallel(v["upper_divider"], v["lower_divider"])
    corner = 1.0 / (2.0 * np.pi * v["first_capacitor"] * np.sqrt(v["feedback_resistor"] * lower))
    return gain(made, corner) / gain(made), float(np.sqrt(lower / v["feedback_resistor"]) / 2.0)
