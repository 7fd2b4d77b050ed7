"""Measures by name: the decorator that makes one, and the look-up.

A measure is a generator function ``f(stage, *, options...)`` that yields a request (or a list of
them, to be run together), receives a :class:`~simwrap.engine.protocol.Reply` (or a list of them)
for it, and returns a :class:`~simwrap.measures.requests.Result`. A file in this package (or an entry point of the
group ``simwrap.measures``) that holds a decorated function is all that a new measure takes.
"""

from __future__ import annotations

import inspect
import math
import numbers
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any

from simwrap.errors import RangeError, UnknownNameError
from simwrap.measures.requests import Result
from simwrap.registry import find, plugins

#: Options that may be zero or negative; every other number has to be above 0.
_ANY_SIGN = {"overload_db", "switch_on_phase"}

#: Those that may be zero.
_FROM_ZERO = {"flicker_corner"}

#: Counts for which 0 means that this part is left out.
_MAY_BE_NONE = {("balance", "levels"), ("power", "levels")}

#: The fewest of a count, 2 where it isn't here: a sweep that closes in on three marks twice takes 18.
_FEWEST = {("headroom", "levels"): 18, ("balance", "levels"): 18}

#: The most of a count or number, so that a slip of the pen doesn't run for hours or take all memory.
_MOST = {
    "levels": 200,
    "settings": 200,
    "per_decade": 1000,
    "cycles": 1000,
    "periods": 10_000,
    "frequency": 1e6,
    "window": 100.0,
    "starting": 100.0,
}

#: What a measure function returns when it is called: yields requests or lists of them.
Steps = Generator[Any, Any, Result]

_found: dict[str, Measure] = {}
# Files of this package that hold no measure (the driver imports this module).
_NOT_MEASURES = {"__init__", "driver", "registry", "requests"}


def _number(value: Any) -> bool:
    return isinstance(value, numbers.Real) and not isinstance(value, bool) and math.isfinite(value)


@dataclass(frozen=True)
class Measure:
    """A registered measure.

    Attributes
    ----------
    name : str
    summary : str
        One line for a list.
    kinds : tuple of str or None
        Names of the only stages it is meant for; None: any that has the ports it needs.
    function : callable
        The generator function.
    options : mapping of str to object
        Its keyword-only arguments and their defaults.
    """

    name: str
    summary: str
    kinds: tuple[str, ...] | None
    function: Callable[..., Steps]
    options: Mapping[str, Any]

    def __call__(self, stage: Any, **options: Any) -> Steps:
        """Start the measure on a stage.

        Raises
        ------
        UnknownNameError
            For an option that it doesn't have; before anything is run.
        """
        return self.function(stage, **self.check(options))

    def check(self, options: Mapping[str, Any]) -> dict[str, Any]:
        """Return the options under their own names, each checked by what its default is.

        Raises
        ------
        UnknownNameError
            For an option that the measure doesn't have, with the nearest that it has.
        RangeError
            For a value of another kind, or one that can't be meant.
        """
        names = {name: name for name in self.options}
        found = {find("option", given, names, self.name): value for given, value in options.items()}
        return {name: self._checked(name, value) for name, value in found.items()}

    def _checked(self, name: str, value: Any) -> Any:
        default = self.options[name]
        if value is None and default is None:
            return None
        if isinstance(default, bool):
            accepted, good = "true or false", isinstance(value, bool)
        elif isinstance(default, str):
            accepted, good = f'a word, such as "{default}"', isinstance(value, str)
        elif isinstance(default, tuple):
            entries = (*value,) if isinstance(value, tuple | list) else (value,)
            accepted, good = "numbers above 0", bool(entries) and all(_number(n) and n > 0 for n in entries)
            value = entries if good else value
        elif isinstance(default, int):
            none = (self.name, name) in _MAY_BE_NONE
            fewest = _FEWEST.get((self.name, name), 2)
            accepted = f"a whole number, {fewest} or more" + (" (0: left out)" if none else "")
            good = _number(value) and value == int(value) and (value >= fewest or (none and value == 0))
            value = int(value) if good else value
        elif name in _ANY_SIGN:
            accepted, good = "a number", _number(value)
        elif name in _FROM_ZERO:
            accepted, good = "0 or a number above, in SI units", _number(value) and value >= 0
        else:
            accepted, good = "a number above 0, in SI units", _number(value) and value > 0
        most = _MOST.get(name)
        if most is not None:
            accepted += f", {most:g} or less"
            good = good and (value is None or value <= most)
        if not good:
            raise RangeError(name, value, accepted, self.name)
        return value

    @property
    def description(self) -> str:
        """The docstring of the function."""
        return inspect.getdoc(self.function) or self.summary


def measure(
    name: str, *, summary: str, kinds: tuple[str, ...] | None = None
) -> Callable[[Callable[..., Steps]], Callable[..., Steps]]:
    """Register the decorated generator function as a measure.

    Parameters
    ----------
    name : str
        Lower case, as it is written at a shell and as the key of its results.
    summary : str
        One line for a list.
    kinds : tuple of str, optional
        Names of the only stages it is meant for.
    """

    def register(function: Callable[..., Steps]) -> Callable[..., Steps]:
        parameters = inspect.signature(function).parameters.values()
        options = {p.name: p.default for p in parameters if p.kind is inspect.Parameter.KEYWORD_ONLY}
        _found[name] = Measure(name, summary, kinds, function, MappingProxyType(options))
        return function

    return register


@lru_cache(maxsize=1)
def _load() -> None:
    for path in sorted(Path(__file__).parent.glob("*.py")):
        if path.stem not in _NOT_MEASURES:
            import_module(f"simwrap.measures.{path.stem}")
    for name, made in plugins("simwrap.measures"):
        # Loading a plug-in runs its decorator; a ready Measure is taken as it is.
        if isinstance(made, Measure):
            _found.setdefault(name, made)


def measures() -> dict[str, Measure]:
    """Return all measures by name, sorted."""
    _load()
    return dict(sorted(_found.items()))


def get_measure(name: str) -> Measure:
    """Return the measure named ``name``, in any case.

    Raises
    ------
    UnknownNameError
        If there is none; the error has the nearest names.
    """
    return find("measure", name, measures())


__all__ = ["Measure", "Steps", "UnknownNameError", "get_measure", "measure", "measures"]
