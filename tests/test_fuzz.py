"""Odd input at every door, drawn by a seed: one sentence or a result, never a traceback, never for long.

The whole has the marker ``slow``; the ordinary run takes a share of it. A failure is run again by its number.
"""

from __future__ import annotations

import random
import re
import signal
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

import simwrap
from simwrap.circuits.design_file import read_whole_design
from simwrap.errors import SimwrapError
from simwrap.measures.registry import measures
from simwrap.valves import get_valve, models_folder

ROOT = Path(__file__).resolve().parent.parent
#: Longest time for a simulator's run, and for a whole call of several runs (the machine may be shared) [s].
RUN, CALL = 1.0, 40.0
#: Calls of each kind: of the ordinary run, and of the whole.
SHARE, WHOLE, BATCH = 12, 300, 50
ODD: list[Any] = [
    1e300, -1e300, 1e-300, -1, 0, 1, 2, 10**400, float("nan"), float("inf"), True, None, "", " ", "nan", "1e999",
    "1e-999", "9" * 5000, "1k5k", "\0", "é", "x" * 3000, [], [1.0], [[1.0]], [1e300, 1e-300], ["a"], {}, {"a": 1},
    (1.0, 2.0), (1e-300,), b"1", 1j, object(), "1,2", "1e-300", "5 %", "20 kHz", "1 mV", "1e9", 1e9, 1e6, 1e-6,
    "output",
]  # fmt: skip
TEXTS = [
    "1e300", "1e-300", "-1", "0", "nan", "inf", "1e18", "9" * 400, "[" * 60 + "]" * 60, "{a={b={c=1}}}", '"x"', '""',
    "true", "[]", "1979-05-27", "0x7fffffffffffffffffff", "'''\n'''", '"\\u0000"', "1_0", "-0.0",
]  # fmt: skip
NUMBERS = ["0", "1", "-1", "0.5", "1e-3", "1e-6", "1e3", "1e6", "-0.01", "1e-12", "250", "7"]
STAGES = {
    "power": "single_ended_output", "supply": "supply", "tone_curves": "tone_passive", "balance": "cathodyne",
    "equalisation": "riaa_passive", "overload": "two_stage_preamplifier", "stability": "tone_feedback",
}  # fmt: skip


class TookTooLong(Exception):
    """A call that went on for longer than any may."""


def _ring(_signal: int, _frame: FrameType | None) -> None:
    raise TookTooLong


def options_of_measures(draw: random.Random, _folder: Path) -> None:
    known = {name: entry for name, entry in measures().items() if entry.options}
    name = draw.choice(sorted(known))
    stage = simwrap.stage(STAGES.get(name, "triode_gain"))
    chosen = draw.sample(sorted(known[name].options), k=min(len(known[name].options), draw.choice([1, 1, 2, 3])))
    edges = draw.random() < 0.5  # what is just accepted is what takes long
    values = {key: _edge(known[name].options[key].rule, draw) if edges else draw.choice(ODD) for key in chosen}
    simwrap.measure(stage, {name: values}, time_limit=RUN)


def _edge(rule: Any, draw: random.Random) -> Any:
    """Return an end of what an option accepts, or something odd where it has none."""
    ends = [rule.above * (1.0 + 1e-9) + 1e-300 if rule.above is not None else None, rule.least, rule.most]
    return draw.choice([end for end in ends if end is not None] or [*rule.choices, draw.choice(ODD)])


def values_of_stages(draw: random.Random, _folder: Path) -> None:
    stage = simwrap.stage(draw.choice(simwrap.stage_names()))
    names = [*stage.parameters, "v1.mu", "valve", "nothing", "\0", ""]
    values = {}
    for key in draw.sample(names, k=draw.choice([1, 1, 2, 4])):
        parameter = stage.parameters.get(key)
        ends = [e for e in (parameter.minimum, parameter.maximum) if e is not None] if parameter is not None else []
        values[key] = draw.choice([*ends, *ends, *ends, draw.choice(ODD)])
    made = simwrap.stage(stage.name, **values)
    simwrap.measure(made, [draw.choice([name for name in made.measures if name in ("bias", "response")] or ["bias"])],
                    time_limit=RUN)  # fmt: skip


def _altered(text: str, draw: random.Random) -> str:
    """Return a TOML file with one to three of its values or lines changed."""
    lines = text.splitlines()
    for _ in range(draw.choice([1, 1, 2, 3])):
        place = draw.randrange(len(lines))
        key, equals, _value = lines[place].partition("=")
        kind = draw.randrange(6)
        if kind < 4 and equals:
            lines[place] = f"{key}= {draw.choice(TEXTS if kind < 2 else NUMBERS)}"
        elif kind == 4:
            lines[place] = draw.choice(
                ["", "[a.b]", f"{'[' * 2000}", "a" * 3000 + " = 1", f"x = {'[' * 3000}", "\ufeff"]
            )
        else:
            lines.insert(place, lines[draw.randrange(len(lines))])
    return "\n".join(lines) + "\n"


def valve_files(draw: random.Random, folder: Path) -> None:
    source = draw.choice(sorted(models_folder().glob("*.toml")))
    text = source.read_text(encoding="utf-8")
    name = re.findall(r'^name = "(.*)"', text, re.MULTILINE)[0]
    # What is above the fitted part is by hand; the constants stand below it.
    (folder / source.name).write_text(_altered(text, draw), encoding="utf-8")
    valve = get_valve(name, folders=[folder])
    stage = {"triode": "triode_gain", "pentode": "pentode_gain"}.get(valve.kind)
    if stage is not None:
        made = simwrap.stage(stage, valve=name, valve_folders=[folder])
        simwrap.measure(made, ["bias", "response"], time_limit=RUN)
    repr(valve)


def design_files(draw: random.Random, folder: Path) -> None:
    text = (ROOT / "simwrap" / "amplifier" / "reading_room.toml").read_text(encoding="utf-8")
    file = folder / "room.toml"
    file.write_text(_altered(text, draw), encoding="utf-8")
    read_whole_design(file, complete=True)
    simwrap.measure(simwrap.read_design(file), ["bias"], time_limit=RUN)


def names_of_files(draw: random.Random, folder: Path) -> None:
    odd = draw.choice([*ODD, "a\0b.nc", "a\0b.toml", "a\0b.cir.j2", folder, folder / "a\0b", "/proc/1/mem", "~"])
    stage = simwrap.stage("triode_gain")
    draw.choice(
        [
            lambda: simwrap.sweep(stage, {"supply": [250.0]}, ["bias"], file=odd) if odd is not None else None,
            lambda: simwrap.stage(odd),
            lambda: simwrap.stage("triode_gain", like=odd),
            lambda: simwrap.read_design(odd),
            lambda: read_whole_design(odd, complete=True),
            lambda: simwrap.valve(odd),
            lambda: simwrap.valve("12AX7", folders=[odd]),
            lambda: simwrap.stage("triode_gain", valve_folders=[odd]),
            lambda: simwrap.measure(odd),
            lambda: simwrap.measure(stage, odd, time_limit=RUN) if odd is not None else None,
            lambda: simwrap.sweep(stage, odd, ["bias"]),
            lambda: simwrap.sweep(stage, {"supply": odd}, ["bias"]),
            lambda: simwrap.circuit(odd),
        ]
    )()


DOORS: list[Callable[[random.Random, Path], None]] = [
    options_of_measures, values_of_stages, valve_files, design_files, names_of_files,
]  # fmt: skip


def _try(door: Callable[[random.Random, Path], None], number: int, folder: Path) -> str:
    """Run one call; return what is wrong with how it went, "" for nothing."""
    draw = random.Random(f"{door.__name__} {number}")
    old = signal.signal(signal.SIGALRM, _ring)
    signal.setitimer(signal.ITIMER_REAL, CALL)
    begin = time.monotonic()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            door(draw, folder)
    except SimwrapError as fault:
        if "\n" in str(fault) or not str(fault) or len(str(fault)) > 20_000:
            return f"{number}: no sentence: {str(fault)[:200]!r}"
    except TookTooLong:
        return f"{number}: took more than {CALL:g} s"
    except Exception as fault:
        return f"{number}: {type(fault).__name__}: {str(fault)[:200]}"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
        for file in folder.iterdir():
            file.unlink()
    took = time.monotonic() - begin
    return f"{number}: took {took:.0f} s" if took > CALL else ""


@pytest.mark.skipif(not hasattr(signal, "SIGALRM"), reason="needs an alarm")
@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.__name__)
def test_odd_input_is_one_sentence(door: Callable[[random.Random, Path], None], tmp_path: Path) -> None:
    faults = [fault for number in range(SHARE) if (fault := _try(door, number, tmp_path))]
    assert faults == []


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGALRM"), reason="needs an alarm")
@pytest.mark.parametrize("start", range(SHARE, WHOLE, BATCH))
@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.__name__)
def test_much_odd_input_is_one_sentence(
    door: Callable[[random.Random, Path], None], start: int, tmp_path: Path
) -> None:
    faults = [fault for number in range(start, min(start + BATCH, WHOLE)) if (fault := _try(door, number, tmp_path))]
    assert faults == []
