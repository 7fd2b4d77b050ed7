"""Stages of a builder's own: folders, files, packages; faults named at once; templates that can do no harm."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
import threading
import types
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

import simwrap
from simwrap import registry
from simwrap.circuits import library
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import render, render_table
from simwrap.circuits.template import read_template
from simwrap.errors import FileProblemsError, InputError, NetlistError, UnknownNameError

OWN = """{#toml
summary = "A pad of two resistors"
references = ["common practice, no source"]

[ports]
input = { node = "n_top", source = { resistance = "source_resistance" } }
output = { node = "n_out", load = { resistor = "load_resistor" } }

[parameters]
upper = { unit = "ohm", default = "9k", minimum = 1.0, maximum = 1e6, label = "upper resistor", symbol = "R1" }
lower = { unit = "ohm", default = "1k", minimum = 1.0, maximum = 1e6, label = "lower resistor", symbol = "R2" }
source_resistance = { unit = "ohm", default = 0.0, minimum = 0.0, maximum = 1e6, label = "source", symbol = "Rs" }
load_resistor = { unit = "ohm", default = 0.0, minimum = 0.0, maximum = 1e9, label = "load (0: none)", symbol = "RL" }
#}
r_upper n_top n_out {{ upper }}
r_lower n_out 0 {{ lower }}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "my_pad.cir.j2").write_text(OWN)
    monkeypatch.setattr(library, "_added", ())
    return tmp_path


def test_a_file_is_a_stage(folder):
    made = simwrap.stage(str(folder / "my_pad.cir.j2"), upper="19k")
    assert simwrap.measure(made, ["response"]).response.gain == pytest.approx(0.05, rel=1e-5)


def test_a_folder_by_variable(folder, monkeypatch):
    monkeypatch.setenv("SIMWRAP_STAGES", str(folder))
    assert "my_pad" in simwrap.stage_names()
    assert simwrap.measure(simwrap.stage("my_pad"), ["response"]).response.gain == pytest.approx(0.1, rel=1e-5)


def test_a_folder_that_is_not_there_is_named(monkeypatch):
    monkeypatch.setenv("SIMWRAP_STAGES", "/not/there")
    with pytest.raises(InputError, match=r"SIMWRAP_STAGES.*/not/there"):
        simwrap.stage_names()


def command(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "simwrap", *arguments], capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


def test_the_shell_takes_a_folder(folder):
    done = command("measure", "my_pad", "--stages", str(folder), "--measure", "response", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["response"]["gain"] == pytest.approx(0.1, rel=1e-5)
    assert "my_pad" in command("list", "stages", "--stages", str(folder)).stdout


def package(name: str, folder: Path) -> types.ModuleType:
    made = types.ModuleType(name)
    made.__path__ = [str(folder)]
    return made


def test_an_entry_point_may_be_a_package_or_a_path(folder, monkeypatch):
    for loaded in (package("mine", folder), folder, str(folder)):
        monkeypatch.setattr(registry, "plugins", lambda group, loaded=loaded: (("mine", loaded),))
        assert "my_pad" in library.template_files()


def test_a_plug_in_without_a_folder_is_left_out_with_a_warning(monkeypatch):
    monkeypatch.setattr(registry, "plugins", lambda group: (("mine", object()),))
    with pytest.warns(UserWarning, match='plug-in "mine"'):
        assert "triode_gain" in library.template_files()


def test_a_bad_template_takes_nothing_else_down(folder, monkeypatch):
    (folder / "bad.cir.j2").write_text(OWN.replace('unit = "ohm", default = "9k"', 'unit = "Henry", default = "9k"'))
    monkeypatch.setenv("SIMWRAP_STAGES", str(folder))
    with pytest.warns(UserWarning, match='"bad" is left out.*"Henry" is not one of.*did you mean "H"'):
        names = simwrap.stage_names()
    assert "my_pad" in names
    assert "bad" not in names
    with pytest.raises(FileProblemsError, match="Henry"):
        simwrap.stage("bad")
    done = command("list", "stages", SIMWRAP_STAGES=str(folder))
    assert done.returncode == 0
    assert "triode_gain" in done.stdout
    assert "Henry" in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('summary = "A pad',
         'sumary = "A pad', ["summary is missing", "sumary is an unknown key", "did you mean summary?"]),
        ('symbol = "R1"', 'symbl = "R1"', ["parameters.upper.symbl is an unknown key; did you mean symbol?"]),
        ('resistance = "source_resistance"', 'resistance = "source_resistence"', ["did you mean source_resistance?"]),
        ('node = "n_top"', 'node = "n_topp"', ['no node "n_topp"', "did you mean n_top?"]),
        ('resistor = "load_resistor"', 'resitor = "load_resistor"', ["output.load.resitor", "did you mean resistor?"]),
        ('default = "9k"', 'default = "9k9k"', ["9k9k"]),
        ("{{ upper }}", "{{ uper }}", ['uses "uper"', "did you mean upper?"]),
        ("r_upper n_top", "{% if upper is presnt %}r_upper n_top", ["can't be read"]),
        ('unit = "ohm", default = "1k"', 'default = "1k"', ["parameters.lower.unit is missing"]),
        ('default = "9k"', "default = -5.0", ["the default lies outside of its range"]),
        ("input = {", 'output_b = "n_out"\ninput = {', ["is a table now"]),
        ("[parameters]", '[supplies]\nsupply = "v_supply"\n[parameters]', ["table supplies is gone"]),
        ("[parameters]", '[valves.v1]\nparameter = "upper"\nanode = "n_a"\ncathode = "n_k"\n[parameters]',
         ["upper has the unit", 'no node "n_a"', 'no node "n_k"']),
    ],
)  # fmt: skip
def test_header_slips_are_named_with_what_was_meant(tmp_path, old, new, words):
    path = tmp_path / "slip.cir.j2"
    assert old in OWN
    path.write_text(OWN.replace(old, new, 1))
    with pytest.raises(FileProblemsError) as caught:
        read_template(path)
    for word in words:
        assert word in str(caught.value)


def test_all_slips_come_at_once(tmp_path):
    path = tmp_path / "slips.cir.j2"
    text = OWN.replace('node = "n_top"', 'node = "n_topp"').replace("{{ upper }}", "{{ uper }}")
    path.write_text(text.replace('resistor = "load_resistor"', 'resistor = "lod_resistor"'))
    with pytest.raises(FileProblemsError) as caught:
        read_template(path)
    assert len(caught.value.problems) == 3


ESCAPES = [
    "{{ ''.__class__.__mro__ }}",
    "{{ upper.__class__ }}",
    "{{ upper.tofile('/tmp/simwrap-escape') }}",
    "{{ valve.__globals__ }}",
    "{{ taper.__globals__['__builtins__'] }}",
    "{{ sqrt.__self__ }}",
    "{{ self.__init__ }}",
    "{{ cycler.__init__.__globals__ }}",
    "{{ lipsum.__globals__.os.system('id') }}",
    "{{ kind['__class__'] }}",
    "{{ ().__class__.__base__.__subclasses__() }}",
    "{% include '/etc/passwd' %}",
    "{% import 'os' as os %}{{ os }}",
    "{% extends 'x' %}",
    "{% macro f() %}{{ f() }}{% endmacro %}{{ f() }}",
    "{{ upper|attr('__class__') }}",
    "{{ ('%c' % 0) }}",
    "{{ 'a'.format_map(upper) }}",
    "{{ joined.__class__ }}",
    "{{ ac.__init__.__globals__ }}",
    "{% set x = joined %}{{ x._entries }}",
    "{% do upper %}",
]


@pytest.mark.parametrize("body", ESCAPES)
def test_known_ways_out_of_a_template_are_closed(tmp_path, body):
    path = tmp_path / "escape.cir.j2"
    path.write_text(OWN + body + "\n")
    with pytest.raises(InputError, match=r"escape\.cir\.j2"):
        render(simwrap.stage(path))
    assert not os.path.exists("/tmp/simwrap-escape")


@pytest.mark.parametrize(
    "body",
    [
        "{% for a in range(1000000000) %}r_a n_out 0 1.0\n{% endfor %}",
        "{% for a in range(99) %}{% for b in range(99) %}{% for c in range(99) %}r{% endfor %}{% endfor %}{% endfor %}",
        "{{ 'a' * 1000000000 }}",
        "{{ [1.0] * 1000000000 }}",
        "{% set a = [1,2,3,4,5,6,7,8,9] %}{% set a = a+a %}{% set a = a+a %}{% set a = a+a %}{% set a = a+a %}"
        "{% set a = a+a %}{% set a = a+a %}{% set a = a+a %}{% set a = a+a %}{% for b in a %}r{% endfor %}",
        "{% for a in range(256) %}{% for b in range(256) %}" + "r_long n_out 0 1\n" * 9 + "{% endfor %}{% endfor %}",
        "{{ upper ~ upper }}",
        "{% for a in [[]] recursive %}{{ loop(a) }}{% endfor %}",
    ],
)  # fmt: skip
def test_a_template_ends_and_stays_small(tmp_path, body):
    path = tmp_path / "endless.cir.j2"
    path.write_text(OWN + body + "\n")
    with pytest.raises(InputError, match=r"endless\.cir\.j2|more than"):
        render(simwrap.stage(path))


def test_powers_are_floats(tmp_path):
    path = tmp_path / "power.cir.j2"
    path.write_text(OWN + "r_more n_out 0 {{ 10.0 ** 400.0 }}\n")
    with pytest.raises(NetlistError, match="no netlist can hold"), np.errstate(over="ignore"):
        render(simwrap.stage(path))


def test_what_a_template_prints_still_passes_the_allow_list(tmp_path):
    path = tmp_path / "shell.cir.j2"
    path.write_text(OWN + ".control\nshell id\n.endc\n")
    with pytest.raises(InputError):
        simwrap.measure(simwrap.stage(path), ["response"])


def test_an_edited_template_is_read_again(folder):
    path = folder / "my_pad.cir.j2"
    assert simwrap.stage(path).values["upper"] == 9e3
    path.write_text(OWN.replace('default = "9k"', 'default = "19k"'))
    os.utime(path, ns=(1, 1))
    assert simwrap.stage(path).values["upper"] == 19e3


def test_symbols_name_parameters_and_say_when_they_are_ambiguous(tmp_path):
    made = simwrap.stage("triode_gain", Ra="47k", Rk="1k")
    assert made.values["anode_resistor"] == 47e3
    assert made.replace(rk="2k").values["cathode_resistor"] == 2e3
    path = tmp_path / "twins.cir.j2"
    path.write_text(OWN.replace('symbol = "R2"', 'symbol = "R1"'))
    with pytest.raises(InputError, match='"R1" may be upper or lower'):
        simwrap.stage(path, R1="5k")
    with pytest.raises(UnknownNameError, match="anode_resistor"):
        simwrap.stage("triode_gain", anode_resistr="1k")


@pytest.mark.slow
def test_renderings_share_no_state_between_threads():
    """Every thread's tables are its own: different stages and values, at the shortest switch interval."""
    makers = []
    for index in range(32):
        name = ("triode_gain", "tone_passive", "pentode_gain", "cathodyne")[index % 4]
        part = ("anode_resistor", "bass_pot", "anode_resistor", "anode_resistor")[index % 4]
        makers.append((simwrap.stage(name), part, 1e4 * (1 + index) + np.arange(50.0)))
    wrong: list[str] = []
    start = threading.Barrier(32)

    def hammer(job: tuple[simwrap.Stage, str, np.ndarray]) -> int:
        made, part, column = job
        start.wait()
        for _ in range(63):
            (batch,) = render_table(PointTable(made, {part: column}, 50))
            tables = [
                table for device, table in batch.netlist.circuit.table.items() if np.isclose(table.max(), column.max())
                or np.isclose((table * 2.0).max(), column.max(), rtol=2.0)
            ]  # fmt: skip
            if not tables or (part == "anode_resistor" and not np.array_equal(tables[0], column)):
                wrong.append(made.name)
        return 63

    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        with ThreadPoolExecutor(32) as pool:
            done = sum(pool.map(hammer, makers))
    finally:
        sys.setswitchinterval(before)
    assert done >= 2000
    assert wrong == []


@pytest.mark.slow
def test_measures_from_many_threads_are_not_mixed_up():
    """32 threads, different stages and values, 2,000 measurements, each as it is alone."""
    stages = [
        simwrap.stage("triode_gain", anode_resistor=5e4 + 2e3 * k) if k % 2 else
        simwrap.stage("volume_control", position=(k + 1) / 33)
        for k in range(32)
    ]  # fmt: skip
    alone = [simwrap.measure(made, ["response"]).response.gain for made in stages]

    def hammer(k: int) -> list[float]:
        return [simwrap.measure(stages[k], ["response"]).response.gain for _ in range(63)]

    with ThreadPoolExecutor(32) as pool:
        found = list(pool.map(hammer, range(32)))
    assert sum(map(len, found)) >= 2000
    for k, gains in enumerate(found):
        assert set(gains) == {alone[k]}, k


DESIGN = """
simwrap_design = 1
title = "line stage with tone control"

[stages.line]
stage = "triode_gain"
valve = "6SL7GT"
Ra = "220k"
v1.emission = 0.95

[stages.tone]
stage = "tone_passive"
bass = 0.8
"""


def test_a_design_file_is_a_circuit(tmp_path):
    path = tmp_path / "line.toml"
    path.write_text(DESIGN)
    made = simwrap.read_design(path)
    assert made.values["line.anode_resistor"] == 220e3
    assert made.values["line.v1.emission"] == 0.95
    done = command("measure", str(path), "--measure", "response", "--set", "tone.bass=0.5", "--json")
    assert done.returncode == 0, done.stderr
    expected = simwrap.measure(made.replace(**{"tone.bass": 0.5}), ["response"]).response.gain
    assert json.loads(done.stdout)["response"]["gain"] == pytest.approx(expected, rel=1e-12)
    assert ".ac" in command("netlist", str(path)).stdout


def test_all_problems_of_a_design_come_at_once(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        textwrap.dedent(
            """
            simwrap_design = 1
            [stages.line]
            stage = "triode_gain"
            anode_resistr = "1k"
            supply = "3 ohm"
            [stages.tone]
            stage = "tone_pasive"
            [stages.out]
            """
        )
    )
    with pytest.raises(FileProblemsError) as caught:
        simwrap.read_design(path)
    said = str(caught.value)
    for words in ("did you mean anode_resistor", "3 ohm", "did you mean tone_passive", "stages.out.stage is missing"):
        assert words in said
    path.write_text(DESIGN.replace("simwrap_design = 1", "simwrap_design = 7"))
    with pytest.raises(FileProblemsError, match="version 7; this simwrap reads"):
        simwrap.read_design(path)
    path.write_text(DESIGN + 'colour = "red"\n')
    with pytest.raises(FileProblemsError, match="colour"):
        simwrap.read_design(path)
    with pytest.raises(FileProblemsError, match="can't be read"):
        simwrap.read_design(tmp_path / "absent.toml")
