"""Which engines are there: looked up without importing them."""

from __future__ import annotations

import ctypes.util
import functools
import glob
import importlib.machinery
import importlib.metadata
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from simwrap.errors import NoEngineError, UnknownNameError

#: In the order in which ``auto`` prefers them.
NAMES = ("neospice", "ngspice")

_PACKAGES = {"neospice": "neospice", "ngspice": "PySpice"}
#: Folders in which a system keeps its libraries.
_LIBRARIES = ("/usr/lib", "/usr/lib64", "/usr/lib/*-linux-*", "/usr/local/lib", "/opt/homebrew/lib")
_INSTALL = {
    "neospice": "install it with `pip install neospice`",
    "ngspice": "install the ngspice library (Debian: `apt install libngspice0`) and `pip install PySpice`, "
    "or set NGSPICE_LIBRARY_PATH",
}


@dataclass(frozen=True)
class Found:
    """One engine: ``name``, ``version`` ("" when not available), ``available`` and ``detail``."""

    name: str
    version: str
    available: bool
    detail: str


def ngspice_library() -> str | None:
    """Return the ngspice shared library: NGSPICE_LIBRARY_PATH, or what the system's loader finds."""
    given = os.environ.get("NGSPICE_LIBRARY_PATH")
    if given and os.sep not in given:
        return given
    if given:
        return os.path.abspath(given) if os.path.exists(given) else None
    return _system_library()


@functools.cache
def _system_library() -> str | None:
    return ctypes.util.find_library("ngspice")


def search_path() -> list[str]:
    """Return the folders in which a child looks for modules: this process's, without the working folder."""
    return list(_without(os.getcwd(), tuple(sys.path)))


@functools.lru_cache(maxsize=16)
def _without(here: str, folders: tuple[str, ...]) -> tuple[str, ...]:
    here = os.path.realpath(here)
    return tuple(folder for folder in folders if folder and os.path.realpath(folder) != here)


@functools.lru_cache(maxsize=16)
def _installed(package: str, folders: tuple[str, ...]) -> bool:
    return importlib.machinery.PathFinder.find_spec(package, list(folders)) is not None


def missing(name: str) -> str:
    """Say why an engine can't be used ("" when it can, as far as can be seen without starting it)."""
    if name in os.environ.get("SIMWRAP_WITHOUT", "").lower().replace(",", " ").split():
        return "switched off by SIMWRAP_WITHOUT"
    package = _PACKAGES[name]
    if not _installed(package, tuple(search_path())):
        return f"the Python package {package} is not installed; {_INSTALL[name]}"
    if name == "ngspice" and ngspice_library() is None:
        return f"the ngspice library was not found; {_INSTALL[name]}"
    return ""


def identities() -> list[tuple[str, ...]]:
    """Return what tells the engines that are there from others, without starting any: names, versions, files."""
    return [(name, *_identity(name, tuple(search_path()))) for name in NAMES if not missing(name)]


def _identity(name: str, folders: tuple[str, ...]) -> tuple[str, ...]:
    version = next(
        (each.version for each in importlib.metadata.distributions(name=_PACKAGES[name], path=list(folders))), ""
    )
    if name != "ngspice":
        return (version,)
    library = ngspice_library() or ""
    # The system's loader says a name only: the file behind it is looked for where libraries are.
    places = [Path(folder) for pattern in _LIBRARIES for folder in glob.glob(pattern)]
    stats = [path.stat() for path in (Path(library), *(place / library for place in places)) if path.is_file()]
    return (version, library, *(f"{each.st_mtime_ns} {each.st_size}" for each in stats))


def wanted(engine: str = "auto") -> str:
    """Return the engine that is asked for, by name or by SIMWRAP_ENGINE; "auto" where none is.

    Raises
    ------
    UnknownNameError
        For a name that no engine has.
    """
    name, where = engine.lower(), "engine"
    if name == "auto":
        name, where = os.environ.get("SIMWRAP_ENGINE", "").lower() or "auto", "SIMWRAP_ENGINE"
    if name != "auto" and name not in NAMES:
        raise UnknownNameError("engine", name, ("auto", *NAMES), where)
    return name


def choose(engine: str = "auto") -> tuple[str, ...]:
    """Return the engines to use in order: the chosen one, then the one for points that fail on it.

    Parameters
    ----------
    engine : str
        "auto" (SIMWRAP_ENGINE if set, else the first that is there), "neospice" or "ngspice".

    Raises
    ------
    UnknownNameError
        For any other name.
    NoEngineError
        When the engine named is not there, or none is.
    """
    named = wanted(engine)
    reasons = {name: missing(name) for name in NAMES}
    there = [name for name in NAMES if not reasons[name]]
    if not there:
        raise NoEngineError("no simulator was found: " + "; ".join(f"{n}: {r}" for n, r in reasons.items()))
    if named == "auto":
        return tuple(there)
    if reasons[named]:
        raise NoEngineError(reasons[named], engine=named)
    return (named, *(name for name in there if name != named))
