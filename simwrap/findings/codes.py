"""The table of codes: what can be found, how grave it is, and whether it means "must not be built".

A new kind of finding is a line here and a sentence in :mod:`simwrap.findings.wording`; a test compares the two.
"""

from __future__ import annotations

from dataclasses import dataclass

from simwrap.findings.severity import Severity


@dataclass(frozen=True)
class Code:
    """A kind of finding.

    Attributes
    ----------
    severity : Severity
    meaning : str
        What it says, for a list.
    must_not_be_built : bool
        Whether papers for the bench are refused unless they are asked for despite it.
    """

    severity: Severity
    meaning: str
    must_not_be_built: bool = False


_DANGER, _OVER, _NEAR, _NOTE = Severity
_NEVER = True

CODES: dict[str, Code] = {
    # ratings of valves and parts
    "over_rating": Code(_OVER, "a value is beyond its rating", _NEVER),
    "at_rating": Code(_NEAR, "a value is at its rating, or beyond it by less than the model's own error"),
    "near_rating": Code(_NEAR, "a value is within 10 % of its rating"),
    "below_least": Code(_OVER, "a value is below the least that a valve or component needs", _NEVER),
    "stabiliser_oscillates": Code(
        _OVER, "a capacitor across a gas stabiliser makes a relaxation oscillator of it", _NEVER
    ),
    "half_loaded": Code(_NEAR, "a resistor bears more than half its rating (common practice, no source)"),
    "measured_over_rating": Code(_DANGER, "readings of a build pass a rating by their own numbers", _NEVER),
    # stability
    "unstable": Code(_OVER, "something grows by itself: the circuit oscillates or runs away", _NEVER),
    "unstable_with_loads": Code(_OVER, "it is unstable with other loads than its own", _NEVER),
    "lost_to_instability": Code(_OVER, "a measure has no meaning since the circuit is unstable", _NEVER),
    "feedback_positive": Code(_OVER, "a loop's feedback is positive in the middle of the band", _NEVER),
    "conditionally_stable": Code(_NEAR, "a loop is unstable with less gain too, as while valves warm up or age"),
    "open_loop_unstable": Code(_NEAR, "the circuit is unstable with a loop opened"),
    "margins_small": Code(_NEAR, "a loop's margins are smaller than common practice asks for"),
    # the supply
    "supply_cannot_feed": Code(_OVER, "supply and circuit agree on no voltage", _NEVER),
    "supply_not_computed": Code(_OVER, "the supply could not be computed", _NEVER),
    "supply_off_stated": Code(_NEAR, "the supply gives another voltage than the design states"),
    "no_steady_supply": Code(_NOTE, "a mean above the winding's peak: no steady state was found"),
    "never_discharged": Code(_DANGER, "nothing discharges a capacitor when the supply is switched off", _NEVER),
    "discharged_slowly": Code(_NOTE, "a capacitor takes long to fall to 60 V"),
    # what it does
    "source_too_weak": Code(_NOTE, "a source is too weak for the rated output at full volume"),
    "clips_before_rated": Code(_NOTE, "a valve clips before the rated output with a source"),
    "rated_output_not_reached": Code(_NOTE, "the rated output isn't reached"),
    "distortion_over_stated": Code(_NOTE, "at the rated output there is more distortion than the design states"),
    "hum_over_stated": Code(_NEAR, "noise and hum are above a stated level"),
    # faults of beginners at rest
    "grid_positive": Code(_NEAR, "a grid is positive at rest"),
    "near_cut_off": Code(_NEAR, "a valve is near cut-off at rest"),
    "splitter_unequal": Code(_NEAR, "the sides of a phase splitter differ much"),
    # measures that had to leave something out
    "no_heater_apart": Code(_NOTE, "no valve has a cathode apart from its heater"),
    "no_top_stands": Code(_NOTE, "no top of a square wave stands that could be read"),
    "not_recovered": Code(_NOTE, "a stage isn't surely back within the window that was looked at"),
    "limited_without_signal": Code(_NOTE, "a limit of the output is reached without a signal"),
    "corner_not_told": Code(_NOTE, "the upper corner isn't told, since a valve's capacitances aren't known"),
    "noise_below_knee": Code(_NOTE, "a valve is below its knee, where no source tells its noise"),
    "noise_left_out": Code(_NOTE, "the noise of a component isn't in the figures, since no law of it is known here"),
    "hidden_by_coupling": Code(_NOTE, "an output's impedance is mostly that of its coupling capacitor"),
    "no_power_bandwidth": Code(_NOTE, "half the rated power has more than the stated distortion at mid-band already"),
    "power_bandwidth_not_found": Code(_NOTE, "no rated power was found to look for a power bandwidth"),
    "measure_left_out": Code(_NOTE, "a measure has no meaning for the circuit"),
    "nothing_came": Code(_NOTE, "nothing came of a measure, or of a part of it"),
    "not_computed": Code(_NOTE, "a part of an audit could not be computed"),
}
