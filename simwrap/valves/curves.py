"""Families of curves of a valve as arrays: anode, transfer, triode-connected and ultra-linear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simwrap.errors import InputError, RangeError
from simwrap.valves.schema import Point
from simwrap.valves.valve import Valve

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Family:
    """Curves of one kind.

    Attributes
    ----------
    x : ndarray, shape (samples,)
        Anode voltage (grid voltage for transfer curves) [V].
    parameter : ndarray, shape (curves,)
        Grid voltage (anode voltage for transfer curves) of each curve [V].
    current : ndarray, shape (curves, samples)
        Anode current [A]; with a tap the current of the whole winding.
    screen_current : ndarray, shape (curves, samples)
        Screen current [A]; zeros without a screen.
    """

    x: Array
    parameter: Array
    current: Array
    screen_current: Array


def round_steps(largest: float, count: int = 8) -> float:
    """Return the 1, 2, 2.5 or 5 times a power of ten that divides ``largest`` into about ``count`` steps."""
    raw = max(largest, 1e-9) / count
    unit = 10.0 ** np.floor(np.log10(raw))
    return float(min((m * unit for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * unit >= raw * 0.999), default=10 * unit))


def usual_anode_voltage(valve: Valve) -> float:
    """Return the largest anode voltage [V] of a picture: somewhat above the rating, or the published points."""
    published = [p.anode_voltage for p in valve.points if p.anode_voltage]
    rating = valve.ratings.anode_voltage_max or 300.0
    most = max([*published, min(rating, 1.3 * max(published, default=rating))])
    return float(np.ceil(1.25 * most / 50.0) * 50.0)


def usual_screen_voltage(valve: Valve) -> float | None:
    """Return the screen voltage [V] of most published points, None for a triode."""
    if valve.kind != "pentode":
        return None
    known = [p.screen_voltage for p in valve.points if p.screen_voltage and p.connection == "normal"]
    if known:
        return float(max(known, key=lambda voltage: (known.count(voltage), voltage)))
    return valve.ratings.screen_voltage_max or 200.0


def grid_voltage_of(row: Point) -> float | None:
    """Return the grid voltage [V] of a published point: printed, or the printed currents in the cathode resistor."""
    if row.grid_voltage is not None or row.cathode_resistor is None or row.anode_current is None:
        return row.grid_voltage
    return -(row.anode_current + (row.screen_current or 0.0)) * row.cathode_resistor


def round_grid_voltages(valve: Valve, screen_voltage: float | None = None) -> Array:
    """Return round grid voltages from 0 to near cut-off at the usual anode voltage [V]."""
    anode = usual_anode_voltage(valve)
    screen = anode if screen_voltage is None else screen_voltage
    grid = -np.linspace(0.0, 200.0, 2001)
    current = valve.currents(anode, grid, screen).anode
    cut_off = -float(grid[np.argmax(current < 0.02 * current[0])] or -200.0)
    step = round_steps(cut_off, 9)
    return np.asarray(0.0 - step * np.arange(int(np.ceil(cut_off / step)) + 1))


def usual_grid_voltages(valve: Valve, screen_voltage: float | None = None, tap: float = 0.0) -> Array:
    """Return grid voltages [V] for an anode family: those of published curves, or else round ones.

    ``screen_voltage`` [V] is a pentode's, None with a ``tap``.
    """
    connection = "triode-connected" if tap == 1.0 else "normal" if tap == 0.0 else "ultra-linear"
    read = {
        p.grid_voltage
        for p in valve.points
        if p.reading_error and p.anode_current and p.connection == connection
        and (screen_voltage is None or p.screen_voltage == screen_voltage)
        and p.grid_voltage is not None
    }  # fmt: skip
    return np.asarray(sorted(read, reverse=True)) if len(read) >= 4 else round_grid_voltages(valve, screen_voltage)


def anode_family(
    valve: Valve,
    *,
    anode_voltage: ArrayLike | None = None,
    grid_voltage: ArrayLike | None = None,
    screen_voltage: float | None = None,
    tap: float = 0.0,
    screen_supply: float | None = None,
) -> Family:
    """Return anode characteristics.

    Parameters
    ----------
    valve : Valve
        A triode or pentode.
    anode_voltage, grid_voltage : array_like, optional
        Samples along each curve, and one grid voltage a curve [V].
    screen_voltage : float, optional
        Fixed screen voltage of a pentode [V]; the usual one otherwise.
    tap : float
        1: triode-connected. Between: ultra-linear, the screen moves by ``tap`` times the anode's
        distance from ``screen_supply`` [V], and the current is that of the whole winding.
    screen_supply : float, optional
        Zero-signal voltage of anode and screen for ultra-linear curves [V].
    """
    if valve.kind == "rectifier":
        raise InputError(f"{valve.name}: a rectifier has one curve; see drop_curve")
    if tap and valve.kind != "pentode":
        raise InputError(f"{valve.name}: only a pentode can be triode-connected or ultra-linear")
    x = np.linspace(0.0, usual_anode_voltage(valve), 401) if anode_voltage is None else np.asarray(anode_voltage, float)
    fixed = usual_screen_voltage(valve) if screen_voltage is None else screen_voltage
    supply = screen_supply if screen_supply is not None else (fixed if fixed is not None else 0.0)
    screen = None if valve.kind != "pentode" else supply + tap * (x - supply) if tap else np.full_like(x, fixed or 0.0)
    usual = usual_grid_voltages(valve, fixed if not tap else None, tap)
    grid = usual if grid_voltage is None else np.atleast_1d(np.asarray(grid_voltage, dtype=float))
    flow = valve.currents(x, grid[:, None], screen)
    return Family(x, grid, flow.anode + tap * flow.screen, flow.screen)


def transfer_family(
    valve: Valve, *, grid_voltage: ArrayLike | None = None, voltages: Sequence[float] | None = None
) -> Family:
    """Return transfer characteristics: anode current over grid voltage.

    ``voltages`` [V] are the anode's of a triode, the screen's of a pentode (its anode then stays
    at the usual voltage).
    """
    usual = usual_screen_voltage(valve)
    top = usual_anode_voltage(valve) / 1.25
    if voltages is None:
        # Those of published points, so that these can be drawn in, and round ones for the rest.
        rows = [p for p in valve.points if p.connection == "normal" and p.anode_current]
        printed = {p.anode_voltage if usual is None else p.screen_voltage for p in rows}
        known = [float(voltage) for voltage in printed if voltage is not None]
        apart = 0.12 * (usual or top)
        shares = (0.4, 0.6, 0.8, 1.0, 1.2) if len(known) < 5 else ()
        round_ones = [round(f * (usual or top) / 5) * 5.0 for f in shares]
        voltages = sorted([*known, *(v for v in round_ones if all(abs(v - k) > apart for k in known))])
    parameter = np.asarray(voltages, dtype=float)
    grids = round_grid_voltages(valve, usual)
    x = np.linspace(grids[-1], 0.0, 301) if grid_voltage is None else np.asarray(grid_voltage, dtype=float)
    flow = valve.currents(parameter[:, None], x) if usual is None else valve.currents(top, x, parameter[:, None])
    return Family(x, parameter, flow.anode, flow.screen)


def drop_curve(valve: Valve) -> tuple[Array, Array]:
    """Return (drop [V], current [A]) of one anode of a rectifier, up to its peak current."""
    peak = valve.ratings.peak_current_max or 1.0
    top = 1.0
    while valve.currents(top).anode < peak and top < 500.0:
        top *= 1.1
    drop = np.linspace(0.0, top, 301)
    return drop, valve.currents(drop).anode


def dissipation_hyperbola(valve: Valve, anode_voltage: ArrayLike) -> Array | None:
    """Return the current [A] at which the anode dissipates its rating, None where none is known."""
    if valve.ratings.anode_dissipation_max is None:
        return None
    with np.errstate(divide="ignore"):
        return np.asarray(valve.ratings.anode_dissipation_max / np.asarray(anode_voltage, dtype=float))


@dataclass(frozen=True)
class OperatingPoint:
    """Where a load line with cathode bias meets the curves; voltages [V] to the cathode, currents [A].

    ``load_current`` is that through the load: the anode's, and the tapped part of the screen's. gm, ra and mu are
    those of the load current.
    """

    anode_voltage: float
    grid_voltage: float
    screen_voltage: float | None
    anode_current: float
    screen_current: float
    load_current: float
    gm: float
    ra: float
    mu: float
    anode_dissipation: float


def operating_point(
    valve: Valve,
    *,
    supply: float,
    anode_resistor: float,
    cathode_resistor: float = 0.0,
    grid_voltage: float = 0.0,
    screen_voltage: float | None = None,
    tap: float = 0.0,
) -> OperatingPoint:
    """Return the operating point of a resistance-loaded valve.

    Parameters
    ----------
    valve : Valve
        A triode or pentode.
    supply : float
        To ground [V].
    anode_resistor, cathode_resistor : float
        [ohm].
    grid_voltage : float
        Of the grid to ground [V]; negative for fixed bias.
    screen_voltage : float, optional
        To the cathode [V]; a pentode's usual one otherwise. With a tap, as ``screen_supply`` of
        :func:`anode_family`.
    tap : float
        1: triode-connected; between 0 and 1: ultra-linear.

    Raises
    ------
    InputError
        For a resistance below 0, a supply or an anode resistor that isn't above 0.
    """
    for name, value, least in (("supply", supply, "above 0 V"), ("anode_resistor", anode_resistor, "above 0 ohm")):
        if not value > 0:
            raise RangeError(name, value, least)
    if not cathode_resistor >= 0:
        raise RangeError("cathode_resistor", cathode_resistor, "0 ohm or above")
    fixed = usual_screen_voltage(valve) if screen_voltage is None else screen_voltage
    line = _LoadLine(valve, supply, anode_resistor, cathode_resistor, grid_voltage, fixed, tap)
    anode, grid, screen = line.voltages()
    flow, slopes = valve.currents(anode, grid, screen), valve.small_signal(anode, grid, screen, tap=tap)
    anode_current, screen_current = float(flow.anode), float(flow.screen)
    return OperatingPoint(
        anode, grid, screen, anode_current, screen_current, anode_current + tap * screen_current,
        float(slopes.gm), float(slopes.ra), float(slopes.mu), anode * anode_current,
    )  # fmt: skip


@dataclass(frozen=True)
class _LoadLine:
    """A valve on a load line; as :func:`operating_point` names it, ``screen`` being the screen's voltage at rest."""

    valve: Valve
    supply: float
    anode_resistor: float
    cathode_resistor: float
    grid_voltage: float
    screen: float | None
    tap: float

    def screen_at(self, anode: float) -> float | None:
        return None if self.screen is None else self.screen + self.tap * (anode - self.screen)

    def at(self, cathode: float) -> tuple[float, float]:
        """Return anode voltage and cathode current for a cathode voltage."""
        from scipy.optimize import brentq

        def flow(anode: float) -> tuple[float, float]:
            found = self.valve.currents(anode, self.grid_voltage - cathode, self.screen_at(anode))
            return float(found.anode), float(found.screen)

        def miss(anode: float) -> float:
            anode_current, screen_current = flow(anode)
            return self.supply - cathode - anode - self.anode_resistor * (anode_current + self.tap * screen_current)

        low, high = -1.0, max(self.supply - cathode, 0.0) + 1.0
        anode = float(brentq(miss, low, high, xtol=1e-9)) if miss(low) > 0 > miss(high) else 0.0
        return anode, sum(flow(anode))

    def voltages(self) -> tuple[float, float, float | None]:
        """Return the voltages of anode, grid and screen to the cathode."""
        from scipy.optimize import brentq

        def excess(current: float) -> float:
            return self.at(current * self.cathode_resistor)[1] - current

        most = self.at(0.0)[1]
        current = float(brentq(excess, 0.0, most + 1e-12, xtol=1e-15)) if self.cathode_resistor else most
        cathode = current * self.cathode_resistor
        anode = self.at(cathode)[0]
        return anode, self.grid_voltage - cathode, self.screen_at(anode)
