"""What components sit at, and how that compares with what their makers allow."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.findings.finding import Finding
from simwrap.measures.common import Floats, StageLike, between, count, scalar, vector
from simwrap.measures.numerics.parts import wired
from simwrap.measures.requests import Op, Variable

#: Kinds that hold a voltage while their current stays in a range.
HOLDING = ("zener", "stabiliser")
#: Unit by figure.
UNITS = {"voltage": "V", "control_voltage": "V", "current": "A", "dissipation": "W"}
#: What a state means in a circuit: instance, and figures by name.
State = dict[str, Floats]


def component_state(reply: Reply, use: Any) -> State:
    """Return voltage and current in the direction in which a component works [V, A], and its dissipation [W].

    A zener works backward, all others forward; ``control_voltage`` is gate to source or base to emitter.
    """
    ends = [node for role, node in use.nodes.items() if role not in ("base", "gate")]
    start, end = reversed(ends) if use.component.kind == "zener" else ends
    state = {"voltage": between(reply, start, end), "current": vector(reply, use.current) * 1e-3}
    if control := use.nodes.get("base", use.nodes.get("gate", "")):
        state["control_voltage"] = between(reply, control, end)
    return state | {"dissipation": state["voltage"] * state["current"]}


def limits_of(use: Any, state: State) -> Iterator[tuple[str, Floats, float | None, str]]:
    """Yield (words, values, limit, unit) of everything that the maker limits from above."""
    limits, blocks = use.component.limits, use.component.kind in ("diode", "led")
    voltage = np.maximum(-state["voltage"], 0.0) if blocks else state["voltage"]
    if use.component.kind not in HOLDING:
        yield "inverse voltage" if blocks else "voltage", voltage, limits.voltage_max, "V"
    if "gate" in use.nodes:
        yield "gate voltage", np.abs(state["control_voltage"]), limits.control_voltage_max, "V"
    yield "current", state["current"], limits.current_max, "A"
    if use.component.kind != "stabiliser":  # its range of currents says it
        yield "dissipation", state["dissipation"], limits.dissipation_max, "W"


def component_figures(stage: StageLike, reply: Reply) -> dict[str, Variable]:
    """Return what ``bias`` tells of every component."""
    found: dict[str, Variable] = {}
    for name, use in stage.components.items():
        found[f"components.{name}.type"] = scalar(np.full(count(reply), use.component.name), "", f"type of {name}")
        for figure, values in component_state(reply, use).items():
            words = f"{name} {figure.replace('_', ' ')}"
            found[f"components.{name}.{figure}"] = scalar(values, UNITS[figure], words)
    return found


def holding_findings(
    stage: StageLike, reply: Reply, findings: list[list[Finding]]
) -> Generator[Any, Any, NDArray[np.bool_]]:
    """Append what keeps a zener or stabiliser from holding its voltage; return where one doesn't.

    A stabiliser strikes where the voltage across it, as long as it is dark, reaches what any of its type may need. A
    capacitor across it, larger than its maker allows, makes it strike and go out again and again.
    """
    failing = np.zeros(count(reply), dtype=bool)
    for name, use in stage.components.items():
        kind, limits = use.component.kind, use.component.limits
        if kind not in HOLDING or use.protects:
            continue
        state = component_state(reply, use)
        checks = [("current", state["current"], limits.current_min, "A")]
        if kind == "stabiliser":
            dark = yield Op(extra={"dark": {name: True}})
            across = component_state(dark, use)["voltage"]
            checks.append(("voltage before it strikes", across, limits.striking_voltage, "V"))
            _oscillation(name, use, reply.extras.get("parts", {}), findings)
        for words, values, least, unit in checks:
            low = np.asarray(values < (least or 0.0))
            failing |= low
            for point in np.flatnonzero(low).tolist():
                found = Finding.of("below_least", name, words, unit=unit, type=use.component.name,
                                   value=float(values[point]), limit=least)  # fmt: skip
                findings[point].append(found)
    return failing


def _oscillation(name: str, use: Any, parts: Mapping[str, Any], findings: list[list[Finding]]) -> None:
    same = wired(parts)  # a resistor of 0 is a wire
    most, ends = use.component.limits.shunt_capacitance_max, {same.get(node, node) for node in use.nodes.values()}
    across = [each.value for each in parts.values() if each.kind == "c" and {same[node] for node in each.nodes} == ends]
    if most is None or not across:
        return
    total = np.nansum(across, axis=0)
    for point in np.flatnonzero(total > most * (1.0 + 1e-9)).tolist():
        said = Finding.of("stabiliser_oscillates", name, "capacitance", unit="F", type=use.component.name,
                          value=float(total[point]), limit=most)  # fmt: skip
        findings[point].append(said)
