"""One law, three computers: numpy and both engines agree on currents and slopes at random points."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from published_rows import SECTIONS

from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, NetlistTable, OpRun
from simwrap.valves import Valve, get_valve

ENGINES = [pytest.param("ngspice", marks=pytest.mark.ngspice), "neospice"]
POINTS = 500

#: An operating point then agrees to all digits that a builder reads; currents below 1 nA and slopes below 1 nS count
#: as 1 nA and 1 nS.
TOLERANCE = 1e-5
FLOOR = 1e-9


def circuit(valve: Valve, excited: str, table: dict[str, NDArray[np.float64]], **options: object) -> NetlistTable:
    """Return the valve between voltage sources, one of them with ac 1."""
    lines = [f"v_{name} n_{name} 0 dc 0 ac {1 if name == excited else 0}" for name in ("anode", "grid", "screen")]
    lines += ["r_screen n_screen 0 1e9", "r_grid n_grid 0 1e9"]
    lines += valve.netlist("v1", anode="n_anode", grid="n_grid", cathode="0", screen="n_screen", **options)
    return NetlistTable("\n".join(lines), table, POINTS)


def worst(found: NDArray[np.float64], wanted: NDArray[np.float64]) -> float:
    """Return the largest relative difference."""
    assert found.shape == wanted.shape
    return float(np.max(np.abs(found - wanted) / np.maximum(np.abs(wanted), FLOOR)))


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("name", "kind"), SECTIONS)
def test_numpy_and_engine_agree(name: str, kind: str, engine: str) -> None:
    """Ia, Ig2, Ig, gm and 1/ra at 500 random points."""
    valve = get_valve(name, kind=kind)
    rng = np.random.default_rng(sum(map(ord, name + kind)))
    anode = rng.uniform(-50, 500, POINTS) if kind != "rectifier" else rng.uniform(-800, 60, POINTS)
    deepest = {"triode": -30.0, "pentode": -50.0, "rectifier": 0.0}[kind]
    grid, screen = rng.uniform(deepest, 5, POINTS), rng.uniform(0, 400, POINTS)
    if valve.summary.startswith("Silicon"):
        anode = rng.uniform(-2, 1.2, POINTS)
    table = {"v_anode": anode, "v_grid": grid, "v_screen": screen}
    wanted = valve.currents(anode, grid, screen)
    nodes = {"n_v1_ia": wanted.anode}
    if kind != "rectifier":
        nodes["n_v1_ig"] = wanted.grid
    if kind == "pentode":
        nodes["n_v1_ig2"] = wanted.screen
    by_anode, by_grid = AcRun(1.0, 1.0, 1, ("n_v1_ia",)), AcRun(1.0, 1.0, 1, ("n_v1_ia",))
    point, change = run(circuit(valve, "anode", table), [OpRun(tuple(nodes)), by_anode], Run(engine=engine))
    assert point.reasons == [""] * POINTS
    assert set(point.engines) == {engine}
    for node, current in nodes.items():
        assert worst(1e-3 * point.values[node], current) < TOLERANCE, node
    slopes = valve.small_signal(anode, grid, screen)
    assert worst(1e-3 * change.values["n_v1_ia"][:, 0].real, 1.0 / slopes.ra) < TOLERANCE
    if kind != "rectifier":
        (change,) = run(circuit(valve, "grid", table), [by_grid], Run(engine=engine))
        assert worst(1e-3 * change.values["n_v1_ia"][:, 0].real, slopes.gm) < TOLERANCE


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", ["12AX7", "6AU6"])
def test_spread_factors_are_swept(name: str, engine: str) -> None:
    """Emission and amplification factor as swept sources give what numpy gives."""
    valve = get_valve(name)
    rng = np.random.default_rng(5)
    full = {n: np.full(POINTS, v) for n, v in (("v_anode", 150.0), ("v_grid", -1.5), ("v_screen", 120.0))}
    emission, mu = rng.uniform(0.6, 1.4, POINTS), rng.uniform(0.8, 1.2, POINTS)
    table = {**full, "v_v1_emission": emission, "v_v1_mu": mu}
    (point,) = run(circuit(valve, "", table, emission=1.0, mu=1.0), [OpRun(("n_v1_ia",))], Run(engine=engine))
    wanted = valve.currents(150.0, -1.5, 120.0, emission=emission, mu=mu).anode
    assert worst(1e-3 * point.values["n_v1_ia"], wanted) < TOLERANCE
    assert np.ptp(wanted) > 0.2 * wanted.mean()


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("name", "kind"), [section for section in SECTIONS if section[1] != "rectifier"])
def test_the_operating_point_is_found_whatever_the_first_guess(name: str, kind: str, engine: str) -> None:
    """A direct-coupled split load, whose grid begins at 90 V above its cathode, in a build with factors of its own.

    Each point of the table starts an engine's own iteration from all nodes at 0 V.
    """
    valve = get_valve(name, kind=kind)
    lines = ["v_supply n_supply 0 dc 300", "r_anode n_supply n_anode 22000", "r_cathode n_cathode 0 22000"]
    lines += ["v_drive n_drive 0 dc 90", "r_stopper n_drive n_grid 1000", "r_screen n_supply n_screen 1000"]
    factors = {"emission": 1.05, "mu": 0.97}
    lines += valve.netlist("v1", anode="n_anode", grid="n_grid", cathode="n_cathode", screen="n_screen", **factors)
    lines += ["r_rest n_screen 0 1e6"]
    supplies = np.linspace(150.0, 450.0, 61)
    table = {"v_supply": supplies, "v_drive": 0.3 * supplies}
    (point,) = run(NetlistTable("\n".join(lines), table, len(supplies)), [OpRun()], Run(engine=engine))
    assert point.reasons == [""] * len(supplies)
    assert point.engines.count(engine) >= 0.95 * len(supplies)  # a point on which an engine fails is run on the other
    assert np.all(np.diff(point.values["n_cathode"]) > 0.0)
