"""The valve laws, each written once over a small set of operations.

A law is a plain function of an operations object ``ops``, the fitted constants and voltages to
the cathode [V]. With :class:`Numeric` it is computed on numpy arrays (real, or complex for
derivatives by complex step); with :class:`Lines` the same function writes the B sources of a
netlist. So the two forms can't drift apart.

Inside a law currents are in mA: simulators stop iterating at absolute tolerances near 1 uV, and
the currents are carried as node voltages.

Every law is finite, smooth and rising over any voltages a solver can wander through.

Grid and cathode are a diode. As the anode pulls, the grid keeps a share of that diode's current (12AU7 and 12AT7
curves with positive grid; see their files); in a pentode it keeps that share whatever the screen, of which no curve is
known. What a positive grid takes is missing at the anode; in the first volt of drive it collects electrons that would
have gone back to the cathode, and takes nothing from the anode.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

#: Least value of :func:`softplus`, so that powers and logarithms never see zero.
FLOOR = 1e-8

#: Screen voltage [V] over which the screen current sets in.
SCREEN_ONSET = 0.5

#: Width of the bend between the two slopes of the current division, in ln(anode voltage / screen voltage).
DIVISION_BEND = 0.3

#: Width [V] of the knee of the grid current law.
GRID_WIDTH = 0.165

#: Pull [V] of a triode's anode at which half of what the grid can lose to it is lost.
GRID_PULL = 20.0

#: Pull of an anode [V] at which it misses half of what the grid takes.
TAKEN_PULL = 5.0

#: Perveance of what a pentode's grid takes from the other electrodes, as part of the cathode's, at most.
MOST_TAKEN = 0.5

#: Grid current [A] at which the grid is said to begin to take current, and pull [V] there.
GRID_ONSET_CURRENT, GRID_ONSET_PULL = 0.3e-6, 250.0


class Numeric:
    """Operations on numpy arrays, real or complex (complex: first-order in the imaginary part)."""

    exp = staticmethod(np.exp)
    log = staticmethod(np.log)
    sqrt = staticmethod(np.sqrt)

    @staticmethod
    def abs(value: Any) -> Any:
        """Return the magnitude, with the sign of the real part deciding."""
        return np.where(np.real(value) < 0, -value, value)

    @staticmethod
    def larger(one: Any, other: Any) -> Any:
        """Return the larger of two values, by their real parts."""
        return np.where(np.real(one) > np.real(other), one, other)

    @staticmethod
    def smaller(one: Any, other: Any) -> Any:
        """Return the smaller of two values, by their real parts."""
        return np.where(np.real(one) < np.real(other), one, other)

    @staticmethod
    def power(base: Any, exponent: Any) -> Any:
        """Return ``base ** exponent`` of a positive base."""
        return np.exp(exponent * np.log(base))

    @staticmethod
    def node(name: str, value: Any) -> Any:
        """Return ``value``: only a netlist has nodes."""
        return value


class Text:
    """An expression of a B source, built by ordinary arithmetic."""

    def __init__(self, text: str) -> None:
        self.text = text

    def __add__(self, other: Any) -> Text:
        return Text(f"({self.text}+{_text(other)})")

    def __radd__(self, other: Any) -> Text:
        return Text(f"({_text(other)}+{self.text})")

    def __sub__(self, other: Any) -> Text:
        return Text(f"({self.text}-{_text(other)})")

    def __rsub__(self, other: Any) -> Text:
        return Text(f"({_text(other)}-{self.text})")

    def __mul__(self, other: Any) -> Text:
        return self if _is_one(other) else Text(f"({self.text}*{_text(other)})")

    def __rmul__(self, other: Any) -> Text:
        return self if _is_one(other) else Text(f"({_text(other)}*{self.text})")

    def __truediv__(self, other: Any) -> Text:
        return Text(f"({self.text}/{_text(other)})")

    def __rtruediv__(self, other: Any) -> Text:
        return Text(f"({_text(other)}/{self.text})")

    def __neg__(self) -> Text:
        return Text(f"(-{self.text})")


def _is_one(value: Any) -> bool:
    return not isinstance(value, Text) and float(value) == 1.0


def _text(value: Any) -> str:
    if isinstance(value, Text):
        return value.text
    number = float(value)
    return repr(number) if number >= 0 else f"({number!r})"


class Lines:
    """Operations that write B sources; ``lines`` holds them in the end.

    Parameters
    ----------
    instance : str
        Name of the valve in the netlist, such as "v1".
    """

    def __init__(self, instance: str) -> None:
        self.instance = instance
        self.lines: list[str] = []

    @staticmethod
    def exp(value: Any) -> Text:
        """Write the exponential."""
        return Text(f"exp({_text(value)})")

    @staticmethod
    def log(value: Any) -> Text:
        """Write the natural logarithm."""
        return Text(f"ln({_text(value)})")

    @staticmethod
    def sqrt(value: Any) -> Text:
        """Write the square root."""
        return Text(f"sqrt({_text(value)})")

    @staticmethod
    def abs(value: Any) -> Text:
        """Write the magnitude."""
        return Text(f"abs({_text(value)})")

    @staticmethod
    def larger(one: Any, other: Any) -> Text:
        """Write the larger of two values."""
        return Text(f"max({_text(one)},{_text(other)})")

    @staticmethod
    def smaller(one: Any, other: Any) -> Text:
        """Write the smaller of two values."""
        return Text(f"min({_text(one)},{_text(other)})")

    @staticmethod
    def power(base: Any, exponent: Any) -> Text:
        """Write ``base ** exponent`` of a positive base."""
        return Text(f"pwr({_text(base)},{_text(exponent)})")

    def node(self, name: str, value: Any) -> Text:
        """Give ``value`` a node of its own, and return that node's voltage."""
        node = f"n_{self.instance}_{name}"
        self.lines.append(f"b_{self.instance}_{name} {node} 0 v={_text(value)}")
        return Text(f"v({node})")


class MilliAmps(NamedTuple):
    """Electrode currents [mA]; ``screen`` is None where there is no screen."""

    anode: Any
    grid: Any
    screen: Any = None


@dataclass(frozen=True)
class GridConstants:
    """Grid current.

    Parameters
    ----------
    grid_perveance : float
        Of grid and cathode as a diode, with nothing that pulls electrons through the grid [A/V^1.5].
    grid_share : float
        Part of that current which the grid still takes when the anode (in pentodes the screen) pulls, 0..1. It
        falls further as the pull rises. Files without it are of before grid and anode shared.
    grid_onset : float
        Shift of the grid voltage [V], such that :data:`GRID_ONSET_CURRENT` flows at the published onset.
    """

    grid_perveance: float = 0.0
    grid_share: float = 1.0
    grid_onset: float = 0.0


@dataclass(frozen=True)
class TriodeConstants(GridConstants):
    """Constants of the triode law.

    Parameters
    ----------
    perveance : float
        Cathode current at 1 V of effective drive [A/V^exponent].
    mu : float
        Amplification factor of the larger section of the cathode. Larger than the printed one:
        never show it as the valve's.
    exponent : float
        Power of the effective drive.
    tail_share : float
        Part of the cathode that sees the lower amplification factor, 0..0.7.
    tail_drop : float
        That factor is ``mu / (1 + tail_drop)``.
    width, width_slope : float
        Rounding of the cut-off, ``width + width_slope * anode_voltage`` [V].
    contact : float
        Contact potential in series with the grid [V].
    knee : float
        Anode voltage at which the current fails to reach all of the space current [V].
    grid_perveance, grid_share, grid_onset : float
        See :class:`GridConstants`.
    """

    perveance: float = 0.0
    mu: float = 1.0
    exponent: float = 1.45
    tail_share: float = 0.0
    tail_drop: float = 0.0
    width: float = 0.2
    width_slope: float = 0.0
    contact: float = 0.5
    knee: float = 12.0


@dataclass(frozen=True)
class PentodeConstants(GridConstants):
    """Constants of the pentode and beam tetrode law.

    The first eight are those of :class:`TriodeConstants`, with the screen in the anode's place.

    Parameters
    ----------
    anode_reach : float
        Pull of the anode on the cathode, relative to that of the screen.
    division, division_slope, division_slope_above, division_drive : float
        Current division: ratio anode / screen current at equal voltages half way to cut-off, the
        power of anode / screen voltage in it below and above equal voltages, and its exponential
        change with the grid. In beam tetrodes the screen loses faster above than below.
    knee_sharpness : float
        How sharply the knee line is joined.
    knee_perveance : float
        Anode current along the knee line [A/V^1.5].
    turned_back : float
        Of the electrons that the anode turns back below its knee, the part that doesn't land on the screen: their
        space charge keeps so many at the cathode, 0..1.
    """

    perveance: float = 0.0
    mu: float = 1.0
    exponent: float = 1.45
    tail_share: float = 0.0
    tail_drop: float = 0.0
    width: float = 0.2
    width_slope: float = 0.0
    contact: float = 0.5
    anode_reach: float = 0.004
    division: float = 4.0
    division_slope: float = 0.1
    division_slope_above: float = 0.1
    division_drive: float = 0.0
    knee_sharpness: float = 3.3
    knee_perveance: float = 0.0
    turned_back: float = 0.0


@dataclass(frozen=True)
class RectifierConstants:
    """Constants of the diode law: ``perveance`` [A/V^exponent], ``exponent``, ``onset`` [V], ``width`` [V].

    ``exponent`` is 1.5 for a valve. A silicon diode uses 1: then ``1 / perveance`` is its series
    resistance and ``-onset`` its threshold.
    """

    perveance: float = 0.0
    exponent: float = 1.5
    onset: float = 0.0
    width: float = 0.3


def positive(ops: Any, value: Any) -> Any:
    """Return ``value`` where it is well above zero and a small positive number below, smoothly."""
    return 0.5 * (value + ops.sqrt(value * value + 0.01))


def softplus(ops: Any, value: Any) -> Any:
    """Return ln(1 + exp(value)), never less than :data:`FLOOR`, in the fewest operations that can't overflow."""
    return ops.larger(value, ops.log((1.0 + FLOOR) + ops.exp(ops.smaller(value, 80.0))))


def _space_current(ops: Any, c: Any, pull: Any, grid: Any, width: Any, emission: Any, mu: Any) -> Any:
    """Return the current of both cathode sections [mA] for a pull [V] referred to the anode or screen.

    No node of the law divides, here or below: a simulator's first guess of a node is 0 V. And none holds a drive that
    bends: linearised, it runs below zero, where powers mean nothing, before the iteration has come near.
    """
    # A pull over a factor that is a node stays the one division by it: 0 V over 0 V, while all nodes are guessed.
    share = pull / (mu * c.mu)
    upper = ops.node("z1", (share + (grid + c.contact)) / width)
    lower = ops.node("z2", upper + share * c.tail_drop / width)
    perveance = emission * (1e3 * c.perveance)
    parts = (perveance * (1.0 - c.tail_share)) * ops.power(width * softplus(ops, upper), c.exponent)
    return parts + (perveance * c.tail_share) * ops.power(width * softplus(ops, lower), c.exponent)


def _grid_current(ops: Any, c: Any, grid: Any, pull: Any) -> tuple[Any, Any]:
    """Return the grid current [mA] beside an anode's ``pull`` [V], and what of it the next electrode misses [mA]."""
    if not np.any(c.grid_perveance):
        return ops.node("ig", 0.0 * grid), 0.0
    drive = GRID_WIDTH * softplus(ops, (grid + c.grid_onset) / GRID_WIDTH)
    first = (1e3 * c.grid_perveance) * c.grid_share  # what flows at 1 V of drive with a strong pull
    if isinstance(c, TriodeConstants):
        lost = (1e3 * c.grid_perveance) * (1.0 - c.grid_share)
        ig = ops.node("ig", ops.power(drive, 1.5) * (first + (lost * GRID_PULL) / (pull + GRID_PULL)))
        # An anode that doesn't pull has nothing to lose.
        return ig, (ig * ig / (ops.abs(ig) + first)) * (pull / (pull + TAKEN_PULL))
    # A screen always pulls. Never more is taken than the space current, whatever the constants.
    ig = ops.node("ig", ops.power(drive, 1.5) * first)
    return ig, np.minimum(1.0, MOST_TAKEN * (1e3 * c.perveance) / first) * (ig * ig / (ops.abs(ig) + first))


def triode(ops: Any, c: TriodeConstants, anode: Any, grid: Any, emission: Any, mu: Any) -> MilliAmps:
    """Triode of two sections, so that the amplification factor falls at low current."""
    pull = ops.node("va", positive(ops, anode))
    width = c.width + c.width_slope * pull if np.any(c.width_slope) else c.width
    current = _space_current(ops, c, pull, grid, width, emission, mu)
    ig, taken = _grid_current(ops, c, grid, pull)
    return MilliAmps(ops.node("ia", (current - taken) * (1.0 - ops.exp((-1.0 / c.knee) * pull))), ig)


def pentode(ops: Any, c: PentodeConstants, anode: Any, grid: Any, screen: Any, emission: Any, mu: Any) -> MilliAmps:
    """Pentode or beam tetrode: cathode current, its division, and a smooth knee."""
    va = ops.node("va", positive(ops, anode))
    vs = ops.node("vs", 1.0 + positive(ops, screen - 1.0))
    pull = vs + c.anode_reach * va
    width = c.width + c.width_slope * pull
    ig, taken = _grid_current(ops, c, grid, None)
    ik = ops.node("ik", _space_current(ops, c, pull, grid, width, emission, mu) - taken)
    # How far to cut-off the grid is: 0 at zero bias, 1 at cut-off, held within 0..1.5.
    bias = ops.node("bias", ((-c.mu) * (mu * grid)) / (ops.abs(vs) + 0.01))
    bias = ops.node("turn", 0.5 * (bias + ops.sqrt(bias * bias + 0.04)))
    over = bias - 1.5
    bias = bias - 0.5 * (over + ops.sqrt(over * over + 0.04))
    log_va = ops.log(ops.abs(va) + 1e-6)
    above = log_va - ops.log(ops.abs(vs) + 1e-6)
    bend = DIVISION_BEND * (softplus(ops, above * (1.0 / DIVISION_BEND)) - float(np.log(2.0)))
    log_ratio = c.division_slope * above + (c.division_slope_above - c.division_slope) * bend
    log_ratio = log_ratio + c.division_drive * (bias - 0.5)
    share = ops.node("share", 1.0 / (1.0 + (1.0 / c.division) * ops.exp(-log_ratio)))
    # Smooth minimum of the divided current and the knee line, in logarithms.
    knee_line = np.log(1e3 * c.knee_perveance) + 1.5 * log_va
    offered = ik * share
    excess = ops.node("knee", c.knee_sharpness * (ops.log(ops.abs(offered) + 1e-12) - knee_line - ops.log(emission)))
    ia = ops.node("ia", offered * ops.exp((-1.0 / c.knee_sharpness) * softplus(ops, excess)))
    # A screen below its cathode takes nothing; from some ten volts up this factor is 1 to the last digit that counts.
    rest = ik * (1.0 - share) + (1.0 - c.turned_back) * (offered - ia)
    ig2 = ops.node("ig2", rest * (1.0 - ops.exp((-1.0 / SCREEN_ONSET) * positive(ops, screen))))
    return MilliAmps(ia, ig, ig2)


def rectifier(ops: Any, c: RectifierConstants, anode: Any, emission: Any) -> Any:
    """Diode current [mA]: a power law that ends smoothly below zero."""
    drive = ops.node("z1", (anode + c.onset) / c.width)
    drive = c.width * softplus(ops, drive)
    return ops.node("ia", (emission * (1e3 * c.perveance)) * ops.power(drive, c.exponent))


Constants = TriodeConstants | PentodeConstants | RectifierConstants

#: Section kind -> class of its constants and law.
LAWS: dict[str, tuple[type[Any], Callable[..., Any]]] = {
    "triode": (TriodeConstants, triode),
    "pentode": (PentodeConstants, pentode),
    "rectifier": (RectifierConstants, rectifier),
}


def evaluate(constants: Constants, anode: Any, grid: Any, screen: Any, emission: Any, mu: Any) -> MilliAmps:
    """Return the electrode currents [mA] on numpy arrays (which may be complex)."""
    if isinstance(constants, RectifierConstants):
        ia = rectifier(Numeric, constants, anode, emission)
        return MilliAmps(ia, np.zeros_like(ia))
    if isinstance(constants, PentodeConstants):
        return pentode(Numeric, constants, anode, grid, screen, emission, mu)
    return triode(Numeric, constants, anode, grid, emission, mu)


def netlist_lines(
    constants: Constants,
    instance: str,
    *,
    nodes: Mapping[str, str],
    emission: Any,
    mu: Any,
    driven: bool,
) -> list[str]:
    """Return the B sources of a law, then one linear current source an electrode (faster than B sources).

    ``nodes`` are of the electrodes "anode", "cathode", "grid" and "screen", as far as the law has them.
    """
    ops = Lines(instance)
    anode, cathode, grid, screen = (nodes.get(name) for name in ("anode", "cathode", "grid", "screen"))
    assert anode is not None
    assert cathode is not None

    def voltage(node: str) -> str:
        if node == cathode:
            return "0.0"
        if node == "0":
            return f"(-v({cathode}))"
        return f"v({node})" if cathode == "0" else f"v({node},{cathode})"

    drive = voltage(grid) if grid else "0.0"
    if driven:
        drive = f"({drive}+v(n_{instance}_drive))"
    va = Text(voltage(anode))
    electrodes = [("anode", anode, "ia")]
    if isinstance(constants, RectifierConstants):
        rectifier(ops, constants, va, emission)
    elif isinstance(constants, PentodeConstants):
        assert screen is not None
        pentode(ops, constants, va, Text(drive), Text(voltage(screen)), emission, mu)
        electrodes.append(("screen", screen, "ig2"))
    else:
        triode(ops, constants, va, Text(drive), emission, mu)
    if grid:
        electrodes.append(("grid", grid, "ig"))
    for name, node, current in electrodes:
        ops.lines.append(f"g_{instance}_{name} {node} {cathode} n_{instance}_{current} 0 0.001")
    return ops.lines


def grid_onset_sum(kind: str, perveance: Any, share: Any) -> Any:
    """Return the sum of the constant ``grid_onset`` and the grid voltage at :data:`GRID_ONSET_CURRENT` [V].

    In closed form: the grid is then so far below its knee that the anode has its full pull.
    """
    pulled = GRID_PULL / (GRID_PULL + GRID_ONSET_PULL) if kind == "triode" else 0.0
    kept = perveance * (share + (1.0 - share) * pulled)
    drive = (GRID_ONSET_CURRENT / kept) ** (2.0 / 3.0)
    return GRID_WIDTH * np.log(np.expm1(drive / GRID_WIDTH))
