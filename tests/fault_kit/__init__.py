"""Faulty builds of a design, simulated by ``ngspice -b`` alone and read as a builder's meter reads them.

Of simwrap it takes the design's netlist as text and, to have its fault finder judged, the public door. How a build is
made faulty, supplied, simulated and measured is its own: nothing of simwrap's faults or fault finding is used, so that
what the finder says is checked from outside.

    PYTHONPATH=tests python -m fault_kit DESIGN.toml --seed 7 --places 25 --out folder
"""
