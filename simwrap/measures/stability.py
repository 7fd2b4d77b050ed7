"""Feedback: loop gain, margins, and whether the circuit stays at rest, with any load."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np

from simwrap.findings.finding import Finding
from simwrap.measures.common import Array, Floats, StageLike, axis, decibels, divide, scalar, vector, wanted
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import Option, PerDecade, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Poles, Result, Variable

#: Capacitors [F] that are put across the load, and alone at the output.
CAPACITORS = (1e-7, 2.2e-7, 1e-6, 2.2e-6)
#: Share of a loop gain's real part up to which its imaginary part is none, and slope up to which it has none: a direct
#: voltage goes round.
_REAL = 0.02
#: Feedback [dB] from which on it is positive at the reference frequency: less is the phase of a loop that does little.
_POSITIVE = -0.1
NONE = {"resistance": 0.0, "capacitance": 0.0, "loudspeaker": 0.0}


@dataclass(frozen=True)
class LoopMargins:
    """What a loop gain says on one side of a frequency, each of shape (points,).

    ``gain_margin_db`` [dB] at ``gain_margin_frequency`` [Hz]: by how much the feedback may grow;
    ``phase_margin`` [degree] at ``phase_margin_frequency`` [Hz]; inf where the loop gain never comes there.
    """

    gain_margin_db: Floats
    gain_margin_frequency: Floats
    phase_margin: Floats
    phase_margin_frequency: Floats


def loop_gain(voltage: Any, current: Any, node: str, through: str) -> Array:
    """Return the loop gain T (negative feedback: T > 0 at mid-band), shape (points, frequencies).

    From two replies, one with 1 V in series with the loop and one with 1 A into it, so that neither impedance at the
    break matters, in either direction (M. Tian, V. Visvanathan, J. Hantgan, K. Kundert, Striving for Small-Signal
    Stability, IEEE Circuits and Devices, January 2001, from memory; it agrees with R. D. Middlebrook, Int. J.
    Electronics 38 (1975) 485, where the loop goes one way).
    """
    v1, i1 = vector(voltage, node), vector(voltage, through)
    v2, i2 = vector(current, node), vector(current, through)
    gain: Array = divide(-1.0, 1.0 - divide(1.0, 2.0 * (i1 * v2 - v1 * i2) + v1 + i2))
    return gain


def _crossings(frequency: Floats, sign: Floats) -> tuple[Floats, Array]:
    """Return where a curve goes through 0, by straight lines over the logarithm of the frequency, and if it falls."""
    here = np.flatnonzero(np.diff(np.signbit(sign)) & np.isfinite(sign[:-1]) & np.isfinite(sign[1:]))
    share = sign[here] / (sign[here] - sign[here + 1])
    logs = np.log(frequency)
    return np.asarray(np.exp(logs[here] + share * (logs[here + 1] - logs[here]))), sign[here] > sign[here + 1]


@dataclass(frozen=True)
class StabilityEdges:
    """The changes of a loop's gain at which a natural frequency comes to the edge of growing.

    Attributes
    ----------
    decibels : ndarray, shape (edges,)
        Change of the gain [dB], ascending.
    frequency : ndarray, shape (edges,)
        At which it then swings [Hz].
    grow : ndarray of int, shape (edges,)
        How many more grow with more gain than that: 2 or -2; 1 or -1 where nothing swings.
    growing : int
        How many grow as it is.
    """

    decibels: Floats
    frequency: Floats
    grow: Array
    growing: int

    def opened(self) -> int:
        """Return how many grow without the loop."""
        return max(int(self.growing - self.grow[self.decibels < 0.0].sum()), 0)

    def first(self, up: bool, stable: bool) -> tuple[float, Array]:
        """Return the least change [dB] up or down with which it is stable (or not), and which edges lie up to there.

        inf (or -inf) where there is none.
        """
        after = self.decibels >= 0.0
        way = np.flatnonzero(after) if up else np.flatnonzero(~after)[::-1]
        growing = self.growing
        for count, place in enumerate(way, 1):
            growing += int(self.grow[place]) if up else -int(self.grow[place])
            if (growing <= 0) == stable:
                return float(self.decibels[place]), np.isin(np.arange(len(after)), way[:count])
        return np.inf if up else -np.inf, np.zeros(len(after), dtype=bool)


def edges(frequency: Floats, gain: Array, growing: int) -> StabilityEdges:
    """Return where a loop gain T, of shape (frequencies,), meets -1 when it is made larger or smaller.

    T has to be real and negative there. Where its phase falls with the frequency, a pair more grows with a larger gain
    (H. Nyquist, Bell System Technical Journal 11 (1932) 126); a direct voltage that comes
    back as itself is one more, or one less.
    """
    size, angle = np.log(np.abs(gain)), np.unwrap(np.angle(gain))
    turns = np.arange(np.floor(angle.min() / np.pi) - 1, np.ceil(angle.max() / np.pi) + 2)
    places: list[float] = []
    grow: list[int] = []
    for turn in turns[turns % 2 == 1]:
        at, falls = _crossings(frequency, angle - np.pi * turn)
        places += at.tolist()
        grow += np.where(falls, 2, -2).tolist()
    level = abs(size[1] - size[0]) < _REAL * np.log(frequency[1] / frequency[0])
    if level and gain[0].real < 0.0 and abs(gain[0].imag) < _REAL * abs(gain[0].real):
        places.append(float(frequency[0]))
        grow.append(1 if gain[0].imag > 0.0 else -1)
    decibel = -20.0 / np.log(10.0) * np.interp(np.log(places), np.log(frequency), size) if places else np.array([])
    order = np.argsort(decibel)
    return StabilityEdges(decibel[order], np.array(places)[order], np.array(grow, int)[order], growing)


def margins(
    frequency: Floats, gain: Array, growing: Array, middle: float
) -> tuple[LoopMargins, LoopMargins, dict[str, Floats]]:
    """Return the margins above and below the frequency ``middle`` [Hz], and the least changes of the gain.

    The gain margin is taken where T is real and negative, the phase margin where its size is 1; the smallest counts.
    Negative where it is unstable: the change of the gain up to which it stays so, and a phase beyond 180 degrees of
    that at ``middle``. ``growing``, shape (points,): how many natural frequencies grow.
    """
    points = len(gain)
    found = {side: np.full((4, points), np.nan) for side in ("high", "low")}
    changes = {name: np.full(points, np.nan) for name in ("gain_rise_db", "gain_fall_db", "open_loop_growing")}
    for point in np.flatnonzero(np.isfinite(np.log(np.abs(gain))).all(axis=1)):
        here = edges(frequency, gain[point], int(growing[point]))
        changes["open_loop_growing"][point] = here.opened()
        if not here.growing:
            changes["gain_rise_db"][point] = here.first(up=True, stable=False)[0]
            changes["gain_fall_db"][point] = -here.first(up=False, stable=False)[0]
        for side, (low, high) in {"high": (middle, np.inf), "low": (0.0, middle)}.items():
            inside = (here.frequency > low) & (here.frequency <= high)
            found[side][:2, point] = _gain_margin(here, inside)
            found[side][2:, point] = _phase_margin(
                frequency, gain[point], middle, inside=(low, high), stable=not here.growing
            )
    return LoopMargins(*found["high"]), LoopMargins(*found["low"]), changes


def _gain_margin(here: StabilityEdges, inside: Array) -> tuple[float, float]:
    """Return the gain margin [dB] of one side's edges, and its frequency [Hz]."""
    more = here.decibels >= 0.0
    if here.growing:
        up, down = here.first(up=True, stable=True), here.first(up=False, stable=True)
        least, path = min(up, down, key=lambda way: abs(way[0]))
        if not np.isfinite(least):
            return np.nan, np.nan  # another gain of this loop doesn't make it stable
        if (path & inside).any():
            place = int(np.argmax(np.where(path & inside, np.abs(here.decibels), -1.0)))
            return -abs(float(here.decibels[place])), float(here.frequency[place])
        more &= ~path
    if not (more & inside).any():
        return np.inf, np.inf
    place = int(np.argmin(np.where(more & inside, here.decibels, np.inf)))
    return float(here.decibels[place]), float(here.frequency[place])


def _phase_margin(
    frequency: Floats, gain: Array, middle: float, *, inside: tuple[float, float], stable: bool
) -> tuple[float, float]:
    """Return the least phase margin [degree] between two frequencies [Hz], and its frequency."""
    size, angle = np.log(np.abs(gain)), np.degrees(np.unwrap(np.angle(gain)))
    whole = 360.0 * np.round(np.interp(np.log(middle), np.log(frequency), angle) / 360.0)
    least = (np.inf, np.inf)
    for at in _crossings(frequency, size)[0]:
        margin = 180.0 - abs(np.interp(np.log(at), np.log(frequency), angle) - whole)
        if stable:  # whole turns round something else than -1
            margin = 180.0 - (180.0 - margin) % 360.0
        if inside[0] < at <= inside[1] and margin < least[0]:
            least = (float(margin), float(at))
    return least


def encirclements(gain: Array) -> Floats:
    """Return how often T turns clockwise round -1 over all frequencies, shape (points,)."""
    turned = np.unwrap(np.angle(1.0 + gain), axis=-1)
    counts: Floats = -np.round((turned[:, -1] - turned[:, 0]) / np.pi)
    return counts


def _loads(nominal: float) -> Iterator[tuple[str, dict[str, float]]]:
    """Yield the loads that a loop has to stand, with their names (IEC 60268-3 asks for the rated load only)."""
    for share in (0.5, 1.0, 2.0):
        yield f"{share * nominal:g} ohm", NONE | {"resistance": share * nominal}
    yield "open circuit", NONE
    yield "loudspeaker", NONE | {"loudspeaker": nominal}
    for farads in CAPACITORS:
        yield f"{nominal:g} ohm with {farads * 1e6:g} uF", NONE | {"resistance": nominal, "capacitance": farads}
        yield f"{farads * 1e6:g} uF alone", NONE | {"capacitance": farads}


@measure(
    "stability",
    summary="does anything grow by itself, with other loads too; loop gain and margins of each feedback path",
    headline=("stable", "loops.*.feedback_db", "loops.*.gain_margin_db", "loops.*.phase_margin"),
    picture="simwrap.plots.measures.stability:draw",
)
def stability(
    stage: StageLike,
    *,
    start: SweepEnd = 1e-3,
    stop: SweepEnd = 1e7,
    per_decade: PerDecade = 40,
    reference_frequency: SweepEnd = 1000.0,
    nominal_load: Annotated[float, Option("ohm", zero="no other loads", above=0.0, most=1e6)] = 0.0,
) -> Steps:
    """Look for anything that grows by itself, and measure feedback without disturbing the bias.

    Whether the circuit is stable is decided by its natural frequencies: those of the linearised circuit at its
    operating point. That takes no feedback path: a chain whose stages couple through their supply (motorboating) is
    found as well. The margins say how far a feedback path is from the edge; they come from the loop gain by double
    injection.

    Parameters
    ----------
    start, stop : float
        Range of the loop gain [Hz]: margins are looked for in it, and amplifiers motorboat below 0.1 Hz too.
    per_decade : int
        Points a decade.
    reference_frequency : float
        Where the amount of feedback is read [Hz].
    nominal_load : float
        Load [ohm] round which others are tried (half, twice, open circuit, capacitors, a loudspeaker);
        0: none is.

    Results
    -------
    stable
        "yes" or "no".
    natural_frequency, growth
        Of the natural frequency with the largest real part: frequency [Hz], 0 where it doesn't swing, and the real
        part [1/s] (above 0 it grows); NaN in a circuit that stores nothing.
    least_damped.frequency, least_damped.damping
        Of those natural frequencies that swing, the one that loses least a turn [Hz], and its damping: 1 doesn't
        swing, 0 swings for ever, below 0 grows; NaN where none does.
    loops.<path>.feedback_db
        20 log |1 + T| at the reference frequency [dB]: by how much the loop lowers the gain. Figures of loops are
        there only where the circuit has a feedback path.
    loops.<path>.gain_margin_db, gain_margin_frequency, phase_margin, phase_margin_frequency
        Above the reference frequency [dB, Hz, degree, Hz]; inf where the loop gain never comes there. Negative where
        it is unstable: by so much the gain has to be changed until it isn't; NaN where no other gain of this loop does.
    loops.<path>.low_gain_margin_db, low_gain_margin_frequency, low_phase_margin, low_phase_margin_frequency
        Below it.
    loops.<path>.gain_rise_db, gain_fall_db
        Least rise and least fall of the loop's gain that make it unstable, at any frequency [dB]; inf where none does,
        NaN where it is unstable as it is. A fall that does is conditional stability.
    loops.<path>.open_loop_growing
        How many natural frequencies grow with that loop opened, by what grows as it is and all crossings of its gain.
    loops.<path>.encirclements
        Clockwise turns of T round -1 (Nyquist): as many solutions grow, if the circuit without that loop is stable.
    loops.<path>.curve_db, phase_deg
        T over frequency.
    loads.stable, loads.natural_frequency, loads.growth
        The same with each other load; the condition "loads" names them in order.

    Warnings name an unstable circuit with its frequency.
    """
    names = list(stage.loop_probes)
    requests: list[Any] = []
    for name in names:
        ask = Ac(start=start, stop=stop, per_decade=per_decade, vectors=wanted(*stage.loop_probes[name]))
        requests += [replace(ask, excite=f"{name}.{kind}") for kind in ("voltage_probe", "injected_probe")]
    loads = list(_loads(nominal_load)) if nominal_load else []
    others = [Poles(extra={"load": load}) for _, load in loads]
    *replies, rest = yield [*requests, Poles()]
    tried = (yield others) if others else []
    variables, findings = _verdict(rest)
    growing = np.asarray(rest.values["growing"]).sum(axis=-1)
    frequency = np.asarray(replies[0].axis, dtype=float) if replies else np.array([])
    for number, name in enumerate(names):
        gain = loop_gain(replies[2 * number], replies[2 * number + 1], *stage.loop_probes[name])
        figures = _loop_figures(name, frequency, gain, growing, reference_frequency)
        variables |= figures
        _tell_of_loop(name, figures, findings, frequency, reference_frequency)
    if tried:
        variables |= _load_figures(tried)
        for point in range(len(findings)):
            grows = [reply.values["growing"][point].any() for reply in tried]
            bad = [label for (label, _), grow in zip(loads, grows, strict=True) if grow]
            if bad:
                findings[point].append(Finding.of("unstable_with_loads", loads=bad))
    coords = {"frequency": axis(frequency, "Hz", "frequency")} if names else {}
    if tried:
        coords["load"] = axis(np.array([label for label, _ in loads]), "", "load")
    conditions: dict[str, tuple[Any, str]] = {
        "reference_frequency": (reference_frequency, "Hz"),
        "level": ("small signal", ""),
        "stable": ("no natural frequency of the linearised circuit grows", ""),
        "loads": (", ".join(label for label, _ in loads) or "its own only", ""),
    }
    return Result(variables, coords=coords, conditions=conditions, findings=findings)


def _verdict(rest: Any) -> tuple[dict[str, Variable], list[list[Finding]]]:
    """Return the figures of the natural frequencies, and a finding for each point that is unstable."""
    poles = np.asarray(rest.values["poles"])
    first = poles[:, 0]
    grows: Array = np.asarray(np.asarray(rest.values["growing"]).any(axis=-1))
    hertz = np.abs(first.imag) / (2.0 * np.pi)
    variables = {
        "stable": scalar(np.where(rest.failed, "", np.where(grows, "no", "yes")), "", "stable"),
        "natural_frequency": scalar(hertz, "Hz", "natural frequency that dies away last"),
        "growth": scalar(first.real, "1/s", "growth of what dies away last"),
        "least_damped.frequency": scalar(
            np.abs(rest.values["ringing"].imag) / (2.0 * np.pi), "Hz", "what rings longest"
        ),
        "least_damped.damping": scalar(np.asarray(rest.values["damping"]), "", "damping of what rings longest"),
    }
    findings: list[list[Finding]] = [
        [unstable(each[mask])] if grow else []
        for each, mask, grow in zip(poles, np.asarray(rest.values["growing"]), grows.tolist(), strict=True)
    ]
    return variables, findings


def unstable(growing: Array, **details: Any) -> Finding:
    """Return what a circuit does whose natural frequencies ``growing`` [1/s] grow, the quickest first.

    One that swings is a frequency. Growth without a swing comes in pairs where capacitors couple the loop, since no
    direct voltage goes round it: the circuit leaves its rest at the quicker rate, is held where valves cut off, and
    flips back when a coupling capacitor has come round. An odd one is left where direct voltages go round: the circuit
    stays where it went. How often it flips isn't in the small signal: with one coupling and a loop gain of 2 to 30
    (a multivibrator's closed form, T = 2 t ln(2 K - 1), slow rate 1/((K - 1) t)) it is 0.5 to 3.6 times the slow rate
    a second, and twice that rate is told, as an order of magnitude.
    """
    first = growing[0]
    if first.imag:
        return Finding.of("unstable", value=abs(first.imag) / (2.0 * np.pi), unit="Hz", manner="oscillates", **details)
    steady = growing.real[growing.imag == 0]
    leaves = 1.0 / steady[0]
    if len(steady) % 2:
        return Finding.of("unstable", manner="runs away", leaves=leaves, **details)
    return Finding.of("unstable", value=2.0 * steady.min(), unit="Hz", manner="flips", leaves=leaves, **details)


def _loop_figures(name: str, frequency: Floats, gain: Array, growing: Array, reference: float) -> dict[str, Variable]:
    high, low, changes = margins(frequency, gain, growing, reference)
    place = f"loops.{name}"
    variables = {
        f"{place}.feedback_db": scalar(
            at_frequency(frequency, decibels(1.0 + gain), reference), "dB", f"feedback through {name}"
        ),
        f"{place}.encirclements": scalar(encirclements(gain), "", f"turns of the loop gain through {name} round -1"),
        f"{place}.curve_db": Variable(("frequency",), decibels(gain), "dB", f"loop gain through {name}"),
        f"{place}.phase_deg": Variable(
            ("frequency",), np.degrees(np.unwrap(np.angle(gain))), "degree", f"phase of the loop gain through {name}"
        ),
    }
    for key, unit, words in (
        ("gain_rise_db", "dB", f"least rise of the gain of {name} that makes it unstable"),
        ("gain_fall_db", "dB", f"least fall of the gain of {name} that makes it unstable"),
        ("open_loop_growing", "", f"natural frequencies that grow with {name} opened"),
    ):
        variables[f"{place}.{key}"] = scalar(changes[key], unit, words)
    for start, words, loop in (("", "", high), ("low_", " at low frequencies", low)):
        for key, unit in (
            ("gain_margin_db", "dB"),
            ("gain_margin_frequency", "Hz"),
            ("phase_margin", "degree"),
            ("phase_margin_frequency", "Hz"),
        ):
            label = f"{key.removesuffix('_db').replace('_', ' ')} of {name}{words}"
            variables[f"{place}.{start}{key}"] = scalar(getattr(loop, key), unit, label)
    return variables


def _tell_of_loop(
    name: str, figures: dict[str, Variable], findings: list[list[Finding]], frequency: Floats, reference: float
) -> None:
    """Name a loop that is positive, conditionally stable, or round something that is unstable without it."""

    def of(key: str) -> Array:
        return np.asarray(figures[f"loops.{name}.{key}"].values)

    middle = int(np.argmin(np.abs(np.log(frequency / reference))))
    turned = (of("curve_db")[:, middle] > 0.0) & (np.cos(np.radians(of("phase_deg")[:, middle])) < -0.5)
    for point, (feedback, fall, opened) in enumerate(
        zip(of("feedback_db"), of("gain_fall_db"), of("open_loop_growing"), strict=True)
    ):
        # A loop gain that is turned round and beyond -1 makes the gain smaller again, and is no less positive for that.
        if feedback < _POSITIVE or turned[point]:
            findings[point].append(Finding.of("feedback_positive", name, "feedback", feedback, unit="dB"))
        if opened > 0:
            findings[point].append(Finding.of("open_loop_unstable", name, "growing", opened))
        elif np.isfinite(fall):
            findings[point].append(Finding.of("conditionally_stable", name, "gain", fall, unit="dB"))


def _load_figures(tried: list[Any]) -> dict[str, Variable]:
    first = np.stack([reply.values["poles"][:, 0] for reply in tried], axis=1)
    grows = np.stack([np.asarray(reply.values["growing"]).any(axis=-1) for reply in tried], axis=1)
    failed = np.stack([reply.failed for reply in tried], axis=1)
    words = np.where(failed, "", np.where(grows, "no", "yes"))
    return {
        "loads.stable": Variable(("load",), words, "", "stable with this load"),
        "loads.natural_frequency": Variable(
            ("load",), np.abs(first.imag) / (2.0 * np.pi), "Hz", "what dies away last with this load"
        ),
        "loads.growth": Variable(("load",), first.real, "1/s", "growth with this load"),
    }
