"""The operating point: what each valve sits at, and how that compares with its ratings."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.findings.codes import CODES
from simwrap.findings.finding import Finding
from simwrap.measures.common import (
    MAINS_UPPER,
    Floats,
    StageLike,
    between,
    count,
    current_nodes,
    per_point,
    scalar,
    vector,
)
from simwrap.measures.numerics.components import (
    UNITS,
    component_figures,
    component_state,
    holding_findings,
    limits_of,
)
from simwrap.measures.numerics.parts import OPEN, VOLTAGES, bought, cold, dissipated, next_of, part_tables, voltages
from simwrap.measures.options import Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Variable
from simwrap.netlist.element import Element, Role
from simwrap.netlist.groups import Groups
from simwrap.report.model import Listing
from simwrap.units import quantity

#: Share of a rating from which a value is called near to it.
NEAR = 0.9
#: Limits by the valve that they are of, and in words.
Limits = Sequence[tuple[str, str]]


#: Columns of the table of valves: figure, and the lines of its head above the unit.
_COLUMNS = {
    "anode_voltage": "anode",
    "screen_voltage": "screen",
    "grid_voltage": "grid",
    "cathode_to_ground": "cathode to\nground",
    "anode_current": "anode",
    "screen_current": "screen",
    "anode_dissipation": "anode\ndissipation",
    "anode_dissipation_share": "of its\nrating",
}


def valve_tables(found: Any) -> list[Listing]:
    """Return a table with a row a valve, and as details one of the nodes and what the parts bear."""
    valves = [path.removesuffix(".type") for path in found.paths if fnmatchcase(path, "valves.*.type")]
    rows = [[valve.partition(".")[2], str(found[f"{valve}.type"])] for valve in valves]
    heads = ["", "valve"]
    for key, words in _COLUMNS.items():
        values = [float(found[f"{valve}.{key}"]) if f"{valve}.{key}" in found.paths else np.nan for valve in valves]
        if not np.isnan(values).all():
            unit = "A" if key.endswith("current") else "W" if key == "anode_dissipation" else "V"
            texts, sign = quantity.alike(values, "%" if key.endswith("share") else unit)
            heads.append(f"{words}\n{sign}")
            for row, value, text in zip(rows, values, texts, strict=True):
                row.append("" if np.isnan(value) else text)
    paths = [path for path in found.paths if path.startswith("nodes.")]
    # What no meter shows is 0.
    volts = [0.0 if abs(found[path]) < 1e-6 else found[path] for path in paths]
    texts, sign = quantity.alike(volts, "V")
    nodes: list[tuple[str, ...]] = [(path.partition(".")[2], text) for path, text in zip(paths, texts, strict=True)]
    tables = [Listing("quiescent: volts to the cathode", tuple(heads), [tuple(row) for row in rows])] if rows else []
    tables += _component_table(found)
    return [*tables, Listing("voltages to ground", ("node", sign), nodes, details=True), *part_tables(found)]


def _component_table(found: Any) -> list[Listing]:
    names = [path.removesuffix(".type") for path in found.paths if fnmatchcase(path, "components.*.type")]
    figures = [key for key in UNITS if any(f"{name}.{key}" in found.paths for name in names)]
    rows = []
    for name in names:
        texts = [found.text(f"{name}.{key}") if f"{name}.{key}" in found.paths else "" for key in figures]
        rows.append((name.partition(".")[2], str(found[f"{name}.type"]), *texts))
    heads = ("", "component", *(key.replace("_", " ") for key in figures))
    return [Listing("components, in the direction in which each works", heads, rows)] if rows else []


@measure(
    "bias",
    summary="operating point of every valve and node, against the valves' ratings",
    headline=("valves.*.anode_voltage", "valves.*.anode_current", "valves.*.anode_dissipation"),
    picture="simwrap.plots.measures.anode_curves:draw",
    shows=("load_lines",),
    table=valve_tables,
)
def bias(
    stage: StageLike,
    *,
    heater_elevation: Annotated[float, Option("V", least=-500.0, most=500.0)] = 0.0,
    with_parts: bool = True,
) -> Steps:
    """Measure the operating point.

    Parameters
    ----------
    heater_elevation : float
        Direct voltage of the heaters to ground [V], for the rating between heater and cathode.
    with_parts : bool
        Whether to tell of resistors and capacitors, which takes a second operating point.

    Results
    -------
    valves.<name>.type
        Designation of the valve.
    valves.<name>.anode_voltage, grid_voltage, screen_voltage
        To the cathode [V].
    valves.<name>.cathode_to_ground
        [V].
    valves.<name>.anode_current, screen_current, grid_current, cathode_current
        Into the electrode (out of the cathode) [A].
    valves.<name>.anode_dissipation, screen_dissipation
        [W]; ``..._share`` is the share of the valve's rating [%], NaN where it has none.
    components.<name>.type, .voltage, .control_voltage, .current, .dissipation
        Of semiconductors and gas stabilisers, in the direction in which each works (a zener's backward); the control
        voltage is gate to source or base to emitter [V, A, W].
    nodes.<node>
        Voltage to ground [V].

    resistors.<name>.dissipation, .rating_needed
        Of each resistor [W], and the next common wattage of which that on mains 10 % high, which lift every supply
        alike, is no more than half (common practice).
    ratings_kept
        "no" where a known rating of a valve is exceeded, by more than the fit's own error, or one of a component, or a
        zener or stabiliser has less than it needs; else "yes".
    capacitors.<name>.voltage, .voltage_cold, .rating_needed
        Across each capacitor at the operating point, and before the valves conduct [V]; and the next common working
        voltage that stands both on such mains. Signals aren't in it: `check` has them.

    Warnings name each rating that is exceeded or nearer than 10 %; one that is exceeded by less than the fit's own
    error (the median of its currents' errors) is "at its rating". A failed point is NaN.
    """
    reply = yield Op()
    with_parts = with_parts and bool(stage.supplies)
    high = (yield from _on_high_mains(stage, reply)) if with_parts else None
    valves = stage.valves
    points = count(reply)
    variables: dict[str, Variable] = {}
    findings: list[list[Finding]] = [[] for _ in range(points)]
    checked: list[tuple[str, str]] = []
    unrated: list[tuple[str, str]] = []
    over = np.zeros(points, dtype=bool)
    leaks = _leaks(stage, reply, points)
    for instance, use in valves.items():
        state = operating_point(reply, instance, use)
        variables[f"valves.{instance}.type"] = scalar(np.full(points, use.valve.name), "", f"type of {instance}")
        for figure, values in state.items():
            unit = {"voltage": "V", "current": "A", "dissipation": "W"}[figure.rpartition("_")[2]]
            words = f"{instance} {figure.replace('_', ' ')}"
            variables[f"valves.{instance}.{figure}"] = scalar(values, unit, words)
        to_ground = np.asarray(vector(reply, use.nodes["cathode"]), dtype=float)
        variables[f"valves.{instance}.cathode_to_ground"] = scalar(to_ground, "V", f"{instance} cathode to ground")
        for electrode in ("anode", "screen"):
            dissipation = state.get(f"{electrode}_dissipation")
            if dissipation is not None:
                rating = rating_of(use, f"{electrode}_dissipation_max")
                variables[f"valves.{instance}.{electrode}_dissipation_share"] = scalar(
                    100.0 * dissipation / (np.nan if rating is None else rating),
                    "%",
                    f"{instance} {electrode} dissipation as a share of its rating",
                )
        for words, values, limit, unit in _limits(reply, leaks, instance, use, state, heater_elevation):
            if limit is None:
                unrated.append((instance, words))
                continue
            checked.append((instance, words))
            exact = unit == "ohm"  # a resistor is what it is: no reserve is asked for, and no fit has an error
            error = 0.0 if exact else fit_error(use)
            about = Finding.of("near_rating", instance, words, unit=unit, type=use.valve.name)
            over |= compare(findings, about, values, limit, error=error, near=not exact)
    variables |= component_figures(stage, reply)
    over |= yield from _components(stage, reply, findings, (checked, unrated))
    if checked:
        kept = np.where(reply.failed, "", np.where(over, "no", "yes"))
        variables["ratings_kept"] = scalar(kept, "", "known ratings of valves and components kept")
    for path, node in stage.node_paths.items():
        if node in reply.values:
            variables[f"nodes.{path}"] = scalar(reply.values[node], "V", f"{path} to ground")
    if high is not None:
        variables |= _parts(reply, high)
    conditions = {"signal": (0.0, "V")} | limits_note(checked, unrated)
    return Result(variables, conditions=conditions, findings=findings, checked=tuple(checked), unrated=tuple(unrated))


def _components(
    stage: StageLike, reply: Reply, findings: list[list[Finding]], noted: tuple[list[tuple[str, str]], ...]
) -> Generator[Any, Any, NDArray[np.bool_]]:
    """Hold components to their limits, noting those that are ``(checked, unrated)``; return where one isn't kept."""
    over = np.zeros(count(reply), dtype=bool)
    for instance, use in stage.components.items():
        for words, values, limit, unit in limits_of(use, component_state(reply, use)):
            noted[limit is None].append((instance, words))
            about = Finding.of("near_rating", instance, words, unit=unit, type=use.component.name)
            if limit is not None:
                over |= compare(findings, about, values, limit)
    return np.asarray(over | (yield from holding_findings(stage, reply, findings)))


def limits_note(checked: Limits, unrated: Limits) -> dict[str, tuple[Any, str]]:
    """Return conditions that say which limits were checked, and which have no rating to check by."""

    def listed(limits: Limits) -> str:
        return ", ".join(f"{subject} {quantity}" for subject, quantity in limits)

    note: dict[str, tuple[Any, str]] = {"limits_checked": (listed(checked) or "none", "")}
    if unrated:
        note["limits_without_a_rating"] = (listed(unrated), "")
    return note


def operating_point(reply: Reply, instance: str, use: Any) -> dict[str, Floats]:
    """Return a valve's voltages [V], currents [A] and dissipations [W], each of shape (points,)."""
    nodes = use.nodes
    currents = {name: vector(reply, node) * 1e-3 for name, node in current_nodes(instance, use).items()}
    state: dict[str, Floats] = {"anode_voltage": between(reply, nodes["anode"], nodes["cathode"])}
    if "grid" in nodes:
        state["grid_voltage"] = between(reply, nodes["grid"], nodes["cathode"])
    if "screen" in currents:
        state["screen_voltage"] = between(reply, nodes["screen"], nodes["cathode"])
    for electrode, values in currents.items():
        state[f"{electrode}_current"] = values
    cathode = np.zeros_like(currents["anode"])
    for values in currents.values():
        cathode = cathode + values
    state["cathode_current"] = cathode
    state["anode_dissipation"] = state["anode_voltage"] * currents["anode"]
    if "screen" in currents:
        state["screen_dissipation"] = state["screen_voltage"] * currents["screen"]
    return state


def rating_of(use: Any, name: str) -> float | None:
    """Return a rating of a stage's valve in SI, None where it isn't known."""
    value = getattr(use.valve.ratings, name, None)
    return None if value is None else float(value)


def _limits(
    reply: Reply,
    leaks: Mapping[str, tuple[Floats, int]],
    instance: str,
    use: Any,
    state: dict[str, Floats],
    elevation: float,
) -> Iterator[tuple[str, Floats, float | None, str]]:
    """Yield (words, values, limit, unit) of everything that a rating could limit."""
    for figure, rating, unit in (
        ("anode_voltage", "anode_voltage_max", "V"),
        ("screen_voltage", "screen_voltage_max", "V"),
        ("anode_dissipation", "anode_dissipation_max", "W"),
        ("screen_dissipation", "screen_dissipation_max", "W"),
        ("cathode_current", "cathode_current_max", "A"),
    ):
        if figure in state:
            yield figure.replace("_", " "), state[figure], rating_of(use, rating), unit
    cathode = np.abs(vector(reply, use.nodes["cathode"]) - elevation)
    if use.valve.heater is None or not use.valve.heater.direct:
        rated = rating_of(use, "heater_cathode_voltage_max")
        where = f"{elevation:g} V" if elevation else "ground"
        yield f"heater-cathode voltage (heater at {where})", cathode, rated, "V"
    if use.grid_leak:
        rating = "grid_leak_max_fixed" if use.fixed_bias else "grid_leak_max_cathode"
        ohms, grids = leaks[instance]
        together = f", {grids} grids on one" if grids > 1 else ""
        words = f"grid leak ({'fixed' if use.fixed_bias else 'cathode'} bias{together})"
        # One of 0, or that stands for nothing, is none: what is before the grid holds it.
        yield words, np.where((ohms > 0.0) & (ohms < OPEN), ohms, np.nan), rating_of(use, rating), "ohm"


def _leaks(stage: StageLike, reply: Reply, points: int) -> dict[str, tuple[Floats, int]]:
    """Return what each valve's grid leak counts as [ohm], and how many grids hang on it.

    The currents of all grids on a leak flow through it: two on one megohm are as one on two. Which leaks a grid hangs
    on is what resistors and coils join it to, on the way to ground or to a voltage.
    """
    uses = {name: use for name, use in stage.valves.items() if use.grid_leak}
    parts = [
        part for part in reply.extras.get("parts", {}).values() if part.kind != "c" and part.role is not Role.STRAY
    ]
    own = {use.grid_leak for use in uses.values()}
    held = {"0"}.union(*(part.nodes for part in parts if part.holds_voltage and "0" in part.nodes))
    groups = Groups()
    for part in parts:
        if part.parameter not in own and held.isdisjoint(part.nodes) and not np.all(part.value >= OPEN):
            groups.join(*part.nodes)
    on = [groups.of(use.nodes["grid"]) for use in stage.valves.values() if "grid" in use.nodes]
    found = {}
    for name, use in uses.items():
        group = groups.of(use.nodes["grid"])
        mine = [part.value for part in parts if part.parameter in own and group in map(groups.of, part.nodes)]
        ohms, grids = per_point(stage, use.grid_leak, points), on.count(group)
        if mine and grids > 1:
            ohms = grids / np.nansum(1.0 / np.array(mine), axis=0)
        found[name] = ohms, grids
    return found


def fit_error(use: Any) -> float:
    """Return the median error of the currents of a valve's fit, as a part of them; 0 where there are no rows."""
    rows = getattr(getattr(use.valve, "fitted", None), "errors", ())
    errors = [abs(float(row["error"])) for row in rows if row.get("quantity") == "anode_current" and "error" in row]
    return float(np.median(errors)) if errors else 0.0


def compare(
    findings: list[list[Finding]],
    about: Finding,
    values: Floats,
    limit: float | Floats,
    *,
    error: float = 0.0,
    near: bool = True,
) -> NDArray[np.bool_]:
    """Append a finding to each point whose value is over, at, or near its limit (one, or one a point).

    Parameters
    ----------
    findings : list of list of Finding
        By point; what is found is appended.
    about : Finding
        Whose value it is, and of what.
    values, limit : ndarray or float
        In the unit of ``about``.
    error : float
        By how much a value may be wrong, as a part of it: exceeding by less than that is being at the rating.
    near : bool
        Whether a value just below the limit is told too.

    Returns
    -------
    ndarray of bool, shape (points,)
        Where it is exceeded.
    """
    limits = np.broadcast_to(limit, values.shape)
    with np.errstate(invalid="ignore"):
        told = np.flatnonzero(values > (NEAR if near else 1.0 + 1e-9) * limits)
    for point in told:
        value, most = float(values[point]), float(limits[point])
        code = "over_rating"
        if value <= (1.0 + error) * most:
            code = "at_rating" if value > (1.0 - error) * most or value == most else "near_rating"
        findings[point].append(replace(about, code=code, severity=CODES[code].severity, value=value, limit=most))
    with np.errstate(invalid="ignore"):
        return np.asarray(values > (1.0 + max(error, 1e-9)) * limits)


def _on_high_mains(stage: StageLike, reply: Reply) -> Generator[Any, Any, tuple[Mapping[str, Element], Reply]]:
    """Ask for the operating point with every supply as much higher as the mains at their upper limit, and the parts."""
    parts = reply.extras.get("parts", {})
    names = {part.parameter for part in parts.values() if part.kind == "v" and part.parameter in stage.values}
    if not names:
        return parts, reply
    vary = {name: MAINS_UPPER * per_point(stage, name, count(reply))[:, None] for name in sorted(names)}
    lifted = {
        name: replace(part, value=MAINS_UPPER * part.value) if part.kind == "v" and part.parameter in names else part
        for name, part in parts.items()
    }
    return lifted, (yield Op(vary=vary))


def _parts(reply: Reply, high: tuple[Mapping[str, Element], Reply]) -> dict[str, Variable]:
    """Return what the resistors dissipate and the capacitors stand, warm and cold, and what they need on ``high``."""
    parts, (lifted, on_high) = reply.extras.get("parts", {}), high
    points = count(reply)

    def across(part: Element) -> tuple[Floats, Floats]:
        return np.abs(voltages(reply, part)), np.abs(voltages(on_high, part)).reshape(points, -1)[:, 0]

    variables: dict[str, Variable] = {}
    for path, part in bought(parts, "r").items():
        warm, most = across(part)
        variables |= dissipated(path, warm**2 / part.value, most**2 / part.value)
    unheated, lifted_cold = (cold(each) if each else {} for each in (parts, lifted))
    for path, part in bought(parts, "c").items():
        warm, most = (np.where(np.isnan(part.value), np.nan, each) for each in across(part))
        before, before_high = (np.where(np.isnan(warm), np.nan, np.abs(each[path])) for each in (unheated, lifted_cold))
        words = path.replace("_", " ")
        variables |= {
            f"capacitors.{path}.voltage": scalar(warm, "V", f"voltage across the {words} capacitor"),
            f"capacitors.{path}.voltage_cold": scalar(
                before, "V", f"voltage across the {words} capacitor before the valves warm up"
            ),
            f"capacitors.{path}.rating_needed": scalar(
                next_of(VOLTAGES, np.maximum(most, before_high)),
                "V",
                f"working voltage that the {words} capacitor needs",
            ),
        }
    return variables
