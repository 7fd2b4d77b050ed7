"""Published rows as numbers that a law can be held to.

Each row set lists its :class:`Number` s and predicts all of them for a whole batch of constants at
once: every field of the constants is then an array of shape (batch, 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from simwrap.valves import laws
from simwrap.valves.schema import CUT_OFF, Chart, Point, Use

Array = NDArray[np.float64]

#: How much a row counts, by how well it is known.
GRADE_WEIGHT = {"high": 1.0, "med": 0.5, "low": 0.25}

#: The same for charts, whose rounding to whole numbers is in sigma already. Each row counts twice: they are few beside
#: the points of curves, of which a whole family is off by the same few percent.
CHART_WEIGHT = {"high": 2.0, "med": 1.6, "low": 0.8}

#: Numbers of a point that a law can be held to.
POINT_NUMBERS = ("anode_current", "screen_current", "grid_current", "gm", "ra", "mu", "screen_mu")

_STEP = 1e-30


@dataclass(frozen=True)
class Number:
    """One published number.

    ``sigma`` is relative for ``scale`` "log", absolute for "points" (distortion in percent); ``reading_error`` is
    that of a curve it was read off (relative), else None.
    """

    row: str
    label: str
    quantity: str
    published: float
    sigma: float
    use: Use
    weight: float = 1.0
    scale: str = "log"
    reading_error: float | None = None

    @property
    def unit(self) -> str:
        """Unit of the published number."""
        return {"gm": "S", "ra": "ohm", "gain": "", "mu": "", "screen_mu": "", "distortion": "%", "power": "W"}.get(
            self.quantity, "A"
        )


class RowSet(Protocol):
    """Rows of one kind."""

    numbers: list[Number]

    def predict(self, constants: laws.Constants) -> Array:
        """Return what the law gives for each number, shape (batch, numbers); NaN where it can't."""
        ...


def in_batch(constants: laws.Constants) -> laws.Constants:
    """Return constants whose fields are arrays of shape (batch, 1)."""
    columns: dict[str, Any] = {}
    for field in fields(constants):
        value = np.atleast_1d(getattr(constants, field.name))
        columns[field.name] = value.reshape(len(value), 1)
    return type(constants)(**columns)


def reshaped(constants: laws.Constants, dimensions: int) -> laws.Constants:
    """Return batch constants with ``dimensions`` axes after the batch axis."""
    columns: dict[str, Any] = {
        field.name: np.reshape(getattr(constants, field.name), (-1,) + (1,) * dimensions) for field in fields(constants)
    }
    return type(constants)(**columns)


def slopes(constants: laws.Constants, anode: Any, grid: Any, screen: Any, wanted: str = "ags") -> dict[str, Any]:
    """Return currents [A] and their derivatives by complex step to the electrodes ``wanted``.

    Keys: ``ia``, ``ig``, ``ig2``, ``ia_a``, ``ia_g``, ``ia_s``, ``ig2_a``, ``ig2_g``, ``ig2_s``.
    """
    found: dict[str, Any] = {}
    directions = {"a": (1, 0, 0), "g": (0, 1, 0), "s": (0, 0, 1)}
    if not isinstance(constants, laws.PentodeConstants):
        del directions["s"]
    for name, (da, dg, ds) in directions.items():
        if name not in wanted:
            continue
        ma = laws.evaluate(
            constants, anode + 1j * da * _STEP, grid + 1j * dg * _STEP, screen + 1j * ds * _STEP, 1.0, 1.0
        )
        for current, value in (("ia", ma.anode), ("ig2", ma.screen)):
            if value is not None:
                found.setdefault(current, 1e-3 * np.real(value))
                found[f"{current}_{name}"] = np.imag(value) * (1e-3 / _STEP)
    found["ig"] = 1e-3 * np.real(ma.grid)
    for missing in ("ig2", "ia_s", "ig2_a", "ig2_g", "ig2_s"):
        found.setdefault(missing, np.zeros_like(found["ia"]))
    return found


def _column(rows: Sequence[Any], name: str) -> Array:
    return np.array([np.nan if (value := getattr(row, name)) is None else value for row in rows], dtype=float)


class PointRows:
    """Points of the characteristics."""

    def __init__(self, rows: Sequence[Point], kind: str) -> None:
        self.kind = kind
        self.numbers: list[Number] = []
        self._index: list[int] = []
        for index, row in enumerate(rows):
            for quantity in POINT_NUMBERS:
                published = getattr(row, quantity)
                if published is not None and not self._is_given(row, quantity):
                    self.numbers.append(self._number(index, row, quantity, published))
                    self._index.append(index)
        anode, grid, screen = (_column(rows, f"{name}_voltage") for name in ("anode", "grid", "screen"))
        current = _column(rows, "anode_current")
        resistor = _column(rows, "cathode_resistor")
        self._cathode_bias = np.isnan(grid) & ~np.isnan(resistor)
        self._resistor = np.nan_to_num(resistor)
        joined = np.array([row.connection == "triode-connected" for row in rows], dtype=bool)
        screen = np.where(joined | (kind != "pentode"), anode, screen)
        if kind == "rectifier":
            grid = np.zeros_like(anode)
        self._anode, self._grid, self._screen = anode, grid, screen
        self._tap = joined.astype(float)
        self._current = current

    def _is_given(self, row: Point, quantity: str) -> bool:
        """Whether the anode current only says where on the curve an amplification factor was read."""
        return (
            quantity == "anode_current"
            and self.kind != "rectifier"
            and row.grid_voltage is None
            and row.cathode_resistor is None
        )

    def _number(self, index: int, row: Point, quantity: str, published: float) -> Number:
        cut_off = quantity == "anode_current" and published < CUT_OFF
        pentode = self.kind == "pentode" and row.connection == "normal"
        joined = row.connection == "triode-connected"
        # Around a megohm ra is printed to one digit.
        ra_of_pentode = 0.12 if published > 2e5 else 0.05
        sigma = {
            "anode_current": 0.08 if cut_off else 0.02,
            "screen_current": 0.08,
            "grid_current": 0.08,
            "gm": 0.03,
            "ra": ra_of_pentode if pentode else 0.05 if joined else 0.03,
            "mu": 0.035,
            "screen_mu": 0.04,
        }[quantity]
        sigma = sigma if row.reading_error is None else max(row.reading_error, 0.02)
        where = [f"{row.anode_voltage:g} V" if row.anode_voltage is not None else ""]
        where += [f"g2 {row.screen_voltage:g} V" if pentode and row.screen_voltage is not None else ""]
        where += [f"{row.grid_voltage:g} V" if row.grid_voltage is not None else ""]
        where += [f"{row.cathode_resistor:g} ohm" if row.cathode_resistor is not None else ""]
        where += ["triode-connected" if joined else ""]
        return Number(
            f"points[{index}]",
            ", ".join(text for text in where if text) or "no voltages",
            quantity,
            published,
            sigma,
            "contradicts" if quantity in row.contradicts else row.use,
            GRADE_WEIGHT[row.grade],
            reading_error=row.reading_error,
        )

    def predict(self, constants: laws.Constants) -> Array:
        """See :class:`RowSet`."""
        with np.errstate(invalid="ignore", divide="ignore"):
            grid = np.where(
                np.isnan(self._grid) & ~np.isnan(self._current) & ~np.isnan(self._anode),
                self._grid_for(constants),
                self._grid,
            )
            if self._cathode_bias.any():
                grid = np.where(self._cathode_bias, self._biased(constants), grid)
            at = slopes(constants, self._anode, grid, self._screen)
            tap = self._tap
            gm = at["ia_g"] + tap * at["ig2_g"]
            with_screen = np.where(at["ia_s"] > 0, at["ia_s"], np.nan)
            conductance = at["ia_a"] + tap * (at["ia_s"] + at["ig2_a"] + at["ig2_s"])
            values = {
                "anode_current": at["ia"] + tap * at["ig2"],
                "screen_current": at["ig2"],
                "grid_current": at["ig"],
                "gm": gm,
                "ra": 1.0 / conductance,
                "mu": gm / conductance,
                "screen_mu": at["ia_g"] / with_screen,
            }
        return np.stack(
            [values[number.quantity][:, i] for number, i in zip(self.numbers, self._index, strict=True)], axis=-1
        )

    def _biased(self, constants: laws.Constants) -> Array:
        """Return the grid voltage that the cathode resistor gives, by bisection: the current falls with the bias."""
        shape = np.broadcast_shapes(np.shape(constants.perveance), self._anode.shape)
        low, high = np.full(shape, -150.0), np.zeros(shape)
        for _ in range(60):
            middle = 0.5 * (low + high)
            ma = laws.evaluate(constants, self._anode, middle, self._screen, 1.0, 1.0)
            total = 1e-3 * (ma.anode if ma.screen is None else ma.anode + ma.screen)
            over = total * self._resistor > -middle
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        return np.asarray(0.5 * (low + high))

    def _grid_for(self, constants: laws.Constants) -> Array:
        """Return the grid voltage at which the published anode current flows, by bisection."""
        shape = np.broadcast_shapes(np.shape(constants.perveance), self._anode.shape)
        low, high = np.full(shape, -150.0), np.full(shape, 5.0)
        if not np.any(np.isnan(self._grid) & ~np.isnan(self._current) & ~np.isnan(self._anode)):
            return low
        for _ in range(60):
            middle = 0.5 * (low + high)
            ma = laws.evaluate(constants, self._anode, middle, self._screen, 1.0, 1.0)
            total = 1e-3 * (ma.anode if ma.screen is None else ma.anode + self._tap * ma.screen)
            over = total > self._current
            high, low = np.where(over, middle, high), np.where(over, low, middle)
        return np.asarray(0.5 * (low + high))


class ChartRows:
    """Rows of resistance-coupled charts: grid at 0 V, cathode and screen bypassed, no grid current.

    Gain is for a small signal at mid-band into the next valve's grid leak.
    """

    def __init__(self, rows: Sequence[Chart], kind: str) -> None:
        self.kind = kind
        self.numbers: list[Number] = []
        self._index: list[int] = []
        for index, row in enumerate(rows):
            for quantity in ("gain", "anode_current", "cathode_current", "distortion"):
                published = getattr(row, quantity)
                if published is None or (quantity == "distortion" and (kind != "triode" or row.output is None)):
                    continue
                sigma = {
                    "gain": float(np.hypot(0.02, 0.29 * row.gain_step / (row.gain or 1.0))),
                    "anode_current": 0.025,
                    "cathode_current": 0.025,
                    "distortion": 0.2 + 0.1 * (row.distortion or 0.0),
                }[quantity]
                label = f"{row.supply:g} V, {row.anode_resistor / 1e3:g} k, {row.cathode_resistor:g} ohm"
                label += f", {row.next_grid_leak / 1e3:g} k" if row.next_grid_leak else ""
                scale = "points" if quantity == "distortion" else "log"
                self.numbers.append(
                    Number(
                        f"charts[{index}]",
                        label,
                        quantity,
                        published,
                        sigma,
                        "contradicts" if quantity in row.contradicts else row.use,
                        CHART_WEIGHT[row.grade],
                        scale,
                    )
                )
                self._index.append(index)
        self.supply, self.ra, self.rk = (_column(rows, n) for n in ("supply", "anode_resistor", "cathode_resistor"))
        leak = _column(rows, "next_grid_leak")
        self.load = np.where(np.isnan(leak), self.ra, self.ra * leak / (self.ra + leak))
        self.rs = _column(rows, "screen_resistor")
        rms = np.array([1.0 if row.output_kind == "rms" else np.sqrt(0.5) for row in rows])
        self._output = _column(rows, "output") * rms
        self._distorted = np.array([row.distortion is not None and row.output is not None for row in rows], dtype=bool)

    def predict(self, constants: laws.Constants) -> Array:
        """See :class:`RowSet`."""
        at = self._pentode_point(constants) if self.kind == "pentode" else self._triode_point(constants)
        anode_resistance = 1.0 / at["ia_a"]
        values = {
            "anode_current": at["ia"],
            "cathode_current": at["ia"] + at["ig2"],
            "gain": at["ia_g"] * anode_resistance * self.load / (anode_resistance + self.load),
            "distortion": np.full(at["ia"].shape, np.nan),
        }
        if self.kind == "triode" and self._distorted.any():
            values["distortion"][:, self._distorted] = self._distortion(constants, at)
        return np.stack(
            [values[number.quantity][:, i] for number, i in zip(self.numbers, self._index, strict=True)], axis=-1
        )

    def _triode_point(self, constants: laws.Constants) -> dict[str, Any]:
        """Solve for the cathode voltage; the law's current falls with it, so a bracket always holds."""
        shape = np.broadcast_shapes(np.shape(constants.perveance), self.supply.shape)
        low = np.zeros(shape)
        high = np.broadcast_to(self.supply * self.rk / (self.rk + self.ra), shape).copy()
        vk = 0.05 * high
        for _ in range(80):
            anode = self.supply - vk * (1.0 + self.ra / self.rk)
            at = slopes(constants, anode, -vk, 0.0)
            excess = at["ia"] - vk / self.rk
            low, high = np.where(excess > 0, vk, low), np.where(excess > 0, high, vk)
            step = excess / (at["ia_a"] * (1.0 + self.ra / self.rk) + at["ia_g"] + 1.0 / self.rk)
            new = vk + step
            new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
            settled = np.all(np.abs(new - vk) < 1e-8 * (1.0 + vk))
            vk = new
            if settled:
                break  # Newton: the last step left an error of its square
        anode = self.supply - vk * (1.0 + self.ra / self.rk)
        at = slopes(constants, anode, -vk, 0.0)
        at["vk"], at["anode"] = vk, anode
        return at

    def _pentode_point(self, constants: laws.Constants) -> dict[str, Any]:
        """Solve for anode, screen and cathode voltages (to ground) by Newton with limited steps."""
        shape = np.broadcast_shapes(np.shape(constants.perveance), self.supply.shape)
        v = np.broadcast_to(np.stack([0.4 * self.supply, 0.25 * self.supply, 0.005 * self.supply], -1), (*shape, 3))
        v = v.copy()
        for _ in range(100):
            at = slopes(constants, v[..., 0] - v[..., 2], -v[..., 2], v[..., 1] - v[..., 2])
            total = {name: at[f"ia{name}"] + at[f"ig2{name}"] for name in ("", "_a", "_g", "_s")}
            residual = np.stack(
                [
                    v[..., 0] - self.supply + self.ra * at["ia"],
                    v[..., 1] - self.supply + self.rs * at["ig2"],
                    v[..., 2] - self.rk * total[""],
                ],
                -1,
            )
            jacobian = np.zeros((*shape, 3, 3))
            for row, (resistor, sign, part) in enumerate(
                (
                    (self.ra, 1.0, [at["ia_a"], at["ia_s"], at["ia_g"]]),
                    (self.rs, 1.0, [at["ig2_a"], at["ig2_s"], at["ig2_g"]]),
                    (self.rk, -1.0, [total["_a"], total["_s"], total["_g"]]),
                )
            ):
                factor = sign * resistor
                jacobian[..., row, 0] = factor * part[0]
                jacobian[..., row, 1] = factor * part[1]
                jacobian[..., row, 2] = -factor * (part[0] + part[1] + part[2])
                jacobian[..., row, row] += 1.0
            step = np.linalg.solve(jacobian, -residual[..., None])[..., 0]
            limit = np.stack([0.2 * self.supply, 0.1 * self.supply, 0.01 * self.supply], -1)
            scale = np.minimum(1.0, 1.0 / np.maximum(np.max(np.abs(step) / limit, -1), 1e-300))
            v = v + scale[..., None] * step
            if np.all(np.abs(step) < 1e-8 * (1.0 + np.abs(v))):
                break
        at = slopes(constants, v[..., 0] - v[..., 2], -v[..., 2], v[..., 1] - v[..., 2])
        at["vk"], at["anode"] = v[..., 2], v[..., 0] - v[..., 2]
        return at

    def _distortion(self, constants: laws.Constants, at: dict[str, Any], phases: int = 32) -> Array:
        """Return total harmonic distortion [%] at the printed output, capacitors holding their mean voltage."""
        pick = self._distorted
        c = reshaped(constants, 2)
        supply, ra, rk, load = (x[pick][:, None] for x in (self.supply, self.ra, self.rk, self.load))
        wave = np.cos(np.pi * (np.arange(phases) + 0.5) / phases)
        target = np.sqrt(2.0) * self._output[pick]
        resistance = 1.0 / at["ia_a"][:, pick]
        gain = at["ia_g"][:, pick] * resistance * load[:, 0] / (resistance + load[:, 0])
        mu = at["ia_g"][:, pick] * resistance
        feedback = (mu * rk[:, 0] + ra[:, 0] + rk[:, 0] - load[:, 0]) / (resistance + load[:, 0])
        mean = at["ia"][:, pick]
        amplitude = target / gain
        anode = at["anode"][:, pick][..., None] - target[:, None] * wave
        angle = np.arccos(wave)
        basis = np.cos(np.outer(angle, np.arange(1, 8))) * (2.0 / phases)
        for _ in range(60):
            # One Newton step of every sample, then amplitude and mean current follow.
            grid = amplitude[..., None] * wave - mean[..., None] * rk
            level = supply - (ra + rk - load) * mean[..., None]
            now = slopes(c, anode, grid, 0.0, "a")
            step = (level - anode - load * now["ia"]) / (1.0 + load * now["ia_a"])
            anode = anode + np.clip(step, -60.0, 60.0)
            harmonics = anode @ basis
            found = np.abs(harmonics[..., 0])
            change = (now["ia"] + now["ia_a"] * step).mean(-1) - mean
            mean = mean + change / (1.0 + feedback)
            ratio = target / found
            amplitude = amplitude * np.clip(ratio, 0.7, 1.4)
            if max(np.max(np.abs(step)) * 1e-2, np.max(np.abs(ratio - 1)), np.max(np.abs(change / mean))) < 1e-11:
                break
        return np.asarray(100.0 * np.sqrt(np.sum(harmonics[..., 1:] ** 2, axis=-1)) / found)
