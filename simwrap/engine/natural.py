"""Natural frequencies of every point of a table: does the circuit stay at rest when it is left alone?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from simwrap.engine.linearised import DRIVE, Linear, Linearised, natural_frequencies, natural_modes
from simwrap.engine.protocol import Array, OpRun
from simwrap.netlist.allow_list import Parsed

#: How many natural frequencies of a point are kept: those with the largest real parts.
KEPT = 8
#: A real part counts as growth above this share of the natural frequency, and above this [1/s]: rounding isn't growth.
GROWTH, LEAST = 1e-6, 1e-3
#: Natural frequencies beyond this [1/s] are left out: no valve circuit holds there, and what rounding leaves of
#: capacitors in loops and of milliohms lies beyond it.
FASTEST = 1e10
#: Share of a natural frequency below which its imaginary part is rounding: it doesn't swing.
SWINGS = 1e-6
#: Points whose matrices are made together: so many that it is quick, so few that they need little room.
TOGETHER = 64
#: Departure of the modes' sum from the response to sines, relative to that, with which it isn't believed.
WRONG = 1e-4


def frequencies(
    parsed: Parsed, values: Mapping[str, Array], state: Mapping[str, Array]
) -> tuple[Array, Array, list[int]]:
    """Return the natural frequencies with the largest real parts [1/s], that first, and the one that rings longest.

    Parameters
    ----------
    parsed : Parsed
        A checked netlist.
    values : mapping of str to ndarray, shape (points,)
        Element values that replace those in the text.
    state : mapping of str to ndarray, shape (points,)
        The operating points: a value for each of :attr:`~simwrap.engine.linearised.Linearised.needed`.

    Returns
    -------
    ndarray of complex, shape (points, KEPT)
        NaN where a point has no operating point, or fewer natural frequencies.
    ndarray of complex, shape (points,)
        Of those that swing, the one that loses least a turn; NaN where none does.
    list of int
        Points whose equations have no single solution, so that nothing can be said.
    """
    points = len(next(iter(state.values())))
    rightmost = np.full((points, KEPT), np.nan, dtype=complex)
    lost: list[int] = []
    ringing = np.full(points, np.nan, dtype=complex)
    at = {name: np.asarray(values, float) for name, values in state.items()}
    good = np.flatnonzero(np.isfinite([*at.values()]).all(axis=0))
    for start in range(0, len(good), TOGETHER):
        some = good[start : start + TOGETHER]
        linear = Linearised(parsed, {name: np.asarray(column, float)[some] for name, column in values.items()})
        whole, rate, _ = linear.stacked({name: at[name][some] for name in linear.needed})
        for point, conductance, capacitance in zip(some, whole[:, :, :-1], rate[:, :, :-1], strict=True):
            try:
                poles = natural_frequencies(conductance, capacitance)
            except np.linalg.LinAlgError:
                lost.append(int(point))
                continue
            poles = poles[np.abs(poles) < FASTEST]
            kept = poles[np.argsort(-poles.real)][:KEPT]
            rightmost[point, : len(kept)] = kept
            swing = poles[poles.imag > SWINGS * np.abs(poles)]
            if swing.size:
                ringing[point] = swing[np.argmin(damped(swing))]
    return rightmost, ringing, lost


def blank(run: OpRun, points: int) -> dict[str, Array]:
    """Return the arrays that a run asks for beside the operating point, filled with NaN."""
    shapes: dict[str, tuple[int, ...]] = {}
    if run.natural:
        shapes |= {"poles": (points, KEPT), "ringing": (points,)}
    if run.source:
        shapes |= {"rates": (points, run.modes), "amplitudes": (points, len(run.stepped), run.modes)}
    return {name: np.full(shape, complex(np.nan, np.nan)) for name, shape in shapes.items()}


def steps(
    parsed: Parsed, values: Mapping[str, Array], state: Mapping[str, Array], run: OpRun, into: Mapping[str, Array]
) -> list[int]:
    """Write what follows a step of a source: "rates" and "amplitudes", as :class:`~simwrap.engine.protocol.OpRun` says.

    Parameters
    ----------
    parsed, values, state
        As in :func:`frequencies`.
    run : OpRun
        With a source.
    into : mapping of str to ndarray
        From :func:`blank`.

    Returns
    -------
    list of int
        Points of which the modes don't give back the response to sines, so that nothing can be said.
    """
    lost: list[int] = []
    at = {name: np.asarray(column, float) for name, column in state.items()}
    for point in np.flatnonzero(np.isfinite([*at.values()]).all(axis=0)).tolist():
        own = {name: float(np.asarray(column)[point]) for name, column in values.items()}
        linear = Linearised(parsed, own, drives=(run.source,), currents=run.stepped)
        try:
            matrices = linear.matrices({name: float(at[name][point]) for name in linear.needed})
            rates, amplitudes = step_response(matrices, run.stepped)
        except np.linalg.LinAlgError:
            lost.append(point)
            continue
        into["rates"][point, : len(rates)] = rates
        into["amplitudes"][point, :, : len(rates)] = amplitudes
    return lost


def step_response(linear: Linear, vectors: Sequence[str]) -> tuple[Array, Array]:
    """Return rates [1/s], shape (modes,), and amplitudes, (vectors, modes), of a step of the drive; the first is at 0.

    ``(G + sC) x = b + s b'`` is ``(1 + s M) x = g + s g'``, and each eigenvector of M is a mode whose eigenvalue is its
    time constant. What is quicker than :data:`FASTEST` is over at once.

    Raises
    ------
    LinAlgError
        Where the sum doesn't give back the response to sines: equal time constants that need more digits.
    """
    times, right, left, stores, answers = natural_modes(linear.conductance, linear.capacitance)
    both = np.linalg.solve(linear.conductance, np.stack((linear.drive, linear.drive_rate), axis=1))
    slow = np.abs(times) * FASTEST > 1.0
    times, right, left = times[slow], right[:, slow], left[slow]
    excited = (left @ both[stores, 1]) / times - left @ both[stores, 0]
    rates = np.append(0.0, -1.0 / times)
    amplitudes = np.zeros((len(vectors), len(rates)), complex)
    for row, name in zip(amplitudes, vectors, strict=True):
        factors = linear.factors(name)
        look = np.array([factors.get(index, 0.0) for index in range(len(linear.names))])
        row[0] = look @ both[:, 0] + factors.get(DRIVE, 0.0)
        row[1:] = (look @ answers @ right) / times * excited
    _check(linear, vectors, rates, amplitudes)
    return rates, amplitudes


def _check(linear: Linear, vectors: Sequence[str], rates: Array, amplitudes: Array) -> None:
    """Hold modes to the response to sines, at the slowest, the middle and the quickest of them."""
    size = np.sort(np.abs(rates[1:]))
    omega = np.minimum(size[[0, len(size) // 2, -1]], FASTEST / 1e3) if len(size) else np.ones(1)
    exact = linear.response(omega / (2.0 * np.pi), tuple(vectors))
    s = 1j * omega[:, None]
    for name, row in zip(vectors, amplitudes, strict=True):
        told = (row * s / (s - rates)).sum(axis=1)
        most = np.abs(exact[name]).max() + 1e-3 * np.abs(row[0])
        if not (np.abs(told - exact[name]) <= WRONG * most).all():
            raise np.linalg.LinAlgError(f"the modes of {name} don't give back its response")


def damped(pole: Array) -> Array:
    """Return the damping of natural frequencies [1/s]: 1 doesn't swing, 0 swings for ever, below 0 grows."""
    with np.errstate(invalid="ignore"):
        return np.asarray(-pole.real / np.abs(pole))


def growing(poles: Array) -> Array:
    """Return which natural frequencies [1/s] grow, as a mask."""
    with np.errstate(invalid="ignore"):
        return np.asarray(poles.real > np.maximum(GROWTH * np.abs(poles), LEAST))
