"""The supply measure on its stage, against a worked example and hand sums."""

from __future__ import annotations

import numpy as np
import pytest
from stage_runs import worked

import simwrap
from simwrap.errors import SimwrapError


@pytest.fixture(scope="module")
def plain():
    """Ideal diodes, a reservoir and a resistor: the worked example of tests/reference/circuit_theory."""
    made = simwrap.stage(
        "supply", winding_voltage=300, winding_resistance=100, rectifier_law="ideal", reservoir_capacitor="50u",
        filter="resistor",
        filter_resistor=0, filter_capacitor=0, bleeder="220k", load_current=0, load_resistor="3041.37",
        first_dropper_capacitor=0,
    )  # fmt: skip
    return simwrap.measure(made, measures={"supply": {"loads": (0.5, 1.0), "starting": 0.5}}).to_dict()


def test_worked_example(plain):
    """The bleeder in parallel with the load makes 3 kohm."""
    found = plain["supply"]
    assert found["output_voltage"] == pytest.approx(worked()["rectifier_mean"], rel=0.001)
    assert found["ripple"] == pytest.approx(worked()["rectifier_ripple"], rel=0.003)
    assert found["ripple_rms"] == pytest.approx(worked()["rectifier_ripple_rms"], rel=0.003)
    assert found["ripple_fundamental"] == pytest.approx(worked()["rectifier_ripple_100hz"], rel=0.003)
    assert found["rectifier_current_peak"] == pytest.approx(worked()["rectifier_peak_current"], rel=0.003)
    assert found["rectifier_current_rms"] == pytest.approx(worked()["rectifier_rms_current"], rel=0.003)
    assert found["rectifier_current"] == pytest.approx(found["output_voltage"] / 3000.0, rel=0.001)


def test_inverse_voltage_is_the_peak_of_the_whole_winding_and_the_output(plain):
    """PIV about 2.83 times the half secondary (usual caution), less what the winding drops."""
    found = plain["supply"]["inverse_voltage_peak"]
    assert 0.9 * 2.0 * np.sqrt(2.0) * 300.0 < found < 2.0 * np.sqrt(2.0) * 300.0


def test_discharge_by_the_bleeder(plain):
    """t = R*C*ln(V0/V), from the winding's peak: what the supply stands at when its loads are off."""
    voltage = 300.0 * np.sqrt(2.0)
    assert plain["supply"]["discharge_from"] == pytest.approx(voltage, rel=0.001)
    assert plain["supply"]["discharge_time"] == pytest.approx(220e3 * 50e-6 * np.log(voltage / 60.0), rel=1e-6)


def test_surge_is_limited_by_the_winding(plain):
    """Switched on at the peak: peak voltage over the winding's resistance, less a little."""
    surge = plain["supply"]["surge"]["current_peak"]
    assert 0.9 * np.sqrt(2.0) * 300.0 / 100.0 < surge < np.sqrt(2.0) * 300.0 / 100.0
    assert 0.0 < plain["supply"]["surge"]["time"] < 0.1


def test_regulation_curve_and_ratings():
    found = simwrap.measure(
        simwrap.stage("supply"), measures={"supply": {"loads": (0.5, 1.0), "starting": 0.4}}
    ).to_dict()
    supply = found["supply"]
    assert supply["load"] == pytest.approx([0.08, 0.16])
    assert supply["output_curve"][1] == pytest.approx(supply["output_voltage"], rel=1e-4)
    fall = (supply["output_curve"][0] - supply["output_curve"][1]) / 0.08
    assert supply["output_resistance"] == pytest.approx(fall, rel=1e-9)
    assert "peak inverse voltage" in str(found["conditions"]["supply"]["limits_checked"])
    low = simwrap.stage("supply", winding_resistance=10)
    told = simwrap.measure(low, measures={"supply": {"loads": (1.0,), "starting": 0.2}}).to_dict()["warnings"]
    assert any("series resistance" in sentence for sentence in told)


def told(**values):
    made = simwrap.stage("supply", first_dropper_capacitor=0, **values)
    found = simwrap.measure(made, measures={"supply": {"loads": (1.0,), "starting": 0.1}}).to_dict()
    return [text for text in found["warnings"] if "series resistance" in text or "output current" in text]


def test_series_resistance_is_that_of_the_next_higher_winding_voltage():
    """EZ81: 150 ohm at 250 V, 190 ohm at 300 V (Philips sheet, from memory)."""
    few = {"rectifier": "EZ81", "load_current": "60m"}
    assert told(winding_voltage=250, winding_resistance=160, **few) == []
    (text,) = told(winding_voltage=260, winding_resistance=160, **few)
    assert "160 ohm is below the 190 ohm that it needs at 260 V rms" in text


def test_current_falls_with_the_winding_voltage():
    """GZ34 at 550 V: 200 ohm and 160 mA; 250 mA up to 450 V (Philips sheet, from memory)."""
    heavy = {"winding_resistance": 150, "load_current": "200m", "bleeder": 0}
    assert told(winding_voltage=450, **heavy) == []
    low, high = told(winding_voltage=550, **heavy)
    assert "output current 200 mA exceeds its rating of 160 mA" in low
    assert "150 ohm is below the 200 ohm that it needs" in high


def test_other_stages_have_no_supply_to_measure():
    with pytest.raises(SimwrapError):
        simwrap.measure(simwrap.stage("volume_control"), measures=["supply"])
