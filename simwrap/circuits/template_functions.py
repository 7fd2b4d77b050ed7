"""Parts of a circuit as plain vectorised functions that templates may call."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from simwrap.errors import RangeError
from simwrap.units import eseries


class Given(float):
    """A design value that knows its name, so that the element that it is printed for knows it too."""

    parameter, track = "", False


class GivenColumn(np.ndarray[Any, np.dtype[np.float64]]):
    """The same, one value a point. What is computed from it is no longer a design value, and has no name."""

    parameter, track = "", False


def given(value: Any, parameter: str, track: bool = False) -> Any:
    """Return a number or column that knows the parameter whose value it is; ``track``: a leg of that potentiometer."""
    if not parameter or isinstance(value, str):
        return value
    array = np.asarray(value, dtype=float)
    made = array.view(GivenColumn) if array.ndim else Given(array)
    made.parameter, made.track = parameter, track
    return made


def _of(source: Any, value: Any, track: bool = False) -> Any:
    return given(value, getattr(source, "parameter", ""), track)


#: Smallest leg of a potentiometer that is written into a netlist [ohm]: a wiper at its end stop.
SMALLEST_RESISTANCE = 1e-3
#: What a resistor of 0 is written as [ohm]. At a milliohm the rounding of a few hundred volts is more
#: current than an operating point may be off by, and it doesn't always converge.
CONNECTION = 1e-2
#: Resistance that stands for no connection [ohm], where a part comes and goes within a sweep.
OPEN = 1e12

#: Tapers of a potentiometer.
TAPERS = ("linear", "logarithmic", "reverse_logarithmic")


def taper(position: Any, kind: str, at_half: Any = 0.1) -> Any:
    """Return the fraction of a potentiometer's resistance between its low end and the wiper.

    Parameters
    ----------
    position : float or ndarray
        Rotation 0..1, 1 fully clockwise.
    kind : str
        "linear", "logarithmic" or "reverse_logarithmic"; the last two of two straight segments each (common
        practice, no source).
    at_half : float or ndarray
        The fraction at half travel of a logarithmic track, mostly 0.1, or 0.15 or 0.2; of a reverse one, what is
        missing to 1.

    Returns
    -------
    float or ndarray
        0..1, same shape as ``position``.
    """
    if kind not in TAPERS:
        raise RangeError("taper", kind, " or ".join(TAPERS))
    given = np.asarray(at_half)
    middle = {"linear": np.asarray(0.5), "logarithmic": given, "reverse_logarithmic": 1.0 - given}[kind]
    return np.where(
        np.asarray(position) <= 0.5,
        2.0 * middle * np.asarray(position),
        middle + (1.0 - middle) * (2.0 * np.asarray(position) - 1.0),
    )


def leg(total: Any, fraction: Any) -> Any:
    """Return one leg of a potentiometer [ohm]: ``total`` [ohm] times ``fraction``, never quite 0."""
    return _of(total, np.maximum(np.asarray(total) * np.asarray(fraction), SMALLEST_RESISTANCE), track=True)


def resistance(value: Any) -> Any:
    """Return ``value`` [ohm] as a resistance a netlist can hold: 0 becomes 10 milliohms."""
    return _of(value, np.maximum(np.asarray(value), CONNECTION))


def preferred(value: Any, series: str) -> Any:
    """Return the nearest value of a series of IEC 60063, such as "E24"; 0 stays 0. Of a column each by itself.

    Parameters
    ----------
    value : float or ndarray
        Resistance or capacitance, in any unit.
    """
    whole = np.asarray(value, dtype=float)
    found = [eseries.nearest(each, series) if each > 0.0 else 0.0 for each in whole.ravel().tolist()]
    return np.array(found).reshape(whole.shape)


class TappedLegs(NamedTuple):
    """Resistances [ohm] of a potentiometer with a tap; see :func:`tapped_legs`."""

    high_wiper: Any
    high_tap: Any
    wiper_tap: Any
    low_tap: Any
    low_wiper: Any


def tapped_legs(total: Any, fraction: Any, tap: Any = 0.5) -> TappedLegs:
    """Return what lies between the ends, the wiper and a tap of a track [ohm], by default one in the middle.

    The wiper stands on one side of the tap, so that one end reaches it only by way of the tap:
    that connection is written as :data:`OPEN`, so that a sweep keeps one circuit.

    Parameters
    ----------
    total : float or ndarray
        Resistance of the whole track [ohm].
    fraction : float or ndarray
        Part of the resistance between the low end and the wiper, 0..1.
    tap : float or ndarray
        Part of it between the low end and the tap.
    """
    fraction, tap = np.asarray(fraction, dtype=float), np.asarray(tap, dtype=float)
    whole = np.asarray(total, dtype=float)
    upper = fraction >= tap
    high, low = leg(total, 1.0 - fraction), leg(total, fraction)
    legs = (
        np.where(upper, high, OPEN),
        np.where(upper, OPEN, whole * (1.0 - tap)),
        leg(total, np.abs(fraction - tap)),
        np.where(upper, whole * tap, OPEN),
        np.where(upper, OPEN, low),
    )
    return TappedLegs(*(_of(total, each, track=True) for each in legs))


def core_scale(inductance: Any, voltage: Any, frequency: float = 20.0) -> Any:
    """Return the reciprocal of the magnetising current at which a core begins to saturate [1/A].

    The extra current is the magnetising current times the eighth power of that current times
    this: at the peak of ``voltage`` the unsaturated magnetising current has doubled.

    Parameters
    ----------
    inductance : float or ndarray
        Inductance of a winding [H].
    voltage : float or ndarray
        Voltage across that winding, rms [V], at ``frequency`` [Hz].
    """
    return 2.0 * np.pi * frequency * np.asarray(inductance) / (np.sqrt(2.0) * np.asarray(voltage))
