"""Where models/ and netlist_templates/ are. Nothing else in simwrap may know."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from simwrap.errors import InputError, shown

__all__ = ["example_design", "example_stage", "model_folders", "template_folders"]

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


def example_design() -> str:
    """Return the text of the design file to start from: a whole amplifier of invented values."""
    return (_PACKAGE / "amplifier" / "reading_room.toml").read_text(encoding="utf-8")


def example_stage() -> str:
    """Return the text of the template to start from: one stage with comments."""
    return (_PACKAGE / "circuits" / "first_stage.cir.j2").read_text(encoding="utf-8")


def as_path(given: object, what: str) -> Path:
    """Return the name of a file or folder, which may not be there.

    Raises
    ------
    InputError
        For what can't be one: another kind of value, a name with NUL, one that is too long.
    """
    if isinstance(given, str | PathLike) and "\0" not in str(given):
        path = Path(given)
        try:
            path.exists()
        except OSError as fault:
            raise InputError(f"{shown(given)} can't be {what} ({fault.strerror})") from None
        return path
    raise InputError(f"{shown(given)} can't be {what}; give its name")


def as_folders(given: object) -> tuple[Path, ...]:
    """Return the names of folders.

    Raises
    ------
    InputError
        For what can't be any.
    """
    if isinstance(given, str | bytes) or not isinstance(given, Iterable):
        raise InputError(f'{shown(given)} is no list of folders; give one such as ["valves"]')
    return tuple(as_path(folder, "a folder") for folder in given)


def _folders(kind: str, added: Iterable[str | PathLike[str]]) -> list[Path]:
    found = []
    for folder in as_folders(added):
        if not folder.is_dir():
            raise InputError(f'"{folder}" is not a folder; give a folder with {kind} in it')
        inner = folder / kind
        found.append(inner if inner.is_dir() else folder)
    # An editable install has no packaged copy: there the repository's own folder counts.
    packaged = _PACKAGE / "_data" / kind
    return [*found, packaged if packaged.is_dir() else _PACKAGE.parent / kind]
