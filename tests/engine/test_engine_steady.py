"""The periodic steady state against closed forms and against hundreds of plain periods."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from engine_circuits import DIVIDER, amplifier, push_pull, stage, two_stages

from simwrap import engine
from simwrap.engine import NetlistTable, Run, Sine, SteadyRun, TransientRun, run
from simwrap.engine.known_states import KnownStates
from simwrap.engine.protocol import Array
from simwrap.engine.resample import onto

BOTH = ("neospice", "ngspice")


@pytest.fixture(params=BOTH)
def name(request: pytest.FixtureRequest) -> str:
    if engine.backends.discovery.missing(request.param):
        pytest.skip(engine.backends.discovery.missing(request.param))
    return str(request.param)


def harmonics(wave: Array) -> Array:
    """Amplitudes [V peak] of the harmonics; entry 0 is the mean."""
    found = np.abs(np.fft.rfft(wave)) / wave.shape[-1] * 2.0
    found[..., 0] /= 2.0
    return found


def distortion(wave: Array) -> Array:
    found = harmonics(wave)
    return np.sqrt((found[..., 2:20] ** 2).sum(axis=-1)) / found[..., 1]


def steady(text: str, levels: list[float], name: str, frequency: float = 1000.0) -> engine.Reply:
    request = SteadyRun(frequency, (Sine(1.0, frequency),), np.array([levels]), ("n_out",))
    (reply,) = run(NetlistTable(text), [request], Run(engine=name, workers=1))
    return reply


def brute(text: str, level: float, name: str, periods: int = 400, frequency: float = 1000.0) -> float:
    """Distortion of the last but one of so many periods, all of them run.

    The last period ends where the output ends, the first of three has its first point missing.
    """
    period = 1.0 / frequency
    samples = 3 * 256 + 1
    request = TransientRun(
        periods * period, period / 200, ("n_out",), (Sine(level, frequency),),
        start=(periods - 3) * period, samples=samples,
    )  # fmt: skip
    (reply,) = run(NetlistTable(text), [request], Run(engine=name, time_limit=300.0, workers=1))
    assert not reply.failed[0], reply.reasons
    return float(distortion(reply.values["n_out"][0, 256:512]))


def test_a_resistive_divider_reads_below_minus_140_db(name: str) -> None:
    reply = steady(DIVIDER, [1e-3, 1.0, 100.0], name)
    assert (20 * np.log10(distortion(reply.values["n_out"][0])) < -140.0).all()
    np.testing.assert_allclose(harmonics(reply.values["n_out"][0])[:, 1], [5e-4, 0.5, 50.0], rtol=1e-6)


def test_a_polynomial_reads_its_exact_harmonics(name: str) -> None:
    # a x + b x^2 + c x^3 with x = A sin: mean b A^2/2, then a A + 3 c A^3/4, b A^2/2, c A^3/4.
    a, b, c = 2.0, 0.3, -0.2
    text = (
        "v_signal n_in 0 dc 0.0 ac 1.0\nr_i n_in 0 1000.0\n"
        f"b_p n_out 0 v={a!r}*v(n_in)+{b!r}*v(n_in)*v(n_in)+({c!r})*v(n_in)*v(n_in)*v(n_in)\nr_o n_out 0 1000.0\n"
    )
    for amplitude in (0.1, 1.0, 2.0):
        reply = steady(text, [amplitude], name)
        found = harmonics(reply.values["n_out"][0, 0])
        expected = [b * amplitude**2 / 2, a * amplitude + 3 * c * amplitude**3 / 4, b * amplitude**2 / 2]
        expected.append(abs(c) * amplitude**3 / 4)
        assert np.abs(20 * np.log10(found[:4] / np.abs(expected))).max() < 0.01


def test_tones_are_in_phase_with_their_period(name: str) -> None:
    tones = (Sine(1.0, 600.0), Sine(0.25, 7000.0, 90.0))
    request = SteadyRun(200.0, tones, np.array([[2.0]]), ("n_out",), samples=512)
    (reply,) = run(NetlistTable(DIVIDER), [request], Run(engine=name))
    assert reply.axis is not None
    expected = np.sin(2 * np.pi * 600 * reply.axis) + 0.25 * np.cos(2 * np.pi * 7000 * reply.axis)
    np.testing.assert_allclose(reply.values["n_out"][0, 0], expected, atol=2e-5)


#: text, levels [V peak], frequency [Hz]; the last levels are 12 dB and more beyond clipping.
CASES = {
    "one stage": (stage, [0.05, 8.0], 1000.0),
    "one stage, 50 Hz": (stage, [0.05, 8.0], 50.0),
    "two stages": (two_stages, [0.05, 2.0], 1000.0),
    "push-pull": (push_pull, [2.0, 60.0], 1000.0),
}


#: Feedback resistor [ohm] (0: open loop) and the level at which the amplifier is overdriven [V peak].
LOOPS = {"open loop": (0.0, 0.08), "closed loop": (2200.0, 0.7)}


@pytest.mark.parametrize("loop", LOOPS)
def test_ten_levels_of_a_whole_amplifier_take_few_periods(loop: str, name: str) -> None:
    feedback, top = LOOPS[loop]
    reply = steady(amplifier(feedback), list(np.geomspace(top / 100, top, 10)), name)
    assert reply.reasons == [""]
    assert reply.engines == [name]
    # The loop makes it no harder: the goal is 15 a level, the overdriven last ones included.
    assert (reply.extras["periods"] <= 15).all(), reply.extras["periods"]
    assert reply.extras["periods"].sum() <= 60
    assert (reply.extras["method"] == "shooting").all()


@pytest.mark.parametrize("tolerance", [1e-5, 1e-4])
def test_levels_are_as_settled_as_they_are_said_to_be(tolerance: float) -> None:
    # Against a hundredth of the tolerance. What the linear period adds to a level that was run once is inside of it.
    levels = np.array([np.geomspace(1.0, 50.0, 12)])
    waves = []
    for asked in (tolerance, 0.01 * tolerance):
        request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), levels, ("n_out",), tolerance=asked)
        (reply,) = run(NetlistTable(push_pull()), [request], Run(engine="neospice", workers=1))
        assert reply.reasons == [""]
        if asked == tolerance:
            assert reply.extras["periods"].min() == 1
            assert reply.extras["periods"].sum() <= 40
        waves.append(harmonics(reply.values["n_out"][0]))
    allowed = tolerance * np.maximum(waves[1][:, 1:].max(axis=1), 0.01 * levels[0])
    assert (np.abs(waves[0] - waves[1]) < allowed[:, None]).all()


def test_engines_agree_on_a_whole_amplifier() -> None:
    for engine_name in BOTH:
        if engine.backends.discovery.missing(engine_name):
            pytest.skip(engine.backends.discovery.missing(engine_name))
    one, other = (steady(amplifier(2200.0), [0.01, 0.3, 0.6], each).values["n_out"][0] for each in BOTH)
    np.testing.assert_allclose(harmonics(one)[:, 1], harmonics(other)[:, 1], rtol=1e-5)
    np.testing.assert_allclose(distortion(one), distortion(other), rtol=5e-3)


def test_a_whole_amplifier_with_feedback_as_plain_periods() -> None:
    # With capacitors small enough for plain periods to come to rest in a quarter of a second of signal.
    text = amplifier(2200.0)
    for large, small in (("4.7e-05", "1e-06"), ("0.0001", "2e-06"), ("0.00047", "1e-05"), ("2.2e-05", "1e-06"),
                         ("4.7e-07", "4.7e-08"), ("2.2e-07", "1e-08")):  # fmt: skip
        text = text.replace(f" {large}\n", f" {small}\n")
    name = engine.choose("neospice")[0]
    reply = steady(text, [0.5], name)
    plain = brute(text, 0.5, name, periods=250)
    assert float(distortion(reply.values["n_out"][0, 0])) == pytest.approx(plain, rel=2e-3)


def test_too_much_feedback_is_named_at_once() -> None:
    # A loop of 34 dB round the same transformer without the step network.
    text = amplifier(330.0).replace("c_step n_a4 n_step 1.5e-10", "c_step n_a4 n_step 1e-13")
    text = text.replace("l_leakage_a n_leakage_a n_anode_a 0.004", "l_leakage_a n_leakage_a n_anode_a 0.04")
    text = text.replace("l_leakage_b n_leakage_b n_anode_b 0.004", "l_leakage_b n_leakage_b n_anode_b 0.04")
    engine.run(NetlistTable(DIVIDER), [engine.OpRun()], Run(workers=1))
    begin = time.process_time(), time.monotonic()
    reply = steady(text, [0.01, 0.1, 0.3], "neospice")
    assert time.monotonic() - begin[1] < 3.0
    assert reply.failed[0]
    assert "oscillates by itself" in reply.reasons[0]


@pytest.mark.parametrize("case", CASES)
def test_as_400_plain_periods_in_a_tenth_of_them(case: str) -> None:
    name = engine.choose("neospice")[0]
    make, levels, frequency = CASES[case]
    reply = steady(make(), levels, name, frequency)
    assert not reply.failed[0], reply.reasons
    assert (reply.extras["method"] == "shooting").all()
    plain = [brute(make(), level, name, frequency=frequency) for level in levels]
    np.testing.assert_allclose(distortion(reply.values["n_out"][0]), plain, rtol=2e-3)
    assert (reply.extras["periods"] <= 40).all()


def test_the_reference_engine_takes_as_few_periods() -> None:
    name = engine.choose("ngspice")[0]
    reply = steady(stage(), [8.0], name)
    plain = [brute(stage(), 8.0, name)]
    np.testing.assert_allclose(distortion(reply.values["n_out"][0]), plain, rtol=2e-3)
    assert (reply.extras["periods"] <= 40).all()


def test_engines_agree_on_distortion() -> None:
    for name in BOTH:
        if engine.backends.discovery.missing(name):
            pytest.skip(engine.backends.discovery.missing(name))
    for make, levels in ((stage, [0.01, 1.0, 4.0]), (push_pull, [5.0, 40.0])):
        one, other = (distortion(steady(make(), levels, name).values["n_out"][0]) for name in BOTH)
        np.testing.assert_allclose(one, other, rtol=2e-3)


def test_distortion_falls_with_the_level_down_to_the_floor() -> None:
    # The second harmonic over the first is proportional to the level where it is small.
    reply = steady(stage(), [1e-3, 1e-2, 1e-1], "neospice")
    found = distortion(reply.values["n_out"][0])
    np.testing.assert_allclose(found / [1e-3, 1e-2, 1e-1] / (found[1] / 1e-2), 1.0, rtol=2e-3)


def test_twenty_levels_of_one_stage_take_few_periods() -> None:
    reply = steady(stage(), list(np.geomspace(0.02, 20.0, 20)), "neospice")
    assert not reply.failed[0]
    assert reply.extras["periods"].sum() < 240


def test_workers_do_not_change_the_numbers(name: str) -> None:
    circuit = NetlistTable(stage(), {"r_anode": np.array([5e4, 1e5, 2e5])}, 3)
    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[0.1, 1.0]] * 3), ("n_out",))
    one, other = (run(circuit, [request], Run(engine=name, workers=workers))[0] for workers in (1, 3))
    np.testing.assert_array_equal(one.values["n_out"], other.values["n_out"])


def test_brute_force_says_so_and_agrees(monkeypatch: pytest.MonkeyPatch) -> None:
    from simwrap.engine import shooting, steady
    from simwrap.engine.backends import neospice
    from simwrap.engine.deck import Deck
    from simwrap.netlist import allow_list

    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[0.5]]), ("n_out",))

    def solver() -> steady.Solver:
        return steady.Solver(neospice.Neospice(), Deck(allow_list.check(stage())), request, {}, 60.0)

    fast = solver().level(0.5)
    monkeypatch.setattr(shooting, "PATIENCE", -100)
    slow = solver().level(0.5)
    assert (fast.method, slow.method) == ("shooting", "brute force")
    assert slow.periods > 3 * fast.periods
    assert distortion(slow.waves[0]) == pytest.approx(distortion(fast.waves[0]), rel=1e-3)


def test_a_level_that_does_not_settle_is_nan_with_its_reason() -> None:
    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[0.5, 1.0]]), ("n_out",), max_periods=1)
    (reply,) = run(NetlistTable(stage()), [request])
    assert reply.failed[0]
    assert "no steady state within" in reply.reasons[0]
    assert np.isnan(reply.values["n_out"]).all()


def test_an_oscillator_has_no_steady_state() -> None:
    # A phase-shift oscillator: three RC sections and a gain beyond what they lose; it runs by itself.
    text = (
        "v_signal n_s 0 dc 0.0 ac 1.0\nr_s n_s n_x 100000.0\nb_g n_o 0 v=-60.0*tanh(v(n_c))\n"
        "r_o n_o n_x 10000.0\nc_1 n_x 0 1e-06\nr_1 n_x n_b 10000.0\nc_2 n_b 0 1e-06\n"
        "r_2 n_b n_out 10000.0\nc_3 n_out 0 1e-06\nr_3 n_out n_c 1.0\nr_4 n_c 0 1000000.0\n"
    )
    reply = steady(text, [0.1], "neospice")
    assert "unstable" in reply.reasons[0]
    assert np.isnan(reply.values["n_out"]).all()


def test_a_current_source_can_drive() -> None:
    text = "v_signal n_in 0 dc 0.0 ac 1.0\nr_a n_in n_out 1000.0\ni_output 0 n_out dc 0.0 ac 0.0\nr_b n_out 0 1000.0\n"
    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[0.002]]), ("n_out",), "i_output")
    (reply,) = run(NetlistTable(text), [request])
    np.testing.assert_allclose(harmonics(reply.values["n_out"][0, 0])[1], 1.0, rtol=1e-6)


def test_cubic_resampling_of_uneven_points() -> None:
    rng = np.random.default_rng(2)
    times = np.sort(np.concatenate(([0.0, 1.0, 1.0], rng.uniform(0, 1, 400))))
    grid = np.linspace(0, 1, 97)
    cubic = np.polynomial.Polynomial([0.3, -1.0, 2.0, 4.0])
    np.testing.assert_allclose(onto(grid, times, cubic(times)), cubic(grid), atol=1e-9)
    edge = np.where(times > 0.5, 1.0, 0.0)
    both = onto(grid, times, np.array([cubic(times), edge]))
    np.testing.assert_array_equal(both, [onto(grid, times, cubic(times)), onto(grid, times, edge)])


def test_a_level_begins_from_what_another_run_kept() -> None:
    """A cubic's third harmonic in closed form, a/4 of the cube: the same from kept states, in fewer periods."""
    text = (
        "v_signal n_in 0 dc 0.0\nr_a n_in n_a 1000.0\nc_a n_a 0 1e-06\nr_b n_a n_b 100000.0\nc_b n_b 0 0.0001\n"
        "b_cubic n_out 0 v=v(n_in)*v(n_in)*v(n_in)+v(n_b)\nr_c n_out 0 1000.0\n"
    )
    kept, alone = KnownStates(), np.zeros(1, dtype=int)
    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[0.5, 1.0]]), ("n_out",))
    (first,) = run(NetlistTable(text), [request])
    kept.keep("cubic", request.amplitude, first, alone)
    assert "state" not in first.extras
    again = replace(request, amplitude=np.array([[0.8]]))
    begun = kept.begin("cubic", again, alone)
    assert begun.known_levels is not None
    np.testing.assert_array_equal(begun.known_levels, [[0.5, 1.0]])
    assert kept.begin("another", again, alone) is again
    (found,), (fresh,) = run(NetlistTable(text), [begun]), run(NetlistTable(text), [again])
    for reply in (found, fresh):
        assert harmonics(reply.values["n_out"][0, 0])[3] == pytest.approx(0.25 * 0.8**3, rel=1e-4)
    assert found.extras["periods"][0, 0] <= fresh.extras["periods"][0, 0]
