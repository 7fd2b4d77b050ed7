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


def half(spread: np.ndarray, stage: simwrap.Stage) -> np.ndarray:
    """Anode current of one half by the valve's law: the cathode voltage on its own resistor, ends by Kirchhoff."""
    valve, supply = simwrap.valve("6V6GT"), float(stage.values["supply"])
    volts = np.linspace(8.0, 22.0, 4001)
    flow = valve.currents(supply - volts, -volts, supply - volts)
    return np.interp(spread * float(stage.values["cathode_resistor"]), volts / flow.cathode, flow.anode)


def test_direct_current_in_the_transformer_is_that_of_a_monte_carlo_by_the_valves_law() -> None:
    """Halves with 5 % resistors of their own: up to 2.7 mA, 5.8 % of a half's current, flow through the transformer."""
    stage = PAIR.replace(transformer="ideal")
    ends = half(np.array([0.95, 1.0, 1.05]), stage)
    assert ends[0] - ends[2] == pytest.approx(2.7e-3, rel=0.02)
    assert (ends[0] - ends[2]) / ends[1] == pytest.approx(0.058, rel=0.02)
    dice = np.random.default_rng(3)
    drawn = half(dice.uniform(0.95, 1.05, (2, 100_000)), stage)
    apart = np.abs(drawn[0] - drawn[1])
    data = simwrap.spread(stage, {"resistors": "5 %"}, ["bias"], builds=1000, seed=4, curves=False, spot_check=0)
    found = np.abs(np.subtract(*[data[f"bias.valves.{valve}.anode_current"].values for valve in ("v1", "v2")]))
    assert found.max() == pytest.approx(2.7e-3, rel=0.08)
    assert found.max() <= ends[0] - ends[2] + 1e-5
    # The 1000 builds' own scatter: a standard error of about 2.3 %, and of a quantile of about 4 %.
    assert np.sqrt((found**2).mean()) == pytest.approx(np.sqrt((apart**2).mean()), rel=0.07)
    for share in (0.5, 0.9):
        assert np.quantile(found, share) == pytest.approx(np.quantile(apart, share), rel=0.12)
    # Build by build, exactly.
    by_law = [half(data[f"r_cathode_{side}.spread"].values, stage) for side in "ab"]
    np.testing.assert_allclose(found, np.abs(by_law[0] - by_law[1]), atol=2e-6)


def test_parts_of_two_parameters_can_be_matched() -> None:
    """The anode resistors of a long-tailed pair: matched, their quotient is the same in every build."""
    stage = simwrap.stage("long_tailed_pair")
    names = ("anode_resistor", "anode_resistor_b")
    parts = dict.fromkeys(names, "5 %")
    alike = simwrap.spread(stage, parts, ["balance"], builds=12, seed=2, matched=[names], curves=False, spot_check=0)
    apart = simwrap.spread(stage, parts, ["balance"], builds=12, seed=2, curves=False, spot_check=0)
    assert factors_of(stage, parts=parts, matched=[names]) == ["anode_resistor = anode_resistor_b"]
    assert factors_of(stage, parts=parts) == list(names)
    figure = next(name for name in alike.data_vars if name.startswith("balance.") and name.endswith("_db"))
    assert np.ptp(alike[figure].values) < 0.1 * np.ptp(apart[figure].values)
    # Sides go as their loads: 5 % against 5 % are up to 0.87 dB.
    assert np.ptp(apart[figure].values) > 0.3


@pytest.mark.parametrize(
    ("matched", "words"),
    [
        ([("anode_resistor", "grid_leek")], "did you mean grid_leak"),
        ([("anode_resistor", "anode_resistor_b"), "anode_resistor"], "each parameter once"),
        ([("anode_resistor", "anode_resistor_b")], "different tolerances"),
    ],
)
def test_parts_that_cannot_be_matched_get_one_sentence(matched: list[object], words: str) -> None:
    parts = {"anode_resistor": "5 %", "anode_resistor_b": "1 %", "grid_leak": "5 %"}
    with pytest.raises(simwrap.InputError, match=words):
        factors_of(simwrap.stage("long_tailed_pair"), parts=parts, matched=matched)


def test_the_command_takes_matched_parts(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tolerance", "long_tailed_pair", "--builds", "5", "--measure", "bias", "--json"]
    anodes = ["--matched-part", "anode_resistor=anode_resistor_b"]
    for more, there in ((["--matched-part", "grid_leak", *anodes, "--matched"], True), ([], False)):
        with pytest.raises(SystemExit) as left:
            main([*words, *more])
        assert left.value.code == 0
        told = " ".join(json.loads(capsys.readouterr().out)["factors"])
        assert ("grid_leak -5" in told) is there
        assert ("anode_resistor = anode_resistor_b -5" in told) is there
        assert ("r_grid_leak_b.spread" in told) is not there
