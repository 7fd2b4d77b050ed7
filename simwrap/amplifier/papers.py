"""Papers for the bench open with what the audit found; what must not be built gets none unless it is asked for."""

from __future__ import annotations

from simwrap.amplifier.amplifier import Amplifier
from simwrap.errors import FindingsError

#: What a paper says on every page where it was made despite such findings.
DESPITE = "NOT TO BE BUILT AS IT IS: the audit found what is over a limit. This paper was asked for despite that."


def refuse(amplifier: Amplifier, paper: str, despite: bool) -> None:
    """Refuse a paper for what must not be built.

    Raises
    ------
    FindingsError
        With the gravest finding, and how many more there are.
    """
    found = amplifier.must_not_be_built
    if found and not despite:
        amplifier.save()  # the audit that follows has it
        raise FindingsError(amplifier.design.circuit.name, paper, [finding.text for finding in found])
