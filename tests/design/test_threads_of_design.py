"""Spread and choose from many threads at once: the same answers as one after the other."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

import simwrap
from simwrap.design.choose import choose
from simwrap.design.tolerance import spread

THREADS = 8


@pytest.fixture
def short_turns() -> Any:
    """Let threads take turns as often as can be."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    yield
    sys.setswitchinterval(usual)


def builds(number: int) -> list[float]:
    stage = simwrap.stage(
        ["triode_gain", "pentode_gain", "cathode_follower", "long_tailed_pair"][number % 4],
        supply=200.0 + 10.0 * number,
    )
    data = spread(stage, None, ["bias", "response"], builds=20, seed=number, workers=1)
    assert (data["status"].values == "").all()
    return [*data["response.gain"].values.tolist(), *data["bias.valves.v1.anode_current"].values.tolist()]


def chosen(number: int) -> Any:
    stage = simwrap.stage("triode_gain", valve=["12AX7", "12AU7", "6SL7GT"][number % 3])
    found = choose(stage, {"anode_current": f"{0.5 + 0.1 * number} mA"}, ["cathode_resistor"], workers=1)
    return found.candidates, found.continuous


@pytest.mark.parametrize("job", [builds, chosen])
def test_threads_do_not_get_into_each_others_way(job: Any, short_turns: None) -> None:
    numbers = list(range(2 * THREADS))
    alone = [job(number) for number in numbers]
    with ThreadPoolExecutor(THREADS) as pool:
        together = list(pool.map(job, numbers))
    assert together == alone
