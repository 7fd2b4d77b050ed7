"""What a stretch of time is for small changes of a circuit's state at its beginning."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simwrap.engine.protocol import Array

#: How a quantity changes: a factor for each unknown (its index), and for each drive (the first -1, the next -2).
Change = dict[int, Array | float]
#: Circuits of fewer unknowns gain nothing by elimination; a pivot among all keeps the last digits of stiff ones.
_LARGE = 24


@dataclass(frozen=True)
class Answers:
    """What the unknowns are for a change of the state, at the beginning's first solution and at the ends of steps.

    ``few``, shape (steps + 1, some, states), of the unknowns in ``places``; the others are ``alike``, shape (others,
    states), and ``follow``, shape (others, some), times those.
    """

    places: Array
    others: Array
    few: Array
    alike: Array
    follow: Array

    def of(self, changes: Array) -> Array:
        """Return the unknowns, shape (steps + 1, unknowns), for changes of the state, shape (steps + 1, states)."""
        found = np.zeros((len(changes), len(self.places) + len(self.others)))
        few = (self.few @ changes[:, :, None])[:, :, 0]
        found[:, self.places] = few
        found[:, self.others] = changes @ self.alike.T + few @ self.follow.T
        return found


def answers(matrix: Array, seen: Array, enters: Array, rate: Array) -> tuple[Array, Answers]:
    """Solve ``(matrix + rate enters seen) x = rate enters`` at many instants; return ``seen @ x``, and ``x``.

    Most of a circuit is the same at all of them: those unknowns are eliminated once (Schur's complement), and what is
    solved at each is as small as what valves and rectifiers change.
    """
    unknowns = matrix.shape[1]
    if len(seen) > 1 or unknowns < _LARGE or np.ptp(rate) > 1e-9 * rate[0, 0, 0]:
        found = np.linalg.solve(matrix + rate * (enters @ seen), rate * enters)
        none = np.zeros(0, dtype=int)
        return seen @ found, Answers(np.arange(unknowns), none, _kept(found), enters[none], np.zeros((0, unknowns)))
    changed = (matrix != matrix[0]).any(axis=0)
    here = changed.any(axis=0) | changed.any(axis=1)
    few, others = np.flatnonzero(here), np.flatnonzero(~here)
    right, left, seen = rate[0] * enters, rate[0] * (enters @ seen[0]), seen[0]
    first = left + matrix[0]
    inner = np.linalg.solve(first[np.ix_(others, others)], np.hstack((right[others], first[np.ix_(others, few)])))
    own, follow = inner[:, : enters.shape[1]], -inner[:, enters.shape[1] :]
    down, across = np.ix_(few, few)
    out = first[np.ix_(few, others)]
    small = matrix[:, down, across] + (left[down, across] + out @ follow)
    found = np.linalg.solve(small, right[few] - out @ own)
    solved = seen[:, others] @ own + (seen[:, few] + seen[:, others] @ follow) @ found
    return solved, Answers(few, others, _kept(found), own, follow)


def _kept(found: Array) -> Array:
    """Of two solutions a step, return the second ones, and before them the very first."""
    return np.concatenate((found[:1], found[1::2]))


@dataclass(frozen=True)
class Stretch:
    """What a stretch of time is for small changes of the state at its beginning.

    Attributes
    ----------
    whole : ndarray, shape (states, states)
        The change at its end for each at its beginning.
    times : ndarray, shape (steps + 1,)
        A moment soon after its beginning, and the ends of its steps [s].
    """

    whole: Array
    times: Array
    _changes: Mapping[str, Change]
    _answers: Answers
    _through: Array

    def waves(self, vectors: Sequence[str], change: Array) -> Array:
        """Return what a change of the beginning, of shape (states,), is in nodes (or ``i(name)``) at its times."""
        followed = self._answers.of(self._through @ change)
        found = np.zeros((len(vectors), len(self.times)))
        for row, name in zip(found, vectors, strict=True):
            for index, factor in self._changes[name].items():
                if index >= 0:  # else a drive, which doesn't change
                    every = np.asarray(factor)
                    row += (np.append(every[0], every[1::2]) if every.ndim else every) * followed[:, index]
        return found
