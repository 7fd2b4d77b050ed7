"""Margins of a real amplifier's loop in both directions, against eigenvalues of its own solver's matrices.

Three triodes with a step each, a splitter, a pair and a transformer, and feedback to the first cathode: a loop whose
phase passes 180 degrees and comes back.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import scipy.linalg
from mna import Circuit as Oracle

import simwrap
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.render import render
from simwrap.engine import run
from simwrap.engine.protocol import OpRun

#: What is tried: the feedback resistor and its lead capacitor, the steps, and the third cathode's capacitor.
VARIATIONS = {
    "conditionally stable": ("330", "12n", "820", "2n7", "220u"),
    "just conditionally stable": ("330", "12n", "1k", "1n5", 0),
    "unstable, stable with other gains": ("330", "12n", "820", "1n8", 0),
    "stable": ("4k7", "820p", "1k", "2n2", 0),
    "stable with much feedback": ("330", "12n", "1k", "1n5", "220u"),
}


def amplifier(
    resistor: object = "10k", lead: object = 0, step: object = 0, store: object = 0, bypass: object = 0
) -> Circuit:
    triode = {"valve": "12AU7", "anode_resistor": "47k", "cathode_resistor": "1k5", "cathode_capacitor": 0}
    triode |= {"load_resistor": "1M", "load_capacitance": 0, "coupling_capacitor": "22u"}
    triode |= {"step_resistor": step, "step_capacitor": store}
    pair = {"valve": "6V6GT", "grid_leak": "220k", "grid_stopper": "1k", "primary_inductance": 200}
    pair |= {"leakage_inductance": "1m", "primary_capacitance": "50p", "interwinding_capacitance": "20p"}
    return simwrap.circuit(
        {
            "first": simwrap.stage("triode_gain", foot_resistor="100", **triode),
            "second": simwrap.stage("triode_gain", **triode),
            "third": simwrap.stage("triode_gain", **{**triode, "cathode_capacitor": bypass}),
            "splitter": simwrap.stage("cathodyne", bias="self", valve="6SN7GT", coupling_capacitor="22u"),
            "power": simwrap.stage("push_pull_output", **pair),
            "loop": simwrap.stage("feedback_path", resistor=resistor, lead_capacitor=lead),
        },
        joins=["first.output -> second.input", "second.output -> third.input", "third.output -> splitter.input",
               "splitter.output -> power.input", "splitter.output_b -> power.input_b", "power.speaker -> loop.input",
               "loop.output -> first.foot"],
    )  # fmt: skip


def with_inner_loop(inner: str, resistor: str) -> Circuit:
    """Another path, over two stages and so positive, that is unstable by itself."""
    plain = amplifier(resistor)
    return simwrap.circuit(
        {**plain.stages, "inner": simwrap.stage("feedback_path", resistor=inner)},
        joins=[*plain.joins, "third.output -> inner.input", "inner.output -> second.n_grid"],
    )


class Eigenvalues:
    """How many natural frequencies grow when what a path listens to is multiplied, its load on the amplifier as it is.

    Matrices by ``mna``, which knows nothing of the engine; at the path's probe the voltage is multiplied, and the
    current divided.
    """

    def __init__(self, made: Circuit, path: str = "loop") -> None:
        netlist = render(made).circuit
        (op,) = run(netlist, [OpRun()])
        oracle = Oracle(netlist.text)
        state = oracle.operating_point({key: float(volts[0]) for key, volts in op.values.items()})
        self.jacobian, self.storage = oracle.linearised(state)[0], oracle.storage
        self.probe = oracle.index[f"i(v_{path}__probe)"]
        self.node = oracle.index[made.ports[made.loops[path].start]]

    def growing(self, gain: float) -> int:
        """With a gain of 0 the path listens to ground, and is no load."""
        whole = self.jacobian.copy()
        assert whole[self.probe, self.node] != 0.0
        whole[self.probe, self.node] *= gain
        whole[self.node, self.probe] *= 1.0 / gain if gain else 0.0
        alpha, beta = scipy.linalg.eig(-whole, self.storage, right=False, homogeneous_eigvals=True)
        poles = (alpha / np.where(beta == 0.0, 1.0, beta))[np.abs(beta) > 1e-13 * np.abs(alpha)]
        return int((poles.real > 1e-7 * np.abs(poles)).sum())

    def change(self, up: bool, most: float) -> float:
        """Return the least change of the gain [dB] at which stable becomes unstable, or the other way; inf for none."""
        now, way = self.growing(1.0) > 0, 1.0 if up else -1.0

        def turned(decibels: float) -> bool:
            return (self.growing(10.0 ** (way * decibels / 20.0)) > 0) is not now

        high = next((each for each in np.arange(0.25, most, 0.25) if turned(each)), np.inf)
        low = high - 0.25
        while np.isfinite(high) and high - low > 1e-3:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if turned(middle) else (middle, high)
        return float(high)


@cache
def measured(name: str) -> tuple[Circuit, simwrap.Measurement]:
    made = amplifier(*VARIATIONS[name])
    return made, simwrap.measure(made, {"stability": {"per_decade": 200}})


@pytest.mark.parametrize("name", VARIATIONS)
def test_least_changes_of_the_gain_are_those_of_the_eigenvalues(name: str) -> None:
    made, found = measured(name)
    loop, exact = found.stability.loops.loop, Eigenvalues(made)
    assert found.stability.stable == ("no" if exact.growing(1.0) else "yes")
    up, down = exact.change(up=True, most=60.0), exact.change(up=False, most=30.0)
    least = min(loop.gain_margin_db, loop.low_gain_margin_db)
    codes = [finding.code for finding in found.findings]
    if found.stability.stable == "yes":
        assert loop.gain_rise_db == pytest.approx(up, abs=0.1)
        assert loop.gain_fall_db == pytest.approx(down, abs=0.1)
        assert least == pytest.approx(up, abs=0.1)
        assert min(loop.phase_margin, loop.low_phase_margin) > 0.0
        assert codes == ["conditionally_stable"] * bool(np.isfinite(down))
    else:
        # The nearer way out, up or down, with a sign that agrees with the verdict.
        assert np.isnan([loop.gain_rise_db, loop.gain_fall_db]).all()
        assert least == pytest.approx(-min(up, down), abs=0.1)
        assert min(loop.phase_margin, loop.low_phase_margin) < 0.0
        assert "unstable" in codes
    assert loop.open_loop_growing == exact.growing(0.0) == 0


def test_the_variations_are_what_they_are_called() -> None:
    falls = {name: measured(name)[1].stability.loops.loop.gain_fall_db for name in VARIATIONS}
    assert [name for name, fall in falls.items() if np.isfinite(fall)] == list(VARIATIONS)[:2]
    assert [name for name, fall in falls.items() if np.isnan(fall)] == list(VARIATIONS)[2:3]
    (finding,) = measured("conditionally stable")[1].findings
    assert finding.value == falls["conditionally stable"] > 6.0
    assert "conditionally stable: it is unstable too when the loop's gain falls by" in finding.text


@pytest.mark.parametrize("name", ["conditionally stable", "unstable, stable with other gains"])
def test_an_audit_tells_the_same(name: str) -> None:
    made, found = measured(name)
    audit = simwrap.check(made, quick=True)
    codes = {finding.code for finding in audit.findings}
    stable = found.stability.stable == "yes"
    assert ("unstable" in codes) is not stable
    assert audit.clean is (stable and "unstable_with_loads" not in codes)
    assert ("conditionally_stable" in codes) is bool(np.isfinite(found.stability.loops.loop.gain_fall_db))
    (section,) = (section for section in audit.sections if section.name == "stability")
    lines = {line.name: line.value for line in section.lines}
    assert (lines["loop.gain_margin_db"] > 0.0) is stable


@pytest.mark.parametrize(("inner", "resistor"), [("3M3", "10k"), ("3M3", "3k3"), ("1M", "10k")])
def test_what_is_unstable_with_a_loop_opened_is_named(inner: str, resistor: str) -> None:
    made = with_inner_loop(inner, resistor)
    found = simwrap.measure(made, {"stability": {"per_decade": 200}})
    opened = {path: Eigenvalues(made, path).growing(0.0) for path in ("loop", "inner")}
    assert {path: found.stability.loops[path].open_loop_growing for path in opened} == opened
    assert opened["loop"] > 0
    named = {finding.subject for finding in found.findings if finding.code == "open_loop_unstable"}
    assert named == {path for path, count in opened.items() if count}
    assert [finding.subject for finding in found.findings if finding.code == "feedback_positive"] == ["inner"]


def test_a_splitter_that_is_joined_the_wrong_way_round_is_positive_feedback() -> None:
    """Both sides exchanged: every figure of the loop gain turns its sign, at any amount of feedback."""
    plain = amplifier("1M")
    ends = {"power.input": "power.input_b", "power.input_b": "power.input"}
    swapped = [f"{start} -> {ends.get(end, end)}" for start, end in (str(join).split(" -> ") for join in plain.joins)]
    wrong = simwrap.circuit(dict(plain.stages), joins=swapped)
    right, turned = (simwrap.measure(each, ["stability"]) for each in (plain, wrong))
    assert [finding.code for finding in right.findings] == []
    assert "feedback_positive" in [finding.code for finding in turned.findings]
    # 20 log |1 + T| and 20 log |1 - T| of one T: it is real and small in the middle of the band.
    gain = 10.0 ** (right.stability.loops.loop.feedback_db / 20.0) - 1.0
    assert turned.stability.loops.loop.feedback_db == pytest.approx(20.0 * np.log10(1.0 - gain), abs=0.02)
