"""The raw circuit: voltages and currents at chosen nodes, for whoever wants to look for themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.render import Netlist, render
from simwrap.circuits.stage import Stage
from simwrap.engine import Run, RunKeywords, protocol
from simwrap.engine.protocol import AcRun, Analysis, OpRun, Pulse, Reply, Sine, SteadyRun, TransientRun
from simwrap.errors import EngineError, RangeError
from simwrap.measures.requests import Steady
from simwrap.netlist.element import Element
from simwrap.registry import find
from simwrap.simulation.plan import same_signal
from simwrap.simulation.provenance import provenance
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

Kind = Literal["operating_point", "frequencies", "period", "time"]
_KINDS = ("operating_point", "frequencies", "period", "time")
Shape = Literal["sine", "square"]
#: Harmonics of a period that are kept as its spectrum.
HARMONICS = 32
#: Resistance of a meter that hangs nowhere [ohm].
_NOT_CONNECTED = 1e15


@dataclass(frozen=True)
class Signal:
    """What a circuit is driven with, and how it is looked at; :func:`simulate` says what each is."""

    level: float | str | Sequence[float] = 0.5
    frequency: float | str = 1000.0
    start: float | str = 1.0
    stop: float | str = 1e6
    per_decade: int = 20
    duration: float | str = 0.02
    samples: int = 256
    shape: Shape = "sine"


class SimulateKeywords(RunKeywords, total=False):
    """Fields of a :class:`Signal` and of a run."""

    level: float | str | Sequence[float]
    frequency: float | str
    start: float | str
    stop: float | str
    per_decade: int
    duration: float | str
    samples: int
    shape: Shape


@engines.spelled_out(Signal, Run)
def simulate(
    circuit: Circuit | Stage,
    analysis: Kind = "period",
    *,
    nodes: Sequence[str] = ("output",),
    excite: str = "signal",
    **how: Unpack[SimulateKeywords],
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
    excite : str
        What is excited in "frequencies": "signal", "output" (1 A into it), or a supply by name.
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
    engine, time_limit, workers, executor, progress
        How it is run, as for :func:`simwrap.measure`.

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

    Examples
    --------
    >>> import simwrap
    >>> waves = simwrap.simulate(simwrap.stage("triode_gain"), "period", nodes=["output"], level="100 mV")
    >>> dict(waves.sizes)["time"], waves["output"].attrs["units"]
    (256, 'V')
    """
    made = as_circuit(circuit, "simulate")
    kind = find("analysis", analysis, {word: word for word in _KINDS}, "simulate")
    found = raw(made, kind, nodes=[nodes] if isinstance(nodes, str) else nodes, excite=excite, **how)
    data = _dataset(found)
    data.attrs |= {"circuit": made.name, "analysis": kind, "reason": found.reply.reasons[0]}
    return data.assign_attrs(provenance(found.reply.engines[0], found.netlist.sha256))


@dataclass(frozen=True)
class Raw:
    """What :func:`simulate` tells, as plain arrays.

    Attributes
    ----------
    kind : str
        The analysis.
    vectors : dict of str to _Vector
        By what the user calls them.
    levels : ndarray, shape (levels,)
        [V r.m.s.].
    frequency : float
        Of the signal [Hz].
    netlist : Netlist
    reply : Reply
    """

    kind: str
    vectors: dict[str, _Vector]
    levels: NDArray[np.float64]
    frequency: float
    netlist: Netlist
    reply: Reply

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Return a figure over the analysis' own axes [V or A]: levels and time, time, frequencies, or none."""
        vector = self.vectors[name]
        return np.asarray(np.asarray(self.reply.values[vector.name])[0] * vector.factor)


def raw(
    circuit: Circuit,
    kind: str,
    *,
    nodes: Sequence[str] = ("output",),
    excite: str = "signal",
    near: Sequence[Element] = (),
    tolerance: float = SteadyRun.tolerance,
    **how: Unpack[SimulateKeywords],
) -> Raw:
    """Run what :func:`simulate` does, without a Dataset.

    ``near``: elements that hold the circuit at rest close to where the periodic steady state of every level begins;
    it is looked for from there, and without them. ``tolerance`` is what that is settled to.
    """
    vectors = {name: _Vector.named(circuit, name) for name in nodes}
    words: dict[str, Any] = dict(how)
    signal = Signal(**{field.name: words.pop(field.name) for field in fields(Signal) if field.name in words})
    wanted = tuple(dict.fromkeys(vector.name for vector in vectors.values()))
    asked, levels, hertz = _asked(kind, signal, wanted)
    if isinstance(asked, SteadyRun):
        asked = replace(asked, tolerance=tolerance)
        asked = _near(circuit, near, asked, **words) if near else asked
    text, reply = _run(circuit, asked, excite, **words)
    return Raw(kind, vectors, levels, hertz, text, reply)


def _near(circuit: Circuit, held: Sequence[Element], asked: SteadyRun, **run: Unpack[RunKeywords]) -> SteadyRun:
    """Let a steady state begin from the operating point of the circuit with some elements more."""
    how = Run.of(run)
    elements = render(circuit).elements
    parsed = engines.check(protocol.NetlistTable.of(elements).text)
    state = (*parsed.nodes, *(f"i({coil})" for coil in parsed.kind("l")))
    table = protocol.NetlistTable.of([*elements, *held])
    (reply,) = engines.run(table, [OpRun(state)], replace(how, workers=how.workers or 1))
    found = np.array([reply.values[name][0] for name in state])
    known = np.broadcast_to(found, (1, asked.amplitude.shape[1], len(state)))
    return replace(asked, known_levels=asked.amplitude, known_states=known)


def _asked(kind: str, signal: Signal, wanted: tuple[str, ...]) -> tuple[Analysis, NDArray[np.float64], float]:
    """Return what an engine is asked, with the levels [V] and the frequency [Hz] of the signal."""
    levels = np.atleast_1d([_number(entry, "V", "level", 0.0, 1e4) for entry in _several(signal.level)])
    hertz = _number(signal.frequency, "Hz", "frequency", 1e-3, 1e8)
    samples = signal.samples
    if not 2 <= samples <= 1 << 20:
        raise RangeError("samples", samples, "a whole number from 2 to 1048576", "simulate")
    if kind == "operating_point":
        return OpRun(wanted), levels, hertz
    if kind == "frequencies":
        low, high = (_number(getattr(signal, name), "Hz", name, 1e-3, 1e9) for name in ("start", "stop"))
        return AcRun(low, high, signal.per_decade, wanted), levels, hertz
    if kind == "period":
        if samples & (samples - 1):
            raise RangeError("samples", samples, "a power of two", "simulate")
        tones = (Sine(1.0, hertz),)
        return SteadyRun(hertz, tones, np.sqrt(2.0) * levels[None], wanted, samples=samples), levels, hertz
    if len(levels) != 1:
        raise RangeError("level", signal.level, "one level", "simulate")
    length = _number(signal.duration, "s", "duration", 1e-9, 1e3)
    step = min(length / samples, 1.0 / (200.0 * hertz))
    terms = (_term(signal.shape, hertz, float(levels[0])),)
    return TransientRun(length, step, wanted, terms, samples=samples), levels, hertz


def _run(made: Circuit, asked: Analysis, excite: str, **run: Unpack[RunKeywords]) -> tuple[Netlist, Reply]:
    how = Run.of(run)
    text = render(made, excite=excite)
    settled, point = how.settled, np.zeros(1, dtype=int)
    signal: Any = None
    if settled is not None and isinstance(asked, SteadyRun):
        signal = text.circuit.text, same_signal(Steady(fundamental=asked.fundamental, tones=asked.tones,
                                                       amplitude=asked.amplitude, vectors=()))  # fmt: skip
        asked = settled.begin(signal, asked, point)
    (reply,) = engines.run(text.circuit, [asked], replace(how, workers=how.workers or 1))
    if settled is not None and isinstance(asked, SteadyRun):
        settled.keep(signal, asked.amplitude, reply, point)
    if reply.reasons[0] and all(np.isnan(array).all() for array in reply.values.values()):
        raise EngineError(f"{made.name}: {reply.reasons[0]}")
    return text, reply


def at_rest(circuit: Circuit, name: str, **run: Unpack[RunKeywords]) -> float:
    """Return one figure of the operating point, named as in :func:`simulate` [V or A]."""
    return all_at_rest(circuit, [name], **run)[0]


def all_at_rest(circuit: Circuit, names: Sequence[str], **run: Unpack[RunKeywords]) -> list[float]:
    """Return figures of one operating point, named as in :func:`simulate` [V or A]."""
    if not names:
        return []
    vectors = [_Vector.named(circuit, name) for name in names]
    _, reply = _run(circuit, OpRun(tuple(dict.fromkeys(vector.name for vector in vectors))), "signal", **run)
    return [float(np.asarray(reply.values[vector.name])[0]) * vector.factor for vector in vectors]


def metered(
    circuit: Circuit, places: Sequence[tuple[str, str]], resistance: float, **run: Unpack[RunKeywords]
) -> NDArray[np.float64]:
    """Return what a voltmeter shows at rest at each pair of netlist nodes, loading the circuit there and only there.

    Parameters
    ----------
    circuit : Circuit
    places : sequence of (str, str)
        Netlist nodes of both leads; "0" is ground.
    resistance : float
        Of the meter [ohm].
    **run
        Fields of a :class:`~simwrap.engine.Run`, or a whole one as ``run``.

    Returns
    -------
    ndarray, shape (places,)
        [V]; NaN where there is no operating point.
    """
    how = Run.of(run)
    count = len(places)
    # One meter a place, of which one at a time is connected: a point each.
    away = np.where(np.eye(count, dtype=bool), resistance, _NOT_CONNECTED)
    meters = [Element(f"r_meter_{number}", place, away[:, number]) for number, place in enumerate(places)]
    with_meters = protocol.NetlistTable.of([*render(circuit).elements, *meters], count)
    nodes = tuple(dict.fromkeys(node for place in places for node in place if node != "0"))
    (reply,) = engines.run(with_meters, [OpRun(nodes)], replace(how, workers=how.workers or 1))
    ground = np.zeros(count)
    ends = [[reply.values.get(node, ground)[number] for node in place] for number, place in enumerate(places)]
    return np.array([float(one - other) for one, other in ends])


def transfer(circuit: Circuit, name: str, *, excite: str, frequency: float, **run: Unpack[RunKeywords]) -> complex:
    """Return what 1 V (or 1 A) of a source leaves at one place at one frequency [Hz]; names as in :func:`simulate`."""
    return complex(transfers(circuit, name, excite=excite, start=frequency, stop=frequency, **run)[1][0])


def transfers(
    circuit: Circuit,
    name: str,
    *,
    excite: str = "signal",
    start: float,
    stop: float,
    per_decade: int = 10,
    **run: Unpack[RunKeywords],
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return frequencies [Hz], and what :func:`transfer` says at each of them."""
    vector = _Vector.named(circuit, name)
    _, reply = _run(circuit, AcRun(start, stop, per_decade, (vector.name,)), excite, **run)
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
        nodes = {**circuit.wired, **circuit.node_paths, **circuit.ports}
        known = {key: cls(node, "V", 1.0) for key, node in nodes.items()}
        for valve, use in circuit.valves.items():
            # A node carries it, in mA as volts.
            known |= {f"{valve}.{each}_current": cls(node, "A", 1e-3) for each, node in use.currents.items()}
        # The current of a voltage source flows into its + end: what it gives is the opposite.
        known |= {f"{each}.current": cls(f"i({device})", "A", -1.0) for each, device in circuit.supplies.items()}
        return find("node", name, known, circuit.name)


def _dataset(found: Raw) -> xarray.Dataset:
    import xarray

    analysis, reply = found.kind, found.reply
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
        seconds = np.arange(count) / count / found.frequency
        coords = {
            "level": ("level", found.levels, {"units": "V", "long_name": "level of the source, r.m.s."}),
            "time": ("time", seconds, {"units": "s"}),
            "harmonic": ("harmonic", np.arange(min(HARMONICS, count // 2) + 1), {"units": "1"}),
        }
    for name, (_, unit, _) in found.vectors.items():
        values = found[name]
        attrs = {"units": unit, "long_name": name.replace("_", " ")}
        data[name] = (dims, values, attrs)
        if analysis == "period":
            lines = np.abs(np.fft.rfft(values, axis=-1)) / values.shape[-1]
            lines[..., 1:] *= 2.0
            attrs = {"units": unit, "long_name": f"{name.replace('_', ' ')}, amplitude of each harmonic"}
            data[f"{name}.spectrum"] = (("level", "harmonic"), lines[..., : len(coords["harmonic"][1])], attrs)
    return xarray.Dataset(data, coords=coords)
