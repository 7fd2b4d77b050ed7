"""How runs are done: one object, and the keywords that stand for it."""

from __future__ import annotations

import inspect
from typing import Any

import pytest

import simwrap
from simwrap.engine import DEFAULT, Run, RunKeywords
from simwrap.errors import RangeError


def test_keywords_go_over_a_whole_run() -> None:
    whole = Run(engine="neospice", time_limit=5.0)
    assert Run.of({}) == DEFAULT
    assert Run.of({"run": whole}) == whole
    assert Run.of({"run": whole, "time_limit": 2.0}) == Run(engine="neospice", time_limit=2.0)


@pytest.mark.parametrize("name", ["tme_limit", "arrived"])
def test_a_keyword_that_is_none_is_refused(name: str) -> None:
    given: Any = {name: 1.0}
    with pytest.raises(TypeError, match=name):
        Run.of(given)
    with pytest.raises(TypeError, match="time_limit"):
        simwrap.measure(simwrap.stage("triode_gain"), ["bias"], tme_limit=3.0)  # type: ignore[arg-type]


def test_a_run_that_is_none_is_refused() -> None:
    with pytest.raises(RangeError, match=r"^run is"):
        simwrap.measure(simwrap.stage("triode_gain"), ["bias"], run="ngspice")  # type: ignore[arg-type]


@pytest.mark.parametrize("function", [simwrap.measure, simwrap.sweep, simwrap.simulate])
def test_a_signature_names_the_keywords_with_their_defaults(function: Any) -> None:
    parameters = inspect.signature(function).parameters
    own = set(RunKeywords.__annotations__) - {"run"}
    assert own <= set(parameters)
    assert {name: parameters[name].default for name in own} == {name: getattr(DEFAULT, name) for name in own}


def test_a_whole_run_gives_the_same_numbers() -> None:
    stage = simwrap.stage("triode_gain")
    one = simwrap.measure(stage, ["bias"], engine="neospice")
    other = simwrap.measure(stage, ["bias"], run=Run(engine="neospice"))
    assert one == other
