"""Where models/ and netlist_templates/ are. Nothing else in simwrap may know."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from simwrap.errors import InputError

__all__ = ["model_folders", "template_folders"]

_PACKAGE = Path(__file__).resolve().parent


def model_folders(added: Iterable[str | PathLike[str]] = ()) -> list[Path]:
    """Return the folders of valve files to search, the first one first.

    Parameters
    ----------
    added : iterable of path, optional
        Folders of the user. One that has a subfolder ``models`` stands for that subfolder.

    Returns
    -------
    list of Path
        The user's folders, then the one that simwrap ships.

    Raises
    ------
    InputError
        If a folder of the user isn't there.
    """
    return _folders("models", added)


def template_folders(added: Iterable[str | PathLike[str]] = ()) -> list[Path]:
    """Return the folders of stage templates to search, the first one first.

    Parameters
    ----------
    added : iterable of path, optional
        Folders of the user. One that has a subfolder ``netlist_templates`` stands for it.

    Returns
    -------
    list of Path
        The user's folders, then the one that simwrap ships.

    Raises
    ------
    InputError
        If a folder of the user isn't there.
    """
    return _folders("netlist_templates", added)


def _folders(kind: str, added: Iterable[str | PathLike[str]]) -> list[Path]:
    found = []
    for folder in map(Path, added):
        if not folder.is_dir():
            raise InputError(f'"{folder}" is not a folder; give a folder with {kind} in it')
        inner = folder / kind
        found.append(inner if inner.is_dir() else folder)
    # An editable install has no packaged copy: there the repository's own folder counts.
    packaged = _PACKAGE / "_data" / kind
    return [*found, packaged if packaged.is_dir() else _PACKAGE.parent / kind]
