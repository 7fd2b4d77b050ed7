"""Families of curves over the bass, middle and treble controls, and what the controls achieve."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from itertools import product
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply
from simwrap.errors import InputError
from simwrap.measures.common import Floats, StageLike, axis, decibels, per_point, port, scalar, stated, vector
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import Option, PerDecade, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Request, Result, Variable

BASS_FREQUENCIES = np.array([20.0, 50.0, 100.0])
MIDDLE_FREQUENCIES = np.array([250.0, 500.0, 1000.0])
TREBLE_FREQUENCIES = np.array([5e3, 10e3, 20e3])
#: Where each control's effect is read [Hz].
SPOTS = {"bass": BASS_FREQUENCIES, "middle": MIDDLE_FREQUENCIES, "treble": TREBLE_FREQUENCIES}
REFERENCE = 1000.0
#: Steps of the first search for the flattest setting; how many of its best places are narrowed down, and how far apart
#: they lie at least (in steps).
_COARSE, _PLACES, _APART = 11, 6, 1.5
#: How many settings are tried round each place, in how many rounds, and by what each round is narrower.
_TRIES, _ROUNDS, _NARROWER = 64, 18, 0.62


@measure(
    "tone_curves",
    summary="curves over bass and treble settings, boost and cut, insertion loss, flattest setting",
    ports=("output",),
    headline=("insertion_loss_db", "flattest.*"),
    picture="simwrap.plots.measures.tone_curves:draw",
)
def tone_curves(
    stage: StageLike,
    *,
    settings: Annotated[int, Option(least=2, most=200)] = 11,
    start: SweepEnd = 10.0,
    stop: SweepEnd = 1e5,
    per_decade: PerDecade = 20,
) -> Steps:
    """Measure what the bass, middle and treble controls do.

    Each family turns one control through its travel and leaves the others where they are set.

    Parameters
    ----------
    settings : int
        Positions of each control in its family, ends included.
    start, stop : float
        Range of the curves [Hz]; must hold 20 Hz to 20 kHz.
    per_decade : int
        Points a decade.

    Results
    -------
    bass_curves_db, middle_curves_db, treble_curves_db
        Gain from the source's e.m.f. over setting and frequency.
    bass_boost_db, bass_cut_db
        At 20, 50, 100 Hz relative to 1 kHz, control at 1 and at 0.
    treble_boost_db, treble_cut_db
        At 5, 10, 20 kHz relative to 1 kHz, control at 1 and at 0.
    middle_range_db
        At 250, 500, 1000 Hz, control at 1 relative to control at 0.
    insertion_loss_db
        Loss at 1 kHz at the set positions, from the source's e.m.f.
    flattest.bass, flattest.middle, flattest.treble
        The positions with the least departure from the level at 1 kHz between 20 Hz and 20 kHz;
        a grid over all controls, narrowed round its six best places to a thousandth of the travel.
    flattest.deviation_db, flattest.insertion_loss_db
        That departure, and the loss at 1 kHz there.

    A stage with some of the controls gives the results of those.

    Raises
    ------
    InputError
        If the stage has none of the parameters ``bass``, ``middle`` and ``treble``, or the range is too small.
    """
    output = port(stage, "output", "tone_curves")
    controls = _controls(stage)
    if settings < 2 or start > BASS_FREQUENCIES[0] or stop < TREBLE_FREQUENCIES[-1]:
        raise InputError("tone_curves: give 2 or more settings and a range that holds 20 Hz to 20 kHz")
    plain = Ac(start=start, stop=stop, per_decade=per_decade, vectors=(output,))
    positions = np.linspace(0.0, 1.0, settings)

    as_set = yield plain
    frequency = np.asarray(as_set.axis, dtype=float)
    level = decibels(vector(as_set, output))
    points = len(level)
    variables: dict[str, Variable] = {
        "curve_db": Variable(("frequency",), level, "dB", "gain at the set positions"),
        "insertion_loss_db": scalar(-at_frequency(frequency, level, REFERENCE), "dB", "insertion loss at 1 kHz"),
    }
    coords = {"frequency": axis(frequency, "Hz", "frequency")}
    for name in controls:
        reply = yield replace(plain, vary={controls[name]: positions})
        family = decibels(vector(reply, output))
        spots = SPOTS[name]
        against = np.stack([at_frequency(frequency, family, f) for f in spots], axis=-1)
        setting, spot = f"{name}_setting", f"{name}_frequency"
        variables[f"{name}_curves_db"] = Variable((setting, "frequency"), family, "dB", f"gain, {name} control varied")
        if name == "middle":
            reach = against[:, -1] - against[:, 0]
            variables["middle_range_db"] = Variable((spot,), reach, "dB", "range of the middle control")
        else:
            against -= at_frequency(frequency, family, REFERENCE)[..., None]
            variables[f"{name}_boost_db"] = Variable((spot,), against[:, -1], "dB", f"{name} boost relative to 1 kHz")
            variables[f"{name}_cut_db"] = Variable((spot,), against[:, 0], "dB", f"{name} cut relative to 1 kHz")
        coords[setting] = axis(positions, "", f"{name} control, 0 to 1")
        coords[spot] = axis(spots, "Hz", "frequency")
    best, deviation, loss = yield from _flattest(output, list(controls.values()), points)
    for column, name in enumerate(controls):
        variables[f"flattest.{name}"] = scalar(best[:, column], "", f"flattest position of the {name} control")
    variables["flattest.deviation_db"] = scalar(
        deviation, "dB", "largest departure from the level at 1 kHz, 20 Hz to 20 kHz, at the flattest setting"
    )
    variables["flattest.insertion_loss_db"] = scalar(loss, "dB", "insertion loss at 1 kHz at the flattest setting")
    conditions: dict[str, tuple[Any, str]] = {
        "reference_frequency": (REFERENCE, "Hz"),
        "flattest_over": ("20 Hz to 20 kHz", ""),
        "level": ("small signal", ""),
        "from": ("e.m.f. of the signal source", ""),
    }
    for name in controls:
        conditions[f"{name}_as_set"] = (stated(per_point(stage, controls[name], points)), "")
    return Result(variables, coords=coords, conditions=conditions)


def _controls(stage: StageLike) -> dict[str, str]:
    """Return the parameter of each control: the stage's own, or those of the only stage of a circuit that has some."""
    found = [name for name in stage.values if name.rpartition(".")[2] in SPOTS]
    places = dict.fromkeys(name.rpartition(".")[0] for name in found)
    if not found:
        raise InputError(f"tone_curves: {stage.name} has no bass, middle or treble control")
    if len(places) > 1:
        several = " and ".join(places)
        raise InputError(f"tone_curves: {stage.name} has tone controls in {several}; measure a part with one of them")
    return {own: name for own in SPOTS for name in found if name.rpartition(".")[2] == own}


def _flattest(
    output: str, controls: list[str], points: int
) -> Generator[Request, Reply, tuple[Floats, Floats, Floats]]:
    """Search a grid of settings, then narrow it round each point's own best places.

    The largest departure over a band has several hollows, and the deepest isn't always the one that the first grid
    shows deepest. Returns the best settings (points, controls), the departure and the insertion loss [dB].
    """
    # 20 points a decade from 20 Hz end exactly at 20 kHz.
    plain = Ac(start=20.0, stop=20e3, per_decade=20, vectors=(output,))
    grid = np.array(list(product(np.linspace(0, 1, _COARSE), repeat=len(controls))))
    reply = yield replace(plain, vary={name: grid[:, k] for k, name in enumerate(controls)})
    departure, losses = _departure(reply, output)
    spacing = 1.0 / (_COARSE - 1)
    places = np.stack([_hollows(grid, each, _APART * spacing) for each in departure])
    rows = np.arange(points)[:, None]
    for number in range(_ROUNDS):
        # Shape (points, places, tries, controls): each place moves to the best of those round it, itself included.
        offsets = 1.5 * spacing * _NARROWER**number * _scattered(number, len(controls))
        tried = np.clip(places[:, :, None, :] + offsets, 0.0, 1.0)
        flat = tried.reshape(points, -1, len(controls))
        reply = yield replace(plain, vary={name: flat[..., k] for k, name in enumerate(controls)})
        departure, losses = _departure(reply, output)
        chosen = np.argmin(departure.reshape(points, _PLACES, -1), axis=2)
        places = tried[rows, np.arange(_PLACES), chosen]
    best = np.argmin(departure, axis=1)
    every = np.arange(points)
    deviation, settings = departure[every, best], flat[every, best]
    failed = ~np.isfinite(deviation)
    return (
        np.where(failed[:, None], np.nan, settings),
        np.where(failed, np.nan, deviation),
        np.where(failed, np.nan, losses[every, best]),
    )


def _scattered(number: int, controls: int) -> Floats:
    """Return offsets between -1 and 1, the first of them 0, evenly scattered and other ones each time.

    The largest departure has sharp valleys that lie askew to the controls: steps along these get stuck in them. The
    offsets are whole multiples of powers of a root, wrapped (M. Roberts' additive sequence of low discrepancy).
    """
    root = 2.0
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (controls + 1.0))
    steps = root ** -np.arange(1.0, controls + 1.0)
    counts = np.arange(_TRIES)[:, None] + number * _TRIES
    offsets: Floats = 2.0 * ((0.5 + counts * steps) % 1.0) - 1.0
    offsets[0] = 0.0
    return offsets


def _departure(reply: Reply, output: str) -> tuple[Floats, Floats]:
    """Return the largest departure from the level at 1 kHz (infinite where it failed), and the loss there [dB]."""
    level = decibels(vector(reply, output))
    at_reference = at_frequency(np.asarray(reply.axis, dtype=float), level, REFERENCE)
    with np.errstate(invalid="ignore"):
        departure = np.abs(level - at_reference[..., None]).max(axis=-1)
    return np.where(np.isfinite(departure), departure, np.inf), -at_reference


def _hollows(grid: Floats, departure: Floats, apart: float) -> Floats:
    """Return the best settings of a grid that lie apart from one another, shape (places, controls)."""
    left = departure.copy()
    found = []
    for _ in range(_PLACES):
        place = grid[np.argmin(left)]
        found.append(place)
        left = np.where(np.abs(grid - place).max(axis=1) < apart, np.inf, left)
    return np.array(found)
