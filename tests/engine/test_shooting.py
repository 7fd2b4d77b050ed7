"""Newton's method on maps that are known: of one and two dimensions, without an engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from simwrap.engine import shooting
from simwrap.engine.shooting import Mode, Period, Shooting

Floats = NDArray[np.float64]
SAMPLES, TOLERANCE = 64, 1e-5
ANGLE = 2.0 * np.pi * np.arange(SAMPLES) / SAMPLES


@dataclass
class KnownLinear:
    """What a change of the beginning does, exactly (or by ``factor`` wrongly)."""

    jacobian: Floats
    factor: float

    def moved(self, change: Floats) -> tuple[Floats, Floats]:
        moved = self.factor * waves(change, self.jacobian @ change)
        return moved, self.factor * (self.jacobian @ change)


def waves(begin: Floats, end: Floats) -> Floats:
    """From the beginning to the end of each state, on the way of a cosine; the end stands at the first sample."""
    found = begin[:, None] + (end - begin)[:, None] * (1.0 - np.cos(ANGLE / 2.0)) / 2.0
    found[:, 0] = end
    return np.asarray(found)


class KnownMap:
    """A map of few dimensions: a function, and its derivative where a linear period is to be had.

    Each wave has a sine of amplitude 1 on top, as the signal whose harmonics are compared.
    """

    def __init__(
        self, function: Callable[[Floats], Floats], derivative: Callable[[Floats], Floats] | None, size: int,
        wrong: float = 1.0,
    ) -> None:  # fmt: skip
        self._function, self._derivative, self._wrong = function, derivative, wrong
        self.state = np.eye(size)
        self.seen = SAMPLES // 4
        self.count = 0

    def run(self, begin: Floats) -> Period:
        self.count += 1
        end = np.atleast_1d(self._function(begin))
        return Period(waves(begin, end) + np.sin(ANGLE), end.copy(), begin.copy(), end)

    def linear(self, period: Period, fine: bool) -> KnownLinear | None:
        if self._derivative is None:
            return None
        return KnownLinear(np.atleast_2d(self._derivative(period.begin)), self._wrong)


def solver(known: KnownMap, most: int = 2000) -> Shooting:
    found = Shooting(known, TOLERANCE, most)
    found.begin_level(1.0)
    return found


def residue(known: KnownMap, period: Period) -> float:
    """How far the state that follows is from a fixed point."""
    return float(np.abs(np.atleast_1d(known._function(period.end)) - period.end).max())


# Maps that come to rest


def test_a_linear_map_is_at_rest_after_one_step() -> None:
    known = KnownMap(lambda x: 0.999 * x + 2.0, lambda x: np.array([[0.999]]), 1)  # plain periods: 10,000
    found = solver(known).shoot(np.zeros(1))
    assert found is not None
    assert known.count == 2  # the first, and the one that shows that the step came out as foretold
    np.testing.assert_allclose(found.end, 2000.0, rtol=1e-9)


def test_the_next_level_of_a_linear_map_needs_no_second_period() -> None:
    known = KnownMap(lambda x: 0.9 * x + 1.0, lambda x: np.array([[0.9]]), 1)
    newton = solver(known)
    newton.shoot(np.zeros(1))
    assert newton.sure
    known.count = 0
    newton.begin_level(1.0)
    assert newton.shoot(np.array([10.0 + 1e-10])) is not None
    assert known.count == 1


def test_a_contraction_that_bends_comes_to_its_fixed_point() -> None:
    known = KnownMap(lambda x: np.cos(x), lambda x: np.diag(-np.sin(x)), 1)
    found = solver(known).shoot(np.array([3.0]))
    assert found is not None
    # The Dottie number, to which x -> cos x converges (closed form: none; to ten digits).
    np.testing.assert_allclose(found.end, 0.7390851332, atol=1e-4)
    assert known.count < 12


def test_fast_and_slow_states_come_to_rest_together() -> None:
    # Time constants of a millionth and of ten thousand periods, coupled.
    matrix = np.array([[1e-6, 0.3], [0.0, 0.9999]])
    known = KnownMap(lambda x: matrix @ x + np.array([1.0, 1e-3]), lambda x: matrix, 2)
    found = solver(known).shoot(np.array([0.0, 3.0]))
    assert found is not None
    exact = np.linalg.solve(np.eye(2) - matrix, [1.0, 1e-3])
    np.testing.assert_allclose(found.end, exact, rtol=1e-6)
    assert known.count <= 3


def test_without_a_linear_period_the_periods_themselves_teach_the_way() -> None:
    matrix = np.array([[0.95, 0.1], [-0.1, 0.95]])
    known = KnownMap(lambda x: matrix @ x + 1.0, None, 2)
    found = solver(known).shoot(np.zeros(2))
    assert found is not None
    np.testing.assert_allclose(found.end, np.linalg.solve(np.eye(2) - matrix, np.ones(2)), atol=1e-3)
    assert known.count < shooting.PATIENCE  # plain periods: more than 200


def test_a_linear_period_that_foretells_wrongly_is_not_believed() -> None:
    known = KnownMap(lambda x: 0.99 * x + 1.0, lambda x: np.array([[0.99]]), 1, wrong=3.0)
    found = solver(known).shoot(np.zeros(1))
    assert found is not None
    np.testing.assert_allclose(found.end, 100.0, rtol=1e-6)


def test_a_step_that_leads_too_far_is_cut() -> None:
    # The derivative at the start, 1e-3 short of 1, leads a thousand times too far.
    def bent(x: Floats) -> Floats:
        return np.asarray(x - np.tanh(x - 5.0) * 0.5)

    known = KnownMap(bent, lambda x: np.diag(1.0 - 0.5 / np.cosh(x - 5.0) ** 2), 1)
    newton = solver(known)
    found = newton.shoot(np.array([0.0]))
    if found is None:  # what it came close to is then the beginning of plain periods
        found = newton.wait(np.array([0.0]) if newton.close is None else newton.close)
    np.testing.assert_allclose(found.end, 5.0, atol=1e-3)


# Maps that don't


def failing_beyond(bound: float) -> KnownMap:
    """x + arctan(10 - x), whose derivative at 0 leads to 149 instead of 10; no period starts beyond the bound."""

    def run(x: Floats) -> Floats:
        if abs(x[0]) > bound:
            raise RuntimeError("no such state")
        return np.asarray(x + np.arctan(10.0 - x))

    return KnownMap(run, lambda x: np.diag(1.0 - 1.0 / (1.0 + (10.0 - x) ** 2)), 1)


def test_where_no_period_can_start_the_step_goes_less_far() -> None:
    found = solver(failing_beyond(11.0)).shoot(np.zeros(1))
    assert found is not None
    np.testing.assert_allclose(found.end, 10.0, atol=1e-4)


def test_a_map_that_fails_everywhere_else_is_given_up() -> None:
    known = failing_beyond(0.5)
    newton = solver(known)
    assert newton.shoot(np.zeros(1)) is None
    assert newton.mode is Mode.LOST
    assert known.count < 10


def test_time_that_has_run_out_ends_it() -> None:
    def late(x: Floats) -> Floats:
        raise TimeoutError("late")

    with pytest.raises(TimeoutError):
        solver(KnownMap(late, None, 1)).shoot(np.zeros(1))


def turning(growth: float) -> Callable[[Floats], Floats]:
    """A seventh of a turn a period about (1, 1), by ``growth`` wider each time, and no wider than 2."""
    angle = 2.0 * np.pi / 7.0
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def run(x: Floats) -> Floats:
        away = x - 1.0
        size = max(float(np.linalg.norm(away)), 1e-300)
        return np.asarray(1.0 + turn @ away * min(growth, max(2.0 / size, 1.0 / growth)))

    return run


def derivative(run: Callable[[Floats], Floats]) -> Callable[[Floats], Floats]:
    """By central differences."""

    def found(x: Floats) -> Floats:
        return np.array([(run(x + e) - run(x - e)) / 2e-6 for e in 1e-6 * np.eye(len(x))]).T

    return found


def test_a_limit_cycle_has_a_fixed_point_inside_that_is_refused() -> None:
    run = turning(1.2)
    known = KnownMap(run, derivative(run), 2)
    newton = solver(known)
    found = newton.shoot(np.array([1.1, 0.9]))
    assert found is not None
    np.testing.assert_allclose(found.end, 1.0, atol=1e-4)  # Newton's method finds it although nothing stays there
    with pytest.raises(RuntimeError, match="unstable"):
        newton.refuse_unstable(found)


def test_what_dies_away_while_it_turns_is_accepted() -> None:
    run = turning(0.9)
    known = KnownMap(run, derivative(run), 2)
    newton = solver(known)
    found = newton.shoot(np.array([2.0, 0.0]))
    assert found is not None
    newton.refuse_unstable(found)
    np.testing.assert_allclose(found.end, 1.0, atol=1e-4)


# Plain periods


def test_plain_periods_wait_until_what_is_still_to_come_is_small() -> None:
    known = KnownMap(lambda x: 0.9 * x + 1.0, None, 1)
    found = solver(known).wait(np.zeros(1))
    np.testing.assert_allclose(found.end, 10.0, atol=10.0 * TOLERANCE)


def test_plain_periods_that_hardly_change_less_are_given_up_early() -> None:
    run = turning(1.2)
    known = KnownMap(run, None, 2)
    with pytest.raises(RuntimeError, match="no steady state"):
        solver(known).wait(np.array([2.0, 1.0]))
    assert known.count < 200


# The machine


def test_each_period_is_for_something() -> None:
    known = KnownMap(lambda x: np.cos(x), lambda x: np.diag(-np.sin(x)), 1)
    newton = solver(known)
    newton.start(np.array([3.0]))
    modes = [newton.mode]
    while newton.mode not in (Mode.FOUND, Mode.LOST):
        before = known.count
        newton.advance()
        assert known.count - before <= 1
        modes.append(newton.mode)
    assert modes[0] is Mode.NEWTON
    assert modes[-1] is Mode.FOUND
    assert residue(known, newton.base) < 1e-3


def test_it_never_runs_more_periods_than_it_may() -> None:
    run = turning(1.2)
    known = KnownMap(run, None, 2)
    assert solver(known, most=7).shoot(np.array([2.5, 1.0])) is None
    assert known.count == 7
