"""The raw circuit: voltages and currents at chosen nodes, for whoever wants to look for themselves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.render import Netlist, render
from simwrap.circuits.stage import Stage
from simwrap.engine import protocol
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
#: Resistance of a meter that hangs nowhere [ohm].
_NOT_CONNECTED = 1e15


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
        Ports ("output", "driver.output"), nodes ("n_anode", "driver.n_anode"), electrode currents of valves
        ("v1.anode_current", "driver.v1.grid_current") or what a supply gives ("supply.current").
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
    vectors = {name: _Vector.named(made, name) for name in ([nodes] if isinstance(nodes, str) else nodes)}
    levels = np.atleast_1d([_number(entry, "V", "level", 0.0, 1e4) for entry in _several(level)])
    hertz = _number(frequency, "Hz", "frequency", 1e-3, 1e8)
    if not 2 <= samples <= 1 << 20:
        raise RangeError("samples", samples, "a whole number from 2 to 1048576", "simulate")
    wanted = tuple(dict.fromkeys(vector.name for vector in vectors.values()))
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
    text, reply = _run(made, run, excite, engine, time_limit)
    data = _dataset(kind, reply, vectors, levels, hertz)
    data.attrs |= {"circuit": made.name, "analysis": kind, "reason": reply.reasons[0]}
    return data.assign_attrs(provenance(reply.engines[0], text.sha256))


def _run(made: Circuit, run: Run, excite: str, engine: str, time_limit: float = 60.0) -> tuple[Netlist, Reply]:
    text = render(made, excite=excite)
    (reply,) = engines.run(text.circuit, [run], engines.RunOptions(engine, time_limit, workers=1))
    if reply.reasons[0] and all(np.isnan(array).all() for array in reply.values.values()):
        raise EngineError(f"{made.name}: {reply.reasons[0]}")
    return text, reply


def at_rest(circuit: Circuit, name: str, *, engine: str = "auto") -> float:
    """Return one figure of the operating point, named as in :func:`simulate` [V or A]."""
    return all_at_rest(circuit, [name], engine=engine)[0]


def all_at_rest(circuit: Circuit, names: Sequence[str], *, engine: str = "auto") -> list[float]:
    """Return figures of one operating point, named as in :func:`simulate` [V or A]."""
    if not names:
        return []
    vectors = [_Vector.named(circuit, name) for name in names]
    _, reply = _run(circuit, OpRun(tuple(dict.fromkeys(vector.name for vector in vectors))), "signal", engine)
    return [float(np.asarray(reply.values[vector.name])[0]) * vector.factor for vector in vectors]


def metered(
    circuit: Circuit, places: Sequence[tuple[str, str]], resistance: float, *, engine: str = "auto"
) -> NDArray[np.float64]:
    """Return what a voltmeter shows at rest at each pair of netlist nodes, loading the circuit there and only there.

    Parameters
    ----------
    circuit : Circuit
    places : sequence of (str, str)
        Netlist nodes of both leads; "0" is ground.
    resistance : float
        Of the meter [ohm].
    engine : str
        "auto", "neospice" or "ngspice".

    Returns
    -------
    ndarray, shape (places,)
        [V]; NaN where there is no operating point.
    """
    made = render(circuit).circuit
    count = len(places)
    # One meter a place, of which one at a time is connected: a point each.
    away = np.where(np.eye(count, dtype=bool), resistance, _NOT_CONNECTED)
    lines = "".join(f"r_meter_{n} {one} {other} {_NOT_CONNECTED!r}\n" for n, (one, other) in enumerate(places))
    table = {f"r_meter_{number}": away[:, number] for number in range(count)}
    with_meters = protocol.Circuit(made.text + lines, table, count)
    nodes = tuple(dict.fromkeys(node for place in places for node in place if node != "0"))
    (reply,) = engines.run(with_meters, [OpRun(nodes)], engines.RunOptions(engine, workers=1))
    ground = np.zeros(count)
    ends = [[reply.values.get(node, ground)[number] for node in place] for number, place in enumerate(places)]
    return np.array([float(one - other) for one, other in ends])


def transfer(circuit: Circuit, name: str, *, excite: str, frequency: float, engine: str = "auto") -> complex:
    """Return what 1 V (or 1 A) of a source leaves at one place at one frequency [Hz]; names as in :func:`simulate`."""
    return complex(transfers(circuit, name, excite=excite, start=frequency, stop=frequency, engine=engine)[1][0])


def transfers(
    circuit: Circuit,
    name: str,
    *,
    excite: str = "signal",
    start: float,
    stop: float,
    per_decade: int = 10,
    engine: str = "auto",
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return frequencies [Hz], and what :func:`transfer` says at each of them."""
    vector = _Vector.named(circuit, name)
    _, reply = _run(circuit, AcRun(start, stop, per_decade, (vector.name,)), excite, engine)
    return np.asarray(reply.axis), np.asarray(reply.values[vector.name])[0] * vector.factor


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


class _Vector(NamedTuple):
    """An engine's vector, the unit of what it stands for, and the factor to that unit."""

    name: str
    unit: str
    factor: float

    @classmethod
    def named(cls, circuit: Circuit, name: str) -> _Vector:
        """Return the vector of what the user calls ``name``."""
        known = {key: cls(node, "V", 1.0) for key, node in {**circuit.node_paths, **circuit.ports}.items()}
        for valve, use in circuit.valves.items():
            # A node carries it, in mA as volts.
            known |= {f"{valve}.{each}_current": cls(node, "A", 1e-3) for each, node in use.currents.items()}
        # The current of a voltage source flows into its + end: what it gives is the opposite.
        known |= {f"{each}.current": cls(f"i({device})", "A", -1.0) for each, device in circuit.supplies.items()}
        return find("node", name, known, circuit.name)


def _dataset(analysis: str, reply: Reply, vectors: dict[str, _Vector], levels: Any, hertz: float) -> xarray.Dataset:
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
    for name, (vector, unit, factor) in vectors.items():
        values = np.asarray(reply.values[vector])[0] * factor
        attrs = {"units": unit, "long_name": name.replace("_", " ")}
        data[name] = (dims, values, attrs)
        if analysis == "period":
            lines = np.abs(np.fft.rfft(values, axis=-1)) / values.shape[-1]
            lines[..., 1:] *= 2.0
            attrs = {"units": unit, "long_name": f"{name.replace('_', ' ')}, amplitude of each harmonic"}
            data[f"{name}.spectrum"] = (("level", "harmonic"), lines[..., : len(coords["harmonic"][1])], attrs)
    return xarray.Dataset(data, coords=coords)
