"""Every part that is bought is drawn by itself, also where one parameter stands for several."""

from __future__ import annotations

import json

import numpy as np
import pytest

import simwrap
from simwrap.circuits.circuit import as_circuit
from simwrap.cli import main
from simwrap.design.tolerance import Tolerances
from simwrap.errors import NetlistError
from simwrap.faults.bed import Varied, bed_of

PAIR = simwrap.stage("push_pull_output", cathode_connection="separate")


def factors_of(stage: simwrap.Stage, **given: object) -> list[str]:
    return [factor.name for factor in Tolerances(**given).factors(stage)]


def test_halves_have_parts_of_their_own() -> None:
    names = factors_of(PAIR, parts={"resistors": "5 %"})
    assert {"r_cathode_a.spread", "r_cathode_b.spread", "r_grid_leak_a.spread", "r_grid_leak_b.spread"} <= set(names)
    assert "cathode_resistor" not in names
    alike = factors_of(PAIR, parts={"resistors": "5 %"}, matched=["cathode_resistor"])
    assert "cathode_resistor" in alike
    assert not [name for name in alike if "r_cathode" in name]


def test_as_many_resistors_vary_as_the_guard_draws() -> None:
    """The guard's bed draws element by element; whatever it draws at a pair's halves varies here too."""
    bed = bed_of(as_circuit(PAIR))
    drawn = {name for factor in bed.factors(Varied()) for name in factor.parameters if name.startswith("r_")}
    own = {name.removesuffix(".spread") for name in factors_of(PAIR, parts={"resistors": "5 %"}) if "spread" in name}
    pairs = {name for name in drawn if f"{name[:-2]}_a" in drawn and f"{name[:-2]}_b" in drawn}
    assert {"r_cathode_a", "r_cathode_b"} <= pairs <= own


def test_the_spread_of_a_divider_is_the_closed_form() -> None:
    """Output of the two sides of a splitter into separate loads: 1 + u against 1 + w, both uniform.

    The standing currents of two halves with cathode resistors of their own differ by I' R (u - w), so that the
    difference has sqrt(2) times the spread of one; where both move as one it has none.
    """
    tolerances = {"cathode_resistor": "5 %"}
    own = simwrap.spread(PAIR, tolerances, ["bias"], builds=400, seed=1, curves=False, spot_check=0)
    alike = simwrap.spread(
        PAIR, tolerances, ["bias"], builds=50, seed=1, matched=["cathode_resistor"], curves=False, spot_check=0
    )
    halves = [own[f"bias.valves.{valve}.cathode_current"].values for valve in ("v1", "v2")]
    assert np.std(halves[0] - halves[1]) == pytest.approx(np.sqrt(2.0) * np.std(halves[0]), rel=0.1)
    assert abs(np.corrcoef(*halves)[0, 1]) < 0.15
    same = [alike[f"bias.valves.{valve}.cathode_current"].values for valve in ("v1", "v2")]
    np.testing.assert_allclose(*same, rtol=1e-6)
    # One build by another way: a circuit whose element has that value.
    one = own.isel(build=0)
    again = simwrap.sweep(
        PAIR, {name: [float(one[name])] for name in ("r_cathode_a.spread", "r_cathode_b.spread")}, ["bias"]
    )
    figure = "bias.valves.v1.cathode_current"
    assert float(again[figure].values.ravel()[0]) == pytest.approx(float(one[figure]), rel=1e-6)
    slope = np.polyfit(own["r_cathode_a.spread"].values, halves[0], 1)[0]
    moved = [
        simwrap.measure(PAIR.replace(cathode_resistor=PAIR.values["cathode_resistor"] * k), ["bias"])
        for k in (0.97, 1.03)
    ]
    rise = np.subtract(*[each.bias.valves.v1.cathode_current for each in moved[::-1]]) / 0.06
    assert slope == pytest.approx(float(rise), rel=0.03)


def test_an_element_that_is_not_there_is_refused() -> None:
    with pytest.raises(NetlistError, match="r_nothing"):
        simwrap.measure(PAIR.replace(**{"r_nothing.spread": 1.1}), ["bias"])


def test_the_command_takes_matched_parts(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tolerance", "long_tailed_pair", "--builds", "5", "--measure", "bias", "--json"]
    for more, there in ((["--matched-part", "grid_leak", "--matched"], True), ([], False)):
        with pytest.raises(SystemExit) as left:
            main([*words, *more])
        assert left.value.code == 0
        told = " ".join(json.loads(capsys.readouterr().out)["factors"])
        assert ("grid_leak -5" in told) is there
        assert ("r_grid_leak_b.spread" in told) is not there
