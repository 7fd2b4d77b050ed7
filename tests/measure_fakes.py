"""Stand-ins for stages, valves and engines, so that measures are tested on arrays made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from simwrap.engine.protocol import Reply
from simwrap.measures.requests import Result

#: Elementary charge [C].
Q = 1.602176634e-19

RATINGS = (
    "anode_voltage_max",
    "screen_voltage_max",
    "anode_dissipation_max",
    "screen_dissipation_max",
    "cathode_current_max",
    "heater_cathode_voltage_max",
    "grid_leak_max_fixed",
    "grid_leak_max_cathode",
)


def make_valve(kind="triode", **ratings):
    given = {name: ratings.pop(name, None) for name in RATINGS}
    return SimpleNamespace(
        name="test valve",
        kind=kind,
        heater=None,
        ratings=SimpleNamespace(**given),
        noise=SimpleNamespace(flicker_corner=3000.0),
        # 1 mA/V, and by that 2.5 kohm at the grid, as long as there is a current of 1 mA.
        small_signal=lambda anode, *_, **__: SimpleNamespace(gm=np.full(np.shape(anode), 1e-3)),
        smoothing=lambda anode, *_, temperature, **__: np.full(np.shape(anode), 5.0 * 1.380649e-23 * temperature / Q),
        is_bottomed=lambda anode, *_: np.zeros(np.shape(anode), bool),
    )


def make_use(kind="triode", instance="v1", **ratings):
    nodes = {"anode": f"n_a_{instance}", "grid": f"n_g_{instance}", "cathode": f"n_k_{instance}"}
    if kind == "pentode":
        nodes["screen"] = f"n_s_{instance}"
    currents = {"anode": f"n_{instance}_ia", "grid": f"n_{instance}_ig"}
    if kind == "pentode":
        currents["screen"] = f"n_{instance}_ig2"
    return SimpleNamespace(
        valve=make_valve(kind, **ratings),
        nodes=nodes,
        currents=currents,
        grid_leak="",
        fixed_bias=False,
        shares_load=False,
    )


#: Parts of the bench, by what a header calls them.
BENCH = {
    "resistor": ("speaker_impedance", "load_resistor"),
    "capacitance": ("load_capacitance",),
    "resistance": ("source_resistance",),
    "drive": ("drive",),
}


def make_stage(values=None, ports=None, valves=None, supplies=None):
    def bench_part(port, part):
        names = [f"{name}_b" for name in BENCH[part]] * (port == "output_b") + list(BENCH[part])
        return next((name for name in names if name in (values or {})), "")

    return SimpleNamespace(
        bench_part=bench_part,
        node_paths={node: node for use in (valves or {}).values() for node in use.nodes.values()},
        name="test_stage",
        values=values or {},
        ports=ports or {"input": "n_in", "output": "n_out"},
        valves=valves or {},
        components={},
        supplies=supplies or {},
    )


def make_reply(values, axis=None, **extras):
    values = {name: np.asarray(array) for name, array in values.items()}
    points = len(next(iter(values.values())))
    return Reply(values, axis, [""] * points, ["fake"] * points, extras)


def frequencies(request) -> np.ndarray:
    steps = round(float(np.log10(request.stop / request.start)) * request.per_decade)
    return request.start * 10 ** (np.arange(steps + 1) / request.per_decade)


def run(measure, stage, replier, **options: Any) -> Result:
    """Run a measure's generator against ``replier(request) -> Reply``."""
    steps = measure(stage, **options)
    request = next(steps)
    while True:
        try:
            many = isinstance(request, list | tuple)
            request = steps.send([replier(each) for each in request] if many else replier(request))
        except StopIteration as stop:
            check(stop.value)
            return stop.value


def check(result: Result) -> None:
    """Assert what every result promises: shapes, labelled axes, units, conditions."""
    points = {np.shape(variable.values)[0] for variable in result.variables.values()}
    assert len(points) == 1
    assert result.conditions
    for key, variable in result.variables.items():
        assert np.ndim(variable.values) == 1 + len(variable.dims), key
        assert variable.long_name
        for position, dim in enumerate(variable.dims):
            assert np.shape(variable.values)[1 + position] == len(result.coords[dim].values), (key, dim)
    for variable in result.coords.values():
        assert variable.dims == ()
    for condition in result.conditions.values():
        assert len(condition) == 2
