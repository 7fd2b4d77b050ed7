"""Valve constants from published or measured rows."""

from __future__ import annotations

from simwrap.fitting.fit import FitResult, fit_section
from simwrap.fitting.report import fit_tables
from simwrap.fitting.write_file import fit_file

__all__ = ["FitResult", "fit_file", "fit_section", "fit_tables"]
