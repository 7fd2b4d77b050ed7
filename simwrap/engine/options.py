"""How runs are done: which engine, how long, and where."""

from __future__ import annotations

import concurrent.futures
import math
import numbers
from collections.abc import Callable
from dataclasses import dataclass

from simwrap.errors import RangeError

#: The longest time limit [s].
LONGEST = 1e6


@dataclass(frozen=True)
class RunOptions:
    """How :func:`simwrap.engine.run` does what it is asked; checked when it is made.

    Parameters
    ----------
    engine : str
        "auto" (SIMWRAP_ENGINE if set, else the first that is there), "neospice" or "ngspice". A point
        that fails goes to the other engine, if there is one, and the reply says so.
    time_limit : float
        Longest time for one point of one run [s], over all its levels, retries and engines. Where two engines
        are there, the first may use three quarters of it.
    workers : int, optional
        Children of the built-in pool; default: one for each core.
    executor : concurrent.futures.Executor, optional
        Where chunks run instead of the built-in pool; each of its workers keeps its own children.
    arrived : callable, optional
        Called, in the thread that asked, each time a child has done a part.
    small_signals : str
        "linearised": sweeps and noise come from the circuit linearised about the engine's operating point; "engine":
        they are the engine's own analyses; "auto": the former where several share an operating point.

    Raises
    ------
    RangeError
        When a value is none of these.
    """

    engine: str = "auto"
    time_limit: float = 60.0
    workers: int | None = None
    executor: concurrent.futures.Executor | None = None
    arrived: Callable[[], None] | None = None
    small_signals: str = "auto"

    def __post_init__(self) -> None:
        if not isinstance(self.engine, str):
            raise RangeError("engine", self.engine, '"auto", "neospice" or "ngspice"')
        limit = self.time_limit
        number = isinstance(limit, numbers.Real) and not isinstance(limit, bool) and math.isfinite(limit)
        if not number or not 0.0 < float(limit) <= LONGEST:
            raise RangeError("time_limit", limit, f"a time in seconds above 0 and up to {LONGEST:g}, such as 60")
        whole = isinstance(self.workers, numbers.Integral) and not isinstance(self.workers, bool)
        if self.workers is not None and not (whole and self.workers >= 1):
            raise RangeError("workers", self.workers, "a whole number of processes from 1 on, or none for one a core")
        if self.executor is not None and not callable(getattr(self.executor, "submit", None)):
            raise RangeError("executor", self.executor, "a concurrent.futures.Executor")
        if self.small_signals not in ("auto", "linearised", "engine"):
            raise RangeError("small_signals", self.small_signals, '"auto", "linearised" or "engine"')


#: What is done where nothing is asked for.
DEFAULT = RunOptions()
