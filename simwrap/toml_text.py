"""TOML from anybody's hand: not nested for ever, and without truth values in the place of numbers."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from typing import Any

#: How deep tables and lists may be nested; no file of simwrap's needs a third of it.
DEEPEST = 30


def parse(text: str) -> dict[str, Any]:
    """Read TOML.

    Raises
    ------
    ValueError
        For what isn't TOML, numbers too long to read, and nesting deeper than ``DEEPEST``.
    """
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deep") from None
    if any(len(place) > DEEPEST for place, _ in _leaves(data)):
        raise ValueError(f"it is nested more than {DEEPEST} deep")
    return data


def stray_booleans(data: Mapping[str, Any], known: Collection[str]) -> list[str]:
    """Return a clause for each truth value whose key isn't among those that take one."""
    return [
        f"{'.'.join(map(str, place))}: {str(value).lower()} is no number"
        for place, value in _leaves(data)
        if isinstance(value, bool) and place[-1] not in known
    ]


def _leaves(data: Any) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Yield what isn't a table or list, or is too deep, with its place; as deep as it is, without a recursion."""
    waiting: list[tuple[tuple[str | int, ...], Any]] = [((), data)]
    while waiting:
        place, value = waiting.pop()
        if len(place) > DEEPEST or not isinstance(value, dict | list):
            yield place, value
            continue
        inner: Any = value.items() if isinstance(value, dict) else enumerate(value)
        waiting.extend(((*place, key), entry) for key, entry in reversed(list(inner)))
