"""The parent's side of one child process: start, ask, watch, kill."""

from __future__ import annotations

import atexit
import contextlib
import mmap
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from simwrap.engine.host import HEARTBEAT, receive, send
from simwrap.engine.worker import Job

_ROOT = str(Path(__file__).resolve().parents[2])


class ChildDied(Exception):
    """The child ended or was ended; ``where`` is the (run, point, level) in flight."""

    def __init__(self, reason: str, where: tuple[int, int, int], timed_out: bool = False) -> None:
        super().__init__(reason)
        self.reason, self.where, self.timed_out = reason, where, timed_out


class Unusable(Exception):
    """The engine could not be started in the child."""


class Child:
    """One engine in one process."""

    def __init__(self, engine: str) -> None:
        self.engine = engine
        self.owner = os.getpid()
        descriptor, path = tempfile.mkstemp(prefix="simwrap-")
        os.write(descriptor, bytes(HEARTBEAT.size))
        self._heartbeat = mmap.mmap(descriptor, HEARTBEAT.size)
        os.close(descriptor)
        self.deadline: float | None = None
        self.time_limit = 60.0
        self.timed_out = False
        self._beats = 0
        environment = dict(os.environ)
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, (_ROOT, environment.get("PYTHONPATH"))))
        # One thread each: the cores are shared out among children, and sums must not depend on it.
        environment |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "simwrap.engine.host", engine, path],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
        with _lock:
            _alive.add(self)
        try:
            what, detail = self._receive(30.0)
        except ChildDied as died:
            what, detail = "unusable", died.reason
        except BaseException:
            self.kill()
            raise
        finally:
            with contextlib.suppress(OSError):
                os.unlink(path)
        if what != "ready":
            self.kill()
            raise Unusable(str(detail))
        self.version = str(detail)

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    def ask(self, job: Job) -> Any:
        """Send a job and return its parts; ChildDied when the child ends before it answers."""
        # What was in flight in the job before says nothing about this one.
        HEARTBEAT.pack_into(self._heartbeat, 0, self._beat()[0], -1, -1, -1)
        try:
            assert self._process.stdin is not None
            send(self._process.stdin, job)
        except (BrokenPipeError, OSError, ValueError):
            self.kill()
            raise ChildDied("the engine process had ended", (-1, -1, -1)) from None
        what, detail = self._receive(job.time_limit)
        if what != "done":
            self.kill()
            raise ChildDied(str(detail), self._beat()[1:])
        return detail

    def _beat(self) -> tuple[int, int, int, int]:
        found = HEARTBEAT.unpack_from(self._heartbeat)
        return (found[0], found[1], found[2], found[3])

    def _receive(self, time_limit: float) -> tuple[str, Any]:
        self.time_limit = time_limit
        self._beats = -1
        self.deadline = time.monotonic() + time_limit
        _watch()
        try:
            assert self._process.stdout is not None
            found: tuple[str, Any] = receive(self._process.stdout)
            return found
        except (EOFError, OSError, ValueError):
            where = self._beat()[1:] if self._beats != -1 or self._beat()[0] else (-1, -1, -1)
            timed_out = self.timed_out
            self.kill()
            code = self._process.returncode
            reason = f"the engine process ended ({_ending(code)})"
            if timed_out:
                reason = f"more than the time limit of {time_limit:g} s"
            raise ChildDied(reason, where, timed_out) from None
        finally:
            self.deadline = None

    def overdue(self, now: float) -> bool:
        """Watchdog: has the point in flight passed its limit?"""
        deadline = self.deadline
        if deadline is None:
            return False
        beats = self._beat()[0]
        if beats != self._beats:
            self._beats = beats
            self.deadline = now + self.time_limit
            return False
        return now > deadline

    def kill(self) -> None:
        """End the process now."""
        with _lock:
            _alive.discard(self)
        if self.owner != os.getpid():
            return
        with contextlib.suppress(OSError):
            self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError, ValueError):
                    stream.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(5.0)

    def alive(self) -> bool:
        """Whether the process runs and is ours."""
        return self.owner == os.getpid() and self._process.poll() is None


def _ending(code: int | None) -> str:
    if code is not None and code < 0:
        return f"signal {-code}"
    return f"exit code {code}"


_lock = threading.RLock()
_alive: set[Child] = set()
_idle: dict[str, list[Child]] = {}
_watcher: threading.Thread | None = None


def _watch() -> None:
    global _watcher
    if _watcher is None or not _watcher.is_alive():
        with _lock:
            if _watcher is None or not _watcher.is_alive():
                _watcher = threading.Thread(target=_watchdog, name="simwrap-watchdog", daemon=True)
                _watcher.start()


def _watchdog() -> None:
    while True:
        time.sleep(0.05)
        now = time.monotonic()
        with _lock:
            children = [child for child in _alive if child.owner == os.getpid()]
        for child in children:
            try:
                if child.overdue(now):
                    child.timed_out = True
                    child._process.kill()
            except OSError:
                pass


def borrow(engine: str) -> Child:
    """Take an idle child of an engine, or start one; Unusable when it can't be started."""
    while True:
        with _lock:
            idle = _idle.get(engine)
            child = idle.pop() if idle else None
        if child is None:
            return Child(engine)
        if child.alive():
            return child
        if child.owner == os.getpid():
            child.kill()


def give_back(child: Child) -> None:
    """Keep a child for the next job."""
    with _lock:
        _idle.setdefault(child.engine, []).append(child)


def children() -> list[int]:
    """Process numbers of all children that run now."""
    with _lock:
        return [child.pid for child in _alive if child.owner == os.getpid()]


def stop_all() -> None:
    """End every child of this process; the next job starts new ones."""
    with _lock:
        everyone = list(_alive)
        _idle.clear()
    for child in everyone:
        child.kill()


atexit.register(stop_all)
