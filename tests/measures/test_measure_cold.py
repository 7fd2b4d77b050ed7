"""Voltages before the valves conduct, against modified nodal analysis solved by least squares (numpy)."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from simwrap.measures.numerics.parts import cold_nodes
from simwrap.netlist.element import Element


def solved(parts, point):
    """Node voltages and source currents as one system."""
    nodes = sorted({node for part in parts.values() for node in part.nodes} - {"0"})
    there = [part for part in parts.values() if part.kind != "c" and np.isfinite(part.value[point])]
    sources = [part for part in there if part.kind != "r"]
    matrix, right = np.zeros((len(nodes) + len(sources),) * 2), np.zeros(len(nodes) + len(sources))
    for part in there:
        row = np.zeros(len(matrix))
        for node, sign in zip(part.nodes, (1.0, -1.0), strict=True):
            if node != "0":
                row[nodes.index(node)] += sign
        if part.kind == "r":
            matrix += np.outer(row, row) / part.value[point]
        else:
            at = len(nodes) + [id(each) for each in sources].index(id(part))
            matrix[at] += row
            matrix[:, at] += row
            right[at] = part.value[point] if part.kind == "v" else 0.0
    return dict(zip(nodes, np.linalg.lstsq(matrix, right, rcond=None)[0], strict=False))


@pytest.mark.parametrize("seed", range(10))
def test_random_networks_with_parts_that_come_and_go(seed):
    draw = np.random.default_rng(seed)
    nodes = ["0", *"abcdefg"]
    parts = {"v_supply": Element("v_supply", ("a", "0"), np.array([300.0, 250.0, 300.0])),
             "v_between": Element("v_between", ("c", "b"), np.array([-12.0, 0.0, 5.0])),
             "l_choke": Element("l_choke", ("d", "c"), np.full(3, 5.0)),
             "e_half": Element("e_half", ("f", "e"), np.zeros(3)),
             "c_coupling": Element("c_coupling", ("e", "g"), np.full(3, 1e-7))}  # fmt: skip
    for one, other in combinations(nodes, 2):
        ohms = np.where(draw.random(3) < 0.25, np.nan, 10.0 ** draw.uniform(2, 6, 3))
        parts[f"r_{one}_{other}"] = Element(f"r_{one}_{other}", (one, other), ohms)
    for node in "bdg":
        parts[f"r_leak_{node}"] = Element(f"r_leak_{node}", (node, "0"), np.full(3, 1e6))
    found = cold_nodes(parts)
    for point in range(3):
        expected = solved(parts, point)
        assert {node: found[node][point] for node in expected} == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_what_hangs_in_the_air_is_at_ground_and_upsets_nothing():
    """A leak of a petaohm beside 10 milliohms, and two nodes that only a wire joins."""
    one = np.ones(1)
    parts = {
        "v_a": Element("v_a", ("a", "0"), 300.0 * one), "r_a": Element("r_a", ("a", "b"), 1e5 * one),
        "r_b": Element("r_b", ("b", "0"), 2e5 * one), "r_wire": Element("r_wire", ("x", "y"), 0.01 * one),
        "r_leak": Element("r_leak", ("y", "0"), 1e15 * one), "r_air": Element("r_air", ("p", "q"), 0.02 * one),
        "r_nearly": Element("r_nearly", ("q", "0"), 0.5e12 * one), "c_only": Element("c_only", ("b", "z"), 1e-9 * one),
    }  # fmt: skip
    found = {node: float(level[0]) for node, level in cold_nodes(parts).items()}
    assert found == pytest.approx(
        {"0": 0.0, "a": 300.0, "b": 200.0, "x": 0.0, "y": 0.0, "p": 0.0, "q": 0.0, "z": 0.0}, abs=1e-6
    )
