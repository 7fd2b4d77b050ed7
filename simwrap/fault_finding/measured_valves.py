"""A builder's own valves: emission and mu from a reading or two, and which of them go together in a design.

With ten readings or more a valve gets a file of its own (`simwrap fit`). With two, at different grid voltages, its
emission and amplification factor as factors of the published type are all there is; with one, only the emission.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.amplifier.amplifier import as_amplifier
from simwrap.engine import Run, protocol
from simwrap.errors import EngineError, FileProblemsError, InputError, RangeError, UnknownNameError
from simwrap.fault_finding.readings_file import CsvRow, number, read_rows
from simwrap.faults.bed import HEALTHY, bed_of, element_of
from simwrap.faults.rails import Supplied, supplied
from simwrap.findings.status import late
from simwrap.valves import Valve

Floats = NDArray[np.float64]

#: Factors that a valve's emission and mu may have, to be still one of its type.
_EMISSION, _MU = (0.02, 5.0), (0.5, 2.0)
#: Spread of mu within a type: of a valve with one reading it isn't known (common practice, no source).
_MU_SPREAD = 0.1
#: Most valves of a list, so that pairs can be tried all; and what a reading may be at most [V], [A].
_MOST, _MOST_VOLTS, _MOST_AMPERES = 60, 5e3, 50.0


@dataclass(frozen=True)
class Measured:
    """A valve as it was measured.

    Attributes
    ----------
    name : str
        As the builder marked it.
    emission, mu : float
        Factors of the published type; mu is 1 where there is a single reading.
    readings : int
    ends : tuple of (float, float)
        Of a single reading: the factors with which a valve shows the same, its mu a tenth lower and higher.
    """

    name: str
    emission: float
    mu: float
    readings: int
    ends: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Matched:
    """Valves for one output stage.

    Attributes
    ----------
    names : tuple of str
        In the order of the stage's sockets.
    currents : tuple of float
        Cathode currents that are predicted in the design at rest [A].
    imbalance : float
        Between the halves [A]; of a stage without halves, between the largest and the least.
    slopes : tuple of float
        Mutual conductance of each there [S].
    unlike : float
        What sets are chosen by: how far apart the halves' currents and slopes are, and those of the valves within a
        half, each as a share, by root of squares. Valves that balance at rest alone drift apart with the signal.
    within : float
        Between the valves of one half, at most [A]; 0 for one valve a half.
    doubt : float
        How far apart the halves may be in truth [A]: more than :attr:`imbalance` where a valve has a single reading.
    """

    names: tuple[str, ...]
    currents: tuple[float, ...]
    imbalance: float
    slopes: tuple[float, ...]
    unlike: float
    within: float
    doubt: float


def factors(
    valve: Valve, rows: Sequence[tuple[float, float, float | None, float]], *, mu: float = 1.0
) -> tuple[float, float]:
    """Return the factors on emission and mu with which a valve's law passes through readings.

    Parameters
    ----------
    valve : Valve
        The published type.
    rows : sequence of (float, float, float or None, float)
        Anode, grid and screen voltage [V] (None where there is no screen, or it is at the anode), anode current [A].
        One gives the emission, two or more emission and mu (least squares of the currents' logarithms).
    mu : float
        The factor that is taken with one reading.

    Raises
    ------
    InputError
        If no valve of that type could show such readings.
    """
    from scipy.optimize import least_squares

    anode, grid, current = (np.array([row[k] for row in rows], dtype=float) for k in (0, 1, 3))
    screen = None
    if valve.kind == "pentode":
        screen = np.array([row[0] if row[2] is None else row[2] for row in rows], dtype=float)
    if (current <= 0.0).any():
        raise InputError("an anode current of 0 A or below tells nothing about a valve")

    def miss(logarithms: Any) -> Any:
        emission, factor = np.exp(logarithms[0]), np.exp(logarithms[1]) if len(logarithms) > 1 else mu
        with np.errstate(divide="ignore"):
            found = np.log(np.maximum(valve.currents(anode, grid, screen, emission, factor).anode, 1e-12))
        return found - np.log(current)

    free = 2 if len(rows) > 1 else 1
    bounds = [np.log(_EMISSION), np.log(_MU)][:free]
    solved = least_squares(miss, np.zeros(free), bounds=tuple(np.array(bounds).T), x_scale=0.1, xtol=1e-12, ftol=1e-12)
    emission, mu = float(np.exp(solved.x[0])), float(np.exp(solved.x[1])) if free > 1 else mu
    worst = float(np.abs(np.expm1(solved.fun)).max())
    if worst > 0.25:
        raise InputError(f"no {valve.name} shows such currents: the nearest is {100.0 * worst:.0f} % off")
    return emission, mu


def read_measured(path: Path, valve: Valve) -> list[Measured]:
    """Return the valves of a CSV file: one row a reading, one or more rows a valve.

    The columns are name, anode_voltage, grid_voltage, anode_current, and screen_voltage for pentodes (left empty, the
    screen is at the anode).

    Raises
    ------
    FileProblemsError
    """
    rows = read_rows(path, ("name", "anode_voltage", "grid_voltage", "anode_current"), ("screen_voltage",))
    problems: list[str] = []
    by_name: dict[str, list[tuple[float, float, float | None, float]]] = {}
    for row in rows:
        try:
            reading = _reading(row)
            by_name.setdefault(row.cells["name"], []).append(reading)
        except InputError as fault:
            problems.append(str(fault))
    found = []
    for name, readings in by_name.items():
        try:
            if len(readings) > 1 and len({row[1] for row in readings}) < 2:
                raise InputError("its readings are all at one grid voltage; give one, or two at different ones")
            ends = [factors(valve, readings, mu=1.0 + sign * _MU_SPREAD) for sign in (-1, 1) if len(readings) == 1]
            found.append(Measured(name, *factors(valve, readings), len(readings), tuple(ends)))
        except InputError as fault:
            problems.append(f"valve {name}: {fault}")
    if len(by_name) > _MOST:
        problems.append(f"has {len(by_name)} valves; at most {_MOST} can be tried together")
    if problems:
        raise FileProblemsError(path, problems)
    return found


def _reading(row: CsvRow) -> tuple[float, float, float | None, float]:
    screen = number(row, "screen_voltage", "V") if row.cells.get("screen_voltage") else None
    grid = number(row, "grid_voltage", "V")
    if grid > 0.0:
        raise InputError(f"line {row.line}: a grid voltage of {grid:g} V isn't negative; give it with its sign")
    anode, current = number(row, "anode_voltage", "V"), number(row, "anode_current", "A")
    for column, value, most in (("anode_voltage", anode, _MOST_VOLTS), ("grid_voltage", grid, _MOST_VOLTS),
                                ("screen_voltage", screen or 0.0, _MOST_VOLTS),
                                ("anode_current", current, _MOST_AMPERES)):  # fmt: skip
        if abs(value) > most:
            raise InputError(f"line {row.line}: {column} is {value:g}, and can't be meant; give {most:g} at most")
    return anode, grid, screen, current


def match(given: Any, valves: str | Path, *, stage: str = "", **how: Any) -> tuple[list[Measured], list[Matched]]:
    """Choose pairs or quads from measured valves for the output stages of all channels.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    valves : path
        CSV, see :func:`read_measured`.
    stage : str, optional
        The stage whose sockets are filled; the first one with several valves otherwise.
    **how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Returns
    -------
    list of Measured, list of Matched
        The valves, and a set for each channel (fewer where the valves don't suffice), the best first.

    Raises
    ------
    InputError
        If no stage has several sockets of one type, or there are too few valves.
    EngineError
        If no set can be simulated.
    """
    amplifier = as_amplifier(given, **how)
    run = amplifier.run
    design, source = amplifier.design, supplied(amplifier)
    sockets = _sockets(source, stage)
    uses = source.circuit.valves
    measured = read_measured(Path(valves), uses[sockets[0]].valve)
    if len(measured) < len(sockets):
        raise InputError(f"{valves}: has {len(measured)} valves, and the stage has {len(sockets)} sockets")
    halves = [{"a": 1, "b": -1}.get(uses[name].nodes["anode"].rpartition("_")[2], 0) for name in sockets]
    sets = _sets(measured, sockets, halves)
    currents, slopes = _predicted(source, sockets, [[(m.emission, m.mu) for m in each] for each in sets], run)
    shares = [how(each, halves) / each.mean(axis=1) for how in (_apart, _within) for each in (currents, slopes)]
    apart = np.sqrt(np.sum(np.square(shares), axis=0))
    if not np.isfinite(apart).any():
        raise EngineError("match: no set of these valves could be simulated")
    order = np.argsort(np.where(np.isfinite(apart), apart, np.inf))
    taken: set[str] = set()
    chosen: list[int] = []
    for k in _disjoint(order.tolist(), [{m.name for m in each} for each in sets], apart, design.channels):
        names = {valve.name for valve in sets[k]}
        if taken.isdisjoint(names) and np.isfinite(apart[k]):
            chosen.append(k)
            taken |= names
    imbalance, within = _apart(currents, halves), _within(currents, halves)
    doubts = _doubts(source, sockets, [sets[k] for k in chosen], halves, run)
    return measured, [
        Matched(
            tuple(valve.name for valve in sets[k]), tuple(currents[k].tolist()), float(imbalance[k]),
            tuple(slopes[k].tolist()), float(apart[k]), float(within[k]), max(float(imbalance[k]), doubt),
        )
        for k, doubt in zip(chosen, doubts, strict=True)
    ]  # fmt: skip


def _doubts(
    source: Supplied, sockets: Sequence[str], sets: Sequence[tuple[Measured, ...]], halves: Sequence[int], run: Run
) -> list[float]:
    """Return how far apart the halves of sets may be [A], since mu isn't known from one reading; 0 where it is.

    The mu of a half is at one end of its spread, that of the other at the other end, and the reverse.
    """
    if not any(valve.ends for each in sets for valve in each):
        return [0.0] * len(sets)
    ways = halves if any(halves) else [1 - 2 * (place % 2) for place in range(len(sockets))]
    tried = [
        [valve.ends[way * sign > 0] if valve.ends else (valve.emission, valve.mu)
         for valve, way in zip(each, ways, strict=True)]
        for each in sets for sign in (1, -1)
    ]  # fmt: skip
    currents, _ = _predicted(source, sockets, tried, run)
    both = np.nan_to_num(_apart(currents, halves)).reshape(-1, 2)
    return [float(value) for value in both.max(axis=1)]


def _apart(values: Floats, halves: Sequence[int]) -> Floats:
    """Return how far halves, or the largest and the least, are apart, from values of shape (sets, sockets)."""
    return np.abs(values @ np.array(halves)) if any(halves) else np.asarray(np.ptp(values, axis=1))


def _within(values: Floats, halves: Sequence[int]) -> Floats:
    """Return how far the valves of one half are apart at most, from values of shape (sets, sockets)."""
    sides = [np.flatnonzero(np.array(halves) == half) for half in (1, -1)]
    spreads = [np.ptp(values[:, side], axis=1) for side in sides if len(side)]
    return np.asarray(np.max(spreads, axis=0)) if spreads else np.zeros(len(values))


def _sockets(source: Supplied, stage: str) -> list[str]:
    by_stage: dict[str, list[str]] = {}
    for name, use in source.circuit.valves.items():
        by_stage.setdefault(use.stage, []).append(name)
    several = {name: names for name, names in by_stage.items() if len(names) > 1}
    if stage:
        if stage not in by_stage:
            raise UnknownNameError("stage with valves", stage, by_stage)
        if stage not in several:
            raise RangeError("stage", stage, "one with two sockets or more")
        return several[stage]
    if not several:
        raise InputError(f"{source.circuit.name}: has no stage with two sockets or more, so there is nothing to pair")
    return next(names for name, names in reversed(several.items()))


def _sets(measured: Sequence[Measured], sockets: Sequence[str], halves: Sequence[int]) -> list[tuple[Measured, ...]]:
    """Return the sets that are tried: every pair, or quads of valves that are alike.

    The valves of a quad lie near to one another in the order of their factors, and are shared between the halves in
    every way.
    """
    if len(sockets) == 2:
        return list(combinations(measured, 2))
    size = len(sockets)
    ordered = sorted(measured, key=lambda valve: valve.emission * valve.mu**-1.5)
    found = []
    for picked in combinations(range(len(ordered)), size):
        if picked[-1] - picked[0] >= size + 3:
            continue
        valves = [ordered[k] for k in picked]
        if not all(halves):
            found.append(tuple(valves))
            continue
        for rest in combinations(valves[1:], halves.count(halves[0]) - 1):  # the first one's half; the reverse is alike
            own = [valves[0], *rest]
            queue = {halves[0]: own, -halves[0]: [valve for valve in valves if valve not in own]}
            found.append(tuple(queue[half].pop(0) for half in halves))
    return found


def _predicted(
    source: Supplied, sockets: Sequence[str], sets: Sequence[Sequence[tuple[float, float]]], run: Run
) -> tuple[Floats, Floats]:
    """Return the cathode currents [A] and slopes [S] of sets of emission and mu, each of shape (sets, sockets)."""
    rail = source.rail(source.circuit, source.ports, run=run)
    bed = bed_of(source.circuit, rail=rail)
    columns: dict[str, Any] = {}
    for place, socket in enumerate(sockets):
        columns[element_of(socket, "emission")] = np.array([each[place][0] for each in sets])
        columns[element_of(socket, "mu")] = np.array([each[place][1] for each in sets])
    uses = [source.circuit.valves[socket] for socket in sockets]
    wanted = {node for use in uses for node in (*use.currents.values(), *use.nodes.values()) if node != "0"}
    table = bed.table(columns, [HEALTHY] * len(sets))
    (reply,) = engines.run(table, [protocol.OpRun(tuple(sorted(wanted)))], run)
    if why := late(reply.reasons):
        raise EngineError(f"match: {why}")
    values = {**reply.values, "0": np.zeros(len(sets))}
    currents, slopes = [], []
    for socket, use in zip(sockets, uses, strict=True):
        currents.append(1e-3 * sum(values[node] for node in use.currents.values()))
        at = {role: values[node] - values[use.nodes["cathode"]] for role, node in use.nodes.items()}
        spread = (columns[element_of(socket, key)] for key in ("emission", "mu"))
        slopes.append(_slope(use.valve, at, *spread))
    return np.stack(currents, axis=-1), np.stack(slopes, axis=-1)


def _slope(valve: Valve, at: Mapping[str, Floats], emission: Floats, mu: Floats) -> Floats:
    """Return the mutual conductance [S] at voltages to the cathode."""
    ends = [
        valve.currents(at["anode"], at["grid"] + step, at.get("screen"), emission, mu).anode for step in (-0.05, 0.05)
    ]
    return np.asarray((ends[1] - ends[0]) / 0.1)


def _disjoint(order: Sequence[int], names: Sequence[set[str]], apart: Any, channels: int) -> list[int]:
    """Return sets that share no valve, one a channel, whose worst is as good as can be.

    The first set is tried as each of the best hundred, the others follow greedily: enough for what a builder has.
    """
    best: tuple[float, list[int]] = (np.inf, [])
    most = 0
    for start in order[:100]:
        chosen, taken = [start], set(names[start])
        for k in order:
            if len(chosen) == channels:
                break
            if taken.isdisjoint(names[k]):
                chosen.append(k)
                taken |= names[k]
        worst = float(max(apart[k] for k in chosen))
        if len(chosen) > most or (len(chosen) == most and worst < best[0]):
            most, best = len(chosen), (worst, chosen)
    return sorted(best[1], key=lambda k: float(apart[k]))


def to_dict(measured: Sequence[Measured], sets: Sequence[Matched]) -> Mapping[str, Any]:
    """Return both as plain data."""
    return {
        "valves": [{"name": m.name, "emission": m.emission, "mu": m.mu, "readings": m.readings} for m in measured],
        "sets": [
            {
                "names": list(s.names),
                "currents": list(s.currents),
                "imbalance": s.imbalance,
                "slopes": list(s.slopes),
                "unlike": s.unlike,
                "within": s.within,
                "doubt": s.doubt,
            }
            for s in sets
        ],
    }


__all__ = ["Matched", "Measured", "factors", "match", "read_measured", "to_dict"]
