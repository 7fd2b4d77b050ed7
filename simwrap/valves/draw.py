"""Pictures of a valve's curves. matplotlib is loaded when the first one is drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.errors import InputError, UnknownNameError
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

    from simwrap.valves.fit import FitResult

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
    return figure


def _finish(axes: Axes, title: str, x: str, y: str = "current [mA]") -> None:
    axes.set_title(title, pad=14)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.grid(True, color="#d9d9d9", linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _top(valve: Valve, family: Family) -> float:
    """Return the current axis's end [mA]: what the valve is used at, not all that its law gives."""
    published = [1e3 * p.anode_current for p in valve.points if p.anode_current]
    limits = [2.2 * max(published)] if published else []
    if valve.ratings.cathode_current_max and not limits:
        limits.append(1e3 * valve.ratings.cathode_current_max)
    return float(min([1.05e3 * float(np.max(family.current)), *limits]))


def draw_anode(
    axes: Axes, valve: Valve, family: Family, *, tap: float = 0.0, screen_voltage: float | None = None
) -> None:
    """Draw an anode family with published points, and the rated dissipation."""
    top = _top(valve, family)
    for grid, current in zip(family.parameter, 1e3 * family.current, strict=True):
        axes.plot(family.x, current, color=_CURVE, linewidth=1.3)
        inside = np.flatnonzero(current <= top)
        if inside.size > 1 and current[inside[-1]] > 0.02 * top:
            end = inside[-1]
            axes.annotate(f"{grid:g}", (family.x[end], current[end]), color=_CURVE, fontsize=8, ha="right", va="bottom")
    hyperbola = dissipation_hyperbola(valve, family.x[1:])
    if hyperbola is not None:
        seen = bool((1e3 * hyperbola < top).any())
        words = f"{valve.ratings.anode_dissipation_max:g} W rated" + ("" if seen else ", above the picture")
        axes.plot(family.x[1:], 1e3 * hyperbola, color=_FAINT, linestyle=":", label=words)
    _published(axes, valve, tap, usual_screen_voltage(valve) if screen_voltage is None else screen_voltage)
    axes.set_xlim(0.0, family.x[-1])
    axes.set_ylim(0.0, top)
    how = ""
    if valve.kind == "pentode":
        fixed = usual_screen_voltage(valve) if screen_voltage is None else screen_voltage
        how = f", screen {fixed:.0f} V" if tap == 0 else ", triode-connected" if tap == 1 else f", tap {tap:g}"
    _finish(axes, f"{valve.name}{how}; grid voltage at each curve", "anode voltage [V]")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=8, loc="upper right")


def _published(axes: Axes, valve: Valve, tap: float, screen: float | None) -> None:
    """Draw the published points that belong to this family, with the law's error beside each."""
    connection = "triode-connected" if tap == 1 else "normal"
    first = True
    for row in valve.points:
        if row.anode_voltage is None or row.anode_current is None or row.connection != connection or 0 < tap < 1:
            continue
        if tap == 0 and screen is not None and row.screen_voltage != screen:
            continue
        grid = grid_voltage_of(row)
        if grid is None:
            continue
        label = "published, at its grid voltage" if first else "_nolegend_"
        first = False
        hollow = row.use == "contradicts" or "anode_current" in row.contradicts
        axes.plot(
            [row.anode_voltage], [1e3 * row.anode_current], "o", color=_POINT, markersize=5, zorder=5,
            fillstyle="none" if hollow else "full", label=label,
        )  # fmt: skip
        axes.annotate(
            f"{grid:.3g}", (row.anode_voltage, 1e3 * row.anode_current), color=_POINT, fontsize=7,
            xytext=(4, -9), textcoords="offset points",
        )  # fmt: skip


def draw_transfer(axes: Axes, valve: Valve, family: Family | None = None) -> None:
    """Draw transfer curves."""
    family = transfer_family(valve) if family is None else family
    top = _top(valve, family)
    for voltage, current in zip(family.parameter, 1e3 * family.current, strict=True):
        axes.plot(family.x, current, color=_CURVE, linewidth=1.3)
        end = np.flatnonzero(current <= top)[-1]
        axes.annotate(
            f"{voltage:g} V", (family.x[end], current[end]), color=_CURVE, fontsize=8, ha="right", va="bottom"
        )
    for row in valve.points:
        voltage = row.screen_voltage if valve.kind == "pentode" else row.anode_voltage
        grid = grid_voltage_of(row)
        if row.connection != "normal" or voltage not in family.parameter or grid is None or row.anode_current is None:
            continue
        hollow = row.use == "contradicts" or "anode_current" in row.contradicts
        axes.plot([grid], [1e3 * row.anode_current], "o", color=_POINT, markersize=5, zorder=5,
                  fillstyle="none" if hollow else "full")  # fmt: skip
        axes.annotate(f"{voltage:g} V", (grid, 1e3 * row.anode_current), color=_POINT, fontsize=7,
                      xytext=(5, -8), textcoords="offset points")  # fmt: skip
    axes.set_xlim(family.x[0], family.x[-1])
    axes.set_ylim(0.0, top)
    of = "screen" if valve.kind == "pentode" else "anode"
    _finish(axes, f"{valve.name}; {of} voltage at each curve", "grid voltage [V]")


def draw_drop(axes: Axes, valve: Valve) -> None:
    """Draw a rectifier's drop with its published points."""
    drop, current = drop_curve(valve)
    axes.plot(drop, 1e3 * current, color=_CURVE, linewidth=1.3)
    for row in valve.points:
        if row.anode_voltage is not None and row.anode_current is not None:
            axes.plot([row.anode_voltage], [1e3 * row.anode_current], "o", color=_POINT,
                      fillstyle="none" if row.use == "contradicts" else "full")  # fmt: skip
    axes.set_xlim(0.0, drop[-1])
    axes.set_ylim(0.0, None)
    _finish(axes, f"{valve.name}, one anode", "drop [V]")


def draw_load_line(axes: Axes, point: OperatingPoint, *, supply: float, resistance: float) -> None:
    """Draw a load line [ohm] from the supply [V] through the operating point, with the small-signal numbers."""
    voltage = np.array([0.0, supply])
    axes.plot(voltage, 1e3 * (supply - voltage) / resistance, color=_LINE, linestyle="--", label="load line")
    words = (
        f"{point.anode_voltage:.0f} V, {1e3 * point.load_current:.3g} mA, grid {point.grid_voltage:.3g} V\n"
        f"gm {1e3 * point.gm:.3g} mS, ra {point.ra / 1e3:.3g} k, mu {point.mu:.3g}"
    )
    axes.plot(
        [point.anode_voltage], [1e3 * point.load_current], "s", color="black", markersize=7, zorder=6, label=words
    )
    axes.legend(fontsize=8, loc="upper right")


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
    return figure


def fit_figure(result: FitResult) -> Figure:
    """Draw the error of every number of a fit, calibrated and only checked ones apart.

    Parameters
    ----------
    result : FitResult
        Of :func:`simwrap.valves.fit_file`.
    """
    from matplotlib.figure import Figure as NewFigure

    shown = [r for r in result.residuals if np.isfinite(r.error)]
    figure = NewFigure(figsize=(8.0, 4.2), layout="constrained")
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
    _finish(axes, f"{result.numbers} numbers calibrate", "number", "law - given [%, distortion in points]")
    axes.legend(fontsize=8)
    return figure
