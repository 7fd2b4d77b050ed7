"""Values as JSON holds them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """Return numpy values as JSON has them: NaN and infinity become None."""
    if isinstance(value, Mapping):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(entry) for entry in value.tolist()] if value.ndim else plain(value.item())
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value
