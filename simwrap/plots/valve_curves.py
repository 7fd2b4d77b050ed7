"""Pictures of a valve's curves. matplotlib is loaded when the first one is drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.errors import InputError, UnknownNameError
from simwrap.plots.labels import legend_across, legend_below, name_curves
from simwrap.units import quantity
from simwrap.valves.curves import (
    Family,
    OperatingPoint,
    anode_family,
    dissipation_hyperbola,
    drop_curve,
    grid_voltage_of,
    operating_point,
    transfer_family,
    usual_screen_voltage,
)
from simwrap.valves.valve import Valve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simwrap.fitting.fit import FitResult

#: What :func:`curves_figure` can draw.
PICTURES = ("anode", "transfer", "triode-connected", "ultra-linear")

_CURVE, _POINT, _LINE, _FAINT = "#0072B2", "#D55E00", "#009E73", "#8a8a8a"


def curves_figure(
    valve: Valve,
    *,
    what: str = "anode",
    screen_voltage: float | None = None,
    tap: float = 0.43,
    supply: float | None = None,
    anode_resistor: float | None = None,
    cathode_resistor: float = 0.0,
    grid_voltage: float = 0.0,
) -> Figure:
    """Draw curves of a valve, with its published points and dissipation limit.

    Parameters
    ----------
    valve : Valve
        Any; a rectifier has its drop drawn.
    what : {"anode", "transfer", "triode-connected", "ultra-linear"}
        Which family.
    screen_voltage : float, optional
        Screen voltage of a pentode (zero-signal voltage for ultra-linear) [V].
    tap : float
        For ultra-linear curves.
    supply, anode_resistor, cathode_resistor, grid_voltage : float, optional
        With ``supply`` [V] and ``anode_resistor`` [ohm] a load line is drawn, and the operating
        point with cathode resistor or fixed bias.

    Returns
    -------
    matplotlib.figure.Figure
        Not shown, not saved.
    """
    from matplotlib.figure import Figure as NewFigure

    if what not in PICTURES:
        raise UnknownNameError("picture", what, PICTURES)
    figure = NewFigure(figsize=(7.5, 5.0), layout="constrained")
    axes = figure.subplots()
    if valve.kind == "rectifier":
        draw_drop(axes, valve)
    elif what == "transfer":
        if supply is not None:
            raise InputError(f"{valve.name}: a load line needs anode curves, not transfer curves")
        draw_transfer(
            axes, valve, None if screen_voltage is None else transfer_family(valve, voltages=[screen_voltage])
        )
    else:
        if what != "anode" and valve.kind != "pentode":
            raise InputError(f"{valve.name}: only a pentode can be {what}")
        part = {"anode": 0.0, "triode-connected": 1.0, "ultra-linear": tap}[what]
        family = anode_family(valve, screen_voltage=screen_voltage, tap=part, screen_supply=screen_voltage)
        draw_anode(axes, valve, family, tap=part, screen_voltage=screen_voltage)
        if supply is not None and anode_resistor is not None:
            point = operating_point(
                valve, supply=supply, anode_resistor=anode_resistor, cathode_resistor=cathode_resistor,
                grid_voltage=grid_voltage, screen_voltage=screen_voltage, tap=part,
            )  # fmt: skip
            draw_load_line(axes, point, supply=supply, resistance=anode_resistor + cathode_resistor)
    legend_below(axes)
    return figure


def _finish(axes: Axes, title: str, x: str, y: str = "anode current [mA]") -> None:
    axes.set_title(title, pad=16)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.grid(True, color="#d9d9d9", linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _top(valve: Valve, family: Family) -> float:
    """Return the current axis's end [mA]: what the valve is used at, not all that its law gives."""
    published = [1e3 * p.anode_current for p in valve.points if p.anode_current and (p.grid_voltage or 0.0) <= 0.0]
    curves = any(p.anode_current and p.reading_error for p in valve.points)  # these reach as far as a sheet does
    limits = [(1.1 if curves else 2.2) * max(published)] if published else []
    if valve.ratings.cathode_current_max and not limits:
        limits.append(1e3 * valve.ratings.cathode_current_max)
    return float(min([1.05e3 * float(np.max(family.current)), *limits]))


def draw_anode(
    axes: Axes, valve: Valve, family: Family, *, tap: float = 0.0, screen_voltage: float | None = None
) -> None:
    """Draw an anode family with published points, and the rated dissipation."""
    top = _top(valve, family)
    axes.set_xlim(0.0, family.x[-1])
    axes.set_ylim(0.0, top)
    currents = 1e3 * family.current
    axes.plot(family.x, currents.T, color=_CURVE, linewidth=1.3)
    names = [f"{grid:g} V" for grid in family.parameter]
    name_curves(axes, zip(names, [family.x] * len(names), currents, strict=True), colour=_CURVE)
    hyperbola = dissipation_hyperbola(valve, family.x[1:])
    if hyperbola is not None:
        seen = bool((1e3 * hyperbola < top).any())
        words = f"{valve.ratings.anode_dissipation_max:g} W, rated dissipation" + (
            "" if seen else " (above the picture)"
        )
        axes.plot(family.x[1:], 1e3 * hyperbola, color=_FAINT, linestyle=":", label=words)
    _published(axes, valve, tap, usual_screen_voltage(valve) if screen_voltage is None else screen_voltage)
    how = ""
    if valve.kind == "pentode":
        fixed = usual_screen_voltage(valve) if screen_voltage is None else screen_voltage
        how = (
            f", screen {fixed:.0f} V"
            if tap == 0
            else ", triode-connected"
            if tap == 1
            else f", tap {tap:g}, screen {fixed:.0f} V at rest"
        )
    current = (
        "anode current" if tap == 0 else "anode and screen current" if tap == 1 else f"anode + {tap:g} screen current"
    )
    _finish(axes, f"{valve.name}{how}; grid voltage at each curve", "anode voltage [V]", f"{current} [mA]")


def _published(axes: Axes, valve: Valve, tap: float, screen: float | None) -> None:
    """Draw the published points that belong to this family, with the law's error beside each."""
    connection = "triode-connected" if tap == 1 else "normal"
    for row in valve.points:
        if row.anode_voltage is None or row.anode_current is None or row.connection != connection or 0 < tap < 1:
            continue
        if tap == 0 and screen is not None and row.screen_voltage != screen:
            continue
        grid = grid_voltage_of(row)
        if grid is None:
            continue
        hollow = row.use == "contradicts" or "anode_current" in row.contradicts
        if row.reading_error is not None:
            _read_off(axes, row.anode_voltage, 1e3 * row.anode_current)
            continue
        axes.plot(
            [row.anode_voltage], [1e3 * row.anode_current], "o", color=_POINT, markersize=5, zorder=5,
            fillstyle="none" if hollow else "full", clip_on=False, label=_label("grid", hollow),
        )  # fmt: skip
        _note(axes, f"{grid:.3g} V", row.anode_voltage, 1e3 * row.anode_current)


def _read_off(axes: Axes, x: float, y: float) -> None:
    """Draw a point that was read off a published curve; the law's own curve for its voltage is drawn too."""
    axes.plot([x], [y], "x", color=_POINT, markersize=4.5, zorder=5, label="read off published curves")


def _label(electrode: str, hollow: bool) -> str:
    return f"published, at its {electrode} voltage" + (" (others contradict it)" if hollow else "")


def _note(axes: Axes, words: str, x: float, y: float) -> None:
    """Name a published point, above it where it lies on the axis; points in one place share their words."""
    wide, high = (abs(end - start) for start, end in (axes.get_xlim(), axes.get_ylim()))
    for text in axes.texts:
        at = getattr(text, "xy", None)
        if text.get_color() != _POINT or at is None:
            continue
        apart = max(abs(at[0] - x) / wide, abs(at[1] - y) / high)
        said = words in text.get_text().split(", ")
        if apart < 0.02 and not said:
            text.set_text(f"{text.get_text()}, {words}")
        if apart < (0.06 if said else 0.02):
            return
    low = y < 0.08 * axes.get_ylim()[1]
    right = x > 0.95 * axes.get_xlim()[1] + 0.05 * axes.get_xlim()[0]
    axes.annotate(
        words, (x, y), color=_POINT, fontsize=7, xytext=(-5 if right else 5, 3 if low else -9),
        textcoords="offset points", ha="right" if right else "left",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.3},
    )  # fmt: skip


def draw_transfer(axes: Axes, valve: Valve, family: Family | None = None) -> None:
    """Draw transfer curves."""
    family = transfer_family(valve) if family is None else family
    top = _top(valve, family)
    axes.set_xlim(family.x[0], family.x[-1])
    axes.set_ylim(0.0, top)
    currents = 1e3 * family.current
    axes.plot(family.x, currents.T, color=_CURVE, linewidth=1.3)
    names = [f"{voltage:g} V" for voltage in family.parameter]
    name_curves(axes, zip(names, [family.x] * len(names), currents, strict=True), colour=_CURVE)
    of = "screen" if valve.kind == "pentode" else "anode"
    for row in valve.points:
        at = row.screen_voltage if valve.kind == "pentode" else row.anode_voltage
        grid = grid_voltage_of(row)
        if row.connection != "normal" or at not in family.parameter or grid is None or row.anode_current is None:
            continue
        if row.reading_error is not None:
            _read_off(axes, grid, 1e3 * row.anode_current)
            continue
        hollow = row.use == "contradicts" or "anode_current" in row.contradicts
        axes.plot([grid], [1e3 * row.anode_current], "o", color=_POINT, markersize=5, zorder=5,
                  fillstyle="none" if hollow else "full", clip_on=False, label=_label(of, hollow))  # fmt: skip
        _note(axes, f"{at:g} V", grid, 1e3 * row.anode_current)
    _finish(axes, f"{valve.name}; {of} voltage at each curve", "grid voltage [V]")


def draw_drop(axes: Axes, valve: Valve) -> None:
    """Draw a rectifier's drop with its published points."""
    drop, current = drop_curve(valve)
    scale, unit = (1.0, "A") if current[-1] > 2.0 else (1e3, "mA")
    axes.plot(drop, scale * current, color=_CURVE, linewidth=1.3)
    for row in valve.points:
        if row.anode_voltage is not None and row.anode_current is not None:
            axes.plot([row.anode_voltage], [scale * row.anode_current], "o", color=_POINT, label="published",
                      fillstyle="none" if row.use == "contradicts" else "full", clip_on=False)  # fmt: skip
    axes.set_xlim(0.0, drop[-1])
    axes.set_ylim(0.0, None)
    _finish(axes, f"{valve.name}, one anode", "drop [V]", f"current [{unit}]")


def draw_load_line(axes: Axes, point: OperatingPoint, *, supply: float, resistance: float) -> None:
    """Draw a load line [ohm] from the supply [V] through the operating point, with the small-signal numbers."""
    voltage = np.array([0.0, supply])
    axes.plot(
        voltage, 1e3 * (supply - voltage) / resistance, color=_LINE, linestyle="--",
        label=f"load line, {quantity.render(resistance, 'ohm', digits=3)}",
    )  # fmt: skip
    words = (
        f"{point.anode_voltage:.0f} V, {1e3 * point.load_current:.3g} mA, grid {point.grid_voltage:.3g} V\n"
        f"gm {1e3 * point.gm:.3g} mS, ra {quantity.render(point.ra, 'ohm', digits=3)}, mu {point.mu:.3g}"
    )
    axes.plot(
        [point.anode_voltage], [1e3 * point.load_current], "s", color="black", markersize=7, zorder=6, label=words
    )


def contact_sheet(valves: list[Valve], *, columns: int = 5) -> Figure:
    """Draw the anode curves of many valves on one sheet."""
    from matplotlib.figure import Figure as NewFigure

    rows = -(-len(valves) // columns)
    figure = NewFigure(figsize=(5.0 * columns, 3.6 * rows), layout="constrained")
    panels: Any = figure.subplots(rows, columns, squeeze=False).ravel()
    for axes, valve in zip(panels, valves, strict=False):
        if valve.kind == "rectifier":
            draw_drop(axes, valve)
        else:
            draw_anode(axes, valve, anode_family(valve))
    for axes in panels[len(valves) :]:
        axes.set_visible(False)
    legend_below(*panels[: len(valves)], size=8.0)
    return figure


def fit_figure(result: FitResult) -> Figure:
    """Draw the error of every number of a fit, calibrated and only checked ones apart.

    Parameters
    ----------
    result : FitResult
        Of :func:`simwrap.fitting.fit_file`.
    """
    from matplotlib.figure import Figure as NewFigure

    shown = [r for r in result.residuals if np.isfinite(r.error)]
    figure = NewFigure(figsize=(8.0, 5.2 if len(shown) <= 40 else 4.2), layout="constrained")
    axes = figure.subplots()
    position = np.arange(len(shown))
    for use, colour in (("calibrate", _CURVE), ("check", _LINE), ("contradicts", _FAINT)):
        own = [i for i, r in enumerate(shown) if r.use == use]
        if own:
            size = [shown[i].error * (1.0 if shown[i].number.scale == "points" else 100.0) for i in own]
            axes.vlines(position[own], 0.0, size, color=colour, linewidth=1.2)
            axes.plot(position[own], size, "o", color=colour, markersize=4, label=use)
    axes.axhline(0.0, color="black", linewidth=0.8)
    if len(shown) <= 40:
        words = [f"{r.number.quantity.replace('_', ' ')}, {r.number.label}" for r in shown]
        axes.set_xticks(position, words, rotation=90, fontsize=7)
    _finish(axes, f"{result.numbers} numbers calibrate", "number", "model - given [%, distortion in points]")
    legend_across(figure, [axes])
    return figure
