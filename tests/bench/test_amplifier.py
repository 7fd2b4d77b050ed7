"""What a whole amplifier costs: the shipped reading room, both channels on one supply. ``make bench`` prints it all."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import psutil

import simwrap
from simwrap.amplifier import shared_supply
from simwrap.amplifier.audit import audit
from simwrap.amplifier.supply_match import Match, match
from simwrap.circuits.design_file import Design, read_whole_design

#: Range and fineness in which builds are compared.
LEAN = {
    "bias": {},
    "response": {},
    "stability": {"start": 1.0, "stop": 1e6, "per_decade": 10},
    "noise": {"per_decade": 5},
}
LIMITS = (
    "ratings_kept is yes, stable is yes, response.gain +/- 15 %, loops.first_loop.gain_margin_db > 10, "
    "loops.first_loop.phase_margin > 45, loops.second_loop.gain_margin_db > 10"
)


@cache
def design() -> Design:
    return read_whole_design(Path(str(files("simwrap.amplifier").joinpath("reading_room.toml"))), complete=True)


@cache
def agreed() -> Match:
    return match(design())


def processor() -> float:
    """Return the seconds of processor that this process and the engines have used."""
    each = psutil.Process()
    return sum(times.user + times.system for times in (p.cpu_times() for p in (each, *each.children(recursive=True))))


def timed(what: Callable[[], Any]) -> tuple[float, float, Any]:
    """Return seconds on the clock, seconds of processor, and the result."""
    begun, used = time.perf_counter(), processor()
    found = what()
    return time.perf_counter() - begun, processor() - used, found


def told(words: str, seconds: float, processor_seconds: float, most: float) -> None:
    """Print a figure beside what was asked for."""
    print(f"\n{words}: {seconds:.1f} s ({processor_seconds:.1f} s of processor), x {seconds / most:.2f} of {most:g} s")


def test_a_thousand_builds_of_both_channels() -> None:
    whole = shared_supply.all_channels(design(), agreed(), agreed().circuit)
    seconds, used, data = timed(lambda: simwrap.spread(whole, None, LEAN, builds=1000, seed=1, curves=False))
    kept = simwrap.yield_of(data, LIMITS)
    told("1,000 builds of two channels: bias, response, margins, noise", seconds, used, 30.0)
    print(kept)
    assert (data["status"] == "").all()
    assert np.isfinite(data["noise.output_rms"].values).all()
    assert 0.0 < kept.share <= 1.0


def test_a_power_curve_with_feedback() -> None:
    channel = agreed().circuit
    gain = simwrap.measure(channel, ["response"]).response.gain
    drive = float(np.sqrt(12.0 * 8.0) / gain)
    seconds, used, found = timed(lambda: simwrap.measure(channel, {"power": {"drive": drive, "levels": 10}}))
    told("power curve of one channel with feedback, ten levels", seconds, used, 6.0)
    assert found.power.output_power > 8.0


def test_the_audit() -> None:
    for quick, most in ((True, 2.0), (False, 15.0)):
        seconds, used, found = timed(lambda quick=quick: audit(design(), quick=quick))
        told("audit without large signals" if quick else "the whole audit", seconds, used, most)
        assert found.clean
