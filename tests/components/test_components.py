"""Components against closed forms, and against ngspice's own diode, transistor and MOSFET by ``ngspice -b``.

Laws: Shockley, Ebers and Moll with Early's effect, and the square law (sources in :mod:`simwrap.components.laws`). The
oracle's cards are written here from printed numbers; the engine under test never sees them.
"""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.components import component_names, facts, get_component
from simwrap.components.laws import Bipolar, Fet, Junction, proof
from simwrap.engine import NetlistTable, Run, run
from simwrap.engine.protocol import OpRun
from simwrap.errors import FileProblemsError, InputError, RangeError

#: kT/q at 27 Celsius [V], CODATA 2014 as the simulators have it.
VT = 0.02586491
ENGINES = ["neospice", pytest.param("ngspice", marks=pytest.mark.ngspice)]


def solved(lines: list[str], engine: str = "neospice") -> dict[str, float]:
    """Return the operating point of a netlist."""
    (reply,) = run(NetlistTable("\n".join(lines) + "\n"), [OpRun()], Run(engine, workers=1))
    assert reply.reasons == [""]
    return {name: float(values[0]) for name, values in reply.values.items()}


def batch(tmp_path: Path, lines: list[str], *prints: str) -> list[float]:
    """Return what ``ngspice -b`` prints of an operating point."""
    shown = [f"print {each}" for each in prints]
    text = ["* oracle", *lines, ".options gmin=1e-15 reltol=1e-6", ".control", "op", *shown, ".endc", ".end"]
    (tmp_path / "oracle.cir").write_text("\n".join(text) + "\n")
    done = subprocess.run(["ngspice", "-b", str(tmp_path / "oracle.cir")], capture_output=True, text=True, check=False)
    found = re.findall(r"^[\w()#\[\]@.,-]+ = ([-+.\de]+)$", done.stdout, re.MULTILINE)
    assert len(found) == len(prints), done.stdout + done.stderr
    return [float(each) for each in found]


@pytest.mark.parametrize("name", component_names())
def test_a_law_goes_through_what_is_printed(name: str) -> None:
    """Voltages within 1 %; what a law can't meet is told beside the number, and stands here."""
    component = get_component(name)
    off = {(q, row.current): ours / printed - 1.0 for row, q, printed, ours in proof(component.record, component.law)}
    assert off
    beyond = {key for key, error in off.items() if abs(error) > 0.01}
    # One square law can't have both a typical slope and a least current: the pages of these types say so.
    known = {("transconductance", 0.1), ("transconductance", 1.0), ("transconductance", 0.0005)}
    assert beyond <= (known if component.kind == "mosfet" else set()), off
    assert any("printed numbers" in table.caption for table in facts(component))


@pytest.mark.parametrize("name", component_names())
def test_files_say_where_numbers_come_from(name: str) -> None:
    record = get_component(name).record
    for entry in (*record.printed, record.limits):
        assert entry.source in record.sources
        assert entry.how_known in ("seen", "memory", "measured", "computed")


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("name", "amps"), [("1N4148", 2e-3), ("red LED", 5e-3), ("1N4742A", 1e-2), ("0A2", 1.5e-2)])
def test_voltage_at_a_current(name: str, amps: float, engine: str) -> None:
    """V = level + n VT ln(1 + I/Is) + rs I, by hand; and rd = n VT/I + rs by a difference of two runs."""
    component = get_component(name)
    law = component.law
    assert isinstance(law, Junction)
    nodes = ("n_a", "0") if component.kind != "zener" else ("0", "n_a")

    def volts(current: float) -> float:
        part = component.netlist("d1", anode=nodes[0], cathode=nodes[1])
        return solved([f"i_test 0 n_a dc {current!r}", "r_test n_a 0 1e12", *part], engine)["n_a"]

    expected = law.level + law.emission * VT * math.log(1.0 + amps / law.saturation) + law.series * amps
    assert volts(amps) == pytest.approx(expected, rel=1e-4)
    slope = (volts(1.05 * amps) - volts(0.95 * amps)) / (0.1 * amps)
    assert slope == pytest.approx(law.emission * VT / amps + law.series, rel=1e-2)


@pytest.mark.ngspice
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", ["BC547B", "MPSA42", "MJE340"])
@pytest.mark.parametrize(("supply", "base"), [(20.0, 0.66), (20.0, 0.60), (0.3, 0.70)])
def test_transistor_as_ngspices_own(name: str, supply: float, base: float, engine: str, tmp_path: Path) -> None:
    """Collector and base current within 0.1 % of a Gummel-Poon card with the same printed numbers; also saturated."""
    component = get_component(name)
    law = component.law
    assert isinstance(law, Bipolar)
    rig = [f"v_c n_supply 0 dc {supply}", "r_c n_supply n_c 100.0", f"v_b n_b 0 dc {base}"]
    ours = solved([*rig, *component.netlist("q1", collector="n_c", base="n_b", emitter="0")], engine)
    card = f".model own npn(is={law.saturation!r} bf={law.gain!r} br=2.0 vaf={law.early!r})"
    current, volts = batch(tmp_path, [*rig, "q1 n_c n_b 0 own", card], "@q1[ic]", "v(n_c)")
    assert ours["n_q1_ia"] * 1e-3 == pytest.approx(current, rel=1e-3)
    assert ours["n_c"] == pytest.approx(volts, rel=1e-3)


@pytest.mark.ngspice
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", ["IRF820", "DN2540", "LND150"])
@pytest.mark.parametrize(("drain", "over"), [(50.0, 1.0), (0.3, 1.0), (10.0, 0.7)])
def test_mosfet_as_the_square_law_of_ngspice(name: str, drain: float, over: float, engine: str, tmp_path: Path) -> None:
    """Above threshold within 2 % of a level-1 card, whose law lacks what flows near it; linear region too."""
    component = get_component(name)
    law = component.law
    assert isinstance(law, Fet)
    rig = [f"v_d n_d 0 dc {drain}", f"v_g n_g 0 dc {law.threshold + over!r}"]
    ours = solved([*rig, *component.netlist("q1", drain="n_d", gate="n_g", source="0")], engine)
    card = f".model own nmos(level=1 kp={law.beta!r} vto={law.threshold!r} lambda={law.modulation!r})"
    (current,) = batch(tmp_path, [*rig, "m1 n_d n_g 0 0 own w=100u l=100u", card], "@m1[id]")
    assert ours["n_q1_ia"] * 1e-3 == pytest.approx(current, rel=0.02)


def test_mosfet_below_threshold_is_exponential() -> None:
    """A volt of VT ln 10 less is a tenth of the current (Enz, Krummenacher, Vittoz)."""
    law = get_component("IRF820").law
    assert isinstance(law, Fet)
    low, high = (law.current(law.threshold - each) for each in (0.5 + VT * math.log(10.0), 0.5))
    assert high / low == pytest.approx(10.0, rel=1e-3)
    assert law.transconductance(high) == pytest.approx(high / VT, rel=1e-2)


def figures(stage: str, *measures: str, **values: Any) -> Any:
    return simwrap.measure(simwrap.stage(stage, **values), measures=list(measures) or ["bias"], workers=1)


@pytest.mark.parametrize("engine", ENGINES)
def test_gain_on_an_ideal_current_is_mu(engine: str) -> None:
    """With a constant current and hardly any load the gain of a triode is its mu at that point."""
    made = simwrap.stage("current_loaded_triode", load="ideal", load_resistor="1G", load_capacitance=0,
                         current_capacitance=0, source_resistance=0, coupling_capacitor="1u")  # fmt: skip
    found = simwrap.measure(made, measures=["bias", "response"], engine=engine, workers=1)
    at = found.bias.valves.v1
    law = simwrap.valve("6SN7GT").small_signal(at.anode_voltage, at.grid_voltage)
    assert 10.0 ** (found.response.gain_db / 20.0) == pytest.approx(float(law.mu), rel=2e-3)
    assert at.anode_current == pytest.approx(8e-3, rel=2e-3)


def test_depletion_mosfet_sets_its_current() -> None:
    """I Rs = -Vgs at the source resistor, and the output impedance is ra beside (1 + gm Rs)/gds + Rs, by hand."""
    made = simwrap.stage("current_loaded_triode", load_resistor="1G", cathode_capacitor="1")
    found = simwrap.measure(made, measures=["bias", "response"], workers=1)
    q1, v1 = found.bias.components.q1, found.bias.valves.v1
    assert -q1.control_voltage == pytest.approx(q1.current * 270.0, rel=1e-4)
    fet = get_component("DN2540").law
    assert isinstance(fet, Fet)
    bare = q1.current / (1.0 + fet.modulation * q1.voltage)
    gm = fet.transconductance(bare) * (1.0 + fet.modulation * q1.voltage)
    high = (1.0 + gm * 270.0) / (fet.modulation * bare) + 270.0
    valve = simwrap.valve("6SN7GT").small_signal(v1.anode_voltage, v1.grid_voltage)
    gain = float(valve.gm) / (1.0 / float(valve.ra) + 1.0 / high + 1e-9)
    assert 10.0 ** (found.response.gain_db / 20.0) == pytest.approx(gain, rel=3e-3)


def test_led_bias_needs_no_bypass() -> None:
    """Its n VT/I + rs, times mu + 1, adds to the resistance of the anode: gain by hand."""
    found = figures("current_loaded_triode", "bias", "response", load="ideal", cathode_bias="led", load_resistor="20k")
    at, led = found.bias.valves.v1, get_component("red LED").law
    assert isinstance(led, Junction)
    valve = simwrap.valve("6SN7GT").small_signal(at.anode_voltage, at.grid_voltage)
    foot = led.resistance(at.anode_current)
    gain = float(valve.mu) * 20e3 / (float(valve.ra) + 20e3 + (float(valve.mu) + 1.0) * foot)
    assert 10.0 ** (found.response.gain_db / 20.0) == pytest.approx(gain, rel=3e-3)
    assert at.grid_voltage == pytest.approx(-led.voltage(at.anode_current), rel=1e-4)


def test_source_follower_gain_and_bias() -> None:
    """Gain gm R/(1 + gm R) with R the source resistor beside the load; Vgs is the law's at that current."""
    found = figures("source_follower", "bias", "response", input_capacitor="1", source_resistance=0)
    q1, law = found.bias.components.q1, get_component("IRF820").law
    assert isinstance(law, Fet)
    ohms = 1.0 / (1.0 / 15e3 + 1.0 / 100e3)
    gm = law.transconductance(q1.current)
    assert 10.0 ** (found.response.gain_db / 20.0) == pytest.approx(gm * ohms / (1.0 + gm * ohms), rel=1e-3)
    assert law.current(q1.control_voltage) * (1.0 + law.modulation * q1.voltage) == pytest.approx(q1.current, rel=1e-4)


def test_stabiliser_holds_within_its_regulation() -> None:
    """From the smallest to the largest current the output moves by the printed regulation: 2 V (0A2, RCA, memory)."""
    supplies = {amps: 150.0 + 10e3 * amps for amps in (5e-3, 30e-3)}
    volts = []
    for amps, supply in supplies.items():
        found = figures("gas_stabiliser", supply=supply, series_resistor="10k", load_resistor=0)
        assert found.bias.components.v1.current == pytest.approx(amps, rel=0.03)
        volts.append(found.bias.components.v1.voltage)
    assert volts[1] - volts[0] == pytest.approx(2.0, rel=0.03)


def test_stabiliser_that_does_not_strike_runs_low_or_oscillates_is_told() -> None:
    codes = [
        {each.code for each in figures("gas_stabiliser", **values).findings}
        for values in (
            {"supply": 200.0},  # divider 6k8 : 22k leaves 153 V of 185 V
            {"output_resistor": 0, "capacitor": "10u"},
            {"load_resistor": "9k"},
            {},
        )
    ]
    assert codes[0] == {"below_least"}
    assert codes[1] == {"stabiliser_oscillates"}
    assert codes[2] == {"below_least"}
    assert codes[3] == set()
    said = figures("gas_stabiliser", supply=200.0).findings
    before = next(each for each in said if each.quantity == "voltage before it strikes")
    assert before.value == pytest.approx(200.0 * 22.0 / 28.8, rel=0.02)  # the divider, less 100 ohm


def test_ripple_of_a_capacitance_multiplier() -> None:
    """At 100 Hz what an RC of feed and divider lets through the follower, whose own drain feeds little: by hand."""
    made = simwrap.stage("series_regulator", reference="divider", output_capacitor=0)
    found = simwrap.measure(made, measures=["rejection", "bias"], workers=1)
    q1, law = found.bias.components.q1, get_component("IRF820").law
    assert isinstance(law, Fet)
    omega = 2.0 * math.pi * 100.0
    gate = 1.0 / (1.0 + 33e3 * (1.0 / 330e3 + 1j * omega * 10e-6))
    gm, drain = law.transconductance(q1.current), law.modulation * q1.current
    output = (gate * gm + drain) / (gm + drain + 1e-4)
    assert found.rejection.supplies.input.transfer_db == pytest.approx(20.0 * math.log10(abs(output)), abs=0.05)


@pytest.mark.parametrize("engine", ENGINES)
def test_transistor_as_a_tail(engine: str) -> None:
    """Its current is (V of the diode - Vbe)/Re less the base's; the diode's is what the resistor leaves.

    The signal sees a megohm and more at the cathodes, so that both sides give the same within a twentieth of a decibel.
    """
    made = simwrap.stage("long_tailed_pair", tail="transistor", emitter_resistor="680")
    found = simwrap.measure(made, measures=["bias", "balance"], engine=engine, workers=1)
    q1, led, law = found.bias.components.q1, get_component("red LED").law, get_component("MPSA42").law
    assert isinstance(led, Junction)
    assert isinstance(law, Bipolar)
    base = q1.current / law.gain / (1.0 + (q1.voltage - q1.control_voltage) / law.early)
    fed = (150.0 - found.bias.components.d1.voltage) / 68e3 - base
    assert found.bias.components.d1.voltage == pytest.approx(led.voltage(fed), rel=1e-3)
    volts = found.bias.components.d1.voltage - q1.control_voltage
    assert q1.current + base == pytest.approx(volts / 680.0, rel=1e-3)
    valves = found.bias.valves
    assert valves.v1.cathode_current + valves.v2.cathode_current == pytest.approx(q1.current, rel=1e-3)
    assert abs(found.balance.ratio_db) < 0.05


def test_noise_that_is_left_out_is_told() -> None:
    said = [each for each in figures("current_loaded_triode", "noise").findings if each.code == "noise_left_out"]
    assert [each.subject for each in said] == ["q1"]
    assert "DN2540" in said[0].text
    quiet = figures("current_loaded_triode", "noise", load="ideal", cathode_bias="led").findings
    assert not any(each.code == "noise_left_out" for each in quiet)


def test_limits_are_told() -> None:
    hot = figures("current_loaded_triode", supply=400.0).findings
    assert any(each.code == "over_rating" and each.subject == "q1" and each.quantity == "dissipation" for each in hot)
    assert figures("current_loaded_triode", supply=400.0).bias.ratings_kept == "no"
    high = figures("source_follower", supply=600.0).findings
    assert next((each.subject, each.quantity) for each in high if each.code == "over_rating") == ("q1", "voltage")


def test_other_kinds_and_faulty_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RangeError, match="stabiliser"):
        simwrap.stage("gas_stabiliser", stabiliser="red LED")
    with pytest.raises(InputError, match="did you mean"):
        simwrap.stage("gas_stabiliser", stabiliser="0A5")
    folder = tmp_path / "components"
    folder.mkdir()
    text = (Path(str(get_component("0A2").path))).read_text()
    (folder / "own.toml").write_text(text.replace('"0A2"', '"OWN"').replace("striking_voltage = 185\n", "").replace(
        'source = "sheet", how_known', 'source = "other", how_known'))  # fmt: skip
    with pytest.raises(FileProblemsError) as caught:
        get_component("own", folders=[tmp_path])
    assert "striking_voltage" in str(caught.value)
    assert 'source "other"' in str(caught.value)
    assert np.isfinite(get_component("0A2").limits.striking_voltage or np.nan)
