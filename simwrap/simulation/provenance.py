"""Where numbers came from."""

from __future__ import annotations

from collections.abc import Iterable

#: How sweeps over frequency and noise are found, as it is told beside the numbers.
HOW = {
    "engine": "the engine's own analyses",
    "linearised": "the circuit linearised about the engine's operating point",
}


def provenance(used: str, netlist: str, small_signals: Iterable[str] = ()) -> dict[str, str]:
    """Return where numbers came from: engines (joined by "+") and versions, netlist hash, simwrap.

    ``small_signals`` are of an outcome: its words say how sweeps over frequency and noise were found.
    """
    import simwrap
    from simwrap.engine.self_check import engine_version

    versions = "+".join(engine_version(name) for name in used.split("+") if name)
    how = {"small_signals": " and ".join(HOW[word] for word in sorted(small_signals))} if small_signals else {}
    return {
        "engine": used,
        "engine_version": versions,
        "netlist_sha256": netlist,
        "simwrap_version": simwrap.__version__,
        **how,
    }
