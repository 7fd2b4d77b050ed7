"""Finding a valve by any of its designations: added folders, plug-ins, and the files of simwrap."""

from __future__ import annotations

import functools
import os
import tomllib
import warnings
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from simwrap._paths import model_folders
from simwrap.errors import InputError, UnknownNameError
from simwrap.registry import plugins
from simwrap.valves import schema
from simwrap.valves.schema import CONSTANTS, Kind, ValveFile
from simwrap.valves.valve import Valve

#: Folders of valve files, in the manner of PATH.
ENVIRONMENT = "SIMWRAP_VALVES"

#: Entry points of this group load as a folder (path or package) of valve files.
GROUP = "simwrap.valves"


def models_folder() -> Path:
    """Return the folder of the files that come with simwrap."""
    return model_folders()[-1]


@functools.cache
def plugin_folders() -> tuple[Path, ...]:
    """Return the folders that installed plug-ins bring; one that is neither path nor package warns."""
    found = []
    for name, thing in plugins(GROUP):
        try:
            found.append(Path(thing if isinstance(thing, (str, Path)) else next(iter(thing.__path__))))
        except (TypeError, AttributeError, StopIteration):
            warnings.warn(
                f'plug-in "{name}" of {GROUP} is neither a path nor a package with valve files; it is left out',
                stacklevel=3,
            )
    return tuple(found)


def search_folders(folders: Iterable[str | Path] = ()) -> list[Path]:
    """Return all folders in the order of search: ``folders``, SIMWRAP_VALVES, plug-ins, simwrap's own.

    Raises
    ------
    InputError
        If a folder that was asked for isn't there.
    """
    asked = [*folders, *(text for text in os.environ.get(ENVIRONMENT, "").split(os.pathsep) if text)]
    found = model_folders(asked)
    return [*found[:-1], *plugin_folders(), found[-1]]


def _key(name: str) -> str:
    return name.casefold().replace(" ", "").replace("-", "").replace("_", "").replace("/", "")


@functools.lru_cache(maxsize=512)
def _head(path: Path, stamp: int) -> tuple[str, tuple[str, ...]]:
    """Return name and designations, reading no further than the first table of the file."""
    lines = []
    try:
        with path.open(encoding="utf-8") as file:
            for line in file:
                if line.startswith("["):
                    break
                lines.append(line)
        head = tomllib.loads("".join(lines))
        return str(head.get("name", path.stem)), tuple(str(name) for name in head.get("designations", ()))
    except (OSError, ValueError, RecursionError, TypeError):
        return path.stem, ()  # reading the whole file will say what is wrong with it


def _index(folders: Iterable[Path]) -> dict[str, tuple[str, Path]]:
    """Map each key to (designation, file); the first folder that has one wins."""
    return _index_of(tuple(tuple(_files(folder)) for folder in folders))


def _files(folder: Path) -> Iterator[tuple[str, int]]:
    """Yield the path and the time of change [ns] of each valve file of a folder, in order of name."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:  # a folder that isn't there has no files
        return
    yield from ((entry.path, entry.stat().st_mtime_ns) for entry in entries if entry.name.endswith(".toml"))


@functools.lru_cache(maxsize=16)
def _index_of(folders: tuple[tuple[tuple[str, int], ...], ...]) -> dict[str, tuple[str, Path]]:
    """Return the index of files as they are: one that has changed since has another stamp."""
    index: dict[str, tuple[str, Path]] = {}
    for files in folders:
        here: dict[str, tuple[str, Path]] = {}
        for file, stamp in files:
            path = Path(file)
            name, designations = _head(path, stamp)
            for designation in (name, *designations, path.stem):
                here.setdefault(_key(designation), (designation, path))
        for key, entry in here.items():
            index.setdefault(key, entry)
    return index


@functools.lru_cache(maxsize=512)
def _read(path: Path, stamp: int) -> ValveFile:
    return schema.read(path)


def valve_file(name: str, *, folders: Iterable[str | Path] = ()) -> tuple[ValveFile, Path]:
    """Return the checked file of a type, and its path; see :func:`get_valve`."""
    content, path, _ = _found(name, folders)
    return content, path


def _found(name: str, folders: Iterable[str | Path]) -> tuple[ValveFile, Path, str]:
    """Return the checked file of a type, its path, and the designation in the file's spelling."""
    index = _index(search_folders(folders))
    entry = index.get(_key(name)) if isinstance(name, str) else None
    if entry is None:
        raise UnknownNameError("valve", name, {designation for designation, _ in index.values()})
    designation, path = entry
    return _read(path, path.stat().st_mtime_ns), path, designation


def designation(name: str, *, folders: Iterable[str | Path] = ()) -> str:
    """Return the designation that was asked for in its file's spelling: "ECC83" for "ecc83", not "12AX7".

    Raises
    ------
    UnknownNameError
        With the nearest designations.
    """
    return _found(name, folders)[2]


def get_valve(name: str, *, kind: Kind | None = None, folders: Iterable[str | Path] = ()) -> Valve:
    """Return a valve by any of its designations, in any case.

    A designation with ratings of its own (a 6SN7GT in the file of the 6SN7GTB) has those, and keeps its name; the
    law is that of the file.

    Parameters
    ----------
    name : str
        Such as "12AX7", "ecc83".
    kind : {"triode", "pentode", "rectifier"}, optional
        Which section of a type that has several; the first one otherwise.
    folders : iterable of path, optional
        Folders searched before SIMWRAP_VALVES, plug-ins and simwrap's own files.

    Raises
    ------
    UnknownNameError
        With the nearest designations.
    FileProblemsError
        With all faults of the file.
    InputError
        If the type has no section of that kind.

    Examples
    --------
    >>> import simwrap
    >>> simwrap.valve("ecc83").name
    '12AX7'
    """
    content, path, designation = _found(name, folders)
    sections: list[Any] = [each for each in CONSTANTS if getattr(content, each) is not None]
    if kind is not None and kind not in sections:
        raise InputError(f'{content.name}: has no section of kind "{kind}"; it has {" and ".join(sections)}')
    return Valve.from_file(content, kind or sections[0], path, designation)


def valve_names(*, folders: Iterable[str | Path] = ()) -> list[str]:
    """Return the names of all types that can be found, one a file, sorted.

    Parameters
    ----------
    folders : iterable of path, optional
        Folders of your own, searched first.

    Raises
    ------
    InputError
        If a folder isn't there.

    Examples
    --------
    >>> import simwrap
    >>> {"6SL7GT", "6V6GT"} <= set(simwrap.valve_names())
    True
    """
    paths = {path for _, path in _index(search_folders(folders)).values()}
    return sorted({_head(path, path.stat().st_mtime_ns)[0] for path in paths})
