"""Forked processes: they have one thread, and for ever wait for a lock that another one held when they began."""

from __future__ import annotations

import _imp
import contextlib
import functools
import os
import sys
import tempfile
import threading
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from functools import cached_property
else:

    class cached_property(functools.cached_property):  # stands for the standard one
        """As in the standard library from Python 3.12 on.

        That of 3.11 has one lock for the objects of all threads, which a forked process may inherit locked for ever.
        """

        def __get__(self, instance: Any, owner: Any = None) -> Any:
            """Return the value, worked out at the first time; by two threads at once it may be twice."""
            if instance is None:
                return self
            values = instance.__dict__
            if self.attrname not in values:
                values[self.attrname] = self.func(instance)
            return values[self.attrname]


#: Longest time that a fork waits for the imports of other threads [s].
PATIENCE = 30.0


def _let_imports_end() -> None:
    """Let other threads end their imports, and keep them from new ones.

    In the forked process nobody would end them, and whoever needs the module waits.
    """
    until = time.monotonic() + PATIENCE
    while True:
        _imp.acquire_lock()  # without it no import begins
        if time.monotonic() > until or not _others_import():
            return
        _imp.release_lock()
        time.sleep(0.002)


def _others_import() -> bool:
    """Whether another thread imports a module; False where this Python doesn't tell."""
    locks = [lock() for lock in list(getattr(sys.modules.get("_frozen_importlib"), "_module_locks", {}).values())]
    return any(getattr(lock, "owner", None) not in (None, threading.get_ident()) for lock in locks)


#: Held while something of another library is worked out at its first use: a fork waits for the end of that.
first_use = threading.RLock()


def _let_others_end() -> None:
    first_use.acquire()
    # The standard library's own lock of first use, which isn't needed any more once it was held.
    with contextlib.suppress(OSError), tempfile.TemporaryFile():
        pass
    _let_imports_end()


def _go_on() -> None:
    _imp.release_lock()
    first_use.release()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_let_others_end, after_in_parent=_go_on, after_in_child=_go_on)

__all__ = ["cached_property", "first_use"]
