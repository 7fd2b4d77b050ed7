"""The audit of an amplifier: what is over a rating, whether it stays stable, what it does, what hums.

Terms are those of IEC 60268-3 (from memory): rated source e.m.f., minimum source e.m.f., distortion-limited output
power, gain-limited effective frequency range, signal-to-noise ratio, damping factor.
"""

from __future__ import annotations

from typing import Any

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.page import Audit
from simwrap.amplifier.sections import SECTIONS

#: What no audit looks at.
NEVER = (
    "power and distortion at other frequencies than 1 kHz", "crosstalk but through the shared supply",
    "dissipation of both systems of one envelope together", "electrode voltages before the valves warm up",
    "ripple current of capacitors", "hum that the mains transformer induces", "tolerances of parts and valves",
)  # fmt: skip


def audit(given: Any, **how: Any) -> Audit:
    """Audit a design.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Returns
    -------
    Audit

    Raises
    ------
    InputError
        If the design names a part that it doesn't have, or states a rated power without a load.
    EngineError
        If there is no operating point.
    """
    amplifier = as_amplifier(given, **how)
    made = [section(amplifier) for section in SECTIONS]
    return Audit(
        amplifier.design.circuit.name,
        findings=[finding for section in made for finding in section.findings],
        sections=[section for section in made if section.shown],
        not_checked=[*(words for section in made for words in section.not_checked), *NEVER],
        provenance=amplifier.stability.provenance,
    )
