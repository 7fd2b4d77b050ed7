"""A valve: one section of a valve file, with its law."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NamedTuple, TypedDict, Unpack

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simwrap.errors import InputError
from simwrap.registry import load
from simwrap.report.html import as_html
from simwrap.valves import laws
from simwrap.valves.schema import (
    AccuracyGoal,
    Base,
    Capacitances,
    Chart,
    FitRecord,
    FlickerNoise,
    GridOnset,
    Group,
    Heater,
    Kind,
    Leakage,
    OutputRow,
    Point,
    Ratings,
    ValveFile,
    ValveSystem,
    Window,
)

Array = NDArray[np.float64]

_STEP = 1e-30


class Currents(NamedTuple):
    """Electrode currents [A]; ``cathode`` is their sum, ``screen`` is 0 where there is no screen."""

    anode: Array
    screen: Array
    grid: Array
    cathode: Array


#: Elementary charge [C] and Boltzmann constant [J/K], exact in the SI since 2019.
CHARGE, BOLTZMANN = 1.602176634e-19, 1.380649e-23


class SmallSignal(NamedTuple):
    """Slopes at a point: ``gm`` [S], ``ra`` [ohm], ``mu`` = gm * ra."""

    gm: Array
    ra: Array
    mu: Array


_KINDS: tuple[Kind, ...] = ("triode", "pentode", "rectifier")


class NetlistOptions(TypedDict, total=False):
    """What :meth:`Valve.netlist` adds.

    Attributes
    ----------
    emission, mu : float or str
        Factors of :meth:`Valve.currents`: they become v sources ``v_v1_emission`` and ``v_v1_mu`` that can be swept.
        A str is written as it is.
    sources : bool
        Sources without a value, to be excited: ``v_v1_drive`` in the grid's drive (no current flows in it), and
        ``i_v1_anode``, ``i_v1_screen``, ``i_v1_grid`` from each electrode to the cathode.
    heater_leakage : bool
        The heater's source ``v_v1_heater`` (without voltage; to be excited) and its leakage to the cathode.
    """

    emission: object
    mu: object
    sources: bool
    heater_leakage: bool


@dataclass(frozen=True, repr=False, eq=False)
class Valve:
    """One valve system: ratings, capacitances, published rows and a fitted law.

    Made by :func:`simwrap.valves.get_valve`. All voltages are to the cathode. ``name`` is the designation that was
    asked for where that has ratings of its own, and ``type_name`` otherwise, the name of the file. ``kinds`` are those
    of all its sections.
    """

    name: str
    type_name: str
    kind: Kind
    designations: tuple[str, ...]
    summary: str
    constants: laws.Constants
    ratings: Ratings
    capacitances: Capacitances
    noise: FlickerNoise
    leakage: Leakage
    heater: Heater | None
    base: Base | None
    sources: Mapping[str, str]
    points: tuple[Point, ...]
    charts: tuple[Chart, ...]
    outputs: tuple[OutputRow, ...]
    windows: tuple[Window, ...]
    grid_onset: GridOnset
    goals: Mapping[Group, AccuracyGoal]
    fitted: FitRecord
    trust: str
    path: Path | None
    kinds: tuple[Kind, ...] = ()

    def __eq__(self, other: object) -> bool:
        """Whether all that a file says is the same: a copy is equal to the original."""
        if self is other or not isinstance(other, Valve):
            return self is other
        return all(getattr(self, field.name) == getattr(other, field.name) for field in fields(self))

    def __hash__(self) -> int:
        """Of the name and the law: quick, since lines of a netlist are kept by valve."""
        return hash((self.name, self.kind, self.constants))

    @classmethod
    def from_file(
        cls, record: ValveFile, kind: Kind, path: Path | None = None, designation: str | None = None
    ) -> Valve:
        """Return the section ``kind`` of a checked file, with the ratings of a ``designation`` that has its own."""
        section: ValveSystem = getattr(record, kind)
        own = section.ratings_of.get(designation or "")
        name = designation if own and designation else record.name
        names = (record.name, *record.designations) if name != record.name else record.designations
        return cls(
            name=name,
            type_name=record.name,
            kind=kind,
            designations=tuple(each for each in names if each != name),
            summary=section.summary or record.summary,
            constants=laws.LAWS[kind][0](**section.constants),
            ratings=section.ratings.of(own, record.name) if own else section.ratings,
            capacitances=section.capacitances,
            noise=section.noise,
            leakage=section.leakage,
            heater=record.heater,
            base=record.base,
            sources=record.sources,
            points=section.points,
            charts=section.charts,
            outputs=section.outputs,
            windows=section.windows,
            grid_onset=section.grid,
            goals=section.goals,
            fitted=section.fitted,
            trust=section.fitted.trust or record.trust,
            path=path,
            kinds=tuple(each for each in _KINDS if getattr(record, each) is not None),
        )

    @property
    def kind_matters(self) -> bool:
        """Whether the type has sections of several kinds."""
        return len(self.kinds) > 1

    def __repr__(self) -> str:
        words = f"{self.kind} section" if self.kind_matters else self.kind
        return f"<{self.name}, {words}: {self.summary}; simwrap.valves.facts() has all>"

    def _repr_html_(self) -> str:
        """Return what `simwrap show` prints, the proof folded away."""
        tables = load("simwrap.valves:facts")(self)
        # What a sheet states first stays open: what it is, and its ratings.
        told = [table._replace(details=place > 1) for place, table in enumerate(tables)]
        return as_html(told, "conditions, proof and sources")

    def currents(
        self,
        anode_voltage: ArrayLike,
        grid_voltage: ArrayLike = 0.0,
        screen_voltage: ArrayLike | None = None,
        emission: ArrayLike = 1.0,
        mu: ArrayLike = 1.0,
    ) -> Currents:
        """Return the electrode currents.

        Parameters
        ----------
        anode_voltage, grid_voltage, screen_voltage : array_like
            Voltages to the cathode [V], any shapes that broadcast. A pentode needs the screen's;
            for the triode connection give it the anode's.
        emission, mu : array_like
            Factors on the emission and the amplification factor, for the spread of real valves.

        Returns
        -------
        Currents
            Arrays [A] of the broadcast shape.
        """
        va, vg, vs, em, m = np.broadcast_arrays(
            *(
                np.asarray(value, dtype=float)
                for value in (anode_voltage, grid_voltage, self._screen(screen_voltage), emission, mu)
            )
        )
        ma = laws.evaluate(self.constants, va, vg, vs, em, m)
        anode = np.asarray(1e-3 * ma.anode)
        grid = np.asarray(1e-3 * ma.grid)
        screen = np.zeros_like(anode) if ma.screen is None else np.asarray(1e-3 * ma.screen)
        return Currents(anode, screen, grid, anode + screen + grid)

    def _screen(self, screen_voltage: ArrayLike | None) -> ArrayLike:
        if self.kind == "pentode" and screen_voltage is None:
            raise InputError(f"{self.name}: a pentode needs screen_voltage; give the anode's for the triode connection")
        return 0.0 if screen_voltage is None else screen_voltage

    def small_signal(
        self,
        anode_voltage: ArrayLike,
        grid_voltage: ArrayLike = 0.0,
        screen_voltage: ArrayLike | None = None,
        *,
        tap: float = 0.0,
        emission: ArrayLike = 1.0,
        mu: ArrayLike = 1.0,
    ) -> SmallSignal:
        """Return gm, ra and mu of the anode current.

        Parameters
        ----------
        anode_voltage, grid_voltage, screen_voltage : array_like
            Voltages to the cathode [V].
        tap : float
            Part of the anode's signal that the screen shares: 1 for the triode connection, 0.43
            for a usual ultra-linear tap. The current is then anode + tap * screen current, that
            through the whole winding.
        emission, mu : array_like
            Factors on the current and on the amplification factor, as in :meth:`currents`.

        Returns
        -------
        SmallSignal
            gm [S], ra [ohm] and mu, arrays of the broadcast shape. ``ra`` is inf where the
            current doesn't change with the anode voltage.
        """
        va, vg, vs = np.broadcast_arrays(
            *(np.asarray(value, dtype=float) for value in (anode_voltage, grid_voltage, self._screen(screen_voltage)))
        )

        def slope(da: float, dg: float, ds: float) -> Array:
            ma = laws.evaluate(
                self.constants, va + da * 1j * _STEP, vg + dg * 1j * _STEP, vs + ds * 1j * _STEP, emission, mu
            )
            total = ma.anode if ma.screen is None else ma.anode + tap * ma.screen
            return np.asarray(np.imag(total) * (1e-3 / _STEP))

        gm = slope(0.0, 1.0, 0.0)
        conductance = slope(1.0, 0.0, tap)
        with np.errstate(divide="ignore"):
            ra = np.asarray(1.0 / conductance)
        with np.errstate(invalid="ignore"):
            return SmallSignal(gm, ra, np.asarray(gm * ra))

    def noise_resistance(
        self, anode_voltage: ArrayLike, grid_voltage: ArrayLike = 0.0, screen_voltage: ArrayLike | None = None
    ) -> Array:
        """Return the resistance [ohm] at the grid whose thermal noise is the valve's shot noise.

        2.5/gm for triodes (Thompson, North, Harris, RCA Review, January 1940); for pentodes the
        partition noise is added: Ia/(Ia+Ig2) * (2.5/gm + 20*Ig2/gm^2) (Harris, RCA Review, April
        1941). That is with the screen held still and without grid current; the measure `noise` holds for any.
        """
        gm = self.small_signal(anode_voltage, grid_voltage, screen_voltage).gm
        if self.kind != "pentode":
            return np.asarray(2.5 / gm)
        flow = self.currents(anode_voltage, grid_voltage, screen_voltage)
        share = flow.anode / (flow.anode + flow.screen)
        return np.asarray(share * (2.5 / gm + 20.0 * flow.screen / gm**2))

    def smoothing(
        self,
        anode_voltage: ArrayLike,
        grid_voltage: ArrayLike = 0.0,
        screen_voltage: ArrayLike | None = None,
        *,
        emission: ArrayLike = 1.0,
        mu: ArrayLike = 1.0,
        temperature: float = 300.15,
    ) -> Array:
        """Return what space charge leaves of the cathode current's shot noise 2 q Ik, as a part of its power.

        10 k T gm / (2 q Ik), that is 2.5/gm at the grid (Thompson, North, Harris, RCA Review, January 1940), with gm
        and current those of the whole cathode current; at most 1, full shot noise. Parameters as for
        :meth:`currents`; ``temperature`` [K] is the simulator's.
        """
        given = (anode_voltage, grid_voltage, self._screen(screen_voltage), emission, mu)
        va, vg, vs, em, m = (np.asarray(value, dtype=float) for value in given)
        ma = laws.evaluate(self.constants, va, vg + 1j * _STEP, vs, em, m)
        whole = np.asarray(ma.anode + ma.grid + (0.0 if ma.screen is None else ma.screen))
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.imag(whole) / _STEP / np.real(whole)
        return np.asarray(np.clip(5.0 * BOLTZMANN * temperature / CHARGE * slope, 0.0, 1.0))

    def is_bottomed(
        self,
        anode_voltage: ArrayLike,
        grid_voltage: ArrayLike = 0.0,
        screen_voltage: ArrayLike | None = None,
    ) -> Array:
        """Return whether half of the electrons or more turn back before the anode (a criterion of our own).

        A triode's law says so itself; in a pentode it is where the anode's current rises with the 0.75th power of its
        voltage or more: half of a diode's.
        """
        if isinstance(self.constants, laws.TriodeConstants):
            return np.asarray(np.asarray(anode_voltage, dtype=float) < np.log(2.0) * self.constants.knee)
        flow = self.currents(anode_voltage, grid_voltage, screen_voltage)
        ra = self.small_signal(anode_voltage, grid_voltage, screen_voltage).ra
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.asarray(anode_voltage, dtype=float) > 0.75 * flow.anode * ra)

    def netlist(
        self,
        instance: str,
        *,
        anode: str,
        cathode: str,
        grid: str | None = None,
        screen: str | None = None,
        **options: Unpack[NetlistOptions],
    ) -> list[str]:
        """Return the valve's SPICE lines.

        Parameters
        ----------
        instance : str
            Name in the netlist, such as "v1": devices are ``b_v1_...``, nodes ``n_v1_...``. The
            nodes ``n_v1_ia``, ``n_v1_ig2`` and ``n_v1_ig`` carry the currents in mA as volts.
        anode, cathode, grid, screen : str
            Nodes. A rectifier has no grid: give one anode a call.
        **options
            What is added: see :class:`NetlistOptions`.

        Returns
        -------
        list of str
            Lower-case lines with plain numbers.
        """
        if self.kind == "pentode" and screen is None:
            raise InputError(f"{self.name} as {instance}: a pentode needs a screen node")
        if self.kind != "rectifier" and grid is None:
            raise InputError(f"{self.name} as {instance}: a {self.kind} needs a grid node")
        nodes = {"anode": anode, "cathode": cathode, "grid": grid, "screen": screen}
        if self.kind != "pentode":
            del nodes["screen"]
        if self.kind == "rectifier":
            del nodes["grid"]
        lines: list[str] = []
        factors: dict[str, Any] = {"emission": 1.0, "mu": 1.0}
        for name in factors:
            if (value := options.get(name)) is not None:
                node = f"n_{instance}_{name}"
                lines.append(f"v_{instance}_{name} {node} 0 dc {_number(value)}")
                factors[name] = laws.Text(f"v({node})")
        driven = bool(options.get("sources")) and self.kind != "rectifier"
        if driven:
            lines.append(f"v_{instance}_drive n_{instance}_drive 0 dc 0 ac 0")
            electrodes = ((name, node) for name, node in nodes.items() if name != "cathode")
            lines += [f"i_{instance}_{name} {node} {cathode} dc 0 ac 0" for name, node in electrodes]
        lines += laws.netlist_lines(
            self.constants,
            instance,
            nodes={name: node for name, node in nodes.items() if node is not None},
            **factors,
            driven=driven,
        )
        if options.get("heater_leakage"):
            lines += self._leakage_lines(instance, cathode)
        if self.kind != "rectifier":
            lines += self._capacitance_lines(instance, grid, anode, cathode)
        return lines

    def _leakage_lines(self, instance: str, cathode: str) -> list[str]:
        node, leak = f"n_{instance}_heater", self.leakage
        lines = [
            f"v_{instance}_heater {node} 0 dc 0 ac 0",
            f"r_{instance}_leakage {node} {cathode} {leak.heater_cathode_resistance!r}",
        ]
        if leak.heater_cathode_capacitance > 0:
            lines.append(f"c_{instance}_leakage {node} {cathode} {leak.heater_cathode_capacitance!r}")
        return lines

    def _capacitance_lines(self, instance: str, grid: str | None, anode: str, cathode: str) -> list[str]:
        between = (
            ("ga", grid, anode, self.capacitances.grid_anode),
            ("gk", grid, cathode, self.capacitances.grid_cathode),
            ("ak", anode, cathode, self.capacitances.anode_cathode),
        )
        return [
            f"c_{instance}_{name} {one} {other} {value!r}"
            for name, one, other, value in between
            if value > 0 and one != other
        ]


def _number(value: object) -> str:
    return value if isinstance(value, str) else repr(float(value))  # type: ignore[arg-type]
