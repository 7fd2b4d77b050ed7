"""What a fit found, as tables of text: what `simwrap fit` prints."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite

from simwrap.fitting.fit import FitResult
from simwrap.report.model import Listing


def fit_tables(result: FitResult) -> list[Listing]:
    """Return what a fit found, as tables: every number beside the law, and how well each constant is determined.

    Parameters
    ----------
    result : FitResult
        Of :func:`simwrap.fitting.fit_file`.
    """
    residuals = [
        (
            r.number.label,
            r.number.quantity.replace("_", " "),
            f"{r.number.published:.4g}",
            f"{r.law:.4g}",
            f"{r.error:+.2f} points" if r.number.scale == "points" else f"{100 * r.error:+.1f} %",
            r.use,
        )
        for r in sorted(result.residuals, key=lambda r: -abs(r.error) / r.number.sigma)
        if isfinite(r.law)
    ]
    values = asdict(result.constants)
    constants = [
        (
            name.replace("_", " "),
            f"{float(values[name]):.4g}",
            "the prior" if name in result.undetermined else "the data",
            f"{left:.2f}",
        )
        for name, left in result.determined.items()
    ]
    head = ("constant", "value", "comes from", "width left, in prior widths")
    tables = [
        Listing(
            "numbers beside the model, the worst first",
            ("where", "quantity", "given", "model", "error", "use"),
            residuals,
        ),
        Listing("what the numbers determine", head, constants),
    ]
    if result.warnings:
        tables.append(Listing("warnings", ("warning",), [(warning,) for warning in result.warnings]))
    return tables
