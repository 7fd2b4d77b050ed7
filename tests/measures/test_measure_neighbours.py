"""What a point of a sweep gets is what it gets alone, whatever its neighbours are."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
from simwrap.circuits.point_table import PointTable
from simwrap.simulation.conduct import evaluate

CASES = {
    "triode_gain": (
        {"supply": [120.0, 300.0], "source_resistance": [1e3, 200e3]},
        ["bias", "response", "headroom", "distortion", "impedance", "noise", "rejection", "recovery", "square_wave"],
    ),
    "long_tailed_pair": ({"supply": [150.0, 300.0], "load_resistor": [100e3, 1e6]}, ["balance", "impedance"]),
    "single_ended_output": ({"drive": [1.0, 4.0], "supply": [200.0, 285.0]}, {"power": {"bandwidth": True}}),
    "tone_passive": ({"source_resistance": [1e3, 30e3]}, ["tone_curves", "headroom"]),
    "supply": ({"load_current": [20e-3, 80e-3]}, ["supply"]),
}


@pytest.mark.parametrize("name", CASES)
def test_a_point_is_the_same_alone_and_among_others(name):
    columns, measures = CASES[name]
    stage = simwrap.stage(name)
    chosen = measures if isinstance(measures, dict) else {measure: {} for measure in measures}
    together = evaluate(PointTable(stage, {key: np.array(values) for key, values in columns.items()}, 2), chosen)
    assert together.reasons == ["", ""]
    for point in range(2):
        alone = evaluate(PointTable(stage.replace(**{key: values[point] for key, values in columns.items()})), chosen)
        for measure in measures:
            for key, variable in alone.results[measure].variables.items():
                one, other = np.asarray(variable.values)[0], np.asarray(together.results[measure].variables[key].values)
                if one.dtype.kind in "OUS":
                    assert str(one) == str(other[point]), (measure, key)
                else:
                    np.testing.assert_allclose(other[point], one, rtol=1e-6, atol=1e-9, err_msg=f"{measure} {key}")
