"""The guard of the reading room's output valves: levels, header, and what it makes of simulated faults."""

from __future__ import annotations

import html
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.amplifier.amplifier import as_amplifier
from simwrap.cathode_guard import paper
from simwrap.cathode_guard.faults import faults_of
from simwrap.cathode_guard.guard import Converter, Guard, guard
from simwrap.cathode_guard.loop import STATES, replay
from simwrap.cathode_guard.network import Network
from simwrap.cathode_guard.starts import drawn
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.cli import main
from simwrap.errors import InputError, RangeError

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"

SMALL = """
simwrap_design = 1
title = "one valve in the reading room"
[stages.power]
stage = "single_ended_output"
valve = "6V6GT"
supply = "265 V"
screen_supply = "250 V"
coupling_capacitor = "100n"
{more}
[levels]
rated_power = "2 W"
"""
FIXED = 'bias = "fixed"\ngrid_bias = "-14 V"\nspeaker_impedance = "8 ohm"'


def small(folder: Path, more: str = 'speaker_impedance = "8 ohm"') -> Design:
    file = folder / "small.toml"
    file.write_text(SMALL.replace("{more}", more), encoding="utf-8")
    return read_whole_design(file, complete=True)


def test_every_output_valve_of_both_channels_is_watched(room: Guard) -> None:
    assert [valve.name for valve in room.bed.valves] == ["power_1.v1", "power_1.v2", "power_2.v1", "power_2.v2"]
    assert room.pairs == ["power_1", "power_2"]
    assert set(room.stages) == {"power"}


def test_the_expected_current_is_that_of_the_operating_point(room: Guard) -> None:
    # Of the whole channel without guard; ten ohms and the other channel's sag are a percent or two.
    from simwrap.faults.rails import supplied
    from simwrap.simulation.simulate import at_rest

    circuit = supplied(read_whole_design(ROOM, complete=True)).circuit
    currents = sum(at_rest(circuit, f"power.v1.{part}_current") for part in ("anode", "screen"))
    assert room.stages["power"].expected == pytest.approx(currents, rel=0.03)


def test_levels_lie_in_order_around_the_window(room: Guard) -> None:
    stage = room.stages["power"]
    low, high = stage.window
    names = ["trip_low", "warn_low", "warn_high", "trip_high", "short_high"]
    ordered = [stage.level(name).current for name in names]
    assert ordered == sorted(ordered)
    assert ordered[1] < low < stage.expected < high < stage.loud < ordered[2]
    assert stage.apart < stage.level("warn_imbalance").current < stage.level("trip_imbalance").current


def test_the_average_of_class_ab_rises_with_the_signal(room: Guard) -> None:
    # Less than by half: a class B pair with the same peak of 57 mA would average peak/pi, and it starts at 37 mA.
    assert 1.02 < room.stages["power"].rise < 1.5


def test_counts_are_ohms_law(room: Guard) -> None:
    way = room.converter
    for level in room.stages["power"].levels:
        if level.source == "still":
            continue
        assert level.counts == round(level.current * 10.0 / 3.3 * 4096)
        assert level.volts == pytest.approx(10.0 * level.current)
        assert level.within > level.hold
    assert way.counts(np.array([-1.0, 0.0, 3.3 / 4096 * 1.5, 3.3, 50.0])).tolist() == [0, 0, 1, 4095, 4095]


def test_the_filter_is_a_first_order_low_pass(room: Guard) -> None:
    way = room.converter
    corner = 1.0 / (2.0 * np.pi * 10e3 * 4.7e-6)
    assert way.passed(corner) == pytest.approx(1.0 / np.sqrt(2.0))
    assert way.passed(100.0 * corner) == pytest.approx(0.01, rel=1e-3)


def test_the_pin_and_its_clamp(room: Guard) -> None:
    found = paper.pin(room)
    assert found["clamp_current"] == pytest.approx((found["largest_voltage"] - 3.3) / 10e3)
    # With the sense resistor open, its valve's cathode rises until the valve is cut off.
    assert "sense" in found["fault"]
    assert found["largest_voltage"] > 10.0
    assert found["common_voltage"] == pytest.approx(2 * 240.0 * room.stages["power"].expected, rel=0.02)


def test_thirty_faults_at_each_valve(room: Guard) -> None:
    for valve in room.bed.valves:
        names = [fault.name for fault in faults_of(room.bed, valve)]
        assert len(names) == len(set(names)) >= 30


def test_what_no_cathode_current_tells_is_said(room: Guard) -> None:
    # An open half of the primary leaves the screen to take over: the cathode current hardly falls.
    assert any("primary winding" in each.fault for each in room.unseen)
    assert all(each.share > 1.0 and 1 <= each.builds <= each.tried for each in room.unseen)


# Header

MAIN = """
#include <stdio.h>
#include <stdlib.h>
#include "guard.h"

/* Counts come as text, one sample a line; out goes the state after each. */
int main(int argc, char **argv)
{
    guard g;
    uint16_t counts[GUARD_VALVES];
    uint32_t now = 0;
    (void)argc;
    guard_start(&g, (uint8_t)atoi(argv[1]));
    for (;;) {
        unsigned k;
        for (k = 0; k < GUARD_VALVES; k++) {
            unsigned count;
            if (scanf("%u", &count) != 1) return 0;
            counts[k] = (uint16_t)count;
        }
        printf("%u\\n", (unsigned)guard_step(&g, counts, now));
        now += GUARD_PERIOD_MICROSECONDS;
    }
}
"""


@pytest.fixture(scope="module")
def program(room: Guard, tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("gcc")
    if compiler is None:
        pytest.skip("gcc is not installed")
    folder = tmp_path_factory.mktemp("guard")
    (folder / "guard.h").write_text(paper.header(room), encoding="ascii")
    (folder / "main.c").write_text(MAIN, encoding="ascii")
    strict = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    done = subprocess.run([compiler, *strict, "main.c", "-o", "guard"], cwd=folder, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return folder / "guard"


def on_host(program: Path, counts: Any, state: str) -> list[int]:
    text = "\n".join(" ".join(map(str, row)) for row in counts.tolist())
    number = str(STATES.index(state))
    done = subprocess.run([program, number], input=text, capture_output=True, text=True, check=True, timeout=60)
    return [int(word) for word in done.stdout.split()]


@pytest.mark.parametrize("words", ["anode to cathode", "leaks 1 Mohm", "without emission", "grid_stopper"])
def test_the_header_replays_simulated_traces_as_the_model_does(
    room: Guard, network: Network, program: Path, words: str
) -> None:
    fault = next(fault for fault in faults_of(room.bed, room.bed.valves[0]) if words in fault.name)
    builds = drawn(network, {}, 1, 3)
    healthy = builds.run(25.0, 250)
    builds.broken([fault])
    pins = np.concatenate([healthy, builds.run(5.0, 250)], axis=1)
    counts = room.converter.counts(pins, random=np.random.default_rng(1))
    assert on_host(program, counts[0], "warming") == replay(room.loop(), counts).states[0].tolist()


def test_json_has_all_of_it(room: Guard) -> None:
    told = json.loads(json.dumps(paper.to_dict(room)))
    assert told["converter"]["bits"] == 12
    assert told["stages"]["power"]["levels"]["trip_high"]["counts"] == room.stages["power"].level("trip_high").counts
    assert told["states"]["tripped"]["clear"] == "tripped"


def test_what_it_does_not_see_stands_on_every_paper() -> None:
    """JSON, C header, printed page and the build sheet's HTML: the same lines, of the same faults."""
    made = as_amplifier(simwrap.stage("push_pull_output"), quick=True)
    found = simwrap.guard(made, builds=20)
    silent = [each.fault for each in found.guard.unseen]
    assert any("primary winding" in fault for fault in silent)
    assert all(line.startswith(f"{fault}: ") for fault, line in zip(silent, found.not_seen, strict=False))
    sheet = simwrap.sheet(made, not_seen=found.not_seen)
    written = html.unescape(sheet.html)
    page = "\n".join(found.page(10_000))
    assert found.to_dict()["not_seen_words"] == sheet.to_dict()["not_seen_words"] == found.not_seen
    for line in found.not_seen:
        assert f"<li>{line}</li>" in written
        assert f"  {line}\n" in f"{page}\n"
        assert paper.plain(line) in found.header
    # Without a guard the sheet says that there is such a list.
    bare = simwrap.sheet(made).html
    assert "simwrap sheet --guard" in bare
    assert "What the guard doesn" not in html.unescape(bare)


# Other designs, bad input


def test_a_single_valve_with_its_sense_resistor_at_ground(tmp_path: Path) -> None:
    found = guard(small(tmp_path, FIXED), Converter(sense=4.7, gain=2.0), builds=20)
    assert found.bed.lifted == 0.0
    assert found.pairs == []
    assert [level.name for level in found.stages["power"].levels if level.of_pair] == []
    assert "guard_halves" not in paper.header(found)
    compiler = shutil.which("gcc")
    if compiler:
        (tmp_path / "guard.h").write_text(paper.header(found), encoding="ascii")
        (tmp_path / "main.c").write_text(MAIN, encoding="ascii")
        strict = ["-std=c99", "-Wall", "-Wextra", "-Werror"]
        subprocess.run([compiler, *strict, "main.c", "-o", "guard"], cwd=tmp_path, check=True)


def test_a_design_without_an_output_stage(tmp_path: Path) -> None:
    file = tmp_path / "line.toml"
    file.write_text('simwrap_design = 1\n[stages.line]\nstage = "triode_gain"\nsupply = "250 V"\n', encoding="utf-8")
    with pytest.raises(InputError, match="no stage that drives a speaker"):
        guard(read_whole_design(file), builds=5)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"bits": 4}, "bits is"),
        ({"gain": 0.0}, "gain is"),
        ({"rate": 3}, "rate is"),
        ({"reference": 90.0}, "reference is"),
    ],
)
def test_converters_that_are_none(given: dict[str, Any], says: str) -> None:
    with pytest.raises(RangeError, match=says):
        Converter(**given)


def test_a_current_that_does_not_fit_the_converter(tmp_path: Path) -> None:
    made = small(tmp_path)
    with pytest.raises(InputError, match="give a smaller gain than 20"):
        guard(made, Converter(gain=20.0), builds=5)
    with pytest.raises(InputError, match="too coarse"):
        guard(made, Converter(gain=0.01, bits=8), builds=5)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(["guard", str(tmp_path / "small.toml"), "--builds", "20", "--json",
              "--header", str(tmp_path / "guard.h"), "-o", str(tmp_path / "guard.json")])  # fmt: skip
    assert left.value.code == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((tmp_path / "guard.json").read_text(encoding="utf-8"))
    assert "GUARD_VALVES 1" in (tmp_path / "guard.h").read_text(encoding="ascii")


def test_the_command_refuses_in_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["guard", str(tmp_path / "none.toml")])
    assert left.value.code == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
