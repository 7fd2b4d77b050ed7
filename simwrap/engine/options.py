"""How runs are done: which engine, how long, and where; as one object, and as the keywords that functions take."""

from __future__ import annotations

import concurrent.futures
import inspect
import math
import numbers
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypedDict, TypeVar

from simwrap.errors import RangeError, nearest

if TYPE_CHECKING:
    from simwrap.engine.known_states import KnownStates

#: The longest time limit [s].
LONGEST = 1e6
Progress = bool | Callable[[int, int], None]


class RunKeywords(TypedDict, total=False):
    """What functions that simulate take as keywords: the fields of a :class:`Run` one by one, or a whole one."""

    engine: str
    time_limit: float
    workers: int | None
    executor: concurrent.futures.Executor | None
    progress: Progress
    run: Run


@dataclass(frozen=True)
class Run:
    """How all that simulates does what it is asked; checked when it is made.

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
    progress : bool or callable
        True draws a bar over the points of a sweep; a callable gets (points done, points in all).
    arrived : callable, optional
        Called, in the thread that asked, each time a child has done a part.
    small_signals : str
        "linearised": sweeps and noise come from the circuit linearised about the engine's operating point; "engine":
        they are the engine's own analyses; "auto": the former where several share an operating point.
    settled : KnownStates, optional
        Where runs of single points keep their periodic steady states, for later ones of the same circuit and signal.

    Raises
    ------
    RangeError
        When a value is none of these.
    """

    engine: str = "auto"
    time_limit: float = 60.0
    workers: int | None = None
    executor: concurrent.futures.Executor | None = None
    progress: Progress = False
    arrived: Callable[[], None] | None = None
    small_signals: str = "auto"
    settled: KnownStates | None = None

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

    @classmethod
    def of(cls, given: RunKeywords) -> Run:
        """Return what keywords say: the fields that were given, over those of a whole run where one was.

        Raises
        ------
        RangeError
        TypeError
            For a keyword that is none of them.
        """
        own: dict[str, Any] = dict(given)
        whole = own.pop("run", DEFAULT)
        if not isinstance(whole, cls):
            raise RangeError("run", whole, "a simwrap.Run")
        for name in set(own) - set(RunKeywords.__annotations__):
            meant = " or ".join(nearest(name, RunKeywords.__annotations__))
            raise TypeError(f"unexpected keyword argument {name!r}" + (f"; did you mean {meant}?" if meant else ""))
        return replace(whole, **own)


#: What is done where nothing is asked for.
DEFAULT = Run()

_Function = TypeVar("_Function", bound=Callable[..., Any])


def spelled_out(*kinds: type, **others: Any) -> Callable[[_Function], _Function]:
    """Let the signature of a function that collects keywords (``**how``) name each: completion and help show them.

    Parameters
    ----------
    *kinds
        Dataclasses whose fields are taken; of a :class:`Run` those that are for its users.
    **others
        Further keywords with their defaults.
    """
    keywords = others | {
        field.name: field.default
        for kind in kinds
        for field in fields(kind)
        if kind is not Run or field.name in RunKeywords.__annotations__
    }

    def named(function: _Function) -> _Function:
        plain = inspect.signature(function)
        own = list(plain.parameters.values())[:-1]
        more = [inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=d) for name, d in keywords.items()]
        function.__signature__ = plain.replace(parameters=[*own, *more])  # type: ignore[attr-defined]
        return function

    return named
