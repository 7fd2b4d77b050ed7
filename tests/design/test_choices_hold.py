"""What is chosen holds its ratings and is stable, with other loads too, or it is said which finding remains."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import simwrap
from simwrap.circuits.design_file import read_whole_design
from simwrap.cli import main
from simwrap.design.hold import stability_options

ROOM = Path(simwrap.__file__).parent / "amplifier" / "reading_room.toml"


@pytest.fixture(scope="module")
def room() -> simwrap.Circuit:
    return read_whole_design(ROOM, complete=True).circuit


def test_more_feedback_than_the_amplifier_stands_is_not_called_good(room: simwrap.Circuit) -> None:
    found = simwrap.choose(room, {"feedback_db": "28 +/- 1"}, ["loop.resistor"])
    assert found.met
    assert not found.good
    assert {"unstable", "unstable_with_loads"} <= {finding.code for finding in found.findings}
    assert "what remains: The circuit is unstable" in found.summary
    # The same by another way: the measure alone, at the values that were chosen.
    assert simwrap.measure(found.stage, {"stability": {"nominal_load": 8.0}}).stability.stable == "no"


def test_stable_with_other_loads_can_be_a_goal(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["choose", str(ROOM), "--goal", "loads.stable=yes", "--goal", "feedback_db=most", "--free",
              "loop.resistor=2k2:10k", "--series", "E6", "--json"])  # fmt: skip
    assert left.value.code == 0
    told = json.loads(capsys.readouterr().out)
    assert told["met"]
    assert not [finding for finding in told["findings"] if finding["severity"] in ("danger", "over")]
    chosen = told["candidates"][0]["values"]["loop.resistor"]
    stage = read_whole_design(ROOM, complete=True).circuit
    asked = {"stability": {"nominal_load": 8.0}}
    here = simwrap.measure(stage.replace(**{"loop.resistor": chosen}), asked).stability
    assert here.stable == "yes"
    assert set(here.loads.stable) == {"yes"}
    # One step further the amplifier isn't stable with every load any more.
    further = simwrap.measure(stage.replace(**{"loop.resistor": 3300.0}), asked).stability
    assert chosen == 4700.0
    assert "no" in set(further.loads.stable)


def test_a_yes_or_no_is_nothing_else() -> None:
    stage = simwrap.stage("triode_gain")
    with pytest.raises(simwrap.SimwrapError, match='"yes" or "no"'):
        simwrap.choose(stage, {"stability.stable": 0.5}, ["cathode_resistor"])
    found = simwrap.choose(stage, {"stability.stable": "no", "gain": 50}, ["cathode_resistor"], series="E6")
    assert not found.met
    assert "stability.stable is yes, not stability.stable no" in found.summary


def test_values_over_a_rating_come_after_others_that_meet_the_goals() -> None:
    """6 W in a 6V6GT's sheet of 12 W hold, 20 W don't; both have the gain that is asked for, which is any."""
    stage = simwrap.stage("single_ended_output", transformer="ideal")
    goals = {"bias.valves.v1.cathode_current": "20 mA to 200 mA"}
    found = simwrap.choose(stage, goals, {"cathode_resistor": ("47", "1k")})
    assert found.met
    assert found.good
    over = simwrap.measure(stage.replace(cathode_resistor=47.0), ["bias"])
    assert any(finding.severity.beyond for finding in over.findings)


def test_other_loads_are_tried_where_a_loudspeaker_is(room: simwrap.Circuit) -> None:
    assert stability_options(room) == {"nominal_load": 8.0}
    assert stability_options(simwrap.stage("triode_gain")) == {}
