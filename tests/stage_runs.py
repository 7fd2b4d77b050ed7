"""Short ways for tests to run a stage: operating point, gain at a few frequencies, steady state."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.engine import Run, run
from simwrap.engine.protocol import AcRun, Analysis, OpRun, Reply, Sine, SteadyRun

REFERENCE = Path(__file__).parent / "reference" / "circuit_theory"


@cache
def worked() -> dict[str, float]:
    """Return the worked numbers of the handbook by name."""
    with (REFERENCE / "worked_numbers.csv").open(encoding="utf-8") as file:
        return {row["name"]: float(row["value"]) for row in csv.DictReader(file)}


def assert_printed(value: float, name: str, digits: float) -> None:
    """Insist that a formula gives a worked number to its printed digits (half of the last one)."""
    assert abs(float(value) - worked()[name]) <= digits, f"{name}: {float(value)!r} for {worked()[name]!r}"


@cache
def printed_curve(network: str, setting: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies [Hz] and levels [dB] of a worked curve."""
    with (REFERENCE / "curves.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if (row["network"], row["setting"]) == (network, setting)]
    assert rows
    return np.array([float(row["frequency"]) for row in rows]), np.array([float(row["value_db"]) for row in rows])


def checked(made: Stage, runs: Sequence[Analysis], *, engine: str = "auto", excite: str = "signal") -> list[Reply]:
    """Run a stage and insist that the engine that was asked for did every run."""
    replies = run(render(made, excite=excite).circuit, runs, Run(engine=engine))
    for reply in replies:
        assert reply.reasons == [""], f"{made.name}: {reply.reasons[0]}"
        assert engine == "auto" or reply.engines == [engine], reply.engines
    return replies


def operating(made: Stage, *, engine: str = "auto") -> dict[str, float]:
    """Return every node voltage of the operating point [V]."""
    (reply,) = checked(made, [OpRun()], engine=engine)
    return {node: float(array[0]) for node, array in reply.values.items()}


def at(made: Stage, frequency: float, *nodes: str, excite: str = "signal", engine: str = "auto") -> Any:
    """Return complex node voltages at one frequency [Hz]; one number for one node."""
    vectors = nodes or (made.ports["output"],)
    (reply,) = checked(made, [AcRun(frequency, frequency * 1.01, 1, vectors)], excite=excite, engine=engine)
    found = [complex(reply.values[node][0][0]) for node in vectors]
    return found[0] if len(found) == 1 else found


def curve(
    made: Stage, start: float, stop: float, per_decade: int, *, excite: str = "signal", engine: str = "auto"
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return frequencies [Hz] and the complex output."""
    output = made.ports["output"]
    (reply,) = checked(made, [AcRun(start, stop, per_decade, (output,))], excite=excite, engine=engine)
    assert reply.axis is not None
    return np.asarray(reply.axis, dtype=float), np.asarray(reply.values[output][0])


def small_signal(made: Stage, instance: str = "v1", **options: float) -> Any:
    """Return gm, ra and mu of a valve at its simulated operating point."""
    voltages = operating(made)
    use = made.valves[instance]
    to_cathode = {
        role: voltages[use.nodes[role]] - voltages[use.nodes["cathode"]]
        for role in ("anode", "grid", "screen")
        if role in use.nodes and not (role == "screen" and use.valve.kind != "pentode")
    }
    return use.valve.small_signal(to_cathode["anode"], to_cathode["grid"], to_cathode.get("screen"), **options)


def steady(
    made: Stage,
    amplitude: float,
    *vectors: str,
    frequency: float = 1000.0,
    samples: int = 256,
    engine: str = "auto",
    tolerance: float = 1e-5,
) -> dict[str, NDArray[np.float64]]:
    """Return one settled period of each vector at a drive of ``amplitude`` [V peak]."""
    asked = SteadyRun(
        frequency,
        (Sine(1.0, frequency),),
        np.array([[amplitude]]),
        vectors or (made.ports["output"],),
        samples=samples,
        tolerance=tolerance,
    )
    (reply,) = checked(made, [asked], engine=engine)
    return {name: np.asarray(array[0, 0]) for name, array in reply.values.items()}


def harmonics(wave: NDArray[np.float64], count: int = 10) -> NDArray[np.float64]:
    """Return the peak amplitudes of harmonics 1 to ``count`` of one period."""
    return np.abs(np.fft.rfft(wave))[1 : count + 1] * 2.0 / len(wave)


def thd(wave: NDArray[np.float64]) -> float:
    """Return root-sum-square of harmonics 2 to 10 over the fundamental."""
    found = harmonics(wave)
    return float(np.sqrt((found[1:] ** 2).sum()) / found[0])
