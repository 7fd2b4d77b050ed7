"""What every public result has in common: it shows itself, and gives itself away as data.

Text for a terminal and HTML for a notebook come from one list of what is told, JSON from one object of plain values.
"""

from __future__ import annotations

import json
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from simwrap.report.html import as_html
from simwrap.report.model import Listing, Section
from simwrap.report.text import as_text

if TYPE_CHECKING:
    import xarray


class Shown(ABC):
    """A result: at a prompt and in print it is text, in a notebook HTML, elsewhere JSON or a Dataset.

    A class says what it is by ``report``, ``to_dict`` and ``to_dataset``; what can be drawn has ``plot`` too.
    """

    @abstractmethod
    def report(self) -> Iterable[Listing | Section]:
        """Yield what is told, in order; details are folded away in a notebook, and left out at a prompt."""

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold; null is a number that wasn't found."""

    def to_json(self, *, indent: int | None = None) -> str:
        """Return what :meth:`to_dict` does as JSON; ``indent`` spaces a level, or all in one line."""
        return json.dumps(self.to_dict(), indent=indent, ensure_ascii=False, allow_nan=False)

    @abstractmethod
    def to_dataset(self) -> xarray.Dataset:
        """Return its numbers as a labelled Dataset, with units."""

    def __repr__(self) -> str:
        return as_text(self.report())

    def page(self, width: int = 118) -> list[str]:
        """Return its lines of text, folded to a width."""
        return as_text(self.report(), width).splitlines()

    def _repr_html_(self) -> str:
        return as_html(self.report())


class Keyed(Mapping[str, Any]):
    """A mapping whose keys an editor or a notebook completes."""

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self]

    def _ipython_key_completions_(self) -> list[str]:
        return list(self)


def labelled(
    dim: str, names: Sequence[Any], columns: Mapping[str, tuple[Any, str, str]], **attrs: Any
) -> xarray.Dataset:
    """Return a Dataset of one dimension.

    Parameters
    ----------
    dim : str
    names : sequence
        Of its entries.
    columns : mapping of str to (values, unit, words)
        A variable each; "" is the unit of a number without one, and of words.
    **attrs
        Of the Dataset.
    """
    import numpy as np
    import xarray

    variables = {name: (dim, np.asarray(values), {"units": unit or "1", "long_name": words})
                 for name, (values, unit, words) in columns.items()}  # fmt: skip
    return xarray.Dataset(variables, coords={dim: list(names)}, attrs=attrs)
