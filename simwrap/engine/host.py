"""The child process: ``python -m simwrap.engine.host <engine> <heartbeat file>``.

Requests come on standard input and replies leave on standard output, each a length and a pickle.
Both descriptors are moved out of the way first, so that nothing an engine prints can get between.
"""

from __future__ import annotations

import gc
import importlib
import mmap
import os
import pickle
import signal
import struct
import sys
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


def main(engine: str, heartbeat: str) -> None:
    """Serve requests until the parent closes the pipe."""
    requests, replies = _private_streams()
    # Ctrl-C reaches the whole group; the parent decides what happens to us.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with open(heartbeat, "r+b") as file:
        cells = mmap.mmap(file.fileno(), HEARTBEAT.size)
    try:
        if engine == "neospice":
            host: Any = importlib.import_module("simwrap.engine.backends.neospice").Neospice()
        else:
            host = importlib.import_module("simwrap.engine.backends.ngspice").Ngspice()
        from simwrap.engine import worker
    except BaseException as error:
        send(replies, ("unusable", f"{type(error).__name__}: {error}"))
        return
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

    gc.freeze()
    while True:
        try:
            job = receive(requests)
        except EOFError:
            return
        seconds = int(job.time_limit) + 30
        try:
            reply: tuple[str, Any] = ("done", [worker.as_reply(part) for part in worker.solve(host, job, beat)])
        except MemoryError:
            return
        except Exception as error:
            reply = ("failed", f"{type(error).__name__}: {error}")
        if alarm:
            alarm(0)
        send(replies, reply)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
