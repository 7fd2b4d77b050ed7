"""What engines are there, and do they compute right: for ``simwrap engines``."""

from __future__ import annotations

import functools
import math
import os
import threading
from dataclasses import dataclass

import numpy as np

from simwrap.engine import process as children
from simwrap.engine.backends.discovery import NAMES, Found, choose, missing
from simwrap.engine.options import Run
from simwrap.engine.pool import run
from simwrap.engine.protocol import AcRun, Analysis, NetlistTable, OpRun, Sine, SteadyRun
from simwrap.errors import EngineError, SystemLimitError


@dataclass(frozen=True)
class SelfCheck:
    """One number of an engine against its closed form."""

    name: str
    expected: float
    got: float
    unit: str
    tolerance: float

    @property
    def passed(self) -> bool:
        """Whether the number is within its tolerance (relative, or absolute for dB)."""
        allowed = self.tolerance if self.unit == "dB" else self.tolerance * abs(self.expected)
        return bool(abs(self.got - self.expected) <= allowed)


_DETAIL = {
    "neospice": "embedded, in a child process",
    "ngspice": "shared library through PySpice, in a child process",
}


@functools.cache
def _version(name: str, key: str) -> str:
    child = children.borrow(name, None, threading.Event())
    assert child is not None
    children.give_back(child)
    return child.version


def engine_version(name: str) -> str:
    """Version of an engine, asked of its child; "" when it can't be started."""
    try:
        return _version(name, os.environ.get("NGSPICE_LIBRARY_PATH", ""))
    except (children.Unusable, children.ChildDied, SystemLimitError):
        return ""


def found() -> list[Found]:
    """Look for every engine, start it, and return its version or what is missing."""
    result = []
    for name in NAMES:
        why = missing(name)
        version = ""
        if not why:
            try:
                version = _version(name, os.environ.get("NGSPICE_LIBRARY_PATH", ""))
            except (children.Unusable, children.ChildDied) as error:
                why = f"it could not be started: {error}"
        detail = why or _DETAIL[name]
        result.append(Found(name, version, not why, detail))
    return result


def self_check(name: str) -> list[SelfCheck]:
    """Let an engine compute a divider, an RC corner and a cubic, and compare with closed forms.

    Parameters
    ----------
    name : str
        "neospice" or "ngspice".

    Raises
    ------
    EngineError
        When the engine isn't there or can't run the circuit at all.
    """
    choose(name)
    a, b = 1.0, 0.1
    text = (
        "v_supply n_supply 0 dc 10.0\nr_a n_supply n_half 3000.0\nr_b n_half 0 2000.0\n"
        "v_signal n_in 0 dc 0.0 ac 1.0\nr_c n_in n_out 10000.0\nc_c n_out 0 1e-08\n"
        f"b_cubic n_cubic 0 v={a!r}*v(n_in)+{b!r}*v(n_in)*v(n_in)*v(n_in)\nr_d n_cubic 0 1000.0\n"
    )
    corner = 1.0 / (2.0 * math.pi * 1e4 * 1e-8)
    runs: list[Analysis] = [
        OpRun(("n_half",)),
        AcRun(corner, corner, 1, ("n_out",)),
        SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[1.0]]), ("n_cubic",)),
    ]
    replies = run(NetlistTable(text), runs, Run(engine=name, workers=1))
    for reply in replies:
        if reply.failed.any() or reply.engines != [name]:
            raise EngineError(reply.reasons[0] or "the self-check failed on it", engine=name)
    spectrum = np.abs(np.fft.rfft(replies[2].values["n_cubic"][0, 0])) / 128.0
    response = complex(replies[1].values["n_out"][0, 0])
    low_pass = 20.0 * math.log10(abs(response))
    return [
        SelfCheck("divider 3 kohm and 2 kohm at 10 V", 4.0, float(replies[0].values["n_half"][0]), "V", 1e-6),
        SelfCheck("RC low-pass at its corner", -10.0 * math.log10(2.0), low_pass, "dB", 1e-4),
        SelfCheck("phase there", -45.0, float(np.angle(response, deg=True)), "degree", 1e-5),
        SelfCheck("third harmonic of x + 0.1 x^3", b / 4.0, float(spectrum[3]), "V", 1e-3),
    ]
