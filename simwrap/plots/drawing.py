"""Drawing what was measured: the data with their labels, and the picture that each measure names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import matplotlib
from matplotlib.figure import Figure

from simwrap.errors import InputError, SimwrapError, UnknownNameError
from simwrap.measures.registry import get_measure, measures
from simwrap.plots.reader import Reader
from simwrap.plots.style import STYLE, drawn_in
from simwrap.plots.waveforms import draw_waveforms
from simwrap.registry import find
from simwrap.simulation.dataset import NOTES
from simwrap.simulation.measurement import Measurement, measure

if TYPE_CHECKING:
    import xarray


def drawable(name: str) -> bool:
    """Return whether there is a measure of that name that has a picture."""
    try:
        return get_measure(name).picture is not None
    except UnknownNameError:
        return False


def draw(name: str, data: xarray.Dataset, circuit: Any = None, *, ax: Any = None) -> Figure:
    """Draw one measure.

    Parameters
    ----------
    name : str
        The measure, in any case.
    data : xarray.Dataset
        Of a measurement (``to_dataset()``) or of a sweep with its curves kept.
    circuit : Stage, optional
        What was measured, for valves of a builder's own folder.
    ax : matplotlib Axes, optional
        Axes whose place in their figure the picture takes, all its panels; the part of that figure is returned.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    UnknownNameError
        If the measure has no picture.
    InputError
        If the data lack it, or its curves.
    """
    found = find("picture of a measure", name, {key: made for key, made in measures().items() if made.picture})
    drawer = found.drawer()
    assert drawer is not None
    reader = Reader(found.name, data, circuit)
    if not any(reader.of(name).paths() for name in (found.name, *found.shows)):
        raise InputError(f"plot: the data hold nothing of {found.name}; measure or sweep it")
    with matplotlib.rc_context(STYLE), drawn_in(ax):
        figure: Figure = drawer(reader)
    return figure


def plot(found: Any, name: str | None = None, *, ax: Any = None) -> Figure:
    """Draw one measure of what was measured or swept.

    Parameters
    ----------
    found : Measurement or xarray.Dataset
        From :func:`simwrap.measure`, from :func:`simwrap.sweep` with its curves kept, or from :func:`simwrap.simulate`.
    name : str, optional
        Which measure; by default the first that has a picture (of a measurement), or
        "response" (of a sweep).
    ax : matplotlib Axes, optional
        Axes whose place in their figure the picture takes, such as one of ``fig.subplots(1, 2)``.

    Returns
    -------
    matplotlib.figure.Figure
        A notebook shows it where a cell ends with it; ``show()`` shows it also in a loop and from a script,
        ``savefig`` writes it.

    Raises
    ------
    UnknownNameError
        If the measure has no picture or wasn't measured.
    InputError
        If the data lack its curves.

    Examples
    --------
    >>> import simwrap
    >>> result = simwrap.measure(simwrap.stage("triode_gain"), ["response"])
    >>> picture = simwrap.plot(result, "response")
    >>> picture.axes[-1].get_xlabel()
    'frequency [Hz]'
    """
    if hasattr(found, "data_vars") and "analysis" in found.attrs:
        with drawn_in(ax):
            return draw_waveforms(found)
    if hasattr(found, "data_vars"):
        return draw(name or "response", found, ax=ax)
    measured: Measurement = found
    if name is None:
        name = next((key for key in measured if drawable(key)), None)
        if name is None:
            raise InputError(f"plot: none of {', '.join(measured) or 'nothing'} has a picture")
    name = find("measure in this measurement", name, {key: key for key in measured})
    return draw(name, _with_shown(measured, name), measured.stage, ax=ax)


def _with_shown(found: Measurement, name: str) -> xarray.Dataset:
    """Return a measurement as a Dataset, with what the picture shows besides the measure itself."""
    data = found.to_dataset()
    known = measures().get(name)
    more = [other for other in (known.shows if known else ()) if other not in found]
    if more:
        try:
            added = measure(found.stage, more).to_dataset()
        except SimwrapError:  # the picture does without
            return data
        data = data.assign({key: values for key, values in added.data_vars.items() if key not in NOTES})
    return data
