"""Which measure has which picture, and the functions that draw one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import matplotlib
from matplotlib.figure import Figure

from simwrap.errors import InputError
from simwrap.measures.requests import Result
from simwrap.plots.anode_curves import draw_bias
from simwrap.plots.curves import (
    draw_balance,
    draw_distortion,
    draw_equalisation,
    draw_headroom,
    draw_heater_hum,
    draw_impedance,
    draw_noise,
    draw_power,
    draw_recovery,
    draw_rejection,
    draw_response,
    draw_square_wave,
    draw_supply,
    draw_tone_curves,
)
from simwrap.plots.readers import Reader, keys_of, read_dataset, read_dict, read_result
from simwrap.plots.style import STYLE
from simwrap.plots.waveforms import draw_waveforms
from simwrap.registry import find

if TYPE_CHECKING:
    import xarray

_DRAWERS: dict[str, Callable[[Reader], Figure]] = {
    "bias": draw_bias,
    "response": draw_response,
    "tone_curves": draw_tone_curves,
    "headroom": draw_headroom,
    "distortion": draw_distortion,
    "power": draw_power,
    "balance": draw_balance,
    "equalisation": draw_equalisation,
    "impedance": draw_impedance,
    "noise": draw_noise,
    "rejection": draw_rejection,
    "heater_hum": draw_heater_hum,
    "recovery": draw_recovery,
    "square_wave": draw_square_wave,
    "supply": draw_supply,
}


def drawable(name: str) -> bool:
    """Return whether a measure has a picture."""
    return name.casefold() in _DRAWERS


def draw(name: str, result: Result | Mapping[str, Any] | xarray.Dataset, stage: Any = None) -> Figure:
    """Draw one measure.

    Parameters
    ----------
    name : str
        The measure, in any case.
    result : Result, mapping, or xarray.Dataset
        What it returned; its nested plain values (as JSON has them); or a sweep with curves.
    stage : Stage, optional
        Names the picture; the picture of ``bias`` needs it.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    UnknownNameError
        If the measure has no picture.
    InputError
        If the data lack its curves.
    """
    drawer = find("picture of a measure", name, _DRAWERS)
    key = name.casefold()
    if isinstance(result, Result):
        reader = read_result(key, result, stage)
    elif isinstance(result, Mapping) and not hasattr(result, "data_vars"):
        reader = read_dict(key, result, stage)
    else:
        data: Any = result
        reader = read_dataset(key, data, keys_of(key, data))
    with matplotlib.rc_context(STYLE):
        return drawer(reader)


def plot(found: Any, name: str | None = None) -> Figure:
    """Draw one measure of what was measured or swept.

    Parameters
    ----------
    found : Measurement or xarray.Dataset
        From :func:`simwrap.measure`, from :func:`simwrap.sweep` with its curves kept, or from :func:`simwrap.simulate`.
    name : str, optional
        Which measure; by default the first that has a picture (of a measurement), or
        "response" (of a sweep).

    Returns
    -------
    matplotlib.figure.Figure
        A notebook shows it; ``savefig`` writes it.

    Raises
    ------
    UnknownNameError
        If the measure has no picture or wasn't measured.
    InputError
        If the data lack its curves.
    """
    if hasattr(found, "data_vars") and "analysis" in found.attrs:
        return draw_waveforms(found)
    if hasattr(found, "data_vars"):
        return draw(name or "response", found)
    results: Mapping[str, Result] = found.results
    if name is None:
        name = next((key for key in results if drawable(key)), None)
        if name is None:
            raise InputError(f"plot: none of {', '.join(results) or 'nothing'} has a picture")
    result = find("measure in this measurement", name, results)
    return draw(name, result, found.stage)
