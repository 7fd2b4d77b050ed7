"""Output power, currents, dissipation and efficiency of an output stage against drive."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply, Sine
from simwrap.errors import InputError
from simwrap.findings.finding import Finding
from simwrap.measures.bias import Limits, compare, fit_error, limits_note, operating_point, rating_of
from simwrap.measures.common import (
    Floats,
    StageLike,
    axis,
    bench_value,
    between,
    count,
    current_nodes,
    divide,
    load_of,
    per_point,
    port,
    scalar,
    stated,
    valve_vectors,
    vector,
    wanted,
)
from simwrap.measures.numerics import harmonics
from simwrap.measures.numerics.closing_in import Curve, first_reached, next_levels, without_known
from simwrap.measures.numerics.crossings import interpolate
from simwrap.measures.numerics.level_sweep import (
    COARSE,
    CRITERIA,
    CUT_OFF_SHARE,
    FINE,
    ORDERS,
    SETTLED,
    earliest,
    fallen,
    limit_curves,
    limit_signs,
    signs_at_rest,
)
from simwrap.measures.numerics.parts import bought, dissipated, voltages
from simwrap.measures.options import Frequency, Level, Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Op, Result, Steady, Variable

#: Lowest and highest drive of the curve, relative to the set drive.
_SPAN = (0.1, 1.25)
_LOUD = 0.7
#: Most rounds of drives that close in on the marks of the curve, and how near to one another they end.
_MOST_ROUNDS, _CLOSE_ENOUGH = 9, 0.002

#: Frequencies at which the power bandwidth is looked for, and steps between two of them to close in on an end.
_COARSE_PER_DECADE, _FINE_STEPS = 3, 16
#: How near to half power is near enough, after how many tries it isn't to be had, and the largest drive that is
#: tried, relative to what the small-signal response asks for.
_NEAR_POWER, _TRIES, _MOST_DRIVE = 0.005, 8, 3.0


@dataclass
class _Driven:
    """Averages over a period, each of shape (points, levels) unless said otherwise."""

    drive: Floats
    output_power: Floats
    thd: Floats
    harmonics: Floats  # (points, levels, orders)
    currents: dict[str, Floats]  # sums over the valves by electrode [A]
    dissipation: dict[str, Floats]  # by "<instance>.<electrode>" [W]
    grid_drive: dict[str, Floats]  # by instance [V r.m.s.]
    supply_power: Floats
    signs: dict[str, Floats]
    cut_off: Floats  # as in the signs, but also where valves share a load


def _each(change: Callable[..., Floats], *parts: _Driven) -> _Driven:
    """Apply a function to every array of some parts, by name."""
    made: dict[str, Any] = {}
    for entry in fields(_Driven):
        values = [getattr(part, entry.name) for part in parts]
        if isinstance(values[0], dict):
            made[entry.name] = {key: change(*(value[key] for value in values)) for key in values[0]}
        else:
            made[entry.name] = change(*values)
    return _Driven(**made)


def _side_by_side(*arrays: Floats) -> Floats:
    return np.concatenate(arrays, axis=1)


def output_of(stage: StageLike, measure: str) -> str:
    """Return the node of the loudspeaker, or else of the output."""
    return stage.ports.get("speaker") or port(stage, "output", measure)


@measure(
    "power",
    summary="output power, distortion, currents, dissipation and efficiency against drive",
    headline=("output_power", "thd", "anode_current"),
    picture="simwrap.plots.measures.power:draw",
    caution=(
        "Never drive an output stage without its load: the transformer's voltage then has no limit but the insulation. "
        "See the bias at the grids before the high voltage is on."
    ),
)
def power(
    stage: StageLike,
    *,
    drive: Level | None = None,
    frequency: Frequency = 1000.0,
    levels: Annotated[int, Option(least=2, most=200, zero="left out")] = 15,
    stated_thd: Annotated[float, Option("%", above=0.0, most=100.0)] = 5.0,
    bandwidth: bool = False,
    resistors: bool = False,
) -> Steps:
    """Measure an output stage in the steady state, at the set drive and over a range of drives.

    Parameters
    ----------
    drive : float, optional
        E.m.f. of the source [V r.m.s.], of each side of a pair; by default the stage's own ``drive``.
    frequency : float
        Of the sine [Hz].
    levels : int
        Drives of the curve, from 10 % to 125 % of the set drive; 0 leaves the curve out.
    stated_thd : float
        Distortion for which the power is looked up [%].
    bandwidth : bool
        Whether to find the power bandwidth too: where half the rated power is available at the stated
        distortion (IEC 60268-3). The rated power is that at the set drive, or, where the distortion there
        is more than the stated one, the power at which that is first reached.
    resistors : bool
        Whether to find what each resistor dissipates at the set drive.

    Results
    -------
    drive
        E.m.f. of the source [V r.m.s.].
    valves.<name>.grid_drive
        What arrives of it between grid and ground, without the mean [V r.m.s.].
    output_power, thd, harmonics
        In the load at the set drive [W, %, % of the fundamental].
    anode_current_zero_signal, screen_current_zero_signal, anode_current, screen_current
        Sums over the stage's valves, the last two averages over a period at the set drive [A].
    valves.<name>.anode_dissipation, screen_dissipation
        At the set drive [W].
    supply_power, efficiency
        From all supplies at the set drive, and output over supply power [W, %].
    drive_in, power_curve, thd_curve, anode_current_curve, screen_current_curve, efficiency_curve,
    dissipation_curve.<name>.anode and .screen
        Over drive.
    clipping.drive, clipping.output_power, clipping.first_limit
        Where the first limit is reached; see the condition ``criteria``.
    at_stated_thd.drive, at_stated_thd.output_power
        Where the distortion first rises to the stated one.
    class_a.drive, class_a.output_power
        Up to where every valve conducts all the time: its anode current stays above 5 % of its
        zero-signal value.
    resistors.<name>.dissipation, .rating_needed
        Of each resistor at the set drive, the average over a period [W], and the next common wattage of which that is
        no more than half (common practice).
    bandwidth.power, bandwidth.low, bandwidth.high, bandwidth.thd
        Half the rated power [W]; the power bandwidth [Hz], NaN with a warning where the middle of the band has more
        than the stated distortion already; and the distortion at half power over
        ``bandwidth_frequency`` [%], infinite where half the rated power isn't to be had.

    NaN where a figure isn't reached in the range. Warnings name the ratings of dissipation that
    are exceeded or near at any drive up to the set one.

    Raises
    ------
    InputError
        If neither the stage nor the options give a drive.
    """
    node = output_of(stage, "power")
    if drive is None and not stage.bench_part("input", "drive"):
        raise InputError(f"power: {stage.name} has no drive of its own; give the option drive")
    valves = {name: use for name, use in stage.valves.items() if use.valve.kind != "rectifier"}
    if not valves:
        raise InputError(f"power: {stage.name} has no valve that could be driven")
    op = yield Op()
    points = count(op)
    load_name, load = load_of(stage, points)
    chosen = bench_value(stage, "input", "drive", points) if drive is None else np.full(points, float(drive))
    factors = np.array([1.0])
    if levels:
        factors = np.append(factors, np.geomspace(*_SPAN, levels))
    # Up to clipping and beyond, where distortion is large, a coarser steady state is enough.
    loud = factors > _LOUD
    drives = chosen[:, None] * factors
    test = partial(_driven, stage, node, valves, op, load)
    rising = np.argsort(factors)  # each level begins from the ones before it
    places = [rising[loud[rising]], rising[~loud[rising]]]
    groups = [(drives[:, place], settled) for place, settled in zip(places, (COARSE, FINE), strict=True) if place.size]
    replies = yield [_request(stage, node, valves, frequency, part, tolerance) for part, tolerance in groups]
    order = np.argsort(np.concatenate(places))
    parts = [test(part, reply) for (part, _), reply in zip(groups, replies, strict=True)]
    found = _each(lambda *arrays: _side_by_side(*arrays)[:, order], *parts)
    efficiency = 100.0 * divide(found.output_power, found.supply_power)
    variables = {"drive": scalar(chosen, "V", "drive: e.m.f. of the source, r.m.s.")}
    variables |= _at_the_drive(found, _zero_signal(valves, op), efficiency, many=len(valves) > 1)
    coords = {"harmonic": axis(ORDERS, "", "harmonic")}
    if levels:
        curve = _each(lambda array: array[:, 1:], found)
        variables |= _curves(curve, efficiency[:, 1:])
        at_rest = signs_at_rest(stage, valves, op)
        for _ in range(_MOST_ROUNDS):
            tries = next_levels(curve.drive, list(_marks(curve, at_rest, stated_thd).values()))
            added = np.nan_to_num(without_known(curve.drive, tries, _CLOSE_ENOUGH))
            if added.any():
                reply = yield _request(stage, node, valves, frequency, added, COARSE)
                curve = _rising(_each(_side_by_side, curve, _marked(test(added, reply))))
        variables |= _landmarks(curve, at_rest, stated_thd)
        coords["level"] = axis(np.arange(levels), "", "level")
    if resistors:
        variables |= yield from _resistors(stage, op, frequency, chosen)
    conditions: dict[str, tuple[Any, str]] = {
        "drive": (stated(chosen), "V"),
        "frequency": (frequency, "Hz"),
        "load": (stated(load), "ohm"),
        "load_is": (load_name or "none", ""),
        "stated_thd": (stated_thd, "%"),
        "distortion": ("all harmonics, relative to the fundamental", ""),
        "settled_within": (f"{SETTLED}, {COARSE:g} above {100 * _LOUD:g} % of the set drive", ""),
        "criteria": (CRITERIA, ""),
    }
    findings, checked, unrated = _findings(valves, op, found, factors, points)
    if bandwidth:
        high = 100.0 * found.thd[:, 0] > stated_thd
        reached = variables["at_stated_thd.output_power"].values if levels else np.full(points, np.nan)
        rated = np.where(high, reached, found.output_power[:, 0])
        for point in np.flatnonzero(np.isnan(rated) & high):
            findings[point].append(_no_rated_power(100.0 * found.thd[point, 0], stated_thd, curve_known=bool(levels)))
        more, spots, said = yield from _bandwidth(stage, node, valves, chosen, load, rated, frequency, stated_thd)
        variables |= more
        findings = [one + other for one, other in zip(findings, said, strict=True)]
        coords["bandwidth_frequency"] = axis(spots, "Hz", "frequency")
        conditions["bandwidth_within"] = (f"{100.0 * _NEAR_POWER:g} % of half the rated power", "")
    conditions |= limits_note(checked, unrated)
    return Result(variables, coords, conditions, findings, tuple(checked), tuple(unrated))


def _at_the_drive(found: Any, zero: Mapping[str, Floats], efficiency: Floats, *, many: bool) -> dict[str, Variable]:
    """Return the figures at the set drive, the first level; ``many``: whether there are several valves."""
    variables: dict[str, Variable] = {
        "output_power": scalar(found.output_power[:, 0], "W", "output power"),
        "thd": scalar(100.0 * found.thd[:, 0], "%", "total harmonic distortion"),
        "harmonics": Variable(("harmonic",), 100.0 * found.harmonics[:, 0], "%", "harmonic"),
    }
    for electrode in ("anode", "screen"):
        words = f"{electrode} current{' of all valves' if many else ''}"
        variables[f"{electrode}_current_zero_signal"] = scalar(zero[electrode], "A", f"{words}, quiescent")
        variables[f"{electrode}_current"] = scalar(found.currents[electrode][:, 0], "A", f"{words}, average")
    for name, values in found.grid_drive.items():
        variables[f"valves.{name}.grid_drive"] = scalar(values[:, 0], "V", f"{name} drive at the grid, r.m.s.")
    for key, values in found.dissipation.items():
        words = f"{key.replace('.', ' ')} dissipation"
        variables[f"valves.{key}_dissipation"] = scalar(values[:, 0], "W", words)
    variables["supply_power"] = scalar(found.supply_power[:, 0], "W", "power from all supplies")
    variables["efficiency"] = scalar(efficiency[:, 0], "%", "efficiency: output power over supply power")
    return variables


def _no_rated_power(thd: float, stated_thd: float, *, curve_known: bool) -> Finding:
    """Return why there is no power bandwidth: more distortion than is stated at the set drive [%]."""
    without = "without a curve (levels) no rated power is found"
    why = "there is no drive at which it is no more" if curve_known else without
    return Finding.of("power_bandwidth_not_found", "", "", thd, stated_thd, "%", measure="power", reason=why)


def _resistors(
    stage: StageLike, op: Reply, frequency: float, drive: Floats
) -> Generator[Any, Any, dict[str, Variable]]:
    """Ask for what every resistor dissipates at one drive."""
    parts = bought(op.extras.get("parts", {}), "r")
    ends = wanted(*(node for part in parts.values() for node in part.nodes if node != "0"))
    reply = yield Steady(
        fundamental=frequency,
        tones=(Sine(1.0, frequency),),
        amplitude=np.sqrt(2.0) * drive[:, None],
        vectors=ends,
        tolerance=COARSE,
    )
    found: dict[str, Variable] = {}
    for path, part in parts.items():
        across = voltages(reply, part)[:, 0]
        found |= dissipated(path, (across**2).mean(axis=-1) / part.value)
    return found


def _request(
    stage: StageLike, node: str, valves: Mapping[str, Any], frequency: float, drive: Floats, tolerance: float
) -> Steady:
    supplies = [f"i({device})" for device in stage.supplies.values()]
    return Steady(
        fundamental=frequency,
        tones=(Sine(1.0, frequency),),
        amplitude=np.sqrt(2.0) * drive,
        vectors=wanted(node, *valve_vectors(valves), *supplies),
        tolerance=tolerance,
    )


def _zero_signal(valves: Mapping[str, Any], op: Reply) -> dict[str, Floats]:
    sums = {electrode: np.zeros(count(op)) for electrode in ("anode", "screen")}
    for instance, use in valves.items():
        for electrode, node in current_nodes(instance, use).items():
            if electrode in sums:
                sums[electrode] = sums[electrode] + 1e-3 * vector(op, node)
    return sums


def _driven(
    stage: StageLike, node: str, valves: Mapping[str, Any], op: Reply, load: Floats, drive: Floats, reply: Reply
) -> _Driven:
    wave = vector(reply, node)
    lines = harmonics.spectrum(wave)
    shape = wave.shape[:-1]
    currents = {electrode: np.zeros(shape) for electrode in ("anode", "screen")}
    dissipation: dict[str, Floats] = {}
    cut_off = np.full(shape, -np.inf)
    for instance, use in valves.items():
        for electrode, name in current_nodes(instance, use).items():
            if electrode not in currents:
                continue
            current = 1e-3 * vector(reply, name)
            voltage = between(reply, use.nodes[electrode], use.nodes["cathode"])
            currents[electrode] = currents[electrode] + current.mean(axis=-1)
            dissipation[f"{instance}.{electrode}"] = (current * voltage).mean(axis=-1)
            if electrode == "anode":
                rest = 1e-3 * vector(op, name)[:, None]
                cut_off = np.fmax(cut_off, fallen(current, rest, CUT_OFF_SHARE))
    supply = np.zeros(shape)
    for name, device in stage.supplies.items():
        # A bias supply has a name of its own among the parameters, and gives no power.
        volts = np.abs(per_point(stage, name, shape[0], 0.0))[:, None]
        supply = supply + volts * np.abs(vector(reply, f"i({device})").mean(axis=-1))
    return _Driven(
        drive,
        harmonics.rms(wave) ** 2 / load[:, None],
        harmonics.thd(lines),
        harmonics.relative(lines, ORDERS),
        currents,
        dissipation,
        {name: harmonics.rms(vector(reply, use.nodes["grid"])) for name, use in valves.items()},
        supply,
        limit_signs(stage, valves, reply, op),
        cut_off,
    )


def _curves(curve: _Driven, efficiency: Floats) -> dict[str, Variable]:
    def over(values: Floats, unit: str, words: str) -> Variable:
        return Variable(("level",), values, unit, words)

    curves = {
        "drive_in": over(curve.drive, "V", "drive: e.m.f. of the source, r.m.s."),
        "power_curve": over(curve.output_power, "W", "output power"),
        "thd_curve": over(100.0 * curve.thd, "%", "total harmonic distortion"),
        "efficiency_curve": over(efficiency, "%", "efficiency: output power over supply power"),
    }
    for electrode, values in curve.currents.items():
        words = f"{electrode} current, average"
        curves[f"{electrode}_current_curve"] = over(values, "A", words)
    for key, values in curve.dissipation.items():
        words = f"{key.replace('.', ' ')} dissipation"
        curves[f"dissipation_curve.{key}"] = over(values, "W", words)
    return curves


def _rising(curve: _Driven) -> _Driven:
    """Return a curve with its drives in rising order."""
    order = np.argsort(curve.drive, axis=1)

    def sorted_(array: Floats) -> Floats:
        return np.take_along_axis(array, order if array.ndim == 2 else order[..., None], 1)

    return _each(sorted_, curve)


def _marks(curve: _Driven, at_rest: Mapping[str, Floats], stated_thd: float) -> dict[str, list[Curve]]:
    """Return the curves over drive whose marks are looked for."""
    quiet = np.zeros(len(curve.drive))
    return {
        "clipping": limit_curves(curve.signs, at_rest),
        "at_stated_thd": [Curve(100.0 * curve.thd / stated_thd)],
        "class_a": [Curve(curve.cut_off, quiet)],
    }


def _marked(part: _Driven) -> _Driven:
    """Return a part with NaN where nothing was looked for: a drive of 0."""

    def blank(array: Floats) -> Floats:
        looked_for = part.drive > 0
        return np.where(looked_for if array.ndim == 2 else looked_for[..., None], array, np.nan)

    return _each(blank, part)


def _landmarks(curve: _Driven, at_rest: Mapping[str, Floats], stated_thd: float) -> dict[str, Variable]:
    """Return where the power reaches clipping, the stated distortion, and the end of class A."""
    first, onset = earliest(curve.drive, curve.signs, at_rest)
    sought = _marks(curve, at_rest, stated_thd)
    marks = {
        "clipping": (onset, "the onset of clipping"),
        "at_stated_thd": (first_reached(curve.drive, *sought["at_stated_thd"]), "the stated distortion"),
        "class_a": (first_reached(curve.drive, *sought["class_a"]), "the end of class A"),
    }
    variables = {"clipping.first_limit": scalar(first, "", "what clips first")}
    for key, (drive, words) in marks.items():
        variables[f"{key}.drive"] = scalar(drive, "V", f"drive at {words}, r.m.s.")
        output = np.where(drive == 0.0, 0.0, interpolate(curve.drive, curve.output_power, drive))
        variables[f"{key}.output_power"] = scalar(output, "W", f"output power at {words}")
    return variables


def _findings(
    valves: Mapping[str, Any], op: Reply, found: _Driven, factors: Floats, points: int
) -> tuple[list[list[Finding]], Limits, Limits]:
    """Return what is found by point, the limits that were checked, and those without a rating."""
    findings: list[list[Finding]] = [[] for _ in range(points)]
    checked: list[tuple[str, str]] = []
    unrated: list[tuple[str, str]] = []
    up_to_drive = factors <= 1.0
    for key, values in found.dissipation.items():
        instance, _, electrode = key.rpartition(".")
        use = valves[instance]
        rating = rating_of(use, f"{electrode}_dissipation_max")
        words = f"{electrode} dissipation"
        at_signal = rating_of(use, f"{electrode}_dissipation_signal_max")
        if rating is None:
            unrated.append((instance, words))
            continue
        checked.append((instance, words))
        at_rest = operating_point(op, instance, use)[f"{electrode}_dissipation"]
        driven = np.fmax.reduce(values[:, up_to_drive], axis=1)
        about = Finding.of("near_rating", instance, words, unit="W", type=use.valve.name)
        error = fit_error(use)
        if at_signal is None:
            about = replace(about, state="at rest or at a drive up to the set one")
            compare(findings, about, np.fmax(at_rest, driven), rating, error=error)
        else:
            # Some screens have a printed limit of their own for full signal: speech and music average to less.
            compare(findings, replace(about, state="at rest"), at_rest, rating, error=error)
            up_to = replace(about, state="at a drive up to the set one")
            compare(findings, up_to, driven, at_signal, error=error)
    return findings, checked, unrated


def _bandwidth(
    stage: StageLike,
    node: str,
    valves: Mapping[str, Any],
    drive: Floats,
    load: Floats,
    rated: Floats,
    frequency: float,
    stated_thd: float,
) -> Generator[Any, Any, tuple[dict[str, Variable], Floats, list[list[Finding]]]]:
    """Drive to half the rated power at every frequency, and read the distortion.

    Coarse steps over the band first; then each end is closed in on by halves.
    """
    sweep = yield Ac(start=10.0, stop=1e5, per_decade=_COARSE_PER_DECADE * _FINE_STEPS, vectors=(node,))
    grid = np.asarray(sweep.axis, dtype=float)
    gain = np.abs(vector(sweep, node))
    # What a stage without compression needs at each frequency; then all are corrected as the middle was.
    start = divide(np.sqrt(load * rated / 2.0)[:, None], gain)
    known: dict[int, Floats] = {}
    used: dict[int, Floats] = {}

    def distortion(indices: Iterable[int], correction: Floats | float) -> Generator[Any, Any, None]:
        new = [k for k in sorted(set(indices)) if k not in known]
        tries = {k: _Tries(start[:, k], start[:, k] * correction) for k in new}
        while asked := [k for k in new if not tries[k].done.all()]:
            replies = yield [
                _request(stage, node, valves, float(grid[k]), tries[k].drive[:, None], COARSE) for k in asked
            ]
            for k, reply in zip(asked, replies, strict=True):
                wave = vector(reply, node)[:, 0]
                tries[k].answer(
                    harmonics.rms(wave) ** 2 / load / (rated / 2.0), harmonics.thd(harmonics.spectrum(wave))
                )
        known.update((k, tries[k].thd) for k in new)
        used.update((k, tries[k].drive / start[:, k]) for k in new)

    coarse = range(0, len(grid), _FINE_STEPS)
    middle = min(coarse, key=lambda k: abs(np.log(grid[k] / frequency)))
    yield from distortion([middle], 1.0)
    correction = np.where(np.isfinite(used[middle]), used[middle], 1.0)
    yield from distortion(coarse, correction)
    # Where the middle of the band distorts too much already there is no band, whatever is further out.
    over = 100.0 * known[middle] > stated_thd
    ends = {}
    for name, way in (("low", -_FINE_STEPS), ("high", _FINE_STEPS)):
        outward = range(middle, -1 if way < 0 else len(grid), way)
        brackets = [None if over[point] else _bracket(outward, known, point, stated_thd) for point in range(len(drive))]
        while halves := {sum(pair) // 2 for pair in brackets if pair and abs(pair[0] - pair[1]) > 1}:
            yield from distortion(halves, correction)
            brackets = [pair and _halved(pair, known, point, stated_thd) for point, pair in enumerate(brackets)]
        ends[name] = np.array([_crossing(grid, pair, known, point, stated_thd) for point, pair in enumerate(brackets)])
    thd = np.stack([known[k] for k in coarse], axis=1)
    variables = {
        "bandwidth.power": scalar(rated / 2.0, "W", "power over the power bandwidth: half the rated"),
        "bandwidth.low": scalar(ends["low"], "Hz", "lower end of the power bandwidth"),
        "bandwidth.high": scalar(ends["high"], "Hz", "upper end of the power bandwidth"),
        "bandwidth.thd": Variable(
            ("bandwidth_frequency",), 100.0 * thd, "%", "total harmonic distortion at half power"
        ),
    }
    none = Finding.of("no_power_bandwidth", limit=stated_thd, unit="%", measure="power", frequency=grid[middle])
    return variables, grid[::_FINE_STEPS], [[none] * bool(each) for each in over]


class _Tries:
    """Finds the drive for a power, at all points: by secants on log-log paper.

    ``drive`` is what to try next, or what was found; ``thd`` the distortion there: infinite where the power
    isn't to be had with the largest drive or within the tries, NaN where the stage failed.
    """

    def __init__(self, small_signal: Floats, drive: Floats) -> None:
        self.most = _MOST_DRIVE * small_signal
        self.done = ~np.isfinite(drive)
        # A point that can't be driven is run without a signal, which costs nothing.
        self.drive = np.where(self.done, 0.0, np.fmin(drive, self.most))
        self.thd = np.full(drive.shape, np.nan)
        self.before = np.full((2, *drive.shape), np.nan)
        self.count = 0

    def answer(self, power: Floats, thd: Floats) -> None:
        """Take the power, relative to the one that is wanted, and the distortion."""
        self.count += 1
        error = np.log(np.where(power > 0, power, np.nan))
        reached = np.abs(error) < _NEAR_POWER
        short = (error < 0) & (self.drive >= self.most)
        if self.count == _TRIES:
            short |= ~reached
        self.thd = np.where(self.done, self.thd, np.where(short, np.inf, thd))
        self.done = self.done | reached | short | np.isnan(error)
        here = np.log(np.where(self.done, np.nan, self.drive))
        slope = np.clip(divide(error - self.before[1], here - self.before[0]), 0.2, 4.0)
        slope = np.where(np.isfinite(slope), slope, 2.0)
        self.before = np.stack([here, error])
        step = np.exp(np.clip(-error / slope, -0.7, 0.7))
        self.drive = np.where(self.done, self.drive, np.fmin(self.drive * step, self.most))


_Pair = tuple[int, int]


def _bracket(outward: range, known: Mapping[int, Floats], point: int, stated: float) -> _Pair | None:
    """Return the neighbours between which the distortion of a point first passes the stated one."""
    for inner, outer in itertools.pairwise(outward):
        if 100.0 * known[inner][point] <= stated < 100.0 * known[outer][point]:
            return inner, outer
    return None


def _halved(pair: _Pair, known: Mapping[int, Floats], point: int, stated: float) -> _Pair:
    """Return the half of a bracket in which the distortion passes; itself where it can't be halved."""
    inner, outer = pair
    middle = (inner + outer) // 2
    if abs(outer - inner) <= 1 or middle not in known:
        return pair
    return (inner, middle) if 100.0 * known[middle][point] > stated else (middle, outer)


def _crossing(grid: Floats, pair: _Pair | None, known: Mapping[int, Floats], point: int, stated: float) -> float:
    """Return the frequency at which the distortion is the stated one, straight in logarithms."""
    if pair is None:
        return float("nan")
    levels = np.log([100.0 * known[k][point] / stated for k in pair])
    share = levels[0] / (levels[0] - levels[1])
    return float(grid[pair[0]] * (grid[pair[1]] / grid[pair[0]]) ** share)
