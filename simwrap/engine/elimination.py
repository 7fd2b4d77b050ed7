"""Gaussian elimination of many sparse systems of one shape at once: ``(A + sB) x = right`` at many points and many s.

The order is found once, on one of them: the pivot that makes least new entries among those that are large enough in
their column (H. M. Markowitz, Management Science 3 (1957) 255), and those first that don't depend on s, so that they
are done once a point instead of once a frequency. Then each step is a few operations on whole arrays. Unlike a
transformation to modes it mixes nothing: what is small stays exact beside what is large.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np

from simwrap.engine.protocol import Array

#: A pivot has at least this share of the largest entry of its column.
LARGE_ENOUGH = 0.1


@dataclass(frozen=True)
class Pivot:
    """One pivot at (row, column); the rows below it that have an entry in its column, and its row's other columns."""

    row: int
    column: int
    below: tuple[int, ...]
    across: tuple[int, ...]


def plan(sample: Array, varies: Array) -> list[Pivot] | None:
    """Return the steps of an elimination, None where the sample has no single solution.

    Parameters
    ----------
    sample : ndarray, shape (n, n)
        One of the matrices.
    varies : ndarray of bool, shape (n, n)
        Which entries depend on s at any point.
    """
    count = len(sample)
    rows = [{j: sample[i, j] for j in np.flatnonzero((sample[i] != 0) | varies[i]).tolist()} for i in range(count)]
    columns = [{i for i in range(count) if j in rows[i]} for j in range(count)]
    fast = {(i, j) for i in range(count) for j in rows[i] if varies[i, j]}
    steps: list[Pivot] = []

    def best_of(j: int) -> tuple[tuple[bool, int, float], int] | None:
        """Return the best pivot of a column, with its row."""
        best: tuple[tuple[bool, int, float], int] | None = None
        largest = max((abs(rows[i][j]) for i in columns[j]), default=0.0)
        for i in columns[j]:
            size = abs(rows[i][j])
            if size == 0.0 or size < LARGE_ENOUGH * largest:
                continue
            work = (len(rows[i]) - 1) * (len(columns[j]) - 1)
            if best is not None and (False, work) > best[0][:2]:
                continue
            often = any((i, other) in fast for other in rows[i]) or any((other, j) in fast for other in columns[j])
            rank = (often, work, -size / largest)
            if best is None or rank < best[0]:
                best = rank, i
        return best

    # Each column's best pivot is looked for again only where a step has changed it.
    known = {j: best_of(j) for j in range(count)}
    waiting = [(best[0], j, best[1]) for j, best in known.items() if best is not None]
    heapq.heapify(waiting)
    for _ in range(count):
        while waiting and known.get(waiting[0][1]) != (waiting[0][0], waiting[0][2]):
            heapq.heappop(waiting)
        if not waiting:
            return None
        _, j, i = heapq.heappop(waiting)
        below, across = sorted(columns[j] - {i}), sorted(rows[i].keys() - {j})
        for other in below:
            factor = rows[other].pop(j) / rows[i][j]
            for k in across:
                rows[other][k] = rows[other].get(k, 0.0) - factor * rows[i][k]
                columns[k].add(other)
                if not fast.isdisjoint(((other, j), (i, k), (i, j))):
                    fast.add((other, k))
        for k in across:
            columns[k].discard(i)
        columns[j] = set()
        del known[j]
        steps.append(Pivot(i, j, tuple(below), tuple(across)))
        for changed in {*across, *(k for other in below for k in rows[other])}:
            if (best := best_of(changed)) != known[changed]:
                known[changed] = best
                if best is not None:
                    heapq.heappush(waiting, (best[0], changed, best[1]))
    return steps


def solve(
    steps: list[Pivot], constant: Array, rate: Array, varies: Array, s: Array, right: dict[int, Array]
) -> dict[int, Array]:
    """Return the unknowns that aren't zero, by index, each of shape (sides, points, frequencies).

    Parameters
    ----------
    steps : list of Pivot
        From :func:`plan`.
    constant, rate : ndarray, shape (points, n, n)
        A and B.
    varies : ndarray of bool, shape (n, n)
        Where B isn't zero at all points.
    s : ndarray of complex, shape (frequencies,)
    right : dict of int to ndarray, shape (sides, points, 1)
        The rows of the right-hand sides that aren't zero.

    Returns
    -------
    dict of int to ndarray
        Not finite where a pivot vanishes.
    """
    entries: list[dict[int, Array]] = [{} for _ in range(constant.shape[1])]
    for i, j in np.argwhere((constant != 0).any(axis=0) | varies).tolist():
        entry = constant[:, i, j, None]
        entries[i][j] = entry + s * rate[:, i, j, None] if varies[i, j] else entry
    sides = dict(right)
    with np.errstate(all="ignore"):
        for step in steps:
            row = entries[step.row]
            row[step.column] = over = 1.0 / row[step.column]
            own = sides.get(step.row)
            for other in step.below:
                target = entries[other]
                if step.column not in target:  # an entry that is zero at these points
                    continue
                factor = target.pop(step.column) * over
                for k in step.across:
                    if k in row:
                        less = factor * row[k]
                        target[k] = target[k] - less if k in target else -less
                if own is not None:
                    less = factor * own
                    sides[other] = sides[other] - less if other in sides else -less
        found: dict[int, Array] = {}
        for step in reversed(steps):
            total = sides.get(step.row)
            row = entries[step.row]
            for k in step.across:
                if k in row and k in found:
                    less = row[k] * found[k]
                    total = total - less if total is not None else -less
            if total is not None:
                found[step.column] = total * row[step.column]
    return found
