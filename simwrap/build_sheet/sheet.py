"""The build sheet: everything that is needed at the bench, gathered from the measures and written as one HTML file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from html import escape
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np

from simwrap.amplifier.amplifier import Amplifier, as_amplifier
from simwrap.amplifier.discharge_times import DISCHARGED, Charged, charged
from simwrap.amplifier.page import CAUTIONS as CHECKED
from simwrap.amplifier.papers import DESPITE, findings, forbidding, refuse
from simwrap.amplifier.parts import every_part
from simwrap.amplifier.supply_match import Match
from simwrap.amplifier.test_points import Allowance
from simwrap.build_sheet import parts_list
from simwrap.build_sheet.powering_up import ChartRow, PowerUpStep, steps
from simwrap.build_sheet.schematic import schematic
from simwrap.build_sheet.schematic_items import Diagram, diagram, numbered
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.files import write_text
from simwrap.findings.finding import Finding
from simwrap.simulation.as_json import plain
from simwrap.simulation.measurement import Measurement

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
    """A build sheet: what stands on it, and how it is shown.

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
        See the template ``sheet.html.j2``.
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
    def findings(self) -> tuple[Finding, ...]:
        """What the audit finds, which opens the sheet."""
        return findings(self.amplifier)

    @property
    def totals(self) -> list[parts_list.Total]:
        """What is bought."""
        return parts_list.totals(row for _, rows in self.parts for row in rows)

    @cached_property
    def html(self) -> str:
        """The whole sheet as one HTML file."""
        return html(self)

    def save(self, file: str | Path) -> Path:
        """Write the sheet to a file, and return its path."""
        path = Path(file)
        write_text(path, self.html, replace=True)
        return path

    def to_dict(self) -> dict[str, Any]:
        """Return findings, test points, discharge times and notes as plain values."""
        rows = [{"step": step.title, **asdict(reading)} for step in self.steps for reading in step.readings]
        return {
            "title": self.circuit.name,
            "findings": [finding.to_dict() for finding in self.findings],
            "test_points": plain(rows),
            "discharge": plain([asdict(each) for each in self.discharge]),
            "not_seen_words": list(self.not_seen),
            "notes": list(self.notes),
        }

    def _repr_html_(self) -> str:
        return f'<iframe srcdoc="{escape(self.html)}" width="100%" height="800"></iframe>'


def sheet(
    design: Any,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    not_seen: Iterable[str] = (),
    despite_findings: bool = False,
    **how: Any,
) -> Sheet:
    """Return the build sheet of an amplifier.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
    allowance : Allowance, optional
        What the windows allow for.
    within : float
        Time in which bleeders are to bring capacitors below 60 V [s].
    not_seen : iterable of str
        What its guard doesn't see: ``simwrap.guard(design).not_seen``, for a build with such a guard.
    despite_findings : bool
        Whether a design that must not be built gets its sheet, which then says so on every page.
    **how
        As for :func:`simwrap.check`.

    Raises
    ------
    FindingsError
        If the design must not be built: it is unstable, or over a rating.
    InputError
        If schemdraw isn't installed.
    EngineError
        If there is no operating point.

    Examples
    --------
    >>> import simwrap
    >>> paper = simwrap.sheet(simwrap.stage("triode_gain"), quick=True)
    >>> "Cautions" in paper.html, [step.title for step in paper.steps][-1]
    (True, 'Quiescent: full mains, no signal, after ten minutes')
    """
    amplifier = as_amplifier(design, **how)
    refuse(amplifier, "a build sheet", despite_findings)
    made = gathered(amplifier, allowance=allowance, within=within, not_seen=not_seen)
    amplifier.save()
    return made


def gathered(
    design: Any,
    *,
    allowance: Allowance | None = None,
    within: float = 30.0,
    not_seen: Iterable[str] = (),
    **how: Any,
) -> Sheet:
    """Return what stands on the build sheet, whatever the audit finds; parameters as for :func:`sheet`."""
    amplifier = as_amplifier(design, **how)
    made = Sheet(amplifier, allowance or Allowance(), within, tuple(not_seen))
    if amplifier.supply_fault:
        made.notes.append(f"The supply couldn't be computed: {amplifier.supply_fault}.")
    elif amplifier.supply is None:
        made.notes.append("The design has no [supply]: its voltages are as stated, and the supply isn't on this sheet.")
    elif not amplifier.fed:
        made.notes.append("The supply and the circuit agree on no voltage: the chart is for the stated one.")
    amplifier.tell("schematics")
    _drawings(made)
    _parts(made)
    rated = _levels(made)
    amplifier.tell("test points")
    made.steps = amplifier.keep(f"steps {made.allowance}", lambda: steps(amplifier, made.allowance, rated))
    found = made.supply.supply if made.supply is not None else None
    made.discharge = charged(made.design, amplifier.highest, found, within=within, run=made.amplifier.run)
    return made


def _drawings(made: Sheet) -> None:
    """Draw every stage, and the supply."""
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
    borne = list(every_part(made.design, made.warm, made.amplifier.borne[0], made.supply))
    tolerances = {"resistor": str(made.allowance.resistors), "capacitor": "10 %"}
    for drawing, _ in made.drawings:
        supply = drawing.name == "supply" and made.design.supply is not None
        start = "supply." if supply else ""
        own = [replace(part, name=part.name.removeprefix(start)) for part in borne if part.name.startswith(start)]
        count = 1 if supply else made.design.channels
        if rows := parts_list.rows(drawing, own, tolerances=tolerances, count=count):
            made.parts.append((drawing.name, rows))


def _levels(made: Sheet) -> Measurement | None:
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
    made.curves.append(("Frequency response, controls as set", _figure(amplifier.small, "response")))
    for stage, own in made.circuit.stages.items():
        if {"bass", "treble"} & set(own.parameters):
            curves = amplifier.measured(f"tone {stage}", {"tone_curves": {}}, own.circuit)
            made.curves.append(
                (f"Tone control {stage}, between its own source and load", _figure(curves, "tone_curves"))
            )
    if found is not None and amplifier.stable and not amplifier.quick:
        made.curves.append(("Distortion over output, and the margin of every valve", _figure(found, "overload")))
    return found


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
    return room.get_template("sheet.html.j2").render(
        sheet=made,
        cautions=(*_stays_charged(made), *CAUTIONS),
        version=__version__,
        origin=made.warm.provenance,
        despite=DESPITE if forbidding(made.amplifier) else "",
        valves=list(_valves(made)),
    )


def _stays_charged(made: Sheet) -> Iterator[str]:
    """Yield the caution that comes before all others: what nothing discharges."""
    names = [each.path for each in made.discharge if np.isinf(each.time)]
    if names:
        yield (f"This design stays charged for ever: {', '.join(names)} never falls below "
               f"{DISCHARGED:g} V by itself. Fit bleeders before you build it.")  # fmt: skip


def _number(row: ChartRow, which: str) -> str:
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
