"""The whole channel of the reading room: the chain is its stages, a nodal solve finds the same, both engines agree."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from mna import Circuit as Oracle

import simwrap
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import read_design
from simwrap.circuits.render import render
from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, OpRun

#: Stages that a coupling capacitor parts from what follows: each can stand by itself.
PARTED = ("selector", "line", "tone", "volume")


@cache
def channel() -> Circuit:
    return read_design(Path(str(files("simwrap.amplifier").joinpath("reading_room.toml"))))


@cache
def rest() -> Circuit:
    """The power amplifier: what a direct coupling and the feedback path hold together."""
    whole = channel()
    names = [name for name in whole.stages if name not in (*PARTED, "preamplifier")]
    joins = [join for join in whole.joins if all(place.partition(".")[0] in names for place in join)]
    made = simwrap.circuit({name: whole.stages[name] for name in names}, joins=joins, main_input="driver.input",
                           main_output=whole.main_output)  # fmt: skip
    return made.replace(**{"driver.source_resistance": 0})


def complex_gain(made, frequency):
    (reply,) = run(render(made).circuit, [AcRun(frequency, frequency, 1, (made.ports["output"],))])
    assert reply.reasons == [""]
    return complex(reply.values[made.ports["output"]][0, 0])


def admittance(made, frequency):
    """Return what a circuit presents to its source, by its own impedance measure."""
    spot = {"start": frequency, "stop": frequency * 1.001, "reference_frequency": frequency}
    found = simwrap.measure(made, {"impedance": spot}).impedance
    return np.exp(-1j * np.radians(found.input_phase_deg[0])) / found.input_curve[0]


@pytest.mark.parametrize("frequency", [40.0, 1000.0, 12e3])
def test_gain_is_the_product_of_the_stages_with_their_real_neighbours(frequency):
    """Each stage alone, its supply the voltage that it has in the chain, loaded with what follows."""
    whole = channel()
    (op,) = run(render(whole).circuit, [OpRun()])
    rail = float(op.values[whole.ports["line.supply"]][0])
    following, product = rest(), complex_gain(rest(), frequency)
    for name in reversed(PARTED):
        alone = whole.stages[name]
        own = {"supply": rail} if name == "line" else {}
        load = admittance(following, frequency)
        own |= {"load_resistor": 1.0 / load.real}
        # The selector has no such load of its own, but a lead that lies across its output.
        across = "load_capacitance" if "load_capacitance" in alone.values else "internal_capacitance"
        lead = float(alone.values[across]) if across == "internal_capacitance" else 0.0
        own |= {across: lead + load.imag / (2.0 * np.pi * frequency)}
        own |= {} if name == PARTED[0] else {"source_resistance": 0.0}
        following = simwrap.circuit({name: alone.replace(**own)})
        product *= complex_gain(following, frequency)
    apart = 20.0 * np.log10(abs(product / complex_gain(whole, frequency)))
    assert abs(apart) < 0.01


def test_the_whole_is_what_nodal_analysis_finds():
    """Operating point and gain of the exported netlist, solved by numpy alone (Vlach and Singhal, ch. 4)."""
    whole = channel()
    circuit = render(whole).circuit
    output = whole.ports["output"]
    op, ac = run(circuit, [OpRun(), AcRun(10.0, 100e3, 4, (output,))])
    oracle = Oracle(circuit.text)
    state = oracle.operating_point({name: float(volts[0]) for name, volts in op.values.items()})
    for name, volts in op.values.items():
        if name.startswith("n_"):
            assert float(volts[0]) == pytest.approx(state[oracle.index[name]], rel=1e-5, abs=1e-4), name
    expected = oracle.transfer(ac.axis, output, state)
    assert np.abs(20.0 * np.log10(np.abs(ac.values[output][0] / expected))).max() < 0.001


@pytest.mark.ngspice
@pytest.mark.slow
def test_both_engines_agree_on_the_whole():
    """Operating point to a millionth, gain to a thousandth of a decibel, distortion to 2 %."""
    whole = channel()
    circuit, output = render(whole).circuit, whole.ports["output"]
    runs = [OpRun(), AcRun(10.0, 100e3, 4, (output,))]
    one, other = (run(circuit, runs, Run(engine=engine)) for engine in ("neospice", "ngspice"))
    for name, volts in one[0].values.items():
        assert other[0].values[name][0] == pytest.approx(volts[0], rel=1e-6, abs=1e-6), name
    assert np.abs(20.0 * np.log10(np.abs(one[1].values[output] / other[1].values[output]))).max() < 1e-3
    gain = abs(complex(one[1].values[output][0, 8]))
    told = [
        simwrap.simulate(whole, "period", level=6.0 / gain, engine=engine, time_limit=200.0)
        for engine in ("neospice", "ngspice")
    ]
    spectra = [np.abs(each["output.spectrum"].values[0]) for each in told]
    thd = [float(np.sqrt((lines[2:] ** 2).sum()) / lines[1]) for lines in spectra]
    assert thd[0] > 1e-3
    assert thd[1] == pytest.approx(thd[0], rel=0.02)
