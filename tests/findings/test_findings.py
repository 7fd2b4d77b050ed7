"""Findings: data first; the table of codes and the sentences go together."""

from __future__ import annotations

import ast
import dataclasses
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from simwrap.findings import wording
from simwrap.findings.codes import CODES
from simwrap.findings.finding import Finding, Severity, from_json, ordered, to_json, worst
from simwrap.findings.severity import MARKS

#: Details that sentences ask for; a new sentence that needs another one says so by failing.
DETAILS: dict[str, Any] = {
    "type": "6V6GT", "manner": "oscillates", "leaves": 1e-3, "loops": ["loop"], "loads": ["nothing", "0.1 uF"],
    "measures": ["power"], "measure": "power", "reason": "no reason", "gain_margin_db": 3.0, "phase_margin": 20.0,
    "least_gain": 6.0, "least_phase": 30.0, "current": 0.1, "short_db": 3.0, "source": "tuner", "cause": "ripple",
    "share": 4.0, "levels": ["2 V", "6 V"], "least": 10.0, "valves": ["v1"],
    "reference_frequency": 1000.0, "frequency": 50.0,
}  # fmt: skip


def example(code: str) -> Finding:
    """A finding of every code with all fields."""
    return Finding.of(code, "stage.v1", "anode dissipation", 13.0, 12.0, "W", "at rest", **DETAILS)


def test_every_code_has_a_sentence_and_every_sentence_a_code() -> None:
    assert set(CODES) == set(wording.SENTENCES)


@pytest.mark.parametrize("code", CODES)
def test_a_sentence_is_one_line_that_ends(code: str) -> None:
    text = example(code).text
    assert text.endswith(".")
    assert "\n" not in text
    assert "None" not in text
    assert "{" not in text


@pytest.mark.parametrize("code", CODES)
def test_what_must_not_be_built_is_beyond_a_limit(code: str) -> None:
    assert CODES[code].severity.beyond == CODES[code].must_not_be_built


def test_the_marks_are_the_words_of_the_page() -> None:
    assert [severity.mark for severity in Severity] == ["OVER", "OVER", "near", "note"]
    assert MARKS == ("OVER", "near", "note")


def test_a_finding_says_its_ratings_with_units() -> None:
    over = Finding.of("over_rating", "v1", "anode voltage", 310.0, 300.0, "V", type="6V6GT")
    assert over.text == "v1 (6V6GT): anode voltage 310 V exceeds its rating of 300 V."
    part = Finding.of("over_rating", "line.anode", "voltage", 436.2, 400.0, "V", "before warming up", kind="capacitor")
    assert part.text == "capacitor line.anode: voltage 436 V before warming up exceeds its rating of 400 V."


def test_value_and_limit_are_told_apart() -> None:
    near = Finding.of("near_rating", "v1", "reservoir", 19.99e-6, 20e-6, "F")
    assert "19.99 µF is within 10 % of its rating of 20 µF" in near.text
    assert "is at its rating" in dataclasses.replace(near, value=20e-6).text


def test_nan_is_none_and_sequences_are_kept() -> None:
    made = Finding.of("unstable_with_loads", value=math.nan, loads=["a", "b"])
    assert made.value is None
    assert made.detail("loads") == ("a", "b")
    assert hash(made) == hash(dataclasses.replace(made))


@pytest.mark.parametrize("code", CODES)
def test_json_keeps_all(code: str) -> None:
    assert from_json(to_json([example(code), example(code)])) == [example(code)] * 2
    assert to_json([]) == ""
    assert from_json("") == []


def test_order_and_the_worst_come_from_severity_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = [example(code) for code in ("measure_left_out", "over_rating", "near_rating", "never_discharged")]
    before = [finding.code for finding in ordered([*listed, listed[0]])]
    monkeypatch.setattr(wording, "SENTENCES", {code: f"gibberish {n}" for n, code in enumerate(CODES)})
    assert [finding.code for finding in ordered(listed)] == before
    assert before == ["never_discharged", "over_rating", "near_rating", "measure_left_out"]
    assert worst(listed) == Severity.DANGER
    assert worst([]) is None
    assert ordered(listed)[0].text.startswith("gibberish")


#: Constants that are looked for in text that isn't a finding's: what the user wrote, and what another library says.
FOREIGN = {
    ("circuits/render.py", "truth value of an array"): "numpy's words for an array that decides about a branch",
    ("engine/backends/neospice.py", "exceeded"): "the simulator's own words",
}
#: Names that hold sentences.
SENTENCES = {
    "text",
    "texts",
    "message",
    "messages",
    "warning",
    "warnings",
    "reason",
    "reasons",
    "sentence",
    "fault",
    "error",
}


def read_back(tree: ast.AST) -> Iterator[str]:
    """Constants that a piece of code looks for in a sentence, by ``in``, ``startswith`` and ``endswith``."""
    for node in ast.walk(tree):
        needle: ast.AST | None = None
        if isinstance(node, ast.Compare) and any(isinstance(each, ast.In | ast.NotIn) for each in node.ops):
            needle, place = node.left, node.comparators[0]
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") in ("startswith", "endswith") and node.args:
            needle, place = node.args[0], node.func
        if isinstance(needle, ast.Constant) and re.search("[a-z]", str(needle.value)):
            names = {getattr(part, "id", getattr(part, "attr", "")) for part in ast.walk(place)}
            if " " in str(needle.value) or names & SENTENCES:
                yield str(needle.value)


def test_no_meaning_is_read_back_from_a_sentence() -> None:
    assert list(read_back(ast.parse('x = " exceeds " in warning or text.startswith("unstable") or "y" in data'))) == [
        " exceeds ", "unstable"
    ]  # fmt: skip
    root = Path(wording.__file__).parents[1]
    found = {
        (path.relative_to(root).as_posix(), text)
        for path in root.rglob("*.py")
        for text in read_back(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert found == set(FOREIGN)
