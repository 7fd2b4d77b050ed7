"""The commands ``simwrap tolerance`` and ``simwrap choose``."""

from __future__ import annotations

import json
from typing import Any

import pytest

from simwrap.cli import app


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        app.main(list(words))
    told = capsys.readouterr()
    return int(ended.value.code or 0), told.out, told.err


def as_json(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    code, out, err = run(capsys, *words, "--json")
    assert code == 0, err
    return json.loads(out)


def test_tolerance_with_no_more_than_a_stage(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "tolerance", "triode_gain", "--builds", "50")
    assert code == 0
    assert "50 builds" in out
    assert "anode_resistor -5/+5 %" in out


def test_tolerance_tells_yield_ranking_and_worst_case(capsys: pytest.CaptureFixture[str], tmp_path: Any) -> None:
    words = ["tolerance", "triode_gain", "--builds", "100", "--part", "resistors=1 %", "--valve-spread", "mu=10 %",
             "--supply", "5 %", "--limit", "gain +/- 5 %, low_corner < 20 Hz", "--rank", "gain", "--worst",
             "--set", "cathode_resistor=1k8", "--output", str(tmp_path / "builds.csv")]  # fmt: skip
    told = as_json(capsys, *words)
    assert told["yield"]["limits"]["low_corner < 20 Hz"] == 1.0
    assert 0.0 < told["yield"]["share"] <= told["yield"]["limits"]["gain +/- 5 %"]
    assert next(iter(told["ranking"]["response.gain"]["shares"])) == "v1.mu"
    low, high = told["worst_case"]["response.gain"]
    assert low < told["variables"]["response.gain"]["low"] < told["variables"]["response.gain"]["high"] < high
    assert len((tmp_path / "builds.csv").read_text().splitlines()) == 101
    code, out, _ = run(capsys, *words, "--force")
    assert code == 0
    assert "builds keep all limits" in out
    assert "standardised regression" in " ".join(out.split())


def test_a_point_has_a_time_limit(capsys: pytest.CaptureFixture[str]) -> None:
    """A microsecond is enough for no steady state: every build is given up, and so are the levels of what is chosen."""
    limit = ["--time-limit", "1e-6", "--json"]
    code, out, _ = run(capsys, "tolerance", "triode_gain", "--builds", "5", "--measure", "headroom", *limit)
    assert code == 0
    assert json.loads(out)["failed"] == 5
    goal = ["--goal", "headroom.output_rms_3pct=most", "--free", "cathode_resistor=1k:2k"]
    code, out, _ = run(capsys, "choose", "triode_gain", *goal, *limit)
    assert code == 1
    assert not json.loads(out)["met"]
    code, _, err = run(capsys, "choose", "triode_gain", "--goal", "gain=50", "--free", "cathode_resistor",
                       "--time-limit", "0")  # fmt: skip
    assert code == 2
    assert "a time in seconds above 0" in err


def test_the_same_seed_tells_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tolerance", "triode_gain", "--builds", "20", "--measure", "bias", "--seed", "3"]
    assert as_json(capsys, *words) == as_json(capsys, *words)
    assert as_json(capsys, *words) != as_json(capsys, *words[:-1], "4")


def test_choose_meets_goals(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["choose", "triode_gain", "--goal", "gain=50", "--goal", "anode_current=1 mA",
             "--goal", "low_corner < 20 Hz", "--free", "cathode_resistor",
             "--free", "anode_resistor=47k:220k", "--free", "coupling_capacitor",
             "--series", "coupling_capacitor=E6"]  # fmt: skip
    told = as_json(capsys, *words)
    assert told["met"]
    best = told["candidates"][0]
    assert abs(best["reached"]["response.gain"] / 50 - 1) < 0.05
    assert 47e3 <= best["values"]["anode_resistor"] <= 220e3
    code, out, err = run(capsys, *words)
    assert code == 0
    assert "all goals are met" in " ".join(out.split())
    assert "limits checked" in err


def test_choose_tells_by_its_exit_code_that_goals_are_not_met(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["choose", "triode_gain", "--goal", "gain=150", "--free", "cathode_resistor"]
    code, out, _ = run(capsys, *words)
    assert code == 1
    assert "can't be met" in " ".join(out.split())
    code, out, _ = run(capsys, *words, "--json")
    assert code == 1
    assert json.loads(out)["met"] is False


def test_the_verdict_stands_first_and_numbers_stand_right(capsys: pytest.CaptureFixture[str], tmp_path: Any) -> None:
    picture = tmp_path / "builds.png"
    code, out, _ = run(capsys, "tolerance", "triode_gain", "--builds", "40", "--limit", "gain +/- 5 %",
                       "--plot", str(picture))  # fmt: skip
    assert code == 0
    assert out.startswith("triode_gain: 40 of 40 builds keep all limits: 100 %")
    assert picture.read_bytes().startswith(b"\x89PNG")
    lines = [line.rstrip() for line in out.splitlines()]
    head = next(line for line in lines if "2.5 % above" in line)
    row = next(line for line in lines[lines.index(head) :] if line.strip().startswith("response.gain "))
    assert len(row) == len(head)
    assert "grid_current" not in out  # picoamperes are for --details
    assert "grid_current" in run(capsys, "tolerance", "triode_gain", "--builds", "40", "--details")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["choose", "triode_gain"], "at least one goal"),
        (["choose", "triode_gain", "--goal", "gain~5"], "a goal such as"),
        (["choose", "triode_gain", "--goal", "gain=50"], "at least one free"),
        (["choose", "triode_gain", "--goal", "gain=50", "--free", "cathode_resistor=1k"], "NAME=LOW:HIGH"),
        (["choose", "triode_gain", "--goal", "gain=50", "--free", "valve"], "sweep over words"),
        (
            ["choose", "supply", "--goal", "supply.output_voltage=300", "--free", "filter_resistor"],
            "in the circuit as its choices stand",
        ),
        (["tolerance", "triode_gain", "--distribution", "gauss"], "uniform"),
        (["tolerance", "triode_gain", "--builds", "0"], "a whole number from 1"),
        (["tolerance", "triode_gain", "--part", "resistors=5"], "a tolerance from 0"),
        (["tolerance", "triode_gain", "--part", "resisters=5 %"], "did you mean resistors"),
        (["tolerance", "triode_gain", "--builds", "20", "--limit", "gain"], "one of the forms"),
        (["tolerance", "triode_gain", "--builds", "20", "--rank", "gian"], "did you mean gain"),
        (["tolerance", "triode_gian"], "did you mean triode_gain"),
    ],
)
def test_bad_input_is_one_sentence_and_code_2(capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_limits_and_ranks_are_read_before_anything_is_built(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_args: Any, **_more: Any) -> None:
        raise AssertionError("built before the limits were read")

    monkeypatch.setattr("simwrap.design.tolerance.spread", refuse)
    for asked in (["--limit", "gain around 50"], ["--rank", "gian"]):
        code, _, err = run(capsys, "tolerance", "triode_gain", *asked)
        assert code == 2
        assert "gain" in err


def test_warnings_of_points_and_builds_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "sweep", "push_pull_output", "--over", "cathode_resistor=150,400", "--measure", "bias")
    assert "2 of 2 points have warnings" in err
    assert "exceeds its rating" in err or "is within 10 %" in err
