"""Small-signal sweeps and noise of many points from one linearised circuit each.

The simulator gives the operating points; about them the circuit obeys ``(G + sC) x = drive``. The adjoint
solution of an output at a frequency tells how it follows every source, and every resistor's noise current: one
solution serves as many sources as are asked for.

All points and frequencies are eliminated together, in one order of pivots (:mod:`simwrap.engine.elimination`). An
order that suits one point may suit another badly, so each sweep is held to its equations at both its ends, and a point
that fails there is solved by itself at every frequency, with pivots of its own.

Sources: the adjoint network for noise: R. A. Rohrer, L. W. Nagel, R. Meyer, L. Weber, IEEE J. Solid-State Circuits 6
(1971) 204 (from memory); thermal noise 4kT/R: H. Nyquist, Phys. Rev. 32 (1928) 110.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np

from simwrap.engine.elimination import plan, solve
from simwrap.engine.linearised import KT, Linearised
from simwrap.engine.protocol import AcRun, Array, NoiseRun
from simwrap.netlist.allow_list import Parsed

#: Kinds of elements that can be made linear.
KNOWN = "rclkvibegfhd"
#: What may be left over of an equation, as a share of what should cancel in it: as if parts were off by that much.
TOLERANCE = 1e-7
#: Solutions that are found together: so many that it is quick, so few that they stay in the processor's cache.
ROOM = 4096
#: Unknowns from which on a system that is solved by itself is solved as a sparse one.
SPARSE = 200

Sweep = AcRun | NoiseRun


def unknown(parsed: Parsed, excited: str, noise: bool) -> str:
    """Say what of a netlist can't be made linear here, so that the engine has to run it; "" for nothing.

    Parameters
    ----------
    parsed : Parsed
    excited : str
        The device whose ac value is 1 in the netlist's text.
    noise : bool
        Whether noise is asked for.
    """
    for name, device in parsed.devices.items():
        if device.kind not in KNOWN:
            return f"{name}: an element of the kind {device.kind}"
        if noise and device.kind == "d":
            return f"{name}: the noise of a diode"
        if name != excited and any(device.ac):
            return f"{name}: an ac value of its own"
    return ""


def answered(sweep: Sweep) -> tuple[str, ...]:
    """Return the vectors of a reply."""
    return sweep.vectors if isinstance(sweep, AcRun) else ("output_density",)


def needed(parsed: Parsed) -> tuple[str, ...]:
    """Return the vectors of an operating point that a linearisation needs."""
    return Linearised(parsed).needed


def sweeps_of(
    parsed: Parsed,
    values: Mapping[str, Array],
    state: Mapping[str, Array],
    sweeps: Sequence[Sweep],
    begun: Callable[[int], None] = lambda point: None,
) -> tuple[list[dict[str, Array]], list[int]]:
    """Return what each sweep asks for, at every point, and the points that have no single solution.

    Parameters
    ----------
    parsed : Parsed
        A checked netlist.
    values : mapping of str to ndarray, shape (points,)
        Element values that replace those in the text.
    state : mapping of str to ndarray, shape (points,)
        Operating points, a value for each of :func:`needed`.
    sweeps : sequence of AcRun or NoiseRun
        An AcRun's ``source`` is the one with an ac value of 1.
    begun : callable
        Told from time to time which point is being solved.

    Returns
    -------
    list of dict of str to ndarray, shape (points, frequencies), and list of int
        NaN where there is no operating point, or no solution.
    """
    points = len(next(iter(state.values())))
    found: list[dict[str, Array]] = [
        {name: np.full((points, len(sweep.frequencies)), np.nan, _kind(sweep)) for name in answered(sweep)}
        for sweep in sweeps
    ]
    good = np.flatnonzero(np.isfinite([state[name] for name in needed(parsed)]).all(axis=0))
    lost: list[int] = []
    waiting = [good] if len(good) else []
    while waiting:
        some = waiting.pop()
        try:
            taken = {name: np.asarray(column)[some] for name, column in values.items()}
            together = _Points(parsed, taken, {name: state[name][some] for name in state}, sweeps)
            answers = together.answers(begun, some)
        except np.linalg.LinAlgError:
            # One of them stops all the others: each by itself.
            if len(some) == 1:
                lost.append(int(some[0]))
            else:
                waiting += np.split(some, len(some))
            continue
        for whole, answer in zip(found, answers, strict=True):
            for name, array in answer.items():
                whole[name][some] = array
    return found, sorted(lost)


def _seen(sweep: Sweep) -> tuple[str, ...]:
    return sweep.vectors if isinstance(sweep, AcRun) else (sweep.output,)


def _kind(sweep: Sweep) -> type:
    return complex if isinstance(sweep, AcRun) else float


class _Points:
    """Points that are solved together, with what their sweeps ask for."""

    def __init__(
        self, parsed: Parsed, values: Mapping[str, Array], state: Mapping[str, Array], sweeps: Sequence[Sweep]
    ) -> None:
        self.sweeps = sweeps
        self.outputs = list(dict.fromkeys(name for sweep in sweeps for name in _seen(sweep)))
        self.sources = list(dict.fromkeys(sweep.source for sweep in sweeps))
        linear = Linearised(parsed, values, drives=self.sources, currents=self.outputs)
        whole, rate, changes = linear.stacked(state)
        count = len(linear.names)
        # The adjoint network's equations are the transposed ones: how outputs follow a current into each node.
        self.constant, self.rate = (part[:, :, :count].swapaxes(1, 2) for part in (whole, rate))
        self.varies = np.asarray(self.rate.any(axis=0))
        # The right-hand side; of the first source it stands in the last column.
        self.drive, self.drive_rate = (-part[:, :, : count - 1 : -1] for part in (whole, rate))
        #: How each output follows the unknowns, and the sources without them.
        self.look = np.zeros((len(self.outputs), len(whole), count))
        self.through = np.zeros((len(self.outputs), len(whole), len(self.sources)))
        for row, name in enumerate(self.outputs):
            for index, factor in changes[name].items():
                if index >= 0:
                    self.look[row, :, index] += factor
                else:
                    self.through[row, :, -1 - index] += factor
        #: Power of each resistor's noise current [A2/Hz], and the unknowns between which it flows.
        self.thermal = [
            (np.broadcast_to(4.0 * KT / linear.value(parsed.devices[name]), len(whole)),
             [linear.place.get(node) for node in parsed.devices[name].nodes])
            for name in parsed.kind("r")
        ]  # fmt: skip
        middle = np.concatenate([sweep.frequencies[[0, -1]] for sweep in sweeps])
        s = 2j * np.pi * np.sqrt(middle.min() * middle.max())
        self.steps = plan(self.constant[0] + s * self.rate[0], self.varies)

    def answers(self, begun: Callable[[int], None], called: Array) -> list[dict[str, Array]]:
        """Return what each sweep asks for; ``begun`` is told of each block what its first point is called."""
        found: list[dict[str, Array]] = [{} for _ in self.sweeps]
        places: dict[tuple[float, float, int], list[int]] = {}
        for place, sweep in enumerate(self.sweeps):
            places.setdefault((sweep.start, sweep.stop, sweep.per_decade), []).append(place)
        for together in places.values():
            names = dict.fromkeys(name for place in together for name in _seen(self.sweeps[place]))
            rows = [self.outputs.index(name) for name in names]
            whole: list[list[dict[str, Array]]] = [[] for _ in together]
            frequencies = self.sweeps[together[0]].frequencies
            most = max(ROOM // len(rows), 1)
            for points, some in _blocks(len(self.constant), len(frequencies), most):
                begun(int(called[points.start]))
                s = 2j * np.pi * frequencies[some]
                follow = self._followed(points, s, rows)
                for parts, place in zip(whole, together, strict=True):
                    parts.append(self._answer(self.sweeps[place], points, s, rows, follow))
            for parts, place in zip(whole, together, strict=True):
                found[place] = _joined(parts, len(self.constant), len(frequencies))
        return found

    def _followed(self, points: slice, s: Array, rows: list[int]) -> dict[int, Array]:
        """Return how outputs follow a current into each node: by unknown, each (rows, points, frequencies)."""
        look = self.look[rows, points]
        constant, rate = self.constant[points], self.rate[points]
        seen = np.flatnonzero(look.any(axis=(0, 1))).tolist()
        right = {index: look[:, :, index, None] for index in seen}
        found = solve(self.steps, constant, rate, self.varies, s, right) if self.steps is not None else {}
        found = {index: np.broadcast_to(part, (*look.shape[:2], len(s))) for index, part in found.items()}
        wrong = np.flatnonzero(self._off(constant, rate, s[[0, -1]], look, found))
        if wrong.size:
            found = {k: np.array(found[k]) if k in found else np.zeros((*look.shape[:2], len(s)), complex)
                     for k in range(look.shape[2])}  # fmt: skip
        for point in wrong.tolist():
            for number, each in enumerate(s):
                exact = solved_apart(constant[point] + each * rate[point], look[:, point].T.astype(complex))
                for index, part in found.items():
                    part[:, point, number] = exact[index]
        return found

    @staticmethod
    def _off(constant: Array, rate: Array, ends: Array, look: Array, found: dict[int, Array]) -> Array:
        """Return whether each point's solution fails its equations at the ends of a sweep, shape (points,).

        What is left over is compared, row by row, with all that should cancel there (W. Oettli, W. Prager, Numer.
        Math. 6 (1964) 405): then each entry of the matrices would have to change by less than that share.
        """
        off = np.zeros(len(constant), dtype=bool)
        for end, place in zip(ends, (0, -1), strict=True):
            solution = np.zeros((len(constant), look.shape[2], len(look)), complex)
            for index, part in found.items():
                solution[:, index] = part[:, :, place].T
            matrix, right = constant + end * rate, look.transpose(1, 2, 0)
            with np.errstate(all="ignore"):
                left = np.abs(matrix @ solution - right)
                most = np.abs(matrix) @ np.abs(solution) + np.abs(right)
                off |= ~(left <= TOLERANCE * most).all(axis=(1, 2))
        return off

    def _answer(
        self, sweep: Sweep, points: slice, s: Array, rows: list[int], follow: dict[int, Array]
    ) -> dict[str, Array]:
        if isinstance(sweep, AcRun):
            source = self.sources.index(sweep.source)
            return {name: self._transfer(name, source, points, s, rows, follow) for name in sweep.vectors}
        row = rows.index(self.outputs.index(sweep.output))
        power = np.zeros((points.stop - points.start, len(s)))
        for size, ends in self.thermal:
            one, other = (follow[end][row] if end in follow else 0.0 for end in ends)
            power += size[points, None] * np.abs(one - other) ** 2
        return {"output_density": np.sqrt(power)}

    def _transfer(
        self, name: str, source: int, points: slice, s: Array, rows: list[int], follow: dict[int, Array]
    ) -> Array:
        """Return the transfer from a source to an output, shape (points, frequencies)."""
        output = self.outputs.index(name)
        drive, rate = self.drive[points, :, source], self.drive_rate[points, :, source]
        total = np.zeros((len(drive), len(s)), complex) + self.through[output, points, source, None]
        for index in np.flatnonzero(drive.any(axis=0) | rate.any(axis=0)).tolist():
            if index in follow:
                total += follow[index][rows.index(output)] * (drive[:, index, None] + s * rate[:, index, None])
        return total


def solved_apart(matrix: Array, right: Array) -> Array:
    """Solve one system with pivots of its own: a large one as the sparse one that it is."""
    if len(matrix) < SPARSE:
        return np.asarray(np.linalg.solve(matrix, right))
    from scipy.sparse import csc_array
    from scipy.sparse.linalg import splu

    try:
        return np.asarray(splu(csc_array(matrix)).solve(right))
    except RuntimeError as fault:  # exactly singular
        raise np.linalg.LinAlgError(str(fault)) from None


def _blocks(points: int, frequencies: int, most: int) -> Iterator[tuple[slice, slice]]:
    """Yield blocks of points and frequencies of so many at most."""
    wide = min(frequencies, most)
    high = max(most // wide, 1)
    for start in range(0, points, high):
        for first in range(0, frequencies, wide):
            yield slice(start, min(start + high, points)), slice(first, min(first + wide, frequencies))


def _joined(parts: list[dict[str, Array]], points: int, frequencies: int) -> dict[str, Array]:
    """Put the blocks of :func:`_blocks` together."""
    found = {}
    for name in parts[0]:
        arrays = [part[name] for part in parts]
        rows, row = [], []
        for array in arrays:
            row.append(array)
            if sum(entry.shape[1] for entry in row) == frequencies:
                rows.append(np.concatenate(row, axis=1))
                row = []
        found[name] = np.concatenate(rows, axis=0)
    return found
