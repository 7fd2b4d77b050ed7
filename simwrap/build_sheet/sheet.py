"""The build sheet: everything that is needed at the bench, gathered from the measures and written as one HTML file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from io import StringIO
from typing import Any

import numpy as np

from simwrap.amplifier.bearing import bearing
from simwrap.amplifier.discharge_times import DISCHARGED, Charged, charged
from simwrap.amplifier.gain_plan import Plan, plan
from simwrap.amplifier.page import CAUTIONS as CHECKED
from simwrap.amplifier.parts import every_part
from simwrap.amplifier.supply_match import Match, fed, highest, match, measured
from simwrap.amplifier.test_points import Allowance
from simwrap.build_sheet import parts_list
from simwrap.build_sheet.powering_up import Reading, Step, steps
from simwrap.build_sheet.schematic import schematic
from simwrap.build_sheet.schematic_items import Diagram, diagram, numbered
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.errors import EngineError, InputError
from simwrap.simulation.measurement import Measurement, measure

#: What stands at the head of every sheet, before the cautions of an audit.
CAUTIONS = (
    "Voltages in this equipment kill, also minutes after it was switched off. Discharge every reservoir through a "
    "resistor and verify with a meter before you touch anything; try the meter on a known voltage before and after.",
    "Fit bleeders, and never rely on them: bleeders fail open. The table of charged capacitors says how long each one "
    "stays above 60 V.",
    "Where you must measure live, use one hand, the other one away from the chassis; clip the black lead on first.",
    "Fuse the primary and the high-voltage supply. Bond the chassis to protective earth. Equipment without a mains "
    "transformer of its own belongs on an isolation transformer.",
    "Never drive an output stage without its load: the transformer's primary makes voltages that pierce insulation.",
    "Bias before high voltage: see that every output valve has its grid bias before its anode gets its supply.",
    "The glass of a working valve burns. Let it cool before you pull it.",
    "Resistors have voltage ratings of their own, as capacitors have: a small one stands 200 V to 350 V, whatever it "
    "dissipates. Put two in series where more stands across it.",
    "A first power-up goes through a series lamp or a current-limited supply, and nobody works alone.",
    *CHECKED,
)


@dataclass
class Sheet:
    """What stands on a build sheet; see the template ``sheet.html.j2``."""

    design: Design
    circuit: Circuit
    engine: str
    allowance: Allowance
    within: float
    tell: Callable[[str], None]
    supply: Match | None = None
    warm: Measurement | None = None
    plan: Plan | None = None
    drawings: list[tuple[Diagram, str]] = field(default_factory=list)
    parts: list[tuple[str, list[parts_list.Row]]] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    discharge: list[Charged] = field(default_factory=list)
    curves: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def totals(self) -> list[parts_list.Total]:
        """What is bought."""
        return parts_list.totals(row for _, rows in self.parts for row in rows)


def sheet(
    design: Design,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    quick: bool = False,
    engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> str:
    """Return the build sheet of a design as HTML.

    Parameters
    ----------
    design : Design
        As :func:`simwrap.circuits.design_file.read_whole_design` reads it.
    allowance : Allowance, optional
        What the windows allow for.
    within : float
        Time in which bleeders are to bring capacitors below 60 V [s].
    quick : bool
        Whether to leave out what needs large signals.
    engine : str
        "auto", "neospice" or "ngspice".
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        If schemdraw isn't installed.
    EngineError
        If there is no operating point.
    """
    return html(gathered(design, allowance=allowance, within=within, quick=quick, engine=engine, progress=progress))


def gathered(
    design: Design,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    quick: bool = False,
    engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> Sheet:
    """Return what stands on the build sheet; parameters as for :func:`sheet`."""
    made = Sheet(design, design.circuit, engine, allowance or Allowance(), within, progress or (lambda words: None))
    _supply(made)
    made.tell("operating points")
    made.warm = measure(made.circuit, ["bias"], engine=engine)
    output = _rated_output(made)
    if np.isfinite(output):
        made.plan = plan(made.circuit, design.levels, output, engine=engine)
    _drawings(made)
    _parts(made)
    rated = _levels(made, quick)
    made.tell("test points")
    made.steps = steps(made, rated)
    found = made.supply.supply if made.supply is not None else None
    made.discharge = charged(design, highest(design, made.supply), found, within=within, engine=engine)
    return made


def _supply(made: Sheet) -> None:
    """Go on with the voltage on which supply and circuit agree."""
    if made.design.supply is None or not fed(made.design):
        made.notes.append("The design has no [supply]: its voltages are as stated, and the supply isn't on this sheet.")
        return
    made.tell("supply")
    try:
        made.supply = match(made.design, engine=made.engine)
    except EngineError as fault:
        made.notes.append(f"The supply couldn't be computed: {fault}.")
        return
    if np.isfinite(made.supply.voltage):
        made.circuit = made.supply.circuit
        # The match is content with figures at a current that is nearly the same: a meter isn't.
        exact = measured(made.design, made.design.supply, made.supply.current, made.engine)
        made.supply = replace(made.supply, supply=exact)
    else:
        made.notes.append("The supply and the circuit agree on no voltage: the chart is for the stated one.")


def _drawings(made: Sheet) -> None:
    """Draw every stage, and the supply."""
    assert made.warm is not None
    made.tell("schematics")
    nodes = made.warm.bias.nodes
    volts = {node: float(nodes[path]) for path, node in made.circuit.node_paths.items() if path in nodes}
    found = [diagram(made.circuit, stage, volts) for stage in made.circuit.stages]
    if made.design.supply is not None:
        supply = made.design.supply
        known = {}
        if made.supply is not None:
            supply = supply.replace(load_current=made.supply.current) if np.isfinite(made.supply.current) else supply
            figures = made.supply.supply.supply
            known = {supply.circuit.ports[place]: float(figures[f"{place}_voltage"])
                     for place in ("reservoir", "output") if place in supply.circuit.ports}  # fmt: skip
        drawing = diagram(supply.circuit, "", known)
        drawing.name, drawing.title = "supply", f"supply: {supply.summary}"
        found.append(drawing)
    made.drawings = [(each, schematic(each)) for each in numbered(found)]


def _parts(made: Sheet) -> None:
    assert made.warm is not None
    states = bearing(made.design, made.circuit, made.supply, warm=made.warm, plan=made.plan, engine=made.engine)
    borne = list(every_part(made.design, made.warm, states, made.supply))
    tolerances = {"resistor": str(made.allowance.resistors), "capacitor": "10 %"}
    for drawing, _ in made.drawings:
        supply = drawing.name == "supply" and made.design.supply is not None
        start = "supply." if supply else ""
        own = [replace(part, name=part.name.removeprefix(start)) for part in borne if part.name.startswith(start)]
        count = 1 if supply else made.design.channels
        if rows := parts_list.rows(drawing, own, tolerances=tolerances, count=count):
            made.parts.append((drawing.name, rows))


def _levels(made: Sheet, quick: bool) -> Measurement | None:
    """Measure curves, and what the circuit does at its rated output; return the latter."""
    made.tell("curves")
    rated = _rated_output(made)
    found = None
    if np.isnan(rated):
        made.notes.append("The design states no rated output: no levels, no power, no margins.")
    else:
        levels = made.design.levels
        assert made.plan is not None
        made.circuit = made.plan.circuit
        options: dict[str, Any] = {"rated_output": rated, "stated_thd": levels.stated_thd}
        if quick:
            options["levels"] = 0
            made.notes.append("Large signals were left out: power, distortion, currents at the rated output.")
        try:
            found = measure(made.circuit, {"overload": options}, engine=made.engine)
        except (EngineError, InputError) as fault:
            made.notes.append(f"Power and margins couldn't be computed: {fault}.")
    response = measure(made.circuit, ["response"], engine=made.engine)
    made.curves.append(("Frequency response, controls as set", _figure(response, "response")))
    for stage, own in made.circuit.stages.items():
        if {"bass", "treble"} & set(own.parameters):
            curves = measure(own, ["tone_curves"], engine=made.engine)
            made.curves.append(
                (f"Tone control {stage}, between its own source and load", _figure(curves, "tone_curves"))
            )
    if found is not None and not quick:
        made.curves.append(("Distortion over output, and the margin of every valve", _figure(found, "overload")))
    return found


def _rated_output(made: Sheet) -> float:
    """Return the rated output [V r.m.s.], NaN where the design states none."""
    levels = made.design.levels
    name = made.circuit.bench_part("output", "resistor")
    load = float(made.circuit.values[name]) if name else 0.0
    if levels.rated_power is not None and load:
        return float(np.sqrt(levels.rated_power * load))
    return float("nan") if levels.rated_output is None else levels.rated_output


def _figure(found: Measurement, name: str) -> str:
    """Return a picture as an SVG element with a role and a title; what it names is named once on the page."""
    import matplotlib

    figure = found.plot(name)
    buffer = StringIO()
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return _named(buffer.getvalue(), f"curve-{name}-{len(buffer.getvalue())}", f"Curves of {name.replace('_', ' ')}")


def _named(svg: str, ident: str, title: str) -> str:
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{ident}-\1"', svg)
    svg = re.sub(r'(href="|url\()#', rf"\1#{ident}-", svg)
    svg = re.sub(r'\s(width|height)="[^"]*pt"', "", svg, count=2)
    return re.sub(r"<svg([^>]*)>", rf'<svg\1 role="img" aria-label="{title}">', svg, count=1)


def html(made: Sheet) -> str:
    """Return a sheet as HTML."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from simwrap import __version__
    from simwrap.units.quantity import render

    loader = PackageLoader("simwrap.build_sheet", "")
    room = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    room.filters |= {
        "q": lambda value, unit, digits=3: render(float(value), unit, digits=digits),
        "number": lambda row, which: _number(row, which),
        "lasting": lambda each: _lasting(each.time),
    }
    origin = made.warm.provenance if made.warm is not None else {}
    return room.get_template("sheet.html.j2").render(
        sheet=made,
        cautions=(*_stays_charged(made), *CAUTIONS),
        version=__version__,
        origin=origin,
        valves=list(_valves(made)),
    )


def _stays_charged(made: Sheet) -> Iterator[str]:
    """Yield the caution that comes before all others: what nothing discharges."""
    names = [each.path for each in made.discharge if np.isinf(each.time)]
    if names:
        yield (f"This design stays charged for ever: {', '.join(names)} never falls below "
               f"{DISCHARGED:g} V by itself. Fit bleeders before you build it.")  # fmt: skip


def _number(row: Reading, which: str) -> str:
    """Return a figure of the chart; what no meter shows is 0."""
    from simwrap.units.quantity import render

    value = float(getattr(row, which))
    if row.unit == "V" and abs(value) < 1e-3:
        return "0 V"
    return render(value, row.unit, digits=4 if which == "expected" else 3)


def _lasting(seconds: float) -> str:
    """Return how long something lasts, for somebody with a watch."""
    if np.isnan(seconds):
        return "not known: measure"
    if np.isinf(seconds):
        return "never by itself"
    if seconds < 100.0:
        return f"{max(seconds, 1.0):.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.0f} h"


def _valves(made: Sheet) -> Iterator[tuple[str, int, Any]]:
    """Yield each type of valve with its count of sections in all channels, and the valve itself."""
    counts: dict[str, int] = {}
    types: dict[str, Any] = {}
    uses = [*((use, made.design.channels) for use in made.circuit.valves.values())]
    if made.design.supply is not None:
        uses += [(use, 1) for use in made.design.supply.circuit.valves.values()]
    for use, times in uses:
        counts[use.valve.name] = counts.get(use.valve.name, 0) + times
        types[use.valve.name] = use.valve
    yield from ((name, count, types[name]) for name, count in counts.items())


__all__ = ["CAUTIONS", "Sheet", "gathered", "html", "sheet"]
