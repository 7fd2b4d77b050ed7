"""The quasi-static output stage against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stage_runs import assert_printed

from simwrap.fitting.output_rows import law_of
from simwrap.fitting.output_stage import OutputStage, five_point_harmonics, harmonics_of, solve_stage
from simwrap.valves import get_valve

MU, RA, STANDING = 4.2, 800.0, 0.06


def linear_triode(va, vg, vs):
    """Triode that is linear everywhere, 60 mA at 250 V and -45 V."""
    ia = STANDING + (va - 250.0 + MU * (vg + 45.0)) / RA
    return ia, 0.0 * ia


def square_law(va, vg, vs):
    """Current source: 1 mA/V^2 above -20 V, a quarter of it to the screen."""
    ik = 1e-3 * np.maximum(vg + 20.0, 0.0) ** 2 + 0.0 * va
    return 0.75 * ik, 0.25 * ik


def test_linear_triode_single_ended():
    """u = mu*e*RL/(ra+RL), Po = u^2/RL (Radio Designer's Handbook, 4th ed., ch. 13)."""
    drive = np.array([5.0, 20.0, 31.0])
    found = solve_stage(linear_triode, OutputStage(supply=250, load=2500, grid_bias=-45, drive=drive))
    swing = MU * drive * 2500 / (RA + 2500)
    np.testing.assert_allclose(found.output_power, swing**2 / 2500, rtol=1e-9)
    np.testing.assert_allclose(found.harmonics[:, 0], np.sqrt(2) * swing, rtol=1e-9)
    np.testing.assert_allclose(found.thd, 0.0, atol=1e-9)
    np.testing.assert_allclose(found.anode_current, STANDING, rtol=1e-9)
    np.testing.assert_allclose(found.anode_current_zero_signal, STANDING, rtol=1e-9)


def test_linear_triode_pair():
    """Each valve sees Raa/2 in class A: Po = 2*(mu*e)^2*(Raa/2)/(ra+Raa/2)^2 (Thompson, Proc. IRE, April 1933)."""
    found = solve_stage(linear_triode, OutputStage(push_pull=True, supply=250, load=5000, grid_bias=-45, drive=30.0))
    each = (MU * 30.0) ** 2 * 2500 / (RA + 2500) ** 2
    assert found.output_power == pytest.approx(2 * each, rel=1e-9)
    assert found.anode_current == pytest.approx(2 * STANDING, rel=1e-9)


def test_even_harmonics_of_a_square_law():
    """D2 = peak drive / (4 * drive above cut-off); in a pair it cancels and the fundamental doubles per half load."""
    peak = 8.0
    single = OutputStage(supply=300, load=1000, grid_bias=-10, drive=peak / np.sqrt(2))
    found = solve_stage(square_law, single)
    assert found.harmonics[0] == pytest.approx(0.75 * 1e-3 * 2 * 10 * peak * 1000, rel=1e-9)
    assert found.thd == pytest.approx(peak / (4 * 10.0), rel=1e-9)
    assert found.anode_current == pytest.approx(0.75e-3 * (10**2 + peak**2 / 2), rel=1e-9)
    pair = solve_stage(
        square_law, OutputStage(push_pull=True, supply=300, load=4000, grid_bias=-10, drive=peak / np.sqrt(2))
    )
    assert pair.harmonics[0] == pytest.approx(2 * found.harmonics[0], rel=1e-9)
    assert pair.thd == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("pair", [False, True])
def test_cathode_bias_settles_to_the_average_current(pair):
    """Square law: Vk/Rk = k*((V0-Vk)^2 + peak^2/2), a quadratic in Vk."""
    peak, resistor, k = 7.0, 80.0, 1e-3
    found = solve_stage(
        square_law,
        OutputStage(push_pull=pair, supply=300, load=1000, cathode_resistor=resistor, drive=peak / np.sqrt(2)),
    )

    def settled(swing):
        a, b, c = k, -(2 * k * 20.0 + 1 / resistor), k * (400.0 + swing**2 / 2)
        return (-b - np.sqrt(b * b - 4 * a * c)) / (2 * a)

    assert found.cathode_voltage_zero_signal == pytest.approx(settled(0.0), rel=1e-9)
    assert found.cathode_voltage == pytest.approx(settled(peak), rel=1e-9)
    assert found.anode_current == pytest.approx(0.75 * settled(peak) / resistor * (1 + pair), rel=1e-9)


def test_class_b_of_an_ideal_pair():
    """Average of half waves 1/pi each; the output is undistorted."""

    def half_wave(va, vg, vs):
        ia = 10e-3 * np.maximum(vg, 0.0) + 0.0 * va
        return ia, 0.0 * ia

    phases = 400  # the corner of the half wave makes the average converge slowly
    found = solve_stage(
        half_wave, OutputStage(push_pull=True, supply=300, load=8000, drive=10 / np.sqrt(2)), phases=phases
    )
    assert found.anode_current == pytest.approx(2 * 0.1 / np.pi, rel=1e-4)
    assert found.output_power == pytest.approx(0.1**2 * 2000 / 2, rel=1e-9)
    assert found.thd == pytest.approx(0.0, abs=1e-9)


def linear_pentode(va, vg, vs):
    """EL34 numbers of the worked example: 11 mS, mu(g2,g1) 11, 15 k; no screen current."""
    ia = 0.1 + 11e-3 * (vg + 12.2) + 11e-3 / 11 * (vs - 250) + (va - 250) / 15e3
    return ia, 0.0 * ia


@pytest.mark.parametrize(
    ("tap", "name", "digits"), [(0.0, "0", 0.5), (0.2, "20", 0.5), (0.43, "43", 0.05), (1.0, "100", 0.05)]
)
def test_ultra_linear_anode_resistance(tap, name, digits):
    """1/ra' = 1/ra + x*gm/mu(g2,g1) (Hafler and Keroes, Audio Engineering, November 1951), told from two loads."""
    loads = np.array([500.0, 3000.0])
    found = solve_stage(linear_pentode, OutputStage(supply=250, load=loads, grid_bias=-12.2, screen_tap=tap, drive=1.0))
    admittance = 11e-3 * np.sqrt(2) / found.harmonics[:, 0]  # 1/ra' + 1/RL
    resistance = 1.0 / (admittance - 1.0 / loads)
    assert resistance[0] == pytest.approx(resistance[1], rel=1e-6)
    assert_printed(resistance[0], f"ultra_linear_{name}", digits)


def test_screen_resistors_of_a_linear_screen():
    """Screen of 20 k to the cathode behind 1 k each and 2 k common to both: 300 V * 20/(20 + 1 + 2*2)."""
    seen = []

    def law(va, vg, vs):
        seen.append(vs)
        return 1e-3 * (vg + 20.0) + 0.0 * va, vs / 20e3

    found = solve_stage(
        law,
        OutputStage(push_pull=True, supply=400, screen_supply=300, load=5000, grid_bias=-10, drive=3.0,
                    screen_resistor=1000, common_screen_resistor=2000),
    )  # fmt: skip
    assert found.screen_current == pytest.approx(2 * 300 / 25e3, rel=1e-9)
    assert np.asarray(seen[-1])[0] == pytest.approx(240.0, rel=1e-6)


def test_voltages_to_the_cathode_are_that_at_zero_signal():
    law = law_of(get_valve("EL84").constants)
    found = solve_stage(
        law, OutputStage(push_pull=True, supply=250, to_cathode=True, cathode_resistor=260, load=8000, drive=8)
    )
    grid = -found.cathode_voltage_zero_signal
    ia, ig2 = law(np.asarray(250.0), np.asarray(grid), np.asarray(250.0))
    assert found.anode_current_zero_signal == pytest.approx(2 * float(ia), rel=1e-9)
    assert found.cathode_voltage_zero_signal == pytest.approx(260 * float(ia + ig2), rel=1e-9)
    # with drive the supply stays where it was
    grounded = solve_stage(
        law,
        OutputStage(
            push_pull=True, supply=250 + found.cathode_voltage_zero_signal, cathode_resistor=260, load=8000, drive=8
        ),
    )
    assert grounded.output_power == pytest.approx(float(found.output_power), rel=1e-9)


def test_five_point_harmonics_give_the_printed_numbers():
    """Espley's five points: worked example of the Radio Designer's Handbook's formulas."""
    b1, b2, b3, b4 = five_point_harmonics([100, 78, 50, 24, 8])
    for value, wanted in ((b1, 48.667), (b2, 2.0), (b3, -2.667), (b4, 0.0)):
        assert value == pytest.approx(wanted, abs=5e-4)
    assert 100 * b2 / b1 == pytest.approx(4.110, abs=5e-4)
    assert 100 * b3 / b1 == pytest.approx(-5.479, abs=5e-4)


def test_harmonics_of_a_known_wave():
    phase = np.pi * (np.arange(16) + 0.5) / 16
    wave = 3.0 + 2.0 * np.cos(phase) - 0.5 * np.cos(2 * phase) + 0.25 * np.cos(9 * phase)
    np.testing.assert_allclose(harmonics_of(wave), [2, -0.5, 0, 0, 0, 0, 0, 0, 0.25, 0], atol=1e-12)


def test_many_stages_at_once_are_the_same_as_one_by_one():
    law = law_of(get_valve("6V6GT").constants)
    stages = [
        OutputStage(supply=250, load=5000, grid_bias=-12.5, drive=8.8),
        OutputStage(supply=285, load=8000, push_pull=True, cathode_resistor=540, drive=13.4),
        OutputStage(
            supply=285, load=8000, push_pull=True, cathode_resistor=540, drive=12, screen_tap=0.43, screen_resistor=470
        ),
        OutputStage(supply=250, screen_supply=200, load=5000, grid_bias=-10, drive=5, common_screen_resistor=1000),
    ]
    together = solve_stage(law, OutputStage.stack(stages))
    again = solve_stage(law, OutputStage.stack(stages), start=together.state)
    for index, one in enumerate(stages):
        alone = solve_stage(law, one)
        for name in ("output_power", "thd", "anode_current", "screen_current", "cathode_voltage", "anode_voltage_min"):
            assert getattr(together, name)[index] == pytest.approx(float(getattr(alone, name)), rel=1e-7), name
            assert getattr(again, name)[index] == pytest.approx(float(getattr(alone, name)), rel=1e-7), name


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(["EL84", "EL34", "6V6GT", "6L6GC", "KT88", "6550", "ECL82", "ECL86", "2A3", "300B"]),
    pair=st.booleans(),
    fixed=st.booleans(),
    supply=st.floats(150, 500),
    load=st.floats(1000, 15000),
    tap=st.sampled_from([0.0, 0.2, 0.43, 1.0]),
    depth=st.floats(0.4, 1.2),
    drive=st.floats(0.05, 1.0),
    resistor=st.sampled_from([0.0, 470.0]),
)
def test_any_sensible_stage_is_solved(name, pair, fixed, supply, load, tap, depth, drive, resistor):
    """Every type, from class A to beyond cut-off: converged, finite, power within what the supply gives."""
    kind = "triode" if name in ("2A3", "300B") else "pentode"
    constants = get_valve(name, kind=kind).constants
    bias = depth * supply / float(constants.mu)
    found = solve_stage(
        law_of(constants),
        OutputStage(
            push_pull=pair,
            supply=supply,
            load=load,
            screen_tap=tap,
            screen_resistor=resistor,
            grid_bias=-bias if fixed else 0.0,
            cathode_resistor=0.0 if fixed else bias / 0.04,
            drive=drive * bias / np.sqrt(2),
        ),
    )
    assert found.converged
    for value in (found.output_power, found.anode_current, found.screen_current, found.cathode_voltage):
        assert np.isfinite(value)
        assert value >= 0
    given_power = supply * (found.anode_current + found.screen_current)
    assert found.output_power < given_power
    assert found.anode_voltage_min > -0.02 * supply


def test_power_rises_with_drive_up_to_grid_current():
    drive = np.linspace(0.5, 8.8, 12)
    stage = OutputStage(supply=250, load=5000, grid_bias=-12.5, drive=drive)
    found = solve_stage(law_of(get_valve("6V6GT").constants), stage)
    assert (np.diff(found.output_power) > 0).all()
    assert (np.diff(found.screen_current) > 0).all()
    assert found.grid_voltage_max[-1] == pytest.approx(-12.5 + 8.8 * np.sqrt(2) * np.cos(np.pi / 96), abs=1e-9)
