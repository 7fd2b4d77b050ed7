"""Named things: look-up without regard to case, and plug-ins through entry points."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

from simwrap.errors import UnknownNameError

T = TypeVar("T")


def find(kind: str, given: object, things: Mapping[str, T], where: str = "") -> T:
    """Return the entry of ``things`` whose name is ``given`` in any case.

    Raises
    ------
    UnknownNameError
        With the nearest names that are known.
    """
    if isinstance(given, str):
        if given in things:
            return things[given]
        wanted = given.strip().casefold()
        for name, thing in things.items():
            if name.casefold() == wanted:
                return thing
    raise UnknownNameError(kind, given, things, where)


def plugins(group: str) -> Iterator[tuple[str, Any]]:
    """Yield (name, loaded object) of each entry point of ``group``.

    One that fails to load warns, names itself, and is left out.
    """
    from importlib.metadata import entry_points

    for point in entry_points(group=group):
        try:
            yield point.name, point.load()
        except Exception as failure:  # a stranger's code may raise anything
            warnings.warn(
                f'plug-in "{point.name}" of {group} ({point.value}) failed to load and is left out: {failure}',
                stacklevel=2,
            )
