"""The raw circuit: voltages and currents at chosen nodes, for whoever wants to look for themselves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.engine.protocol import AcRun, OpRun, Pulse, Reply, Run, Sine, SteadyRun, TransientRun
from simwrap.errors import EngineError, RangeError
from simwrap.registry import find
from simwrap.simulation.evaluate import provenance
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

Analysis = Literal["operating_point", "frequencies", "period", "time"]
_ANALYSES = ("operating_point", "frequencies", "period", "time")
#: Harmonics of a period that are kept as its spectrum.
HARMONICS = 32


def simulate(
    circuit: Circuit | Stage,
    analysis: Analysis = "period",
    *,
    nodes: Sequence[str] = ("output",),
    level: float | str | Sequence[float] = 0.5,
    frequency: float | str = 1000.0,
    start: float | str = 1.0,
    stop: float | str = 1e6,
    per_decade: int = 20,
    duration: float | str = 0.02,
    samples: int = 256,
    shape: Literal["sine", "square"] = "sine",
    excite: str = "signal",
    engine: str = "auto",
    time_limit: float = 60.0,
) -> xarray.Dataset:
    """Run one analysis of a circuit and return what is at some nodes.

    Parameters
    ----------
    circuit : Circuit or Stage
    analysis : str
        "operating_point" (no signal), "frequencies" (small signal, from 1 V of what is excited), "period" (one
        period of the periodic steady state at each level, and its spectrum) or "time" (from the operating point on).
    nodes : sequence of str
        Ports ("output", "driver.output"), nodes ("n_anode", "driver.n_anode") or electrode currents of valves
        ("v1.anode_current", "driver.v1.grid_current").
    level : float, or sequence of float
        Of the signal source [V r.m.s.; peak of a square wave]; several for "period" alone.
    frequency : float
        Of the signal [Hz].
    start, stop : float
        Range of "frequencies" [Hz].
    per_decade : int
        Points a decade of "frequencies".
    duration : float
        Length of "time" [s].
    samples : int
        Samples of a period (a power of two) or of "time".
    shape : str
        "sine" or "square", of "time".
    excite : str
        What is excited in "frequencies": "signal", "output" (1 A into it), or a supply by name.
    engine : str
        "auto", "neospice" or "ngspice".
    time_limit : float
        Longest time for the run [s].

    Returns
    -------
    xarray.Dataset
        A variable for each node, with units; dims: none, "frequency" (variables are complex), ("level", "time") and
        ("level", "harmonic") for ``<node>.spectrum`` (peak amplitudes, harmonic 0 is the mean), or "time".

    Raises
    ------
    UnknownNameError
        No such node; the error has the nearest.
    RangeError
        A number that can't be meant.
    EngineError
        If nothing came of it.
    """
    made = as_circuit(circuit, "simulate")
    kind = find("analysis", analysis, {str(word): str(word) for word in _ANALYSES}, "simulate")
    vectors = {name: _vector(made, name) for name in ([nodes] if isinstance(nodes, str) else nodes)}
    levels = np.atleast_1d([_number(entry, "V", "level", 0.0, 1e4) for entry in _several(level)])
    hertz = _number(frequency, "Hz", "frequency", 1e-3, 1e8)
    if not 2 <= samples <= 1 << 20:
        raise RangeError("samples", samples, "a whole number from 2 to 1048576", "simulate")
    wanted = tuple(dict.fromkeys(vector for vector, _ in vectors.values()))
    run: Run
    if kind == "operating_point":
        run = OpRun(wanted)
    elif kind == "frequencies":
        low, high = (_number(f, "Hz", name, 1e-3, 1e9) for f, name in ((start, "start"), (stop, "stop")))
        run = AcRun(low, high, per_decade, wanted)
    elif kind == "period":
        if samples & (samples - 1):
            raise RangeError("samples", samples, "a power of two", "simulate")
        run = SteadyRun(hertz, (Sine(1.0, hertz),), np.sqrt(2.0) * levels[None], wanted, samples=samples)
    else:
        if len(levels) != 1:
            raise RangeError("level", level, "one level", "simulate")
        length = _number(duration, "s", "duration", 1e-9, 1e3)
        step = min(length / samples, 1.0 / (200.0 * hertz))
        run = TransientRun(length, step, wanted, (_term(shape, hertz, float(levels[0])),), samples=samples)
    text = render(made, excite=excite)
    (reply,) = engines.run(text.circuit, [run], engine=engine, time_limit=time_limit, workers=1)
    if reply.reasons[0] and all(np.isnan(array).all() for array in reply.values.values()):
        raise EngineError(f"{made.name}: {reply.reasons[0]}")
    data = _dataset(kind, reply, vectors, levels, hertz)
    data.attrs |= {"circuit": made.name, "analysis": kind, "reason": reply.reasons[0]}
    return data.assign_attrs(provenance(reply.engines[0], text.sha256))


def _several(level: Any) -> list[Any]:
    return list(level) if isinstance(level, list | tuple | np.ndarray) else [level]


def _number(given: Any, unit: str, name: str, low: float, high: float) -> float:
    value = quantity.parse(given, unit, parameter=name)
    if not low <= value <= high:
        words = f"a value from {quantity.render(low, unit)} to {quantity.render(high, unit)}"
        raise RangeError(name, given, words, "simulate")
    return value


def _term(shape: str, frequency: float, level: float) -> Sine | Pulse:
    if shape == "sine":
        return Sine(np.sqrt(2.0) * level, frequency)
    if shape == "square":
        edge = 1e-4 / frequency
        return Pulse(-level, level, 0.0, edge, edge, 0.5 / frequency - edge, 1.0 / frequency)
    raise RangeError("shape", shape, "sine or square", "simulate")


def _vector(circuit: Circuit, name: str) -> tuple[str, str]:
    """Return the engine's vector and the unit of what the user calls ``name``."""
    currents = {
        f"{valve}.{electrode}_current": node
        for valve, use in circuit.valves.items()
        for electrode, node in use.currents.items()
    }
    known = {**circuit.node_paths, **circuit.ports, **currents}
    found = find("node", name, {key: key for key in known}, circuit.name)
    return known[found], "A" if found in currents else "V"


def _dataset(
    analysis: str, reply: Reply, vectors: dict[str, tuple[str, str]], levels: Any, hertz: float
) -> xarray.Dataset:
    import xarray

    data: dict[str, Any] = {}
    coords: dict[str, Any] = {}
    dims: tuple[str, ...] = ()
    if analysis == "frequencies":
        dims, coords = ("frequency",), {"frequency": ("frequency", reply.axis, {"units": "Hz"})}
    elif analysis == "time":
        dims, coords = ("time",), {"time": ("time", reply.axis, {"units": "s"})}
    elif analysis == "period":
        dims = ("level", "time")
        count = np.shape(next(iter(reply.values.values())))[-1]
        seconds = np.arange(count) / count / hertz
        coords = {
            "level": ("level", levels, {"units": "V", "long_name": "level of the source, r.m.s."}),
            "time": ("time", seconds, {"units": "s"}),
            "harmonic": ("harmonic", np.arange(min(HARMONICS, count // 2) + 1), {"units": "1"}),
        }
    for name, (vector, unit) in vectors.items():
        values = np.asarray(reply.values[vector])[0] * (1e-3 if unit == "A" else 1.0)
        attrs = {"units": unit, "long_name": name.replace("_", " ")}
        data[name] = (dims, values, attrs)
        if analysis == "period":
            lines = np.abs(np.fft.rfft(values, axis=-1)) / values.shape[-1]
            lines[..., 1:] *= 2.0
            attrs = {"units": unit, "long_name": f"{name.replace('_', ' ')}, amplitude of each harmonic"}
            data[f"{name}.spectrum"] = (("level", "harmonic"), lines[..., : len(coords["harmonic"][1])], attrs)
    return xarray.Dataset(data, coords=coords)
