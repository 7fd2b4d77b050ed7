"""What all tests share: no display, and no wandering of caches or plug-ins between runs."""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import tempfile
from ctypes.util import find_library
from functools import cache
from pathlib import Path

import pytest
from hypothesis import settings

# Before anything imports matplotlib; child processes inherit it.
os.environ["MPLBACKEND"] = "Agg"
# Before anything imports numpy: matrices are small, and two runs side by side have no cores to spare for its threads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A builder's own settings must not change what is tested.
for name in ("SIMWRAP_ENGINE", "SIMWRAP_VALVES", "SIMWRAP_STAGES"):
    os.environ.pop(name, None)

# A shell that starts the tests in the background has them ignore Ctrl-C, and so would the commands that they interrupt.
signal.signal(signal.SIGINT, signal.default_int_handler)

# What simwrap keeps between commands starts empty, once for all processes of a run; fonts that were found stay found.
os.environ.setdefault("MPLCONFIGDIR", str(Path.home() / ".cache" / "matplotlib"))
if "PYTEST_XDIST_WORKER" not in os.environ:
    os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="simwrap-tests-")
    atexit.register(shutil.rmtree, os.environ["XDG_CACHE_HOME"], ignore_errors=True)

# The machine may be shared: a slow example is no failure.
settings.register_profile("simwrap", deadline=None, derandomize=True)
settings.load_profile("simwrap")


@cache
def has_ngspice_library() -> bool:
    """Whether libngspice can be loaded."""
    return bool(os.environ.get("NGSPICE_LIBRARY_PATH") or find_library("ngspice"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a simulator that isn't installed."""
    for item in items:
        if item.get_closest_marker("ngspice") and not has_ngspice_library():
            item.add_marker(pytest.mark.skip(reason="libngspice is not installed"))


@pytest.fixture(scope="session")
def ngspice_program() -> str:
    """Path of the ngspice command line program; skips where it isn't installed."""
    found = shutil.which("ngspice")
    if found is None:
        pytest.skip("the program ngspice is not installed")
    return found
