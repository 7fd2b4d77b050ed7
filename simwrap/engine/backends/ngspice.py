"""ngspice inside the child process, through the shared library; the only importer of PySpice.

Only the library wrapper of PySpice is used. Its own check of an analysis can't be: it takes every
line on stderr for a failure (42 and 43 greet with "Using SPARSE 1.3" there). Here the lines are only
recorded, and an analysis is judged by the markers in them and by the vectors it left.
"""

from __future__ import annotations

import locale
import logging
import os
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np

from simwrap.engine.backends.discovery import ngspice_library
from simwrap.engine.deck import LOOSE_OPTIONS, SMALL_OPTIONS, Deck
from simwrap.engine.protocol import AcRun, Array, NoiseRun, OpRun
from simwrap.netlist.text import written

os.environ["NGSPICE_LIBRARY_PATH"] = ngspice_library() or ""
logging.disable(logging.CRITICAL)  # PySpice logs each line of stderr as an error

from PySpice.Spice.NgSpice.Shared import NgSpiceShared, ffi  # noqa: E402

#: Its own: in a circuit of seven valves with large capacitors rounding alone moves nodes by more than the 1e-8 V
#: that the other engine keeps. The current's limit stays: ten times as much, and a rectifier's turn is cut short.
TRANSIENT_OPTIONS = ".options method=trap reltol=1e-6 vntol=1e-6 abstol=1e-9 trtol=70"
#: Now and then a step gets stuck behind a rectifier without a capacitor: another length, or looser options, get by.
RETRIES = ((1.0, TRANSIENT_OPTIONS), (0.83, TRANSIENT_OPTIONS), (1.0, LOOSE_OPTIONS), (0.61, LOOSE_OPTIONS))
#: What marks an analysis as failed (lower case), whatever stream it comes on.
MARKERS = (
    "aborted", "not parsed", "error", "can't parse", "unable to", "no such", "undefined",
    "timestep too small", "iteration limit reached", "interrupted",
)  # fmt: skip
#: An operating point found by this means was 0.0196 V where 0.5 V was right.
SUSPECT = "transient op finished"
#: Lines that hold a marker and mean nothing.
HARMLESS = ("error: vector", "can't find init file", "note:", "spinit", "using sparse", "using klu")
#: A first try at an operating point may overflow in a valve's law (valves in series: they begin far from where they
#: end); if a homotopy then gets there, nothing is left of it.
OVERFLOW, RECOVERED = "out of range for", "stepping completed"


def judge(lines: Sequence[str]) -> str:
    """Return the first line that marks a failure, "" if none does."""
    recovered = max((number for number, line in enumerate(lines) if RECOVERED in line.lower()), default=-1)
    for number, line in enumerate(lines):
        low = line.lower()
        if OVERFLOW in low and number < recovered:
            continue
        if SUSPECT in low:
            return "the operating point was found only by a pseudo-transient, which can't be trusted"
        if any(marker in low for marker in MARKERS) and not any(word in low for word in HARMLESS):
            return line.strip()
    return ""


class _Library(NgSpiceShared):  # type: ignore[misc]
    """The library with its output recorded, not judged, line by line."""

    said: ClassVar[list[str]] = []

    @staticmethod
    def _send_char(message: Any, identity: int, user: Any) -> int:
        self = ffi.from_handle(user)
        text = bytes(ffi.string(message)).decode("utf8", "replace")
        self.said.append(text.partition(" ")[2])
        return 0

    def _get_version(self) -> None:
        # The wrapper looks its version up in a table that ends years ago; ours is read below.
        self._ngspice_version = None


class Ngspice:
    """Loads once a chunk, then ``alter``; transients are loaded anew each time."""

    name = "ngspice"
    #: ``ic=`` of a coupled inductor is its current, the flux of the others is counted.
    own_flux_only = False
    #: Each command is kept in a history; this frees it.
    COMMANDS_BEFORE_FREE = 5000

    def __init__(self) -> None:
        _Library.said = []
        self._said = _Library.said
        self._library = _Library.new_instance()
        self._shared = self._library._ngspice_shared
        self._commands = 0
        self._loaded = False
        self._loose: Deck | None = None
        #: How often a circuit turned out to need other options or steps: results before and after don't fit.
        self.loosened = 0
        locale.setlocale(locale.LC_NUMERIC, "C")
        self._said.clear()
        self._command("version -f")
        self.version = next(
            (w.split("-", 1)[1] for line in self._said for w in line.split() if w.startswith("ngspice-")), "unknown"
        )
        self._command("set nomoremode")
        self._command("unset interp")

    def _command(self, command: str) -> str:
        """Run one command and return what marks it as failed."""
        self._commands += 1
        if self._commands > self.COMMANDS_BEFORE_FREE:
            self._shared.ngSpice_Command(ffi.NULL)
            self._commands = 0
        self._said.clear()
        code = self._shared.ngSpice_Command(command.encode("ascii"))
        problem = judge(self._said)
        return problem or (f"command {command.split()[0]} returned {code}" if code else "")

    def _analyse(self, command: str) -> str:
        """Run one analysis and return the name of its plot."""
        before = self._plot()
        problem = self._command(command)
        if problem:
            raise RuntimeError(problem)
        plot = self._plot()
        if plot == before or plot == "const":
            raise RuntimeError(f"{command.split()[0]} left no result")
        return plot

    def _plot(self) -> str:
        return bytes(ffi.string(self._shared.ngSpice_CurPlot())).decode("ascii")

    def _vector(self, plot: str, vector: str, length: int | None) -> Array:
        """Read one vector; zero-length and stale ones stay readable after a failure, so check."""
        name = f"{vector[2:-1]}#branch" if vector[:2] == "i(" else vector
        info = self._shared.ngGet_Vec_Info(f"{plot}.{name}".encode("ascii"))
        if info == ffi.NULL:
            raise RuntimeError(f"the vector {vector} is missing from the result")
        count = int(info.v_length)
        if count == 0 or (length is not None and count != length):
            raise RuntimeError(f"the vector {vector} has {count} values where {length or 'some'} were due")
        if info.v_compdata != ffi.NULL:
            return np.frombuffer(ffi.buffer(info.v_compdata, 16 * count), complex).copy()
        if info.v_realdata == ffi.NULL:
            raise RuntimeError(f"the vector {vector} has no data")
        return np.frombuffer(ffi.buffer(info.v_realdata, 8 * count)).copy()

    def _load(self, text: str) -> None:
        self.unload()
        keep = [ffi.new("char[]", line.encode("ascii")) for line in text.split("\n") if line]
        keep.append(ffi.new("char[]", b""))
        self._said.clear()
        code = self._shared.ngSpice_Circ(ffi.new("char *[]", [*keep, ffi.NULL]))
        self._loaded = True
        problem = judge(self._said)
        if code or problem:
            raise RuntimeError(problem or f"loading returned {code}")

    def load(self, deck: Deck, values: Mapping[str, float]) -> None:
        """Load the circuit for operating points and small-signal analyses."""
        self._load(deck.text(deck.lines(values).values(), SMALL_OPTIONS))
        self._kinds = {name: device.kind for name, device in deck.parsed.devices.items()}

    def unload(self) -> None:
        """Forget plots and circuit; without this each cycle would keep 50-170 kB."""
        self._command("destroy all")
        if self._loaded:
            self._command("remcirc")
        self._loaded = False

    def alter(self, names: Sequence[str], values: Sequence[float]) -> None:
        """Set element values."""
        self._command("destroy all")
        for name, value in zip(names, values, strict=True):
            dc = " dc" if self._kinds[name] in "vi" else ""
            problem = self._command(f"alter {name}{dc} = {written(value)}")
            if problem:
                raise RuntimeError(problem)

    def op(self, run: OpRun, out: Sequence[Array], index: int) -> None:
        """Solve the operating point; ``out[k][index]`` receives vector k."""
        plot = self._analyse("op")
        for vector, row in zip(run.vectors, out, strict=True):
            row[index] = self._vector(plot, vector, 1)[0]

    def ac(self, run: AcRun, out: Sequence[Array], index: int) -> None:
        """Small-signal sweep into ``out[k][index]``."""
        count = out[0].shape[-1]
        plot = self._analyse("ac " + _sweep(run, count))
        for vector, row in zip(run.vectors, out, strict=True):
            row[index] = self._vector(plot, vector, count)

    def noise(self, run: NoiseRun, out: Sequence[Array], index: int) -> None:
        """Noise densities [V/rtHz] at the output and referred to the input."""
        count = out[0].shape[-1]
        last = self._analyse(f"noise v({run.output}) {run.source} {_sweep(run, count)}")
        # The densities are in the plot before the last, which holds the integrals.
        plot = f"noise{int(last.removeprefix('noise')) - 1}"
        out[0][index] = self._vector(plot, "onoise_spectrum", count).real
        out[1][index] = self._vector(plot, "inoise_spectrum", count).real

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
        """Run one transient; returns the times [s] and one array a vector.

        The circuit is loaded for it and forgotten after it: an operating point that follows a
        transient with coupled inductors in the same load is silently wrong.
        """
        # What a circuit needed once it needs again, and a change in mid-course would be a jolt.
        retries = RETRIES[1:] if self._loose is deck else RETRIES
        for smaller, options in retries:
            longest = written(step * smaller)
            try:
                return self._transient(deck.text(lines, options), vectors, longest, (stop, start), from_given)
            except RuntimeError:
                if (smaller, options) == RETRIES[-1]:
                    raise
                if (smaller, options) == RETRIES[0]:
                    self._loose = deck
                    self.loosened += 1
        raise AssertionError("the last try returns or raises")

    def _transient(
        self, text: str, vectors: Sequence[str], longest: str, span: tuple[float, float], from_given: bool
    ) -> tuple[Array, list[Array]]:
        self._load(text)
        try:
            stop, start = span
            plot = self._analyse(
                f"tran {longest} {written(stop)} {written(start)} {longest}" + (" uic" if from_given else "")
            )
            time = self._vector(plot, "time", None).real
            return time, [self._vector(plot, vector, len(time)).real for vector in vectors]
        finally:
            self.unload()


def _sweep(run: AcRun | NoiseRun, count: int) -> str:
    if count == 1:
        return f"lin 1 {written(run.start)} {written(run.start)}"
    stop = run.start * 10.0 ** ((count - 1) / run.per_decade) * (1.0 + 1e-10)
    return f"dec {run.per_decade} {written(run.start)} {written(stop)}"
