"""First writings of a newcomer: each runs, or gets one sentence that says where and how to mend it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

import simwrap
from simwrap._paths import example_stage
from simwrap.cli import main, watch
from simwrap.errors import SimwrapError

HEAD = """{#toml
summary = "A first stage"

[ports]
input = { node = "n_grid", source = { } }
output = { node = "n_anode", load = { } }
supply = { node = "n_supply", supply = "supply" }

[valves]
v1 = { parameter = "valve", anode = "n_anode", grid = "n_grid", cathode = "n_cathode" }

[parameters]
valve = { unit = "valve", default = "12AX7", kinds = ["triode"], label = "valve" }
supply = { unit = "V", default = "300 V", label = "supply" }
ra = { unit = "ohm", default = "100k", label = "anode resistor" }
rk = { unit = "ohm", default = "1k5", label = "cathode resistor" }
ck = { unit = "F", default = 0, label = "cathode capacitor" }
#}
"""
LEAK, VALVE, ANODE = "r_grid n_grid 0 1e6\n", '{{ valve("v1") }}\n', "r_anode n_supply n_anode {{ ra }}\n"
CATHODE = "r_cathode n_cathode 0 {{ rk }}\n"
BODY = LEAK + VALVE + ANODE + CATHODE
#: Lines of the header: the first one of the body comes after them.
ABOVE = HEAD.count("\n")


def measured(folder: Path, text: str) -> Any:
    file = folder / "first.cir.j2"
    file.write_text(text)
    return simwrap.measure(simwrap.stage(str(file)), ["bias", "response"], workers=1)


#: What runs: text, and the anode's voltage to its cathode [V] between bounds.
RUNS = {
    "as it stands": (HEAD + BODY, 190.0, 200.0),
    "anode straight on the supply": (
        HEAD.replace('anode = "n_anode"', 'anode = "n_supply"').replace('node = "n_anode"', 'node = "n_cathode"')
        + LEAK + VALVE + CATHODE, 295.0, 300.0),
    "if within one line": (HEAD + BODY + "{% if ck is present %}c_k n_cathode 0 {{ ck }}{% endif %}\n", 190.0, 200.0),
    "if within an element": (
        HEAD + LEAK + VALVE + ANODE + "r_cathode n_cathode 0 {% if ck is present %}{{ rk }}{% else %}2200{% endif %}\n",
        205.0, 220.0),
    "ground as an electrode": (HEAD.replace('"n_cathode"', '"0"') + LEAK + VALVE + ANODE, 85.0, 100.0),
    "comments at line ends": (
        HEAD + LEAK.replace("\n", " ; leak\n") + VALVE.replace("\n", " ; valve\n") + "* whole line\n" + ANODE + CATHODE,
        190.0, 200.0),
    "a node on valves alone": (
        HEAD.replace('anode = "n_anode"', 'anode = "n_joint"').replace(
            '{ node = "n_anode"', '{ node = "n_joint"').replace(
            "v1 = {", 'v2 = { parameter = "valve", anode = "n_supply", grid = "n_bias", cathode = "n_joint" }\nv1 = {')
        + LEAK + VALVE + '{{ valve("v2") }}\nr_bias n_supply n_bias 1e6\nr_low n_bias 0 1e6\n' + CATHODE, 100.0, 200.0),
}  # fmt: skip


@pytest.mark.parametrize("writing", RUNS)
def test_it_runs(writing: str, tmp_path: Path) -> None:
    text, low, high = RUNS[writing]
    found = measured(tmp_path, text)
    assert low < found.bias.valves.v1.anode_voltage < high


#: What is refused: text, the line of the template that is named (0: none), and words of the sentence.
REFUSED = {
    "a resistor without value": (HEAD + LEAK + VALVE + "r_anode n_supply n_anode\n" + CATHODE, 3, ["value"]),
    "after an if that is gone": (
        HEAD + LEAK + VALVE + "{% if ck is present %}\nc_k n_cathode 0 {{ ck }}\n{% endif %}\n" + ANODE
        + "r_cathode n_cathode 0\n", 7, ["value"]),
    "a hash for a comment": (HEAD + LEAK + VALVE + ANODE + CATHODE.replace("\n", " # hash\n"), 4, ['begins with ";"']),
    "a value as builders write it": (HEAD + LEAK + VALVE + ANODE + "r_cathode n_cathode 0 4k7\n", 4, ["4700.0"]),
    "megohms": (HEAD + "r_grid n_grid 0 1M\n" + VALVE + ANODE + CATHODE, 1, ["plain number"]),
    "a name without underscore": (HEAD + LEAK + VALVE + ANODE.replace("r_anode", "r1") + CATHODE, 3, ["write r_1"]),
    "capitals": (HEAD + LEAK + VALVE + ANODE.replace("r_anode", "R_anode") + CATHODE, 3, ["lower case"]),
    "a node without n_": ((HEAD + BODY).replace("n_cathode", "cathode"), 0, ['begins with "n_"']),
    "a slip in a node": (HEAD + LEAK + VALVE + ANODE + "r_cathode n_cathod 0 1500\n", 0, ["did you mean n_cathod?"]),
    "a node that leads nowhere": (HEAD + BODY + "r_x n_anode n_nowhere 1000\n", 5, ["only connection", "n_nowhere"]),
    "a name twice": (HEAD + LEAK + VALVE + ANODE + CATHODE.replace("r_cathode", "r_anode"), 4, ["choose another"]),
    "a name of the bench": (
        HEAD.replace("load = { }", 'load = { resistor = "ra" }') + BODY + "r_load n_anode 0 1e6\n", 5,
        ["bench", "choose another"]),
    "a parameter that isn't there": (
        HEAD + LEAK + VALVE + ANODE + CATHODE.replace("rk", "r_k"), 0, ["did you mean rk?"]),
    "an if that isn't closed": (HEAD + BODY + "{% if ck is present %}\n", 5, ["endif"]),
    "no ports": (HEAD.replace('input = { node = "n_grid", source = { } }\n', "").replace(
        'output = { node = "n_anode", load = { } }\n', "").replace(
        'supply = { node = "n_supply", supply = "supply" }\n', "") + BODY, 0, ["needs one at least"]),
    "a port's node that isn't there": (
        HEAD.replace('{ node = "n_anode"', '{ node = "n_out"') + BODY, 0, ["ports.output.node"]),
    "a valve that isn't drawn": (HEAD + LEAK + ANODE + CATHODE, 0, ['valve("...")']),
    "a grid that nothing holds": (
        HEAD.replace('node = "n_grid"', 'node = "n_in"') + "c_in n_in n_grid 1e-7\nr_in n_in 0 1e6\n" + VALVE + ANODE
        + CATHODE, 0, ["held by nothing"]),
}  # fmt: skip


@pytest.mark.parametrize("writing", REFUSED)
def test_one_sentence_says_how_to_mend_it(writing: str, tmp_path: Path) -> None:
    text, line, words = REFUSED[writing]
    with pytest.raises(SimwrapError) as caught:
        measured(tmp_path, text)
    said = str(caught.value)
    assert "\n" not in said
    for word in words:
        assert word in said, said
    assert not line or f"line {ABOVE + line}" in said, said
    assert not re.search(r"netlist line \d", said), said


def test_a_line_of_a_stage_in_a_circuit_is_named_too(tmp_path: Path) -> None:
    file = tmp_path / "first.cir.j2"
    file.write_text(HEAD + BODY + "r_x n_anode n_nowhere 1000\n")
    made = simwrap.circuit(one=simwrap.stage("triode_gain"), two=simwrap.stage(str(file)))
    with pytest.raises(SimwrapError, match=rf"first.cir.j2: line {ABOVE + 5}: .*n_two__nowhere"):
        simwrap.measure(made, ["bias"])


def exit_code(arguments: list[str]) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return int(left.value.code or 0)


def test_what_new_writes_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.cir.j2"
    assert exit_code(["new", str(file)]) == 0
    assert file.read_text() == example_stage()
    assert exit_code(["new", str(file)]) == 2  # not over one that is there
    capsys.readouterr()
    assert exit_code(["measure", str(file)]) == 0
    assert "6SL7GT" in capsys.readouterr().out


def test_a_page_follows_a_file(tmp_path: Path) -> None:
    """Written again at each change; a fault is said on it, and mended it is gone."""
    file = tmp_path / "mine.cir.j2"
    file.write_text(example_stage())
    steps = iter([example_stage().replace("r_anode n_supply n_anode", "r_anode n_supply"), "same", example_stage()])

    def rest(pace: float) -> None:
        text = next(steps)
        if text != "same":
            file.write_text(text)

    lines, pages = [], []
    for number, _ in enumerate(watch.changes(file, rest)):
        line, body = watch.told(lambda: simwrap.measure(simwrap.stage(str(file)), ["bias", "response"], workers=1))
        lines.append(line)
        pages.append(watch.page(file.name, body))
        if number == 2:
            break
    assert "6SL7GT" in lines[0]
    line = next(n for n, each in enumerate(example_stage().splitlines(), 1) if each.startswith("r_anode"))
    assert f"line {line}: " in lines[1]
    assert lines[2] == lines[0]
    assert pages[0].count("<svg") == 3  # schematic, curves, response
    assert "fault" in pages[1].partition("<body>")[2]
    assert "fault" not in pages[2].partition("<body>")[2]
    assert exit_code(["measure", "triode_gain", "--watch", str(tmp_path / "page.html")]) == 2
