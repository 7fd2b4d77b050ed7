"""Stages joined into circuits: the whole against an oracle, against its parts, and on both engines."""

from __future__ import annotations

import pickle
import re
import subprocess

import numpy as np
import pytest
from mna import Circuit as Oracle

import simwrap
from simwrap.circuits.circuit import circuit
from simwrap.circuits.joins import Join
from simwrap.circuits.render import render
from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, OpRun
from simwrap.errors import InputError, UnknownNameError


def preamplifier():
    """A line stage, a tone network and a second stage, in the reading room's values."""
    return simwrap.circuit(
        line=simwrap.stage("triode_gain", valve="6SL7GT", anode_resistor="220k", cathode_resistor="2k2"),
        tone=simwrap.stage("tone_passive", bass=0.7, treble=0.3),
        gain=simwrap.stage("triode_gain", valve="6SN7GT", supply=285, anode_resistor="47k", load_resistor="220k"),
        title="preamplifier",
    )


def power_amplifier(**splitter):
    """A pentode, a cathodyne that is coupled to its anode, and the pair that it drives."""
    return simwrap.circuit(
        driver=simwrap.stage(
            "pentode_gain", valve="6AU6", anode_resistor="220k", screen_resistor="470k", cathode_resistor="1k",
            coupling_capacitor=0, source_resistance="10k",
        ),
        splitter=simwrap.stage("cathodyne", valve="6SN7GT", **splitter),
        power=simwrap.stage("push_pull_output", valve="6V6GT"),
        title="power amplifier",
    )  # fmt: skip


@pytest.mark.parametrize("made", [preamplifier(), power_amplifier()], ids=lambda made: made.title)
@pytest.mark.parametrize("engine", ["neospice", pytest.param("ngspice", marks=pytest.mark.ngspice)])
def test_gain_of_a_chain_is_that_of_the_whole_solved_by_nodes(made, engine):
    netlist = render(made)
    oracle = Oracle(netlist.circuit.text)
    output = made.ports["output"]
    op, ac = run(netlist.circuit, [OpRun(), AcRun(10.0, 1e5, 10, (output,))], Run(engine=engine))
    assert op.reasons == ac.reasons == [""]
    state = oracle.operating_point({node: float(volts[0]) for node, volts in op.values.items()})
    for node, volts in op.values.items():
        if node.startswith("n_"):
            assert float(volts[0]) == pytest.approx(state[oracle.index[node]], rel=1e-5, abs=1e-5), node
    expected = oracle.transfer(ac.axis, output, state)
    apart = 20.0 * np.log10(np.abs(ac.values[output][0] / expected))
    assert np.abs(apart).max() < 0.001


@pytest.mark.ngspice
@pytest.mark.parametrize("made", [preamplifier(), power_amplifier()], ids=lambda made: made.title)
def test_both_engines_agree_on_a_chain(made):
    one, other = (simwrap.measure(made, ["bias", "response"], engine=name) for name in ("neospice", "ngspice"))
    for valve in made.valves:
        first, second = (found["bias"][f"valves.{valve}"] for found in (one, other))
        for key in first:
            if key == "type":
                assert first[key] == second[key]
                continue
            assert first[key] == pytest.approx(second[key], rel=1e-6, abs=1e-12)
    np.testing.assert_allclose(one.response.curve_db, other.response.curve_db, atol=1e-3)


def complex_gain(made, frequency, at="output", excite="signal"):
    netlist = render(made, excite=excite)
    (reply,) = run(netlist.circuit, [AcRun(frequency, frequency, 1, (made.ports[at],))])
    assert reply.reasons == [""]
    return complex(reply.values[made.ports[at]][0, 0])


@pytest.mark.parametrize("frequency", [50.0, 1000.0, 15000.0])
def test_gain_of_a_chain_is_the_product_of_its_stages_with_their_real_neighbours(frequency):
    """Each stage by itself, loaded with the input impedance of what follows, as its own impedance measure has it."""
    whole = preamplifier()
    line, tone, gain = (whole.stages[name] for name in ("line", "tone", "gain"))
    rest = simwrap.circuit(tone=tone.replace(source_resistance=0), gain=gain)

    def admittance(made):
        spot = {"start": frequency, "stop": frequency * 1.001, "reference_frequency": frequency}
        found = simwrap.measure(made, {"impedance": spot}).impedance
        angle = np.radians(found.input_phase_deg[0])
        return np.exp(-1j * angle) / found.input_curve[0]

    def loaded(stage, y):
        conductance, capacitance = y.real, y.imag / (2.0 * np.pi * frequency)
        return stage.replace(load_resistor=1.0 / conductance, load_capacitance=capacitance)

    first = complex_gain(loaded(line, admittance(rest)), frequency)
    # The grid of the last stage by itself: its leak with the input capacitance of its valve.
    second = complex_gain(
        loaded(tone, admittance(gain.replace(source_resistance=0))).replace(source_resistance=0), frequency
    )
    third = complex_gain(gain.replace(source_resistance=0), frequency)
    product = 20.0 * np.log10(abs(first * second * third))
    assert product == pytest.approx(20.0 * np.log10(abs(complex_gain(whole, frequency))), abs=0.01)


@pytest.mark.ngspice
@pytest.mark.slow
def test_the_splitters_output_falls_as_the_grids_of_the_pair_conduct(tmp_path, ngspice_program):
    """Grid current of the real pair clamps the splitter; `ngspice -b` on the exported netlist says the same."""
    # Smaller capacitors, so that a plain transient settles in a tenth of a second.
    made = power_amplifier(coupling_capacitor="22n").replace(
        **{"driver.screen_capacitor": "22n", "driver.cathode_capacitor": "2u2", "power.cathode_capacitor": "47u"}
    )
    level = 0.3
    data = simwrap.simulate(made, nodes=["splitter.output", "splitter.output_b", "power.v1.grid_current"], level=level)
    assert float(data["power.v1.grid_current"].max()) > 1e-4, "the grids have to conduct"
    peak = {name: float(data[f"splitter.{name}"].max()) for name in ("output", "output_b")}
    # Into plain resistors the same splitter gives more.
    free = simwrap.simulate(
        simwrap.circuit(driver=made.stages["driver"], splitter=made.stages["splitter"].replace(
            load_resistor="220k", load_resistor_b="220k")),
        nodes=["splitter.output"], level=level,
    )  # fmt: skip
    assert peak["output"] < 0.8 * float(free["splitter.output"].max())
    text = render(made).circuit.text.replace(
        "v_signal n_driver__signal 0 dc 0.0 ac 1.0",
        f"v_signal n_driver__signal 0 dc 0 sin(0 {float(level * np.sqrt(2.0))!r} 1000)",
    )
    outputs = [made.ports[f"splitter.{name}"] for name in ("output", "output_b")]
    measures = "\n".join(f".meas tran p{k} max v({node}) from=0.148 to=0.15" for k, node in enumerate(outputs))
    deck = tmp_path / "chain.cir"
    analyses = ".options method=trap reltol=1e-3 vntol=1e-4 abstol=1e-6\n.tran 10u 0.15 0.147 10u\n"
    deck.write_text(f"* exported\n{text}{analyses}{measures}\n.end\n")
    done = subprocess.run([ngspice_program, "-b", deck], capture_output=True, text=True, timeout=300, check=False)
    seen = [float(value) for value in re.findall(r"^p\d\s*=\s*(\S+)", done.stdout, re.MULTILINE)]
    assert len(seen) == 2, done.stdout[-2000:] + done.stderr[-2000:]
    assert list(peak.values()) == pytest.approx(seen, rel=0.01)


def test_feedback_lowers_gain_as_its_loop_gain_says():
    """Black's equation: the closed gain is the open one over 1 + open gain times the feedback factor."""
    path = simwrap.stage("feedback_path", resistor="47k")
    stages = {
        "first": simwrap.stage("triode_gain", valve="12AX7", foot_resistor="470 ohm", cathode_capacitor=0),
        "second": simwrap.stage("triode_gain", valve="12AU7", anode_resistor="47k", load_resistor="1M"),
    }
    joins = ["first.output -> second.input"]
    closed = simwrap.circuit(
        {**stages, "loop": path}, joins=[*joins, "second.output -> loop.input", "loop.output -> first.foot"]
    )
    assert closed.joins[-1] == Join("loop.output", "first.foot")
    # Open: a source stands at the path's input, and the output carries the path's resistance as a load.
    load = 1.0 / (1.0 / 1e6 + 1.0 / (47e3 + 470.0))
    stages["second"] = stages["second"].replace(load_resistor=load)
    opened = simwrap.circuit({**stages, "loop": path}, joins=[*joins, "loop.output -> first.foot"])
    forward, returned = (complex_gain(opened, 1000.0, excite=source) for source in ("signal", "loop.input"))
    expected = abs(forward / (1.0 - returned))
    # The path ends at the foot with the cathode beside it, a little less than 470 ohm.
    assert abs(complex_gain(closed, 1000.0)) == pytest.approx(expected, rel=0.003)
    assert expected < 0.5 * abs(forward)


def test_a_supply_is_shared_through_a_dropper():
    made = simwrap.circuit(
        rail=simwrap.stage("dropper", supply="300 V", resistor="10k", capacitor="22u"),
        one=simwrap.stage("triode_gain"),
        two=simwrap.stage("triode_gain", valve="12AU7", anode_resistor="47k"),
        joins=["rail.output -> one.supply", "rail.output -> two.supply", "one.output -> two.input"],
    )
    assert list(made.supplies) == ["rail.input"]
    found = simwrap.measure(made, ["bias"])["bias"]
    total = sum(found["valves"][name]["v1"]["anode_current"] for name in ("one", "two"))
    assert found["nodes"]["rail"]["n_out"] == pytest.approx(300.0 - 1e4 * total, rel=1e-6)


def test_names_of_a_circuit_have_the_stage_in_front():
    made = preamplifier()
    assert made.values["line.anode_resistor"] == 220e3
    assert list(made.valves) == ["line.v1", "gain.v1"]
    assert made.ports["output"] == made.ports["gain.output"] == "n_gain__out"
    assert made.ports["line.output"] == made.ports["tone.input"] == "n_line__out"
    assert made.replace(**{"line.Ra": "100k"}).values["line.anode_resistor"] == 100e3
    again = pickle.loads(pickle.dumps(made))
    assert dict(again.values) == dict(made.values)
    assert again == made


def test_what_the_bench_drew_at_a_joined_port_is_gone():
    made = preamplifier()
    for name in ("line.load_resistor", "tone.source_resistance", "tone.load_capacitance", "gain.input_capacitor"):
        assert name not in made.values
        with pytest.raises(InputError, match=r"is not there, since .* is joined"):
            made.replace(**{name: 1e3})
    text = render(made).circuit.text
    assert text.count("__source ") == 1
    assert text.count("_load ") == 2  # resistor and capacitance at the end


def test_every_door_takes_a_circuit():
    made = preamplifier()
    swept = simwrap.sweep(made, {"tone.bass": [0.0, 1.0], "line.valve": ["6SL7GT", "12AX7"]}, ["response"])
    assert dict(swept.sizes)["tone.bass"] == 2
    assert set(np.asarray(swept["status"]).ravel()) == {""}
    inner = simwrap.measure(made, {"response": {"at": "line.output"}})
    assert inner.response.gain == pytest.approx(abs(complex_gain(made, 1000.0, "line.output")), rel=1e-9)
    built = simwrap.spread(made, builds=5, measures=["response"], seed=1)
    assert built.sizes["build"] == 5


@pytest.mark.parametrize(
    ("joins", "words"),
    [
        (["a.output > b.input"], "can't be read"),
        (["a.outpt -> b.input"], "did you mean output"),
        (["c.output -> b.input"], 'no stage "c"'),
        (["a.output -> b.output"], "b.output is an output"),
        (["a.input -> b.input"], "a.input is an input"),
        (["a.output -> b.input", "b.output -> a.input"], "is a circle"),
        (["a.output -> b.input", "b.output -> b.input"], "already fed by a.output"),
    ],
)
def test_bad_joins_are_named_in_a_sentence(joins, words):
    with pytest.raises(InputError, match=re.escape(words)):
        circuit(a=simwrap.stage("triode_gain"), b=simwrap.stage("triode_gain"), joins=joins)


def test_all_bad_joins_come_at_once():
    with pytest.raises(InputError) as caught:
        circuit(
            a=simwrap.stage("triode_gain"),
            b=simwrap.stage("triode_gain"),
            joins=["a.outpt -> b.input", "a.output -> b.inptu"],
        )
    assert "a.outpt" in str(caught.value)
    assert "b.inptu" in str(caught.value)


@pytest.mark.parametrize("name", ["A", "two words", "a__b", "_a", "1a"])
def test_names_of_stages_are_plain(name):
    with pytest.raises(InputError, match="can't name a stage"):
        circuit({name: simwrap.stage("triode_gain")})


def test_a_circuit_is_made_of_stages():
    with pytest.raises(InputError, match="is no stage"):
        circuit(a="triode_gain")
    with pytest.raises(InputError, match="at least one stage"):
        circuit()
    with pytest.raises(InputError, match="neither a stage nor a circuit"):
        simwrap.measure("triode_gain")
    with pytest.raises(UnknownNameError, match=r"line\.anode_resistor"):
        preamplifier().replace(anode_resistor="1k")
