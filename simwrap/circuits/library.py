"""Which templates there are: folders of the builder, packages, and those that simwrap brings.

A template that can't be used is left out with a warning that names it and says what is wrong; it takes nothing
else down.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Mapping
from pathlib import Path

from simwrap._paths import template_folders
from simwrap.circuits.template import Template, read_template
from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.registry import find, plugin_folders

#: Folders of stages of one's own, separated as in PATH.
VARIABLE = "SIMWRAP_STAGES"

#: Folders that were added in this process (`--stages`), searched first.
_added: tuple[Path, ...] = ()


def add_folders(folders: Iterable[str | Path]) -> None:
    """Search further folders for templates, before all others, for the rest of this process.

    Raises
    ------
    InputError
        If one isn't there.
    """
    global _added
    wanted = [Path(folder).resolve() for folder in folders]
    template_folders(wanted)  # refuses what isn't a folder
    _added = tuple(dict.fromkeys((*wanted, *_added)))


def _folders() -> list[Path]:
    named = [Path(entry) for entry in os.environ.get(VARIABLE, "").split(os.pathsep) if entry]
    try:
        own = template_folders([*_added, *named])
    except InputError as fault:
        raise InputError(f"{VARIABLE}: {fault}") from None
    return [*own[:-1], *plugin_folders("simwrap.stages"), own[-1]]


def template_files() -> dict[str, Path]:
    """Return the file of each template by name; the first folder that has one counts."""
    found: dict[str, Path] = {}
    for folder in _folders():
        for path in sorted(folder.glob("*.cir.j2")):
            found.setdefault(path.name.removesuffix(".cir.j2"), path)
    return found


def stage_names() -> list[str]:
    """Return the names of all stages that can be made.

    Examples
    --------
    >>> import simwrap
    >>> "cathodyne" in simwrap.stage_names()
    True
    """
    return sorted(templates())


def templates() -> Mapping[str, Template]:
    """Return every template that can be used by name; one with faults warns and is left out."""
    good = {}
    for name, path in template_files().items():
        try:
            good[name] = read_template(path)
        except FileProblemsError as fault:
            warnings.warn(f'stage "{name}" is left out: {fault}', stacklevel=2)
    return good


def find_template(name: str | Path) -> Template:
    """Return the template named ``name``, in any case, or of the file ``name``.

    Raises
    ------
    UnknownNameError
        If there is none; the error has the nearest names.
    FileProblemsError
        If it has faults, with all of them.
    """
    if isinstance(name, Path) or (isinstance(name, str) and name.endswith(".cir.j2")):
        return read_template(name)
    files = template_files()
    try:
        return read_template(find("stage", name, files))
    except UnknownNameError:
        raise UnknownNameError("stage", name, files) from None
