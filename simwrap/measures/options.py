"""Options of measures: what each takes stands in its annotation, and is read the same at every door.

An option of a measure function is a keyword-only argument with a default::

    frequency: Annotated[float, Option("Hz", least=0.01, most=1e6)] = 1000.0

A ``float``, ``int``, ``bool``, ``str`` or ``tuple[float, ...]`` is read from a value or from text such as
"20 Hz", "4k7" or "19 kHz, 20 kHz"; ``| None`` lets None stand for "as the stage has it".
"""

from __future__ import annotations

import inspect
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from simwrap.errors import InputError, QuantityError, RangeError
from simwrap.units import quantity


@dataclass(frozen=True)
class Option:
    """What an option accepts.

    Parameters
    ----------
    unit : str
        Unit of a number, as for :func:`simwrap.units.quantity.parse`.
    above : float, optional
        A number has to be larger than this.
    least, most : float, optional
        Range of a number or of a count, ends included.
    zero : str
        What 0 stands for where the range doesn't hold it, such as "left out"; "" where 0 isn't accepted.
    choices : tuple of str
        Words that are accepted; any where there are none.
    entries : tuple of int
        Fewest and most numbers in a list.
    """

    unit: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None
    zero: str = ""
    choices: tuple[str, ...] = ()
    entries: tuple[int, int] = (1, 100)

    def holds(self, value: float) -> bool:
        """Whether a number is in the range."""
        if value == 0 and self.zero:
            return True
        return not (
            (self.above is not None and value <= self.above)
            or (self.least is not None and value < self.least)
            or (self.most is not None and value > self.most)
        )

    @property
    def range(self) -> str:
        """The range in words, such as "above 0 V, 1 kV at most"; "" where there is none."""

        def shown(end: float) -> str:
            return quantity.render(end, self.unit)

        if self.least is not None and self.most is not None:
            words = f"from {shown(self.least)} to {shown(self.most)}"
        else:
            ends = [f"above {shown(self.above)}"] if self.above is not None else []
            ends += [f"{shown(self.least)} or more"] if self.least is not None else []
            ends += [f"{shown(self.most)} at most"] if self.most is not None else []
            words = ", ".join(ends)
        return words + (f" (0: {self.zero})" if self.zero else "")


#: Options that several measures have.
Frequency = Annotated[float, Option("Hz", least=0.01, most=1e6)]
#: End of a small-signal sweep.
SweepEnd = Annotated[float, Option("Hz", least=1e-3, most=1e9)]
PerDecade = Annotated[int, Option(least=2, most=1000)]
MainsFrequency = Annotated[float, Option("Hz", least=10.0, most=1000.0)]
Level = Annotated[float, Option("V", above=0.0, most=1e4)]
Port = Annotated[str, Option()]


@dataclass(frozen=True)
class Setting:
    """One option of one measure.

    Attributes
    ----------
    name : str
    kind : type
        float, int, bool, str or tuple.
    default : object
    optional : bool
        Whether None is accepted.
    rule : Option
    """

    name: str
    kind: type
    default: Any
    optional: bool
    rule: Option

    @property
    def accepted(self) -> str:
        """What is accepted, in words."""
        words = self.rule.range
        if self.kind is bool:
            return "true or false"
        if self.kind is str:
            return " or ".join(self.rule.choices) or "a word"
        if self.kind is int:
            return f"a whole number {words}".rstrip()
        if self.kind is tuple:
            fewest, most = self.rule.entries
            count = f"{fewest}" if fewest == most else f"{fewest} to {most}"
            return f"{count} numbers {words}".rstrip() + ", with commas between them"
        return f"a number {words}".rstrip()

    @property
    def shown(self) -> str:
        """The default for a table, "" for None."""
        if self.default is None:
            return ""
        if self.kind in (float, tuple):
            entries = self.default if isinstance(self.default, tuple) else (self.default,)
            return ", ".join(quantity.render(entry, self.rule.unit) for entry in entries)
        return str(self.default).lower() if self.kind is bool else str(self.default)

    @property
    def _such_as(self) -> str:
        if self.default in (None, "", ()) or self.kind is bool:
            return ""
        if self.kind is float:
            plain, shown = f"{self.default:g}", self.shown
            return f", such as {plain}" + (f' or "{shown}"' if shown != plain else "")
        return f', such as "{self.shown}"'

    def read(self, given: Any, where: str) -> Any:
        """Return a checked value.

        Parameters
        ----------
        given : object
            A value, or text.
        where : str
            The measure, for the error.

        Raises
        ------
        RangeError, QuantityError
            One sentence with what is accepted, its unit and its bounds.
        """
        if given is None and self.optional:
            return None
        if self.kind is bool:
            return self._flag(given, where)
        if self.kind is str:
            return self._word(given, where)
        if self.kind is tuple:
            entries = given.split(",") if isinstance(given, str) else given
            entries = list(entries) if isinstance(entries, list | tuple | np.ndarray) else [entries]
            fewest, most = self.rule.entries
            if not fewest <= len(entries) <= most:
                raise self._refused(given, where)
            return tuple(self._number(entry, where) for entry in entries)
        value = self._number(given, where)
        if self.kind is int:
            if value != int(value):
                raise self._refused(given, where)
            return int(value)
        return value

    def _number(self, given: Any, where: str) -> float:
        given = given.item() if isinstance(given, np.generic) else given
        try:
            value = quantity.parse(given, self.rule.unit)
        except QuantityError as fault:
            raise QuantityError(f"{where}: {self.name}", given, fault.reading, self.accepted + self._such_as) from None
        if not self.rule.holds(value):
            raise self._refused(given, where)
        return value

    def _flag(self, given: Any, where: str) -> bool:
        if isinstance(given, str) and given.strip().casefold() in ("true", "false"):
            return given.strip().casefold() == "true"
        if isinstance(given, bool | np.bool_):
            return bool(given)
        raise self._refused(given, where)

    def _word(self, given: Any, where: str) -> str:
        if isinstance(given, str):
            if not self.rule.choices:
                return given
            for choice in self.rule.choices:
                if choice.casefold() == given.strip().casefold():
                    return choice
        raise self._refused(given, where)

    def _refused(self, given: Any, where: str) -> RangeError:
        return RangeError(self.name, given, self.accepted + self._such_as, where)


def settings_of(function: Callable[..., Any]) -> Mapping[str, Setting]:
    """Return the options of a measure function by name.

    Raises
    ------
    InputError
        For an annotation that can't be read, or of a type that no option has.
    """
    parameters = [
        p for p in inspect.signature(function).parameters.values() if p.kind is inspect.Parameter.KEYWORD_ONLY
    ]
    written = {p.name: p.annotation for p in parameters if p.annotation is not inspect.Parameter.empty}
    holder = type("Options", (), {"__annotations__": written})
    try:
        hints = typing.get_type_hints(holder, globalns=function.__globals__, include_extras=True)
    except Exception as fault:  # any code may stand in an annotation
        raise InputError(f"{function.__name__}: the annotation of an option can't be read ({fault})") from None
    found = {}
    for parameter in parameters:
        if parameter.default is inspect.Parameter.empty:
            raise InputError(f"{function.__name__}: the option {parameter.name} has no default")
        kind, optional, rule = _read_hint(hints.get(parameter.name, type(parameter.default)))
        if kind not in (float, int, bool, str, tuple):
            raise InputError(
                f"{function.__name__}: the option {parameter.name} is {kind!r}; "
                "give it the type float, int, bool, str or tuple[float, ...]"
            )
        found[parameter.name] = Setting(parameter.name, kind, parameter.default, optional, rule)
    return types.MappingProxyType(found)


def _read_hint(hint: Any) -> tuple[Any, bool, Option]:
    """Return the type of an annotation, whether it accepts None, and its Option (one that accepts all by default)."""
    optional, rule = False, Option()
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        others = [each for each in typing.get_args(hint) if each is not type(None)]
        optional = len(others) < len(typing.get_args(hint))
        hint = others[0] if len(others) == 1 else hint
    if typing.get_origin(hint) is Annotated:
        hint, *notes = typing.get_args(hint)
        rule = next((note for note in notes if isinstance(note, Option)), rule)
    return typing.get_origin(hint) or hint, optional, rule
