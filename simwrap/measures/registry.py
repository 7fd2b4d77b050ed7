"""Measures by name: the decorator that makes one, and the look-up.

A measure is a generator function ``f(stage, *, options...)`` that yields a request (or a list of
them, to be run together), receives a :class:`~simwrap.engine.protocol.Reply` (or a list of them)
for it, and returns a :class:`~simwrap.measures.requests.Result`. A file in this package (or an entry point of the
group ``simwrap.measures``) that holds a decorated function is all that a new measure takes: its options stand in
the function's annotations (:mod:`simwrap.measures.options`), what it is for, its headline, table and picture in the
decorator.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any

from simwrap.errors import UnknownNameError
from simwrap.measures.common import StageLike
from simwrap.measures.options import Setting, settings_of
from simwrap.measures.requests import Result
from simwrap.registry import find, load, plugins
from simwrap.report.model import Listing

#: What a measure function returns when it is called: yields requests or lists of them.
Steps = Generator[Any, Any, Result]

_NAME = re.compile(r"[a-z][a-z0-9_]*")

_found: dict[str, Measure] = {}
# Files of this package that hold no measure.
_NOT_MEASURES = {"__init__", "common", "options", "registry", "requests", "results"}


@dataclass(frozen=True)
class Measure:
    """A registered measure.

    Attributes
    ----------
    name : str
    summary : str
        One line for a list.
    function : callable
        The generator function.
    options : mapping of str to Setting
        Its options by name.
    ports : tuple of str
        Ports without which a circuit isn't one that it is for.
    headline : tuple of str
        Paths of the figures that come first wherever there is room for a few, ``*`` for any valve or supply.
    picture : str, callable or None
        The function that draws it from a :class:`~simwrap.plots.reader.Reader`, or where to import it from,
        "module:function".
    shows : tuple of str
        Other measures whose figures the picture shows too.
    table : callable or None
        From a :class:`~simwrap.simulation.measurement.View` to its tables; None: every single figure in a row.
    caution : str
        What is dangerous about what is measured, said with the figures.
    """

    name: str
    summary: str
    function: Callable[..., Steps]
    options: Mapping[str, Setting]
    ports: tuple[str, ...] = ()
    headline: tuple[str, ...] = ()
    picture: str | Callable[[Any], Any] | None = None
    shows: tuple[str, ...] = ()
    table: Callable[[Any], list[Listing]] | None = None
    caution: str = ""

    def __call__(self, stage: StageLike, **options: Any) -> Steps:
        """Start the measure on a stage.

        Raises
        ------
        UnknownNameError
            For an option that it doesn't have; before anything is run.
        """
        return self.function(stage, **self.check(options))

    def check(self, options: Mapping[str, Any]) -> dict[str, Any]:
        """Return the options under their own names, each read and checked by its annotation.

        Raises
        ------
        UnknownNameError
            For an option that the measure doesn't have, with the nearest that it has.
        RangeError, QuantityError
            For a value that can't be read, or is out of bounds.
        """
        found = {find("option", given, self.options, self.name): value for given, value in options.items()}
        return {setting.name: setting.read(value, self.name) for setting, value in found.items()}

    def refuses(self, circuit: Any) -> str:
        """Return why the measure isn't for a circuit, "" where it is."""
        lacking = [port for port in self.ports if port not in circuit.ports]
        return f"it has no port {' or '.join(lacking)}" if lacking else ""

    def headlines(self, paths: Iterable[str]) -> list[str]:
        """Return which of a measure's paths are headlines, in their order."""
        paths = list(paths)
        return [path for pattern in self.headline for path in paths if fnmatchcase(path, pattern)]

    def drawer(self) -> Callable[[Any], Any] | None:
        """Return the function that draws the measure's picture, None where it has none."""
        if not isinstance(self.picture, str):
            return self.picture
        drawer: Callable[[Any], Any] = load(self.picture)
        return drawer

    @property
    def description(self) -> str:
        """The docstring of the function."""
        return inspect.getdoc(self.function) or self.summary


def measure(
    name: str,
    *,
    summary: str,
    ports: tuple[str, ...] = (),
    headline: tuple[str, ...] = (),
    picture: str | Callable[[Any], Any] | None = None,
    shows: tuple[str, ...] = (),
    table: Callable[[Any], list[Listing]] | None = None,
    caution: str = "",
) -> Callable[[Callable[..., Steps]], Callable[..., Steps]]:
    """Register the decorated generator function as a measure; for what it takes see :class:`Measure`.

    Raises
    ------
    ValueError
        For a name that isn't a word in lower case: it is written at a shell and starts the names of its figures.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"measure {name!r}: give a name of small letters, digits and underscores")

    def register(function: Callable[..., Steps]) -> Callable[..., Steps]:
        options = settings_of(function)
        _found[name] = Measure(name, summary, function, options, ports, headline, picture, shows, table, caution)
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
