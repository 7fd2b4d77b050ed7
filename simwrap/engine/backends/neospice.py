"""neospice inside the child process."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from neospice import _core as neospice

from simwrap.engine.deck import LOOSE_OPTIONS, SMALL_OPTIONS, TRANSIENT_OPTIONS, Deck
from simwrap.engine.protocol import AcRun, Array, NoiseRun, OpRun
from simwrap.forking import cached_property
from simwrap.netlist.text import written

#: Now and then the first step of a whole amplifier fails for no reason but its length; another works.
RETRIES = (
    (1.0, TRANSIENT_OPTIONS),
    (1.0, LOOSE_OPTIONS),
    (0.83, LOOSE_OPTIONS),
    (0.61, LOOSE_OPTIONS),
)


class Neospice:
    """Parses once a chunk, then only element values are changed."""

    name = "neospice"

    def __init__(self) -> None:
        self.version = importlib.metadata.version("neospice")
        self._simulator = neospice.Simulator()
        self._circuit: Any = None
        #: Element values that were altered since it was parsed.
        self._altered: dict[str, float] = {}
        self._loose: Deck | None = None
        #: How often a circuit turned out to need the loose options: results before and after don't fit.
        self.loosened = 0

    @cached_property
    def own_flux_only(self) -> bool:
        """Whether ``ic=`` of a coupled inductor leaves out the flux of the others (0.2.0 does): measured."""
        step = "1e-06"
        text = (
            "* two coupled coils\nl_a n_a 0 1.0 ic=1.0\nl_b n_b 0 1.0 ic=1.0\nk_ab l_a l_b 0.5\n"
            f"r_a n_a 0 1.0\nr_b n_b 0 1.0\n.tran {step} 1e-05 0 {step} uic\n.end\n"
        )
        result = self._simulator.run(self._parse(text)).transient
        return bool(abs(result.current("l_a")[0] - 1.0) > 0.01)

    def load(self, deck: Deck, values: Mapping[str, float]) -> None:
        """Parse the circuit for operating points and small-signal analyses."""
        self._circuit = self._parse(deck.text(deck.lines(values).values(), SMALL_OPTIONS))
        self._altered = {}

    def _parse(self, text: str) -> Any:
        return self._simulator.parse(text)

    def unload(self) -> None:
        """Forget the circuit."""
        self._circuit = None

    def alter(self, names: Sequence[str], values: Sequence[float]) -> None:
        """Set element values."""
        update, altered = self._circuit.update_param, self._altered
        for name, value in zip(names, values, strict=True):
            if altered.get(name) != value:  # it looks for the element among all of them
                update(name, value)
                altered[name] = value

    def op(self, run: OpRun, out: Sequence[Array], index: int) -> None:
        """Solve the operating point; ``out[k][index]`` receives vector k."""
        result = self._simulator.re_solve(self._circuit)
        if not result.status.converged:
            raise RuntimeError("the operating point did not converge")
        for vector, row in zip(run.vectors, out, strict=True):
            row[index] = result.current(vector[2:-1]) if vector[1] == "(" else result.voltage(vector)

    def ac(self, run: AcRun, out: Sequence[Array], index: int) -> None:
        """Small-signal sweep into ``out[k][index]``."""
        count = out[0].shape[-1]
        result = self._simulator.re_solve_ac(
            self._circuit, neospice.ACMode.DEC, run.per_decade, run.start, _stop(run, count)
        )
        for vector, row in zip(run.vectors, out, strict=True):
            row[index] = result.current(vector[2:-1]) if vector[1] == "(" else result.voltage(vector)

    def noise(self, run: NoiseRun, out: Sequence[Array], index: int) -> None:
        """Noise densities [V/rtHz] at the output and referred to the input."""
        count = out[0].shape[-1]
        result = self._simulator.run_noise(
            self._circuit, run.output, run.source, neospice.ACMode.DEC, run.per_decade, run.start, _stop(run, count)
        )
        out[0][index] = result.output_noise_sqrt()
        out[1][index] = result.input_noise_sqrt()

    def transient(
        self,
        deck: Deck,
        lines: list[str],
        vectors: Sequence[str],
        stop: float,
        step: float,
        start: float = 0.0,
        from_given: bool = False,
    ) -> tuple[Array, list[Array]]:
        """Run one transient; returns the times [s] and one array a vector."""
        result = None
        # What a circuit needed once it needs again, and a change in mid-course would be a jolt.
        retries = RETRIES[1:] if self._loose is deck else RETRIES
        for smaller, options in retries:
            largest = written(step * smaller)
            card = f".tran {largest} {written(stop)} {written(start)} {largest}" + (" uic" if from_given else "")
            try:
                result = self._simulator.run(self._parse(deck.text(lines, options, card))).transient
                break
            except RuntimeError as error:
                # It also refuses more than 500,000 steps; that no other options change.
                if (smaller, options) == RETRIES[-1] or "exceeded" in str(error):
                    raise
                if (smaller, options) == RETRIES[0]:
                    self._loose = deck
                    self.loosened += 1
        if result is None:
            raise RuntimeError("the transient gave no result")
        return np.array(result.time), [
            np.array(result.current(v[2:-1]) if v[1] == "(" else result.voltage(v)) for v in vectors
        ]


def _stop(run: AcRun | NoiseRun, count: int) -> float:
    # A hair above the last frequency, so that rounding can't lose it.
    return float(run.start * 10.0 ** ((count - 1) / run.per_decade) * (1.0 + 1e-10))
