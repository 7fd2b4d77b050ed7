"""An operating point is one only if the currents at each node add up."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
from simwrap.circuits.render import render
from simwrap.engine import OpRun, Run, run
from simwrap.engine.currents import missing
from simwrap.engine.protocol import NetlistTable
from simwrap.netlist import allow_list

DIVIDER = (
    "v_supply n_top 0 dc 300.0 ac 0.0\nr_upper n_top n_middle 100000.0\nr_lower n_middle 0 200000.0\n"
    "g_load n_middle 0 n_top 0 1e-06\nb_more n_middle 0 i=v(n_middle)*1e-6\ni_out 0 n_middle dc 0.0\n"
)


def divider(middle: list[float]) -> list[str]:
    state = {"n_top": np.full(len(middle), 300.0), "n_middle": np.array(middle)}
    return missing(allow_list.check(DIVIDER), {"r_lower": np.full(len(middle), 100e3)}, state)


def test_a_divider_by_hand() -> None:
    """(300 - v)/100k = v/100k + 300 uA + 1 uS v, so that v = 2.7 mA / 21 uS."""
    right = 2.7e-3 / 21e-6
    assert divider([right, right + 1.0, right - 0.001, np.nan]) == ["", "n_middle", "", ""]


def test_a_voltage_has_to_be_what_its_expression_says() -> None:
    """A current of 8 mA that a valve's law doesn't give at its voltages: 7.17 mA (both from an engine's own answer)."""
    text = "v_a n_a 0 dc 100.0 ac 0.0\nr_a n_a 0 1e5\nb_law n_law 0 v=0.08*v(n_a)\nr_law n_law 0 1e6\n"
    state = {"n_a": np.full(4, 100.0), "n_law": np.array([8.0, 7.17, 8.01, np.nan])}
    assert missing(allow_list.check(text), {}, state) == ["", "n_law", "", ""]


@pytest.mark.parametrize("engine", ["neospice", "ngspice"])
def test_no_engine_is_believed_where_currents_are_missing(engine: str) -> None:
    """A grid that only its own current holds (the check of circuits is got round) has no operating point near 0 V."""
    chain = simwrap.circuit(
        driver=simwrap.stage("pentode_gain", valve="6AU6"), splitter=simwrap.stage("cathodyne", valve="6SN7GT")
    )
    held = render(chain.replace(**{"driver.coupling_capacitor": 0})).circuit.text
    wire = next(line for line in held.splitlines() if line.startswith("r_driver__coupling "))
    text = held.replace(wire, f"c_driver__coupling {' '.join(wire.split()[1:3])} 1e-07")
    (reply,) = run(NetlistTable(text, {}, 1), [OpRun()], Run(engine=engine))
    if reply.reasons == [""]:
        nodes = allow_list.check(text)
        assert missing(nodes, {}, reply.values) == [""]
    else:
        assert all(np.isnan(values).all() for values in reply.values.values())


@pytest.mark.parametrize("name", simwrap.stage_names())
def test_what_the_engines_find_adds_up(name: str) -> None:
    for engine in ("neospice", "ngspice"):
        netlist = render(simwrap.stage(name)).circuit
        (reply,) = run(netlist, [OpRun()], Run(engine=engine))
        assert (reply.reasons, reply.engines) == ([""], [engine])
