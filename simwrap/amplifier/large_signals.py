"""What large signals tell of an amplifier: power, distortion and what clips first, two tones, hum of the rectifier."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simwrap.amplifier import shared_supply
from simwrap.amplifier.supply_match import Match
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.engine import Run
from simwrap.engine.known_states import KnownStates
from simwrap.errors import EngineError
from simwrap.findings.finding import Finding
from simwrap.measures.common import Floats
from simwrap.measures.numerics import harmonics
from simwrap.measures.numerics.closing_in import Curve, first_reached, next_levels
from simwrap.measures.numerics.crossings import interpolate
from simwrap.measures.overload import settled_within
from simwrap.simulation.measurement import Measurement, measure
from simwrap.simulation.simulate import raw

#: Levels at which intermodulation is looked at, as parts of the rated output: a tenth of its power, and all of it.
INTERMODULATION = (10.0**-0.5, 1.0)
#: Levels of the curve, and of that on rails that are held.
LEVELS, HELD_LEVELS = 8, 6
#: Where the stated distortion is looked for on rails that are held, as parts of the level that reaches it on those that
#: fall, since they are close; where next, if it lies lower or higher; and rounds that close in on it.
_HELD_NEAR, _HELD_LOWER, _HELD_HIGHER, _HELD_ROUNDS = (0.97, 1.08), 0.85, 1.25, 2


@dataclass(frozen=True)
class Limited:
    """Where the distortion rises to the stated one: e.m.f. of the source and output [V r.m.s.], and power [W]."""

    source_emf: float
    output_rms: float
    output_power: float


@dataclass(frozen=True)
class Large:
    """What large signals told; None, or empty, where they couldn't.

    Attributes
    ----------
    overload : Measurement or None
        On the supply as it falls.
    held : Limited or None
        As long as it stands.
    hum : tuple of float, or None
        What the rectifier itself leaves at the output, and the ripple then [V r.m.s.].
    mixed : tuple of Measurement
        Distortion with one tone and with two, at :data:`INTERMODULATION`.
    findings : tuple of Finding
        What couldn't be computed.
    """

    overload: Measurement | None = None
    held: Limited | None = None
    hum: tuple[float, float] | None = None
    mixed: tuple[Measurement, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Driven:
    """What is driven.

    Attributes
    ----------
    design : Design
    circuit, on_supply : Circuit
        One channel, its controls set: at the voltages that it gets, and on the supply's impedance.
    supply : Match or None
        None where nothing feeds it.
    load, rated_output : float
        [ohm, V r.m.s.]
    emf : float
        Of the source at the rated output, by the gain [V r.m.s.].
    """

    design: Design
    circuit: Circuit
    on_supply: Circuit
    supply: Match | None
    load: float
    rated_output: float
    emf: float


def large_signals(driven: Driven, run: Run) -> Large:
    """Find all of it, in two threads since neither half needs the other."""
    # What is found doesn't depend on which thread is quicker: each has states of its own to begin from.
    own_run, other_run = (replace(run, settled=KnownStates()) for _ in range(2))
    with ThreadPoolExecutor(1) as other:
        rest = other.submit(_beside, driven, other_run)
        own = _powered(driven, own_run)
        beside = rest.result()
    return replace(own, hum=beside.hum, mixed=beside.mixed, findings=(*own.findings, *beside.findings))


def overload(design: Design, rated_output: float, levels: int) -> dict[str, dict[str, Any]]:
    """Return what is asked of a channel over level."""
    return {"overload": {"rated_output": rated_output, "stated_thd": design.levels.stated_thd, "levels": levels}}


def _powered(driven: Driven, run: Run) -> Large:
    found = held = None
    findings = []
    try:
        found = measure(driven.on_supply, overload(driven.design, driven.rated_output, LEVELS), run=run)
        findings += _lost("Power, distortion and what clips first", found)
        if driven.supply is not None:
            near = float(found.overload.at_stated_thd.source_emf)
            held = limited(driven.circuit, near, driven.design.levels.stated_thd, driven.load, run)
            if held is None:
                whole = measure(driven.circuit, overload(driven.design, driven.rated_output, HELD_LEVELS), run=run)
                findings += _lost("Power on rails that don't fall", whole)
                at = whole.overload.at_stated_thd
                held = Limited(float(at.source_emf), float(at.output_rms), float(at.output_power))
    except EngineError as fault:
        findings.append(_not_computed("Large signals", str(fault)))
    return Large(found, held, findings=tuple(findings))


def limited(circuit: Circuit, near: float, stated_thd: float, load: float, run: Run) -> Limited | None:
    """Return where the distortion rises to the stated one, close above and below a level.

    Parameters
    ----------
    circuit : Circuit
    near : float
        A level of the source that reaches it in much the same circuit [V r.m.s.]; NaN where none does.
    stated_thd : float
        [%]
    load : float
        [ohm]
    run : Run

    Returns
    -------
    Limited or None
        None where it isn't close.
    """
    if not np.isfinite(near):
        return None
    levels = outputs = distortions = np.zeros((1, 0))

    def look(tries: Floats) -> Curve:
        nonlocal levels, outputs, distortions
        waves = raw(circuit, "period", level=tries[0].tolist(), tolerance=settled_within(stated_thd), run=run)
        wave = waves["output"][None]
        found = (tries, harmonics.rms(wave), 100.0 * harmonics.thd(harmonics.spectrum(wave)))
        levels, outputs, distortions = (
            np.concatenate(pair, axis=1) for pair in zip((levels, outputs, distortions), found, strict=True)
        )
        order = np.argsort(levels, axis=1)
        levels, outputs, distortions = (np.take_along_axis(a, order, 1) for a in (levels, outputs, distortions))
        return Curve(distortions / stated_thd)

    try:
        mark = look(near * np.array([_HELD_NEAR]))
        for beyond, share in ((distortions[0, 0] >= stated_thd, _HELD_LOWER),
                              (distortions[0, -1] < stated_thd, _HELD_HIGHER)):  # fmt: skip
            if beyond:
                mark = look(near * np.array([[share]]))
        for _ in range(_HELD_ROUNDS):
            if not distortions[0, 0] < stated_thd <= distortions[0, -1]:
                return None
            mark = look(next_levels(levels, [[mark]]))
    except EngineError:
        return None
    if not np.isfinite(distortions).all():
        return None
    emf = first_reached(levels, mark)
    volts = float(interpolate(levels, outputs, emf)[0])
    return Limited(float(emf[0]), volts, volts**2 / load)


def _beside(driven: Driven, run: Run) -> Large:
    """Find hum in the steady state of the real rectifier, and distortion with two tones at some levels."""
    hum, mixed, findings = None, [], []
    try:
        if driven.supply is not None:
            hum = shared_supply.hum(driven.design, driven.supply, driven.circuit, run=run)
    except EngineError as fault:
        findings.append(_not_computed("Hum of the rectifier itself", str(fault)))
    try:
        for part in INTERMODULATION:
            asked = {"distortion": {"level": part * driven.emf, "with_noise": False}}
            mixed.append(measure(driven.circuit, asked, run=run))
            findings += _lost("Intermodulation", mixed[-1])
    except EngineError as fault:
        findings.append(_not_computed("Intermodulation", str(fault)))
    return Large(hum=hum, mixed=tuple(mixed), findings=tuple(findings))


def _not_computed(what: str, reason: str) -> Finding:
    return Finding.of("not_computed", quantity=what, reason=reason)


def _lost(what: str, found: Measurement) -> list[Finding]:
    """Return what became of a part of something, if it couldn't be simulated."""
    return [_not_computed(f"{what}, a part of it,", found.reason)] if found.reason else []


__all__ = [
    "HELD_LEVELS", "INTERMODULATION", "LEVELS", "Driven", "Large", "Limited", "large_signals", "limited", "overload",
]  # fmt: skip
