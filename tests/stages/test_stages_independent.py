"""Every stage with an input against a solver of the tests' own: gain, output impedance, load lines.

The oracle (tests/mna.py) reads the netlist that is exported, finds the operating point by a Newton iteration of its
own, and linearises the printed expressions of the valves by differences. That a netlist is the circuit that its
header tells of isn't seen here: the closed forms beside this file see that.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from mna import Circuit as Oracle
from stage_runs import operating

import simwrap
from simwrap.circuits.render import render

FREQUENCY = 1000.0
#: No signal comes in at them: what makes a supply, and what hands it on.
WITHOUT = {"supply", "sagging_supply", "dropper", "gas_stabiliser", "series_regulator"}
NAMES = [name for name in simwrap.stage_names() if name not in WITHOUT]
#: Halves of a pair are taken as exactly balanced (see load_lines): what the second anode's current is of the first's.
PAIRS = {"long_tailed_pair": -1.0, "push_pull_output": -1.0, "differential_amplifier": -1.0, "parallel_triodes": 1.0}


@cache
def solved(name: str) -> tuple[simwrap.Stage, str, Oracle, Any]:
    """Return a stage, its netlist, the oracle of it, and the oracle's operating point."""
    made = simwrap.stage(name)
    text = render(made).circuit.text
    oracle = Oracle(text)
    return made, text, oracle, oracle.operating_point(operating(made))


def excited(text: str, source: str) -> Oracle:
    """Return the oracle of a netlist with one source excited and all others still."""
    lines = []
    for line in text.splitlines():
        words = line.split()
        if "ac" in words:
            words[words.index("ac") + 1] = "1.0" if words[0] == source else "0.0"
        lines.append(" ".join(words))
    return Oracle("\n".join(lines))


def driven_by_currents(text: str, currents: dict[str, float]) -> Oracle:
    """Return the oracle of a netlist in which these valves' anodes are nothing but current sources [A]."""
    lines = []
    for line in text.splitlines():
        words = line.split()
        valve = words[0].removeprefix("g_").removesuffix("_anode") if words else ""
        if words and words[0] == f"g_{valve}_anode" and valve in currents:
            line = f"i_of_{valve} {words[1]} {words[2]} dc 0 ac {currents[valve]}"
        elif "ac" in words:
            words[words.index("ac") + 1] = "0.0"
            line = " ".join(words)
        lines.append(line)
    return Oracle("\n".join(lines))


def voltage(oracle: Oracle, state: Any, plus: str, minus: str = "0") -> complex:
    one, other = (0j if node == "0" else complex(oracle.transfer(FREQUENCY, node, state)[0]) for node in (plus, minus))
    return one - other


@pytest.mark.parametrize("name", NAMES)
def test_gain(name: str) -> None:
    made, _, oracle, state = solved(name)
    found = simwrap.measure(made, "response").response.gain
    wanted = abs(voltage(oracle, state, made.ports["output"]))
    assert found == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_output_impedance(name: str) -> None:
    """Its load taken off again, as the measure states it."""
    made, text, _, state = solved(name)
    output = made.ports["output"]
    seen = voltage(excited(text, "i_output"), state, output)
    load = made.template.header.ports["output"].load
    assert load is not None
    values = made.values
    admittance = 1.0 / seen
    if load.resistor and values[load.resistor]:
        admittance -= 1.0 / values[load.resistor]
    if load.capacitance:
        admittance -= 2j * np.pi * FREQUENCY * values[load.capacitance]
    found = simwrap.measure(made, "impedance").impedance.output
    assert found == pytest.approx(abs(1.0 / admittance), rel=1e-3)


@pytest.mark.parametrize("name", [name for name in NAMES if simwrap.stage(name).valves])
def test_load_lines(name: str) -> None:
    made, text, oracle, state = solved(name)
    found = simwrap.measure(made, "load_lines").load_lines.valves
    ratio = PAIRS.get(name)
    forced = driven_by_currents(text, {"v1": 1.0, "v2": ratio}) if ratio else oracle
    for valve, use in made.valves.items():
        own = 1.0 if valve == "v1" else ratio
        current = own if ratio else 1e-3 * voltage(oracle, state, f"n_{valve}_ia")
        if use.valve.kind == "pentode" and use.nodes["screen"] == use.nodes["anode"]:  # it flows through the same load
            current += 1e-3 * voltage(oracle, state, f"n_{valve}_ig2")
        seen = -voltage(forced, state, use.nodes["anode"], use.nodes["cathode"]) / current
        straight = abs(seen.imag) < 0.2 * abs(seen.real)
        if straight and np.isfinite(found[valve].signal_load):
            assert found[valve].signal_load == pytest.approx(seen.real, rel=0.01), valve
