"""Nothing that isn't on the allow-list leaves as text, and what a template does wrong is told in one sentence."""

from __future__ import annotations

import pytest

import simwrap
from simwrap.cli import main
from simwrap.errors import FileProblemsError, NetlistError

HEADER = """{#toml
summary = "A pad"
references = ["common practice, no source"]

[ports]
input = { node = "n_top", source = { resistance = "source_resistance" } }
output = { node = "n_out", load = { } }

[parameters]
upper = { unit = "ohm", default = "9k", minimum = 1.0, maximum = 1e6, label = "upper resistor", symbol = "R1" }
source_resistance = { unit = "ohm", default = 0.0, minimum = 0.0, maximum = 1e6, label = "source", symbol = "Rs" }
#}
"""
#: Line of the file on which what is appended begins.
FIRST = HEADER.count("\n") + 1
GOOD = "r_upper n_top n_out {{ upper }}\nr_lower n_out 0 1000.0\n"

#: Lines that no netlist may hold, each with a word of what is said of it.
BAD = [
    (".control\nshell touch here\n.endc", ".control"),
    (".include somewhere", "not allowed"),
    (".lib a b", "not allowed"),
    (".param x=1", "not allowed"),
    (".options reltol=1", "not allowed"),
    (".end", "not allowed"),
    (".ic v(n_out)=1", "not allowed"),
    (".model x npn(bf=1)", "not allowed"),
    (".model x d(foo=1)", "known:"),
    ("x_a n_out 0 sub", "not an element"),
    ("q_a n_out 0 0 m", "not an element"),
    ("a_a n_out 0 m", "not an element"),
    ("shell touch here", "not an element"),
    ("+ 1.0", "not an element"),
    ("r1 n_out 0 1.0", "not an element"),
    ("R_A n_out 0 1.0", "not an element"),
    ("r_a n_out 1.0", "fields"),
    ("r_a n_out 0 1.0 2.0", "fields"),
    ("r_a n_out 0 1k", "plain number"),
    ("r_a n_out 0 1M", "plain number"),
    ("r_a n_out 0 nan", "plain number"),
    ("r_a n_out 0 1e999", "finite"),
    ("r_a n_out 0 @0@", "plain number"),
    ("r_a n_out 0 0.0", "above 0"),
    ("r_a n_out 0 -1.0", "above 0"),
    ("c_a n_out 0 -1.0", "below 0"),
    ("r_a out 0 1.0", "nodes are"),
    ("r_a n_OUT 0 1.0", "nodes are"),
    ("r_a n_out gnd 1.0", "nodes are"),
    ("v_a n_out n_out dc 1.0", "both ends"),
    ("v_a n_out 0 1.0", "dc X"),
    ("v_a n_out 0 dc 1.0 sin(0 1 1000)", "dc X"),
    ("b_a n_out 0 x=1.0", '"v="'),
    ("b_a n_out 0 v=system(1)", "expression"),
    ("b_a n_out 0 v=v(n_out)[0]", "expression"),
    ("k_a l_a l_b 0.5", "not an inductor"),
    ("f_a n_out 0 v_nowhere 1.0", "not a v source"),
    ("d_a n_out 0 nothing", ".model"),
    ("r_upper n_out 0 1.0", "again"),
    ("v_a n_out 0 dc 1.0\nv_b n_out 0 dc 2.0", "loop of voltage"),
    ("c_a n_loose 0 1e-9", "floating"),
    ("r_a n_out n_alone 1.0", "only connection"),
    ("r_a n_out 0 1.0\u00b5", "ASCII"),
]


def printed(path) -> int:
    """Return the exit code of `simwrap netlist FILE`."""
    with pytest.raises(SystemExit) as caught:
        main(["netlist", str(path)])
    return int(caught.value.code or 0)


def pad(tmp_path, more: str = "", whole: str | None = None):
    path = tmp_path / "my_pad.cir.j2"
    path.write_text(HEADER + (GOOD + more if whole is None else whole))
    return path


@pytest.mark.parametrize(("lines", "words"), BAD, ids=[lines.replace("\n", " ")[:30] for lines, _ in BAD])
def test_no_invalid_line_leaves_as_text(tmp_path, capsys, lines, words):
    path = pad(tmp_path, lines + "\n")
    assert printed(path) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert words in said.err
    assert len(said.err.strip().splitlines()) == 1


def test_a_good_one_leaves(tmp_path, capsys):
    assert printed(pad(tmp_path, "d_a n_out 0 dsmall ; a diode\n.model dsmall d(is=1e-14)\n")) == 0
    assert "\n.model dsmall d(is=1e-14)\n" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("r_a n_out 0 {{ [1,2] }}", "neither a number nor a plain name"),
        ("r_a n_out 0 {{ " + "+".join(["1"] * 5000) + " }}", "too long, or too deep"),
        ("r_a n_out 0 {{ " + "(" * 3000 + "1" + ")" * 3000 + " }}", "can't be read"),
        ("{% set b = 9 %}" + "{% set b = b*b %}" * 34 + "\nr_a n_out 0 {{ b }}", "whole number beyond"),
        ("{% set b = 9" + "9" * 5000 + " %}", "can't be read"),
        ("r_a n_out 0 \x010\x01", "control character"),
        ("r_a n_out 0 {{ upper > 1 }}", "neither a number nor a plain name"),
    ],
    ids=["list", "sum", "brackets", "squares", "digits", "marker", "truth"],
)
def test_what_a_template_does_wrong_is_one_sentence(tmp_path, capsys, lines, words):
    assert printed(pad(tmp_path, lines + "\n")) == 2
    said = capsys.readouterr().err.strip()
    assert words in said
    assert len(said.splitlines()) == 1
    assert "Traceback" not in said


def test_a_line_s_number_is_that_of_the_file(tmp_path):
    whole = "{# two\nlines #}\n{% if upper is present %}\n" + GOOD + "{% endif %}\nr_bad n_out 0 1k\n"
    with pytest.raises(NetlistError, match=rf"line {FIRST + 6}: "):
        simwrap.stage(str(pad(tmp_path, whole=whole))).netlist()
    with pytest.raises(FileProblemsError, match=rf"line {FIRST + 2} uses filter"):
        simwrap.stage(str(pad(tmp_path, "r_a n_out 0 {{ upper|abs }}\n")))


def test_a_block_or_a_comment_at_a_line_s_end_keeps_the_line_break(tmp_path):
    whole = (
        "r_upper n_top n_out {{ upper }} {# the upper one #}\n"
        "{% if upper is present %}r_lower n_out 0 1000.0{% endif %}\n"
        "r_more n_out 0 {% if upper > 1e6 %}1.0{% else %}2000.0{% endif %}\n"
    )
    text = simwrap.stage(str(pad(tmp_path, whole=whole))).netlist()
    assert "\nr_lower n_out 0 1000.0\nr_more n_out 0 2000.0\n" in text


VALVES = """{#toml
summary = "A valve that isn't there"
references = ["common practice, no source"]
[ports]
input = { node = "n_grid", source = {} }
output = { node = "n_anode", load = {} }
supply = { node = "n_supply", supply = "supply" }
[valves]
v1 = { parameter = "valve", anode = "n_anode", grid = "n_grid", cathode = "n_cathode" }
v2 = { parameter = "valve", anode = "n_anode", grid = "n_grid", cathode = "n_cathode" }
[parameters]
valve = { unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "valve", symbol = "V1" }
supply = { unit = "V", default = "250 V", minimum = 0.0, maximum = 1000.0, label = "supply voltage", symbol = "Vbb" }
#}
{{ valve("v1") }}
r_anode n_supply n_anode 47000.0
r_cathode n_cathode 0 1000.0
"""


def test_a_valve_that_the_lines_never_draw_is_refused(tmp_path):
    path = tmp_path / "ghost.cir.j2"
    path.write_text(VALVES)
    with pytest.raises(NetlistError, match="the header has v2, which the lines never draw"):
        simwrap.measure(simwrap.stage(str(path)), ["bias"])
    path.write_text(VALVES.replace('{{ valve("v1") }}', '{{ valve("v1") }}\n{{ valve("v2") }}'))
    # Its anode on the supply's own node needs no resistor to be known.
    hanging = path.read_text().replace("r_anode n_supply n_anode 47000.0\n", "").replace('"n_anode"', '"n_supply"')
    path.write_text(hanging)
    found = simwrap.measure(simwrap.stage(str(path)), ["bias"]).bias
    assert found.valves.v1.anode_current == found.valves.v2.anode_current > 1e-3
