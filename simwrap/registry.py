"""Named things: look-up without regard to case, and plug-ins through entry points."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import lru_cache
from importlib import import_module
from os import PathLike
from pathlib import Path
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


def load(place: str) -> Any:
    """Return what "module:name" is, below simwrap: how a method hands on to what stands above it (``found.plot()``).

    Which methods do is listed, and held to, in the tests of the rooms.
    """
    module, _, name = place.partition(":")
    return getattr(import_module(module), name)


@lru_cache(maxsize=16)
def plugins(group: str) -> tuple[tuple[str, Any], ...]:
    """Return (name, loaded object) of each entry point of ``group``, looked up once a process.

    One that fails to load warns, names itself, and is left out.
    """
    from importlib.metadata import entry_points

    found = []
    for point in entry_points(group=group):
        try:
            found.append((point.name, point.load()))
        except Exception as failure:  # a stranger's code may raise anything
            warnings.warn(
                f'plug-in "{point.name}" of {group} ({point.value}) failed to load and is left out: {failure}',
                stacklevel=2,
            )
    return tuple(found)


def plugin_folders(group: str) -> tuple[Path, ...]:
    """Return the folder of each entry point of ``group``: an object that is a path, or a package that holds the files.

    One that isn't there warns, names itself, and is left out.
    """
    folders = []
    for name, loaded in plugins(group):
        places = list(getattr(loaded, "__path__", None) or [loaded])
        folder = Path(str(places[0]))
        if isinstance(places[0], str | PathLike) and folder.is_dir():
            folders.append(folder)
        else:
            warnings.warn(f'plug-in "{name}" of {group} is left out: "{folder}" is not a folder', stacklevel=2)
    return tuple(folders)
