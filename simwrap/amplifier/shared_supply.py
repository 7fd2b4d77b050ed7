"""The supply as what hangs on it sees it: all channels on one source impedance.

The rectifier is a resistance behind its reservoir (what the regulation curve falls by about the working point); filter
and capacitors stand as they are, and a fixed grid bias falls with the reservoir. So many alike channels on one supply
have two kinds of solutions: they do the same, and each sees the supply's impedance as many times over; or what one
draws another one doesn't, and the supply stands still. From these two everything follows that channels do to one
another, in a circuit of a single channel (symmetrical components: C. L. Fortescue, Trans. AIEE 37 (1918) 1027, from
memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.amplifier.supply_match import Match, fed
from simwrap.circuits.circuit import Circuit, joined_name
from simwrap.circuits.design_file import Design
from simwrap.circuits.joins import Join
from simwrap.circuits.stage import Stage, stage
from simwrap.engine import DEFAULT, Run
from simwrap.netlist.element import Element
from simwrap.simulation.simulate import raw, transfers

#: Least resistance of a rectifier [ohm], should the curve be flatter than the filter alone.
_LEAST = 1.0
#: Name of the stage that stands for the supply.
SOURCE = "supply_source"
#: Name of the real supply, where it stands itself.
MAINS = "mains_supply"


@dataclass(frozen=True)
class Crosstalk:
    """What one channel leaves at another's output through their supply.

    Attributes
    ----------
    frequency : ndarray, shape (n,)
        [Hz].
    level_db : ndarray, shape (n,)
        Output of a channel whose source is silent, below that of the driven one [dB].
    """

    frequency: NDArray[Any]
    level_db: NDArray[Any]


def source(design: Design, found: Match, *, share: float = 1.0) -> Stage:
    """Return the stage that stands for the supply.

    Parameters
    ----------
    design : Design
    found : Match
        Where supply and channels agree.
    share : float
        How many times its impedance a channel sees: the number of channels that do the same, or that of those which
        are really there, divided by it.
    """
    assert design.supply is not None
    values = design.supply.values
    choke = values["filter"] == "choke"
    series = float(values["choke_resistance" if choke else "filter_resistor"])
    resistance = max(float(found.supply.supply.output_resistance) - series, _LEAST)
    return stage(
        "sagging_supply",
        supply=found.voltage,
        rest_current=found.current / share,
        source_resistance=share * resistance,
        reservoir_capacitor=float(values["reservoir_capacitor"]) / share,
        filter_resistance=share * series,
        choke_inductance=share * float(values["choke_inductance"]) if choke else 0.0,
        filter_capacitor=float(values["filter_capacitor"]) / share,
        bias=grid_bias(found.circuit)[1],
    )


def grid_bias(circuit: Circuit) -> tuple[list[str], float]:
    """Return the ports of a grid bias that nothing makes but the mains transformer, and its voltage [V].

    Of several voltages none is taken: which of them the transformer makes isn't known, so they stay as they are.
    """
    below = {}
    for port in circuit.supplies:
        place = circuit.placed_ports[port]
        volts = float(circuit.values[joined_name(place.stage, place.port.supply)])
        if volts < 0:
            below[port] = volts
    return (list(below), next(iter(below.values()))) if len(set(below.values())) == 1 else ([], 0.0)


def feeding(design: Design, circuit: Circuit, *, prefix: str = "") -> list[Join]:
    """Return what leads from the supply to a channel, whose stages have ``prefix`` in front of their names."""
    joins = [Join(f"{SOURCE}.output", f"{prefix}{port}") for port, _ in fed(design)]
    return joins + [Join(f"{SOURCE}.bias", f"{prefix}{port}") for port in grid_bias(circuit)[0]]


def one_channel(design: Design, found: Match, circuit: Circuit) -> Circuit:
    """Return one channel on the supply's impedance, as it is when all channels do the same."""
    stages = {SOURCE: source(design, found, share=design.channels), **circuit.stages}
    ends = [circuit.ends[name].full for name in ("input", "output")]
    return Circuit(stages, (*circuit.joins, *feeding(design, circuit)), circuit.title, *ends)


def all_channels(design: Design, found: Match, circuit: Circuit) -> Circuit:
    """Return every channel on one supply; stages have ``first_``, ``second_``, ... in front of their names."""
    stages: dict[str, Stage] = {SOURCE: source(design, found)}
    joins: list[Join] = []
    for number in range(design.channels):
        name = channel(number)
        stages |= {f"{name}_{own}": made for own, made in circuit.stages.items()}
        joins += [Join(*(f"{name}_{end}" for end in join)) for join in circuit.joins]
        joins += feeding(design, circuit, prefix=f"{name}_")
    ends = [f"{channel(0)}_{circuit.ends[name].full}" for name in ("input", "output")]
    return Circuit(stages, tuple(joins), circuit.title, *ends)


def channel(number: int) -> str:
    """Return the name of a channel, counted from 0."""
    words = ("first", "second", "third", "fourth")
    return words[number] if number < len(words) else f"channel{number + 1}"


def crosstalk(design: Design, found: Match, circuit: Circuit, **how: Any) -> Crosstalk:
    """Return what comes through the supply when one channel is driven.

    What drives a single channel is a part that is alike in all of them, and one that they do against one another; the
    driven channel has the sum of both, a silent one the difference.

    Parameters
    ----------
    design : Design
    found : Match
    circuit : Circuit
        One channel, at the voltage on which supply and channels agree.
    how
        ``start``, ``stop`` [Hz], ``per_decade`` and ``run`` of :func:`~simwrap.simulation.simulate.transfers`.
    """
    asked: Mapping[str, Any] = {"start": 20.0, "stop": 20e3, "per_decade": 10, **how}
    frequency, whole = transfers(one_channel(design, found, circuit), "output", **asked)
    still = transfers(circuit, "output", **asked)[1]
    driven = whole + (design.channels - 1) * still
    return Crosstalk(frequency, 20.0 * np.log10(np.abs((whole - still) / driven)))


def on_rectifier(design: Design, found: Match, circuit: Circuit) -> Circuit:
    """Return one channel on the real supply, the mains its signal; the others are a current that the supply gives."""
    assert design.supply is not None
    share = (design.channels - 1.0) / design.channels
    real = design.supply.replace(load_current=found.current * share)
    joins = [*circuit.joins, *(Join(f"{MAINS}.output", port) for port, _ in fed(design))]
    stages = {MAINS: real, **circuit.stages}
    return Circuit(stages, tuple(joins), circuit.title, f"{MAINS}.input", circuit.ends["output"].full)


def hum(design: Design, found: Match, circuit: Circuit, *, run: Run = DEFAULT) -> tuple[float, float]:
    """Return what the rectifier leaves in the steady state of supply and channel together [V r.m.s.].

    Returns
    -------
    output, ripple : float
        Of twice the mains frequency, at the channel's output and at the supply's.
    """
    whole = on_rectifier(design, found, circuit)
    at = f"{MAINS}.output"
    # It is looked for from where a charged reservoir leaves everything: from nothing it is far.
    charged = "n_charged"
    near = [
        Element("v_charged", (charged, "0"), float(found.supply.supply.reservoir_voltage)),
        Element("r_charged", (charged, whole.ports[f"{MAINS}.reservoir"]), 1.0),
    ]
    waves = raw(whole, "period", nodes=["output", at], level=1.0, frequency=design.mains_frequency, samples=1024,
                near=near, run=run)  # fmt: skip
    output, ripple = (float(np.sqrt(2.0) * np.abs(np.fft.rfft(waves[name][0]))[2] / 1024) for name in ("output", at))
    return output, ripple
