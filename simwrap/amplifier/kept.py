"""What was found about a design, kept in the user's cache folder by its content, the models and the versions.

A file that can't be read, isn't whole or can't be written is ignored: then all is computed again.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from simwrap import __version__
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.engine import identities

#: Files that stay in the folder; the oldest go.
MOST = 32


def folder() -> Path:
    """Return the folder of the platform for what can be computed again.

    Sources: XDG Base Directory Specification; Apple's File System Programming Guide; Windows' known folders (from
    memory).
    """
    home = Path.home()
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "simwrap"
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "simwrap" / "cache"
    given = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(given) if os.path.isabs(given) else home / ".cache") / "simwrap"


class Kept:
    """What is kept of one design.

    Parameters
    ----------
    design : Design
    engine : str
    fresh : bool
        Whether what is there is ignored; it is written over.
    """

    def __init__(self, design: Design, engine: str, *, fresh: bool = False) -> None:
        self._design, self._engine, self._fresh = design, engine, fresh
        self._found: dict[str, Any] | None = None
        self._passing: set[str] = set()
        self._changed = False

    def of(self, name: str, make: Callable[[], Any], *, lasting: Callable[[Any], bool] = lambda found: True) -> Any:
        """Return what is kept under a name; what isn't is made, and kept where it is ``lasting``."""
        found = self._known()
        if name not in found:
            found[name] = made = make()
            if lasting(made):
                self._changed = True
            else:
                self._passing.add(name)
        return found[name]

    def has(self, name: str) -> bool:
        """Whether there is something under a name."""
        return name in self._known()

    def _known(self) -> dict[str, Any]:
        if self._found is None:
            self._found = {} if self._fresh else _read(self._path())
        return self._found

    def save(self) -> None:
        """Write what is new for the next command."""
        if not self._changed or self._found is None:
            return
        self._changed = False
        with suppress(Exception):  # no room, no permission, something that can't be pickled: the next command computes
            _write(self._path(), {name: found for name, found in self._found.items() if name not in self._passing})

    def _path(self) -> Path:
        return folder() / f"{digest(self._design, self._engine)}.amplifier"


def digest(design: Design, engine: str) -> str:
    """Return a digest of everything that decides about what is found."""
    circuit = design.circuit
    told: list[Any] = [
        __version__, _code(), engine, identities(), sys.version,
        circuit.name, circuit.joins, sorted(circuit.ends.items()), sorted(design.stated), design.channels,
        design.mains_frequency, design.heater_elevation, design.levels, design.feeds, design.parts,
    ]  # fmt: skip
    for part in (circuit, *([] if design.supply is None else [design.supply.circuit])):
        told += [sorted(part.values.items()), render(part).circuit.text]  # the laws of its valves are in the text
        told += [repr((use.valve.ratings, use.valve.heater, use.valve.noise, use.valve.leakage, use.valve.capacitances,
                       use.valve.fitted.errors)) for use in part.valves.values()]  # fmt: skip
        told += [template.source for template in part.templates]
    return hashlib.sha256(repr(told).encode()).hexdigest()


@lru_cache(maxsize=1)
def _code() -> str:
    """Return a digest of simwrap's own files: a development version changes without a new number."""
    root = Path(__file__).resolve().parents[1]
    stats = [(path.as_posix(), path.stat().st_mtime_ns, path.stat().st_size) for path in sorted(root.rglob("*.py"))]
    return hashlib.sha256(repr(stats).encode()).hexdigest()


def _read(path: Path) -> dict[str, Any]:
    with suppress(Exception):  # whatever is the matter with a file of the cache, it isn't the user's
        data = path.read_bytes()
        if hashlib.sha256(data[32:]).digest() == data[:32]:
            found = pickle.loads(data[32:])  # written by this user's simwrap of this very version
            os.utime(path)
            return dict(found)
    return {}


def _write(path: Path, found: dict[str, Any]) -> None:
    """Write a file whole or not at all, and let the oldest go."""
    data = pickle.dumps(found)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with NamedTemporaryFile(dir=path.parent, delete=False) as file:
        file.write(hashlib.sha256(data).digest() + data)
    os.replace(file.name, path)
    oldest = sorted(path.parent.glob("*.amplifier"), key=lambda each: each.stat().st_mtime)
    for each in oldest[:-MOST]:
        each.unlink(missing_ok=True)
