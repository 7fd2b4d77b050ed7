"""The sections of an audit, each a pure function of the amplifier: figures, findings, and what wasn't looked at."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from simwrap.amplifier import hum_budget, parts, shared_supply
from simwrap.amplifier.amplifier import MINUTE, Amplifier
from simwrap.amplifier.gain_plan import Plan
from simwrap.amplifier.large_signals import Limited
from simwrap.circuits.design_file import Design
from simwrap.findings.finding import Finding
from simwrap.measures.bias import NEAR as NEAR_SHARE
from simwrap.measures.bias import Limits
from simwrap.measures.common import decibels as in_decibels
from simwrap.measures.common import divide
from simwrap.report.model import Section, Table
from simwrap.simulation.measurement import Measurement
from simwrap.units.quantity import render

#: Margins from which a loop isn't called near its edge (common practice, no source).
GAIN_MARGIN, PHASE_MARGIN = 6.0, 30.0
#: Parts of a cause of hum that aren't told, relative to the largest cause.
FAINT = 0.05
#: What a stated voltage may be wrong by.
STATED = 0.05
#: Noise and hum below the rated output [dB], a splitter's sides [dB] and the share of the current at zero bias [%] from
#: which there is something to say (common practice, no source).
HUM, SIDES, CUT_OFF = 60.0, 1.0, 4.0


def stability(amplifier: Amplifier) -> Section:
    """Return margins of every loop, and the loads with which it was tried."""
    section = Section("stability", "stability")
    found, loops = amplifier.stability, tuple(amplifier.circuit.loops)
    figures = found.stability
    if not amplifier.stable:
        grows = next(each for each in found.results["stability"].findings[0] if each.code == "unstable")
        section.findings.append(replace(grows, details=(*grows.details, ("loops", loops))))
    if not amplifier.fed:
        section.not_checked.append("the supply's own impedance (motorboating through it)")
    section.add("stable", "stable", figures.stable, "", " on the supply's own impedance" if amplifier.fed else "")
    if np.isfinite(figures.least_damped.damping):
        hertz = _at(figures.least_damped.frequency)
        section.add("damping", "damping of what rings longest", figures.least_damped.damping, "", hertz)
    about_loops = ("feedback_positive", "conditionally_stable", "open_loop_unstable")
    section.findings += [each for each in found.results["stability"].findings[0] if each.code in about_loops]
    for name in loops:
        loop = figures.loops[name]
        section.add(f"{name}.feedback_db", f"feedback through {name} at 1 kHz", loop.feedback_db, "dB")
        for start, words in (("", "upwards"), ("low_", "downwards")):
            gain, phase = loop[f"{start}gain_margin_db"], loop[f"{start}phase_margin"]
            at_gain, at_phase = loop[f"{start}gain_margin_frequency"], loop[f"{start}phase_margin_frequency"]
            section.add(f"{name}.{start}gain_margin_db", f"gain margin {words}", gain, "dB", _at(at_gain))
            section.add(f"{name}.{start}phase_margin", f"phase margin {words}", phase, "degree", _at(at_phase))
            if figures.stable == "yes" and (gain < GAIN_MARGIN or phase < PHASE_MARGIN):
                section.say("margins_small", name, "margins", state=words, gain_margin_db=gain, phase_margin=phase,
                          least_gain=GAIN_MARGIN, least_phase=PHASE_MARGIN)  # fmt: skip
    if "loads" in figures:
        tried = [str(load) for load in figures.load]
        bad = [load for load, word in zip(tried, figures.loads.stable, strict=True) if word == "no"]
        if bad and figures.stable == "yes":
            section.say("unstable_with_loads", loads=bad)
        section.notes.append(f"Tried with {', '.join(tried)}: {f'unstable with {len(bad)}' if bad else 'stable'}.")
    return section


def _at(hertz: float) -> str:
    return f" at {render(hertz, 'Hz', digits=3)}" if np.isfinite(hertz) else ""


def bias(amplifier: Amplifier) -> Section:
    """Return the operating point of every valve, and the ratings that are exceeded or near."""
    found = amplifier.warm
    section = Section("bias", "operating points, voltages to the cathode")
    section.findings += [*found.results["bias"].findings[0], *_at_rest(amplifier)]
    columns = (
        ("anode_voltage", "anode", "V"), ("screen_voltage", "screen", "V"), ("grid_voltage", "grid", "V"),
        ("anode_current", "anode current", "A"), ("screen_current", "screen current", "A"),
        ("anode_dissipation", "dissipation", "W"), ("anode_dissipation_share", "of its rating", "%"),
    )  # fmt: skip
    rows = []
    for path in found.bias.paths:
        if path.startswith("valves.") and path.endswith(".type"):
            valve = path.removesuffix(".type")
            figures = [found.bias[f"{valve}.{key}"] if f"{valve}.{key}" in found.bias.paths else np.nan
                       for key, _, _ in columns]  # fmt: skip
            rows.append((valve.partition(".")[2], found.bias[path], *figures))
    section.tables.append(Table((("valve", "valve", ""), ("type", "type", ""), *columns), tuple(rows)))
    result = found.results["bias"]
    section.notes.append(f"Ratings checked: {_counted(result.checked)}.")
    if result.unrated:
        section.notes.append(f"Without a known rating: {_counted(result.unrated)}.")
    return section


def _at_rest(amplifier: Amplifier) -> Iterator[Finding]:
    """Yield what is wrong with a bias though every rating is kept: a grid that is positive, a valve near cut-off."""
    for name, use in amplifier.circuit.valves.items():
        figures = amplifier.warm[f"bias.valves.{name}"]
        if "grid_voltage" not in figures:
            continue
        if figures.grid_voltage > 0.0:
            yield Finding.of("grid_positive", name, "grid voltage", figures.grid_voltage, 0.0, "V", "at rest",
                             type=use.valve.name)  # fmt: skip
        screen = figures.screen_voltage if "screen_voltage" in figures else None
        most = float(use.valve.currents(figures.anode_voltage, 0.0, screen).anode)
        share = 100.0 * figures.anode_current / most if most > 0.0 else np.nan
        # The halves of a pair share a load, and one may rest while the other works.
        if share < CUT_OFF and not use.shares_load:
            yield Finding.of("near_cut_off", name, "anode current", figures.anode_current, unit="A", state="at rest",
                             type=use.valve.name, share=share, least=CUT_OFF)  # fmt: skip


def _counted(limits: Limits) -> str:
    """Return kinds of limits with how many valves have them."""
    kinds = Counter(quantity for _, quantity in limits)
    return ", ".join(f"{kind} ({count})" for kind, count in kinds.items())


def supply(amplifier: Amplifier) -> Section:
    """Return the supply: the voltage that it gives, ripple, regulation, what it does when switched on and off."""
    design, found = amplifier.design, amplifier.supply
    section = Section("supply", f"supply of {design.channels} channel{'s' if design.channels > 1 else ''}")
    if found is None:
        if amplifier.supply_fault:
            section.say("supply_not_computed", reason=amplifier.supply_fault)
        else:
            section.not_checked.append("the supply: the design has no [supply], so its voltages are as stated")
        return section
    figures = found.supply.supply
    section.findings += [
        each if each.subject == "supply" else replace(each, subject=f"supply.{each.subject}")
        for each in found.supply.findings
    ]
    if np.isnan(found.voltage):
        section.say("supply_cannot_feed", "supply", "voltage", limit=found.stated, unit="V")
    elif abs(found.voltage / found.stated - 1.0) > STATED:
        section.say("supply_off_stated", "supply", "voltage", found.voltage, found.stated, "V", current=found.current)
    section.add("stated_voltage", "voltage that the design states", found.stated, "V")
    section.add(
        "voltage", "voltage that the supply gives", found.voltage, "V", f" at {render(found.current, 'A', digits=3)}"
    )
    section.add("before_warm_up", "before the valves warm up", figures.before_warm_up.output_voltage, "V")
    section.add("ripple", "ripple of twice the mains frequency", figures.ripple_fundamental, "V", " r.m.s.")
    section.add("output_resistance", "source resistance", figures.output_resistance, "ohm")
    section.add("rectifier_current_peak", "rectifier current, peak", figures.rectifier_current_peak, "A")
    _discharge(section, amplifier)
    checked = found.supply.results["supply"].conditions.get("limits_checked", ("none", ""))[0]
    section.notes.append(f"Ratings checked: {checked}.")
    drawn, voltage = amplifier.rated_rail
    if np.isfinite(voltage):
        section.add("rated.current", "current at the rated output, all channels", drawn, "A")
        section.add("rated.voltage", "voltage then", voltage, "V")
    return section


def _discharge(section: Section, amplifier: Amplifier) -> None:
    """Add how long capacitors stay above 60 V: the supply's, and those of all channels that hang on it."""
    for last in amplifier.discharge.rows(MINUTE)[:1]:
        section.add("discharge_time", "down to 60 V, capacitors of all channels", last.time, "s", f" at {last.path}")
    section.findings += amplifier.states["after switching off"].findings


def performance(amplifier: Amplifier) -> Section:
    """Return frequency range, damping and crosstalk, and what large signals tell."""
    section = Section("performance", "performance")
    if not amplifier.stable:
        return section
    if amplifier.small.reason:
        section.say("not_computed", quantity="Small signals, a part of them,", reason=amplifier.small.reason)
    _response(section, amplifier.small, np.nan if amplifier.design.levels.rated_power is None else amplifier.load)
    if np.isnan(amplifier.rated_output):
        return section
    if amplifier.crosstalk is not None:
        _crosstalk(section, amplifier.crosstalk)
    elif amplifier.design.channels > 1:
        section.not_checked.append("crosstalk through the shared supply")
    if amplifier.quick:
        section.not_checked.append("large signals: power, distortion, clipping, currents at the rated output")
        return section
    large = amplifier.large
    section.findings += large.findings
    if large.overload is not None:
        _power(section, amplifier, large.overload)
    if large.held is not None:
        _held(section, amplifier.design, large.held)
    if large.mixed:
        _intermodulation(section, amplifier.load, large.mixed)
    return section


def _large(amplifier: Amplifier) -> bool:
    """Whether large signals have a meaning, and are asked for."""
    return amplifier.stable and np.isfinite(amplifier.rated_output) and not amplifier.quick


def _response(section: Section, found: Measurement, load: float) -> None:
    """Add frequency range and damping; what feeds no loudspeaker has nothing to be damped, ``load`` is NaN there."""
    low, high = found.response.low_corner, found.response.high_corner
    section.add("gain", "gain from the source's e.m.f.", found.response.gain_db, "dB")
    section.add("low_corner", "gain-limited effective frequency range from", low, "Hz", " (-3 dB)")
    section.add("high_corner", "to", high, "Hz", " (-3 dB)")
    if "impedance" in found:
        section.add("output_impedance", "output source impedance", found.impedance.output, "ohm")
        if np.isfinite(load):
            more = f" with {render(load, 'ohm')}"
            section.add("damping_factor", "damping factor", found.impedance.damping_factor, "", more)


def levels(amplifier: Amplifier) -> Section:
    """Return the gain plan and every valve's margin."""
    plan = amplifier.plan
    section = Section("levels", f"gain plan at the rated output of {render(amplifier.rated_output, 'V', digits=3)}")
    if not amplifier.stable:
        section.not_checked.append("everything else, since the circuit is unstable: gains, noise, hum, power")
        return section
    if plan is None:
        if amplifier.plan_fault:
            section.say("not_computed", quantity="Gain plan and margins", reason=amplifier.plan_fault)
        else:
            section.not_checked.append("gain plan, margins, power, noise and hum below the rated output: "
                                       "levels.rated_power (or rated_output) isn't stated")  # fmt: skip
        return section
    found = amplifier.levels
    section.add("minimum_emf", "minimum source e.m.f. for the rated output", plan.minimum_emf, "V")
    for name, emf in plan.sources.items():
        position = plan.positions[name]
        if plan.short_db[name]:
            section.say("source_too_weak", name, "e.m.f.", emf, plan.minimum_emf, "V", short_db=plan.short_db[name])
        if np.isfinite(position):
            section.add(f"{name}.volume", f"volume for {name}, {render(emf, 'V')}", position, "")
    columns = [("place", "level at", ""), *((name, name, "V") for name in plan.sources)]
    places = [place for place in next(iter(plan.levels.values())) if _carries_signal(place, found)]
    section.findings += _unequal(plan)
    rows = [(place, *(plan.levels[source][place] for source in plan.sources)) for place in places]
    section.tables.append(Table(tuple(columns), tuple(rows)))
    others = list(plan.sources)[1:]
    margins = []
    for valve, foretold in plan.margins[next(iter(plan.sources))].items():
        figures = {key: found.overload[f"valves.{valve}.{key}"] for key in ("margin_db", "limit", "margin_from")}
        margins.append((valve, *figures.values(), *(plan.margins[source][valve] for source in others)))
        for source in others:
            if plan.margins[source][valve] < min(0.0, foretold):
                section.say(
                    "clips_before_rated", valve, "margin", plan.margins[source][valve], 0.0, "dB", source=source
                )
    head = (("valve", "margin of", ""), ("margin_db", "above it", "dB"), ("limit", "until", ""), ("from", "by", ""))
    more = ((source, f"with {source}, by gains", "dB") for source in others)
    section.tables.append(Table((*head, *more), tuple(sorted(margins, key=lambda row: row[1]))))
    return section


def _unequal(plan: Plan) -> Iterator[Finding]:
    """Yield the splitters whose sides differ much."""
    levels = next(iter(plan.levels.values()))
    for name in plan.circuit.stages:
        one, other = (levels.get(f"{name}.{side}", np.nan) for side in ("output", "output_b"))
        apart = abs(decibels(one, other))
        if apart > SIDES:
            yield Finding.of("splitter_unequal", name, "difference of both sides", apart, SIDES, "dB",
                             levels=[render(one, "V", digits=3), render(other, "V", digits=3)])  # fmt: skip


def _carries_signal(place: str, found: Measurement) -> bool:
    """Whether a port is a stage's output and neither a dropper's nor a feedback path's."""
    circuit = found.stage.circuit if hasattr(found.stage, "circuit") else found.stage
    name, _, own = place.partition(".")
    if not own:
        return False  # the circuit's own end, which stands under its stage's name too
    stage = circuit.stages[name]
    ports = stage.template.header.ports
    return stage.template.header.role == "stage" and any(port.kind == "source" for port in ports.values())


def _curve(figures: Any, load: float) -> Table:
    """Return some levels of the curve, none that was lost; without a load [ohm] there is no power."""
    curve = np.stack([figures.level_in, figures.level_out, figures.level_out**2 / load, figures.thd], axis=1)
    curve = curve[np.isfinite(figures.level_out)]
    head = (
        ("source_emf", "source e.m.f.", "V"),
        ("output", "output", "V"),
        ("power", "power", "W"),
        ("thd", "THD", "%"),
    )
    kept = [number for number in range(len(head)) if np.isfinite(curve[:, number]).any()]
    rows = curve[:: max(1, len(curve) // 6)][:, kept]
    return Table(tuple(head[number] for number in kept), tuple(tuple(map(float, row)) for row in rows))


def _power(section: Section, amplifier: Amplifier, found: Measurement) -> None:
    """Add what large signals tell: power, distortion, dissipation."""
    design, figures = amplifier.design, found.overload
    stated = f"{design.levels.stated_thd:g} %"
    clipping, limited = figures.clipping, figures.at_stated_thd
    first = f"{clipping.first_valve}: {clipping.first_limit}" if clipping.first_valve else clipping.first_limit
    powered = design.levels.rated_power is not None  # what feeds no loudspeaker has no power worth telling
    unit, key = ("W", "output_power") if powered else ("V", "output_rms")
    section.add(
        f"clipping.{key}", "output at the onset of clipping", clipping[key], unit, f" ({first})" if first else ""
    )
    section.add(f"at_stated_thd.{key}", f"distortion-limited output, {stated}", limited[key], unit)
    section.add("rated.source_emf", "rated source e.m.f. at this volume", figures.rated.source_emf, "V")
    section.add("rated.thd", "distortion at the rated output", figures.rated.thd, "%")
    if np.isnan(figures.rated.thd):
        if not found.reason:
            section.say("rated_output_not_reached")
    elif figures.rated.thd > design.levels.stated_thd:
        section.say("distortion_over_stated", "", "distortion", figures.rated.thd, design.levels.stated_thd, "%")
    if np.isfinite(figures.level_out).any():
        section.tables.append(_curve(figures, amplifier.load if powered else np.nan))
    for path in figures.paths:
        if path.startswith("rated.valves.") and path.endswith("_share"):
            valve, share = path.removeprefix("rated.valves.").rpartition(".")[0], figures[path]
            if share > 100.0 * NEAR_SHARE:
                code, watts = "over_rating" if share > 100.0 else "near_rating", figures[path.removesuffix("_share")]
                state = "at a level up to the rated output"
                section.say(code, valve, "anode dissipation", watts, 100.0 * watts / share, "W", state)
    supply = amplifier.supply
    if supply is None or not amplifier.fed:
        section.notes.append("Power is with the supply held at the voltages that the design states.")
        return
    section.notes.append(
        "Power is with all channels driven, on the supply as it falls with what they draw"
        + ("; a fixed bias falls with it." if shared_supply.grid_bias(supply.circuit)[0] else ".")
    )


def _held(section: Section, design: Design, found: Limited) -> None:
    """Add the steady state with the rails held at their voltages without signal."""
    powered = design.levels.rated_power is not None
    unit, key = ("W", "output_power") if powered else ("V", "output_rms")
    words = "distortion-limited output, steady, on rails that don't fall"
    section.add(f"held.at_stated_thd.{key}", words, getattr(found, key), unit)
    section.notes.append(
        "On rails that don't fall: a steady state too, in which the signal has shifted a cathode bias already. The "
        "first milliseconds after silence, before that, may have more; they aren't computed."
    )


def _intermodulation(section: Section, load: float, found: Sequence[Measurement]) -> None:
    """Add distortion with one tone and with two, at some levels; ``load`` is the rated load impedance [ohm]."""
    rows = []
    for each in found:
        figures = each.distortion
        power = figures.output_rms**2 / load
        rows.append((figures.input_rms, figures.output_rms, power, figures.thd, figures.modulation,
                     figures.difference_2, figures.difference_3))  # fmt: skip
    head = (("source_emf", "source e.m.f.", "V"), ("output", "output", "V"), ("power", "power", "W"),
            ("thd", "THD", "%"), ("modulation", "modulation", "%"), ("difference_2", "difference 2nd", "%"),
            ("difference_3", "3rd", "%"))  # fmt: skip
    kept = [number for number in range(len(head)) if any(np.isfinite(row[number]) for row in rows)]
    section.tables.append(
        Table(
            tuple(head[number] for number in kept), tuple(tuple(float(row[number]) for number in kept) for row in rows)
        )
    )
    conditions = found[0].results["distortion"].conditions
    section.notes.append(
        f"Modulation: {conditions['modulation_tones'][0]}; difference: {conditions['twin_tones'][0]}; "
        "both with the peak of the sine in the same row."
    )


def decibels(level: float, reference: float) -> float:
    """Return a level below (-) or above a reference [dB]; NaN where either isn't known."""
    return float(in_decibels(divide(level, reference)))


def _crosstalk(section: Section, found: Any) -> None:
    """Add what one channel leaves at another's output through their supply."""
    worst = int(np.argmax(found.level_db))
    section.add("crosstalk_db", "crosstalk through the supply, 20 Hz to 20 kHz", float(found.level_db[worst]), "dB",
                _at(float(found.frequency[worst])))  # fmt: skip
    middle = float(np.interp(np.log(1000.0), np.log(found.frequency), found.level_db))
    section.add("crosstalk_1khz_db", "the same", middle, "dB", " at 1 kHz")


def _hum(section: Section, amplifier: Amplifier, output: float) -> None:
    """Add hum as the real rectifier leaves it in the steady state, beside what superposition said."""
    section.add("rectifier_hum", "ripple in the steady state of the rectifier itself", output, "V",
                f" ({decibels(output, amplifier.rated_output):.3g} dB)")  # fmt: skip
    for cause in amplifier.causes:
        if cause.name == hum_budget.RIPPLE:
            apart = decibels(output, cause.level)
            section.add("rectifier_hum_apart", "apart from the table's supply ripple", apart, "dB")


def noise(amplifier: Amplifier) -> Section:
    """Return noise and hum by cause, below the rated output."""
    section = Section("noise", "noise and hum below the rated output, 22 Hz to 22 kHz")
    rated_output = amplifier.rated_output
    if not amplifier.stable or np.isnan(rated_output):
        return section
    causes = amplifier.causes
    if not amplifier.fed:
        section.not_checked.append("hum from supply ripple")
    whole, weighted = hum_budget.total(causes)
    ratio = -decibels(whole, rated_output)
    if ratio < HUM:
        largest = max((cause for cause in causes if not cause.part_of), key=lambda cause: cause.level)
        section.say("hum_over_stated", "", "noise and hum", ratio, HUM, "dB", cause=largest.name)
    directly = [name for name, use in amplifier.circuit.valves.items() if use.valve.heater and use.valve.heater.direct]
    if directly:
        section.not_checked.append(f"hum of directly heated filaments on a.c. ({', '.join(directly)})")
    without = ", without its filaments' hum" if directly else ""
    section.add("signal_to_noise", "signal-to-noise ratio", ratio, "dB", f" unweighted{without}")
    section.add("signal_to_noise_a", "the same", -decibels(weighted, rated_output), "dB", f" A-weighted{without}")
    loudest = max(cause.level for cause in causes)
    told = [cause for cause in causes if not cause.part_of or cause.level > FAINT * loudest]
    rows = sorted(
        ((cause.name, cause.level, decibels(cause.level, rated_output), decibels(cause.weighted, rated_output))
         for cause in told), key=lambda row: -row[1],
    )  # fmt: skip
    head = (("cause", "by cause", ""), ("level", "at the output", "V"), ("below", "unweighted", "dB"),
            ("below_a", "A-weighted", "dB"))  # fmt: skip
    section.tables.append(Table(head, tuple(rows)))
    section.notes.append(
        "What comes through a port, or from one heater, is part of the ripple's, or the heaters', line."
    )
    if _large(amplifier) and amplifier.large.hum is not None:
        _hum(section, amplifier, amplifier.large.hum[0])
    return section


#: The sections of an audit in the order in which they are read: stability and what is rated, then what it does.
SECTIONS: tuple[Callable[[Amplifier], Section], ...] = (
    stability, levels, performance, noise, supply, bias, parts.section,
)  # fmt: skip
