"""What an audit finds of an amplifier with other values: values that are proposed have to pass it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from simwrap.amplifier import parts, sections
from simwrap.amplifier.amplifier import Amplifier
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.engine import DEFAULT, Run
from simwrap.errors import SimwrapError
from simwrap.findings.finding import Finding, ordered

#: The sections that say what must hold; the others say what it does.
_SECTIONS = (sections.stability, sections.supply, sections.bias, parts.section)


@dataclass(frozen=True)
class AuditJudge:
    """A design with its channel as it stands, for :func:`simwrap.design.choose.choose`.

    Attributes
    ----------
    design : Design
    circuit : Circuit
    run : Run
    """

    design: Design
    circuit: Circuit
    run: Run = DEFAULT

    def findings_with(self, values: Mapping[str, float]) -> list[Finding]:
        """Return what an audit finds with other values, about stability, supply, ratings and what is fitted."""
        changed = replace(self.design, circuit=self.design.circuit.with_values(values))
        try:
            amplifier = Amplifier(changed, run=replace(self.run, progress=False), quick=True)
            return ordered(finding for section in _SECTIONS for finding in section(amplifier).findings)
        except SimwrapError as fault:  # a design that is being made has no audit yet
            return [Finding.of("not_computed", quantity="The audit", reason=str(fault))]


__all__ = ["AuditJudge"]
