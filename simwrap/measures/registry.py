"""Measures by name: the decorator that makes one, and the look-up.

A measure is a generator function ``f(stage, *, options...)`` that yields a request (or a list of
them, to be run together), receives a :class:`~simwrap.engine.protocol.Reply` (or a list of them)
for it, and returns a :class:`~simwrap.measures.requests.Result`. A file in this package (or an entry point of the
group ``simwrap.measures``) that holds a decorated function is all that a new measure takes.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any

from simwrap.errors import UnknownNameError
from simwrap.measures.requests import Result
from simwrap.registry import find, plugins

#: What a measure function returns when it is called: yields requests or lists of them.
Steps = Generator[Any, Any, Result]

_found: dict[str, Measure] = {}
# Files of this package that hold no measure (the driver imports this module).
_NOT_MEASURES = {"__init__", "driver", "registry", "requests"}


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
        """Return the options under their own names.

        Raises
        ------
        UnknownNameError
            For an option that the measure doesn't have, with the nearest that it has.
        """
        names = {name: name for name in self.options}
        return {find("option", given, names, self.name): value for given, value in options.items()}

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
