"""Papers for the bench open with what the audit found; what must not be built gets none unless it is asked for."""

from __future__ import annotations

from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.audit import audit
from simwrap.errors import FindingsError
from simwrap.findings.finding import Finding

#: What a paper says on every page where it was made despite such findings.
DESPITE = "NOT TO BE BUILT AS IT IS: the audit found what is over a limit. This paper was asked for despite that."


def findings(amplifier: Amplifier) -> tuple[Finding, ...]:
    """Return everything that an audit finds, the gravest first."""
    name = f"findings{' without large signals' if amplifier.quick else ''}"
    found: tuple[Finding, ...] = amplifier.keep(name, lambda: tuple(audit(amplifier).ordered()))
    return found


def forbidding(amplifier: Amplifier) -> list[Finding]:
    """Return the findings for which no papers are made unless they are asked for despite them."""
    return [finding for finding in findings(amplifier) if finding.must_not_be_built]


def refuse(amplifier: Amplifier, paper: str, despite: bool) -> None:
    """Refuse a paper for what must not be built.

    Raises
    ------
    FindingsError
        With the gravest finding, and how many more there are.
    """
    found = forbidding(amplifier)
    if found and not despite:
        amplifier.save()  # the audit that follows has it
        raise FindingsError(amplifier.design.circuit.name, paper, [finding.text for finding in found])
