"""Where a number came from."""

from __future__ import annotations

import hashlib
import importlib.metadata
from dataclasses import asdict, dataclass

from .protocol import Circuit, Reply


@dataclass(frozen=True)
class Provenance:
    """Engine and version, SHA-256 of the netlist text, and simwrap's version."""

    engine: str
    engine_version: str
    netlist_sha256: str
    simwrap_version: str

    def as_dict(self) -> dict[str, str]:
        """Return the fields as plain text."""
        return asdict(self)


def provenance(circuit: Circuit, replies: list[Reply]) -> Provenance:
    """Say which engines made the replies to a circuit, and from what text.

    ``engine`` joins the names with "+" where points fell back to another engine.
    """
    from .found import engine_version

    names = list(dict.fromkeys(name for reply in replies for name in reply.engines))
    try:
        own = importlib.metadata.version("simwrap")
    except importlib.metadata.PackageNotFoundError:
        own = "unknown"
    return Provenance(
        "+".join(names),
        "+".join(engine_version(name) for name in names),
        hashlib.sha256(circuit.text.encode("utf8")).hexdigest(),
        own,
    )
