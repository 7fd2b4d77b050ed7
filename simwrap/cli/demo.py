"""The main job on a scenario of our own: the line preamplifier of a public library's reading room.

Two channels of 10 W for a listening corner, line sources only, octal and miniature valves. All
values here are invented for the demonstration.
"""

from __future__ import annotations

import sys
import tempfile
import textwrap
from pathlib import Path
from typing import Any

from simwrap.circuits.stage import Stage, stage
from simwrap.errors import system_error
from simwrap.files import check_free, whole_file
from simwrap.simulation.measurement import measure
from simwrap.simulation.sweep import sweep
from simwrap.units import quantity

CAUTION = (
    "These circuits hold lethal voltages, also when switched off. Discharge the reservoirs through a resistor and\n"
    "verify with a meter: bleeders fail open. Keep one hand away, fit fuses, mind hot glass. An isolation transformer\n"
    "keeps the chassis off the mains, and protects nobody between the high voltage and ground. Resistors have\n"
    "voltage ratings, and before the valves warm up the supply stands higher. See the bias at the grids before the\n"
    "high voltage is on, and never drive an output stage without its load. Local codes and a licensed practitioner\n"
    "have the last word. simwrap says which limits it checked, no more."
)


#: What is measured of a stage where it isn't what its header names.
SHOWN = {"splitter": ["bias", "balance"], "output pair": ["bias", "power"]}


def stages() -> dict[str, Stage]:
    """Return the reading room's preamplifier stages by a short title."""
    return {
        "line stage": stage(
            "triode_gain",
            valve="6SL7GT",
            supply="250 V",
            anode_resistor="100k",
            cathode_resistor="1k8",
            cathode_capacitor="47u",
            load_resistor="470k",
            load_capacitance="60p",
            source_resistance="22k",
        ),
        "tone network": stage("tone_passive", source_resistance="33k", load_resistor="1M"),
        "driver": stage(
            "pentode_gain",
            valve="6AU6",
            supply="285 V",
            anode_resistor="220k",
            screen_resistor="680k",
            screen_capacitor="470n",
            cathode_capacitor="100u",
            load_resistor="470k",
        ),
        "splitter": stage("cathodyne", valve="6SN7GT", supply="285 V"),
        "output pair": stage("push_pull_output", valve="6V6GT"),
    }


def run(folder: Path, *, engine: str = "auto", force: bool = False) -> list[Path]:
    """Measure the stages, print what a builder wants to know, and write pictures.

    Parameters
    ----------
    folder : Path
        Where the pictures go; made where it isn't there.
    engine : str
        As for :func:`simwrap.measure`.
    force : bool
        Whether pictures that are there may be written over.

    Returns
    -------
    list of Path
        The pictures.

    Raises
    ------
    InputError
        If the folder can't be made, or written to, or holds such pictures already.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):  # known now, not when the first picture is done
            pass
    except (OSError, ValueError) as fault:  # ValueError: a name with NUL
        raise system_error(f"--folder: {folder} can't be written to", fault) from None
    made_of = stages()
    targets = {
        (title, name): folder / f"{title.replace(' ', '_')}_{name}.png"
        for title, made in made_of.items()
        for name in SHOWN.get(title, made.measures)
        if name != "bias" or made.valves
    }
    swept = folder / "line_stage_cathode_resistor.png"
    for target in (*targets.values(), swept):
        check_free(target, replace=force)
    print("The reading room: a line preamplifier, before soldering.\n")
    print(CAUTION + "\n")
    for title, made in made_of.items():
        found = measure(made, SHOWN.get(title), engine=engine)
        print(textwrap.fill(f"{title} ({made.name}): {found.values_line()}", 100, subsequent_indent="  "))
        for text in found.warnings:
            print(f"  note: {text}")
        for name in found:
            print(f"  {name}: " + ", ".join(f"{words} {text}" for words, text in found[name].headline()))
        print(f"  simulated by {found.provenance['engine']} {found.provenance['engine_version']}")
        for name in found.results:
            if (title, name) in targets:
                _picture(found.plot(name), targets[title, name], force)
        print()
    _picture(_cathode_sweep(engine), swept, force)
    print("pictures:")
    for picture in (*targets.values(), swept):
        print(f"  {picture}")
    return [*targets.values(), swept]


def _picture(figure: Any, target: Path, force: bool) -> None:
    with whole_file(target, replace=force) as partial:
        figure.savefig(partial, format="png")


def _cathode_sweep(engine: str) -> Any:
    """Sweep the line stage's cathode resistor over E12 values: where is the headroom best?"""
    from simwrap.plots import plot_sweep
    from simwrap.units import eseries

    values = eseries.values("E12", 680.0, 3900.0)
    data = sweep(
        stages()["line stage"],
        {"cathode_resistor": values},
        ["bias", "response", "headroom"],
        engine=engine,
        progress=sys.stderr.isatty(),
    )
    most = data["headroom.output_rms_1pct"]
    best = int(most.fillna(0).values.argmax())
    print(
        "line stage, cathode resistor over E12: most output at 1 % distortion "
        f"({quantity.render(float(most[best]), 'V')} r.m.s.) with "
        f"{quantity.render(float(values[best]), 'ohm')}, where the gain is {float(data['response.gain'][best]):.1f}\n"
    )
    return plot_sweep(data, ["gain", "v1.anode_current", "output_rms_1pct"])
