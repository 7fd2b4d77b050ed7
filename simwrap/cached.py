"""Properties that are worked out once, without a lock."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from functools import cached_property
else:

    class cached_property(functools.cached_property):  # stands for the standard one
        """As in the standard library from Python 3.12 on.

        That of 3.11 has one lock for the objects of all threads, which a forked process may inherit locked for ever.
        """

        def __get__(self, instance: Any, owner: Any = None) -> Any:
            """Return the value, worked out at the first time; by two threads at once it may be twice."""
            if instance is None:
                return self
            values = instance.__dict__
            if self.attrname not in values:
                values[self.attrname] = self.func(instance)
            return values[self.attrname]


__all__ = ["cached_property"]
