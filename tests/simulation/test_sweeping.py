"""Grid sweeps: layout, labels, files, failed points, and the check on the other engine."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.errors import InputError, QuantityError, RangeError, UnknownNameError
from simwrap.simulation import sweep
from simwrap.units import eseries

STAGE = simwrap.stage("triode_gain")


def test_dims_are_the_parameters_in_the_order_given() -> None:
    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "1k5", "2k2"], "supply": [250, 300]}, ["bias"])
    assert data["bias.valves.v1.anode_current"].dims == ("cathode_resistor", "supply")
    assert data["cathode_resistor"].values.tolist() == [1000.0, 1500.0, 2200.0]
    assert data["cathode_resistor"].attrs["units"] == "ohm"
    assert data["bias.valves.v1.anode_current"].attrs["units"] == "A"
    assert data["bias.valves.v1.anode_current"].attrs["long_name"]
    # Each point is what measuring that stage alone gives.
    alone = simwrap.measure(STAGE.replace(cathode_resistor="2k2", supply=250), ["bias"])
    assert float(data["bias.valves.v1.anode_current"].sel(cathode_resistor=2200, supply=250)) == pytest.approx(
        alone.bias.valves.v1.anode_current, rel=1e-9
    )


def test_an_e_series_and_valve_types_are_values_like_others() -> None:
    values = {"valve": ["12AX7", "12AU7"], "anode_resistor": eseries.values("E6", 47e3, 220e3)}
    data = simwrap.sweep(STAGE, values, ["response"])
    assert data["response.gain"].dims == ("valve", "anode_resistor")
    assert data["response.gain"].shape == (2, 5)
    assert (data["status"] == "").all()
    assert (data["response.gain"].sel(valve="12AX7") > data["response.gain"].sel(valve="12AU7")).all()


def test_zipped_values_go_side_by_side() -> None:
    values = {"anode_resistor": ["47k", "100k", "220k"], "cathode_resistor": ["820", "1k5", "2k7"]}
    data = simwrap.sweep(STAGE, values, ["bias"], zipped=True)
    assert data["bias.valves.v1.anode_current"].dims == ("point",)
    assert data["cathode_resistor"].dims == ("point",)
    whole = simwrap.sweep(STAGE, values, ["bias"])
    np.testing.assert_allclose(
        np.diag(whole["bias.valves.v1.anode_current"].values), data["bias.valves.v1.anode_current"].values, rtol=1e-9
    )


def test_zipped_values_of_different_length_are_refused() -> None:
    with pytest.raises(RangeError, match="same number of values"):
        simwrap.sweep(STAGE, {"anode_resistor": ["47k", "100k"], "supply": [300]}, ["bias"], zipped=True)


@pytest.mark.parametrize(
    ("values", "error", "words"),
    [
        ({}, InputError, "at least one parameter"),
        ({"cathode_resister": [1e3]}, UnknownNameError, "did you mean cathode_resistor"),
        ({"cathode_resistor": ["1 V"]}, QuantityError, "was read as a voltage"),
        ({"cathode_resistor": [-1.0]}, RangeError, "from 0 ohm|0 .* to"),
        ({"cathode_resistor": np.array([1e3, np.nan])}, QuantityError, "not a number"),
        ({"cathode_resistor": np.array([1e3, -1.0, 2e3])}, RangeError, "cathode_resistor"),
        ({"cathode_resistor": []}, RangeError, "at least one value"),
        ({"cathode_resistor": [1e3], "Cathode_Resistor": [2e3]}, InputError, "swept twice"),
        ({"valve": ["12AX7", "13AX7"]}, UnknownNameError, "12AX7"),
    ],
)
def test_bad_values_are_refused_in_one_sentence(values: Any, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words) as caught:
        simwrap.sweep(STAGE, values, ["bias"])
    assert "\n" not in str(caught.value)


def test_one_netlist_serves_a_whole_table(monkeypatch: pytest.MonkeyPatch) -> None:
    from simwrap.circuits import render

    rendered = []
    whole = render._render
    monkeypatch.setattr(render, "_render", lambda *given: rendered.append(given[2]) or whole(*given))
    simwrap.sweep(
        STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 10), "supply": np.linspace(200, 300, 10)}, ["response"]
    )
    # Two for the blocks, the others for the first point's hash.
    assert sorted(rendered)[-2:] == [1, 99]
    assert sorted(rendered)[:-2] == [1] * (len(rendered) - 2)
    assert len(rendered) <= 5


def test_a_part_that_comes_and_goes_is_rendered_again() -> None:
    data = simwrap.sweep(STAGE, {"cathode_capacitor": [0, "1u", "22u"]}, ["response"])
    one = simwrap.measure(STAGE.replace(cathode_capacitor=0), ["response"])
    assert float(data["response.gain"][0]) == pytest.approx(one.response.gain, rel=1e-9)
    assert data["response.gain"][0] < data["response.gain"][2]


class _Failing:
    """An engine on which every fifth point fails."""

    def __init__(self, run: Any) -> None:
        self.run = run

    def __call__(self, circuit: Any, runs: Any, options: Any) -> Any:
        replies = self.run(circuit, runs, options)
        for reply in replies:
            for point in range(0, circuit.points, 5):
                reply.reasons[point] = "did not converge"
                for array in reply.values.values():
                    array[point] = np.nan
        return replies


def test_a_failed_point_is_nan_with_its_reason(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from simwrap import engine as engines

    monkeypatch.setattr(engines, "run", _Failing(engines.run))
    data = simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 10)}, ["bias", "response"])
    failed = (data["status"] == "did not converge").values
    # Every fifth point of a block; the first block has one.
    assert failed.tolist() == [True] + [True, False, False, False, False, True, False, False, False]
    for name in ("bias.valves.v1.anode_current", "response.gain", "response.low_corner"):
        assert np.isnan(data[name].values).tolist() == failed.tolist()
    # The reasons live through a file.
    sweep.save(data, tmp_path / "a.nc")
    assert sweep.load(tmp_path / "a.nc")["status"].values.tolist() == data["status"].values.tolist()


def test_netcdf_keeps_everything(tmp_path: Path) -> None:
    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"], "valve": ["12AX7", "12AU7"]})
    sweep.save(data, tmp_path / "sweep.nc")
    back = sweep.load(tmp_path / "sweep.nc")
    assert back.equals(data)
    for name in data.variables:
        assert back[name].attrs == data[name].attrs, name
    assert back.attrs["engine"] == data.attrs["engine"]
    assert back.attrs["simwrap_version"] == simwrap.__version__
    assert len(back.attrs["netlist_sha256"]) == 64


def test_csv_has_one_row_a_point(tmp_path: Path) -> None:
    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"], "supply": [200, 250, 300]}, ["bias", "response"])
    sweep.save(data, tmp_path / "sweep.csv")
    head, *rows = (tmp_path / "sweep.csv").read_text().splitlines()
    assert len(rows) == 6
    columns = head.split(",")
    assert {"cathode_resistor", "supply", "response.gain", "bias.valves.v1.anode_current", "status"} <= set(columns)
    first = dict(zip(columns, rows[0].split(","), strict=True))
    assert float(first["response.gain"]) == float(data["response.gain"][0, 0])


def test_files_that_cannot_be_used(tmp_path: Path) -> None:
    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["bias"])
    with pytest.raises(RangeError, match=r"\.nc"):
        sweep.save(data, tmp_path / "sweep.txt")
    with pytest.raises(InputError, match="can't be written"):
        sweep.save(data, tmp_path / "nowhere" / "sweep.nc")
    with pytest.raises(InputError, match="no such file"):
        sweep.load(tmp_path / "none.nc")
    (tmp_path / "bad.nc").write_bytes(b"no netCDF")
    with pytest.raises(InputError, match="not a saved sweep"):
        sweep.load(tmp_path / "bad.nc")


def test_a_file_of_another_sweep_is_not_continued(tmp_path: Path) -> None:
    file = tmp_path / "sweep.nc"
    simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["bias"], file=file)
    for stage, values, measures in (
        (STAGE, {"cathode_resistor": ["1k", "2k2"]}, ["bias"]),
        (STAGE.replace(supply=250), {"cathode_resistor": ["1k", "2k"]}, ["bias"]),
        (STAGE, {"cathode_resistor": ["1k", "2k"]}, {"response": {"per_decade": 10}}),
    ):
        with pytest.raises(InputError, match="holds another sweep"):
            simwrap.sweep(stage, values, measures, file=file)


def test_long_reasons_live_through_a_resume(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An interrupted sweep whose finished part has a failed point."""
    from simwrap import engine as engines

    values = {"cathode_resistor": np.linspace(1e3, 2e3, 40)}
    file = tmp_path / "sweep.nc"
    run = engines.run
    calls = []

    def once(circuit: Any, runs: Any, options: Any) -> Any:
        calls.append(circuit.points)
        if len(calls) > 1:
            raise KeyboardInterrupt
        replies = run(circuit, runs, options)
        for reply in replies:
            reply.reasons[0] = "a reason that is longer than the word for what is pending"
        return replies

    monkeypatch.setattr(engines, "run", once)
    with pytest.raises(KeyboardInterrupt):
        simwrap.sweep(STAGE, values, ["response"], file=file)
    monkeypatch.setattr(engines, "run", run)
    data = simwrap.sweep(STAGE, values, ["response"], file=file)
    assert str(data["status"].values[0]) == "a reason that is longer than the word for what is pending"
    assert (data["status"].values[1:] == "").all()
    assert np.isfinite(data["response.gain"].values).all()


def test_progress_is_told_and_ends_at_the_last_point() -> None:
    told: list[tuple[int, int]] = []
    simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 50)}, ["bias"], progress=lambda *n: told.append(n))
    assert told[-1] == (50, 50)
    assert [done for done, _ in told] == sorted(done for done, _ in told)


def test_progress_moves_inside_a_block_of_slow_points() -> None:
    told: list[int] = []
    simwrap.sweep(
        STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 14)}, {"headroom": {"levels": 18}},
        progress=lambda done, _: told.append(done),
    )  # fmt: skip
    assert told == sorted(set(told))  # never back, never the same twice
    assert told[-1] == 14
    # Blocks of 1, 4 and 9 points: told in between too.
    assert any(5 < done < 14 for done in told)


@pytest.mark.ngspice
def test_the_spot_check_notes_the_disagreement() -> None:
    data = simwrap.sweep(
        STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 30)}, ["bias", "response"], engine="neospice", spot_check=4
    )
    assert data.attrs["spot_check"] == "4 points again on ngspice"
    assert 0.0 <= data.attrs["spot_check_disagreement"] < 1e-3


@pytest.mark.ngspice
def test_the_spot_check_is_on_by_default_from_200_points() -> None:
    few = simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 200)}, ["bias"])
    many = simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 201)}, ["bias"])
    assert "spot_check" not in few.attrs
    assert many.attrs["spot_check"].startswith("5 points again on ")


@pytest.mark.ngspice
def test_the_spot_check_warns_of_a_disagreement(monkeypatch: pytest.MonkeyPatch) -> None:
    from simwrap import engine as engines

    run = engines.run

    def wrong(circuit: Any, runs: Any, options: Any) -> Any:
        replies = run(circuit, runs, options)
        for reply in replies:
            if reply.engines[0] == "ngspice":
                for array in reply.values.values():
                    array *= 1.01
        return replies

    monkeypatch.setattr(engines, "run", wrong)
    with pytest.warns(UserWarning, match=r"spot check: .* differs by 0\.01"):
        simwrap.sweep(
            STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 30)}, ["response"], engine="neospice", spot_check=3
        )


def test_curves_can_be_left_out() -> None:
    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["response"], curves=False)
    assert "response.curve_db" not in data
    assert "response.gain" in data


def test_blocks_do_not_depend_on_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same blocks every time: a few points first, then as many as what is asked allows."""
    from simwrap import engine as engines

    sizes: list[int] = []
    run = engines.run

    def watching(circuit: Any, runs: Any, options: Any) -> Any:
        sizes.append(circuit.points)
        return run(circuit, runs, options)

    monkeypatch.setattr(engines, "run", watching)
    simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 1100)}, ["response"], spot_check=0)
    assert sizes == [1, 1024, 75]
    sizes.clear()
    monkeypatch.setattr(sweep, "SLOW_BLOCK", 3)
    simwrap.sweep(STAGE, {"cathode_resistor": np.linspace(1e3, 2e3, 5)}, {"headroom": {"levels": 18}}, spot_check=0)
    assert set(sizes) == {1, 3}


def test_a_sweep_at_a_shell(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "simwrap", "sweep", "triode_gain", "--over", "cathode_resistor=1k:2k2:E12",
         "--measure", "bias", "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = json.loads(done.stdout)
    assert told["coords"]["cathode_resistor"]["values"] == [1000.0, 1200.0, 1500.0, 1800.0, 2200.0]


def test_nothing_warns_over_a_dataset_without_any_value(monkeypatch: pytest.MonkeyPatch) -> None:
    from simwrap import engine as engines

    run = engines.run

    def nothing(circuit: Any, runs: Any, options: Any) -> Any:
        replies = run(circuit, runs, options)
        for reply in replies:
            reply.reasons[:] = ["failed"] * circuit.points
            for array in reply.values.values():
                array[:] = np.nan
        return replies

    monkeypatch.setattr(engines, "run", nothing)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["bias", "response"])
    assert (data["status"] == "failed").all()
    assert np.isnan(data["response.gain"].values).all()


def test_every_point_keeps_its_warnings(tmp_path):
    """What a single measurement warns of, a sweep does too: in the Dataset, its file, and at the shell."""
    stage = simwrap.stage("push_pull_output")
    data = simwrap.sweep(stage, {"cathode_resistor": [150.0, 400.0]}, ["bias"])
    alone = [simwrap.measure(stage.replace(cathode_resistor=r), "bias").warnings for r in (150.0, 400.0)]
    assert [str(text) for text in data["warnings"].values] == [" ".join(texts) for texts in alone]
    assert "anode dissipation" in str(data["warnings"].values[0])
    sweep.save(data, tmp_path / "sweep.nc")
    assert sweep.load(tmp_path / "sweep.nc")["warnings"].values.tolist() == data["warnings"].values.tolist()


@pytest.mark.ngspice
def test_the_spot_check_takes_rounding_for_what_it_is() -> None:
    """Nothing charges a capacitor of a tone control: volts that are nothing but rounding don't disagree."""
    room = simwrap.circuit(
        {
            "line": simwrap.stage("triode_gain"),
            "tone": simwrap.stage("tone_passive"),
            "makeup": simwrap.stage("triode_gain"),
        }
    )
    data = simwrap.spread(room, None, ["bias", "response"], builds=120, seed=1, curves=False, spot_check=5)
    assert np.abs(data["bias.capacitors.tone.bass_upper.voltage"].values).max() < 1e-15
    assert data.attrs["spot_check"].startswith("5 points")
    assert data.attrs["spot_check_disagreement"] < 1e-6


def test_a_sweep_draws_itself(tmp_path: Path) -> None:
    """``swept.plot("bias")`` is ``simwrap.plot(swept, "bias")``, of a saved one too; other Datasets are left alone."""
    import xarray

    data = simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["bias", "response"])
    assert data.plot("response").axes[0].get_xlabel() == simwrap.plot(data, "response").axes[0].get_xlabel()
    assert data.plot("bias").axes
    sweep.save(data, tmp_path / "sweep.nc")
    assert sweep.load(tmp_path / "sweep.nc").plot("response").axes
    with pytest.raises(ValueError, match="explicit plot method"):
        xarray.Dataset({"a": ("x", [1.0])}).plot()
