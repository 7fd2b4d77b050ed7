"""An outside check of the machinery: academic laws written over the same operations, run in numpy and both engines.

These laws are test data, not shipped valves. Sources: tests/reference/published_triode_laws/README.md.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, NetlistTable, OpRun
from simwrap.valves.laws import Lines, Numeric, Text, softplus

REFERENCE = Path(__file__).parents[1] / "reference" / "published_triode_laws"
ENGINES = [pytest.param("ngspice", marks=pytest.mark.ngspice), "neospice"]
STEP = 1e-30


def printed(name: str) -> list[dict[str, str]]:
    """Return the rows of a reference file."""
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


SETS = {
    row["sample"]: {k: float(v) for k, v in row.items() if k not in ("sample", "how_known")}
    for row in printed("physical_law")
}


def physical(ops: Any, c: dict[str, float], anode: Any, grid: Any) -> dict[str, Any]:
    """Dempwolf and Zoelzer 2011: cathode, grid and anode current [mA]."""
    pull = ops.node("z1", c["C"] * (anode * (1.0 / c["mu"]) + grid))
    ik = ops.node("ik", (1e3 * c["G"]) * ops.power(softplus(ops, pull) * (1.0 / c["C"]), c["gamma"]))
    drive = softplus(ops, ops.node("zg", c["Cg"] * grid)) * (1.0 / c["Cg"])
    ig = ops.node("ig", (1e3 * c["Gg"]) * ops.power(drive, c["xi"]) + 1e3 * c["Ig0"])
    return {"ik": ik, "ig": ig, "ia": ops.node("ia", ik - ig)}


def reprinted(ops: Any, c: dict[str, float], anode: Any, grid: Any) -> dict[str, Any]:
    """Koren 1996, triode, for E1 > 0: Ia = 2 * E1**X / kG1 [mA]; no grid current."""
    inner = ops.node("z1", c["kP"] * (1.0 / c["mu"] + grid / ops.sqrt(c["kVB"] + anode * anode)))
    ia = ops.node("ia", (2e3 / c["kG1"]) * ops.power((anode * (1.0 / c["kP"])) * softplus(ops, inner), c["X"]))
    return {"ia": ia}


KOREN_12AX7 = {"mu": 100.0, "X": 1.4, "kG1": 1060.0, "kP": 600.0, "kVB": 300.0}


def slopes(
    law: Callable[..., dict[str, Any]], anode: float, grid: float
) -> tuple[float, float, float, dict[str, float]]:
    """Return gm [mS], ra [ohm], mu and the currents [mA], by complex step."""
    by_anode = law(Numeric, anode=anode + 1j * STEP, grid=grid + 0j)["ia"]
    by_grid = law(Numeric, anode=anode + 0j, grid=grid + 1j * STEP)["ia"]
    gm, ga = float(np.imag(by_grid) / STEP), float(np.imag(by_anode) / STEP)
    currents = {name: float(value) for name, value in law(Numeric, anode=anode, grid=grid).items()}
    return gm, 1e3 / ga, gm / ga, currents


def lines(law: Callable[..., dict[str, Any]], anode: str, cathode: str) -> list[str]:
    """Return the law as a netlist between n_grid, ``anode`` and ``cathode``."""
    ops = Lines("v1")
    law(ops, anode=Text(f"v({anode},{cathode})"), grid=Text(f"v(n_grid,{cathode})"))
    return [*ops.lines, f"g_v1_anode {anode} {cathode} n_v1_ia 0 0.001"]


@pytest.mark.parametrize(
    "row", printed("physical_law_values"), ids=lambda row: f"{row['sample']} {row['Va_V']}/{row['Vg_V']}"
)
def test_physical_law_in_numpy(row: dict[str, str]) -> None:
    """Currents and slopes to the printed digits."""
    law = partial(physical, c=SETS[row["sample"]])
    gm, ra, mu, ma = slopes(law, float(row["Va_V"]), float(row["Vg_V"]))
    assert ma["ik"] == pytest.approx(float(row["Ik_mA"]), abs=0.6e-5)
    assert 1e3 * ma["ig"] == pytest.approx(float(row["Ig_uA"]), rel=1e-3)
    assert ma["ia"] == pytest.approx(float(row["Ia_mA"]), abs=0.6e-5)
    assert gm == pytest.approx(float(row["gm_mS"]), abs=0.6e-4)
    assert ra == pytest.approx(float(row["rp_ohm"]), abs=0.6)
    assert mu == pytest.approx(float(row["mu"]), abs=0.6e-2)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("sample", sorted(SETS))
def test_physical_law_in_the_engines(sample: str, engine: str) -> None:
    """The same law as a netlist gives the printed currents."""
    rows = [row for row in printed("physical_law_values") if row["sample"] == sample]
    table = {
        "v_anode": np.array([float(r["Va_V"]) for r in rows]),
        "v_grid": np.array([float(r["Vg_V"]) for r in rows]),
    }
    text = "\n".join(
        [
            "v_anode n_a 0 dc 0",
            "v_grid n_grid 0 dc 0",
            "r_k n_k 0 1e-3",
            *lines(partial(physical, c=SETS[sample]), "n_a", "n_k"),
        ]
    )
    (reply,) = run(NetlistTable(text, table, len(rows)), [OpRun(("n_v1_ia", "n_v1_ik"))], Run(engine=engine))
    for node, column in (("n_v1_ia", "Ia_mA"), ("n_v1_ik", "Ik_mA")):
        np.testing.assert_allclose(reply.values[node], [float(r[column]) for r in rows], rtol=2e-5)


@pytest.mark.parametrize("row", printed("koren_points"), ids=lambda row: f"{row['Va_V']} V")
def test_reprinted_set_misses_the_sheet(row: dict[str, str]) -> None:
    """Regression values of the 1996 set, and how far they are from the data sheet."""
    gm, ra, mu, ma = slopes(partial(reprinted, c=KOREN_12AX7), float(row["Va_V"]), float(row["Vg_V"]))
    assert ma["ia"] == pytest.approx(float(row["Ia_mA"]), abs=0.6e-4)
    assert gm == pytest.approx(float(row["gm_mS"]), abs=0.6e-4)
    assert ra == pytest.approx(float(row["rp_ohm"]), abs=0.6)
    assert mu == pytest.approx(float(row["mu"]), abs=0.6e-2)
    assert ma["ia"] < 0.8 * float(row["sheet_Ia_mA"])


@pytest.mark.parametrize("engine", ENGINES)
def test_textbook_worked_example(engine: str) -> None:
    """Steck p. 176: operating point and gains of a stage, through the engine."""
    wanted = {row["quantity"]: (float(row["printed"]), float(row["computed"])) for row in printed("worked_example")}
    law = partial(reprinted, c=KOREN_12AX7)

    def stage(capacitor: float) -> tuple[dict[str, float], float]:
        text = [
            "v_signal n_grid 0 dc 0 ac 1",
            "v_supply n_b 0 dc 330.0",
            "r_anode n_b n_a 100000.0",
            "r_cathode n_k 0 1500.0",
            f"c_cathode n_k 0 {capacitor!r}",
            *lines(law, "n_a", "n_k"),
        ]
        point, sweep = run(
            NetlistTable("\n".join(text)),
            [OpRun(("n_a", "n_k", "n_v1_ia")), AcRun(1000.0, 1000.0, 1, ("n_a",))],
            Run(engine=engine),
        )
        assert point.reasons == [""]
        return {node: float(value[0]) for node, value in point.values.items()}, float(abs(sweep.values["n_a"][0, 0]))

    at, bypassed = stage(1.0)
    _, unbypassed = stage(1e-15)
    assert at["n_v1_ia"] == pytest.approx(wanted["anode_current"][1], abs=1e-4)
    assert at["n_v1_ia"] == pytest.approx(wanted["anode_current"][0], abs=0.005)
    assert at["n_a"] - at["n_k"] == pytest.approx(wanted["anode_cathode_voltage"][1], abs=0.01)
    assert at["n_a"] - at["n_k"] == pytest.approx(wanted["anode_cathode_voltage"][0], abs=0.5)
    assert -at["n_k"] == pytest.approx(wanted["grid_cathode_voltage"][1], abs=1e-4)
    assert bypassed == pytest.approx(wanted["gain_bypassed"][1], abs=0.05)
    assert unbypassed == pytest.approx(wanted["gain_unbypassed"][1], abs=0.05)
    gm, ra, _, _ = slopes(law, at["n_a"] - at["n_k"], -at["n_k"])
    assert gm == pytest.approx(wanted["gm"][1], abs=1e-3)
    assert gm == pytest.approx(wanted["gm"][0], abs=5e-3)
    assert ra == pytest.approx(wanted["ra"][1], abs=10)
    # The text's own gains follow from its ra = mu / gm with mu = 100.
    ra_in_text = 100.0 / (1e-3 * gm)
    assert 100.0 * 100e3 / (ra_in_text + 100e3) == pytest.approx(wanted["gain_bypassed"][0], abs=0.5)
    assert 100.0 * 100e3 / (ra_in_text + 100e3 + 101 * 1500) == pytest.approx(wanted["gain_unbypassed"][0], abs=0.5)
