"""Periodic steady states that came to rest: where those of the same signal at other levels begin."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply, SteadyRun

_Entries = dict[int, list[tuple[float, NDArray[Any]]]]


class KnownStates:
    """States by netlist, by what drives it, and by point.

    What is found from them is the same as without, to what it is settled to: they are only where a search begins.
    """

    def __init__(self) -> None:
        self._found: dict[Any, _Entries] = {}

    def begin(self, signal: Any, run: SteadyRun, points: NDArray[np.intp]) -> SteadyRun:
        """Return a run that begins from what is known of its ``signal`` (netlist and tones), if all points have it."""
        at = self._found.get(signal, {})
        known = [at.get(point, []) for point in points.tolist()]
        if not known[0] or len({len(entries) for entries in known}) > 1:
            return run
        levels = np.array([[level for level, _ in entries] for entries in known])
        states = np.array([[state for _, state in entries] for entries in known])
        return dataclasses.replace(run, known_levels=levels, known_states=states)

    def keep(self, signal: Any, levels: NDArray[Any], reply: Reply, points: NDArray[np.intp]) -> None:
        """Take the states out of a reply, and keep them; ``levels``, shape (points, levels), are what it was run at."""
        states = reply.extras.pop("state", None)
        if states is None:
            return
        at = self._found.setdefault(signal, {})
        for point, row, found in zip(points.tolist(), levels, states, strict=True):
            at.setdefault(point, []).extend(zip(row.tolist(), found, strict=True))
