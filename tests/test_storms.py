"""Storms: whatever is done to a running process, it ends soon with a result or one sentence, and leaves nothing behind.

One of each kind, and forty of each under the marker ``slow`` as well; a failure is run again by its number.
"""

from __future__ import annotations

import ctypes
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="signals and limits are Linux's")]

SHARE, WHOLE, BATCH = 1, 40, 13
#: Longest time of one storm on a machine that is shared [s].
LONGEST = 120.0
SWEEP = ["sweep", "triode_gain", "--over", "cathode_resistor=1k:3k:12", "--measure", "headroom", "--option", "headroom.levels=18"]  # noqa: E501  # fmt: skip
#: Exit codes that a command may end with: done, bad input, a failed simulator, the computer's limits, interrupted.
ENDS = (0, 2, 3, 4, 130)
BUSY = """
import os, sys, threading, time
import simwrap
stage = simwrap.stage("triode_gain")
"""


def begin(words: list[str], folder: Path, limit: Callable[[], None] | None = None) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "simwrap", *words], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, preexec_fn=limit, start_new_session=True,
    )  # fmt: skip


def end(running: subprocess.Popen[str], codes: tuple[int, ...] = ENDS) -> str:
    """Wait for the end; return what is wrong with it, "" for nothing."""
    try:
        _, err = running.communicate(timeout=LONGEST)
    except subprocess.TimeoutExpired:
        os.killpg(running.pid, signal.SIGKILL)
        running.communicate()
        return f"no end within {LONGEST:g} s"
    said = [line for line in err.splitlines() if not line.startswith(("note: ", "written: ", "picture: "))]
    if "Traceback" in err or running.returncode not in codes or len(said) > 1:
        return f"exit code {running.returncode}: {err[-600:]}"
    return left_of(running.pid)


def left_of(group: int) -> str:
    """Return which processes of a group are there a while after its first one has ended."""
    until = time.monotonic() + 15.0
    while True:
        left = [p.pid for p in psutil.process_iter() if _in(p.pid, group)]
        if not left or time.monotonic() > until:
            return f"left behind: {left}" if left else ""
        time.sleep(0.1)


def _in(pid: int, group: int) -> bool:
    try:
        return os.getpgid(pid) == group and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except (ProcessLookupError, psutil.NoSuchProcess):
        return False


def ctrl_c(draw: random.Random, folder: Path) -> str:
    running = begin([*SWEEP, "--file", "a.nc"], folder)
    time.sleep(draw.uniform(0.0, 6.0))
    running.send_signal(signal.SIGINT)
    # Before the first line of the program has run, Python itself ends by the signal.
    fault = end(running, (*ENDS, -signal.SIGINT, 1)) if running.poll() is None else end(running)
    if fault.startswith("exit code") and "simwrap: " not in fault and "KeyboardInterrupt" in fault:
        return ""  # Python's own words, before the program's first
    return fault or only(folder, "a.nc")


def only(folder: Path, *names: str) -> str:
    """Return what else lies in a folder than results: nothing half written, no lock."""
    more = {path.name for path in folder.iterdir()} - set(names)
    return f"files left: {more}" if more else ""


def killed_children(draw: random.Random, folder: Path) -> str:
    running = begin([*SWEEP, "-o", "a.csv"], folder)
    for _ in range(draw.randint(1, 6)):
        time.sleep(draw.uniform(0.2, 1.5))
        try:
            children = psutil.Process(running.pid).children()
        except psutil.NoSuchProcess:
            break
        for child in draw.sample(children, k=min(len(children), draw.randint(1, 2))):
            try:
                child.send_signal(draw.choice([signal.SIGKILL, signal.SIGTERM, signal.SIGSTOP, signal.SIGSEGV]))
            except psutil.NoSuchProcess:
                continue
    return end(running) or only(folder, "a.csv")


def killed_itself(draw: random.Random, folder: Path) -> str:
    running = begin([*SWEEP, "--file", "a.nc"], folder)
    time.sleep(draw.uniform(0.5, 6.0))
    running.kill()
    fault = end(running, (*ENDS, -signal.SIGKILL))
    again = begin([*SWEEP, "--file", "a.nc"], folder) if not fault else None
    return fault or (end(again, (0,)) if again else "")


def pipes_closed_early(draw: random.Random, folder: Path) -> str:
    words = draw.choice([["list", "valves"], ["show", "12AX7", "--details"], [*SWEEP, "--details"], ["measure", "triode_gain", "--json"]])  # noqa: E501  # fmt: skip
    running = begin(words, folder)
    assert running.stdout is not None
    for _ in range(draw.randint(0, 3)):
        running.stdout.readline()
    running.stdout.close()
    running.stdout = None
    return end(running, (0,))


def low_limits(draw: random.Random, folder: Path) -> str:
    kind, low, high = draw.choice([
        (resource.RLIMIT_NOFILE, 8, 40), (resource.RLIMIT_AS, 400 << 20, 4 << 30), (resource.RLIMIT_FSIZE, 0, 20_000),
        # Below that the linear algebra that scipy brings asks for its first memory again and again, for ever.
        (resource.RLIMIT_DATA, 300 << 20, 1 << 30),
    ])  # fmt: skip
    most = draw.randint(low, high)
    words = draw.choice([["measure", "triode_gain", "-o", "a.csv"], ["measure", "triode_gain", "--plot", "a.png"], [*SWEEP, "--file", "a.nc"], ["new", "a.toml"]])  # noqa: E501  # fmt: skip
    running = begin(words, folder, lambda: resource.setrlimit(kind, (most, most)))
    fault = end(running)
    if kind != resource.RLIMIT_NOFILE and kind != resource.RLIMIT_FSIZE and fault.startswith("exit code"):
        # Too little for Python and numpy to be loaded at all: then nothing of ours has begun.
        fault = "" if "simwrap/cli" not in fault or "ImportError" in fault or "MemoryError" in fault else fault
    return fault or only(folder, "a.csv", "a.png", "a.nc", "a.toml", *(path.name for path in folder.glob("a-*.png")))


def few_processes(draw: random.Random, folder: Path) -> str:
    """No room for another process or thread; the superuser has no such limit, so its processes count as nobody's."""
    nobody, root, prctl = 65534, os.geteuid() == 0, ctypes.CDLL(None).prctl
    there = 0 if root else sum(p.num_threads() for p in psutil.process_iter() if p.uids().real == os.getuid())
    most = there + draw.randint(1, 12)

    def limit() -> None:
        if root:
            for capability in (21, 24):  # CAP_SYS_ADMIN and CAP_SYS_RESOURCE, PR_CAPBSET_DROP
                prctl(24, capability, 0, 0, 0)
            os.setresuid(nobody, 0, 0)
        resource.setrlimit(resource.RLIMIT_NPROC, (most, most))

    words = draw.choice([["measure", "triode_gain", "-o", "a.csv"], [*SWEEP, "-o", "a.csv"], ["measure", "tone_passive"]])  # noqa: E501  # fmt: skip
    fault = end(begin(words, folder, limit), (0, 1, 4))
    if "OpenBLAS" in fault or ("simwrap/cli" not in fault and "Traceback" in fault):
        return ""  # numpy's own threads had no room: nothing of ours has begun
    return fault or only(folder, "a.csv")


def many_on_one_file(draw: random.Random, folder: Path) -> str:
    crowd = [begin([*SWEEP, *draw.choice([["--file", "a.nc"], ["-o", "b.csv"]])], folder) for _ in range(3)]
    time.sleep(draw.uniform(0.0, 4.0))
    if draw.random() < 0.3:
        crowd[0].send_signal(signal.SIGINT)
        return next(filter(None, [end(running, (*ENDS, 1, -signal.SIGINT)) for running in crowd]), "")
    faults = [end(running, (0, 2)) for running in crowd]
    return next(filter(None, faults), "") or only(folder, "a.nc", "b.csv")


def threads_and_forks(draw: random.Random, folder: Path) -> str:
    script = BUSY + f"""
def work():
    for number in range({draw.randint(1, 4)}):
        simwrap.measure(stage.replace(cathode_resistor=1000 + number), ["bias", "response"])
threads = [threading.Thread(target=work) for _ in range({draw.randint(2, 6)})]
for thread in threads: thread.start()
children = []
for _ in range({draw.randint(1, 3)}):
    time.sleep({draw.uniform(0.0, 1.5)})
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = 0 if 1.0 < simwrap.measure(stage, ["response"]).response.gain < 100 else 3
        finally:
            os._exit(code)
    children.append(child)
codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
for thread in threads: thread.join()
sys.exit(max(codes))
"""  # fmt: skip
    running = subprocess.Popen(
        [sys.executable, "-c", script], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    fault = end(running, (0,))
    # The standard library's own words where a fork met its lock for logging; they do no harm.
    return "" if fault.startswith("exit code 0") and "cannot release un-acquired lock" in fault else fault


STORMS = [
    ctrl_c, killed_children, killed_itself, pipes_closed_early, low_limits, few_processes, many_on_one_file,
    threads_and_forks,
]  # fmt: skip


def _try(storm: Callable[[random.Random, Path], str], numbers: range, folder: Path) -> list[str]:
    faults = []
    for number in numbers:
        own = folder / str(number)
        own.mkdir()
        if fault := storm(random.Random(f"{storm.__name__} {number}"), own):
            faults.append(f"{number}: {fault}")
    return faults


@pytest.mark.parametrize("storm", STORMS, ids=lambda storm: storm.__name__)
def test_a_storm(storm: Callable[[random.Random, Path], str], tmp_path: Path) -> None:
    assert _try(storm, range(SHARE), tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("start", range(SHARE, WHOLE, BATCH))
@pytest.mark.parametrize("storm", STORMS, ids=lambda storm: storm.__name__)
def test_many_storms(storm: Callable[[random.Random, Path], str], start: int, tmp_path: Path) -> None:
    assert _try(storm, range(start, min(start + BATCH, WHOLE)), tmp_path) == []
