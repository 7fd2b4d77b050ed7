"""What a build sheet tells, section by section, as data: pure functions of what was gathered."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simwrap.amplifier.audit import CAUTIONS as CHECKED
from simwrap.amplifier.discharge_times import DISCHARGED, Charged
from simwrap.build_sheet.gathered import SheetContent
from simwrap.build_sheet.powering_up import ChartRow
from simwrap.report.model import Listing, Section
from simwrap.units.quantity import render
from simwrap.valves import Valve

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


def findings(found: SheetContent) -> Section:
    """Return what the audit found."""
    none = "Nothing over a limit, nothing near one. `simwrap check` says what was looked at, and what wasn't."
    made = Section("findings", "What the audit found", [] if found.findings else [none])
    made.findings += found.findings
    return made


def cautions(found: SheetContent) -> Section:
    """Return the cautions; what nothing discharges comes before all others."""
    names = [each.path for each in found.discharge if np.isinf(each.time)]
    first = [f"This design stays charged for ever: {', '.join(names)} never falls below {DISCHARGED:g} V by itself. "
             "Fit bleeders before you build it."] if names else []  # fmt: skip
    return Section("cautions", "Cautions: read these first", notes=[*first, *CAUTIONS])


def schematics(found: SheetContent) -> Section:
    """Return the drawings."""
    about = (
        "Voltages at the pins are to ground, at rest, without a meter. Wires that cross without a dot don't touch. "
        '"cw" is the end of a potentiometer that the wiper reaches when it is turned up. Symbols as in IEC 60617 (a '
        "resistor is a rectangle), designators as in IEEE 315. Not drawn: heaters, strays, and what isn't a part of "
        "its own."
    )
    parts = [
        Section(str(number), drawing.title, pictures=[picture])
        for number, (drawing, picture) in enumerate(found.drawings, 1)
    ]
    return Section("schematics", "Schematics", [about], parts=parts)


def parts(found: SheetContent) -> Section:
    """Return the parts of each drawing, what is bought in all, and the valves."""
    about = (
        "The least rating is the next common one, for the least favourable state: valves cold and nothing drawn, mains "
        "10 % high, the signal at clipping, a valve pulled. A resistor is loaded to half of it for long. "
        '"Fitted" is what the design says.'
    )
    made = Section("parts", "Parts", [about])
    head = ("Part", "Role", "Value", "Tolerance", "Least rating", "Why", "Fitted")
    for name, rows in found.parts:
        each = f", for each of {rows[0].count} channels" if rows[0].count > 1 else ""
        cells = [(r.reference, r.role, r.value, r.tolerance, r.rating, r.reason, r.fitted) for r in rows]
        made.tables.append(Listing(f"{name}{each}", head, cells))
    bought = found.totals
    caption = f"What to buy, all channels: {sum(total.count for total in bought)} parts"
    made.tables.append(
        Listing(caption, ("Kind", "Value", "Rating, or more", "Count", "Parts"),
                [(t.kind, t.value, t.rating, str(t.count), t.references) for t in bought])
    )  # fmt: skip
    if found.valves:
        caption = "Valves: systems in all channels (a double triode has two in one envelope)"
        types = [(name, valve.summary, str(count), *_envelope(valve)) for name, (count, valve) in found.valves.items()]
        made.tables.append(
            Listing(caption, ("Type", "What it is", "Systems", "Heater of one envelope", "Base and pins"), types)
        )
    return made


def _envelope(valve: Valve) -> tuple[str, str]:
    """Return a valve's heater, and its base with its pins."""
    heater, base = valve.heater, valve.base
    return (
        f"{render(heater.voltage, 'V', digits=3)}, {render(heater.current, 'A', digits=3)}" if heater else "not known",
        f"{base.name}: {'; '.join(f'{pin} {what}' for pin, what in base.pins.items())}" if base else "not known",
    )


def chart(found: SheetContent) -> Section:
    """Return the test points, step by step."""
    allowed = found.allowance
    about = (
        f'"Meter shows" is with a voltmeter of {render(allowed.meter, "ohm", digits=3)}, which loads the circuit. '
        f'Between "from" and "to" lie all of {allowed.builds} builds drawn with resistors of {allowed.resistors}, '
        f"valves whose emission differs by {allowed.emission} and mu by {allowed.mu}, and mains {allowed.mains} up or "
        f"down; the meter may err by {100 * allowed.meter_share:.1f} % and "
        f"{render(allowed.meter_least, 'V', digits=3)}. Clip the black lead to the chassis first, and hold the red one "
        "with one hand."
    )
    made = Section("chart", "Test points, in the order of powering up", [about])
    head = ("Test point", "Measure", "Expected", "Meter shows", "From", "To", "Measured")
    for number, step in enumerate(found.steps, 1):
        rows = [(row.name, row.lead, *_numbers(row), "") for row in step.readings]
        tables = [Listing(f"{step.title}: readings", head, rows)] if rows else []
        made.parts.append(Section(str(number), f"{number}. {step.title}", step.do, tables=[*tables]))
    return made


def _numbers(row: ChartRow) -> Iterator[str]:
    """Yield the figures of a row of the chart; what no meter shows is 0."""
    for value, digits in ((row.expected, 4), (row.shown, 3), (row.low, 3), (row.high, 3)):
        nothing = row.unit == "V" and abs(value) < 1e-3
        yield "0 V" if nothing else render(float(value), row.unit, digits=digits)


def curves(found: SheetContent) -> Section:
    """Return the pictures of what it does."""
    drawn = [Section(str(number), title, pictures=[picture]) for number, (title, picture) in enumerate(found.curves, 1)]
    return Section("curves", "Expected curves", parts=drawn)


def discharge(found: SheetContent) -> Section:
    """Return what stays charged after switching off."""
    about = (
        "The worst case: every capacitor starts from the highest voltage, on mains 10 % high and without load, and the "
        "valves draw nothing. The last columns are a resistor straight across each capacitor that brings it below 60 V "
        f"in {render(found.within, 's', digits=3)} by itself; it draws current, so compare the rails again. What hangs "
        "on a rail is above 60 V as long as the rail is. Bleeders fail open: a meter tells, not the clock."
    )
    made = Section("discharge", "After switching off: what stays above 60 V", [about])
    if not found.discharge:
        made.about.append("None is charged above 60 V.")
        return made
    head = ("Capacitor", "Value", "From", "Holds", "Above 60 V for", "Bleeder across it", "Its rating")
    caption = "Capacitors above 60 V at switching off (of one channel, and of the supply)"
    made.tables.append(Listing(caption, head, [_charged(each) for each in found.discharge]))
    return made


def _charged(each: Charged) -> tuple[str, ...]:
    start = render(each.start, "V", digits=3)
    bleeder = ("none: would change the circuit", "") if np.isnan(each.bleeder) else (
        render(each.bleeder, "ohm", digits=3), f"{render(each.bleeder_wattage, 'W', digits=3)}, {start}"
    )  # fmt: skip
    return (each.path, render(each.capacitance, "F", digits=3), start, render(each.energy, "J", digits=2),
            lasting(each.time), *bleeder)  # fmt: skip


def lasting(seconds: float) -> str:
    """Return how long something lasts, for somebody with a watch."""
    if np.isnan(seconds):
        return "not known: measure"
    if np.isinf(seconds):
        return "never by itself"
    if seconds < 100.0:
        return f"{max(seconds, 1.0):.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.0f} h"


def not_seen(found: SheetContent) -> Section:
    """Return what a guard of the cathode currents doesn't see."""
    about = (
        "A guard watches the cathode currents of the output valves. These faults overload a valve, or part of one, "
        "without a cathode current that tells: a fuse or a look has to."
    )
    return Section("not-seen", "What the guard doesn't see", [about], notes=[*found.not_seen])


def grounds(found: SheetContent) -> Section:
    """Return what the sheet rests on, and what it leaves out."""
    from simwrap import __version__

    origin = found.warm.provenance
    unguarded = not found.not_seen and "speaker" in found.circuit.ports
    notes = [
        *found.notes,
        f"Simulated by {origin.get('engine', '')} {origin.get('engine_version', '')}, simwrap {__version__}, netlist "
        f"{origin.get('netlist_sha256', '')[:12]}.",
        "Windows leave out: that heaters run hotter or colder with the mains, that the supply sags as the current of "
        "the circuit changes, age, and heat.",
        *["A guard of the output valves' cathode currents doesn't see every fault; `simwrap sheet --guard` lists those "
          "that it doesn't."] * unguarded,
        "Ratings of valves are checked by `simwrap check`, not by this sheet.",
    ]  # fmt: skip
    return Section("about", "What this sheet rests on", notes=notes)


def whole(found: SheetContent) -> Section:
    """Return the whole sheet."""
    channels = found.design.channels
    about = (
        f"{channels} channel{'s' if channels > 1 else ''}; every value is of one channel unless it says otherwise. "
        "Predicted by models of typical valves."
    )
    sections = [findings, cautions, schematics, parts, chart, curves, discharge, *[not_seen] * bool(found.not_seen),
                grounds]  # fmt: skip
    title = f"Build sheet: {found.design.circuit.name}"
    return Section("sheet", title, [about], parts=[section(found) for section in sections])
