"""Load lines: what each valve sees in its circuit, found by driving it there.

A valve sees its circuit with all other valves at work there: as its own grid is driven slowly, and as the signal drives
it. Halves of a pair are taken as exactly balanced. The circuit round the valves is linear, so the response to each
valve driven by itself, at the grid and (of a pentode) between screen and anode, also gives the matrix of impedances
that the valves' currents meet; from it follows what a half sees with its twin beside it, and with its twin cut off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.errors import InputError
from simwrap.measures.common import (
    Array,
    Floats,
    StageLike,
    between,
    count,
    current_nodes,
    divide,
    load_of,
    scalar,
    valve_vectors,
    vector,
)
from simwrap.measures.options import Frequency
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable

#: So low that every coupling and bypass capacitor is open, and every winding a wire [Hz].
_SLOW = 1e-5
#: A load is a straight line if it is real, and the same half a decade up and down, within this share.
_STRAIGHT = 0.2
#: Another valve counts as a twin if what its current does to this one's voltage is more than this share of what its
#: own does, their own loads are alike within this factor, and the signal drives both alike within it and this angle.
_COUPLED, _ALIKE, _ANGLE = 0.1, 2.0, np.radians(30.0)
#: Valves are in series if more than this share of a slow change of the one's current is the other's.
_SERIES = 0.1
#: A screen's current that moves the anode by less than this share of what the anode's does isn't in its load.
_LEAST_TAP = 0.05
#: Below this share of the largest current a drive moves nothing: the valve is cut off.
_DEAF = 1e-9
#: Anode current for 1 V of the signal below which that doesn't reach a valve [A].
_UNDRIVEN = 1e-12


@measure(
    "load_lines",
    summary="what each valve's anode sees in the circuit: for slow changes, for the signal, and with its twin cut off",
    headline=("valves.*.signal_load",),
    picture="simwrap.plots.measures.composite:draw",
    shows=("bias",),
)
def load_lines(stage: StageLike, *, frequency: Frequency = 1000.0) -> Steps:
    """Measure the slope of every valve's load line, as anode voltage over current.

    The current is the anode's, and of a tapped or triode-connected pentode that part of the screen's too which
    flows through the same load. Voltages are to the cathode, so that what lies in the cathode's lead counts.

    Parameters
    ----------
    frequency : float
        Where the signal's load is read [Hz]: a mid-band one.

    Results
    -------
    valves.<name>.direct_load
        For slow changes of its grid: every capacitor open, every winding a wire [ohm]; of halves that share a load,
        both alike.
    valves.<name>.signal_load
        For the signal [ohm]; NaN where it isn't a straight line: not resistive within 20 %, or
        not the same within 20 % half a decade higher and lower. Of valves that share a load or a cathode and
        that the signal drives in opposite phase, what they have in opposite phase. Below 0 where another valve
        drives this one's anode: the upper one of two in series takes current up as its anode rises.
    valves.<name>.alone_load
        For the signal while a twin in opposite phase at the same load is cut off [ohm]; NaN without one.
    valves.<name>.output_share
        Of a valve that has a twin in opposite phase: the part of the power in that load which arrives in the load at
        the output, the rest being lost in copper and core; NaN without a load there.
    valves.<name>.tap
        Share of the screen's current that flows through the anode's load: 0 for a screen fed by itself, 1 in triode
        connection.

    Raises
    ------
    InputError
        If the circuit has no valve with a grid.
    """
    valves = {name: use for name, use in stage.valves.items() if "grid" in current_nodes(name, use)}
    if not valves:
        raise InputError(f"load_lines: {stage.name} has no valve with a grid")
    pentodes = [name for name, use in valves.items() if "screen" in current_nodes(name, use)]
    extra: dict[str, Any] = {"sources": dict.fromkeys(valves, True)}
    drives = [*(f"{name}_drive" for name in valves), *(f"{name}_screen" for name in pentodes)]
    output = stage.ports.get("output", "")
    vectors = tuple(dict.fromkeys((*valve_vectors(valves), *([output] if output else []))))
    half = np.sqrt(10.0)
    band = Ac(start=frequency / half, stop=frequency * half, per_decade=2, vectors=vectors)
    slow = Ac(start=_SLOW, stop=10.0 * _SLOW, per_decade=1, vectors=vectors)
    driven = [replace(sweep, excite=drive, extra=extra) for sweep in (band, slow) for drive in drives]
    replies = yield [band, *driven]
    signal, at_band, at_slow = replies[0], replies[1 : 1 + len(drives)], replies[1 + len(drives) :]
    middle, low = (_Network(valves, answers, output) for answers in (at_band, at_slow))
    ohms = load_of(stage, count(signal))[1]
    variables: dict[str, Variable] = {}
    for number, name in enumerate(valves):
        twins = _twins(valves, signal, middle, low, number)
        found = _lines(number, twins, middle, low, partial(_driven, signal, valves, middle, number))
        for key, words in (
            ("direct_load", "load of {} for slow changes"),
            ("signal_load", "load of {} for the signal"),
            ("alone_load", "load of {} with its twin cut off"),
        ):
            variables[f"valves.{name}.{key}"] = scalar(found[key], "ohm", words.format(name))
        share = middle.output_share(number, found["alone_load"], found["tap"], ohms)
        words = f"part of the power in the load of {name}, its twin cut off, that arrives at the output"
        variables[f"valves.{name}.output_share"] = scalar(share, "", words)
        words = f"share of {name}'s screen current in the anode's load"
        variables[f"valves.{name}.tap"] = scalar(found["tap"], "", words)
    return Result(
        variables,
        conditions={"frequency": (frequency, "Hz"), "slow_changes": (_SLOW, "Hz"), "level": ("small signal", "")},
    )


class _Network:
    """What the valves' currents meet, from as many drives as there are currents.

    Attributes
    ----------
    to_cathode, to_ground : ndarray, shape (points, frequencies, valves, currents)
        Fall of each anode's voltage, to its cathode and to ground, for 1 A of each current [ohm]: anodes first,
        then screens.
    screens, triodes : list of int
        The valves that have a screen, in the order of their currents, and those of them whose anode it is wired to.
    output : ndarray, shape (points, frequencies, currents)
        Voltage at the output for 1 A of each current [ohm].
    ratio : ndarray, shape (points, frequencies, valves)
        Screen over anode current of each valve as its own grid is driven; 0 without a screen.
    own : ndarray, shape (points, frequencies, valves)
        Fall of each anode's voltage to its cathode for 1 A of the anode as its own grid is driven [ohm].
    takes_along : ndarray, shape (points, frequencies, valves, valves)
        Current of each anode (first) for 1 A of another's (second) as that one's grid is driven.
    """

    def __init__(self, valves: Mapping[str, Any], replies: list[Reply], output: str) -> None:
        names = list(valves)
        self.screens = [k for k, name in enumerate(names) if "screen" in current_nodes(name, valves[name])]
        uses = [use.nodes for use in valves.values()]
        self.triodes = [k for k in self.screens if uses[k]["screen"] == uses[k]["anode"]]
        flows = np.stack([self._currents(valves, reply) for reply in replies], axis=-1)
        for drive in range(len(names), len(names) + len(self.screens)):
            flows[..., drive, drive] += 1.0  # that drive is a current beside the screen's own
        largest = np.abs(flows).max(axis=(-2, -1), keepdims=True)
        # Each drive scaled to the same size: a valve with little current is no less known.
        size = np.abs(flows).max(axis=-2, keepdims=True)
        scale = np.where(size > _DEAF * largest, divide(1.0, size), 0.0)
        self._failed = ~np.isfinite(flows).all(axis=(-2, -1), keepdims=True)
        self._flows, self._scale = flows, scale
        self._falls = -self._voltages(valves, replies, False)
        inverse = self._inverse(slice(None))
        self.to_cathode, self.to_ground = (
            np.where(self._failed, np.nan, falls * scale @ inverse)
            for falls in (self._falls, -self._voltages(valves, replies, True))
        )
        count = len(names)
        driven = np.einsum("...kk->...k", flows[..., :count, :count])
        fall = np.einsum("...kk->...k", self._falls[..., :count])
        heard = np.abs(driven) > _DEAF * largest[..., 0]
        self.own = np.where(heard, divide(fall, driven), np.nan)
        self.takes_along = np.where(heard[..., None, :], divide(flows[..., :count, :count], driven[..., None, :]), 0.0)
        levels = [vector(reply, output) if output else np.full(flows.shape[:2], np.nan) for reply in replies]
        reached = np.stack(levels, axis=-1)[..., None, :] * scale @ inverse
        self.output = np.where(self._failed, np.nan, reached)[..., 0, :]
        self.ratio = np.zeros(flows.shape[:-2] + (len(names),))
        for row, valve in enumerate(self.screens, start=len(names)):
            self.ratio[..., valve] = divide(flows[..., row, valve], flows[..., valve, valve]).real

    def _currents(self, valves: Mapping[str, Any], reply: Reply) -> Array:
        pairs = list(valves.items())
        anodes = [1e-3 * vector(reply, current_nodes(name, use)["anode"]) for name, use in pairs]
        screens = [1e-3 * vector(reply, current_nodes(*pairs[k])["screen"]) for k in self.screens]
        return np.stack([*anodes, *screens], axis=-1)

    @staticmethod
    def _voltages(valves: Mapping[str, Any], replies: list[Reply], ground: bool) -> Array:
        """Return the anodes' voltages, shape (points, frequencies, valves, drives)."""
        return np.stack(
            [
                np.stack(
                    [
                        between(reply, use.nodes["anode"], "0" if ground else use.nodes["cathode"])
                        for use in valves.values()
                    ],
                    axis=-1,
                )
                for reply in replies
            ],
            axis=-1,
        )

    def _inverse(self, drives: Any) -> Array:
        """Return how these drives, each scaled, make the currents of the same places, all other valves at work."""
        flows = self._flows[..., drives, :][..., drives] * self._scale[..., drives]
        return np.asarray(np.linalg.pinv(np.where(self._failed, 0.0, flows), rcond=_DEAF))

    def alive(self, valve: int, tap: Floats) -> Array:
        """Return what a valve sees as its own grid is driven, all others at work, over frequency [ohm]."""
        return divide(self.own[..., valve], 1.0 + tap[:, None] * self.ratio[..., valve])

    def tap(self, valve: int, place: int) -> Floats:
        """Return the share of a valve's screen current that flows through its anode's load, at a frequency."""
        if valve not in self.screens:
            return np.zeros(len(self.ratio))
        if valve in self.triodes:
            return np.ones(len(self.ratio))
        column = self.to_ground.shape[-2] + self.screens.index(valve)
        own, other = self.to_ground[:, place, valve, valve], self.to_ground[:, place, valve, column]
        alike = np.abs(own) > _LEAST_TAP * np.abs(self.to_cathode[:, place, valve, valve])  # a follower's isn't loaded
        share = np.where(alike, divide(other, own).real, 0.0)
        return np.where(share > _LEAST_TAP, share, np.where(np.isnan(own), np.nan, 0.0))

    def output_share(self, valve: int, load: Floats, tap: Floats, ohms: Floats) -> Floats:
        """Return the part of the power in a valve's ``load`` [ohm] that arrives in ``ohms`` at the output."""
        share = self.ratio[:, _MIDDLE, valve]
        volts = self.output[:, _MIDDLE, valve]
        if valve in self.screens:
            volts = volts + share * self.output[:, _MIDDLE, self.to_cathode.shape[-2] + self.screens.index(valve)]
        return divide(np.abs(volts) ** 2, ohms * load * (1.0 + tap * share) ** 2)

    def among(self, members: list[int]) -> Array:
        """Return the fall of each member's anode for 1 A of each member's current, anodes first, then screens [ohm].

        All other valves are at work: what feeds a pair's cathodes may be one, and lets no other current through.
        Shape (points, frequencies, members, currents).
        """
        count = self.to_cathode.shape[-2]
        drives = [*members, *(count + place for place, valve in enumerate(self.screens) if valve in members)]
        falls = self._falls[..., members, :][..., drives] * self._scale[..., drives]
        return np.where(self._failed, np.nan, falls @ self._inverse(drives))

    def load(self, valve: int, signs: Floats, tap: Floats) -> Array:
        """Return the load of a valve while its twins' currents are its own times signs, over frequency [ohm].

        ``signs`` has the shape (points, valves), 1 for the valve itself, NaN for those that aren't twins; ``tap`` the
        shape (points,).
        """
        twins = np.flatnonzero(np.isfinite(signs).any(axis=0)).tolist()
        screens = [each for each in self.screens if each in twins]
        falls = self.among(twins)[..., twins.index(valve), :]
        share = self.ratio[..., valve]
        total = np.zeros(share.shape, dtype=complex)
        for place, other in enumerate(twins):
            part = falls[..., place]
            if other in screens:
                part = part + share * falls[..., len(twins) + screens.index(other)]
            sign = np.nan_to_num(signs[:, other, None])
            total = total + sign * np.where(sign == 0, 0.0, part)
        return divide(total, 1.0 + tap[:, None] * share)


#: Places of the three frequencies of the band: half a decade below, the frequency itself, half a decade above.
_BELOW, _MIDDLE, _ABOVE = 0, 1, 2


def _twins(
    valves: Mapping[str, Any], signal: Reply, network: _Network, low: _Network, valve: int
) -> tuple[Floats, Floats]:
    """Return how the signal drives the twins of a valve, and what 1 A of each does to its anode [ohm].

    1 is in its phase, -1 in opposite phase, NaN another valve. Valves in series are no twins: a slow change of the
    one's current is the other's too; nor are valves whose own loads differ, such as a follower and the stage that it
    drives at its cathode. Both of shape (points, valves).
    """
    driven = np.stack([vector(signal, current_nodes(n, u)["anode"])[:, _MIDDLE] for n, u in valves.items()], axis=-1)
    ratio = divide(driven, driven[:, valve, None])
    size, angle = np.abs(ratio), np.abs(np.angle(ratio))
    across, alike = np.zeros(size.shape), _same_size(size)
    for other in range(len(valves)):
        if other != valve:
            falls = network.among([valve, other])[:, _MIDDLE]
            across[:, other] = falls[:, 0, 1].real
            alike[:, other] &= np.abs(falls[:, 0, 1].real) > _COUPLED * np.abs(falls[:, 0, 0].real)
            alike[:, other] &= _same_size(np.abs(divide(falls[:, 1, 1], falls[:, 0, 0])))
    alike &= ~(low.takes_along[:, 0, :, valve].real > _SERIES)
    signs = np.where(alike & (angle < _ANGLE), 1.0, np.where(alike & (angle > np.pi - _ANGLE), -1.0, np.nan))
    signs[:, valve] = 1.0
    return signs, across


def _same_size(ratio: Floats) -> NDArray[np.bool_]:
    return np.asarray((ratio > 1.0 / _ALIKE) & (ratio < _ALIKE))


def _driven(
    signal: Reply, valves: Mapping[str, Any], network: _Network, valve: int, signs: Floats, at_load: NDArray[np.bool_]
) -> Array:
    """Return what a valve sees while the signal drives it, over frequency [ohm]; NaN where it doesn't.

    Of a pair ``at_load`` it is what both halves have in opposite phase: an exactly balanced one has nothing else. Where
    its halves have loads of their own that is so of their cathodes alone.
    """
    anodes, cathodes, currents = [], [], []
    for number, (name, use) in enumerate(valves.items()):
        nodes = current_nodes(name, use)
        current = 1e-3 * vector(signal, nodes["anode"])
        if "screen" in nodes:
            current = current + network.tap(number, _MIDDLE)[:, None] * 1e-3 * vector(signal, nodes["screen"])
        anodes.append(between(signal, use.nodes["anode"], "0"))
        cathodes.append(between(signal, use.nodes["cathode"], "0"))
        currents.append(current)
    opposite = signs < 0
    both = np.where(opposite, divide(-0.5, opposite.sum(axis=1, keepdims=True)), 0.0)
    both[:, valve] = np.where(opposite.any(axis=1), 0.5, 1.0)
    own = np.where(at_load[:, None], both, np.arange(len(valves)) == valve)
    anode, cathode, current = (
        np.einsum("pk,kpf->pf", shares, np.stack(each))
        for shares, each in ((own, anodes), (both, cathodes), (own, currents))
    )
    fall = cathode - anode
    return np.where(np.abs(currents[valve]) > _UNDRIVEN, divide(fall, current), np.nan)


def _lines(
    valve: int,
    twins: tuple[Floats, Floats],
    middle: _Network,
    low: _Network,
    driven: Callable[[Floats, NDArray[np.bool_]], Array],
) -> dict[str, Floats]:
    tap = middle.tap(valve, _MIDDLE)
    signs, across = twins
    opposite = (signs < 0).any(axis=1)
    # At a common load a twin's current moves this anode the other way; at a common cathode it doesn't.
    at_load = opposite & (np.where(signs < 0, -across, 0.0).sum(axis=1) > 0)
    single = np.isfinite(signs).sum(axis=1) == 1
    # What is slow moves both valves of a pair alike. Those of a cathode-coupled pair share a current that stays.
    together = np.where(at_load[:, None], np.abs(signs), signs)
    slow = np.where(single, low.alive(valve, tap)[:, 0], low.load(valve, together, tap)[:, 0])
    # A valve is looked at as the signal drives it, so that a grid leak to its cathode is bootstrapped as it is in use;
    # one that the signal doesn't reach, as its own grid does.
    seen = driven(signs, at_load)
    signal = _straight(np.where(np.isfinite(seen), seen, middle.alive(valve, tap)))
    alone = _straight(middle.load(valve, np.maximum(signs, 0.0), tap))
    return {
        "direct_load": slow.real,
        "signal_load": signal,
        "alone_load": np.where(at_load, alone, np.nan),
        "tap": tap,
    }


def _straight(load: Array) -> Floats:
    """Return the load at the middle frequency, NaN where it is no straight line."""
    here = load[:, _MIDDLE]
    with np.errstate(invalid="ignore"):
        real = np.abs(here.imag) < _STRAIGHT * np.abs(here.real)
        steady = [np.abs(np.abs(load[:, k]) - np.abs(here)) < _STRAIGHT * np.abs(here) for k in (_BELOW, _ABOVE)]
    return np.where(real & steady[0] & steady[1], here.real, np.nan)
