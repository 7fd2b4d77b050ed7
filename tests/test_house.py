"""The figures of the house: how they are counted, on code of a few lines, and what they must not rise above."""

from __future__ import annotations

import ast
from pathlib import Path
from textwrap import dedent

import house
import pytest

ROOT = Path(__file__).resolve().parent.parent
FIGURES = house.figures(ROOT)


def module(tmp_path: Path, source: str, path: str = "room/thing.py") -> house.Module:
    file = tmp_path / "simwrap" / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(dedent(source), encoding="utf-8")
    return house.Module(tmp_path, file)


@pytest.mark.parametrize(
    "line",
    ['" exceeds " in warning', '"late" in reason', 'reason.startswith("unstable")', '"unstable" not in text.lower()',
     'LATE in anything', 'point.reason.endswith(("unstable", "lost"))'],
)  # fmt: skip
def test_meaning_that_is_read_from_a_sentence_is_seen(tmp_path: Path, line: str) -> None:
    found = house.read_from_sentences(module(tmp_path, f'LATE = "too late"\nx = {line}\n'))
    assert [place.partition(": ")[2] for place in found] == [ast.unparse(ast.parse(line))]


@pytest.mark.parametrize(
    "line", ['"gain" in figures', '"." in text', '"a b" in ("a b", "c d")', 'name.startswith("gain")']
)
def test_other_questions_are_none(tmp_path: Path, line: str) -> None:
    assert house.read_from_sentences(module(tmp_path, f"x = {line}\n")) == []


def test_parameters_are_counted_as_a_caller_sees_them(tmp_path: Path) -> None:
    source = """
    def wide(a, b, c, d, e, /, f, g, *, h, i): ...
    def collects(a, b, c, d, e, f, g, **how): ...
    def _private(a, b, c, d, e, f, g, h, i): ...
    class Thing:
        def method(self, a, b, c, d, e, f, g, h): ...
        def wide(self, a, b, c, d, e, f, g, h, i):
            def inside(a, b, c, d, e, f, g, h, i): ...
    """
    assert house.wide_functions(module(tmp_path, source)) == [
        "room/thing.py:wide (9)", "room/thing.py:Thing.wide (9)"
    ]  # fmt: skip


def test_circles_are_found_also_those_that_only_type_checkers_walk(tmp_path: Path) -> None:
    one = module(tmp_path, "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from simwrap.b import c\n", "a.py")
    other = module(tmp_path, "def f():\n    from simwrap import a\n", "b.py")
    alone = module(tmp_path, "import simwrap.a\n", "c.py")
    assert house.in_circles(house.arrows([one, other, alone])) == [["simwrap.a", "simwrap.b"]]


def test_private_names_of_others_are_seen(tmp_path: Path) -> None:
    source = "from simwrap.room import _name, other\nother._thing\nself._own\n"
    assert [place.partition(": ")[2] for place in house.private_imports(module(tmp_path, source))] == [
        "other._thing", "simwrap.room._name"
    ]  # fmt: skip


def test_what_takes_a_netlist_apart_is_seen(tmp_path: Path) -> None:
    assert house.splits_netlists(module(tmp_path, "for line in netlist.circuit.text.splitlines(): ...\n"))
    assert not house.splits_netlists(module(tmp_path, "words = line.split()\n"))


# This house

#: What is counted, and the most that there may be; what has gone down stays down.
MOST = {
    "arrows back up": 0,
    "circles, type-checking imports included": 0,
    "class names that stand for several things": 0,
    "public functions over 8 parameters": 0,
    "private names used across modules": 0,
}


@pytest.mark.parametrize("words", MOST)
def test_figures_stay_low(words: str) -> None:
    count, places = FIGURES[words]
    assert count <= MOST[words], places


def test_a_command_s_way_is_traced() -> None:
    code, modules = house.passes_through(ROOT, ["measure", "triode_gain", "--measure", "bias"])
    assert code == 0
    assert {"circuits.render", "simulation.conduct", "simulation.run"} <= set(modules)
    assert not any(name.startswith("engine") for name in modules)
