"""Every template: its header, its checks, and agreement of both engines at its defaults and away from them.

A new file in netlist_templates/ is found by itself: nothing here names a stage, but for how hard
to drive those that are no small-signal stages.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from stage_runs import at, harmonics

from simwrap.circuits.header import Parameter
from simwrap.circuits.library import find_template, stage_names
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import render, render_table
from simwrap.circuits.stage import Stage, stage
from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, Analysis, OpRun, Reply, Sine, SteadyRun
from simwrap.simulation.measurement import measure_names
from simwrap.valves import get_valve, valve_names

NAMES = stage_names()
DRAWN = {"pentode": ("6V6GT", "6AU6"), "triode": ("12AX7", "6SL7GT", "12AU7"), "rectifier": ("GZ34", "5Y3GT", "1N4007")}
#: Output of a small-signal stage in the steady-state comparison [V peak].
LEVEL = 4.0


@pytest.mark.parametrize("name", NAMES)
def test_header(name):
    template = find_template(name)
    assert template.summary[0].isupper()
    assert not template.summary.endswith(".")
    assert len(template.description.split()) > 10
    assert template.references
    assert template.measures, "a stage that nothing can measure"
    assert set(template.measures) <= set(measure_names())
    assert {"input", "output"} <= set(template.ports)
    for parameter in template.parameters.values():
        assert re.fullmatch(r"[a-z][a-z0-9_]*", parameter.name)
        if parameter.numeric:
            assert parameter.minimum is not None, parameter.name
            assert parameter.maximum is not None, parameter.name
            assert parameter.minimum <= parameter.default <= parameter.maximum, parameter.name
            if parameter.unit not in ("", "dB", "V"):
                assert parameter.symbol, parameter.name
        if parameter.unit == "F" and parameter.minimum == 0.0 and parameter.default == 0.0:
            assert re.search(r"\(0: ", parameter.label), parameter.name
        if parameter.unit == "valve":
            assert parameter.kinds, parameter.name


@pytest.mark.parametrize("name", NAMES)
def test_words_of_a_template(name):
    """One word a concept, and plain ASCII where a netlist may show it."""
    source = find_template(name).source
    assert "plate" not in re.sub(r"template", "", source.lower())
    assert source.isascii()
    assert max(len(line) for line in source.split("\n")) < 300


@pytest.mark.parametrize("name", NAMES)
def test_ports_supplies_and_valves_are_in_the_circuit(name):
    made = stage(name)
    words = set(render(made).circuit.text.split())
    for node in made.ports.values():
        assert node in words, node
    for device in made.supplies.values():
        if name != "tone_feedback":  # its ideal amplifier needs none
            assert device in words, device
    for instance, use in made.valves.items():
        for role, node in use.nodes.items():
            if not (role == "screen" and use.valve.kind != "pentode"):
                assert node in words, (instance, role)


CHECKS = [
    pytest.param(name, row, id=f"{name}-{index}")
    for name in NAMES
    for index, row in enumerate(find_template(name).checks.get("gain_db", ()))
]


@pytest.mark.parametrize(("name", "row"), CHECKS)
def test_checks_of_the_header(name, row):
    """Levels that the header states, each with its source and tolerance."""
    made = stage(name, **row.get("set", {}))
    level = 20.0 * np.log10(abs(at(made, row["frequency"])))
    if "relative_to" in row:
        level -= 20.0 * np.log10(abs(at(made, row["relative_to"])))
    assert row["source"]
    assert level == pytest.approx(row["value"], abs=row["tolerance"])


def test_header_checks_name_nothing_that_is_not_run():
    for name in NAMES:
        assert set(find_template(name).checks) <= {"gain_db"}, name


def amplitude_of(made: Stage, op: Reply, gain: float) -> float:
    """Return a drive [V peak] at which a stage works but isn't torn apart."""
    if "drive" not in made.values:
        return float(np.clip(LEVEL / max(gain, 1e-6), 1e-3, 10.0))
    nodes = made.valves["v1"].nodes
    bias = abs(float(op.values[nodes["grid"]][0] - op.values[nodes["cathode"]][0]))
    return min(0.7 * np.sqrt(2.0) * float(made.values["drive"]), 1.2 * bias)


def compare(made: Stage) -> None:
    """Run both engines and hold them to one another: op 1e-6, ac 1e-4 dB, THD 1 % above 0.01 %."""
    # What has no input is heard from its supply.
    circuit = render(made, excite="signal" if "input" in made.circuit.ends else next(iter(made.supplies))).circuit
    outputs = tuple(made.ports[role] for role in ("output", "output_b") if role in made.ports)
    supply = made.name == "supply"
    first: dict[str, Any] = {}
    runs: list[Analysis] = [OpRun(), AcRun(10.0, 100e3, 4, outputs)]
    for engine in ("ngspice", "neospice"):
        replies = run(circuit, runs, Run(engine=engine, time_limit=300.0))
        for reply in replies:
            assert reply.reasons == [""], f"{engine}: {reply.reasons[0]}"
            assert reply.engines == [engine]
        first[engine] = replies
    (op, ac), (other_op, other_ac) = first["ngspice"], first["neospice"]
    for node, value in op.values.items():
        assert other_op.values[node][0] == pytest.approx(value[0], rel=1e-6, abs=1e-9), node
    gain = 0.0
    for node in outputs:
        one, other = np.abs(ac.values[node][0]), np.abs(other_ac.values[node][0])
        heard = np.maximum(one, other) > 1e-12  # nothing passes through rectifiers at rest
        assert heard.all() or supply
        assert np.abs(20.0 * np.log10(one[heard] / other[heard])).max(initial=0.0) < 1e-4
        gain = max(gain, float(one[len(one) // 2]))
    if not made.valves and not supply:
        return  # linear: nothing to distort
    frequency, amplitude = (50.0, np.sqrt(2.0)) if supply else (1000.0, amplitude_of(made, op, gain))
    if not supply and gain * amplitude < 1e-4:
        return  # a control at its stop: nothing comes out that could be distorted
    tolerance = 1e-2 if supply else 1e-5  # relative to the ripple, some millionths of the voltage that it rides on
    asked = SteadyRun(frequency, (Sine(1.0, frequency),), np.array([[amplitude]]), outputs, tolerance=tolerance)
    waves = {}
    for engine in ("ngspice", "neospice"):
        (reply,) = run(circuit, [asked], Run(engine=engine, time_limit=300.0))
        assert reply.reasons == [""], f"{engine}: {reply.reasons[0]}"
        assert reply.engines == [engine]
        waves[engine] = reply.values
    for node in outputs:
        one, other = waves["ngspice"][node][0, 0], waves["neospice"][node][0, 0]
        if supply:
            assert one.mean() == pytest.approx(other.mean(), rel=1e-4)
            assert np.ptp(one) == pytest.approx(np.ptp(other), rel=2e-2, abs=1e-5 * abs(one.mean()))
            continue
        first_one, first_other = harmonics(one), harmonics(other)
        assert abs(20.0 * np.log10(first_one[0] / first_other[0])) < 0.01
        found, wanted = (np.sqrt((h[1:] ** 2).sum()) / h[0] for h in (first_other, first_one))
        assert found == pytest.approx(wanted, rel=0.01, abs=1e-4)


@pytest.mark.ngspice
@pytest.mark.parametrize("name", NAMES)
def test_both_engines_agree_at_the_defaults(name):
    compare(stage(name))


def values_of(parameter: Parameter) -> st.SearchStrategy[Any]:
    """Return values from a third to three times the default, inside the range; capacitors also 0."""
    if parameter.unit == "choice":
        return st.sampled_from(parameter.choices)
    if parameter.same:  # another one has to be of the kind of the valve that it stands for
        return st.just("same")
    if parameter.unit == "valve":
        named = [valve for kind in parameter.kinds for valve in DRAWN[kind]]
        return st.sampled_from([*dict.fromkeys([parameter.default, *named])])
    if parameter.unit == "component":
        return st.just(parameter.default)
    low, high = parameter.minimum, parameter.maximum
    assert low is not None
    assert high is not None
    if (low, high) == (0.0, 1.0) and parameter.unit == "":
        return st.sampled_from([step / 40 for step in range(41)])
    if parameter.default == 0.0:
        return st.just(0.0)
    # Supplies far above what a valve stands bend its law where nobody would use it, and a sink that asks
    # for more than the anode resistors can pass makes no stage.
    factor = 1.5 if parameter.unit == "V" or parameter.name == "tail_current" else 3.0
    bounds = sorted((parameter.default / factor, parameter.default * factor))
    sign = np.sign(bounds[1] or bounds[0])
    ends = sorted(abs(np.clip(bounds, low, high)))
    # A grid of values: hypothesis would mix in numbers that it finds in whatever source files are loaded, and then
    # the sets wouldn't be the same in every run.
    inside = st.sampled_from([float(f"{sign * value:.3g}") for value in np.geomspace(*ends, 41)])
    if parameter.unit == "F" and low == 0.0:
        return st.one_of(*[inside] * 7, st.just(0.0))
    return inside


@pytest.mark.slow
@pytest.mark.ngspice
@pytest.mark.parametrize("name", NAMES)
def test_both_engines_agree_over_random_values(name):
    """20 legal sets of values, the same ones in every run; 8 where no choice makes another circuit of it."""
    template = find_template(name)
    examples = 20 if any(entry.unit == "choice" for entry in template.parameters.values()) else 8
    sets = st.fixed_dictionaries({entry.name: values_of(entry) for entry in template.parameters.values()})
    seen: list[dict[str, Any]] = []

    @settings(
        max_examples=examples,
        derandomize=True,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(sets)
    def over(values):
        seen.append(values)
        compare(stage(name, **values))

    over()
    assert len(seen) == examples


@pytest.mark.parametrize("name", NAMES)
def test_numbers_can_be_swept_without_rendering_again(name):
    """Any numeric parameter as an array is one text with a table, and each point equals its own rendering."""
    made = stage(name)
    for parameter in made.template.parameters.values():
        if not parameter.numeric or parameter.default == 0.0:
            continue
        low, high = float(parameter.minimum), float(parameter.maximum)  # type: ignore[arg-type]
        column = np.clip(np.array([0.7, 1.0, 1.3]) * float(parameter.default), low, high)
        batches = render_table(PointTable(made, {parameter.name: column}, 3))
        assert len(batches) == 1, f"{parameter.name} isn't tabular"
        circuit = batches[0].netlist.circuit
        for index, value in enumerate(column):
            alone = render(made.replace(**{parameter.name: float(value)})).circuit
            lines = {
                " ".join(line.split()[: 1 + line.startswith(".")]): line.split() for line in circuit.text.splitlines()
            }
            for device, values in circuit.table.items():
                place = 4 if device[0] in "vi" else 3
                lines[device][place] = repr(float(values[index]))
            assert "\n".join(" ".join(words) for words in lines.values()) + "\n" == alone.text, parameter.name


def test_every_valve_that_is_drawn_is_in_the_library():
    names = set(valve_names())
    for kind, drawn in DRAWN.items():
        for name in drawn:
            assert get_valve(name, kind=kind).kind == kind
            assert get_valve(name, kind=kind).name in names
