"""What parts bear in their least favourable state, against closed forms and the engine's own runs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import simwrap
from simwrap.amplifier.bearing import COLD, HIGH, RATED, Borne, bearing
from simwrap.amplifier.gain_plan import plan
from simwrap.amplifier.parts import Part, every_part
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.measures.numerics.parts import LOADED, VOLTAGES, next_of
from simwrap.simulation.measurement import Measurement, measure

DESIGN = """
simwrap_design = 1
title = "a line stage of the reading room"
joins = ["line.output -> tone.input", "tone.output -> follower.input"]
[stages.line]
stage = "triode_gain"
valve = "6SL7GT"
supply = "300 V"
anode_resistor = "100k"
cathode_resistor = "1k8"
coupling_capacitor = "220n"
[stages.tone]
stage = "tone_passive"
[stages.follower]
stage = "cathode_follower"
valve = "6SN7GT"
supply = "300 V"
[levels]
rated_output = "2 V"
sources = { player = "250 mV" }
[parts]
voltage = "16 V"
"""


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Design:
    file = tmp_path_factory.mktemp("bearing") / "line.toml"
    file.write_text(DESIGN, encoding="utf-8")
    return read_whole_design(file)


@pytest.fixture(scope="module")
def warm(design: Design) -> Measurement:
    return measure(design.circuit, ["bias"])


@pytest.fixture(scope="module")
def borne(design: Design, warm: Measurement) -> Borne:
    planned = plan(design.circuit, design.levels, 2.0)
    return bearing(design, design.circuit, None, warm=warm, plan=planned)


def test_cold_every_rail_is_ten_percent_high(borne: Borne) -> None:
    """Nothing flows: the coupling capacitor of the anode has the whole rail, 330 V."""
    assert borne.of("c", "line.coupling")[COLD] == pytest.approx(330.0, rel=1e-6)
    assert borne.worst("c", "line.coupling") == (borne.of("c", "line.coupling")[COLD], COLD)


def test_at_rest_on_high_mains_as_a_circuit_with_those_supplies(design: Design, borne: Borne) -> None:
    raised = measure(design.circuit.with_values({"line.supply": 330.0, "follower.supply": 330.0}), ["bias"])
    for name in ("line.coupling", "line.cathode"):
        assert borne.of("c", name)[HIGH] == pytest.approx(
            float(raised.figures[f"bias.capacitors.{name}.voltage"].values[0]), rel=1e-6
        )
    watts = float(raised.figures["bias.resistors.line.anode.dissipation"].values[0])
    assert borne.of("r", "line.anode")[HIGH] == pytest.approx(watts, rel=1e-6)


def test_a_tone_network_stands_the_signal_that_its_stage_gives(design: Design, borne: Borne) -> None:
    """What the line stage gives, by its own gain: at 20 Hz and at the controls' ends nearly all of it is across one."""
    gain = float(np.abs(simwrap.simulate(design.circuit, "frequencies", nodes=["line.output"], start=20, stop=20e3,
                                         per_decade=4)["line.output"]).max())  # fmt: skip
    given = 0.25 * np.sqrt(2.0) * gain
    assert given > 10.0  # so 6.3 V, by what stands there at rest, would be wrong
    # Beside the signal stands what the follower's grid leak leads to its tap.
    names = [f"tone.{name}" for name in ("bass_upper", "bass_lower", "treble_upper", "treble_lower")]
    signals = [borne.of("c", name)[RATED] - borne.of("c", name)[HIGH] for name in names]
    assert all(0.5 * given < value < 1.01 * given for value in signals)
    assert max(signals) > 0.95 * given
    assert next_of(VOLTAGES, np.array([borne.of("c", names[2])[RATED]]))[0] >= 16.0


def test_with_a_valve_pulled_its_follower_goes_up(tmp_path: Path) -> None:
    """Its grid hangs on an anode that carries nothing: an engine's run with the first valve all but cut off."""
    splitter = """
simwrap_design = 1
joins = ["first.output -> second.input"]
[stages.first]
stage = "triode_gain"
valve = "6SL7GT"
supply = "300 V"
coupling_capacitor = 0
[stages.second]
stage = "cathodyne"
valve = "6SN7GT"
supply = "300 V"
coupling_capacitor = "100n"
"""
    file = tmp_path / "splitter.toml"
    file.write_text(splitter, encoding="utf-8")
    made = read_whole_design(file)
    rest = measure(made.circuit, ["bias"])
    found = bearing(made, made.circuit, None, warm=rest, plan=None)
    value, state = found.worst("c", "second.coupling_b")
    assert state == "with first.v1 pulled, mains 10 % high"
    bare = made.circuit.with_values({"first.supply": 330.0, "second.supply": 330.0, "first.cathode_resistor": 1e6})
    volts = abs(float(measure(bare, ["bias"]).figures["bias.capacitors.second.coupling_b.voltage"].values[0]))
    assert value == pytest.approx(volts, rel=0.05)
    assert value > 1.05 * found.of("c", "second.coupling_b")[HIGH]
    # Its cathode resistor bears then what it needn't bear for long.
    watts, when = found.worst("r", "second.cathode")
    assert when == state
    assert watts == pytest.approx(
        (volts / 330.0) ** 2 * 330.0**2 / float(made.circuit.values["second.cathode_resistor"]), rel=0.1
    )


def test_a_fitted_rating_below_the_least_is_over(design: Design, warm: Measurement, borne: Borne) -> None:
    told = {part.name: part.findings() for part in every_part(design, warm, borne, None) if part.kind == "capacitor"}
    for name in ("line.coupling", "tone.treble_upper"):
        (finding,) = told[name]
        assert (finding.code, finding.limit) == ("over_rating", 16.0)
        assert finding.state == borne.worst("c", name)[1]
    assert told["line.cathode"] == []


@pytest.mark.parametrize(
    ("lasting", "worst", "rating", "code"),
    [(0.4, 0.9, 1.0, None), (0.6, 0.9, 1.0, "half_loaded"), (0.4, 1.2, 1.0, "over_rating"), (0.4, 1.2, np.nan, None)],
)
def test_a_resistor_may_bear_its_rating_while_a_valve_is_pulled(
    lasting: float, worst: float, rating: float, code: str | None
) -> None:
    part = Part("resistor", "a", "W", 0.3, np.nan, rating, worst, "with v1 pulled", lasting)
    assert [finding.code for finding in part.findings()] == ([code] if code else [])
    assert part.needed == max(worst, lasting / LOADED)


def test_snubbers_stand_the_inverse_voltage_and_a_bleeder_the_unloaded_rail() -> None:
    """Twice the peak of half a winding, on mains 10 % high; V squared over R. Closed forms."""
    made = simwrap.stage("supply", winding_voltage=200, snubber_capacitor="10n", bleeder="47k", rectifier="1N4007")
    found = simwrap.measure(made, measures={"supply": {"loads": (1.0,), "starting": 0.1}}).supply
    twice = 2.0 * 1.1 * 200.0 * np.sqrt(2.0)
    assert found.capacitors.snubber_a.voltage == pytest.approx(twice, rel=1e-6)
    assert found.capacitors.snubber_a.rating_needed == 630.0
    assert "rectifier_a" not in found.capacitors  # its own capacitance is no part to buy
    watts = (1.1 * found.before_warm_up.output_voltage) ** 2 / 47e3
    assert found.resistors.bleeder.dissipation_highest == pytest.approx(watts, rel=1e-3)
    assert found.resistors.bleeder.dissipation < 0.8 * watts
    assert found.resistors.bleeder.rating_needed == next_of((1.0, 2.0, 3.0, 5.0, 7.0), np.array([2.0 * watts]))[0]


def test_states_that_are_not_known_are_no_verdict() -> None:
    part = Part("capacitor", "a", "V", 20.0, np.nan, np.nan)
    assert part.findings() == []
    assert Borne().worst("c", "a")[1] == ""
    assert replace(part, rating=25.0, worst=26.0, state=HIGH).findings()[0].code == "over_rating"
