"""What is expected of constants before any data: centres, widths and bounds, by family of valve.

A constant is fitted on the scale named: "log", "logit" (between 0 and 1), "plain". Widths are on
that scale. Families differ only where their physics does: beam tetrodes have a harder knee, a
power valve's anode reaches the cathode more, a filament has a voltage along it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.errors import UnknownNameError
from simwrap.valves import laws


@dataclass(frozen=True)
class Prior:
    """One fitted constant: scale, centre and width of the prior (width None: none), bounds."""

    name: str
    scale: str
    centre: float
    width: float | None
    low: float
    high: float

    def forward(self, value: float) -> float:
        """Return ``value`` on the fitted scale."""
        if self.scale == "log":
            return float(np.log(value))
        if self.scale == "logit":
            return float(np.log(value / (1.0 - value)))
        return float(value)

    def back(self, fitted: Any) -> Any:
        """Return the constant from the fitted scale."""
        if self.scale == "log":
            return np.exp(fitted)
        if self.scale == "logit":
            return 1.0 / (1.0 + np.exp(-fitted))
        return fitted


#: Grid current, from the types with curves at positive grid voltages (12AU7, 12AT7): as a diode, grid and cathode pass
#: four fifths of what the whole valve would with the same drive; how much of it the grid keeps differs by type.
GRID = (
    Prior("grid_perveance", "log", 0.8, 0.1, 0.2, 2.0),
    Prior("grid_share", "logit", 0.24, 0.8, 0.02, 0.98),
    Prior("grid_onset", "plain", -0.5, 0.12, -3.0, 1.0),  # the grid voltage there; the law's constant follows
)


def _common(contact: float = 0.5, mu_bounds: tuple[float, float] = (2.0, 200.0)) -> list[Prior]:
    # width_slope is fitted as width_slope * mu, the grid's perveance relative to the cathode's, which has no prior.
    return [
        Prior("perveance", "log", 1.5e-3, None, 1e-5, 0.1),
        Prior("mu", "log", 20.0, None, *mu_bounds),
        Prior("exponent", "plain", 1.45, 0.08, 1.2, 1.6),
        Prior("tail_share", "logit", 0.1545, 1.2, 0.001, 0.9),
        Prior("tail_drop", "log", 0.6, 0.4, 0.1, 3.0),
        Prior("width", "log", 0.22, 0.5, 0.05, 1.0),
        Prior("width_slope", "log", 0.15, 0.5, 0.03, 1.5),
        Prior("contact", "plain", contact, 0.25, 0.0, 1.0),
        *GRID,
    ]


def _pentode(
    reach: float,
    slope: tuple[float, float],
    above: tuple[float, float],
    knee: float,
    width: float,
    drive: float,
) -> list[Prior]:
    priors = _common()
    priors[5] = Prior("width", "log", width, 0.5, 0.03, 1.0)
    priors[7] = Prior("contact", "plain", 0.2, 0.3, -0.5, 1.2)
    # What a triode's grid keeps beside an anode at 250 V: of pentodes no curve is known.
    priors = [Prior("grid_share", "logit", 0.3, 0.8, 0.02, 0.98) if p.name == "grid_share" else p for p in priors]
    return [
        *priors,
        Prior("anode_reach", "log", reach, 0.7, 0.001, 0.06),
        Prior("division", "log", 5.0, None, 0.5, 200.0),
        Prior("division_slope", "log", *slope, 0.03, 1.0),
        Prior("division_slope_above", "log", *above, 0.01, 2.0),
        Prior("division_drive", "plain", drive, 0.35, -1.0, 1.0),
        Prior("knee_sharpness", "log", 2.3, 0.7, 0.6, 8.0),  # of knee_sharpness - 1
        Prior("knee_perveance", "log", knee, 0.4, 2.0, 60.0),  # relative to _zero_bias_perveance
        Prior("turned_back", "logit", 0.3, 1.0, 0.01, 0.95),
    ]


def _filament() -> list[Prior]:
    priors = [prior for prior in _common(1.0) if prior.name != "width_slope"]
    # The voltage along the filament spreads the cut-off over about as many volts.
    priors[5] = Prior("width", "log", 3.5, 0.25, 0.5, 8.0)
    priors[4] = Prior("tail_drop", "log", 0.17, 0.2, 0.05, 3.0)
    priors[6] = Prior("contact", "plain", 1.0, 0.4, 0.0, 2.0)
    return priors


#: Family -> (kind, fitted constants, constants that are set).
FAMILIES: dict[str, tuple[str, list[Prior], dict[str, float]]] = {
    "triode": ("triode", [*_common(), Prior("knee", "log", 20.0, 0.15, 5.0, 40.0)], {}),
    "directly heated": ("triode", _filament(), {"knee": 8.0, "width_slope": 0.0}),
    "small pentode": ("pentode", _pentode(0.004, (0.15, 0.5), (0.05, 0.5), 9.0, 0.22, 0.0), {}),
    "power pentode": ("pentode", _pentode(0.04, (0.3, 0.5), (0.3, 0.5), 9.0, 0.4, 0.2), {}),
    "beam": ("pentode", _pentode(0.04, (0.35, 0.5), (1.0, 0.4), 16.5, 0.4, 0.2), {}),
    "rectifier": (
        "rectifier",
        [Prior("perveance", "log", 1e-3, None, 1e-6, 1.0)],
        {"exponent": 1.5, "onset": 0.0, "width": 0.3},
    ),
    "silicon": (
        "rectifier",
        [
            Prior("perveance", "log", 10.0, 1.0, 0.1, 1000.0),
            Prior("onset", "plain", -0.75, 0.1, -1.2, -0.3),
            Prior("width", "log", 0.05, 0.3, 0.02, 0.2),
        ],
        {"exponent": 1.0},
    ),
}

DEFAULT_FAMILY = {"triode": "triode", "pentode": "small pentode", "rectifier": "rectifier"}


def family(name: str, kind: str, overrides: dict[str, Any]) -> tuple[list[Prior], dict[str, float]]:
    """Return the priors and set constants of a family.

    Parameters
    ----------
    name, kind : str
        Family (may be empty for the default one) and kind of section.
    overrides : dict
        Constant -> [centre, width], as in a file's ``fit.priors``.
    """
    name = name or DEFAULT_FAMILY[kind]
    known = [each for each, (of_kind, _, _) in FAMILIES.items() if of_kind == kind]
    if name not in known:
        raise UnknownNameError(f"family of {kind}s", name, known)
    _, priors, fixed = FAMILIES[name]
    out = []
    for prior in priors:
        if prior.name in overrides:
            centre, width = overrides[prior.name]
            prior = Prior(prior.name, prior.scale, centre, width, prior.low, prior.high)
        out.append(prior)
    return out, dict(fixed)


def _zero_bias_perveance(c: Mapping[str, Any]) -> Any:
    """Return the space current of both sections for 1 V at the screen and 0 V at the grid [A/V^exponent]."""
    tail = c["tail_share"] * (1.0 + c["tail_drop"]) ** c["exponent"]
    return c["perveance"] * c["mu"] ** -c["exponent"] * (1.0 - c["tail_share"] + tail)


def _onset_swapped(kind: str, c: Mapping[str, Any]) -> Any:
    """Return the law's ``grid_onset`` for the grid voltage of the onset under that name, or the other way round."""
    return laws.grid_onset_sum(kind, c["grid_perveance"], c["grid_share"]) - c["grid_onset"]


def constants_from(kind: str, priors: list[Prior], fixed: dict[str, float], x: Any) -> Any:
    """Return constants of a law from fitted numbers ``x`` (last axis: the priors)."""
    values: dict[str, Any] = dict(fixed)
    for position, prior in enumerate(priors):
        values[prior.name] = prior.back(np.asarray(x)[..., position])
    if kind != "rectifier":
        if "width_slope" in values:
            values["width_slope"] = values["width_slope"] / values["mu"]
        values["grid_perveance"] = values["grid_perveance"] * values["perveance"]
        values["grid_onset"] = _onset_swapped(kind, values)
    if kind == "pentode":
        values["knee_sharpness"] = 1.0 + values["knee_sharpness"]
        values["knee_perveance"] = values["knee_perveance"] * _zero_bias_perveance(values)
    return laws.LAWS[kind][0](**values)


def fitted_numbers(kind: str, priors: list[Prior], constants: Mapping[str, float]) -> Any:
    """Return the fitted numbers that give ``constants``: the inverse of :func:`constants_from`."""
    values = dict(constants)
    if kind != "rectifier":
        values["width_slope"] *= values["mu"]
        values["grid_onset"] = _onset_swapped(kind, values)
        values["grid_perveance"] /= values["perveance"]
    if kind == "pentode":
        values["knee_sharpness"] -= 1.0
        values["knee_perveance"] /= _zero_bias_perveance(values)
    return np.array([prior.forward(values[prior.name]) for prior in priors])
