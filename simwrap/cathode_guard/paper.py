"""The guard on paper: as a dictionary for JSON, as a page of text, and as a C99 header."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from simwrap.cathode_guard.guard import PIN_CURRENT, Guard, Level
from simwrap.cathode_guard.loop import EVENTS, NEXT, STATES
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
            "smoothing_samples": 2**way.shift,
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
        "warming": way.warming,
        "healthy_builds": guard.builds,
        "pin": pin(guard),
        "states": {state: dict(zip(EVENTS, row, strict=True)) for state, row in zip(STATES, NEXT, strict=True)},
        "not_seen": [{"fault": fault, "share_of_rating": share} for fault, share in guard.unseen],
        "notes": list(guard.notes),
    }


def _level(level: Level) -> dict[str, Any]:
    return {
        "current": level.current,
        "sense_voltage": level.volts,
        "counts": level.counts,
        "met": "below" if level.below else "above",
        "hold": level.hold,
        "within": level.within,
        "event": level.event,
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


def page(guard: Guard) -> list[str]:
    """Return the guard as lines of text."""
    way = guard.converter
    lines = [
        f"Guard of {guard.title}: sense resistor {render(guard.bed.sense, 'ohm')} in each cathode lead, "
        f"{way.bits} bits of {render(way.reference, 'V')}, {render(way.amperes, 'A', digits=3)} a count",
        f"filter {render(way.resistance, 'ohm')}, {render(way.capacitance, 'F')}; {way.rate} samples a second, "
        f"smoothed over {2**way.shift}; only a short counts for {render(way.warming, 's')} after switching on",
    ]
    for name, stage in guard.stages.items():
        low, high = stage.window
        lines += [
            "",
            f"{name}: {_amperes(stage.expected)} expected at rest, {_amperes(low)} to {_amperes(high)} in "
            f"{guard.builds} builds, up to {_amperes(stage.loud)} at full power",
            f"{'level':16}{'current':>10}{'sense':>10}{'counts':>8}{'lasts':>9}{'within':>9}",
        ]
        lines += [
            f"{level.name:16}{_amperes(level.current):>10}{render(level.volts, 'V', digits=3):>10}{level.counts:>8}"
            f"{render(level.hold, 's', digits=3):>9}{render(level.within, 's', digits=3):>9}"
            for level in stage.levels
        ]
        alias = stage.swing * way.passed(way.rate)
        lines.append(f"a full-power sine at the sampling rate leaves {_amperes(alias)} that looks like a slow change")
    lines += ["", *_pin_words(guard)]
    if guard.unseen:
        lines += ["", "Overloads that no cathode current tells (a fuse or a look has to):"]
        lines += [f"  {fault}: {100.0 * share:.0f} % of a rating" for fault, share in guard.unseen]
    lines += [f"note: {note}" for note in guard.notes]
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
    names = [valve.name for valve in guard.bed.valves] + guard.pairs
    checks = [
        {
            "numbers": f"{c.signal}, {int(c.raw)}, {int(c.below)}, GUARD_{c.event.upper()}, {c.counts}, {c.samples}",
            "words": f"{names[c.signal]} {c.name}",
        }
        for c in loop.checks
    ]
    constants = [
        (f"{stage}_{level.name}", level.counts, f"{_amperes(level.current)} for {render(level.hold, 's', digits=3)}")
        for stage, made in guard.stages.items()
        for level in made.levels
    ]
    return environment.from_string(source).render(
        title=_plain(guard.title), rate=way.rate, valves=guard.bed.valves, halves=[_row(row) for row in loop.halves],
        checks=checks, bits=way.bits, millivolts=round(1e3 * way.reference), shift=way.shift, warming=loop.warming,
        warming_seconds=f"{way.warming:g}", constants=[(n, c, _plain(w)) for n, c, w in constants],
        states=", ".join(_name(state) for state in STATES), events=", ".join(_name(event) for event in EVENTS),
        next=[", ".join(_name(state) for state in row) for row in NEXT],
    )  # fmt: skip


def _row(numbers: tuple[int, ...]) -> str:
    return ", ".join(map(str, numbers))


def _name(word: str) -> str:
    return f"GUARD_{word.upper()}"


def _plain(text: str) -> str:
    """Return text as it may stand in a C comment."""
    return text.encode("ascii", "replace").decode().replace("*/", "* /").replace("/*", "/ *").replace("\n", " ")


__all__ = ["header", "page", "pin", "to_dict"]
