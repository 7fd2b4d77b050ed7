"""The one place that makes sentences of findings.

A sentence is a format string over a finding's fields, or a function of them where grammar needs more. ``{value}`` and
``{limit}`` stand with their unit, with as many digits as tell them apart; ``{who}`` is the subject with its type or
kind and a colon, "" for the whole; ``{when}`` is the state after a space; frequencies have their unit. Nothing reads a
sentence back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from simwrap.units.quantity import render

Fields = Mapping[str, Any]


def sentence(code: str, fields: Fields) -> str:
    """Return the sentence of a finding.

    Parameters
    ----------
    code : str
    fields : mapping
        Its fields and details by name.
    """
    made = SENTENCES[code]
    return made(fields) if callable(made) else made.format_map(_words(fields))


def _words(fields: Fields) -> dict[str, Any]:
    value, limit = _apart(fields["value"], fields["limit"], fields["unit"])
    state = fields["state"]
    hertz = {key: render(fields[key], "Hz") for key in ("frequency", "reference_frequency") if key in fields}
    return {
        **fields,
        **hertz,
        "value": value,
        "limit": limit,
        "who": _who(fields),
        "when": f" {state}" if state else "",
    }


def _who(fields: Fields) -> str:
    subject, kind, valve = fields["subject"], fields.get("kind", ""), fields.get("type", "")
    named = " ".join(filter(None, [kind, subject]))
    return f"{named} ({valve}): " if named and valve else f"{named or valve}: " if named or valve else ""


def _apart(value: float | None, limit: float | None, unit: str) -> tuple[str, str]:
    """Return value and limit with as few digits, three at least, as tell them apart; one alone has four."""
    texts = ("", "")
    for digits in range(4 if None in (value, limit) else 3, 8):
        texts = tuple("" if each is None else render(each, unit, digits=digits) for each in (value, limit))  # type: ignore[assignment]
        if texts[0] != texts[1]:
            break
    return texts


def _unstable(fields: Fields) -> str:
    """Say what grows, and where: ``loops`` names the feedback there is, None where it isn't known."""
    loops = fields.get("loops")
    return f"The circuit is unstable: it {growth(fields)}{'' if loops is None else f'; {grows_through(loops)}'}."


def growth(fields: Fields) -> str:
    """Return what an unstable circuit does, from the fields ``manner``, ``value`` [Hz] and ``leaves`` [s]."""
    leaves = "" if fields.get("leaves") is None else render(fields["leaves"], "s", digits=2)
    match fields["manner"]:
        case "oscillates":
            return f"oscillates at {render(fields['value'], 'Hz', digits=3)}"
        case "runs away":
            return f"runs away to one side and stays there, growing by a factor of 2.7 every {leaves}"
    return (
        f"flips over and back by itself, some {render(fields['value'], 'Hz', digits=1)} by order of magnitude, leaving "
        f"its rest by a factor of 2.7 every {leaves} (a relaxation oscillation: motorboating, and no sine)"
    )


def grows_through(loops: Sequence[str]) -> str:
    """Return a clause that says what may make a circuit unstable."""
    return "its feedback: " + ", ".join(loops) if loops else "without a feedback path, so through what stages share"


def _near(fields: Fields) -> str:
    words = _words(fields)
    how = "is at" if fields["value"] == fields["limit"] else "is within 10 % of"
    return "{who}{quantity} {value}{when} {how} its rating of {limit}.".format_map({**words, "how": how})


def _supply_off(fields: Fields) -> str:
    value, stated = fields["value"], fields["limit"]
    return (
        f"The supply gives {value:.4g} V at {1e3 * fields['current']:.3g} mA, {100.0 * (value / stated - 1.0):+.2g} % "
        f"from the {stated:.4g} V that the design states."
    )


SENTENCES: dict[str, str | Callable[[Fields], str]] = {
    "over_rating": "{who}{quantity} {value}{when} exceeds its rating of {limit}.",
    "at_rating": "{who}{quantity} {value}{when} is at its rating of {limit}.",
    "near_rating": _near,
    "below_least": "{who}{quantity} {value} is below the {limit} that it needs{when}.",
    "stabiliser_oscillates": "{who}{value} lie across it, more than the {limit} that its maker allows: charged to its "
    "striking voltage and discharged through it again and again, it may be a relaxation oscillator; take the capacitor "
    "away, or put it behind a resistor.",
    "half_loaded": "{who}{quantity} {value}{when} is more than half its rating of {limit}.",
    "measured_over_rating": "Switch off: {who}{quantity} {value}{when} exceeds its rating of {limit}.",
    "unstable": _unstable,
    "unstable_with_loads": lambda f: f"It is unstable with {', '.join(f['loads'])} at the output.",
    "lost_to_instability": lambda f: f"Nothing came of {', '.join(f['measures'])}: {f['reason']}.",
    "feedback_positive": "The feedback through {subject} is positive at 1 kHz: exchange the ends of the output "
    "transformer's secondary (secondary_phase in its stage), or lead it back in the other phase.",
    "conditionally_stable": "{subject}: conditionally stable: it is unstable too when the loop's gain falls by "
    "{value}, as it does while valves warm up, at overload and with age.",
    "open_loop_unstable": "{subject}: with this loop opened the circuit is unstable, so that its margins aren't those "
    "of a stable amplifier; don't open it at the bench.",
    "margins_small": lambda f: (
        f"{f['subject']}: margins {f['state']} of {_decibel(f['gain_margin_db'])} and {_degrees(f['phase_margin'])} "
        f"are small; common practice asks for {f['least_gain']:g} dB and {f['least_phase']:g} degrees."
    ),
    "supply_cannot_feed": "The supply can't feed the design: they agree on no voltage near {limit}.",
    "supply_not_computed": "The supply couldn't be computed: {reason}.",
    "supply_off_stated": _supply_off,
    "no_steady_supply": "{who}{value}{when} is more than the winding's peak of {limit}, so no steady state was found "
    "there: its figures are left out.",
    "never_discharged": "Nothing discharges {subject} when the supply is switched off: fit a bleeder.",
    "discharged_slowly": "Switched off, {subject} takes {value} to fall to 60 V by the bleeders.",
    "source_too_weak": "{subject}: {value} is {short_db:.2g} dB too little for the rated output at full volume.",
    "clips_before_rated": "{subject} clips before the rated output with {source}, by bias and gains.",
    "rated_output_not_reached": "The rated output isn't reached.",
    "distortion_over_stated": "At the rated output there is {value} distortion, more than the stated {limit}.",
    "hum_over_stated": "{quantity} lie {value} below the rated output, less than {limit} (common practice, no "
    "source); the largest cause is {cause}.",
    "grid_positive": "{who}its grid is positive{when}, {value} from the cathode: it draws current, and the signal "
    "has no room above it (common practice, no source).",
    "near_cut_off": "{who}{value}{when} is near cut-off: it is {share:.2g} % of what the valve draws there at zero "
    "bias; under {least:g} % the signal is cut on one side (common practice, no source).",
    "splitter_unequal": lambda f: (
        f"{f['subject']}: its sides give {' and '.join(f['levels'])}, {f['value']:.2g} dB apart, more than "
        f"{f['limit']:g} dB (common practice, no source)."
    ),
    "no_heater_apart": "{measure}: {subject} has no valve with a cathode apart from its heater, so there is nothing to "
    "measure.",
    "no_top_stands": "{measure}: no top stands at {value} that could be read; give another frequency.",
    "not_recovered": "{measure}: the {quantity} isn't surely back within the window of {limit}; give a longer one "
    "(option window).",
    "limited_without_signal": "{measure}: there is {quantity} without a signal.",
    "corner_not_told": lambda f: (
        f"{f['measure']}: the valve's file gives no capacitance of {' and '.join(f['valves'])}, so the upper corner "
        "isn't told."
    ),
    "noise_below_knee": "{measure}: {who}it is below its knee at rest, where no source says how its noise is smoothed: "
    "the figures are by the formulas that hold above it.",
    "noise_left_out": "{measure}: {who}its own noise isn't in the figures (a transistor's, a channel's, that of an "
    "avalanche or of gas); they are too low by it.",
    "hidden_by_coupling": "{measure}: the {quantity} at {reference_frequency} is mostly the coupling "
    "capacitor's; behind it are {value}, at {frequency}.",
    "no_power_bandwidth": "{measure}: there is no power bandwidth: half the rated power has more than the stated "
    "{limit} distortion at {frequency} already.",
    "power_bandwidth_not_found": "{measure}: the power bandwidth isn't found: {value} distortion at the set drive, "
    "more than the stated {limit}, and {reason}.",
    "measure_left_out": "{reason}; left out.",
    "nothing_came": lambda f: (
        (f"Nothing came of {', '.join(f['measures'])}" if f["measures"] else "Not everything could be simulated")
        + f": {f['reason']}."
    ),
    "not_computed": "{quantity} couldn't be computed: {reason}.",
}  # fmt: skip


def _decibel(value: float | None) -> str:
    return "no limit" if value is None or value == float("inf") else f"{value:.3g} dB"


def _degrees(value: float | None) -> str:
    return "no limit" if value is None or value == float("inf") else f"{value:.3g} degrees"
