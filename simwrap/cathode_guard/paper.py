"""The guard on paper: as a dictionary for JSON, as a section of a report, and as a C99 header."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import Any

from simwrap.cathode_guard.guard import PATIENCE, PIN_CURRENT, Guard, Level
from simwrap.cathode_guard.loop import EVENTS, NEXT, OFF_BEAT, ROUGH_SHIFT, RUNNING, SOURCES, STARTING, STATES, Loop
from simwrap.report.model import Listing, Section
from simwrap.units.quantity import render


def to_dict(guard: Guard) -> dict[str, Any]:
    """Return all of it as plain data: A, V, s, ohm, F, counts."""
    way, bed = guard.converter, guard.bed
    return {
        "design": guard.title,
        "valves": [{"name": v.name, "stage": v.stage, "pair": v.pair, "half": v.half} for v in bed.valves],
        "converter": {
            "sense_resistor": bed.sense,
            "sense_tolerance": way.sense_tolerance,
            "gain": way.gain,
            "filter_resistance": way.resistance,
            "filter_capacitance": way.capacitance,
            "filter_corner": 1.0 / (6.283185307179586 * way.filter_time),
            "reference": way.reference,
            "bits": way.bits,
            "samples_per_second": way.rate,
            "smoothing_samples": 2 ** (way.shift or 0),
            "noise": way.noise,
            "current_per_count": way.amperes,
        },
        "stages": {
            name: {
                "expected": stage.expected,
                "window": list(stage.window),
                "highest_at_full_power": stage.loud,
                "rise_at_full_power": stage.rise,
                "largest_imbalance": stage.apart,
                "signal_amplitude": stage.swing,
                "alias": stage.swing * way.passed(way.rate),
                "levels": {level.name: _level(level) for level in stage.levels},
            }
            for name, stage in guard.stages.items()
        },
        "supply": _supply(guard),
        "warming": way.warming,
        "healthy_builds": guard.builds,
        "pin": pin(guard),
        "states": {state: dict(zip(EVENTS, row, strict=True)) for state, row in zip(STATES, NEXT, strict=True)},
        "not_seen": [
            {"fault": u.fault, "share_of_rating": u.share, "builds": u.builds, "tried": u.tried, "warned": u.warned}
            for u in guard.unseen
        ],
        "not_seen_words": unseen_words(guard),
        "notes": list(guard.notes),
    }


def _level(level: Level) -> dict[str, Any]:
    return {
        "current": level.current,
        "sense_voltage": level.volts,
        "counts": level.counts,
        "looks_at": level.source,
        "live": [word for word, bit in (("starting", STARTING), ("running", RUNNING)) if level.phases & bit],
        "met": "below" if level.below else "above",
        "hold": level.hold,
        "within": level.within,
        "event": level.event,
    }


def _supply(guard: Guard) -> dict[str, Any] | None:
    made = guard.supply
    if made is None:
        return None
    volts = {"present": made.present, "warn_low": made.low, "warn_high": made.high}
    return {
        "share": made.share,
        "expected": made.expected,
        "window": list(made.window),
        "hold": made.hold,
        "levels": {name: {"voltage": value, "counts": made.counts(value)} for name, value in volts.items()},
    }


def pin(guard: Guard) -> dict[str, Any]:
    """Return what a fault can put on a pin, and what keeps it within the converter's range."""
    way = guard.converter
    fault, volts = guard.worst_pin
    over = max(0.0, volts - way.reference)
    found: dict[str, Any] = {
        "largest_voltage": volts,
        "fault": fault,
        "clamp_at": way.reference,
        "clamp_current": over / way.resistance,
        "least_series_resistance": over / PIN_CURRENT,
        "clamp_needed": over > 0.0,
    }
    if guard.bed.lifted:
        common, most = guard.worst_common
        found |= {"common_voltage": guard.bed.lifted, "largest_common_voltage": most, "common_fault": common}
    return found


def section(guard: Guard) -> Section:
    """Return the guard as a section for people."""
    way = guard.converter
    made = Section("guard", f"Guard of {guard.title}", [
        f"sense resistor {render(guard.bed.sense, 'ohm')} in each cathode lead, {way.bits} bits of "
        f"{render(way.reference, 'V')}, {render(way.amperes, 'A', digits=3)} a count",
        f"filter {render(way.resistance, 'ohm')}, {render(way.capacitance, 'F')}; {way.rate} samples a second, "
        f"smoothed over {2 ** (way.shift or 0)}; for {render(way.warming, 's')} from the first current of a start only "
        "shorts and overloads trip",
    ])  # fmt: skip
    for name, stage in guard.stages.items():
        low, high = stage.window
        alias = stage.swing * way.passed(way.rate)
        rows = [
            (level.name, _amperes(level.current), render(level.volts, "V", digits=3), str(level.counts),
             render(level.hold, "s", digits=3), render(level.within, "s", digits=3))
            for level in stage.levels
        ]  # fmt: skip
        title = (
            f"{name}: {_amperes(stage.expected)} expected at rest, {_amperes(low)} to {_amperes(high)} in "
            f"{guard.builds} builds, up to {_amperes(stage.loud)} at full power"
        )
        table = Listing("", ("level", "current", "sense", "counts", "lasts", "within"), rows)
        note = f"a full-power sine at the sampling rate leaves {_amperes(alias)} that looks like a slow change"
        made.parts.append(Section(name, title, tables=[table], notes=[note]))
    if (rail := guard.supply) is not None:
        below, above, there = (
            f"{render(volts, 'V', digits=3)} ({rail.counts(volts)} counts)"
            for volts in (rail.low, rail.high, rail.present)
        )
        notes = [
            f"{rail.share:g} of it at a pin of its own; warned of below {below} and above {above} for "
            f"{render(rail.hold, 's')}",
            f"above {there} it is there, and valves without current are no mains that is off: heaters or converter",
        ]
        title = f"supply: {render(rail.expected, 'V', digits=3)} expected at rest"
        made.parts.append(Section("supply", title, notes=notes))
    made.parts += [
        Section("pin", "what a fault puts on a pin", notes=_pin_words(guard)),
        Section("not-seen", "What no cathode current tells (a fuse or a look has to):", notes=unseen_words(guard)),
    ]
    made.notes += [f"note: {note}" for note in guard.notes]
    return made


def unseen_words(guard: Guard) -> list[str]:
    """Return what the guard can't see, a line each."""
    lines = [
        f"{u.fault}: {100.0 * u.share:.0f} % of a rating, "
        + ("warned of, not tripped" if u.warned else "silent")
        + (f" in {u.builds} of {u.tried} builds" if u.builds < u.tried else "")
        for u in guard.unseen
    ]
    lines += [
        "valves that run hot together by less than a level is wide, such as grids with a little gas in both halves",
        "heaters, screens and anodes themselves: a current may be right and its way wrong",
    ]
    blind = "every pin that reads nothing, the supply's too" if guard.supply else "every pin that reads nothing at once"
    wait = render(PATIENCE + guard.converter.warming, "s")
    lines.append(f"{blind}: it looks like a mains that is off, and trips after {wait}")
    if not any(level.source == "still" for stage in guard.stages.values() for level in stage.levels):
        lines.append("a converter stuck inside the window: its noise is too small beside a count to tell")
    return lines


def _amperes(value: float) -> str:
    return render(value, "A", digits=3)


def _pin_words(guard: Guard) -> list[str]:
    found = pin(guard)
    way = guard.converter
    worst = render(found["largest_voltage"], "V", digits=3)
    lines = [f"The worst fault for a pin, {found['fault']}, puts {worst} there without a clamp."]
    if found["clamp_needed"]:
        lines.append(
            f"It needs a clamp to {render(way.reference, 'V')} that carries {_amperes(found['clamp_current'])} through "
            f"the filter's {render(way.resistance, 'ohm')}; with no other clamp than the input's own diodes at "
            f"{_amperes(PIN_CURRENT)} (common practice) that resistor needs "
            f"{render(found['least_series_resistance'], 'ohm', digits=2)} at the least."
        )
    if guard.bed.lifted:
        lines.append(
            f"The sense resistors stand on the pair's cathode resistor, {render(guard.bed.lifted, 'V', digits=3)} "
            f"above ground: a difference amplifier has to take that away, and stand "
            f"{render(found['largest_common_voltage'], 'V', digits=3)} ({found['common_fault']})."
        )
    return lines


def header(guard: Guard) -> str:
    """Return the C99 header: constants, checks, states, and the loop.

    ``gcc -std=c99 -Wall -Wextra -Werror`` takes it.
    """
    import jinja2

    source = files("simwrap.cathode_guard").joinpath("guard.h.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
        autoescape=False,
    )  # fmt: skip
    way, loop = guard.converter, guard.loop()
    names = {"apart": guard.pairs, "most": ["all"]}
    valves = [valve.name for valve in guard.bed.valves]
    rail = guard.supply
    checks = [
        {
            "numbers": f"GUARD_{c.source.upper()}, {c.signal}, {int(c.below)}, {c.phases}, GUARD_{c.event.upper()}, "
            f"{c.counts}, {c.samples}",
            "words": plain(f"{names.get(c.source, [*valves, 'supply'])[c.signal]} {c.name}"),
        }
        for c in loop.checks
    ]
    constants = [
        (_word(f"{stage}_{level.name}"), level.counts, plain(_level_words(level)))
        for stage, made in guard.stages.items()
        for level in made.levels
    ]
    if rail is not None:
        constants += [(name, rail.counts(volts), f"{render(volts, 'V', digits=3)} for {render(rail.hold, 's')}")
                      for name, volts in (("supply_low", rail.low), ("supply_high", rail.high))]  # fmt: skip
    lasting = max(c.samples for c in loop.checks if c.source in ("smooth", "apart", "raw"))
    constants.append(("trial_samples", lasting + 16 * 2**loop.shift, "of each try of the self-test"))
    return environment.from_string(source).render(
        title=plain(guard.title), rate=way.rate, valves=[plain(name) for name in valves],
        halves=[_row(row) for row in loop.halves], checks=checks, bits=way.bits, millivolts=round(1e3 * way.reference),
        shift=way.shift, rough_shift=ROUGH_SHIFT, off_beat=OFF_BEAT, warming=loop.warming,
        warming_seconds=f"{way.warming:g}", patience=loop.patience, slow=loop.slow, dark=loop.dark, period=loop.period,
        full_scale=way.full_scale, checksum=checksum(loop), constants=constants, rest=_row(rest_counts(guard)),
        unseen=[plain(line) for line in unseen_words(guard)], single=len(valves) == 1 and rail is None,
        rest_pins=loop.pins, supply=loop.supply, supply_share=f"{way.supply_share:g}", starting=STARTING,
        running=RUNNING, states=", ".join(_name(state) for state in STATES),
        events=", ".join(_name(event) for event in EVENTS), sources=", ".join(_name(source) for source in SOURCES),
        next=[", ".join(_name(state) for state in row) for row in NEXT],
    )  # fmt: skip


def rest_counts(guard: Guard) -> tuple[int, ...]:
    """Return what each pin of a healthy amplifier reads at rest [counts]."""
    found = [round(guard.stages[v.stage].expected / guard.converter.amperes) for v in guard.bed.valves]
    return (*found, *([guard.supply.counts(guard.supply.expected)] if guard.supply else []))


def checksum(loop: Loop) -> int:
    """Return FNV-1a (32 bits; from memory) over the header's tables, field by field, as ``guard_checksum`` has it."""
    fields = [STATES.index(state) for row in NEXT for state in row]
    for c in loop.checks:
        fields += [
            SOURCES.index(c.source),
            c.signal,
            int(c.below),
            c.phases,
            EVENTS.index(c.event),
            c.counts,
            c.samples,
        ]
    found = 2166136261
    for field in fields:
        for byte in field.to_bytes(4, "little"):
            found = (found ^ byte) * 16777619 & 0xFFFFFFFF
    return found


def _level_words(level: Level) -> str:
    if level.source == "still":
        return "samples in a row with the same count"
    return f"{_amperes(level.current)} for {render(level.hold, 's', digits=3)}"


def _row(numbers: tuple[int, ...]) -> str:
    return ", ".join(map(str, numbers))


def _name(word: str) -> str:
    return f"GUARD_{word.upper()}"


def _word(text: str) -> str:
    return re.sub(r"\W", "_", text, flags=re.ASCII)


def plain(text: str) -> str:
    """Return text as it may stand in a C comment.

    A comment ends at a star and a slash, also where they come together as a backslash at the end of a line is spliced
    away, or where a trigraph is that backslash: so no control characters, no backslash and no question mark stay.
    """
    text = re.sub(r"[^ -~]", lambda sign: " " if sign[0].isspace() or sign[0] < " " else "_", text)
    return text.translate({ord("\\"): "_", ord("?"): "_"}).replace("*/", "* /").replace("/*", "/ *")


__all__ = ["checksum", "header", "pin", "plain", "rest_counts", "section", "to_dict", "unseen_words"]
