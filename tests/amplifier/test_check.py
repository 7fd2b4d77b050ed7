"""The audit of a whole amplifier: the shipped example, designs with faults, and its figures against other ways."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from mna import Circuit as Oracle

import simwrap
from simwrap.amplifier import hum_budget, shared_supply
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.audit import Audit, audit
from simwrap.amplifier.gain_plan import plan
from simwrap.amplifier.parts import Part
from simwrap.amplifier.supply_match import at_voltage, match
from simwrap.circuits.design_file import Design, FittedParts, read_whole_design
from simwrap.circuits.render import render
from simwrap.cli import main
from simwrap.engine import DEFAULT
from simwrap.engine import run as run_engine
from simwrap.engine.protocol import OpRun
from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.report.model import Table
from simwrap.report.text import text_table
from simwrap.simulation.simulate import transfer

EXAMPLE = files("simwrap.amplifier").joinpath("reading_room.toml")


@cache
def design() -> Design:
    return read_whole_design(Path(str(EXAMPLE)), complete=True)


@cache
def matched():
    return match(design())


@cache
def amplifier() -> Amplifier:
    return Amplifier(design())


@cache
def audited() -> Audit:
    return audit(amplifier())


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    """Write the example with some of its text changed."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    path = folder / "design.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(list(map(str, arguments)))
    return int(end.value.code or 0)


# Designs that can't be built

UNFED = ('  "early.output -> driver.supply",\n', "")
IDLE = ('  "splitter.output_b -> power.input_b",\n', "")
UNLOADED = ('speaker_impedance = "8 ohm"', "# ")
CIRCLE = (
    '  "power.speaker -> loop.input", ',
    '  "line.output -> selector.input",\n  "power.speaker -> loop.input", ',
)
UNKNOWN = ('"tone.output -> volume.input"', '"tone.outputs -> volume.input"')
NO_SUCH_PART = ('foot_resistor = "100 ohm"', 'foot_resister = "100 ohm"')

FAULTS = {
    "a stage without supply": (UNFED, "driver.supply has no supply; join a dropper to it"),
    "a splitter that feeds nothing": (IDLE, "the splitter splitter feeds nothing from splitter.output_b"),
    "an output stage without its load": (UNLOADED, "the output stage power has no load; state power.speaker_impedance"),
    "a circle without a feedback path": (CIRCLE, "is a circle; a loop is closed by a stage whose role is feedback"),
    "unknown connection": (UNKNOWN, 'there is no port of tone "outputs"; did you mean output'),
    "unknown part": (NO_SUCH_PART, 'there is no parameter "foot_resister"; did you mean foot_resistor'),
    "another version": (("simwrap_design = 1 ", "simwrap_design = 2 "), "has version 2; this simwrap reads"),
    "a key that isn't one": (
        ("rated_power =", "rated_pwer ="),
        "levels.rated_pwer is an unknown key; did you mean rated",
    ),
    "a value that can't be read": (('"10 W"', '"10 V"'), "levels.rated_power"),
    "a volume that isn't there": (('"volume.position"', '"volume.positon"'), "levels.volume: .*did you mean"),
    "fed twice": (('"early.input"]', '"early.input", "line.supply"]'), "line.supply is already fed by preamplifier"),
    "no supply port": (('"early.input"]', '"early.output"]'), "early.output is no supply port"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_clear_sentence(name, tmp_path):
    change, sentence = FAULTS[name]
    with pytest.raises(FileProblemsError, match=sentence) as told:
        read_whole_design(written(tmp_path, change), complete=True)
    assert "\n" not in str(told.value)


def test_all_faults_come_at_once(tmp_path, capsys):
    path = written(tmp_path, UNFED, IDLE, UNLOADED, CIRCLE, UNKNOWN, NO_SUCH_PART)
    assert run("check", path) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err
    for name in ("a stage without supply", "a splitter that feeds nothing", "an output stage without its load"):
        assert FAULTS[name][1] in said.err
    for part in ("is a circle", 'port of tone "outputs"', "foot_resister"):
        assert part in said.err


def test_a_design_that_is_being_made_can_still_be_measured(tmp_path):
    """Loose ends stop an audit, but no other use: the bench stands in."""
    made = simwrap.read_design(written(tmp_path, UNLOADED))
    assert made.values["power.speaker_impedance"] == 8.0


def test_ports_on_one_supply_state_one_voltage(tmp_path):
    path = written(
        tmp_path, ('[stages.screens]\nstage = "dropper"', '[stages.screens]\nstage = "dropper"\nsupply = 250')
    )
    with pytest.raises(FileProblemsError, match=r"state different voltages: power.supply 305 V, screens.input 250 V"):
        read_whole_design(path)


def test_what_is_fed_gets_the_stated_voltage():
    values = design().circuit.values
    assert {values[name] for name in ("power.supply", "screens.supply", "early.supply")} == {305.0}


def test_power_and_output_are_not_both_stated(tmp_path):
    path = written(tmp_path, ('rated_power = "10 W" ', 'rated_power = "10 W"\nrated_output = "3 V"\n#'))
    with pytest.raises(FileProblemsError, match="rated_power or rated_output, not both"):
        read_whole_design(path)


def test_a_part_that_is_not_there_is_named(tmp_path):
    path = written(tmp_path, ('"power.cathode_a" = "5 W"', '"power.cathod" = "5 W"'))
    with pytest.raises(UnknownNameError, match=r'parts.resistors: there is no resistor "power.cathod"; did you mean'):
        audit(read_whole_design(path), quick=True)


# Designs that can be built, and shouldn't be


def test_positive_feedback_and_a_valve_over_its_rating_are_told_together(tmp_path, capsys):
    path = written(
        tmp_path,
        ('"splitter.output -> power.input"', '"splitter.output -> power.input_b"'),
        ('"splitter.output_b -> power.input_b"', '"splitter.output_b -> power.input"'),
        ('cathode_resistor = "240 ohm"', 'cathode_resistor = "120 ohm"'),
    )
    assert run("check", path, "--json") == 1
    found = json.loads(capsys.readouterr().out)
    over = " ".join(verdict["text"] for verdict in found["verdicts"] if verdict["mark"] == "OVER")
    assert "The feedback through loop is positive at 1 kHz" in over
    assert "power.v1 (6V6GT): anode dissipation" in over
    assert "exceeds its rating of 12 W" in over
    assert not found["clean"]


def test_an_unstable_design_is_named_and_gets_no_other_figures(tmp_path, capsys):
    path = written(tmp_path, ('resistor = "5k6"', 'resistor = "100 ohm"'), ("step_capacitor =", "# step_capacitor ="))
    assert run("check", path) == 1
    said = capsys.readouterr()
    assert "The circuit is unstable: it oscillates at" in said.out
    assert "its feedback: loop" in said.out
    assert "everything else, since the circuit is unstable" in said.out
    assert "signal-to-noise" not in said.out
    assert "large signals" not in said.err


def test_a_load_that_makes_it_oscillate_is_named(tmp_path):
    path = written(tmp_path, ('lead_capacitor = "180p"', 'lead_capacitor = "330p"'))
    found = audit(read_whole_design(path), quick=True)
    assert any("It is unstable with 0.1 uF alone" in finding.text for finding in found.findings)
    assert not found.clean


MOTORBOAT = """
simwrap_design = 1
joins = ["first.output -> second.input", "second.output -> third.input"]
[stages.first]
stage = "triode_gain"
valve = "12AX7"
[stages.second]
stage = "triode_gain"
valve = "12AX7"
[stages.third]
stage = "triode_gain"
valve = "12AX7"
supply = "280 V"
[levels]
rated_output = "5 V"
[supply]
feeds = ["first.supply", "second.supply", "third.supply"]
winding_voltage = "260 V"
load_current = "3 mA"
filter = "resistor"
filter_resistor = "10k"
filter_capacitor = "220u"
bleeder = "1M"
"""


def test_motorboating_through_the_supply_is_named(tmp_path):
    """Three stages on one supply of 10 kohm: stable on a stiff rail, and not on this one; numpy agrees on both."""
    path = tmp_path / "three.toml"
    path.write_text(MOTORBOAT, encoding="utf-8")
    whole = read_whole_design(path, complete=True)
    found = audit(whole, quick=True)
    over = [finding.text for finding in found.findings if finding.mark == "OVER"]
    assert any("The circuit is unstable: it oscillates at" in text and "what stages share" in text for text in over)
    assert not found.clean
    assert "everything else, since the circuit is unstable" in found.not_checked[0]
    agreed = match(whole)
    for circuit, stable in ((agreed.circuit, True), (shared_supply.one_channel(whole, agreed, agreed.circuit), False)):
        netlist = render(circuit).circuit
        (op,) = run_engine(netlist, [OpRun()])
        oracle = Oracle(netlist.text)
        state = oracle.operating_point({key: float(volts[0]) for key, volts in op.values.items()})
        assert (oracle.poles(state).real < 0.0).all() == stable


def test_a_supply_without_a_bleeder_is_over():
    bare = design().supply.replace(bleeder=0)
    found = audit(replace(design(), supply=bare, parts=FittedParts()), quick=True)
    assert any("Nothing discharges " in finding.text for finding in found.findings)


def test_a_source_that_is_too_weak_or_too_strong_is_told(tmp_path):
    path = written(tmp_path, ('tuner = "500 mV", player = "1 V"', 'tuner = "100 mV", player = "20 V"'))
    said = " ".join(finding.text for finding in audit(read_whole_design(path), quick=True).findings)
    assert "tuner: 100 mV is 10 dB too little for the rated output at full volume." in said
    assert "line.v1 clips before the rated output with player" in said


def test_what_was_not_stated_is_listed_and_not_guessed(tmp_path):
    text = EXAMPLE.read_text(encoding="utf-8").partition("[levels]")[0]
    path = tmp_path / "bare.toml"
    path.write_text(text.replace('"screens.output -> power', '"screens.output -> power'), encoding="utf-8")
    with pytest.raises(FileProblemsError, match=r"screens.input has no supply"):
        read_whole_design(path, complete=True)
    for name in ("screens", "early"):
        text = text.replace(f"[stages.{name}]\n", f'[stages.{name}]\nsupply = "305 V"\n')
    path.write_text(text, encoding="utf-8")
    found = audit(read_whole_design(path, complete=True))
    listed = "; ".join(found.not_checked)
    for part in ("levels.rated_power", "the design has no [supply]", "[parts] doesn't say what is fitted"):
        assert part in listed
    assert {"levels", "noise"}.isdisjoint(section.name for section in found.sections)


# The example


def test_the_example_keeps_its_ratings_and_margins():
    found = audited()
    assert found.clean, [finding.text for finding in found.findings]
    lines = {line.name: line.value for section in found.sections for line in section.lines}
    assert 8.0 <= lines["loop.feedback_db"] <= 12.0
    assert min(lines["loop.gain_margin_db"], lines["loop.low_gain_margin_db"]) >= 8.0
    assert min(lines["loop.phase_margin"], lines["loop.low_phase_margin"]) >= 45.0
    assert lines["at_stated_thd.output_power"] >= 10.0
    assert lines["rated.thd"] < 3.0
    assert abs(lines["voltage"] / lines["stated_voltage"] - 1.0) < 0.05


def test_the_page_and_the_json_have_the_same_content():
    found = audited()
    page, plain = "\n".join(found.page(width=10_000)), found.to_dict()
    json.dumps(plain, allow_nan=False)
    for verdict in plain["verdicts"]:
        assert verdict["text"] in page
    for section, own in zip(plain["sections"], found.sections, strict=True):
        assert section["title"] in page
        assert [len(table["rows"]) for table in section["tables"]] == [len(t.listing.rows) for t in own.tables]
        for line in section["lines"]:
            assert f"{line['words']}  {line['text']}" in page
        for table in section["tables"]:
            for row in table["rows"]:
                assert all(cell in page for cell in row.values() if isinstance(cell, str))
        for note in section["notes"]:
            assert note in page
    for text in [*plain["not_checked"], *plain["cautions"], plain["summary"]]:
        assert text in page
    assert " safe" not in page


def test_new_writes_a_design_and_never_over_another(tmp_path, capsys):
    path = tmp_path / "mine.toml"
    assert run("new", path) == 0
    assert path.read_text(encoding="utf-8") == EXAMPLE.read_text(encoding="utf-8")
    path.write_text("mine", encoding="utf-8")
    assert run("new", path) == 2
    assert path.read_text(encoding="utf-8") == "mine"
    assert run("new", tmp_path / "mine.txt") == 2
    assert "ends in .toml" in capsys.readouterr().err


def test_a_line_stage_is_audited_too(tmp_path, capsys):
    path = tmp_path / "line.toml"
    path.write_text(
        'simwrap_design = 1\n[stages.line]\nstage = "triode_gain"\nvalve = "6SL7GT"\nsupply = "250 V"\n'
        '[levels]\nrated_output = "2 V"\n',
        encoding="utf-8",
    )
    assert run("check", path) == 0
    page = capsys.readouterr().out
    for words in ("gain plan at the rated output of 2 V", "distortion-limited output, 5 %", "stable  yes"):
        assert words in page
    assert "loudspeaker" not in page
    assert "damping factor" not in page
    assert " W" not in page.partition("performance")[2].partition("noise and hum")[0]


# Its figures, found in other ways


def test_supply_and_circuit_agree():
    """Kirchhoff: what the supply gives at the load current is the circuit's voltage, and the current its valves'."""
    found = matched()
    assert found.circuit.values["power.supply"] == found.voltage
    bias = simwrap.measure(found.circuit, ["bias"]).bias
    valves = [path for path in bias.paths if path.endswith((".anode_current", ".screen_current"))]
    drawn = sum(bias[path] for path in valves)
    assert found.current == pytest.approx(2.0 * drawn, rel=1e-3)
    supply = simwrap.measure(design().supply.replace(load_current=found.current), ["supply"]).supply
    assert supply.output_voltage == pytest.approx(found.voltage, rel=2e-3)


def test_ripple_adds_up_as_on_one_supply():
    """All ports on one wire, rippled once: the same as the sum of what comes through each."""
    found = matched()
    made = simwrap.circuit(
        {**found.circuit.stages, "wire": simwrap.stage("dropper", resistor=0, capacitor=0, supply=found.voltage)},
        joins=[*found.circuit.joins, *(("wire.output", port) for port in design().feeds)],
        main_input="selector.input", main_output="power.output",
    )  # fmt: skip
    whole = abs(transfer(made, "output", excite="wire.input", frequency=100.0))
    causes = hum_budget.ripple_causes(found.circuit, list(design().feeds), 0.05, 100.0, DEFAULT)
    assert causes[0].level == pytest.approx(0.05 * whole, rel=2e-3)
    assert [cause.part_of for cause in causes] == ["", *["supply ripple"] * 3]


def test_crosstalk_of_one_channel_is_that_of_two():
    """What symmetrical components say, from both channels on one supply in a single circuit."""
    found = matched()
    told = shared_supply.crosstalk(design(), found, found.circuit, per_decade=3)
    whole = shared_supply.all_channels(design(), found, found.circuit)
    outputs = ["first_power.output", "second_power.output"]
    waves = simwrap.simulate(whole, "frequencies", nodes=outputs, start=20.0, stop=20e3, per_decade=3)
    driven, silent = (np.abs(waves[name].values) for name in outputs)
    # Beyond 160 dB both are differences of numbers that agree in eight digits.
    heard = told.level_db > -160.0
    assert heard.sum() >= 3
    np.testing.assert_allclose(told.level_db[heard], 20.0 * np.log10(silent / driven)[heard], atol=0.1)


def test_all_channels_draw_what_the_supply_gives():
    """The voltage on which supply and channels agreed stands at the supply's output in the whole circuit too."""
    found = matched()
    whole = shared_supply.all_channels(design(), found, found.circuit)
    bias = simwrap.measure(whole, ["bias"]).bias
    assert bias.nodes.supply_source.n_out == pytest.approx(found.voltage, rel=1e-3)
    assert bias.valves.second_power.v1.anode_voltage == pytest.approx(bias.valves.first_power.v1.anode_voltage)


def test_hum_of_the_rectifier_itself_is_that_of_superposition():
    """The steady state of rectifier, filter and channel together, and ripple times transfer: two ways, one figure."""
    found = matched()
    hum, ripple = shared_supply.hum(design(), found, found.circuit)
    causes = hum_budget.ripple_causes(
        found.circuit, list(design().feeds), float(found.supply.supply.ripple_fundamental), 100.0, DEFAULT
    )
    assert ripple == pytest.approx(found.supply.supply.ripple_fundamental, rel=0.03)
    assert hum == pytest.approx(causes[0].level, rel=0.03)


def test_power_on_rails_that_don_t_fall_is_told_as_the_steady_state_that_it_is():
    """Not a burst out of silence: text, notes and JSON say so, and the figure is that of a periodic steady state."""
    found, held = audited(), amplifier().large.held
    name, words = "held.at_stated_thd.output_power", "distortion-limited output, steady, on rails that don't fall"
    section = next(section for section in found.sections if section.name == "performance")
    line = next(line for line in section.lines if line.name == name)
    assert line.words == words
    assert words in " ".join("\n".join(found.page()).split())
    told = next(each for each in found.to_dict()["sections"] if each["name"] == "performance")
    assert any(each["name"] == name and each["words"] == words for each in told["lines"])
    for notes in (section.notes, told["notes"]):
        (note,) = [each for each in notes if each.startswith("On rails that don't fall")]
        assert "a steady state too" in note
        assert "aren't computed" in note
    root = Path(__file__).parents[2]
    for page in (root / "README.md", *root.joinpath("docs").rglob("*.md"), *root.joinpath("simwrap").rglob("*.py")):
        assert not re.search(r"burst out of silence|before (it|the supply) has fallen", page.read_text("utf-8")), page
    # The same rails, the same level, to rest: that output with that distortion, by a spectrum of our own.
    wave = simwrap.simulate(amplifier().circuit, "period", level=held.source_emf)
    lines = np.abs(np.fft.rfft(wave["output"].values[0]))
    distortion = 100.0 * np.sqrt((lines[2:] ** 2).sum()) / lines[1]
    assert distortion == pytest.approx(design().levels.stated_thd, rel=0.02)
    assert wave["output"].values[0].var() / 8.0 == pytest.approx(line.value, rel=0.01)


def test_the_audit_tells_two_tones_sag_and_crosstalk():
    found = audited()
    lines = {line.name: line.value for section in found.sections for line in section.lines}
    assert lines["stable"] == "yes"
    assert lines["crosstalk_db"] < -60.0
    assert lines["rated.voltage"] < lines["voltage"]
    assert lines["held.at_stated_thd.output_power"] > lines["at_stated_thd.output_power"]
    assert abs(lines["rectifier_hum_apart"]) < 0.5
    performance = next(section for section in found.sections if section.name == "performance")
    mixed = performance.tables[1].to_list()
    assert [set(row) >= {"modulation", "difference_2", "difference_3"} for row in mixed] == [True, True]
    assert mixed[0]["modulation"] < mixed[1]["modulation"]


def test_weighting_of_hum():
    """IEC 61672-1, table 3 (from memory): -30.2 dB at nominal 50 Hz (exactly 10**1.7 Hz), -19.1 dB at 100 Hz."""
    for frequency, expected in ((10.0**1.7, -30.2), (100.0, -19.1)):
        cause = hum_budget.tone("hum", 1.0, frequency)
        assert 20.0 * np.log10(cause.weighted / cause.level) == pytest.approx(expected, abs=0.05)


def test_parts_of_a_cause_are_not_added_twice():
    causes = [
        hum_budget.HumSource("a", 3.0, 0.3),
        hum_budget.HumSource("of a", 3.0, 0.3, "a"),
        hum_budget.HumSource("b", 4.0, 0.4),
    ]
    assert hum_budget.total(causes) == pytest.approx((5.0, 0.5))


def test_the_volume_is_where_each_source_gives_the_rated_output():
    rated = np.sqrt(80.0)
    found = plan(design().circuit, design().levels, rated)
    for source, emf in found.sources.items():
        set_so = found.circuit.replace(**{"volume.position": found.positions[source]})
        gain = simwrap.measure(set_so, ["response"]).response.gain
        assert emf * gain == pytest.approx(rated, rel=0.02)
        assert found.levels[source]["power.output"] == pytest.approx(rated, rel=1e-6)
    full = simwrap.measure(found.circuit.replace(**{"volume.position": 1.0}), ["response"]).response.gain
    assert found.minimum_emf == pytest.approx(rated / full, rel=1e-3)


def test_the_rated_output_is_what_the_waveform_says():
    """The level and distortion that the audit reads, from a waveform at that source e.m.f., on the falling supply."""
    line = {line.name: line.value for section in audited().sections for line in section.lines}
    planned = plan(matched().circuit, design().levels, np.sqrt(80.0)).circuit
    circuit = shared_supply.one_channel(design(), matched(), planned)
    wave = simwrap.simulate(circuit, "period", level=line["rated.source_emf"])
    spectrum = np.abs(wave["output.spectrum"].values[0])
    assert np.sqrt((spectrum[1:] ** 2).sum() / 2.0) == pytest.approx(np.sqrt(80.0), rel=2e-3)
    thd = 100.0 * np.sqrt((spectrum[2:] ** 2).sum()) / spectrum[1]
    assert line["rated.thd"] == pytest.approx(thd, rel=0.05)


def test_before_the_valves_warm_up_there_is_no_drop():
    """Ohm's law: without current all of the supply stands across what leads to ground through valves alone."""
    raised = at_voltage(design(), 400.0)
    cold = simwrap.measure(raised, ["bias"]).bias.capacitors
    for path in ("driver.screen", "line.coupling", "preamplifier.decoupling"):
        assert cold[path.split(".")[0]][path.split(".")[1]].voltage_cold == pytest.approx(400.0, rel=1e-3)


@pytest.mark.parametrize(
    ("part", "mark"),
    [
        (Part("resistor", "a", "W", 0.4, np.nan, 1.0), ""),
        (Part("resistor", "a", "W", 0.6, np.nan, 1.0), "near"),
        (Part("resistor", "a", "W", 1.1, np.nan, 1.0), "OVER"),
        (Part("resistor", "a", "W", 1.1, np.nan, np.nan), ""),
        (Part("capacitor", "a", "V", 300.0, 350.0, 400.0), ""),
        (Part("capacitor", "a", "V", 300.0, 380.0, 400.0), "near"),
        (Part("capacitor", "a", "V", 300.0, 420.0, 400.0), "OVER"),
    ],
)
def test_verdicts_of_parts(part, mark):
    found = part.findings()
    assert [finding.mark for finding in found] == [mark] * bool(mark)
    assert all(
        (finding.state == "before the valves warm up") == (part.kind == "capacitor") == ("warm up" in finding.text)
        for finding in found
    )


def test_a_table_keeps_one_unit_a_column():
    table = Table((("name", "part", ""), ("value", "bears", "V")), (("a", 0.01), ("b", 200.0), ("c", np.nan)))
    head, *rows = text_table(*table.listing[:3]).splitlines()
    assert head.split() == ["part", "bears,", "V"]
    assert [row.split() for row in rows] == [["a", "0.01"], ["b", "200.00"], ["c"]] or rows[1].split()[1] == "200"
    assert table.to_list()[2] == {"name": "c", "value": None}


# The measure behind the margins


def test_overload_of_one_triode_agrees_with_headroom():
    made = simwrap.stage("triode_gain", valve="12AX7")
    whole = simwrap.measure(made, {"headroom": {}, "overload": {"rated_output": 45.0, "levels": 12, "stated_thd": 3.0}})
    assert whole.overload.clipping.first_limit == whole.headroom.first_limit
    assert whole.overload.clipping.source_emf == pytest.approx(whole.headroom.clipping_input_rms, rel=0.02)
    assert whole.overload.at_stated_thd.output_rms == pytest.approx(whole.headroom.output_rms_3pct, rel=0.02)
    margin = 20.0 * np.log10(whole.overload.clipping.source_emf / whole.overload.rated.source_emf)
    assert whole.overload.valves.v1.margin_db == pytest.approx(margin, abs=0.01)


def test_overload_without_large_signals_says_where_margins_come_from():
    found = simwrap.measure(simwrap.stage("triode_gain"), {"overload": {"rated_output": 5.0, "levels": 0}}).overload
    assert found.valves.v1.margin_from == "bias and gains"
    assert "rated" not in found


def test_overload_is_refused_where_nothing_could_overload():
    with pytest.raises(InputError, match="no valve that could be driven"):
        simwrap.measure(simwrap.stage("tone_passive"), ["overload"])
