"""The parent's side of one child process: start, ask, watch, kill."""

from __future__ import annotations

import atexit
import contextlib
import json
import mmap
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from simwrap.engine.backends.discovery import ngspice_library, search_path
from simwrap.engine.host import HEARTBEAT, receive, send
from simwrap.engine.steady import Settled
from simwrap.engine.worker import Job
from simwrap.errors import SystemLimitError

_HOST = Path(__file__).with_name("host.py")

#: What of the environment reaches a child: where the system's loader finds libraries, and what Windows needs.
#: No other variable can change a figure there, or have anything run.
_KEPT = ["LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "DYLD_FALLBACK_LIBRARY_PATH"]
if os.name == "nt":
    _KEPT += ["PATH", "SYSTEMROOT", "WINDIR", "TEMP", "TMP"]


class ChildDied(Exception):
    """The child ended or was ended.

    ``where`` is the (run, point, level) in flight, ``levels`` what it had found of a steady state before.
    """

    def __init__(
        self,
        reason: str,
        where: tuple[int, int, int],
        timed_out: bool = False,
        levels: list[tuple[int, Settled]] | None = None,
    ) -> None:
        super().__init__(reason)
        self.reason, self.where, self.timed_out, self.levels = reason, where, timed_out, levels or []


class Unusable(Exception):
    """The engine could not be started in the child: it says why."""


def cores() -> int:
    """Number of cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def _environment() -> dict[str, str]:
    kept = {name: os.environ[name] for name in _KEPT if name in os.environ}
    # The folder of the code is home and working folder, so that nobody's .spiceinit is read.
    here = str(_HOST.parent)
    kept |= {"HOME": here, "USERPROFILE": here, "LC_ALL": "C", "NGSPICE_LIBRARY_PATH": ngspice_library() or ""}
    # One thread each: the cores are shared out among children, and sums must not depend on it.
    return kept | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Child:
    """One engine in one process.

    Raises
    ------
    Unusable
        When the engine can't be used.
    ChildDied
        When the process ended while the engine was started.
    SystemLimitError
        When the computer has no room for a process, its pipes or its watchdog.
    """

    def __init__(self, engine: str) -> None:
        try:
            with _unsettled():
                self._start(engine)
        except (OSError, RuntimeError) as fault:  # RuntimeError: of a thread
            why = getattr(fault, "strerror", None) or fault
            raise SystemLimitError(f"the computer has no room for a simulator's process ({why})") from None

    def _start(self, engine: str) -> None:
        self.engine = engine
        self.owner = os.getpid()
        #: Whether it was started; ending one that couldn't be makes no room for another.
        self.of_use = False
        self.deadline: float | None = None
        self.time_limit = 60.0
        self.timed_out = False
        self._beats, self._at = 0, (-1, -1)
        inherited: tuple[int, ...] = ()
        with contextlib.ExitStack() as stack:
            if os.name == "nt":
                folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="simwrap-", ignore_cleanup_errors=True))
                file = stack.enter_context(open(os.path.join(folder, "heartbeat"), "w+b"))
                where = file.name
            else:
                # Without a name there is nothing to be left behind.
                file = stack.enter_context(tempfile.TemporaryFile(prefix="simwrap-"))
                where, inherited = str(file.fileno()), (file.fileno(),)
            file.write(bytes(HEARTBEAT.size))
            file.flush()
            self._heartbeat = mmap.mmap(file.fileno(), HEARTBEAT.size)
            self._process = subprocess.Popen(
                [sys.executable, "-I", str(_HOST), engine, where, json.dumps(search_path())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=_environment(),
                cwd=_HOST.parent,
                pass_fds=inherited,
            )
            with _room.changed:
                _room.alive.add(self)
            try:
                self._begin(30.0)
                what, detail = self._receive()
            except BaseException:
                self.kill()
                raise
            finally:
                self.deadline = None
        if what != "ready":
            self.kill()
            raise Unusable(str(detail))
        self.version, self.of_use = str(detail), True

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    def ask(self, job: Job) -> Any:
        """Send a job and return its parts; ChildDied when the child ends before it answers."""
        # What was in flight in the job before says nothing about this one.
        HEARTBEAT.pack_into(self._heartbeat, 0, self._beat()[0], -1, -1, -1)
        self._begin(job.time_limit)
        levels: list[tuple[int, Settled]] = []
        try:
            try:
                assert self._process.stdin is not None
                send(self._process.stdin, job)
            except (OSError, ValueError):
                self.kill()
                raise ChildDied("the engine process had ended", (-1, -1, -1)) from None
            while True:
                what, detail = self._receive()
                if what != "level":
                    break
                levels.append(detail)
        except ChildDied as died:
            died.levels = levels
            raise
        finally:
            self.deadline = None
        if what != "done":
            self.kill()
            raise ChildDied(str(detail), self._beat()[1:])
        return detail

    def _beat(self) -> tuple[int, int, int, int]:
        found = HEARTBEAT.unpack_from(self._heartbeat)
        return (found[0], found[1], found[2], found[3])

    def _begin(self, time_limit: float) -> None:
        """Let the watchdog look at this child from now on."""
        self.time_limit, self.timed_out = time_limit, False
        self._beats, self._at = self._beat()[0], (-1, -1)
        self.deadline = time.monotonic() + time_limit
        _watch()

    def _receive(self) -> tuple[str, Any]:
        try:
            assert self._process.stdout is not None
            found: tuple[str, Any] = receive(self._process.stdout)
            return found
        except (EOFError, OSError, ValueError):
            where, timed_out = self._beat()[1:], self.timed_out
            self.kill()
            reason = f"the engine process ended ({_ending(self._process.returncode)})"
            if timed_out:
                reason = f"nothing came within {self.time_limit:.3g} s"
            raise ChildDied(reason, where, timed_out) from None

    def look(self, now: float, pause: float) -> None:
        """Watchdog: end a child whose point has passed its limit, or that was stopped.

        ``pause`` [s] is how long this process itself stood still.
        """
        deadline = self.deadline
        if deadline is None:
            return
        beats, run, point, _ = self._beat()
        moved, self._beats = beats != self._beats, beats
        if pause:
            self.deadline = deadline + pause
        elif moved and (run, point) != self._at:
            # The next level of the same point, or its next frequencies, have no time of their own, however quick.
            self._at, self.deadline = (run, point), now + self.time_limit
        elif now > deadline:
            self.timed_out = True
            self._process.kill()
        elif not moved and self._stopped():
            self._process.kill()

    def _stopped(self) -> bool:
        """Whether a signal has stopped the process, so that it would stand still for ever."""
        if not hasattr(os, "waitid"):
            return False
        try:
            return os.waitid(os.P_PID, self.pid, os.WSTOPPED | os.WNOHANG | os.WNOWAIT) is not None
        except ChildProcessError:
            return False

    def kill(self) -> None:
        """End the process now."""
        if self.owner != os.getpid():
            with _room.changed:
                _room.alive.discard(self)
            return
        with _unsettled():
            with _room.changed:
                _room.alive.discard(self)
            with contextlib.suppress(OSError):
                self._process.kill()
            for stream in (self._process.stdin, self._process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError, ValueError):
                        stream.close()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(5.0)
            with _room.changed:
                _room.ended += self.of_use

    def forget(self) -> None:
        """After a fork: this process is not the one that owns the child, and must not keep its pipes open."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError, ValueError):
                    os.close(stream.fileno())
        # Nothing is left to be waited for here.
        self._process.returncode = 0

    def alive(self) -> bool:
        """Whether the process runs and is ours."""
        return self.owner == os.getpid() and self._process.poll() is None


def _ending(code: int | None) -> str:
    if code is not None and code < 0:
        return f"signal {-code}"
    return f"exit code {code}"


class _Room:
    """The children of this process: all of them, those that are idle, and how many are in use."""

    def __init__(self) -> None:
        self.changed = threading.Condition(threading.RLock())
        self.alive: set[Child] = set()
        self.idle: dict[str, list[Child]] = {}
        #: Engines of which a child is being started ahead of its first job.
        self.coming: set[str] = set()
        self.busy = 0
        #: Children that are just being started or ended, and how many have been ended so far.
        self.unsettled, self.ended = 0, 0
        self.watcher: threading.Thread | None = None


_room = _Room()


@contextlib.contextmanager
def _unsettled() -> Iterator[None]:
    """While a child takes the computer's room, or may still do so, without being among those that are alive."""
    room = _room
    with room.changed:
        room.unsettled += 1
    try:
        yield
    finally:
        with room.changed:
            room.unsettled -= 1
            room.changed.notify_all()


def _watch() -> None:
    with _room.changed:
        if _room.watcher is None or not _room.watcher.is_alive():
            _room.watcher = threading.Thread(target=_watchdog, name="simwrap-watchdog", daemon=True)
            _room.watcher.start()


def _watchdog() -> None:
    before = time.monotonic()
    while True:
        time.sleep(0.05)
        now = time.monotonic()
        pause = now - before if now - before > 2.0 else 0.0
        before = now
        with _room.changed:
            everyone = list(_room.alive)
            ended = [child for one in _room.idle.values() for child in one if not child.alive()]
            for child in ended:
                _room.idle[child.engine].remove(child)
        for child in ended:
            child.kill()  # closes its pipes
        for child in everyone:
            with contextlib.suppress(OSError):
                child.look(now, pause)


def borrow(engine: str, most: int | None, stop: threading.Event) -> Child | None:
    """Take an idle child of an engine, or start one.

    Waits while ``most`` children are in use (None: never), or the computer has no room for another one than those in
    use; None when ``stop`` is set. Raises what starting a child does.
    """
    with _room.changed:
        while not stop.is_set() and most is not None and _room.busy >= most:
            _room.changed.wait(0.2)
        if stop.is_set():
            return None
        _room.busy += 1
    try:
        while True:
            with _room.changed:
                while engine in _room.coming and not _room.idle.get(engine) and not stop.is_set():
                    _room.changed.wait(0.2)
                idle = _room.idle.get(engine)
                child = idle.pop() if idle else None
            if child is not None and child.alive():
                return child
            if child is not None:
                child.kill()
                continue
            before = _room.ended
            try:
                return Child(engine)
            except SystemLimitError:
                if not _makes_room(stop, before):
                    raise
    except BaseException:
        _one_less()
        raise


def _makes_room(stop: threading.Event, before: int) -> bool:
    """Wait for a child that is in use, or end those that are idle; return whether there may be room now.

    ``before`` is how many had been ended when there was no room.
    """
    with _room.changed:
        idle = sum(map(len, _room.idle.values()))
        if (len(_room.alive) > idle or _room.unsettled) and not stop.is_set():
            _room.changed.wait(0.2)
            return True
        if _room.ended != before:
            return True
    stop_idle()
    return idle > 0


def prepare(engine: str) -> None:
    """Start a child of an engine in the background, for a first job that is sure to come soon.

    Whatever goes wrong is left for the job to find out.
    """

    def start() -> None:
        child = None
        try:
            child = Child(engine)
        except (Unusable, ChildDied, SystemLimitError):
            pass
        finally:
            with _room.changed:
                _room.coming.discard(engine)
                if child is not None:
                    _room.idle.setdefault(engine, []).append(child)
                _room.changed.notify_all()

    with _room.changed:
        if engine in _room.coming or _room.idle.get(engine):
            return
        _room.coming.add(engine)
    try:
        threading.Thread(target=start, name="simwrap-prepare", daemon=True).start()
    except RuntimeError:  # no room for a thread
        with _room.changed:
            _room.coming.discard(engine)


def _one_less() -> None:
    with _room.changed:
        _room.busy -= 1
        _room.changed.notify()


def give_back(child: Child) -> None:
    """Keep a child for the next job."""
    with _room.changed:
        _room.idle.setdefault(child.engine, []).append(child)
    _one_less()


def discard(child: Child) -> None:
    """End a child that was borrowed."""
    child.kill()
    _one_less()


def children() -> list[int]:
    """Process numbers of all children that run now."""
    with _room.changed:
        return [child.pid for child in _room.alive]


def stop_idle() -> None:
    """End every child that waits for work."""
    with _room.changed:
        idle = [child for one in _room.idle.values() for child in one]
        _room.idle.clear()
    for child in idle:
        child.kill()


def stop_all() -> None:
    """End every child of this process; the next job starts new ones."""
    with _room.changed:
        everyone = list(_room.alive)
        _room.idle.clear()
    for child in everyone:
        child.kill()


def _after_fork() -> None:
    """A forked process starts with no children, and with a lock that nobody holds."""
    global _room
    forgotten, _room = _room.alive, _Room()
    for child in forgotten:
        child.forget()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_after_fork)
atexit.register(stop_all)
