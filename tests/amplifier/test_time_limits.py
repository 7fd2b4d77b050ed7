"""What ran out of time says so, with its reason, in text and JSON; nothing that rests on it is a plausible figure."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.audit import Audit, audit
from simwrap.circuits.design_file import read_whole_design
from simwrap.cli import main
from simwrap.engine import Run
from simwrap.errors import EngineError
from simwrap.measures.numerics.level_sweep import NO_LIMIT, earliest

EXAMPLE = files("simwrap.amplifier").joinpath("reading_room.toml")
#: No time for a steady state [s]; what is quick is found beforehand with the usual one.
SHORT = Run(time_limit=1e-3)
REASON = "more than the time limit of 0.001 s"


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Nothing that another test has kept of the example."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("simwrap.amplifier.kept.folder", lambda: folder)
        yield


@cache
def without_levels() -> tuple[Amplifier, Audit]:
    """The example, of which everything is known but what takes large signals."""
    amplifier = Amplifier(read_whole_design(Path(str(EXAMPLE)), complete=True))
    for quick in ("stability", "supply", "plan", "warm", "small", "causes", "crosstalk", "margins", "borne"):
        assert getattr(amplifier, quick) is not None
    amplifier.run = SHORT
    return amplifier, audit(amplifier)


def test_check_says_why_levels_are_missing() -> None:
    _, found = without_levels()
    text = " ".join("\n".join(found.page()).split())
    said = [each for each in found.findings if REASON in each.text]
    assert {each.code for each in said} == {"not_computed"}
    assert {each.quantity.partition(", a part")[0] for each in said} == {
        "Power, distortion and what clips first", "Power on rails that don't fall", "Hum of the rectifier itself",
        "Intermodulation",
    }  # fmt: skip
    assert all(" ".join(each.text.split()) in text for each in said)
    assert "isn't reached" not in text
    assert "()" not in text
    told = json.loads(json.dumps(found.to_dict()))
    assert {each["text"] for each in told["findings"] if REASON in each["details"].get("reason", "")} == {
        each.text for each in said
    }


def test_no_figure_rests_on_a_lost_level() -> None:
    _, found = without_levels()
    lines = [line for section in found.to_dict()["sections"] for line in section["lines"]]
    figures = {line["name"]: line["value"] for line in lines}
    lost = [name for name in figures if name.startswith(("rated", "clipping", "at_stated_thd", "held"))]
    assert lost
    assert all(figures[name] is None for name in lost), {name: figures[name] for name in lost}


def test_what_ran_out_of_time_is_tried_again_next_time() -> None:
    amplifier, _ = without_levels()
    amplifier.save()
    other = Amplifier(amplifier.design)
    assert other.small == amplifier.small  # this was kept
    other.run = SHORT
    asked = []
    other.tell = asked.append
    large = other.large
    assert large.findings, "lost levels were computed again, by the short run"
    assert all(REASON in each.text for each in large.findings)


def test_a_supply_that_ran_out_of_time_has_no_voltage(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither where the channels' current is lost, nor where the rectifier's steady state is."""
    design = read_whole_design(Path(str(EXAMPLE)), complete=True)
    for current in (None, 0.16):
        if current is not None:
            monkeypatch.setattr("simwrap.amplifier.supply_match.drawn", lambda *_, found=current: found)
        amplifier = Amplifier(design, run=SHORT, fresh=True)
        assert amplifier.supply is None
        assert REASON in amplifier.supply_fault
        assert not amplifier.fed


@pytest.fixture
def made_by(monkeypatch: pytest.MonkeyPatch) -> list[Run]:
    """How amplifiers are run that commands make; none of them gets any further."""
    seen: list[Run] = []

    class Seen(Amplifier):
        def __init__(self, *given: object, **how: Any) -> None:
            seen.append(how["run"])
            raise EngineError("enough")

    monkeypatch.setattr("simwrap.amplifier.amplifier.Amplifier", Seen)
    return seen


def ended(*words: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(list(words))
    return int(end.value.code or 0)


LONG = (["check"], ["sheet", "-o", "sheet.html"], ["guard"], ["readings", "r.csv"], ["readings", "r.csv", "--response"],
        ["match", "v.csv"])  # fmt: skip


@pytest.mark.parametrize("words", LONG)
def test_every_command_that_runs_long_has_a_time_limit(
    words: list[str], made_by: list[Run], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    Path("r.csv").write_text("frequency,level\n1000,0\n2000,0\n" if "--response" in words else "point,value\na,1 V\n")
    assert ended(words[0], str(EXAMPLE), *words[1:], "--time-limit", "12", "--engine", "ngspice") == 3
    assert [(run.time_limit, run.engine) for run in made_by] == [(12.0, "ngspice")]
    assert ended(words[0], str(EXAMPLE), *words[1:], "--time-limit", "0") == 2
    assert "a time in seconds above 0" in capsys.readouterr().err


def test_doors_take_engine_time_limit_or_a_whole_run(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Run] = []
    monkeypatch.setattr("simwrap.doors.audit", lambda amplifier: made.append(amplifier.run))
    one = simwrap.stage("triode_gain")
    simwrap.check(one, engine="ngspice")
    simwrap.check(one, time_limit=2.0)
    simwrap.check(one, run=Run("neospice", 3.0), workers=1)
    assert made == [Run("ngspice"), Run(time_limit=2.0), Run("neospice", 3.0, workers=1)]
    with pytest.raises(TypeError, match="did you mean time_limit"):
        simwrap.check(one, time_limits=2.0)


@pytest.mark.parametrize("words", [["measure"], ["sweep", "--over", "power.load_aa=8k"], ["tolerance"],
                                   ["choose", "--goal", "gain=3"]])  # fmt: skip
def test_a_design_file_stands_on_its_supply_by_the_engine_that_was_asked_for(
    words: list[str], made_by: list[Run]
) -> None:
    """`measure FILE --engine ngspice` finds the supply with ngspice too."""
    assert ended(words[0], str(EXAMPLE), *words[1:], "--engine", "ngspice", "--time-limit", "7") == 3
    assert [(run.engine, run.time_limit) for run in made_by] == [("ngspice", 7.0)]


def test_what_is_reached_nowhere_is_not_lost() -> None:
    """A limit that no level reaches is "none in range", as long as every level is known."""
    levels, signs = np.array([[1.0, 2.0, 3.0]]), np.array([[0.1, 0.2, 0.3]])
    words, level = earliest(levels, {"cut-off": signs}, {})
    assert words[0] == NO_LIMIT
    assert np.isnan(level[0])
    signs[0, 2] = np.nan
    assert earliest(levels, {"cut-off": signs}, {})[0][0] == ""
