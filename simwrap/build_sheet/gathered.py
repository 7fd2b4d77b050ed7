"""What a build sheet needs, gathered from the amplifier."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from io import StringIO

import numpy as np

from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.discharge_times import Charged
from simwrap.amplifier.papers import findings
from simwrap.amplifier.parts import every_part
from simwrap.amplifier.states import States
from simwrap.amplifier.supply_match import Match
from simwrap.amplifier.test_points import Allowance
from simwrap.build_sheet import parts_list
from simwrap.build_sheet.powering_up import PowerUpStep, steps
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.drawing.beside import begun
from simwrap.drawing.items import Diagram, diagram, numbered
from simwrap.drawing.schematic import needed
from simwrap.findings.finding import Finding
from simwrap.simulation.measurement import Measurement
from simwrap.valves import Valve


@dataclass(repr=False)
class SheetContent:
    """What stands on a build sheet.

    Attributes
    ----------
    amplifier : Amplifier
        Of which it tells; all figures are from there.
    allowance : Allowance
        What the windows allow for.
    within : float
        Time in which bleeders are to bring capacitors below 60 V [s].
    not_seen : tuple of str
        What a guard of its cathode currents doesn't see, a line each; empty where no guard was asked for.
    drawings, parts, steps, discharge, curves, notes
        What is drawn, bought, read, left charged, pictured, and noted.
    """

    amplifier: Amplifier
    allowance: Allowance
    within: float
    not_seen: tuple[str, ...] = ()
    drawings: list[tuple[Diagram, str]] = field(default_factory=list)
    parts: list[tuple[str, list[parts_list.PartsRow]]] = field(default_factory=list)
    steps: list[PowerUpStep] = field(default_factory=list)
    discharge: list[Charged] = field(default_factory=list)
    curves: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def design(self) -> Design:
        """The design that was read."""
        return self.amplifier.design

    @property
    def circuit(self) -> Circuit:
        """One channel on the supply that it gets, its volume set."""
        return self.amplifier.circuit

    @property
    def supply(self) -> Match | None:
        """Where supply and channels agree."""
        return self.amplifier.supply

    @property
    def warm(self) -> Measurement:
        """Operating points at rest."""
        return self.amplifier.warm

    @property
    def states(self) -> States:
        """The amplifier in each state of the day."""
        return self.amplifier.states

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the audit finds, which opens the sheet."""
        return findings(self.amplifier)

    @property
    def totals(self) -> list[parts_list.Total]:
        """What is bought."""
        return parts_list.totals(row for _, rows in self.parts for row in rows)

    @property
    def valves(self) -> dict[str, tuple[int, Valve]]:
        """Each type of valve with the count of its systems in all channels."""
        uses = [(use.valve, self.design.channels) for use in self.circuit.valves.values()]
        if self.design.supply is not None:
            uses += [(use.valve, 1) for use in self.design.supply.circuit.valves.values()]
        found: dict[str, tuple[int, Valve]] = {}
        for valve, times in uses:
            found[valve.name] = found.get(valve.name, (0, valve))[0] + times, valve
        return found


def gather(made: SheetContent) -> None:
    """Fill in what stands on a sheet, whatever the audit finds."""
    amplifier = made.amplifier
    if amplifier.supply_fault:
        made.notes.append(f"The supply couldn't be computed: {amplifier.supply_fault}.")
    elif amplifier.supply is None:
        made.notes.append("The design has no [supply]: its voltages are as stated, and the supply isn't on this sheet.")
    elif not amplifier.fed:
        made.notes.append("The supply and the circuit agree on no voltage: the chart is for the stated one.")
    drawings = _drawings(made)
    rated = _levels(made)
    amplifier.tell("test points")
    made.steps = amplifier.keep(f"steps {made.allowance}", lambda: steps(amplifier, made.allowance, rated))
    made.discharge = amplifier.discharge.rows(made.within)
    made.drawings = drawings()
    _parts(made)


def _drawings(made: SheetContent) -> Callable[[], list[tuple[Diagram, str]]]:
    """Begin to draw every stage, and the supply; return what waits for the drawings."""
    amplifier = made.amplifier
    amplifier.tell("schematics")
    known = not (amplifier.supply_fault or amplifier.plan_fault)  # else their voltages lack something this time
    pictures: Callable[[], list[str]] | None = None
    diagrams: list[Diagram] = []
    if not amplifier.knows("schematics"):
        diagrams = _diagrams(made)
        pictures = begun(diagrams)

    def drawn() -> list[tuple[Diagram, str]]:
        assert pictures is not None
        return list(zip(diagrams, pictures(), strict=True))

    return lambda: list(amplifier.keep("schematics", drawn, lasting=lambda drawn: known))


def _diagrams(made: SheetContent) -> list[Diagram]:
    """Return what is drawn: every stage, and the supply."""
    needed()
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
    return list(numbered(found))


def _parts(made: SheetContent) -> None:
    borne = list(every_part(made.design, made.warm, made.amplifier.borne[0], made.supply))
    tolerances = {"resistor": str(made.allowance.resistors), "capacitor": "10 %"}
    for drawing, _ in made.drawings:
        supply = drawing.name == "supply" and made.design.supply is not None
        start = "supply." if supply else ""
        own = [replace(part, name=part.name.removeprefix(start)) for part in borne if part.name.startswith(start)]
        count = 1 if supply else made.design.channels
        if rows := parts_list.rows(drawing, own, tolerances=tolerances, count=count):
            made.parts.append((drawing.name, rows))


def _levels(made: SheetContent) -> Measurement | None:
    """Draw curves, and return what the circuit does at its rated output, all channels driven; None if unknown."""
    amplifier = made.amplifier
    amplifier.tell("curves")
    found = None
    if amplifier.plan is None:
        why = (
            f"The gain plan couldn't be computed: {amplifier.plan_fault}"
            if amplifier.plan_fault
            else ("The design states no rated output")
        )
        made.notes.append(f"{why}: no levels, no power, no margins.")
    elif not amplifier.stable:
        made.notes.append("It is unstable: levels are by gains alone, and there is no power.")
        found = amplifier.margins
    else:
        found = amplifier.levels
        made.notes += [finding.text for finding in ([] if amplifier.quick else amplifier.large.findings)]
        if amplifier.quick:
            made.notes.append("Large signals were left out: power, distortion, currents at the rated output.")
    made.curves.append(
        ("Frequency response, controls as set", _kept_figure(amplifier, "small", amplifier.small, "response"))
    )
    for stage, own in made.circuit.stages.items():
        if {"bass", "treble"} & set(own.parameters):
            curves = amplifier.measured(f"tone {stage}", {"tone_curves": {}}, own.circuit)
            words = f"Tone control {stage}, between its own source and load"
            made.curves.append((words, _kept_figure(amplifier, f"tone {stage}", curves, "tone_curves")))
    if found is not None and amplifier.stable and not amplifier.quick:
        words = "Distortion over output, and the margin of every valve"
        made.curves.append((words, _kept_figure(amplifier, "levels", found, "overload")))
    return found


def _kept_figure(amplifier: Amplifier, where: str, found: Measurement, name: str) -> str:
    """Return the picture of a measure among what an amplifier has under a name, kept with it."""
    whole = where != "levels" or not amplifier.large.findings  # what lacks something is computed anew each time
    return str(amplifier.keep(f"picture of {where}", lambda: _figure(found, name), lasting=lambda made: whole))


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
