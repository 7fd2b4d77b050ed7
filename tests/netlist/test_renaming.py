"""What a template's nodes and elements are called changes nothing but their names.

Every node and element of each shipped template gets another name, in lines and header alike; figures, parts, faults and
the drawing's topology have to be the same, name by name.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

import simwrap
from simwrap.cathode_guard.bench import guard_bed
from simwrap.cathode_guard.faults import faults_of
from simwrap.circuits.render import render
from simwrap.drawing.items import diagram
from simwrap.faults.bed import bed_of
from simwrap.faults.rails import Supplied

#: With what other than the defaults stages are compared too.
OTHER = {
    "long_tailed_pair": {"tap_resistor": "10k", "tail": "current_sink"},
    "push_pull_output": {"valves": "four", "cathode_connection": "separate", "sense_resistor": "10 ohm"},
    "single_ended_output": {"connection": "ultra_linear", "sense_resistor": "10 ohm"},
    "tone_feedback": {"amplifier": "pentode", "treble_tap": "earthed"},
    "supply": {"rectification": "bridge", "first_dropper_capacitor": "47u", "rectifier_law": "ideal"},
    "feedback_path": {"presence_capacitor": "100n", "presence": "wiper", "shunt_resistor": "1k"},
}
CASES = [(name, {}) for name in simwrap.stage_names()] + list(OTHER.items())
_NEW = re.compile(r"zq(\d+)x")


class Twin:
    """A stage, and the same with every node and element renamed."""

    def __init__(self, name: str, values, folder) -> None:
        template = simwrap.stage(name).template
        words = sorted({*template.nodes, *template.elements}, key=len, reverse=True)
        # What a loop completes ("c_rectifier_*") keeps what comes after it.
        self.old = [word[2:].removesuffix("*").removesuffix("_") for word in words]
        new = {word: f"{word[:2]}zq{number}x" for number, word in enumerate(words)}
        # "r_screen_a*" in the header is for what a loop completes, not for an element of that name.
        endings = {True: "_", False: r"\b(?!\*)"}
        patterns = [
            (re.compile(rf"\b{re.escape(word.removesuffix('*').removesuffix('_'))}{endings[word.endswith('*')]}"),
             new[word] + ("_" if word.endswith("*") else ""))
            for word in words
        ]  # fmt: skip
        source = template.source
        for pattern, other in patterns:
            source = pattern.sub(other, source)
        path = folder / f"{name}.cir.j2"
        path.write_text(source)
        self.one, self.other = (simwrap.stage(str(each), **values) for each in (template.path, path))

    def before(self, text: str) -> str:
        """Return text of the renamed stage with the template's own names."""
        return _NEW.sub(lambda match: self.old[int(match[1])], text)


@pytest.fixture(scope="module", params=CASES, ids=[f"{name}-{len(values)}" for name, values in CASES])
def twin(request, tmp_path_factory) -> Twin:
    name, values = request.param
    return Twin(name, values, tmp_path_factory.mktemp(name))


def test_every_name_is_another(twin):
    assert {e.name for e in render(twin.one).elements if not (e.bench or e.valve)}.isdisjoint(
        e.name for e in render(twin.other).elements
    )


def told(elements, name=str):
    """Return what elements say, with their names given back."""
    return [
        (name(e.name), tuple(map(name, e.nodes)), e.value, name(e.expression), tuple(map(name, e.refers)), e.role,
         name(e.path), e.parameter, e.track, e.side, e.valve)
        for e in elements
    ]  # fmt: skip


def test_the_elements_are_the_same(twin):
    assert told(render(twin.other).elements, twin.before) == told(render(twin.one).elements)


def test_the_figures_are_the_same(twin):
    measures = ["supply" if twin.one.name == "supply" else "bias"]
    header = twin.one.template.header
    signal = "input" in header.ports and header.ports["input"].kind == "source"
    if signal and "output" in header.ports and header.other_measures:
        measures.append("response")
    one, other = (simwrap.measure(stage, measures) for stage in (twin.one, twin.other))
    found = {twin.before(name): variable for name, variable in other.figures.items()}
    assert sorted(found) == sorted(one.figures)  # nodes stand in the order of their names
    for name, variable in one.figures.items():
        mine, theirs = np.asarray(variable.values), np.asarray(found[name].values)
        if mine.dtype.kind == "f":
            # A supply is a transient of many steps: its last digits depend on the order of the nodes.
            close = {"rtol": 1e-4, "atol": 1e-6} if measures[0] == "supply" else {"rtol": 1e-6, "atol": 1e-9}
            finite = np.isfinite(mine)
            np.testing.assert_array_equal(theirs[~finite], mine[~finite], err_msg=name)
            np.testing.assert_allclose(theirs[finite], mine[finite], **close, err_msg=name)
        else:
            assert theirs.tolist() == mine.tolist(), name
    said = [[(f.code, f.subject, f.quantity) for f in result.findings[0]] for result in one.results.values()]
    assert said == [[(f.code, f.subject, f.quantity) for f in result.findings[0]] for result in other.results.values()]


def test_the_faults_are_the_same(twin):
    one, other = (bed_of(stage.circuit) for stage in (twin.one, twin.other))

    def listed(faults, name=str):
        return [
            (name(f.name), {name(e): v for e, v in f.values.items()}, {name(e): v for e, v in f.factors.items()})
            for f in faults
        ]

    assert listed(other.dictionary(), twin.before) == listed(one.dictionary())
    if "speaker" not in twin.one.ports or not twin.one.values.get("sense_resistor"):
        return
    guards = []
    for stage in (twin.one, twin.other):
        source = Supplied(stage.circuit, 300.0, 100.0, 0.0, ())
        bed = guard_bed(source, 1, sense=10.0, gain=1.0, resistance=1e4, capacitance=1e-6)
        guards.append([(valve, faults_of(bed, valve)) for valve in bed.valves])
    for (valve, faults), (renamed, others) in zip(*guards, strict=True):
        assert (renamed.name, renamed.half, twin.before(renamed.element)) == (valve.name, valve.half, valve.element)
        mine, theirs = listed(faults), listed(others, twin.before)
        assert [each[0] for each in theirs] == [each[0] for each in mine]
        for (_, values, factors), (_, values_, factors_) in zip(mine, theirs, strict=True):
            assert values_ == pytest.approx(values, rel=1e-6)
            assert factors_ == pytest.approx(factors, rel=1e-6)


def test_the_drawing_has_the_same_topology(twin):
    def drawn(stage, name=str):
        found = diagram(stage.circuit, "", {})
        nets = {}
        for item in found.items:
            for role, net in item.pins.items():
                nets.setdefault(net, set()).add((item.kind, name(item.path), role))
        for terminal in found.terminals:
            nets.setdefault(terminal.net, set()).add((terminal.side, terminal.text))
        # A load's words are its element's name.
        items = sorted((item.kind, name(item.path), name(" ".join(item.value)).replace("_", " "), item.parameter)
                       for item in found.items)  # fmt: skip
        left_out = sorted(map(name, found.left_out))
        return items, left_out, nets.pop("0", set()), {frozenset(pins) for pins in nets.values()}

    assert drawn(twin.other, twin.before) == drawn(twin.one)
