"""Noise of whole stages against a nodal solution in numpy that is set up from the printed netlist.

Oracle: modified nodal analysis (:mod:`mna`), thermal noise 4kT/R of every resistor (Nyquist 1928), and for the valves
the currents of a cathode that chance divides between its electrodes: Sn = 2 q In (1 - (In/Ik)(1 - G)), and between two
of them -2 q In Im/Ik (1 - G) (D. O. North, RCA Review, October 1940, from memory), where G = 10 k T gm/(2 q Ik) is what
space charge leaves of the cathode current's full shot noise (Thompson, North, Harris, RCA Review, January 1940).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from mna import Circuit as Oracle
from numpy.typing import NDArray

import simwrap
from simwrap.amplifier.hum_budget import noise_causes
from simwrap.circuits.render import render
from simwrap.engine import OpRun, Run, run
from simwrap.measures.numerics.weighting import band_rms

K, Q, T = 1.380649e-23, 1.602176634e-19, 300.15

AT_REST = {
    "an ordinary triode": ("triode_gain", {}, ()),
    "near 0 V": ("triode_gain", {"grid_leak": "10M", "cathode_resistor": "10"}, ()),
    "by grid current alone": ("triode_gain", {"grid_leak": "1M", "cathode_resistor": "1", "valve": "12AT7"}, ()),
    "bottomed": ("triode_gain", {"cathode_resistor": "1", "anode_resistor": "2.2M", "supply": "20 V"}, ("v1",)),
    "worn, and of another mu": ("triode_gain", {"v1.emission": 0.6, "v1.mu": 1.15}, ()),
    "a pentode": ("pentode_gain", {}, ()),
    "a bottomed pentode": ("pentode_gain", {"anode_resistor": "1M", "cathode_resistor": "330"}, ("v1",)),
    "a pentode with grid current": ("pentode_gain", {"cathode_resistor": "1", "grid_leak": "10M"}, ()),
    "triode-connected": ("single_ended_output", {"connection": "triode"}, ()),
    "ultra-linear": ("push_pull_output", {"connection": "ultra_linear"}, ()),
    "a follower": ("cathode_follower", {}, ()),
}


def expected(circuit: Any, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the output's noise density [V/rtHz] by the oracle."""
    lines = render(circuit).complete()
    oracle = Oracle(lines)
    (rest,) = run(render(circuit).circuit, [OpRun()], Run(workers=1))
    state = oracle.operating_point({node: float(volts[0]) for node, volts in rest.values.items()})
    jacobian, _ = oracle.linearised(state)
    whole = jacobian + 2j * np.pi * frequency[:, None, None] * oracle.storage
    look = np.zeros(len(jacobian))
    look[oracle.index[circuit.ports["output"]]] = 1.0
    follow = np.linalg.solve(whole.swapaxes(1, 2), np.broadcast_to(look, whole.shape[:2])[..., None] + 0j)[..., 0]

    def at(node: str) -> Any:
        return follow[:, oracle.index[node]] if node != "0" else np.zeros(len(frequency))

    power = np.zeros(len(frequency))
    for words in (line.split() for line in lines.lower().splitlines() if line[:2] == "r_"):
        power += 4.0 * K * T / float(words[3]) * np.abs(at(words[1]) - at(words[2])) ** 2
    for name, use in circuit.valves.items():
        volts = {role: state[oracle.index[node]] if node != "0" else 0.0 for role, node in use.nodes.items()}
        spread = {key: float(circuit.values.get(f"{name}.{key}", 1.0)) for key in ("emission", "mu")}

        def currents(more: float, use: Any = use, volts: Any = volts, spread: Any = spread) -> dict[str, float]:
            to = {role: volts[role] - volts["cathode"] for role in volts}
            flow = use.valve.currents(to["anode"], to["grid"] + more, to.get("screen"), **spread)
            roles = ("anode", "grid", "screen") if "screen" in volts else ("anode", "grid")
            return {role: float(getattr(flow, role)) for role in roles}

        still = currents(0.0)
        cathode = sum(still.values())
        slope = (sum(currents(1e-4).values()) - sum(currents(-1e-4).values())) / 2e-4
        left = min(10.0 * K * T * slope / (2.0 * Q * cathode), 1.0)
        for one, current in still.items():
            for other, beside in still.items():
                density = -2.0 * Q * current * beside / cathode * (1.0 - left)
                density += 2.0 * Q * current if one == other else 0.0
                ways = [at(use.nodes[role]) - at(use.nodes["cathode"]) for role in (one, other)]
                power += density * (ways[0] * np.conj(ways[1])).real
    return np.sqrt(power)


@pytest.mark.parametrize("case", AT_REST)
@pytest.mark.parametrize(("engine", "way"), [("neospice", "linearised"), ("neospice", "engine"),
                                             pytest.param("ngspice", "linearised", marks=pytest.mark.ngspice),
                                             pytest.param("ngspice", "engine", marks=pytest.mark.ngspice)])  # fmt: skip
def test_the_noise_of_a_stage_is_that_of_a_nodal_solution(case: str, engine: str, way: str) -> None:
    name, values, below = AT_REST[case]
    circuit = simwrap.stage(name, **values).circuit
    found = simwrap.measure(circuit, {"noise": {"flicker_corner": 0.0}}, run=Run(engine, small_signals=way))
    got, frequency = np.asarray(found.noise.output_density), np.asarray(found["noise.frequency"])
    np.testing.assert_allclose(got, expected(circuit, frequency), rtol=3e-5)
    assert tuple(each.subject for each in found.findings if each.code == "noise_below_knee") == below


@pytest.mark.parametrize(("ohms", "volts"), [(10e3, 0.9), (3.3e3, 2.5)])
def test_a_grid_that_is_positive_is_as_noisy_as_its_current(ohms: float, volts: float) -> None:
    """Direct-coupled, from a source of 100 k: what its current shakes it by is no noise of the space charge."""
    stages = {
        "one": simwrap.stage("triode_gain", coupling_capacitor=0),
        "two": simwrap.stage("cathode_follower", bias="direct", cathode_resistor=ohms),
    }
    circuit = simwrap.circuit(stages, joins=["one.output -> two.input"])
    found = simwrap.measure(circuit, {"bias": {}, "noise": {"flicker_corner": 0.0}})
    assert found["bias.valves.two.v1.grid_voltage"] == pytest.approx(volts, abs=0.15)
    frequency = np.asarray(found["noise.frequency"])
    wanted = expected(circuit, frequency)
    np.testing.assert_allclose(np.asarray(found.noise.output_density), wanted, rtol=3e-5)
    # The budget of a whole amplifier has all of it.
    causes = noise_causes(found)
    assert np.sqrt(sum(cause.level**2 for cause in causes)) == pytest.approx(band_rms(frequency, wanted), rel=1e-4)


def test_above_its_knee_a_valve_has_the_published_equivalent_resistance() -> None:
    """2.5/gm of a triode (Thompson, North, Harris, 1940); a pentode's is Harris's (1941; from memory).

    The latter's 20 is e/2kT rounded, and it takes gm for divided as the current is.
    """
    for stage, within in (("triode_gain", 1e-6), ("pentode_gain", 0.06)):
        made = simwrap.stage(stage)
        found = simwrap.measure(made, ["bias", "noise"])
        point = found.bias.valves.v1
        given = [point[f"{role}_voltage"] for role in ("anode", "grid", "screen") if f"{role}_voltage" in point]
        wanted = float(made.valves["v1"].valve.noise_resistance(*given))
        assert found.noise.noise_resistance.v1 == pytest.approx(wanted, rel=within)


def test_space_charge_leaves_no_more_than_full_shot_noise() -> None:
    """In the exponential tail of a characteristic the formula would say more than 2 q I; Schottky's law is the most."""
    valve = simwrap.stage("triode_gain").valves["v1"].valve
    grids = np.linspace(-8.0, 0.0, 60)
    left = valve.smoothing(150.0, grids)
    assert left.max() <= 1.0
    flow, gm = valve.currents(150.0, -1.2), float(valve.small_signal(150.0, -1.2).gm)
    assert float(valve.smoothing(150.0, -1.2)) == pytest.approx(
        10.0 * K * T * gm / (2.0 * Q * float(flow.cathode)), rel=1e-4
    )
