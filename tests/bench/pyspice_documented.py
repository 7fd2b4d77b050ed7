"""PySpice as its documentation shows it: one Circuit a point, op and ac through its simulator object.

Run as a script: reads {"lines": [...], "name": ..., "values": [...]} on stdin, prints the seconds
that the points took (without start-up and imports) and the gain at 1 kHz of the last one.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import time
from ctypes.util import find_library


def main() -> None:
    """Run all points."""
    # Debian has no libngspice.so, which PySpice would look for.
    os.environ.setdefault("NGSPICE_LIBRARY_PATH", find_library("ngspice") or "")
    from PySpice.Spice.Netlist import Circuit
    from PySpice.Unit import u_Hz

    logging.disable(logging.CRITICAL)  # it warns once a process about versions of ngspice
    job = json.load(sys.stdin)
    start = time.perf_counter()
    for value in job["values"]:
        circuit = Circuit("stage")
        for line in job["lines"]:
            name, *words = line.split()
            if name == job["name"]:
                words[-1] = repr(value)
            if name[0] == "r":
                circuit.R(name[1:], *words[:2], float(words[2]))
            elif name[0] == "c":
                circuit.C(name[1:], *words[:2], float(words[2]))
            elif name[0] == "v":
                circuit.V(name[1:], *words[:2], " ".join(words[2:]))
            else:
                circuit.raw_spice += " ".join([name, *words]) + "\n"
        simulator = circuit.simulator(temperature=27, nominal_temperature=27)
        bias = simulator.operating_point()
        curve = simulator.ac(start_frequency=10 @ u_Hz, stop_frequency=1e5 @ u_Hz, number_of_points=20, variation="dec")
        anode, output = float(bias["n_anode"][0]), curve["n_out"]
    print(json.dumps({"seconds": time.perf_counter() - start, "anode": anode, "gain": abs(complex(output[40]))}))


main()
