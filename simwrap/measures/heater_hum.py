"""Hum that the heater leaks into the cathode."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Annotated, Any

import numpy as np

from simwrap.findings.finding import Finding
from simwrap.measures.common import StageLike, axis, count, decibels, divide, port, scalar, vector
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import MainsFrequency, Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Op, Result, Variable


@measure(
    "heater_hum",
    summary="hum at the output from the heaters, through their leakage to the cathodes",
    ports=("output",),
    headline=("output_rms",),
    picture="simwrap.plots.measures.heater_hum:draw",
)
def heater_hum(
    stage: StageLike,
    *,
    mains_frequency: MainsFrequency = 50.0,
    share: Annotated[float, Option(above=0.0, most=10.0)] = 1.0,
    heater_voltage: Annotated[float, Option("V", above=0.0, most=1000.0)] | None = None,
) -> Steps:
    """Measure the hum that an alternating heater voltage leaves at the output.

    Each heater is joined to its cathode by the leakage in the valve's file: a resistance and a
    capacitance, mostly an assumption (`simwrap show` prints it with its note), and real valves
    differ by a factor of ten and more. So this ranks remedies rather than foretells a level.

    Parameters
    ----------
    mains_frequency : float
        50 or 60 [Hz].
    share : float
        Part of the heater voltage against ground that drives the leakage: 1 with one side of the
        heaters grounded; with a grounded centre tap the halves nearly cancel, say 0.1.

    heater_voltage : float, optional
        Across every valve's heater [V r.m.s.]; by default that of each valve's file, and 6.3 V for a half of a
        centre-tapped 12.6 V heater, however its halves are joined.

    Results
    -------
    output_rms
        Of all valves, in phase as from one winding [V r.m.s.].
    input_rms
        The same over the gain of the signal at that frequency [V r.m.s.].
    valves.<name>.output_rms
        Of each valve alone [V r.m.s.].
    valves.<name>.transfer_db, curve_db
        Output for 1 V at the heater, at the mains frequency and over frequency [dB].

    NaN, with a warning, where no valve has a cathode apart from its heater.
    """
    output = port(stage, "output", "heater_hum")
    heated = {
        name: across_one_system(use.valve.heater) if heater_voltage is None else heater_voltage
        for name, use in stage.valves.items()
        if use.valve.kind != "rectifier" and use.valve.heater is not None and not use.valve.heater.direct
    }
    if not heated:
        return (yield from _without_heaters(stage))
    extra = {"heater_leakage": dict.fromkeys(heated, True)}
    sweep = Ac(start=mains_frequency / 10, stop=10 * mains_frequency, per_decade=20, vectors=(output,), extra=extra)
    replies = yield [replace(sweep, excite=source) for source in ("signal", *(f"{name}_heater" for name in heated))]
    frequency = np.asarray(replies[0].axis, dtype=float)

    def at_mains(reply: Any) -> Any:
        found = vector(reply, output)
        return at_frequency(frequency, found.real, mains_frequency) + 1j * at_frequency(
            frequency, found.imag, mains_frequency
        )

    gain, total = np.abs(at_mains(replies[0])), 0.0
    variables: dict[str, Variable] = {}
    for (name, volts), reply in zip(heated.items(), replies[1:], strict=True):
        transfer = at_mains(reply)
        total = total + share * volts * transfer
        variables[f"valves.{name}.output_rms"] = scalar(
            share * volts * np.abs(transfer), "V", f"hum of {name}'s heater at the output, r.m.s."
        )
        variables[f"valves.{name}.transfer_db"] = scalar(
            decibels(np.abs(transfer)), "dB", f"transfer from {name}'s heater to the output"
        )
        variables[f"valves.{name}.curve_db"] = Variable(
            ("frequency",),
            decibels(np.abs(vector(reply, output))),
            "dB",
            f"transfer from {name}'s heater to the output",
        )
    hum = np.abs(total)
    figures = {
        "output_rms": scalar(hum, "V", "hum of all heaters at the output, r.m.s."),
        "input_rms": scalar(divide(hum, gain), "V", "hum of all heaters, referred to the input, r.m.s."),
    }
    return Result(
        {**figures, **variables},
        coords={"frequency": axis(frequency, "Hz", "frequency")},
        conditions={
            "mains_frequency": (mains_frequency, "Hz"),
            "heater_voltage": (", ".join(f"{name} {share * volts:g} V" for name, volts in heated.items()), ""),
            "leakage": ("of the valves' files, mostly assumed", ""),
        },
    )


def across_one_system(heater: Any) -> float:
    """Return the voltage across the heater of one system of a valve [V r.m.s.].

    A heater with an alternative lower voltage has a centre tap: its halves, one a system, have that one.
    """
    found = re.match(r"([0-9.]+) V", heater.alternative or "")
    return min(float(heater.voltage), float(found.group(1))) if found else float(heater.voltage)


def _without_heaters(stage: StageLike) -> Steps:
    """Say that nothing was measured: other measures of the same stage go on."""
    op = yield Op()
    nothing = np.full(count(op), np.nan)
    said = Finding.of("no_heater_apart", stage.name, measure="heater_hum")
    return Result(
        {
            "output_rms": scalar(nothing, "V", "hum of all heaters at the output, r.m.s."),
            "input_rms": scalar(nothing, "V", "hum of all heaters, referred to the input, r.m.s."),
        },
        conditions={"heaters": ("none apart from a cathode", "")},
        findings=[[said] for _ in nothing],
    )
