"""Text to plain floats in SI base units at the door, and back for people.

"4k7", "22 nF" and "1.5 kohm" exist only here; everything inside simwrap is a float. The two
libraries that know the notations, quantiphy (SI prefixes) and rkm-codes (IEC 60062), guess
when they are unsure: one reads "4k7" as 4, the other drops a trailing unit. So the whole text
is matched against a strict pattern first, and its unit has to be one that the parameter takes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from numbers import Real

from simwrap.errors import QuantityError

__all__ = ["UNITS", "alike", "parse", "render"]


@dataclass(frozen=True)
class _Unit:
    """How one unit is written: prefixes it takes, its spellings, its sign, and words for errors."""

    quantity: str
    examples: str
    sign: str
    prefixes: str = ""
    #: Spellings that count only as written ("S" is not "s").
    exact: tuple[str, ...] = ()
    #: Spellings without regard to case.
    folded: tuple[str, ...] = ()
    #: Letters that can stand for the decimal point without a prefix, as in "R47" and "6V3".
    points: str = ""


# Only the prefixes of real parts: "22n" for a resistor is a slip, not 22 nanohms. Old circuit
# diagrams write M and mfd for microfarad, so a capacitance takes neither: both are refused.
_UNITS = {
    "ohm": _Unit("a resistance", '1500, "1k5" or "1.5 kohm"', "Ω", "mkMGT", ("Ω", "R"), ("ohm", "ohms"), "Rr"),
    "F": _Unit("a capacitance", '2.2e-08, "22n" or "22 nF"', "F", "pnum", ("F",), ("farad", "farads"), "F"),
    "H": _Unit("an inductance", '0.01, "10m" or "10 mH"', "H", "num", ("H",), ("henry", "henries"), "H"),
    "V": _Unit("a voltage", '285, "285 V" or "500 mV"', "V", "numk", ("V", "v"), ("volt", "volts"), "V"),
    "A": _Unit(
        "a current",
        '0.0012, "1.2m" or "1.2 mA"',
        "A",
        "pnum",
        ("A",),
        ("amp", "amps", "ampere", "amperes"),
        "A",
    ),
    "W": _Unit("a power", '10, "10 W" or "250 mW"', "W", "numk", ("W",), ("watt", "watts"), "W"),
    "Hz": _Unit("a frequency", '1000, "1k" or "1 kHz"', "Hz", "mkMG", (), ("hz", "hertz")),
    "s": _Unit("a time", '0.01, "10m" or "10 ms"', "s", "pnum", ("s",), ("second", "seconds")),
    "S": _Unit("a conductance", '0.0016, "1.6m", "1.6 mS" or "1.6 mA/V"', "S", "num", ("S", "A/V"), ("siemens",)),
    "dB": _Unit("a level in decibels", '-3 or "-3 dB"', "dB", "", ("dB",), ("db",)),
    "degree": _Unit("an angle in degrees", '45 or "45 deg"', "°", "", ("°",), ("deg", "degree", "degrees")),
    "%": _Unit("a percentage", '5 or "5 %"', "%", "", ("%",)),
    "": _Unit("a plain number", '0.5 or "50 %"', ""),
}
_Refuse = Callable[[str], QuantityError]
#: Other words that callers use for a plain number.
_SAME = {"ratio": "", "position": "", "Ω": "ohm"}
#: Every unit that :func:`parse` takes.
UNITS = (*_UNITS, *_SAME)

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_LOOKALIKES = str.maketrans({"\u00b5": "u", "\u03bc": "u", "\u2126": "Ω", "\u2212": "-"})
_ALLOWED = re.compile(r"[0-9A-Za-z.+\- %/Ω°]*")
_PREFIX_POWERS = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}


def parse(given: object, unit: str, parameter: str = "") -> float:
    """Read a quantity given as text or a number.

    Text is a number, an optional SI prefix and an optional unit ("22 nF", "1.5 kohm", "285 V",
    "1e-3"), or an IEC 60062 code ("4k7", "R47", "2m2"). K and k are both kilo, M and meg are
    mega, m is milli, and u and µ are micro: as in IEC 60062, unlike SPICE, where M is milli.

    Parameters
    ----------
    given : str or real number
        The quantity. A number is taken in the base unit as it is.
    unit : str
        The unit expected: "ohm", "F", "H", "V", "A", "W", "Hz", "s", "S", "dB", "degree", "%",
        or "" (also "ratio" and "position") for a plain number, where "50 %" is 0.5.
    parameter : str, optional
        The parameter's name, for the error.

    Returns
    -------
    float
        The finite value in `unit`.

    Raises
    ------
    QuantityError
        If the text is no quantity, is ambiguous, has another unit, or isn't finite.

    Notes
    -----
    Codes with a letter in place of the decimal point follow IEC 60062.

    Examples
    --------
    >>> parse("4k7", "ohm")
    4700.0
    >>> parse("22 nF", "F")
    2.2e-08
    """
    unit = _SAME.get(unit, unit)
    known = _UNITS[unit]
    accepted = f"{known.quantity} such as {known.examples}"

    def refuse(reading: str) -> QuantityError:
        return QuantityError(parameter, given, reading, accepted)

    if isinstance(given, str):
        value = _read_text(given, unit, refuse)
    elif isinstance(given, bool) or not isinstance(given, Real):
        raise refuse(f"is {_kind(given)}, not a quantity")
    else:
        try:
            value = float(given)
        except OverflowError:
            value = math.inf
    if math.isnan(value):
        raise refuse("is not a number")
    if math.isinf(value):
        raise refuse("is not finite")
    return value


def render(value: float, unit: str = "", *, digits: int = 4) -> str:
    """Write a quantity for people, with an SI prefix.

    Parameters
    ----------
    value : float
        The value in `unit`; NaN gives "not found".
    unit : str, optional
        The unit, as for :func:`parse`; any other, such as "V/rtHz", is written as it is.
    digits : int, optional
        Significant digits; zeros at the end are left out.

    Returns
    -------
    str
        Such as "4.7 kΩ", "22 nF", "1.52 V" or "not found".

    Examples
    --------
    >>> render(4700.0, "ohm")
    '4.7 kΩ'
    >>> render(0.5)
    '0.5'
    """
    unit = _SAME.get(unit, unit)
    sign = _UNITS[unit].sign if unit in _UNITS else unit
    gap = "" if sign in ("", "°") else " "
    value = float(value)
    if math.isnan(value):
        return "not found"
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}∞{gap}{sign}"
    if value == 0:
        return f"0{gap}{sign}"
    mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
    power = 0 if unit in ("", "dB", "degree", "%") else min(max(3 * (int(exponent) // 3), -15), 12)
    # Round first, so that 999.96 becomes 1 k, then shift by the decimal exponent: no error.
    shifted = float(f"{mantissa}e{int(exponent) - power}")
    size = abs(shifted)
    number = f"{shifted:.0f}" if min(1000, 10**digits) <= size < 1e7 else f"{shifted:.{digits}g}"
    return f"{number}{gap}{_PREFIX_POWERS[power]}{sign}"


def alike(values: Sequence[float], unit: str = "", *, digits: int = 4) -> tuple[list[str], str]:
    """Write several values of one quantity with the same prefix, for a row or column of a table.

    Parameters
    ----------
    values : sequence of float
        In `unit`; NaN gives "not found".
    unit : str, optional
        As for :func:`render`.
    digits : int, optional
        Significant digits; all have as many decimals, so that their points stand under one another.

    Returns
    -------
    texts : list of str
        The numbers alone.
    sign : str
        The unit with its prefix, that of the largest value.

    Examples
    --------
    >>> alike([0.000997, 0.00108], "A")
    (['0.997', '1.080'], 'mA')
    """
    unit = _SAME.get(unit, unit)
    sign = _UNITS[unit].sign if unit in _UNITS else unit
    finite = [abs(value) for value in values if math.isfinite(value)]
    power = 0
    if any(finite) and unit not in ("", "dB", "degree", "%"):
        exponent = int(f"{max(finite):.{digits - 1}e}".partition("e")[2])
        power = min(max(3 * (exponent // 3), -15), 12)
    shifted = [float(f"{value * 10.0**-power:.{digits}g}") for value in values]
    decimals = [len(f"{value:f}".rstrip("0").partition(".")[2]) for value in shifted if math.isfinite(value)]
    largest = max((abs(value) for value in shifted if math.isfinite(value)), default=0.0)
    common = min(max(decimals, default=0), max(digits - len(f"{largest:.0f}"), 0))

    def text(value: float) -> str:
        if math.isnan(value):
            return "not found"
        if math.isinf(value):
            return "∞" if value > 0 else "-∞"
        plain = value == 0 or 10.0 ** (1 - common) <= abs(value) < 1e7
        return f"{value:.{common}f}" if plain else f"{value:.{digits}g}"

    return [text(value) for value in shifted], f"{_PREFIX_POWERS[power]}{sign}"


def _kind(given: object) -> str:
    """Name the kind of a value that isn't a number, for an error."""
    if given is None:
        return "nothing"
    return f"a {type(given).__name__}"


def _read_text(given: str, unit: str, refuse: _Refuse) -> float:
    """Read text as a value of `unit`; `refuse` makes the error from how the text was read."""
    known = _UNITS[unit]
    text = given.translate(_LOOKALIKES).strip(" ")
    if not text:
        raise refuse("is empty")
    if "," in text:
        raise refuse('has a comma, and only a point can mark the decimals, as in "4.7k"')
    if "_" in text:
        raise refuse("has an underscore, which no quantity has")
    strange = text[_ALLOWED.match(text).end() :]  # type: ignore[union-attr]
    if strange:
        raise refuse(f"has a character that no quantity has (U+{ord(strange[0]):04X})")

    value = _read_code(text, known)
    if value is not None:
        return value
    found = re.match(_NUMBER, text)
    if found is None:
        raise refuse("was not read as a number")
    number, suffix = found.group(), text[found.end() :]
    if unit == "" and suffix.strip() == "%":
        return _finite(number, refuse) / 100
    prefix = _split_suffix(suffix.removeprefix(" "), known)
    if prefix is None:
        raise refuse(_reading(text, number, suffix.strip(), unit))
    value = _finite(number, refuse)
    if not prefix:
        return value
    from quantiphy import Quantity

    quantity = Quantity(f"{number} {prefix}{known.sign}")
    if quantity.units != known.sign:
        raise refuse(_reading(text, number, suffix.strip(), unit))
    return float(quantity)


def _finite(number: str, refuse: _Refuse) -> float:
    """Return the float of a number's text, refusing what a float can't hold."""
    value = float(number)
    if math.isinf(value):
        raise refuse("is larger than any number that can be held")
    if value == 0 and re.search("[1-9]", re.split("[eE]", number)[0]):
        raise refuse("is smaller than any number that can be held")
    return value


def _read_code(text: str, known: _Unit) -> float | None:
    """Read an IEC 60062 code, with or without the unit after it; None where it isn't one."""
    letters = known.prefixes.replace("k", "kK") + known.points
    found = re.fullmatch(rf"([+-]?)([0-9]*)([{letters}])([0-9]+) ?(\D*)", text) if letters else None
    if found is None or not (found[5] == "" or _split_suffix(found[5], known) == ""):
        return None
    sign, whole, letter, decimals = found.groups()[:4]
    # A letter of the unit itself is a plain decimal point, which R is for the library.
    from rkm_codes import from_rkm

    code = f"{whole}{'R' if letter in known.points else letter}{decimals}"
    value = float(from_rkm(code))
    return -value if sign == "-" else value


def _split_suffix(suffix: str, known: _Unit) -> str | None:
    """Return the prefix of a suffix such as "nF" ("" where there is none); None if it isn't one."""
    if _is_unit(suffix, known):
        return ""
    for length in (3, 1):
        start, word = suffix[:length], suffix[length:].removeprefix(" ")
        prefix = "M" if start.casefold() == "meg" else "k" if start == "K" else start
        # "22nf" can only be farad; "1f" could be femto, and "25mf" is microfarad on old diagrams.
        farad = known.sign == "F" and word == "f" and prefix != "m"
        if prefix in tuple(known.prefixes) and (farad or _is_unit(word, known)):
            return prefix
    return None


def _is_unit(word: str, known: _Unit) -> bool:
    """Whether `word` is nothing or a spelling of the unit."""
    return word == "" or word in known.exact or word.casefold() in known.folded


def _reading(text: str, number: str, suffix: str, expected: str) -> str:
    """Say how a number with a suffix that isn't accepted was read."""
    if not suffix:
        return f"was read as {number}"
    for name, other in _UNITS.items():
        if name == expected:
            continue
        if (len(suffix) > 1 or suffix in other.exact) and _split_suffix(suffix, other) is not None:
            return f"was read as {other.quantity}, {number} {suffix}"
        if _read_code(text, other) is not None:
            return f"was read as {other.quantity}, {text}"
    if expected == "F" and (suffix.startswith("M") or suffix.casefold() in ("mf", "mfd")):
        return f'was read as {number} with unit "{suffix}", which old diagrams use for microfarad'
    return f'was read as {number} with unit "{suffix}"'
