"""Parts of a circuit as plain vectorised functions that templates may call."""

from __future__ import annotations

from typing import Any

import numpy as np

from simwrap.errors import RangeError

#: Smallest resistance that is written into a netlist [ohm]: a wiper at its end stop.
SMALLEST_RESISTANCE = 1e-3

#: Resistance fraction below the wiper at mid-travel, by taper. Common practice (two-segment
#: approximation of a logarithmic track: 10 % at half travel), no source.
TAPER_MIDPOINTS = {"linear": 0.5, "logarithmic": 0.1, "reverse_logarithmic": 0.9}


def taper(position: Any, kind: str) -> Any:
    """Return the fraction of a potentiometer's resistance between its low end and the wiper.

    Parameters
    ----------
    position : float or ndarray
        Rotation 0..1, 1 fully clockwise.
    kind : str
        "linear", "logarithmic" (10 % of the resistance at mid-travel) or
        "reverse_logarithmic" (90 %); two straight segments each.

    Returns
    -------
    float or ndarray
        0..1, same shape as ``position``.
    """
    if kind not in TAPER_MIDPOINTS:
        raise RangeError("taper", kind, " or ".join(TAPER_MIDPOINTS))
    middle = TAPER_MIDPOINTS[kind]
    return np.where(
        np.asarray(position) <= 0.5,
        2.0 * middle * np.asarray(position),
        middle + (1.0 - middle) * (2.0 * np.asarray(position) - 1.0),
    )


def leg(total: Any, fraction: Any) -> Any:
    """Return one leg of a potentiometer [ohm]: ``total`` [ohm] times ``fraction``, never quite 0."""
    return np.maximum(np.asarray(total) * np.asarray(fraction), SMALLEST_RESISTANCE)


def resistance(value: Any) -> Any:
    """Return ``value`` [ohm] as a resistance a netlist can hold: 0 becomes a milliohm."""
    return np.maximum(np.asarray(value), SMALLEST_RESISTANCE)
