"""Runs and tables against the circuit they are for, before any engine sees them.

Whatever no engine could finish in a sensible time is refused here as well, so that it needs no time limit.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from simwrap.engine.linearised import Linearised
from simwrap.engine.protocol import (
    AcRun,
    Analysis,
    Array,
    NetlistTable,
    NoiseRun,
    OpRun,
    Pulse,
    Pwl,
    Sine,
    SteadyRun,
    TransientRun,
)
from simwrap.errors import NetlistError, shown
from simwrap.netlist import allow_list
from simwrap.netlist.text import value_problem

#: Time steps of a transient, and frequencies of a sweep, beyond which none would come to an end.
MOST_STEPS, MOST_FREQUENCIES = 5_000_000, 1_000_000
#: A period's repetition frequency [Hz], and how many times as fast its fastest tone may be.
SLOWEST, FASTEST, MOST_TONES = 1e-4, 1e9, 3000
#: The longest transient [s].
LONGEST = 1e6


def checked_table(circuit: NetlistTable, parsed: allow_list.Parsed) -> tuple[tuple[str, ...], Any, dict[int, str]]:
    """Return the names, the values (points, names) and the reasons of points with bad values."""
    names = []
    columns = []
    bad: dict[int, str] = {}
    for given, column in circuit.table.items():
        name = given.lower()
        device = parsed.devices.get(name)
        if device is None or device.kind not in "rclvi":
            raise NetlistError(f"table: {shown(given)} is not an r, c, l, v or i element of the circuit")
        values = np.asarray(column, float)
        if values.shape != (circuit.points,):
            raise NetlistError(f"table: {name} has shape {values.shape} where ({circuit.points},) is needed")
        low = -np.inf if device.kind in "vi" else 0.0
        fine = np.isfinite(values) & ((values >= low) if device.kind in "vic" else (values > low))
        for point in np.flatnonzero(~fine).tolist():
            problem = value_problem(device.kind, float(values[point]))
            bad.setdefault(point, f"{name} = {float(values[point])!r} {problem}")
        names.append(name)
        columns.append(values)
    table = np.stack(columns, axis=1) if columns else np.zeros((circuit.points, 0))
    return tuple(names), table, bad


def checked_run(run: Analysis, parsed: allow_list.Parsed, points: int) -> Analysis:
    """Return the run with its vectors checked, and everything that could reach a netlist as a float."""
    if isinstance(run, OpRun):
        also = Linearised(parsed).needed if run.natural or run.source else ()
        vectors = allow_list.check_vectors(parsed, (*run.vectors, *also)) or parsed.nodes
        source = _source(run.source, parsed) if run.source else ""
        modes = 1 + sum(len(parsed.kind(kind)) for kind in "cld")  # each of them stores once at most
        return OpRun(vectors, bool(run.natural), source, allow_list.check_vectors(parsed, run.stepped), modes)
    if isinstance(run, NoiseRun):
        _frequencies(run.start, run.stop, run.per_decade)
        output = allow_list.check_vectors(parsed, (run.output,))[0]
        source = _source(run.source, parsed)
        return NoiseRun(float(run.start), float(run.stop), int(run.per_decade), output, source, bool(run.linear))
    vectors = allow_list.check_vectors(parsed, run.vectors)
    if isinstance(run, SteadyRun):
        amplitude = _amplitude("steady state", run.amplitude, points)
        _within("steady state: fundamental", run.fundamental, SLOWEST, FASTEST, "Hz")
        tones = tuple(_term(tone) for tone in run.tones)
        for tone in tones:
            ratio = tone.frequency / run.fundamental
            if ratio < 0.5 or abs(ratio - round(ratio)) > 1e-6 * ratio:
                raise NetlistError(
                    f"steady state: a tone of {tone.frequency!r} Hz is not a whole multiple of {run.fundamental!r} Hz"
                )
            _within("steady state: harmonic of a tone", ratio, 0.5, MOST_TONES, "times the fundamental")
        _within("steady state: samples", run.samples, 4, MOST_FREQUENCIES, "a period")
        _within("steady state: tolerance", run.tolerance, 1e-12, 1.0, "of the fundamental")
        return dataclasses.replace(
            run, fundamental=float(run.fundamental), tones=tones, amplitude=amplitude, vectors=vectors,
            source=_source(run.source, parsed), samples=int(run.samples), tolerance=float(run.tolerance),
        )  # fmt: skip
    if isinstance(run, TransientRun):
        _within("transient: stop", run.stop, 1e-15, LONGEST, "s")
        _within("transient: step", run.step, 1e-18, LONGEST, "s")
        _within("transient: time steps", (run.stop - run.start) / run.step, 0.0, MOST_STEPS, "")
        _within("transient: time steps to its start", run.start / run.step, 0.0, MOST_STEPS, "")
        _within("transient: samples", run.samples, 2, MOST_STEPS, "")
        for term in run.terms:
            _bearable(term, run)
        if not 0.0 <= run.start < run.stop:
            raise NetlistError(f"transient: {run.samples} samples from {run.start!r} s to {run.stop!r} s is no grid")
        if run.initial not in ("operating point", "zero"):
            raise NetlistError(f'transient: initial is {shown(run.initial)}; give "operating point" or "zero"')
        amplitude = np.ones((points, 1)) if run.amplitude is None else run.amplitude
        return dataclasses.replace(
            run, stop=float(run.stop), step=float(run.step), start=float(run.start), vectors=vectors,
            amplitude=_amplitude("transient", amplitude, points),
            terms=tuple(_term(term) for term in run.terms), source=_source(run.source, parsed),
        )  # fmt: skip
    _frequencies(run.start, run.stop, run.per_decade)
    if bool(run.source) != bool(run.linear):
        raise NetlistError("small signals: a source is needed for what is done with linear, and no one else takes it")
    source = _source(run.source, parsed) if run.linear else ""
    return AcRun(float(run.start), float(run.stop), int(run.per_decade), vectors, source, bool(run.linear))


def _source(name: str, parsed: allow_list.Parsed) -> str:
    device = parsed.devices.get(name.lower())
    if device is None or device.kind not in "vi":
        raise NetlistError(f"source {shown(name)}: the circuit has no such v or i source")
    return device.name


def _amplitude(what: str, given: Array, points: int) -> Array:
    amplitude = np.asarray(given, float)
    if amplitude.ndim != 2 or len(amplitude) != points or not np.isfinite(amplitude).all():
        raise NetlistError(
            f"{what}: amplitude has shape {amplitude.shape}; finite values of ({points}, levels) are needed"
        )
    return amplitude


def _positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise NetlistError(f"{what} is {value!r}; a number above 0 is needed")


def _within(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        raise NetlistError(f"{what}: {value:.6g} {unit}".rstrip() + f"; {low:g} to {high:g} can be done")


def _bearable(term: Any, run: TransientRun) -> None:
    """Refuse a wave that turns more often than there are steps: each edge costs some."""
    if isinstance(term, Sine):
        _within("transient: periods of a sine", abs(term.frequency) * run.stop, 0.0, MOST_STEPS / 4, "")
    elif isinstance(term, Pulse):
        _within("transient: periods of a pulse", run.stop / max(term.period, 1e-300), 0.0, MOST_STEPS / 16, "")


def _frequencies(start: float, stop: float, per_decade: int) -> None:
    _positive("frequencies: start", start)
    _positive("frequencies: stop", stop)
    if math.log10(stop) - math.log10(start) > MOST_FREQUENCIES / max(per_decade, 1):
        raise NetlistError(
            f"frequencies: {start!r} Hz to {stop!r} Hz with {per_decade} a decade; "
            f"at most {MOST_FREQUENCIES} frequencies can be done"
        )
    if stop < start or per_decade < 1:
        raise NetlistError(f"frequencies: {start!r} Hz to {stop!r} Hz with {per_decade} a decade is no sweep")


def _term(term: Any) -> Any:
    values = {f.name: getattr(term, f.name) for f in dataclasses.fields(term)}
    if isinstance(term, Sine | Pulse):
        floats = {name: float(value) for name, value in values.items()}
        if not all(np.isfinite(value) for value in floats.values()):
            raise NetlistError(f"term {term!r}: all its values must be finite numbers")
        return type(term)(**floats)
    if isinstance(term, Pwl):
        times, levels = np.asarray(term.times, float), np.asarray(term.values, float)
        if times.shape != levels.shape or not (np.isfinite(times).all() and np.isfinite(levels).all()):
            raise NetlistError("piecewise linear term: as many finite times as finite values are needed")
        if len(times) < 1 or (np.diff(times) <= 0.0).any():
            raise NetlistError("piecewise linear term: its times must rise")
        return Pwl(tuple(times.tolist()), tuple(levels.tolist()))
    raise NetlistError(f"term {shown(term)}: a Sine, Pulse or Pwl is needed")
