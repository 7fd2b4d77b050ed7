"""Preferred values, IEC 60063: the E3 to E192 series."""

from __future__ import annotations

import math
from itertools import count, takewhile

from simwrap.errors import InputError, UnknownNameError

__all__ = ["SERIES", "nearest", "step", "values"]

# E3 to E24 have two figures and eight values that are not the rounded power (2.7 to 4.7, 8.2).
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
# E48 to E192 are 10**(n/192) with three figures, with one exception: n = 185 is 9.20, not 9.19.
_E192 = tuple(920 if n == 185 else round(100 * 10 ** (n / 192)) for n in range(192))

#: Figures of one decade, by the name of the series.
SERIES: dict[str, tuple[int, ...]] = {
    "E3": _E24[::8],
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}


def values(series: str, low: float, high: float) -> list[float]:
    """Return the preferred values from `low` to `high`, both included.

    Parameters
    ----------
    series : str
        "E3", "E6", "E12", "E24", "E48", "E96" or "E192", in any case.
    low, high : float
        The range, in any one unit; both above zero.

    Returns
    -------
    list of float
        Ascending, in the unit of `low`; empty where there is no preferred value in the range.

    Raises
    ------
    UnknownNameError
        If there is no such series.
    InputError
        If a bound isn't finite and above zero.

    Notes
    -----
    Source: IEC 60063.

    Examples
    --------
    >>> values("E6", 1000, 5000)
    [1000.0, 1500.0, 2200.0, 3300.0, 4700.0]
    """
    figures = _figures(series)
    _check(high)
    first = _index(figures, low)
    return list(takewhile(lambda value: value <= high, (_at(figures, n) for n in count(first))))


def nearest(value: float, series: str) -> float:
    """Return the preferred value whose ratio to `value` is closest to one.

    Parameters
    ----------
    value : float
        Above zero, in any unit.
    series : str
        As for :func:`values`.

    Returns
    -------
    float
        The preferred value, in the unit of `value`. Of two that are equally close, the larger.

    Raises
    ------
    UnknownNameError
        If there is no such series.
    InputError
        If `value` isn't finite and above zero.

    Notes
    -----
    Source: IEC 60063. The ratio counts, not the difference, because tolerances are ratios.

    Examples
    --------
    >>> nearest(1234, "E12")
    1200.0
    """
    figures = _figures(series)
    above = _index(figures, value)
    low, high = _at(figures, above - 1), _at(figures, above)
    return high if high / value <= value / low else low


def step(value: float, series: str, n: int) -> float:
    """Return the `n`-th preferred value above `value` (below it for a negative `n`).

    Parameters
    ----------
    value : float
        Above zero, in any unit; it needn't be a preferred value.
    series : str
        As for :func:`values`.
    n : int
        How many steps; 0 gives the nearest preferred value.

    Returns
    -------
    float
        The preferred value, in the unit of `value`.

    Raises
    ------
    UnknownNameError
        If there is no such series.
    InputError
        If `value` isn't finite and above zero.

    Notes
    -----
    Source: IEC 60063.

    Examples
    --------
    >>> step(4700, "E12", 1)
    5600.0
    """
    if n == 0:
        return nearest(value, series)
    figures = _figures(series)
    above = _index(figures, value)
    if n > 0 and _at(figures, above) == value:
        above += 1
    return _at(figures, above + n - 1 if n > 0 else above + n)


def _figures(series: str) -> tuple[int, ...]:
    """Return the figures of a series by name."""
    try:
        return SERIES[str(series).strip().upper()]
    except KeyError:
        raise UnknownNameError("series of preferred values", series, SERIES) from None


def _check(value: float) -> None:
    """Refuse what has no logarithm."""
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"a preferred value is looked for near {value!r}; give a finite value above zero")


def _at(figures: tuple[int, ...], index: int) -> float:
    """Return the value at an index that counts through the decades; 0 is 1.0."""
    decade, place = divmod(index, len(figures))
    figure = figures[place]
    # Through text, so that 4.7e-9 is the float that everybody writes.
    return float(f"{figure}e{decade - len(str(figure)) + 1}")


def _index(figures: tuple[int, ...], value: float) -> int:
    """Return the index of the smallest preferred value that is not below `value`."""
    _check(value)
    index = math.floor(math.log10(value)) * len(figures) - 1
    while _at(figures, index) < value:
        index += 1
    return index
