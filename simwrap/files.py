"""Files of results: written whole or not at all, over another one only where that is asked for, by one at a time."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from simwrap.errors import InputError, shown, system_error

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]


def check_free(file: Path, *, replace: bool = False) -> None:
    """Refuse what can't become a file of results, as far as can be seen before there are any.

    Parameters
    ----------
    file : Path
        Its folder has to be there. A device or a pipe is always free.
    replace : bool
        Whether a file that is there may be written over.

    Raises
    ------
    InputError
    """
    if "\0" in str(file):
        raise InputError(f"{shown(file)} can't be the name of a file: it holds a NUL")
    try:
        if file.is_dir():
            raise InputError(f"{file} is a folder; give the name of a file")
        if file.is_file() and not replace:
            raise _taken(file)
        if not file.parent.is_dir():
            raise InputError(f"{file} can't be written: there is no folder {file.parent}; make it first")
    except OSError as fault:
        raise system_error(f"{file} can't be written", fault) from None


def _taken(file: Path) -> InputError:
    return InputError(f"{file} is there already; give another name, or --force (replace=True) to write over it")


@contextlib.contextmanager
def whole_file(file: Path, *, replace: bool = False) -> Iterator[Path]:
    """Give a name in the same folder to write to; what is there at the end takes the file's name in one step.

    Whatever goes wrong, a file that was there stays as it was, and nothing is left of the new one. A link is followed,
    and a device or a pipe written to directly.

    Raises
    ------
    InputError, SystemLimitError
        If the file is there and isn't to be replaced, or can't be written.
    """
    check_free(file, replace=replace)
    try:
        target = Path(os.path.realpath(file))
        if target.exists() and not target.is_file():
            yield target
            return
        partial = target.with_name(f".simwrap-{secrets.token_hex(8)}.partial")
        try:
            partial.touch(exist_ok=False)  # with the mode that the user's mask gives
            if target.exists():
                shutil.copymode(target, partial)
            yield partial
            _settle(partial)
            _rename(partial, target, replace)
        finally:
            partial.unlink(missing_ok=True)
    except FileExistsError:
        raise _taken(file) from None
    except (OSError, ValueError) as fault:
        raise system_error(f"{file} can't be written", fault) from None


def _settle(file: Path) -> None:
    """Wait until a file is on its disk: a name must not come before what it stands for."""
    with file.open("rb+") as stream:
        os.fsync(stream.fileno())


def _rename(partial: Path, target: Path, replace: bool) -> None:
    if not replace:
        try:
            os.link(partial, target)  # unlike a renaming it refuses a file that has come meanwhile
            return
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if target.exists():
                raise FileExistsError from None
    os.replace(partial, target)


def write_text(file: Path, text: str, *, replace: bool = False) -> None:
    """Write a text as UTF-8; see :func:`whole_file`."""
    with whole_file(file, replace=replace) as partial:
        partial.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def held(file: Path) -> Iterator[None]:
    """Keep a file to this run, which reads and writes it again and again, until the end.

    Raises
    ------
    InputError
        If another run has it.
    """
    if fcntl is None:
        yield
        return
    lock = file.with_name(f".simwrap-{file.name[:200]}.lock")
    try:
        descriptor = _locked(lock)
    except BlockingIOError:
        raise InputError(f"{file} is being written by another run; wait for its end, or give another name") from None
    except (OSError, ValueError) as fault:
        raise system_error(f"{file} can't be written", fault) from None
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)  # while nobody else can have it
        fcntl.flock(descriptor, fcntl.LOCK_UN)  # by hand: a forked process may have the descriptor too
        os.close(descriptor)


def _locked(lock: Path) -> int:
    """Return a descriptor of a lock that lies under its name; the end of this process lets go of it in any case."""
    while True:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if lock.exists() and os.path.samestat(os.fstat(descriptor), lock.stat()):
                return descriptor
        except BlockingIOError:
            os.close(descriptor)
            raise
        except OSError as fault:
            if fault.errno in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS):  # a file system without locks
                return descriptor
            os.close(descriptor)
            if not isinstance(fault, FileNotFoundError):  # its holder has just removed it
                raise
        else:
            os.close(descriptor)
