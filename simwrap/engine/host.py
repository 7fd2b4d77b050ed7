"""The child process: run as a file, ``python -I host.py <engine> <heartbeat> <folders>``.

Requests come on standard input and replies leave on standard output, each a length and a pickle.
Both descriptors are moved out of the way first, so that nothing an engine prints can get between.

It is isolated (``-I``): no environment variable and no module of the working folder gets in. The folders
in which the parent looks for modules are handed over, and this package is loaded from where it lies.
"""

from __future__ import annotations

import contextlib
import gc
import importlib.util
import json
import mmap
import os
import pickle
import signal
import struct
import sys
import threading
import time
from pathlib import Path
from typing import IO, Any, BinaryIO

#: A length in front of each message.
LENGTH = struct.Struct("<q")
#: Heartbeat: a count of beats and the run, point and level in flight.
HEARTBEAT = struct.Struct("<4q")


def send(stream: IO[bytes], message: Any) -> None:
    """Write one message."""
    data = pickle.dumps(message, protocol=5)
    stream.write(LENGTH.pack(len(data)))
    stream.write(data)
    stream.flush()


def receive(stream: IO[bytes]) -> Any:
    """Read one message; EOFError when the other side is gone."""
    head = _exactly(stream, LENGTH.size)
    return pickle.loads(_exactly(stream, LENGTH.unpack(head)[0]))


def _exactly(stream: IO[bytes], count: int) -> bytes:
    data = stream.read(count)
    if data is None or len(data) < count:
        raise EOFError
    return data


def _private_streams() -> tuple[BinaryIO, BinaryIO]:
    requests, replies = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nowhere, number)
    return requests, replies


def _load_package(folders: list[str]) -> None:
    """Make ``import simwrap`` find the package that this file is part of, whatever else is installed."""
    sys.path += [folder for folder in folders if folder not in sys.path]
    root = Path(__file__).resolve().parents[1]
    start = root / "__init__.py"
    spec = importlib.util.spec_from_file_location("simwrap", start, submodule_search_locations=[str(root)])
    assert spec is not None
    assert spec.loader is not None
    sys.modules["simwrap"] = package = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(package)


def _end_with_parent() -> None:
    """End this process when its parent has ended in the middle of a run, as kill -9 does."""
    parent = os.getppid()

    def look() -> None:
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    # Where there is no room for another thread, the alarm of each beat ends it.
    with contextlib.suppress(RuntimeError):
        threading.Thread(target=look, daemon=True).start()


def _heartbeat(where: str) -> mmap.mmap:
    """Map the heartbeat: the number of an inherited descriptor, or a path where none can be inherited."""
    descriptor = int(where) if where.isdigit() else os.open(where, os.O_RDWR)
    try:
        return mmap.mmap(descriptor, HEARTBEAT.size)
    finally:
        os.close(descriptor)


def _backend(engine: str) -> Any:
    if engine == "neospice":
        from simwrap.engine.backends.neospice import Neospice

        return Neospice()
    from simwrap.engine.backends.ngspice import Ngspice

    return Ngspice()


def main(engine: str, heartbeat: str, folders: list[str]) -> None:
    """Serve requests until the parent closes the pipe."""
    requests, replies = _private_streams()
    # Ctrl-C reaches the whole group; the parent decides what happens to us.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cells = _heartbeat(heartbeat)
    _load_package(folders)
    try:
        host = _backend(engine)
        from simwrap.engine import worker
    except BaseException as error:
        send(replies, ("unusable", f"{type(error).__name__}: {error}"))
        return
    if hasattr(os, "getppid") and os.name != "nt":
        _end_with_parent()
    send(replies, ("ready", host.version))
    count = 0
    pack, alarm = HEARTBEAT.pack_into, getattr(signal, "alarm", None)

    seconds = 0

    def beat(run: int, point: int, level: int) -> None:
        nonlocal count
        count += 1
        pack(cells, 0, count, run, point, level)
        if alarm:
            # Should the parent die while an engine hangs, nothing else would end us.
            alarm(seconds)

    def tell(level: int, found: Any) -> None:
        send(replies, ("level", (level, found)))

    gc.freeze()
    while True:
        try:
            job = receive(requests)
        except EOFError:
            return
        seconds = int(job.time_limit) + 30
        try:
            parts = worker.solve(host, job, beat, tell)
            reply: tuple[str, Any] = ("done", [worker.as_reply(part) for part in parts])
        except MemoryError:
            return
        except Exception as error:
            reply = ("failed", f"{type(error).__name__}: {error}")
        if alarm:
            alarm(0)
        send(replies, reply)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], json.loads(sys.argv[3]))
