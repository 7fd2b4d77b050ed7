"""The main job on a scenario of our own: the line preamplifier of a public library's reading room.

Two channels of 10 W for a listening corner, line sources only, octal and miniature valves. All
values here are invented for the demonstration.
"""

from __future__ import annotations

import sys
from pathlib import Path

from simwrap.circuits.stage import Stage, stage
from simwrap.simulation.measurement import Measurement, measure
from simwrap.simulation.sweep import sweep
from simwrap.units import quantity

CAUTION = (
    "These circuits hold lethal voltages, also when switched off. Discharge the reservoirs through a resistor and\n"
    "verify with a meter, keep one hand away, fit bleeders and fuses, work behind an isolation transformer, mind hot\n"
    "glass; local codes and a licensed practitioner have the last word. simwrap says which limits it checked, no more."
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


def run(folder: Path) -> list[Path]:
    """Measure the stages, print what a builder wants to know, and write pictures.

    Parameters
    ----------
    folder : Path
        Where the pictures go; made where it isn't there.

    Returns
    -------
    list of Path
        The pictures.
    """
    folder.mkdir(parents=True, exist_ok=True)
    print("The reading room: a line preamplifier, before soldering.\n")
    print(CAUTION + "\n")
    pictures = []
    for title, made in stages().items():
        found = measure(made, SHOWN.get(title))
        print(f"{title}: {made!r}")
        for line in _told(found):
            print(f"  {line}")
        print(f"  simulated by {found.provenance['engine']} {found.provenance['engine_version']}")
        for text in found.warnings:
            print(f"  note: {text}")
        for name in found.results:
            if name == "bias" and not made.valves:
                continue
            target = folder / f"{title.replace(' ', '_')}_{name}.png"
            found.plot(name).savefig(target)
            pictures.append(target)
        print()
    pictures.append(_cathode_sweep(folder))
    print("pictures:")
    for picture in pictures:
        print(f"  {picture}")
    return pictures


def _cathode_sweep(folder: Path) -> Path:
    """Sweep the line stage's cathode resistor over E12 values: where is the headroom best?"""
    from simwrap.plots import plot_sweep
    from simwrap.units import eseries

    values = eseries.values("E12", 680.0, 3900.0)
    data = sweep(
        stages()["line stage"],
        {"cathode_resistor": values},
        ["bias", "response", "headroom"],
        progress=sys.stderr.isatty(),
    )
    best = int(data.headroom_output_rms_1pct.fillna(0).values.argmax())
    print(
        "line stage, cathode resistor over E12: most output at 1 % distortion "
        f"({quantity.render(float(data.headroom_output_rms_1pct[best]), 'V')} r.m.s.) with "
        f"{quantity.render(float(values[best]), 'ohm')}, where the gain is {float(data.gain[best]):.1f}\n"
    )
    target = folder / "line_stage_cathode_resistor.png"
    plot_sweep(data, ["gain", "v1_anode_current", "headroom_output_rms_1pct"]).savefig(target)
    return target


def _told(found: Measurement) -> list[str]:
    """Return the few numbers that a builder looks at first."""
    lines = []
    if "bias" in found.results:
        for name, use in found.stage.valves.items():
            sits = found.bias.valves[name]
            rating = f"{sits.anode_dissipation_share:.0f} % of its rating"
            lines.append(
                f"{name} ({use.valve.name}): anode {quantity.render(sits.anode_voltage, 'V')} and grid "
                f"{quantity.render(sits.grid_voltage, 'V')} to the cathode, "
                f"{quantity.render(sits.anode_current, 'A')}, "
                f"{quantity.render(sits.anode_dissipation, 'W')} at the anode ({rating})"
            )
    if "response" in found.results:
        r = found.response
        ends = [quantity.render(end, "Hz") for end in (r.low_corner, r.high_corner) if end == end]
        lines.append(
            f"gain {r.gain:.3g} ({r.gain_db:.1f} dB) at 1 kHz, -3 dB at {' and '.join(ends) or 'no frequency'}"
        )
    if "tone_curves" in found.results:
        t = found.tone_curves
        lines.append(
            f"bass {t.bass_boost_db[1]:+.1f} / {t.bass_cut_db[1]:+.1f} dB at 50 Hz, "
            f"treble {t.treble_boost_db[1]:+.1f} / "
            f"{t.treble_cut_db[1]:+.1f} dB at 10 kHz, insertion loss {t.insertion_loss_db:.1f} dB; flattest at bass "
            f"{t.flattest.bass:.2f}, treble {t.flattest.treble:.2f} (within {t.flattest.deviation_db:.2f} dB)"
        )
    if "headroom" in found.results:
        h = found.headroom
        lines.append(
            f"1 % distortion at {quantity.render(h.output_rms_1pct, 'V')} r.m.s. out, 3 % at "
            f"{quantity.render(h.output_rms_3pct, 'V')}; first limit: {h.first_limit}"
        )
    if "balance" in found.results:
        b = found.balance
        lines.append(f"the halves differ by {abs(b.ratio_db):.3f} dB and {abs(b.phase_error_deg):.3f} degrees at 1 kHz")
    if "power" in found.results:
        p = found.power
        lines.append(
            f"{quantity.render(p.output_power, 'W')} with {p.thd:.1f} % distortion at {quantity.render(p.drive, 'V')} "
            f"r.m.s. at each grid; anodes {quantity.render(p.anode_current_zero_signal, 'A')} at rest, "
            f"{quantity.render(p.anode_current, 'A')} driven"
        )
    return lines
