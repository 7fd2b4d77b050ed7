"""Every kind of supply through check, sheet, guard and readings; what stays charged against an ODE solver (scipy).

The network of the small amplifier below is written down by hand from its circuit diagram; it knows nothing of netlists.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.audit import audit
from simwrap.amplifier.discharge_times import Charged, charged
from simwrap.amplifier.supply_match import highest
from simwrap.build_sheet.sheet import gathered
from simwrap.cathode_guard.guard import guard
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.fault_finding.readings import read

DESIGN = """
simwrap_design = 1
title = "one valve in the reading room"
joins = ["driver.output -> power.input"{join}]
[stages.driver]
stage = "triode_gain"
valve = "6SL7GT"
supply = "250 V"
anode_resistor = "100k"
cathode_resistor = "1k8"
coupling_capacitor = "100n"
{stages}
[stages.power]
stage = "single_ended_output"
valve = "6V6GT"
supply = "250 V"
screen_supply = "250 V"
cathode_resistor = "330"
grid_leak = "470k"
speaker_impedance = "8 ohm"
[levels]
rated_power = "1 W"
[supply]
feeds = [{feeds}]
winding_voltage = "{winding}"
winding_resistance = "100"
first_dropper_capacitor = 0
{supply}
"""
DROPPER = '[stages.early]\nstage = "dropper"\nresistor = "22k"\ncapacitor = "22u"'
RECTIFICATION = ("centre_tap", "bridge")
RECTIFIERS = ("GZ34", "1N4007")
FILTERS = {
    "choke": 'filter = "choke"\nchoke_resistance = "100"',
    "resistor": 'filter = "resistor"\nfilter_resistor = "330"',
    "none": 'filter = "resistor"\nfilter_resistor = 0\nfilter_capacitor = 0',
}
BLEEDERS = ("0", '"220k"')
DROPPERS = (True, False)
EVERY = list(product(RECTIFICATION, RECTIFIERS, FILTERS, BLEEDERS, DROPPERS))
#: Of which each value, and each pair with a bleeder, stands once; the others are slow.
FEW = [("bridge", "1N4007", "none", "0", True), ("centre_tap", "GZ34", "choke", '"220k"', False)]


def design(folder: Path, rectification: str, rectifier: str, kind: str, bleeder: str, dropper: bool) -> Design:
    more = f'rectification = "{rectification}"\nrectifier = "{rectifier}"\n{FILTERS[kind]}\nbleeder = {bleeder}'
    feeds = ["power.supply", "power.screen_supply", "early.input" if dropper else "driver.supply"]
    text = DESIGN.format(
        join=', "early.output -> driver.supply"' if dropper else "", stages=DROPPER if dropper else "",
        feeds=", ".join(f'"{port}"' for port in feeds), winding="210 V", supply=more,
    )  # fmt: skip
    file = folder / "small.toml"
    file.write_text(text, encoding="utf-8")
    return read_whole_design(file, complete=True)


def expected(kind: str, bleeder: str, dropper: bool, start: float) -> dict[str, float]:
    """Time of each capacitor by integration: all rails start alike, and the anode's coupling capacitor at the rail."""
    farads = (
        {"reservoir": 47e-6} | ({} if kind == "none" else {"filter": 100e-6}) | ({"early": 22e-6} if dropper else {})
    )
    names = list(farads)
    output, early = names.index("filter" if "filter" in names else "reservoir"), names.index(names[-1])
    ohms = {"choke": 100.0, "resistor": 330.0}.get(kind, 0.0)
    drain = 0.0 if bleeder == "0" else 1.0 / 220e3
    if not drain:
        return dict.fromkeys([*farads, "coupling"], np.inf)

    def change(_: float, volts: Any) -> Any:
        into = np.zeros(len(volts))
        into[output] -= volts[output] * drain
        if "filter" in names:
            into[0] -= (volts[0] - volts[1]) / ohms
            into[1] += (volts[0] - volts[1]) / ohms
        if dropper:
            into[output] -= (volts[output] - volts[early]) / 22e3
            into[early] += (volts[output] - volts[early]) / 22e3
        through = (volts[early] - volts[-1]) / (100e3 + 470e3)  # anode resistor, coupling capacitor, grid leak
        into[early] -= through
        into[-1] += through
        return into / np.array([*farads.values(), 100e-9])

    run = solve_ivp(change, (0, 400), np.full(len(names) + 1, start), method="Radau", rtol=1e-8, atol=1e-9,
                    dense_output=True)  # fmt: skip
    moments = np.linspace(0.0, 400.0, 20001)
    curves = run.sol(moments)
    return {name: float(moments[np.flatnonzero(curve > 60.0)[-1]]) for name, curve in zip([*names, "coupling"], curves,
                                                                                        strict=True)}  # fmt: skip


def held_to(found: list[Charged], kind: str, bleeder: str, dropper: bool) -> None:
    times = {each.path: each.time for each in found}
    start = max(each.start for each in found if "rectifier" not in each.path)
    for name, time in expected(kind, bleeder, dropper, start).items():
        path = {"early": "early.decoupling", "coupling": "driver.coupling"}.get(name, f"supply.{name}")
        assert times[path] == pytest.approx(time, rel=2e-3), path
    across = {path: time for path, time in times.items() if "rectifier" in path}
    assert set(across.values()) <= {max(times[path] for path in ("supply.reservoir", "supply.filter") if path in times)}


@pytest.mark.parametrize("values", EVERY)
def test_every_network_against_an_integration(values: tuple[str, str, str, str, bool], tmp_path: Path) -> None:
    """Without the supply's own simulation: all rails start from the stated voltage, 10 % high."""
    made = design(tmp_path, *values)
    found = charged(made, highest(made, None), None, within=30.0)
    assert max(each.start for each in found) == pytest.approx(275.0, rel=1e-3)
    held_to(found, *values[2:])


@pytest.mark.parametrize("values", [*FEW, *(pytest.param(each, marks=pytest.mark.long) for each in EVERY
                                            if each not in FEW)])  # fmt: skip
def test_through_check_sheet_guard_and_readings(values: tuple[str, str, str, str, bool], tmp_path: Path) -> None:
    # One amplifier behind all four: what one has worked out the next one asks.
    made = as_amplifier(design(tmp_path, *values), quick=True)
    checked = audit(made)
    (supply,) = (section for section in checked.sections if section.name == "supply")
    (line,) = (line for line in supply.lines if line.name == "discharge_time")
    never = values[3] == "0"
    assert np.isinf(line.value) == never
    assert not (never and checked.clean)
    paper = gathered(made)
    # The winding's peak on mains 10 % high, or what a choke throws a capacitor to.
    peak = 1.1 * 210.0 * np.sqrt(2.0)
    start = max(each.start for each in paper.discharge if each.path.startswith("supply.") and "rect" not in each.path)
    assert peak * (1 - 1e-9) <= start < 1.9 * peak
    held_to(paper.discharge, *values[2:])
    cautions = paper.html.partition('id="cautions-head"')[2]
    assert cautions.startswith(">Cautions: read these first</h2><ul><li>This design stays charged") == never
    assert ("never by itself" in cautions) == never
    assert guard(made, builds=20).stages["power"].expected > 0.0
    file = tmp_path / "readings.csv"
    file.write_text("point,value\npower.v1.anode,240 V\n", encoding="utf-8")
    assert read(made, file).readings
