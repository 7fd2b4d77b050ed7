"""Measures about a stage that find it inside of a circuit, and names of what joining has changed."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
from simwrap.errors import InputError


def phono(**network):
    """Two stages with a passive replay network between them."""
    return simwrap.circuit(
        {
            "v1a": simwrap.stage("triode_gain", valve="12AX7", coupling_capacitor="1u"),
            "replay": simwrap.stage("riaa_passive", **network),
            "v1b": simwrap.stage("triode_gain", valve="12AX7", coupling_capacitor="1u"),
        }
    )


def test_a_phono_preamplifier_is_held_to_its_standard_end_to_end():
    """IEC 60098: 3180, 318 and 75 us (from memory), against the response that is measured at the same ends."""
    made = phono()
    found = simwrap.measure(made, {"equalisation": {"curve": "iec60098"}, "response": {"start": 20.0, "stop": 20e3}})
    s = 2j * np.pi * np.asarray(found.response.frequency)
    curve = (1.0 + 318e-6 * s) / ((1.0 + 3180e-6 * s) * (1.0 + 75e-6 * s))
    apart = np.asarray(found.response.curve_db) - 20.0 * np.log10(np.abs(curve))
    apart -= np.interp(np.log(1000.0), np.log(np.asarray(found.response.frequency)), apart)
    assert found.equalisation.deviation_db == pytest.approx(apart[np.argmax(np.abs(apart))], abs=0.02)
    assert "replay.iec60098" in found.results["equalisation"].conditions["curve"][0]
    same = simwrap.measure(made, {"equalisation": {"curve": "replay.iec60098"}}).equalisation
    assert same.deviation_db == found.equalisation.deviation_db
    with pytest.raises(InputError, match="iec60098"):
        simwrap.measure(made, {"equalisation": {"curve": "iec"}})


def test_tone_controls_are_found_inside_of_a_circuit():
    """Their curves are those of the response with the control set there."""
    made = simwrap.circuit(
        {
            "line": simwrap.stage("triode_gain"),
            "tone": simwrap.stage("tone_passive"),
            "out": simwrap.stage("triode_gain"),
        }
    )
    found = simwrap.measure(made, {"tone_curves": {"settings": 3}}).tone_curves
    at_least = simwrap.measure(made.replace(**{"tone.bass": 0.0}), {"response": {"start": 10.0}}).response
    level = np.interp(np.log([20.0, 1000.0]), np.log(np.asarray(at_least.frequency)), np.asarray(at_least.curve_db))
    assert np.asarray(found.bass_cut_db)[0] == pytest.approx(level[0] - level[1], abs=0.05)
    assert found.flattest.deviation_db >= 0.0
    assert 0.0 <= found.flattest.bass <= 1.0
    two = simwrap.circuit({"one": simwrap.stage("tone_passive"), "two": simwrap.stage("tone_passive")})
    with pytest.raises(InputError, match="one and two"):
        simwrap.measure(two, "tone_curves")


def test_a_capacitor_that_joining_takes_away_is_refused(tmp_path):
    stages = {
        "one": simwrap.stage("triode_gain"),
        "two": simwrap.stage("triode_gain", input_capacitor="22n"),
    }
    with pytest.raises(InputError, match=r"two\.input_capacitor: is not there, since two\.input is joined"):
        simwrap.circuit(stages)
    stage = '\nstage = "triode_gain"\n'
    lines = f'simwrap_design = 1\n[stages.one]{stage}[stages.two]{stage}input_capacitor = "22n"\n'
    (tmp_path / "two.toml").write_text(lines, encoding="utf-8")
    with pytest.raises(InputError, match=r"two\.input_capacitor: is not there"):
        simwrap.read_design(tmp_path / "two.toml")
    assert simwrap.circuit({"two": stages["two"], "three": simwrap.stage("triode_gain")}).values["two.input_capacitor"]


def test_a_grid_that_is_joined_keeps_its_name():
    """v1b.n_grid is the node that the network before it ends in."""
    made = simwrap.circuit({"v1a": simwrap.stage("triode_gain"), "v1b": simwrap.stage("triode_gain")})
    data = simwrap.simulate(made, "frequencies", nodes=["v1b.n_grid", "v1b.input", "v1a.output"], start=1e3, stop=2e3)
    one, other, third = (np.asarray(data[name].values) for name in ("v1b.n_grid", "v1b.input", "v1a.output"))
    assert one == pytest.approx(other)
    assert one == pytest.approx(third)
