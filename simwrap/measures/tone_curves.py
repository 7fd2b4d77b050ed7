"""Families of curves over the bass, middle and treble controls, and what the controls achieve."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from itertools import product
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply
from simwrap.errors import InputError
from simwrap.measures.common import Array, Floats, StageLike, axis, decibels, per_point, port, scalar, stated, vector
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
#: Steps of the first search for the flattest setting, and how often it is narrowed by 3.
_COARSE = 11
_ROUNDS = 5


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
        a grid over all controls, narrowed to 1/2430 of the travel.
    flattest.deviation_db, flattest.insertion_loss_db
        That departure, and the loss at 1 kHz there.

    A stage with some of the controls gives the results of those.

    Raises
    ------
    InputError
        If the stage has none of the parameters ``bass``, ``middle`` and ``treble``, or the range is too small.
    """
    output = port(stage, "output", "tone_curves")
    controls = [name for name in SPOTS if name in stage.values]
    if not controls:
        raise InputError(f"tone_curves: {stage.name} has no bass, middle or treble control")
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
        reply = yield replace(plain, vary={name: positions})
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
    best, deviation, loss = yield from _flattest(output, controls, points)
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
        conditions[f"{name}_as_set"] = (stated(per_point(stage, name, points)), "")
    return Result(variables, coords=coords, conditions=conditions)


def _flattest(
    output: str, controls: list[str], points: int
) -> Generator[Request, Reply, tuple[Floats, Floats, Floats]]:
    """Search a grid of settings, then narrow it round each point's own best.

    Returns the best settings (points, controls), the departure and the insertion loss [dB].
    """
    # 20 points a decade from 20 Hz end exactly at 20 kHz.
    plain = Ac(start=20.0, stop=20e3, per_decade=20, vectors=(output,))
    grid = np.array(list(product(np.linspace(0, 1, _COARSE), repeat=len(controls))))
    tried = np.broadcast_to(grid, (points, *grid.shape))
    offsets = np.array(list(product(np.arange(-3, 4), repeat=len(controls))), dtype=float)
    spacing = 1.0 / (_COARSE - 1)
    for narrowing in range(_ROUNDS + 1):
        vary: dict[str, Array] = {name: tried[..., k] for k, name in enumerate(controls)}
        if narrowing == 0:
            vary = {name: grid[:, k] for k, name in enumerate(controls)}
        reply = yield replace(plain, vary=vary)
        level = decibels(vector(reply, output))
        at_reference = at_frequency(np.asarray(reply.axis, dtype=float), level, REFERENCE)
        with np.errstate(invalid="ignore"):
            departure = np.abs(level - at_reference[..., None]).max(axis=-1)
        chosen = np.argmin(np.where(np.isfinite(departure), departure, np.inf), axis=1)[:, None]
        best = np.take_along_axis(tried, chosen[..., None], 1)[:, 0]
        deviation = np.take_along_axis(departure, chosen, 1)[:, 0]
        loss = -np.take_along_axis(at_reference, chosen, 1)[:, 0]
        spacing /= 3.0
        tried = np.clip(best[:, None, :] + offsets * spacing, 0.0, 1.0)
    failed = ~np.isfinite(deviation)
    best = np.where(failed[:, None], np.nan, best)
    return best, np.where(failed, np.nan, deviation), np.where(failed, np.nan, loss)
