"""Anode curves with the operating point and the load lines: the picture of ``bias`` and ``load_lines``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.plots.labels import legend_below, name_curves
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, line_style, new_figure
from simwrap.units import quantity
from simwrap.valves import get_valve
from simwrap.valves.curves import round_steps

#: Valves of more kinds than this have no room in a title.
_FEW = 2
#: Ends of the axis of volts by the valve's rest: usual, least, most, and most within the rating; least of that of
#: currents.
_USUAL, _NEAR, _FAR, _RATED, _LOW = 1.72, 1.3, 2.2, 4.0, 2.2
#: More letters than this before "grid voltage at each curve" make a second line of a panel's title.
_LONG = 40


@dataclass(frozen=True)
class LoadLine:
    """A straight line in the anode curves.

    Attributes
    ----------
    name : str
    resistance : float
        [ohm].
    volts : float
        Anode to cathode where no current flows [V].
    direct : bool
        For slow changes (d.c.), or else for the signal (a.c.).
    """

    name: str
    resistance: float
    volts: float
    direct: bool


@dataclass(frozen=True)
class Rest:
    """Where a valve is at rest, to the cathode [V, A]; ``tap``: how much of the anode's swing its screen takes part in.

    ``amps`` is the current in the load: the anode's, and that share of the screen's.
    """

    volts: float
    amps: float
    grid: float
    screen: float | None
    tap: float


def draw(reader: Reader) -> Figure:
    """Draw the anode curves of each valve; of a single point with its load lines, of a sweep with all its points."""
    bias = reader.of("bias")
    instances = [
        path.removeprefix("valves.").removesuffix(".grid_voltage") for path in bias.paths("valves.", ".grid_voltage")
    ]
    if not instances:
        return _nodes(bias)
    groups = _alike(bias, instances) if len(bias.labels) == 1 else _by_type(bias, instances)
    figure = new_figure(max(5.6 * len(groups), 7.0), 4.8)
    panels = figure.subplots(1, len(groups), squeeze=False)[0]
    for axes, (names, points) in zip(panels, groups, strict=True):
        _panel(axes, bias, names, points)
    legend_below(*panels)
    rests = [f"{' and '.join(names)} at {' and '.join(said)}" for names, _ in groups if (said := _at_rest(bias, names))]
    add_title(figure, bias, "operating point", f"at rest {', '.join(rests)}" if len(rests) <= _FEW else "")
    return figure


def _nodes(bias: Reader) -> Figure:
    """Draw what a stage without a grid has at rest: the voltage of each node to ground."""
    nodes = [path for path in bias.paths("nodes.") if np.isfinite(np.asarray(bias[path], dtype=float)).any()]
    if not nodes:
        raise InputError("plot: the operating point needs bias to be measured, of a stage with nodes that have one")
    figure = new_figure(7.0, 1.4 + 0.4 * len(nodes))
    axes = figure.subplots()
    places = np.arange(len(nodes))
    for point, label, look in chosen_points(bias):
        volts = [float(bias[path][point]) for path in nodes]
        axes.plot(volts, places, label=label, **{**look, "linestyle": "none", "marker": "o"})
    axes.set_yticks(places, [path.partition(".")[2].removeprefix("n_").replace("_", " ") for path in nodes])
    axes.set_ylim(len(nodes) - 0.5, -0.5)
    axes.set_xlabel(label_of("to ground", "V"))
    axes.set_ylabel("node")
    legend_below(axes)
    add_title(figure, bias, "voltages at rest")
    return figure


def _at_rest(bias: Reader, names: Sequence[str]) -> list[str]:
    """Return anode voltage and current of a valve, or of valves alike."""
    return bias.said(f"valves.{names[0]}.anode_voltage", f"valves.{names[0]}.anode_current")


def _alike(bias: Reader, instances: Sequence[str]) -> list[tuple[list[str], list[int]]]:
    """Return valves of one type that sit alike together, with the only point."""
    groups: dict[Any, list[str]] = {}
    for instance in instances:
        figures = [bias[path][0] for path in bias.paths(f"valves.{instance}.")]
        told = [value if isinstance(value, str) else f"{float(value):.4g}" for value in figures]
        groups.setdefault(tuple(map(str, told)), []).append(instance)
    return [(names, [0]) for names in groups.values()]


def _by_type(bias: Reader, instances: Sequence[str]) -> list[tuple[list[str], list[int]]]:
    """Return each valve with the points at which it is of one type."""
    groups: dict[tuple[str, str], list[int]] = {}
    for instance in instances:
        types = bias[f"valves.{instance}.type"]
        for point, _, _ in chosen_points(bias):
            if types[point] and np.isfinite(float(bias[f"valves.{instance}.anode_current"][point])):
                groups.setdefault((instance, str(types[point])), []).append(point)
    if not groups:
        raise InputError("plot: no point of the sweep has an operating point")
    return [([instance], points) for (instance, _), points in groups.items()]


def rest_of(bias: Reader, instance: str, point: int = 0) -> Rest:
    """Return where a valve is at rest."""

    def at(figure: str) -> float:
        return float(bias[f"valves.{instance}.{figure}"][point])

    has_screen = f"valves.{instance}.screen_voltage" in bias
    loads, tap = bias.of("load_lines"), 0.0
    if has_screen and f"valves.{instance}.tap" in loads:
        tap = float(np.nan_to_num(loads[f"valves.{instance}.tap"][point]))
    return Rest(
        at("anode_voltage"),
        at("anode_current") + (tap * at("screen_current") if has_screen else 0.0),
        at("grid_voltage"),
        at("screen_voltage") if has_screen else None,
        tap,
    )


def lines_of(bias: Reader, instance: str, point: int = 0) -> list[LoadLine]:
    """Return the load lines of a valve through its operating point; none where they weren't measured."""
    loads = bias.of("load_lines")
    if f"valves.{instance}.direct_load" not in loads:
        return []
    direct, signal, alone = (
        float(loads[f"valves.{instance}.{key}"][point]) for key in ("direct_load", "signal_load", "alone_load")
    )
    rest = rest_of(bias, instance, point)
    pair = np.isfinite(alone)

    def line(resistance: float, words: str, *, slow: bool = False, volts: float | None = None) -> LoadLine:
        name = f"{'d.c.' if slow else 'a.c.'} load, {quantity.render(resistance, 'ohm', digits=3)}{words}"
        return LoadLine(name, resistance, rest.volts + rest.amps * resistance if volts is None else volts, slow)

    lines = [line(direct, "", slow=True)] if np.isfinite(direct) else []
    if np.isfinite(signal) and signal > 0 and not abs(signal - direct) <= 1e-3 * direct:
        lines.append(line(signal, ", both valves conduct" if pair else ""))
    if pair:
        # Where the current of the one has doubled, the other's has come to nothing: there both lines meet.
        volts = rest.volts - rest.amps * signal + 2.0 * rest.amps * alone
        lines.append(line(alone, ", the other is cut off", volts=volts))
    return lines


def valve_of(bias: Reader, instance: str, point: int, screened: bool) -> Any:
    """Return the valve that an instance is at a point: of the circuit where it is known, else from the library."""
    if bias.circuit is not None and len(bias.labels) == 1:
        return bias.circuit.valves[instance].valve
    return get_valve(str(bias[f"valves.{instance}.type"][point]), kind="pentode" if screened else "triode")


def _panel(axes: Axes, bias: Reader, instances: list[str], points: list[int]) -> None:
    instance, single = instances[0], len(bias.labels) == 1
    rests = [rest_of(bias, instance, point) for point in points]
    rest = rests[0]
    valve = valve_of(bias, instance, points[0], rest.screen is not None)
    lines = lines_of(bias, instance) if single else []
    amps, volts, deepest = (max(abs(getattr(each, key)) for each in rests) for key in ("amps", "volts", "grid"))
    # Where a line ends is shown as long as the valve's own curves and its rest can be read beside it.
    far = max((line.volts for line in lines), default=_USUAL * volts)
    rated = getattr(valve.ratings, "anode_voltage_max", None) or 0.0
    most = float(np.clip(rated, _FAR * volts, _RATED * volts))
    span = np.linspace(0.0, 1.08 * float(np.clip(far, _NEAR * volts, most)), 301)
    # No more flows than where the grid's curve of 0 V meets a line of the signal; a line may end far above.
    steep = [line for line in lines if not line.direct] or lines
    reached = [_met(valve, rest, line, span) for line in steep if line.resistance > 0]
    top = 1.1e3 * max([_LOW * amps, *(1.1 * each for each in reached)])
    top = top if np.isfinite(top) and top > 0 else 1.0
    axes.set_xlim(0, span[-1])
    axes.set_ylim(0, top)
    _family(axes, valve, rest, span, top, deepest)
    for number, line in enumerate(lines):
        ends = [line.volts - 1e-3 * top * line.resistance, line.volts]
        look = line_style(number + 1) | ({"linestyle": (0, (8, 2))} if number == 2 else {})
        axes.plot(ends, [top, 0.0], label=line.name, **look)
    rating = getattr(valve.ratings, "anode_dissipation_max", None)
    if rating:
        away = span[span > 0]
        seen = bool((1e3 * rating / away < top).any())
        words = f"{rating:g} W, rated dissipation" + ("" if seen else " (above the picture)")
        axes.plot(away, 1e3 * rating / away, color=FAINT, linestyle=":", label=words)
    _points(axes, bias, points, rests, single=single)
    axes.set_xlabel(label_of("anode to cathode", "V"))
    tap = rest.tap
    tied = tap > 0.99  # the ratio is measured
    flowing = (
        "anode current" if not tap else "anode and screen current" if tied else f"anode + {tap:.2g} screen current"
    )
    axes.set_ylabel(label_of(flowing, "mA"))
    how = ""
    if rest.screen is not None:
        at_rest = f"screen at {rest.screen:.0f} V"
        how = f", {at_rest}" if not tap else ", triode-connected" if tied else f", tap {tap:.2g}, {at_rest} at rest"
    words = f"{' and '.join(instances)}: {valve.name}{how}"
    axes.set_title(f"{words}{'; ' if len(words) <= _LONG else chr(10)}grid voltage at each curve", pad=16)


def _points(axes: Axes, bias: Reader, points: list[int], rests: list[Rest], *, single: bool) -> None:
    """Mark where the valve is at rest: of one point in words, of several by their labels."""
    looks = {point: (label, style) for point, label, style in chosen_points(bias)}
    for point, rest in zip(points, rests, strict=True):
        label, style = looks[point]
        amps = quantity.render(rest.amps, "A", digits=3)
        words = f"at rest: {rest.volts:.0f} V, {amps}, grid {rest.grid:.2f} V" if single else label
        look: dict[str, Any] = {"color": "black"} if single else {"color": style["color"], "markeredgecolor": "black"}
        axes.plot([rest.volts], [1e3 * rest.amps], "o", markersize=7, label=words, zorder=5, **look)


def _flow(valve: Any, rest: Rest, x: Any, grids: Any) -> NDArray[Any]:
    """Return the current in the load [A] at anode and grid voltages, with the screen as it goes with the anode."""
    screens = None if rest.screen is None else rest.screen + rest.tap * (x - rest.volts) + 0.0 * grids
    flow = valve.currents(x + 0.0 * grids, grids + 0.0 * x, screens)
    return np.asarray(flow.anode + rest.tap * flow.screen if rest.tap else flow.anode)


def _met(valve: Any, rest: Rest, line: LoadLine, span: NDArray[Any]) -> float:
    """Return the current [A] at which a line meets the curve of 0 V at the grid."""
    return float(np.minimum((line.volts - span) / line.resistance, _flow(valve, rest, span, 0.0)).max())


def _family(axes: Axes, valve: Any, rest: Rest, span: NDArray[Any], top: float, deepest: float) -> None:
    """Draw a curve for each of a row of round grid voltages, down to cut-off."""

    def current(x: Any, grids: Any) -> NDArray[Any]:
        return 1e3 * _flow(valve, rest, x, grids)

    candidates = np.linspace(0.0, -max(10.0 * deepest, 2.0), 1001)
    flows = np.flatnonzero(current(span[-1], candidates) > 0.02 * top)
    cut_off = -float(candidates[flows[-1]]) if flows.size else 1.0
    lowest = max(cut_off, 1.2 * deepest)
    step = round_steps(lowest, 9)
    grids = 0.0 - step * np.arange(int(lowest / step) + 1)
    family = current(span, grids[:, None])
    axes.plot(span, family.T, color=COLOURS[0], linewidth=1.2)
    names = [f"{voltage:g} V" for voltage in grids]
    name_curves(axes, zip(names, [span] * len(names), family, strict=True), colour=COLOURS[0])
