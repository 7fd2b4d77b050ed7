"""The guard and the readings at full size, on the reading room's amplifier: figures are printed and held to marks.

python -m pytest tests/bench/test_faults_and_guard.py --override-ini=addopts= -q -s
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from simwrap.cathode_guard.guard import guard
from simwrap.cathode_guard.proof import prove, words
from simwrap.circuits.design_file import read_whole_design
from simwrap.engine import choose
from simwrap.fault_finding.diagnosis import fault_dictionary, simulated
from simwrap.fault_finding.readings import resting_places, signal_places
from simwrap.faults.bed import HEALTHY, Varied, bed_of
from simwrap.faults.rails import supplied

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"

#: What builds on the bench differ in: less than the dictionary's, as much, and from another distribution.
OTHERS = {
    "closer parts": Varied(
        resistors="2 %", capacitors="10 %", emission="15 %", mu="7 %", mains="6 %", distribution="normal"
    ),
    "the dictionary's own widths": Varied(),
}


def test_guard():
    found = guard(read_whole_design(ROOM, complete=True))
    begin = time.perf_counter()
    proof = prove(found)
    seconds = time.perf_counter() - begin
    print("", *words(proof), f"{seconds:.0f} s", sep="\n")
    assert proof.good
    assert seconds < 120.0


@pytest.mark.parametrize("widths", OTHERS)
def test_readings(widths):
    design = read_whole_design(ROOM, complete=True)
    source = supplied(design)
    places = resting_places(source) + signal_places(source.circuit, (20.0, 200.0, 2e3, 15e3), 0.1)
    rail = source.rail(source.circuit, source.ports)
    begin = time.perf_counter()
    dictionary = fault_dictionary(source.circuit, places, rail=rail)
    seconds = time.perf_counter() - begin
    bed = bed_of(source.circuit, rail=rail)
    faults, random = bed.dictionary(), np.random.default_rng(42)
    truth = [faults[k] for k in random.integers(0, len(faults), 300)]
    builds = bed.draw(OTHERS[widths], 600, 777)
    other = "ngspice" if choose("auto")[0] != "ngspice" else "auto"
    values, _ = simulated(bed.table(builds, truth + [HEALTHY] * 300), places, other)
    values *= 1.0 + 0.01 * random.standard_normal(values.shape)
    said = [dictionary.diagnose(dict(zip([p.name for p in places], row, strict=True)), most=1000) for row in values]
    ranks = np.array([next(k for k, cause in enumerate(one.causes) if fault in cause.faults)
                      for fault, one in zip(truth, said[:300], strict=True)])  # fmt: skip
    blind = np.mean([one.causes[k].healthy for one, k in zip(said[:300], ranks, strict=True)])
    sizes = [len(one.causes[k].faults) for one, k in zip(said[:300], ranks, strict=True)]
    healthy = np.mean([one.healthy for one in said[300:]])
    print(f"\n{widths}: dictionary of {len(dictionary.faults)} causes in {seconds:.1f} s")
    print(f"first {np.mean(ranks == 0):.1%}, among the first three {np.mean(ranks < 3):.1%}")
    print(f"one with a healthy build {blind:.1%}; causes as one: median {np.median(sizes):.0f}, most {max(sizes)}")
    print(f"healthy called healthy {healthy:.1%}")
    assert np.mean(ranks == 0) >= 0.7
    assert np.mean(ranks < 3) >= 0.9
    assert healthy >= 0.95
