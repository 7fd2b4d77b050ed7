"""Odd arguments of the design functions: one sentence, never a traceback, never a nonsense answer.

Each call is drawn by a seed, so that a failure can be run again by its number.
"""

from __future__ import annotations

import ast
import inspect
import math
import random
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.design.tolerance import Tolerances
from simwrap.errors import InputError, SimwrapError

TRIODE = simwrap.stage("triode_gain")
RC = simwrap.stage(
    "fm_deemphasis", source_resistance=0, series_resistor="50k", capacitor="1n", load_resistor=0, load_capacitance=0
)
DATA = simwrap.spread(TRIODE, None, ["bias", "response"], builds=12)
ODD: list[Any] = [
    None, True, False, 0, 1, -1, 2.5, 1e300, -1e300, 1e-300, math.nan, math.inf, -math.inf, 10**400, 1 + 2j, "", " ",
    "\0", "gain", "gain < ", "gain < 1.2.3 %", "gain 5 to 4", "+/-", "1k5k", "5 %", "-20/+50 %", "-20/+500 %",
    "-/+ %", "E24", "E13", "resistors", "anode_resistor", "v1.mu", "v9.mu", ".", "..", "a.b.c", "x" * 5000, "é" * 3,
    b"gain", [], [[]],
    [None], ["gain"], ["v1", "v2"], [("v1", "v1")], [("v1",)], [1, 2], (), ("<", 5), ("<",), ("<", "<"), (1, 2, 3),
    ("1k", "10k"), ("10k", "1k"), {}, {"gain": 50}, {"gain": None}, {None: 1}, {1: 2}, {"resistors": "5 %"},
    {"anode_resistor": [1]}, {"cathode_resistor": ("1k", "2k")}, {"cathode_resistor": math.nan}, {"mu": "10 %"},
    {"gm": 1}, {"v1.": 1}, {".mu": 1}, {"bias": {}}, {"bias": None}, {"response": {"start": "x"}}, {"nothing": {}},
    set(), {1}, object(), np.array([1.0]), np.array([]), np.nan, np.float32(0.05), np.int64(3), lambda: 1, print,
    TRIODE, RC, DATA, Tolerances(), Tolerances(parts={"resistors": "1 %"}),
]  # fmt: skip


def spread(draw: random.Random) -> Any:
    names = ["tolerances", "measures", "distribution", "valve_spread", "supply_variation", "matched", "matching"]
    names += ["seed", "builds"]
    return simwrap.spread(TRIODE, **{"builds": 3, "measures": ["bias"], "spot_check": 0, **some(draw, names)})


def worst_case(draw: random.Random) -> Any:
    names = ["tolerances", "measures", "valve_spread", "supply_variation", "matched", "matching"]
    return simwrap.worst_case(RC, **{"measures": ["response"], **some(draw, names)})


def sobol_indices(draw: random.Random) -> Any:
    given = {"variable": "high_corner", "measures": ["response"], "samples": 8}
    return simwrap.sobol_indices(
        RC, **(given | some(draw, ["variable", "tolerances", "measures", "samples", "seed", "distribution"]))
    )


def choose(draw: random.Random) -> Any:
    given: dict[str, Any] = {"goals": {"gain": 50}, "free": ["cathode_resistor"]}
    changed = some(draw, ["goals", "free", "series", "measures", "best", "seed"])
    if draw.random() < 0.5:  # an odd goal or range under a good name
        changed = {"goals": {"gain": draw.choice(ODD)}, "free": {"cathode_resistor": draw.choice(ODD)}}
    return simwrap.choose(TRIODE, **(given | changed))


def yield_of(draw: random.Random) -> Any:
    return simwrap.yield_of(draw.choice([DATA, *ODD]), draw.choice(ODD))


def rank_parts(draw: random.Random) -> Any:
    return simwrap.rank_parts(draw.choice([DATA, *ODD]), draw.choice(ODD))


def of_another_stage(draw: random.Random) -> Any:
    function = draw.choice([simwrap.spread, simwrap.worst_case])
    return function(draw.choice([one for one in ODD if one is not TRIODE and one is not RC]))


GOOD: dict[str, list[Any]] = {
    "tolerances": [None, {"resistors": "5 %"}, {"capacitors": 0.1}],
    "measures": [None, ["response"]],
    "distribution": ["uniform", "Normal"],
    "valve_spread": [None, {"mu": "10 %"}, {"v1.emission": 0.2}],
    "supply_variation": [0, "5 %"],
    "matched": [False, True],
    "matching": [0.0, "2 %"],
    "seed": [0, 7],
    "builds": [1, 4],
    "samples": [8, 16],
    "variable": ["high_corner", "High corner"],
    "goals": [{"gain": 50}, {"gain": "45 to 55", "anode_current": "< 1 mA"}, {"gain": "most"}],
    "free": ["anode_resistor", {"cathode_resistor": ("1k", "2k")}],
    "series": ["E6", {"cathode_resistor": "E24"}],
    "best": [1, 3],
}


def some(draw: random.Random, names: list[str]) -> dict[str, Any]:
    """Return one or two arguments that are odd, or good and changed together with others."""
    good = draw.random() < 0.3
    return {name: draw.choice(GOOD[name] if good else ODD) for name in draw.sample(names, draw.randint(1, 2))}


CALLS = [spread, worst_case, sobol_indices, choose, yield_of, rank_parts, of_another_stage]
COUNT = 700


@pytest.mark.parametrize("part", range(7))
def test_odd_arguments_give_one_sentence(part: int) -> None:
    refused: list[str] = []
    numbers = range(part, COUNT, 7)
    for number in numbers:
        draw = random.Random(number)
        call = CALLS[draw.randrange(len(CALLS))]
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                call(draw)
        except SimwrapError as fault:
            refused.append(f"call {number}: {fault}")
        except Exception as fault:
            raise AssertionError(f"call {number}, {call.__name__}: {type(fault).__name__}: {fault}") from fault
    for said in refused:
        assert "\n" not in said
        assert len(said) < 1000, said
    assert len(numbers) / 2 < len(refused) < len(numbers)


def test_no_public_function_takes_more_than_eight_parameters_of_its_own() -> None:
    """What varies and how it is run are objects, whose fields are also taken as keywords; help shows them."""
    folder = Path(simwrap.__file__).parent / "design"
    for file in sorted(folder.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                given = node.args
                named = [*given.posonlyargs, *given.args, *given.kwonlyargs, *filter(None, [given.vararg, given.kwarg])]
                assert len([each for each in named if each.arg not in ("self", "cls")]) <= 8, (
                    f"{file.name}: {node.name}"
                )
    shown = inspect.signature(simwrap.spread).parameters
    assert {"valve_spread", "matched", "distribution", "engine", "time_limit", "spot_check", "builds"} <= set(shown)


def test_keywords_and_objects_say_the_same() -> None:
    whole = Tolerances(parts={"resistors": "1 %"}, valves={"mu": "10 %"}, supplies="5 %")
    one = simwrap.spread(TRIODE, whole, ["bias"], builds=4, run=simwrap.Run(engine="auto", workers=1))
    other = simwrap.spread(
        TRIODE, {"resistors": "1 %"}, ["bias"], builds=4, valve_spread={"mu": "10 %"}, supply_variation="5 %", workers=2
    )
    assert (one["bias.valves.v1.anode_current"] == other["bias.valves.v1.anode_current"]).all()
    with pytest.raises(InputError, match="not both"):
        simwrap.spread(TRIODE, whole, ["bias"], builds=4, supply_variation="5 %")
    with pytest.raises(TypeError, match="did you mean workers"):
        simwrap.spread(TRIODE, whole, ["bias"], builds=4, worker=1)
