"""The engines: circuits and runs in, arrays out, each simulator in a killable child process.

    from simwrap.engine import Circuit, OpRun, run
    (reply,) = run(Circuit("v_a n_a 0 dc 1.0\\nr_a n_a n_b 1000.0\\nr_b n_b 0 1000.0"), [OpRun()])
    reply.values["n_b"]   # array([0.5])

What may stand in a circuit is said in :mod:`simwrap.engine.guard`, what a reply holds in
:mod:`simwrap.engine.protocol`.
"""

from __future__ import annotations

from .child import children, stop_all
from .discover import NAMES, Found, choose
from .found import SelfCheck, found, self_check
from .guard import check
from .pool import run
from .protocol import AcRun, Circuit, NoiseRun, OpRun, Pulse, Pwl, Reply, Run, Sine, SteadyRun, TransientRun

__all__ = [
    "NAMES", "AcRun", "Circuit", "Found", "NoiseRun", "OpRun", "Pulse", "Pwl", "Reply", "Run",
    "SelfCheck", "Sine", "SteadyRun", "TransientRun", "check", "children", "choose", "found",
    "run", "self_check", "stop_all",
]  # fmt: skip
