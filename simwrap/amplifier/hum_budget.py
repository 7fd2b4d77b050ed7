"""Noise and hum at the output by cause: supply ripple, heaters, resistors, valves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simwrap.circuits.circuit import Circuit
from simwrap.engine import Run
from simwrap.measures.numerics.weighting import a_weighting
from simwrap.simulation.measurement import Measurement
from simwrap.simulation.simulate import transfer

#: What the ripple of a supply is called in a budget.
RIPPLE = "supply ripple"


@dataclass(frozen=True)
class HumSource:
    """A cause of noise or hum.

    Attributes
    ----------
    name : str
    level, weighted : float
        At the output, 22 Hz to 22 kHz, unweighted and A-weighted (IEC 61672-1) [V r.m.s.].
    part_of : str
        The cause that it is already counted in, "" for none.
    """

    name: str
    level: float
    weighted: float
    part_of: str = ""


def tone(name: str, level: float, frequency: float, part_of: str = "") -> HumSource:
    """Return a cause at one frequency [Hz]."""
    factor = 10.0 ** (float(a_weighting(np.array([frequency]))[0]) / 20.0)
    return HumSource(name, level, level * factor, part_of)


def ripple_causes(circuit: Circuit, ports: list[str], ripple: float, frequency: float, run: Run) -> list[HumSource]:
    """Return what ripple of a supply leaves at the output: in all, and through each port that hangs on it.

    Parameters
    ----------
    circuit : Circuit
    ports : list of str
        Supplies that have the same ripple.
    ripple : float
        [V r.m.s.] at ``frequency`` [Hz], twice that of the mains.
    """
    transfers = {port: transfer(circuit, "output", excite=port, frequency=frequency, run=run) for port in ports}
    whole = tone(RIPPLE, ripple * abs(sum(transfers.values())), frequency)
    return [whole, *(tone(f"ripple through {port}", ripple * abs(ratio), frequency, whole.name)
                     for port, ratio in transfers.items())]  # fmt: skip


def heater_causes(found: Measurement, mains: float) -> list[HumSource]:
    """Return the hum of the heaters: in all, and of each valve."""
    hum = found.heater_hum
    whole = tone("heater-cathode leakage", hum.output_rms, mains)
    if "valves" not in hum:
        return []
    each = [path.removesuffix(".output_rms") for path in hum.paths if path.endswith(".output_rms")]
    return [whole, *(tone(f"heater of {path.removeprefix('valves.')}", hum[f"{path}.output_rms"], mains, whole.name)
                     for path in each)]  # fmt: skip


def noise_causes(found: Measurement) -> list[HumSource]:
    """Return the noise of resistors, of valves, and the valves' flicker.

    Resistors and valves are told apart by the valves' share at 1 kHz.
    """
    noise = found.noise
    share = min(max(noise.valve_share_1khz / 100.0, 0.0), 1.0)
    plain, weighted = noise.output_rms, noise.output_rms_a_weighted

    def flicker(key: str, without: float) -> float:
        return float(np.sqrt(max(noise.with_flicker[key] ** 2 - without**2, 0.0)))

    return [
        HumSource("thermal noise of resistors", plain * np.sqrt(1.0 - share), weighted * np.sqrt(1.0 - share)),
        HumSource("shot and partition noise of valves", plain * np.sqrt(share), weighted * np.sqrt(share)),
        HumSource("flicker noise of valves", flicker("output_rms", plain), flicker("output_rms_a_weighted", weighted)),
    ]


def total(causes: list[HumSource]) -> tuple[float, float]:
    """Return the sum by power of what isn't part of another cause, unweighted and A-weighted [V r.m.s.]."""
    own = [cause for cause in causes if not cause.part_of]
    return tuple(float(np.sqrt(sum(getattr(cause, key) ** 2 for cause in own))) for key in ("level", "weighted"))  # type: ignore[return-value]
