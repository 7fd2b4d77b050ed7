"""Finding a component by any of its designations: in the folder ``components`` of every folder of valves."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable
from pathlib import Path

from simwrap.components import schema
from simwrap.components.component import Component
from simwrap.errors import UnknownNameError
from simwrap.valves.library import search_folders


def _key(name: str) -> str:
    return "".join(name.casefold().split()).replace("-", "").replace("_", "")


@functools.lru_cache(maxsize=512)
def _names(path: Path, stamp: int) -> tuple[str, ...]:
    """Return name and designations; reading the whole file says what is wrong with it."""
    try:
        head = tomllib.loads(path.read_text(encoding="utf-8"))
        return str(head.get("name", path.stem)), *map(str, head.get("designations", ()))
    except (OSError, ValueError, RecursionError, TypeError):
        return (path.stem,)


@functools.lru_cache(maxsize=512)
def _read(path: Path, stamp: int) -> Component:
    return Component.from_file(schema.read(path), path)


def _index(folders: Iterable[str | Path]) -> dict[str, tuple[str, Path]]:
    """Map each key to a name and a file; the first folder that has one wins."""
    index: dict[str, tuple[str, Path]] = {}
    for folder in search_folders(folders):
        for path in sorted((folder / "components").glob("*.toml")):
            names = _names(path, path.stat().st_mtime_ns)
            for name in names:
                index.setdefault(_key(name), (names[0], path))
    return index


def get_component(name: str, *, folders: Iterable[str | Path] = ()) -> Component:
    """Return a component by any of its designations, in any case.

    Parameters
    ----------
    name : str
        Such as "1N4148", "0a2", "red LED".
    folders : iterable of path, optional
        Folders of valves of your own, whose subfolder ``components`` is searched first.

    Raises
    ------
    UnknownNameError
        With the nearest designations.
    FileProblemsError
        With all faults of the file.

    Examples
    --------
    >>> from simwrap.components import get_component
    >>> get_component("0a2").kind
    'stabiliser'
    """
    index = _index(folders)
    entry = index.get(_key(name)) if isinstance(name, str) else None
    if entry is None:
        raise UnknownNameError("component", name, {designation for designation, _ in index.values()})
    return _read(entry[1], entry[1].stat().st_mtime_ns)


def component_names(*, folders: Iterable[str | Path] = ()) -> list[str]:
    """Return the names of all components that can be found, one a file, sorted.

    Examples
    --------
    >>> from simwrap.components import component_names
    >>> {"0A2", "1N4148"} <= set(component_names())
    True
    """
    return sorted({name for name, _ in _index(folders).values()})
