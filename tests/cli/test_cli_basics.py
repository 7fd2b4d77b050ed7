"""The command line as a builder uses it: exit codes, one sentence for what is wrong, JSON as promised."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

from simwrap.cli import app


def run(capsys, *arguments):
    """Run the command line in this process; return exit code, stdout and stderr."""
    with pytest.raises(SystemExit) as ended:
        app.main(list(arguments))
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_measure_prints_the_promised_json(capsys):
    code, out, _ = run(capsys, "measure", "triode_gain", "--json")
    found = json.loads(out)
    assert code == 0
    assert {"stage", "values", "engine", "warnings", "bias", "response", "headroom"} <= set(found)
    assert found["stage"] == "triode_gain"
    assert found["values"]["anode_resistor"] == 100e3
    valve = found["bias"]["valves"]["v1"]
    assert {"anode_voltage", "grid_voltage", "anode_current", "cathode_current", "anode_dissipation"} <= set(valve)
    assert found["bias"]["nodes"]["n_supply"] == 300.0
    keys = {
        "gain",
        "gain_db",
        "reference_frequency",
        "low_corner",
        "high_corner",
        "frequency",
        "curve_db",
        "phase_deg",
    }
    assert keys <= set(found["response"])
    assert len(found["response"]["frequency"]) == len(found["response"]["curve_db"])
    keys = {
        "output_rms_1pct",
        "output_rms_3pct",
        "input_rms_3pct",
        "first_limit",
        "level_in",
        "level_out",
        "thd",
    }
    assert keys <= set(found["headroom"])
    # Ohm's law at the anode, from the JSON alone.
    drop = found["bias"]["nodes"]["n_supply"] - found["bias"]["nodes"]["n_anode"]
    assert valve["anode_current"] == pytest.approx(drop / 100e3, rel=1e-6)


def test_a_pentode_has_its_screen_in_the_json(capsys):
    _, out, _ = run(capsys, "measure", "PENTODE_GAIN", "--measure", "bias", "--json")
    valve = json.loads(out)["bias"]["valves"]["v1"]
    assert valve["screen_current"] > 0
    assert valve["screen_voltage"] > 0
    total = valve["anode_current"] + valve["screen_current"] + valve["grid_current"]
    assert valve["cathode_current"] == pytest.approx(total, rel=1e-9)


def test_json_tells_infinite_from_not_found(capsys):
    _, out, _ = run(capsys, "measure", "supply", "--set", "bleeder=0", "--option", "supply.starting=0.1", "--json")
    found = json.loads(out)
    # Nothing discharges the capacitors of a supply without a bleeder.
    assert found["supply"]["discharge_time"] is None
    assert "supply.discharge_time" in found["infinite"]
    _, out, _ = run(capsys, "measure", "tone_passive", "--measure", "headroom", "--json")
    found = json.loads(out)
    assert found["headroom"]["output_rms_1pct"] is None
    assert found["infinite"] == []


def test_tables_carry_units(capsys):
    code, out, _ = run(capsys, "measure", "triode_gain", "--measure", "bias", "--measure", "response")
    assert code == 0
    for part in ("100 kΩ", " mA", " mW", " dB", " kHz", "simulated by"):
        assert part in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["measure", "triode_gian"], "did you mean triode_gain"),
        (["measure", "triode_gain", "--set", "valve=12AX8"], "12AX7"),
        (["measure", "triode_gain", "--set", "anode_resistr=1k"], "did you mean anode_resistor"),
        (["measure", "triode_gain", "--set", "anode_resistor=1k5k"], "1k5k"),
        (["measure", "triode_gain", "--set", "anode_resistor=22nF"], "anode_resistor"),
        (["measure", "triode_gain", "--set", "anode_resistor=nan"], "anode_resistor"),
        (["measure", "triode_gain", "--set", "cathode_capacitor=-1u"], "cathode_capacitor"),
        (["measure", "triode_gain", "--set", "anode_resistor"], "name=value"),
        (["measure", "triode_gain", "--set", "anode_resistor=1k\n.control\nshell echo"], "anode_resistor"),
        (["measure", "triode_gain", "--set", "anode_resistor=1k\u2028"], "anode_resistor"),
        (["measure", "triode_gain", "--measure", "gian"], "no measure"),
        (["measure", "triode_gain", "--measure", "headroom", "--option", "headroom.colour=1"], "colour"),
        (
            ["measure", "triode_gain", "--measure", "headroom", "--option", "headroom.levels=0"],
            "a whole number from 18 to 200",
        ),
        (["measure", "triode_gain", "--measure", "headroom", "--option", "headroom.levels=abc"], "whole number"),
        (["measure", "triode_gain", "--measure", "response", "--option", "response.start=nan"], "from 1 mHz to 1 GHz"),
        (["measure", "triode_gain", "--measure", "response", "--option", "response.start=abc"], "from 1 mHz to 1 GHz"),
        (
            ["measure", "triode_gain", "--measure", "square_wave", "--option", "square_wave.frequency=0"],
            "from 10 mHz to 1 MHz",
        ),
        (
            ["measure", "triode_gain", "--measure", "distortion", "--option", "distortion.level=-1"],
            "above 0 V, 10 kV at most",
        ),
        (["measure", "triode_gain", "--measure", "distortion", "--option", "distortion.twin=1,a"], "numbers"),
        (["measure", "triode_gain", "--measure", "distortion", "--option", "distortion.with_noise=3"], "true or false"),
        (["measure", "triode_gain", "--engine", "spicy"], "spicy"),
        (["measure", "triode_gain", "--valves", "/not/there"], "/not/there"),
        (["measure", "tone_passive", "--plot", "/not/there/a.png"], "a.png"),
        (["measure", "tone_passive", "--plot", "a.doc"], "a.doc"),
        (["measure", "triode_gain", "--measure", "tone_curves"], "tone_curves"),
        (["show", "12AX77"], "12AX7"),
        (["list", "vales"], "valves"),
        (["sweep", "triode_gain", "--over", "supply=1:2:3:4"], "supply"),
        (["sweep", "triode_gain", "--over", "supply=0:10:5log"], "supply"),
        (["sweep", "tone_passive", "--over", "bass=0,1", "--output", "a.doc"], ".nc"),
        (["nonsense"], "nonsense"),
        (["measure"], "argument"),
        (["measure", "triode_gain", "--colour"], "--colour"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(capsys, arguments, said):
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert said in err
    assert err.startswith("simwrap: ")
    assert len([line for line in err.splitlines() if not line.startswith("note:")]) == 1
    assert "Traceback" not in err + out


def test_sweep_writes_netcdf_and_csv(capsys, tmp_path):
    from simwrap.simulation.sweep import load

    for name in ("a.nc", "a.csv"):
        code, _, _ = run(
            capsys, "sweep", "triode_gain", "--over", "cathode_resistor=1k,2k2", "--measure", "response",
            "--output", str(tmp_path / name), "--json",
        )  # fmt: skip
        assert code == 0
    data = load(tmp_path / "a.nc")
    np.testing.assert_array_equal(data.cathode_resistor, [1000.0, 2200.0])
    assert data["response.gain"].attrs["long_name"]
    head, *rows = (tmp_path / "a.csv").read_text().splitlines()
    assert head.startswith("cathode_resistor,")
    assert len(rows) == 2


def test_lists_name_what_there_is(capsys):
    for what, name in (("stages", "triode_gain"), ("valves", "12AX7"), ("measures", "headroom")):
        code, out, _ = run(capsys, "list", what)
        assert code == 0
        assert name in out


def test_show_a_stage_and_a_measure(capsys):
    code, out, _ = run(capsys, "show", "tone_passive")
    assert code == 0
    assert "mixing_resistor" in out
    assert "Wireless World" in out
    code, out, _ = run(capsys, "show", "headroom")
    assert code == 0
    assert "frequency" in out


def test_engines_are_checked(capsys):
    code, out, _ = run(capsys, "engines", "--json")
    found = json.loads(out)
    assert code == 0
    assert {entry["engine"] for entry in found["engines"]} == {"neospice", "ngspice"}
    assert all(entry["passed"] for entry in found["self_check"])


def test_the_netlist_runs_in_ngspice_unchanged(tmp_path):
    import shutil

    if shutil.which("ngspice") is None:
        pytest.skip("the ngspice program isn't installed (only its library is needed)")
    text = subprocess.run(
        [sys.executable, "-m", "simwrap", "netlist", "triode_gain"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    path = tmp_path / "stage.cir"
    path.write_text(text)
    out = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, check=True).stdout
    anode = next(float(line.split()[1]) for line in out.splitlines() if line.split()[:1] == ["n_anode"])
    made = json.loads(
        subprocess.run(
            [sys.executable, "-m", "simwrap", "measure", "triode_gain", "--measure", "bias", "--json"],
            capture_output=True, text=True, check=True,
        ).stdout
    )  # fmt: skip
    assert made["bias"]["nodes"]["n_anode"] == pytest.approx(anode, rel=1e-5)
