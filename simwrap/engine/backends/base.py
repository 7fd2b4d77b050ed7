"""What a simulator has to offer inside its child process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from simwrap.engine.deck import Deck
from simwrap.engine.protocol import AcRun, Array, NoiseRun, OpRun


class Backend(Protocol):
    """One simulator: circuits are loaded for operating points, small-signal analyses and noise.

    A transient loads its own. ``loosened`` counts how often a circuit turned out to need other options in
    mid-course, ``own_flux_only`` says how ``ic=`` of a coupled inductor is taken. Whatever fails raises.
    """

    name: str
    version: str
    loosened: int

    @property
    def own_flux_only(self) -> bool: ...
    def load(self, deck: Deck, values: Mapping[str, float]) -> None: ...
    def unload(self) -> None: ...
    def alter(self, names: Sequence[str], values: Sequence[float]) -> None: ...
    def op(self, run: OpRun, out: Sequence[Array], index: int) -> None: ...
    def ac(self, run: AcRun, out: Sequence[Array], index: int) -> None: ...
    def noise(self, run: NoiseRun, out: Sequence[Array], index: int) -> None: ...
    def transient(
        self, deck: Deck, lines: list[str], vectors: Sequence[str], stop: float, step: float,
        start: float = 0.0, from_given: bool = False,
    ) -> tuple[Array, list[Array]]: ...  # fmt: skip
