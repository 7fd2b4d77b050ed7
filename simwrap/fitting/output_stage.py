"""Quasi-static output stages: what a valve delivers through an ideal transformer into a resistive load.

No reactance anywhere: at each instant of the drive the valve currents are those of the static law, and the only
memory of the stage is in its averages (cathode bias and the transformer's magnetising current settle to the average
over a period). That is what a maker's table of "typical operation" describes, so a valve can be fitted on such
tables in milliseconds a row.

Assumptions, the same for every published row:

* the transformer is ideal: no winding resistance, no leakage, it passes no direct current;
* cathode resistors are bypassed by an infinite capacitor, so cathode voltage = resistance x average cathode current;
* screen resistors are not bypassed: the screen voltage follows the screen current at every instant;
* the drive is a stiff sinusoidal voltage at each grid (no grid current, no grid stopper);
* output power is the mean of v^2/R over a period: harmonics included, as a voltmeter of true-rms kind reads it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Law = Callable[[Array, Array, Array], tuple[Array, Array]]
"""law(anode_voltage, grid_voltage, screen_voltage) -> (anode current, screen current), to the cathode [V], [A]."""

__all__ = ["Law", "OutputStage", "StageResult", "five_point_harmonics", "harmonics_of", "solve_stage"]

PHASES = 48
HARMONICS = 10
SIGN = np.array([1.0, -1.0])[:, None]


@dataclass(frozen=True, kw_only=True)
class OutputStage:
    """Conditions of one output stage, or of many at once (every field broadcasts, shape S).

    Attributes
    ----------
    push_pull : bool
        Two valves in opposite phase, or one.
    supply : float
        Voltage at the transformer's feed point [V]: to the cathode at zero signal when `to_cathode`, else to ground.
    screen_supply : float
        Voltage behind the screen resistors [V], to the same reference. NaN = the same as `supply`.
    to_cathode : bool
        Published voltages are to the cathode: the zero-signal cathode voltage is then added to both supplies.
    screen_tap : float
        Share of the half primary at which the screen is connected: 0 pentode, 1 triode connection.
    load : float
        Anode load of a single valve, or anode-to-anode load of a pair [ohm].
    grid_bias : float
        Fixed bias [V], added to the bias by cathode resistor.
    cathode_resistor : float
        Cathode resistor of each valve [ohm]; a resistor shared by a pair counts double here. 0 = fixed bias.
    screen_resistor, common_screen_resistor : float
        Resistor in each screen lead, and one carrying the current of all screens [ohm].
    drive : float
        Drive at each grid, rms [V].
    """

    supply: ArrayLike
    load: ArrayLike
    push_pull: ArrayLike = False
    screen_supply: ArrayLike = np.nan
    to_cathode: ArrayLike = False
    screen_tap: ArrayLike = 0.0
    grid_bias: ArrayLike = 0.0
    cathode_resistor: ArrayLike = 0.0
    screen_resistor: ArrayLike = 0.0
    common_screen_resistor: ArrayLike = 0.0
    drive: ArrayLike = 0.0

    def arrays(self) -> dict[str, Array]:
        """Every field as a float array of the common shape S."""
        names = [field.name for field in fields(self)]
        values = np.broadcast_arrays(*[np.asarray(getattr(self, name), dtype=float) for name in names])
        return dict(zip(names, values, strict=True))

    @staticmethod
    def stack(stages: list[OutputStage]) -> OutputStage:
        """Several single stages as one object of shape (len(stages),)."""
        names = [field.name for field in fields(OutputStage)]
        return OutputStage(
            **{name: np.array([getattr(stage, name) for stage in stages], dtype=float) for name in names}
        )


@dataclass(frozen=True, kw_only=True)
class StageResult:
    """What the stage does; currents are sums over the stage's valves.

    Attributes
    ----------
    anode_current_zero_signal, screen_current_zero_signal : ndarray, shape S
        Without drive [A].
    anode_current, screen_current : ndarray, shape S
        Averages over a period at the drive [A].
    cathode_voltage_zero_signal, cathode_voltage : ndarray, shape S
        To ground [V].
    output_power : ndarray, shape S
        Mean of v^2/R [W], harmonics included.
    harmonics : ndarray, shape S + (10,)
        Output amplitudes of harmonics 1 to 10, signed [V across one anode's winding].
    thd : ndarray, shape S
        Root-sum-square of harmonics 2 to 10 over the fundamental [1].
    anode_voltage_min, grid_voltage_max : ndarray, shape S
        Extremes to the cathode over the period [V]; a grid above 0 V means that the stiff drive was a fiction.
    converged : ndarray of bool, shape S
        False where the equations were not met to 1e-6 of the supply.
    state : tuple
        Solution to start a similar problem from.
    """

    anode_current_zero_signal: Array
    screen_current_zero_signal: Array
    anode_current: Array
    screen_current: Array
    cathode_voltage_zero_signal: Array
    cathode_voltage: Array
    output_power: Array
    harmonics: Array
    thd: Array
    anode_voltage_min: Array
    grid_voltage_max: Array
    converged: NDArray[np.bool_]
    state: tuple[Any, ...]


def harmonics_of(wave: Array, *, count: int = HARMONICS) -> Array:
    """Signed amplitudes of harmonics 1 to `count` of samples at phases pi*(k+1/2)/N of an even function of phase.

    Parameters
    ----------
    wave : ndarray, shape (..., N)
    count : int
        Highest harmonic.

    Returns
    -------
    ndarray, shape (..., count)
    """
    number = wave.shape[-1]
    phase = np.pi * (np.arange(number) + 0.5) / number
    basis = np.cos(np.outer(phase, np.arange(1, count + 1))) * (2.0 / number)
    return np.asarray(wave @ basis)


def five_point_harmonics(currents: ArrayLike) -> Array:
    """Amplitudes B1 to B4 from the currents at drive +1, +1/2, 0, -1/2, -1 of the peak (Espley's five points).

    Source: D. C. Espley, Proc. IRE, 1933, as in Langford-Smith, *Radio Designer's Handbook*, 4th ed., ch. 13.
    """
    top, upper, rest, lower, bottom = np.asarray(currents, dtype=float)
    return np.array(
        [
            (top + upper - lower - bottom) / 3.0,
            (top - 2.0 * rest + bottom) / 4.0,
            (top - 2.0 * upper + 2.0 * lower - bottom) / 6.0,
            (top - 4.0 * upper + 6.0 * rest - 4.0 * lower + bottom) / 12.0,
        ]
    )


class _StageEquations:
    """Equations of the stages at given drive, in the form Newton's method wants them.

    Unknown at each phase: swing u of one anode's winding and both screen voltages to ground. Unknown once a stage:
    the average of the magnetising current (which the transformer takes off) and both cathode voltages.
    """

    def __init__(self, law: Law, given: dict[str, Array], batch: tuple[int, ...], phases: int, drive: bool) -> None:
        self.law = law
        pair = given["push_pull"] > 0.5
        self.on = np.stack([np.ones(pair.shape), pair.astype(float)], axis=-1)[..., None]
        self.resistance = np.where(pair, given["load"] / 4.0, given["load"])[..., None]
        self.tap = given["screen_tap"][..., None, None]
        self.supply, self.screen_supply = given["supply"], given["screen_supply"]
        self.separate = given["screen_resistor"][..., None, None]
        self.common = given["common_screen_resistor"][..., None, None]
        self.cathode = given["cathode_resistor"]
        self.bias = given["grid_bias"][..., None, None]
        phase = np.pi * (np.arange(phases) + 0.5) / phases
        peak = np.sqrt(2.0) * given["drive"][..., None, None] * (1.0 if drive else 0.0)
        self.wave = SIGN * np.cos(phase) * peak
        self.to_cathode = (given["to_cathode"] > 0.5)[..., None]
        self.floating = self.to_cathode[..., None] & (not drive)
        self.shape = batch + given["supply"].shape

    def evaluate(self, y: Array, g: Array) -> tuple[Array, Array, dict[str, Array]]:
        """Residuals at every phase (..., N, 3) and once a stage (..., 3), and what their derivatives are made of."""
        u, screens = y[..., None, :, 0], np.moveaxis(y[..., 1:], -1, -2)
        vk = g[..., 1:, None]
        # at zero signal a voltage "to the cathode" is just that; with drive the supplies stay where they were
        lift = np.where(self.floating, vk, 0.0)
        va = self.supply[..., None, None] + lift - SIGN * u - vk
        vs = screens - vk
        vg = self.bias + self.wave - vk
        ha, hs, hg = 1e-3, 1e-3, 1e-4
        ia, ig = self.law(
            np.stack([va, va + ha, va, va]), np.stack([vg, vg, vg, vg + hg]), np.stack([vs, vs, vs + hs, vs])
        )
        ia, ig = ia * self.on, ig * self.on
        net, cathode = ia + self.tap * ig, ia + ig
        part: dict[str, Array] = {"ia": ia[0], "ig": ig[0], "va": va, "vg": vg}
        for name, current in (("net", net), ("ig", ig), ("ik", cathode)):
            for axis, (j, step) in {"a": (1, ha), "s": (2, hs), "g": (3, hg)}.items():
                part[f"{name}_{axis}"] = (current[j] - current[0]) / step
        wanted = self.screen_supply[..., None, None] + lift - SIGN * self.tap * u - self.separate * ig[0]
        wanted = wanted - self.common * ig[0].sum(axis=-2, keepdims=True)
        flux = (SIGN * net[0]).sum(axis=-2)
        at_phase = np.empty(np.broadcast_shapes(y.shape, flux.shape + (3,)))
        at_phase[..., 0] = y[..., 0] - self.resistance * (flux - g[..., :1])
        at_phase[..., 1:] = np.moveaxis(screens - wanted, -2, -1)
        mean_cathode = cathode[0].mean(axis=-1)
        once = np.concatenate(
            [g[..., :1] - flux.mean(axis=-1)[..., None], g[..., 1:] - self.cathode[..., None] * mean_cathode], -1
        )
        return at_phase, once, part

    def step(self, at_phase: Array, once: Array, part: dict[str, Array]) -> tuple[Array, Array]:
        """Newton step: the phases are eliminated first, so that only three unknowns a stage are left."""
        own = np.zeros(at_phase.shape + (3,))  # d(equation at a phase)/d(unknown at that phase)
        border = np.zeros(at_phase.shape + (3,))  # d(equation at a phase)/d(unknown of the stage)
        row = np.zeros(at_phase.shape + (3,))  # d(equation of the stage)/d(unknown at a phase), to be averaged
        lifted = np.where(self.floating, 1.0, 0.0)

        def along(name: str) -> tuple[Array, Array, Array]:
            """Derivative of a current of each valve to u, to its screen, to its cathode voltage."""
            a, s, g = part[f"{name}_a"], part[f"{name}_s"], part[f"{name}_g"]
            return -SIGN * a, s, -(a * (1.0 - lifted) + s + g)

        net_u, net_s, net_k = along("net")
        own[..., 0, 0] = 1.0 - self.resistance * (SIGN * net_u).sum(axis=-2)
        border[..., 0, 0] = self.resistance
        row[..., 0, 0] = -(SIGN * net_u).sum(axis=-2)
        ig_u, ig_s, ig_k = along("ig")
        ik_u, ik_s, ik_k = along("ik")
        for v in (0, 1):
            sign = 1.0 - 2.0 * v
            own[..., 0, 1 + v] = -self.resistance * sign * net_s[..., v, :]
            border[..., 0, 1 + v] = -self.resistance * sign * net_k[..., v, :]
            row[..., 0, 1 + v] = -sign * net_s[..., v, :]
            own[..., 1 + v, 0] = sign * self.tap[..., 0] + self.separate[..., 0] * ig_u[..., v, :]
            own[..., 1 + v, 0] += self.common[..., 0] * ig_u.sum(axis=-2)
            own[..., 1 + v, 1 + v] = 1.0 + self.separate[..., 0] * ig_s[..., v, :]
            border[..., 1 + v, 1 + v] = self.separate[..., 0] * ig_k[..., v, :] - lifted[..., 0]
            for w in (0, 1):
                own[..., 1 + v, 1 + w] += self.common[..., 0] * ig_s[..., w, :]
                border[..., 1 + v, 1 + w] += self.common[..., 0] * ig_k[..., w, :]
            row[..., 1 + v, 0] = -self.cathode[..., None] * ik_u[..., v, :]
            row[..., 1 + v, 1 + v] = -self.cathode[..., None] * ik_s[..., v, :]
        solved = np.linalg.solve(own, np.concatenate([-at_phase[..., None], -border], axis=-1))
        still, moved = solved[..., 0], solved[..., 1:]
        corner = np.zeros(once.shape + (3,))
        corner[..., 0, 0] = 1.0
        for v in (0, 1):
            sign = 1.0 - 2.0 * v
            corner[..., 0, 1 + v] = -sign * net_k[..., v, :].mean(axis=-1)
            corner[..., 1 + v, 1 + v] = 1.0 - self.cathode * ik_k[..., v, :].mean(axis=-1)
        corner = corner + np.mean(row @ moved, axis=-3)
        right = -once - np.mean(row @ still[..., None], axis=-3)[..., 0]
        dg = np.linalg.solve(corner, right[..., None])[..., 0]
        return still + (moved @ dg[..., None, :, None])[..., 0], dg

    def start(self, phases: int, zero: tuple[Array, Array] | None) -> tuple[Array, Array]:
        """A first guess: no swing, and the averages of the zero-signal solution or none."""
        y = np.zeros(self.shape + (phases, 3))
        g = np.zeros(self.shape + (3,))
        if zero is None:
            g[..., 1:] = np.where(self.cathode > 0, 0.05 * self.supply, 0.0)[..., None]
            y[..., 1:] = self.screen_supply[..., None, None] + np.where(self.floating, g[..., None, 1:], 0.0)
        else:
            y[...] = zero[0]
            g[...] = zero[1]
        return y, g

    def solve(self, y: Array, g: Array, *, limit: int = 60) -> tuple[Array, Array, dict[str, Array], Array]:
        """Newton with the step cut back, stage by stage, where it does not bring the equations closer."""
        scale = self.supply[..., None, None]

        def badness(at_phase: Array, once: Array) -> Array:
            size = np.abs(at_phase / scale).max(axis=(-1, -2))
            cathode = np.abs(once[..., 1:] / self.supply[..., None]).max(axis=-1)
            flux = np.abs(once[..., 0] * self.resistance[..., 0] / self.supply)
            return np.asarray(np.maximum(size, np.maximum(cathode, flux)))

        at_phase, once, part = self.evaluate(y, g)
        bad = badness(at_phase, once)
        share = np.ones(bad.shape)
        polished = False
        for _ in range(limit):
            if np.all(bad < 1e-9):
                if polished:
                    break
                polished = True
            dy, dg = self.step(at_phase, once, part)
            room = 0.35 * self.supply
            with np.errstate(divide="ignore"):
                cap = np.minimum(1.0, room / np.maximum(np.abs(dy).max(axis=(-1, -2)), 1e-300))
            taken = np.minimum(share, cap)
            for _ in range(4):
                y_new = y + taken[..., None, None] * dy
                g_new = g + taken[..., None] * dg
                trial = self.evaluate(y_new, g_new)
                worse = badness(trial[0], trial[1]) > bad * 1.05 + 1e-12
                if not worse.any():
                    break
                taken = np.where(worse, taken * 0.4, taken)
            share = np.minimum(1.0, np.where(taken < cap, taken * 2.0, 1.0))
            y, g = y_new, g_new
            at_phase, once, part = trial
            bad = badness(at_phase, once)
        return y, g, part, bad


def solve_stage(
    law: Law, stage: OutputStage, *, phases: int = PHASES, start: tuple[Any, ...] | None = None
) -> StageResult:
    """Zero-signal and driven state of one or many output stages.

    Parameters
    ----------
    law : callable
        law(anode_voltage, grid_voltage, screen_voltage) -> (anode_current, screen_current), to the cathode [V], [A];
        called with arrays whose last two axes are (valve of the pair, phase), before them the stages' axes, before
        them whatever the law adds (a batch of constants), before all an axis of 4. A triode ignores the screen and
        returns zeros for it.
    stage : OutputStage
        Conditions, shape S.
    phases : int
        Samples over half a period (the other half mirrors it).
    start : tuple, optional
        `state` of an earlier result of the same shape (or one that broadcasts), to start from.

    Returns
    -------
    StageResult
        Arrays of shape batch + S.
    """
    given = stage.arrays()
    given["screen_supply"] = np.where(np.isnan(given["screen_supply"]), given["supply"], given["screen_supply"])
    probe = np.ones(given["supply"].shape + (2, 1))
    batch_shape = np.shape(law(100.0 * probe, -10.0 * probe, 100.0 * probe)[0])
    batch = batch_shape[: len(batch_shape) - probe.ndim]
    rest = _StageEquations(law, given, batch, 1, False)
    y0, g0, part0, bad0 = rest.solve(*rest.start(1, start[0] if start else None))
    ia0, ig0 = part0["ia"].sum(axis=(-1, -2)), part0["ig"].sum(axis=(-1, -2))
    driven = dict(given)
    lift = np.where(given["to_cathode"] > 0.5, g0[..., 1], 0.0)
    driven["supply"], driven["screen_supply"] = given["supply"] + lift, given["screen_supply"] + lift
    with_drive = _StageEquations(law, driven, batch, phases, True)
    with_drive.shape = rest.shape
    guess = start[1] if start else (np.repeat(y0, phases, axis=-2), g0)
    y, g, part, bad = with_drive.solve(*with_drive.start(phases, guess))
    u = y[..., 0]
    harmonic = harmonics_of(u)
    power = np.mean(u**2, axis=-1) / with_drive.resistance[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        thd = np.sqrt((harmonic[..., 1:] ** 2).sum(axis=-1)) / np.abs(harmonic[..., 0])
    used = np.broadcast_to(with_drive.on > 0.5, part["va"].shape)
    return StageResult(
        anode_current_zero_signal=ia0,
        screen_current_zero_signal=ig0,
        anode_current=part["ia"].mean(axis=-1).sum(axis=-1),
        screen_current=part["ig"].mean(axis=-1).sum(axis=-1),
        cathode_voltage_zero_signal=g0[..., 1],
        cathode_voltage=g[..., 1],
        output_power=power,
        harmonics=harmonic,
        thd=thd,
        anode_voltage_min=np.where(used, part["va"], np.inf).min(axis=(-1, -2)),
        grid_voltage_max=np.where(used, part["vg"], -np.inf).max(axis=(-1, -2)),
        converged=np.maximum(bad0, bad) < 1e-6,
        state=((y0, g0), (y, g)),
    )
