"""The engines: circuits and runs in, arrays out, each simulator in a killable child process.

    from simwrap.engine import NetlistTable, OpRun, run
    (reply,) = run(NetlistTable("v_a n_a 0 dc 1.0\\nr_a n_a n_b 1000.0\\nr_b n_b 0 1000.0"), [OpRun()])
    reply.values["n_b"]   # array([0.5])

What may stand in a circuit is said in :mod:`simwrap.netlist.allow_list`, what a reply holds in
:mod:`simwrap.engine.protocol`.
"""

from __future__ import annotations

from simwrap.engine.backends.discovery import NAMES, Found, choose, identities
from simwrap.engine.options import DEFAULT, Run, RunKeywords, spelled_out
from simwrap.engine.pool import run
from simwrap.engine.process import children, stop_all
from simwrap.engine.protocol import (
    AcRun,
    Analysis,
    NetlistTable,
    NoiseRun,
    OpRun,
    Pulse,
    Pwl,
    Reply,
    Sine,
    SteadyRun,
    TransientRun,
)
from simwrap.engine.self_check import SelfCheck, found, self_check
from simwrap.netlist.allow_list import check

__all__ = [
    "DEFAULT", "NAMES", "AcRun", "Analysis", "Found", "NetlistTable", "NoiseRun", "OpRun", "Pulse", "Pwl", "Reply",
    "Run", "RunKeywords", "SelfCheck", "Sine", "SteadyRun", "TransientRun", "check", "children", "choose", "found",
    "identities", "run", "self_check", "spelled_out", "stop_all",
]  # fmt: skip
