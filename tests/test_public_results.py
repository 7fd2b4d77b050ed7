"""Every public result is data: JSON, a Dataset with units, something to look at, names that complete."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray
from matplotlib.figure import Figure

import simwrap
from simwrap.amplifier import kept
from simwrap.report.shown import Shown
from simwrap.simulation.measurement import Measurement

VALVES = "name,anode_voltage,grid_voltage,screen_voltage,anode_current\n" + "".join(
    f"{name},250,-12.5,250,{current}\n" for name, current in (("A", 0.044), ("B", 0.046), ("C", 0.056))
)
LEVELS = """simwrap_design = 1
[stages.line]
stage = "triode_gain"
supply = "280 V"
valve = "6SL7GT"
[levels]
rated_output = "2 V"
"""


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "folder", lambda: tmp_path / "cache")


@cache
def line() -> Any:
    return simwrap.stage("triode_gain", valve="6SL7GT", supply="250 V")


@cache
def builds() -> Any:
    return simwrap.spread(line(), simwrap.Tolerances(parts={"resistors": "5 %"}), ["bias"], builds=20)


@cache
def finder() -> Any:
    return simwrap.fault_finder(line(), quick=True)


def pair(folder: Path) -> Any:
    (file := folder / "valves.csv").write_text(VALVES, encoding="utf-8")
    return simwrap.match(simwrap.stage("push_pull_output"), file, quick=True)


def audited(folder: Path) -> Any:
    (file := folder / "line.toml").write_text(LEVELS, encoding="utf-8")
    return simwrap.check(file, quick=True)


#: What makes each result, and whether it can be drawn.
RESULTS: dict[str, tuple[Callable[[Path], Any], bool]] = {
    "check": (audited, True),
    "states": (lambda folder: audited(folder).states["at rest"], True),
    "sheet": (lambda folder: simwrap.sheet(line(), quick=True), True),
    "guard": (lambda folder: simwrap.guard(simwrap.stage("single_ended_output"), builds=10, quick=True), True),
    "fault_finder": (lambda folder: finder(), False),
    "readings": (lambda folder: finder().read([{"point": "v1.anode", "value": "240 V"}]), True),
    "match": (pair, True),
    "measure": (lambda folder: simwrap.measure(line(), ["bias", "response"]), True),
    "choose": (lambda folder: simwrap.choose(line(), {"anode_current": "1 mA"}, ["cathode_resistor"]), True),
    "worst_case": (
        lambda folder: simwrap.worst_case(line(), simwrap.Tolerances(parts={"resistors": "5 %"}), ["bias"]), True,
    ),
    "yield_of": (lambda folder: simwrap.yield_of(builds(), "anode_current > 0.5 mA"), True),
    "rank_parts": (lambda folder: simwrap.rank_parts(builds(), "anode_current"), True),
}  # fmt: skip


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_is_data_and_shows_itself(name: str, tmp_path: Path) -> None:
    make, drawn = RESULTS[name]
    found = make(tmp_path)
    assert isinstance(found, Shown)
    plain = found.to_dict()
    assert plain
    assert json.loads(found.to_json()) == json.loads(json.dumps(plain))
    assert json.loads(found.to_json(indent=2)) == json.loads(found.to_json())
    data = found.to_dataset()
    assert isinstance(data, xarray.Dataset)
    assert data.data_vars
    for variable in data.data_vars.values():
        if variable.dtype.kind in "fc":
            assert variable.attrs["units"], variable.name
    assert len(repr(found).splitlines()) >= 1
    assert "object at 0x" not in repr(found)
    assert found._repr_html_().lstrip().startswith("<")
    assert hasattr(found, "plot") == drawn
    if drawn:
        assert isinstance(found.plot(), Figure)


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_has_no_copy_of_what_all_have(name: str, tmp_path: Path) -> None:
    """What renders lies in one place; a sheet's own page is the only one that isn't a report."""
    kinds = [kind for kind in type(RESULTS[name][0](tmp_path)).__mro__ if kind not in (Shown, object)]
    own = {method for kind in kinds for method in vars(kind)}
    assert not own & {"to_json", "__repr__"}
    assert ("_repr_html_" in own) == (name == "sheet")


def test_sweep_and_spread_are_datasets_that_plot_and_show_themselves() -> None:
    """xarray's own: ``to_dict`` and ``_repr_html_``; ``plot`` draws a measure of simwrap's."""
    swept = simwrap.sweep(line(), {"cathode_resistor": ["1k", "1k8"]}, ["bias", "response"])
    for data in (swept, builds()):
        assert isinstance(data, xarray.Dataset)
        assert data.to_dict()["data_vars"]
        assert data._repr_html_()
    assert isinstance(swept.plot("response"), Figure)


def test_figures_states_and_measures_complete() -> None:
    found = simwrap.measure(line(), ["bias", "response"])
    assert {"bias", "response"} <= set(dir(found))
    assert {"bias", "response.gain_db"} <= set(found._ipython_key_completions_())
    assert {"valves", "nodes"} <= set(dir(found.bias))
    assert found.bias.valves._ipython_key_completions_() == ["v1"]
    assert "anode_current" in dir(found.bias.valves.v1)
    circuit = simwrap.circuit({"line": line(), "tone": simwrap.stage("tone_passive")})
    assert set(circuit.stages) == {"line", "tone"}
    assert {"line.anode_resistor", "tone.bass"} <= set(circuit.values)
    assert list(circuit.valves) == ["line.v1"]
    worst = RESULTS["worst_case"][0](Path())
    for name in worst._ipython_key_completions_():
        low, high = worst[name]
        assert np.isnan(low) or low <= high


def test_an_editor_knows_every_measure() -> None:
    """Annotations name the measures that come with simwrap, no more and no fewer."""
    known = {name for kind in Measurement.__mro__ for name in vars(kind).get("__annotations__", {})}
    assert set(simwrap.measure_names()) <= known
