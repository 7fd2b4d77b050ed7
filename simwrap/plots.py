"""Pictures of what was measured, in one plain style with units on every axis.

:func:`plot` draws one measure of a :class:`~simwrap.measurement.Measurement`, or the curves of
a sweep's Dataset; :func:`draw` does it from a bare :class:`~simwrap.measures.requests.Result`;
:func:`plot_sweep` draws single numbers of a sweep against what was swept.

Figures are made without pyplot, so that nothing is kept open and no window appears; a
notebook shows a figure that a cell ends with.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, NullFormatter, ScalarFormatter
from numpy.typing import NDArray

from simwrap import quantity
from simwrap.errors import InputError, UnknownNameError
from simwrap.measures.requests import Result
from simwrap.registry import find

if TYPE_CHECKING:
    import xarray

#: Colours that colour-blind people tell apart (Okabe and Ito, 2008); line styles change with them.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
DASHES = ("-", "--", "-.", ":")
_FAINT = "#8a8a8a"
#: More lines than this can't be told apart: the others are left out, and the title says so.
MOST_LINES = 11
_STYLE = {
    "figure.dpi": 110,
    "savefig.dpi": 150,
    "figure.constrained_layout.use": True,
    "font.size": 10,
    "axes.titlesize": 11,
    "axes.grid": True,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "lines.linewidth": 1.8,
    "legend.fontsize": 9,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": "none",
    "svg.hashsalt": "simwrap",
}
#: Signs of units on an axis, where they differ from the unit's name.
_SIGNS = {"ohm": "Ω", "degree": "°", "V/rtHz": "V/√Hz"}


class Picture(Figure):  # type: ignore[misc]
    """A figure that a notebook shows."""

    def _repr_png_(self) -> bytes:
        from io import BytesIO

        buffer = BytesIO()
        self.savefig(buffer, format="png")
        return buffer.getvalue()


@dataclass(frozen=True)
class Reader:
    """Arrays of one measure, wherever they come from: first axis the point.

    Attributes
    ----------
    name : str
        The measure.
    arrays : mapping of str to ndarray
        By key.
    units : mapping of str to str
    labels : list of str
        What tells the points apart; [""] for a single one.
    conditions : mapping of str to tuple
        Value and unit.
    stages : Stage, or None
        The stage, where it is known.
    """

    name: str
    arrays: Mapping[str, NDArray[Any]]
    units: Mapping[str, str]
    labels: list[str]
    conditions: Mapping[str, tuple[Any, str]]
    stage: Any = None

    def __getitem__(self, key: str) -> NDArray[Any]:
        return self.arrays[key]

    def __contains__(self, key: str) -> bool:
        return key in self.arrays

    def keys(self, start: str, end: str = "") -> list[str]:
        """Return the keys that start and end so."""
        return [key for key in self.arrays if key.startswith(start) and key.endswith(end)]

    def stated(self, name: str) -> str:
        """Return a condition with its unit, "" where it isn't stated."""
        value, unit = self.conditions.get(name, ("", ""))
        return quantity.render(float(value), unit) if isinstance(value, int | float) else str(value)


def _read_result(name: str, result: Result, stage: Any) -> Reader:
    arrays = {key: np.asarray(variable.values) for key, variable in result.variables.items()}
    units = {key: variable.unit for key, variable in result.variables.items()}
    points = len(next(iter(arrays.values())))
    for key, variable in result.coords.items():
        arrays.setdefault(key, np.asarray(variable.values))
        units.setdefault(key, variable.unit)
    labels = [""] if points == 1 else [f"point {k + 1}" for k in range(points)]
    return Reader(name, arrays, units, labels, result.conditions, stage)


def _flat(values: Mapping[str, Any], start: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{start}{key}.")
        else:
            flat[f"{start}{key}"] = value
    return flat


#: Axes that belong to no point, as they are named in every measure.
_AXES = ("frequency", "time", "harmonic", "level")


def _is_axis(key: str) -> bool:
    return key in _AXES or key.endswith(("_setting", "bass_frequency", "treble_frequency"))


def _read_dict(name: str, values: Mapping[str, Any], stage: Any) -> Reader:
    """Read the nested plain values of one measure (one point, as JSON has them)."""
    arrays: dict[str, NDArray[Any]] = {}
    for key, value in _flat(values).items():
        array = np.asarray(value)
        if array.dtype == object:  # None stands for NaN
            array = array.astype(float)
        arrays[key] = array if _is_axis(key) else array[None]
    return Reader(name, arrays, {}, [""], {}, stage)


def _read_dataset(name: str, data: xarray.Dataset, keys: Sequence[str]) -> Reader:
    """Read one measure's curves from a sweep; its points are the combinations of what was swept."""
    from simwrap.sweeping import point_dims

    dims = point_dims(data)
    arrays: dict[str, NDArray[Any]] = {}
    units: dict[str, str] = {}
    for key in keys:
        for dataset_key in (key.replace(".", "_"), f"{name}_{key}".replace(".", "_")):
            if dataset_key in data.variables:
                found = data[dataset_key]
                own = [dim for dim in found.dims if dim not in dims]
                if any(dim in dims for dim in found.dims):
                    lined = found.transpose(*dims, *own).values
                    arrays[key] = lined.reshape(-1, *lined.shape[len(dims) :])
                else:
                    arrays[key] = found.values
                units[key] = str(found.attrs.get("units", ""))
                break
    if not any(key in arrays for key in keys if not _is_axis(key)):
        raise InputError(f"plot: the data hold no curves of {name}; sweep with that measure and curves=True")
    return Reader(name, arrays, units, _labels(data, dims), {})


def _labels(data: xarray.Dataset, dims: list[str]) -> list[str]:
    """Return one label a point, such as "cathode resistor 1.5 kΩ"."""
    import itertools

    names = [name for name in data.coords if set(data[name].dims) <= set(dims) and data[name].dims]
    labels = []
    for place in itertools.product(*(range(data.sizes[dim]) for dim in dims)):
        where = dict(zip(dims, place, strict=True))
        parts = []
        for name in names:
            value = data[name].isel({d: where[d] for d in data[name].dims}).item()
            parts.append(f"{str(name).replace('_', ' ')} {_shown(value, str(data[name].attrs.get('units', '')))}")
        labels.append(", ".join(parts))
    return labels


def _shown(value: Any, unit: str) -> str:
    return quantity.render(value, unit, digits=3) if isinstance(value, int | float) else str(value)


def _figure(width: float, height: float) -> Picture:
    return Picture(figsize=(width, height), layout="constrained")


def _label(words: str, unit: str) -> str:
    sign = _SIGNS.get(unit, unit)
    return f"{words} [{sign}]" if sign else words


def _frequency_axis(axes: Axes, frequency: NDArray[Any]) -> None:
    axes.set_xscale("log")
    axes.set_xlim(frequency[0], frequency[-1])
    axes.set_xlabel(_label("frequency", "Hz"))
    axes.xaxis.set_major_formatter(EngFormatter(sep=""))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="minor", axis="x", linewidth=0.35)


def _log(axes: Axes, which: str) -> None:
    """Make an axis logarithmic, with numbers as a builder writes them."""
    (axes.set_xscale if which == "x" else axes.set_yscale)("log")
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_formatter(EngFormatter(sep=""))
    axis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="minor", axis=which, linewidth=0.35)


def _decades(axes: Axes, values: NDArray[Any]) -> None:
    """Keep a logarithmic axis that holds less than a decade from having no number at all."""
    finite = values[np.isfinite(values) & (values > 0)]
    if finite.size and finite.max() / finite.min() < 10:
        axes.yaxis.set_minor_formatter(EngFormatter(sep=""))


def _line(number: int) -> dict[str, Any]:
    return {"color": COLOURS[number % len(COLOURS)], "linestyle": DASHES[(number // len(COLOURS)) % len(DASHES)]}


def _kind(number: int) -> dict[str, Any]:
    """Return colour and dash that both change: for a handful of lines."""
    return {"color": COLOURS[number % len(COLOURS)], "linestyle": DASHES[number % len(DASHES)]}


def _shades(count: int) -> list[Any]:
    """Return colours from dark to light, for a family in order."""
    return list(matplotlib.colormaps["viridis"](np.linspace(0.0, 0.88, count)))


def _legend(axes: Axes, **options: Any) -> None:
    if axes.get_legend_handles_labels()[1]:
        axes.legend(**options)


def _points(reader: Reader) -> list[tuple[int, str, dict[str, Any]]]:
    """Return index, label and style of the points that are drawn."""
    count = len(reader.labels)
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_LINES)).round().astype(int))
    if count <= len(COLOURS):
        return [(int(k), reader.labels[k], _line(int(k))) for k in chosen]
    shades = _shades(len(chosen))
    return [(int(k), reader.labels[k], {"color": shades[n]}) for n, k in enumerate(chosen)]


def _title(figure: Figure, reader: Reader, words: str) -> None:
    count = len(reader.labels)
    left_out = f" ({MOST_LINES} of {count} points)" if count > MOST_LINES else ""
    name = f"{reader.stage.name.replace('_', ' ')}: " if reader.stage is not None else ""
    figure.suptitle(f"{name}{words}{left_out}", fontsize=11)


def _response(reader: Reader) -> Figure:
    figure = _figure(7.5, 5.2)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    frequency = reader["frequency"]
    for point, label, style in _points(reader):
        upper.plot(frequency, reader["curve_db"][point], label=label, **style)
        lower.plot(frequency, reader["phase_deg"][point], **style)
        if len(reader.labels) == 1 and "gain_db" in reader:
            _corner_marks(upper, reader, point)
    upper.set_ylabel(_label("gain", "dB"))
    lower.set_ylabel(_label("phase", "degree"))
    _frequency_axis(lower, frequency)
    _frequency_axis(upper, frequency)
    upper.set_xlabel("")
    _legend(upper, loc="best")
    _title(figure, reader, "response")
    return figure


def _corner_marks(axes: Axes, reader: Reader, point: int) -> None:
    level = float(reader["gain_db"][point]) - 3.01
    for key in ("low_corner", "high_corner"):
        corner = float(reader[key][point])
        if np.isfinite(corner):
            words = f"-3 dB at {quantity.render(corner, 'Hz', digits=3)}"
            axes.plot([corner], [level], "o", color=COLOURS[1], markersize=6)
            axes.annotate(
                words,
                (corner, level),
                xytext=(8 if key == "low_corner" else -8, -14),
                textcoords="offset points",
                ha="left" if key == "low_corner" else "right",
                fontsize=9,
            )


def _tone_curves(reader: Reader) -> Figure:
    names = [name for name in ("bass", "treble") if f"{name}_curves_db" in reader]
    figure = _figure(5.0 * len(names) + 0.5, 4.6)
    panels = figure.subplots(1, len(names), sharey=True, squeeze=False)[0]
    frequency = reader["frequency"]
    for axes, name in zip(panels, names, strict=True):
        settings = reader[f"{name}_setting"]
        shades = _shades(len(settings))
        for k, setting in enumerate(settings):
            # Name the ends and the middle; the shades in between speak for themselves.
            named = k in (0, len(settings) // 2, len(settings) - 1)
            label = f"{name} at {setting:g}" if named else None
            axes.plot(frequency, reader[f"{name}_curves_db"][0, k], color=shades[k], label=label)
        axes.plot(frequency, reader["curve_db"][0], color="black", linestyle="--", linewidth=1.2, label="as set")
        axes.set_title(f"{name} control")
        _frequency_axis(axes, frequency)
        _legend(axes, loc="lower center")
    panels[0].set_ylabel(_label("gain", "dB"))
    _title(figure, reader, "tone curves")
    return figure


def _headroom(reader: Reader) -> Figure:
    figure = _figure(9.5, 4.6)
    left, right = figure.subplots(1, 2)
    single = len(reader.labels) == 1
    for point, label, style in _points(reader):
        out, thd = reader["level_out"][point], reader["thd"][point]
        left.plot(out, thd, label=label or "total", **style)
        right.plot(reader["level_in"][point], out, label=label, **style)
    if single and "harmonics" in reader:
        for k, order in enumerate((2, 3, 4, 5)):
            left.plot(
                reader["level_out"][0],
                reader["harmonics"][0, :, k],
                linewidth=1.1,
                label=f"harmonic {order}",
                **_kind(k + 1),
            )
    for percent in (1, 3):
        left.axhline(percent, color=_FAINT, linewidth=1.0, linestyle=":")
        left.annotate(f"{percent} %", (0.01, percent), xycoords=("axes fraction", "data"), fontsize=9, va="bottom")
    if single and np.isfinite(float(reader["clipping_output_rms"][0])):
        limit, volts = str(reader["first_limit"][0]), float(reader["clipping_output_rms"][0])
        left.axvline(volts, color=_FAINT, linewidth=1.2, linestyle="--", label=f"first limit: {limit}")
        right.plot(
            [float(reader["clipping_input_rms"][0])], [volts], "o", color=COLOURS[1], label=f"first limit: {limit}"
        )
    for axes in (left, right):
        _log(axes, "x")
        _log(axes, "y")
    largest = float(np.nanmax(reader["thd"])) if np.isfinite(reader["thd"]).any() else 0.0
    left.set_ylim(1e-3, max(100.0, largest))
    left.set_xlabel(_label("output, r.m.s.", "V"))
    left.set_ylabel(_label("distortion", "%"))
    right.set_xlabel(_label("input, r.m.s.", "V"))
    right.set_ylabel(_label("output, r.m.s.", "V"))
    _legend(left, loc="upper left")
    _legend(right, loc="upper left")
    frequency = reader.stated("frequency")
    _title(figure, reader, f"level and distortion{f' at {frequency}' if frequency else ''}")
    return figure


def _distortion(reader: Reader) -> Figure:
    figure = _figure(7.0, 4.2)
    axes = figure.subplots()
    orders = np.asarray(reader["harmonic"], dtype=float)
    points = _points(reader)
    width = 0.8 / len(points)
    floor = -140.0
    for number, (point, label, _) in enumerate(points):
        level = np.maximum(reader["harmonics_db"][point], floor)
        place = orders + (number - (len(points) - 1) / 2) * width
        axes.bar(place, level - floor, width=width, bottom=floor, color=COLOURS[number % len(COLOURS)], label=label)
    axes.set_xticks(orders)
    axes.grid(False, axis="x")
    axes.set_ylim(floor, 0)
    axes.set_xlabel("harmonic")
    axes.set_ylabel(_label("level relative to the fundamental", "dB"))
    _legend(axes)
    thd = f", total {float(reader['thd'][0]):.3g} %" if len(reader.labels) == 1 else ""
    level = reader.stated("level")
    _title(figure, reader, f"harmonics{f' at {level} input' if level else ''}{thd}")
    return figure


def _power(reader: Reader) -> Figure:
    if "drive_in" not in reader:
        raise InputError("plot: power was measured without its curve; measure it with levels above 0")
    figure = _figure(7.5, 7.0)
    top, middle, bottom = figure.subplots(3, 1, sharex=True)
    single = len(reader.labels) == 1
    for point, label, style in _points(reader):
        drive = reader["drive_in"][point]
        top.plot(drive, reader["power_curve"][point], label=label, **style)
        middle.plot(drive, reader["thd_curve"][point], **style)
        if not single:
            bottom.plot(drive, 1e3 * reader["anode_current_curve"][point], **style)
    if single:
        drive = reader["drive_in"][0]
        for number, electrode in enumerate(("anode", "screen")):
            current = 1e3 * reader[f"{electrode}_current_curve"][0]
            if np.nanmax(np.abs(current)) > 0:
                bottom.plot(drive, current, label=f"{electrode}s, average", **_kind(number))
        for mark, words in (("clipping", "onset of clipping"), ("class_a", "end of class A")):
            place = float(reader[f"{mark}.drive"][0])
            if np.isfinite(place):
                number = 1 if mark == "clipping" else 2
                top.plot([place], [float(reader[f"{mark}.output_power"][0])], "o", color=COLOURS[number], label=words)
        top.axvline(float(reader["drive"][0]), color=_FAINT, linestyle="--", linewidth=1.2, label="set drive")
    top.set_ylabel(_label("output power", "W"))
    middle.set_ylabel(_label("distortion", "%"))
    bottom.set_ylabel(_label("current", "mA") if single else _label("anode current", "mA"))
    bottom.set_xlabel(_label("drive at each grid, r.m.s.", "V"))
    for axes in (top, bottom):
        axes.set_ylim(bottom=0)
        _legend(axes, loc="best")
    _log(middle, "y")
    _decades(middle, reader["thd_curve"])
    _title(figure, reader, f"power into {reader.stated('load')}" if reader.conditions else "power")
    return figure


def _balance(reader: Reader) -> Figure:
    figure = _figure(7.5, 5.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    for point, label, style in _points(reader):
        upper.plot(reader["frequency"], reader["ratio_curve_db"][point], label=label, **style)
        lower.plot(reader["frequency"], reader["phase_error_curve_deg"][point], **style)
    upper.set_ylabel(_label("output over output b", "dB"))
    lower.set_ylabel(_label("from opposite phase", "degree"))
    for axes in (upper, lower):
        _frequency_axis(axes, reader["frequency"])
        axes.axhline(0.0, color=_FAINT, linewidth=1.0)
    upper.set_xlabel("")
    _legend(upper)
    _title(figure, reader, "balance of the two outputs")
    return figure


def _log_curves(
    reader: Reader, curves: Sequence[tuple[str, str]], ordinate: str, words: str, *, logarithmic: bool = True
) -> Figure:
    """Draw several curves of one quantity over frequency; colours are curves, or points if there are several."""
    figure = _figure(7.5, 4.4)
    axes = figure.subplots()
    single = len(reader.labels) == 1
    for point, label, style in _points(reader):
        for number, (key, name) in enumerate(curves):
            look = _kind(number) if single else {**style, "linestyle": DASHES[number % len(DASHES)]}
            axes.plot(reader["frequency"], reader[key][point], label=", ".join(filter(None, (name, label))), **look)
    _frequency_axis(axes, reader["frequency"])
    if logarithmic:
        _log(axes, "y")
        _decades(axes, np.concatenate([np.ravel(reader[key]) for key, _ in curves]))
    axes.set_ylabel(ordinate)
    _legend(axes)
    _title(figure, reader, words)
    return figure


def _impedance(reader: Reader) -> Figure:
    curves = [(f"{name}_curve", name) for name in ("input", "output") if np.isfinite(reader[f"{name}_curve"]).any()]
    return _log_curves(reader, curves, _label("impedance", "ohm"), "impedance")


def _noise(reader: Reader) -> Figure:
    curves = [("output_density", "output"), ("input_density", "referred to the input")]
    corner = reader.stated("flicker_corner")
    words = f"noise, with flicker from a corner of {corner}" if corner else "noise"
    return _log_curves(reader, curves, _label("noise density", "V/rtHz"), words)


def _rejection(reader: Reader) -> Figure:
    keys = reader.keys("supplies", "curve_db")
    curves = [
        (key, key.removeprefix("supplies").removesuffix("curve_db").strip("._").replace("_", " ")) for key in keys
    ]
    ordinate = _label("output for 1 V of ripple", "dB")
    return _log_curves(reader, curves, ordinate, "from the supplies to the output", logarithmic=False)


def _wave(reader: Reader, words: str, scale: float, unit: str) -> Figure:
    figure = _figure(7.5, 4.0)
    axes = figure.subplots()
    for point, label, style in _points(reader):
        axes.plot(reader["time"] * scale, reader["output_wave"][point], label=label, **{**style, "linewidth": 1.3})
    axes.set_xlabel(_label("time", unit))
    axes.set_ylabel(_label("output", "V"))
    axes.set_xlim(float(reader["time"][0]) * scale, float(reader["time"][-1]) * scale)
    _legend(axes)
    _title(figure, reader, words)
    return figure


def _recovery(reader: Reader) -> Figure:
    return _wave(reader, "a burst of overload, and after", 1e3, "ms")


def _square_wave(reader: Reader) -> Figure:
    return _wave(reader, "answer to a square wave", 1e3, "ms")


def _bias(reader: Reader) -> Figure:
    """Draw every valve's anode curves with its operating point, and load lines where they are resistors."""
    valves = {} if reader.stage is None else dict(reader.stage.valves)
    valves = {name: use for name, use in valves.items() if f"valves.{name}.grid_voltage" in reader}
    if not valves:
        raise InputError("plot: bias has a picture only for a stage with valves")
    figure = _figure(max(5.2 * len(valves), 6.5), 4.8)
    panels = figure.subplots(1, len(valves), squeeze=False)[0]
    for axes, (instance, use) in zip(panels, valves.items(), strict=True):
        _anode_curves(axes, reader, instance, use.valve)
    _title(figure, reader, "operating point")
    return figure


def _anode_curves(axes: Axes, reader: Reader, instance: str, valve: Any) -> None:
    def at(quantity_name: str) -> float:
        return float(reader[f"valves.{instance}.{quantity_name}"][0])

    volts, amps, grid = at("anode_voltage"), at("anode_current"), at("grid_voltage")
    screen = at("screen_voltage") if f"valves.{instance}.screen_voltage" in reader else None
    lines = _load_lines(reader.stage, instance, volts, amps)
    ends = [volts * 2.0, *(1.08 * (volts + amps * r) for name, r in lines if name.startswith("d.c."))]
    span = np.linspace(0.0, max(ends), 241)
    top = 1e3 * max([amps * 2.2, *(amps + volts / r for name, r in lines if name.startswith("d.c."))]) * 1.1
    for voltage in _grid_steps(grid):
        current = valve.currents(
            span, np.full_like(span, voltage), None if screen is None else np.full_like(span, screen)
        )
        anode = 1e3 * np.asarray(current.anode)
        axes.plot(span, anode, color=COLOURS[0], linewidth=1.2)
        inside = np.flatnonzero(anode <= top)
        if inside.size:
            end = inside[-1]
            axes.annotate(
                f"{voltage:g} V", (span[end], anode[end]), fontsize=8, color=COLOURS[0], ha="right", va="bottom"
            )
    for number, (name, resistance) in enumerate(lines):
        axes.plot(span, 1e3 * (amps + (volts - span) / resistance), label=name, **_kind(number + 1))
    rating = getattr(valve.ratings, "anode_dissipation_max", None)
    if rating:
        away = span[span > 0]
        words = f"{rating:g} W, rated dissipation"
        axes.plot(away, 1e3 * rating / away, color=_FAINT, linestyle=":", label=words)
    words = f"{volts:.0f} V, {quantity.render(amps, 'A', digits=3)}, grid {grid:.2f} V"
    axes.plot([volts], [1e3 * amps], "o", color="black", markersize=7, label=words, zorder=5)
    axes.set_xlim(0, span[-1])
    axes.set_ylim(0, top if np.isfinite(top) and top > 0 else 1.0)
    axes.set_xlabel(_label("anode to cathode", "V"))
    axes.set_ylabel(_label("anode current", "mA"))
    fixed = "" if screen is None else f", screen at {screen:.0f} V"
    axes.set_title(f"{instance}: {valve.name}{fixed}")
    _legend(axes, loc="upper right")


def _grid_steps(grid: float) -> NDArray[Any]:
    """Return round grid voltages from 0 to about three times the bias."""
    most = max(3.0 * abs(grid), 1.0)
    raw = most / 8.0
    unit = 10.0 ** np.floor(np.log10(raw))
    step = unit * min((m for m in (1, 2, 5, 10) if m * unit >= raw), default=10)
    return -step * np.arange(int(most / step) + 1)


def _load_lines(stage: Any, instance: str, volts: float, amps: float) -> list[tuple[str, float]]:
    """Return names and resistances [ohm] of the load lines of a valve with an anode resistor."""
    del volts, amps
    values = stage.values
    spellings = {"v1": ("anode_resistor",), "v2": ("anode_resistor_b", "second_anode_resistor")}
    name = next((n for n in spellings.get(instance, ()) if isinstance(values.get(n), float) and values[n] > 0), None)
    if name is None:
        load = values.get("anode_load")
        return [(f"load, {quantity.render(load, 'ohm', digits=3)}", load)] if isinstance(load, float) else []
    anode = values[name]
    below = 0.0
    if len(stage.valves) == 1:
        below = sum(float(values.get(n, 0.0)) for n in ("cathode_resistor", "unbypassed_resistor"))
    lines = [(f"d.c. load, {quantity.render(anode + below, 'ohm', digits=3)}", anode + below)]
    load = values.get("load_resistor")
    if len(stage.valves) == 1 and isinstance(load, float) and load > 0 and values.get("cathode_capacitor"):
        joined = anode * load / (anode + load) + float(values.get("unbypassed_resistor", 0.0))
        lines.append((f"a.c. load, {quantity.render(joined, 'ohm', digits=3)}", joined))
    return lines


_DRAWERS: dict[str, Callable[[Reader], Figure]] = {
    "bias": _bias,
    "response": _response,
    "tone_curves": _tone_curves,
    "headroom": _headroom,
    "distortion": _distortion,
    "power": _power,
    "balance": _balance,
    "impedance": _impedance,
    "noise": _noise,
    "rejection": _rejection,
    "recovery": _recovery,
    "square_wave": _square_wave,
}


def drawable(name: str) -> bool:
    """Return whether a measure has a picture."""
    return name.casefold() in _DRAWERS


def draw(name: str, result: Result | Mapping[str, Any] | xarray.Dataset, stage: Any = None) -> Figure:
    """Draw one measure.

    Parameters
    ----------
    name : str
        The measure, in any case.
    result : Result, mapping, or xarray.Dataset
        What it returned; its nested plain values (as JSON has them); or a sweep with curves.
    stage : Stage, optional
        Names the picture; the picture of ``bias`` needs it.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    UnknownNameError
        If the measure has no picture.
    InputError
        If the data lack its curves.
    """
    drawer = find("picture of a measure", name, _DRAWERS)
    key = name.casefold()
    if isinstance(result, Result):
        reader = _read_result(key, result, stage)
    elif isinstance(result, Mapping) and not hasattr(result, "data_vars"):
        reader = _read_dict(key, result, stage)
    else:
        reader = _read_dataset(key, result, _keys_of(key, result))
    with matplotlib.rc_context(_STYLE):
        return drawer(reader)


def _keys_of(name: str, data: Any) -> list[str]:
    """Return the keys of a measure's variables and axes in a Dataset."""
    keys = list(_AXES) + [f"{c}_{word}" for c in ("bass", "treble") for word in ("setting", "frequency")]
    for variable in data.data_vars:
        if data[variable].attrs.get("measure") == name:
            bare = str(variable).removeprefix(f"{name}_")
            # Dots of a key are underscores in a Dataset: those that the drawers ask for come back.
            for group in ("clipping", "class_a", "at_stated_thd", "flattest"):
                bare = bare.replace(f"{group}_drive", f"{group}.drive").replace(
                    f"{group}_output_power", f"{group}.output_power"
                )
            keys.append(bare)
    return keys


def plot(found: Any, name: str | None = None) -> Figure:
    """Draw one measure of what was measured or swept.

    Parameters
    ----------
    found : Measurement or xarray.Dataset
        From :func:`simwrap.measure`, or from :func:`simwrap.sweep` with its curves kept.
    name : str, optional
        Which measure; by default the first that has a picture (of a measurement), or
        "response" (of a sweep).

    Returns
    -------
    matplotlib.figure.Figure
        A notebook shows it; ``savefig`` writes it.

    Raises
    ------
    UnknownNameError
        If the measure has no picture or wasn't measured.
    InputError
        If the data lack its curves.
    """
    if hasattr(found, "data_vars"):
        return draw(name or "response", found)
    results: Mapping[str, Result] = found.results
    if name is None:
        name = next((key for key in results if drawable(key)), None)
        if name is None:
            raise InputError(f"plot: none of {', '.join(results) or 'nothing'} has a picture")
    result = find("measure in this measurement", name, results)
    return draw(name, result, found.stage)


#: What a sweep's picture shows first, where it is there.
_FAVOURITES = (
    "gain_db",
    "low_corner",
    "high_corner",
    "v1_anode_voltage",
    "v1_anode_current",
    "headroom_output_rms_1pct",
    "headroom_output_rms_3pct",
    "power_output_power",
    "power_thd",
    "balance_ratio_db",
    "impedance_output",
    "noise_output_rms_a_weighted",
)
_MOST_PANELS = 4


def plot_sweep(data: xarray.Dataset, names: Sequence[str] | None = None) -> Figure:
    """Draw single numbers of a sweep against the one or two parameters that were swept.

    Parameters
    ----------
    data : xarray.Dataset
        From :func:`simwrap.sweep`.
    names : sequence of str, optional
        Variables of the Dataset; by default the first few that builders ask for.

    Returns
    -------
    matplotlib.figure.Figure
        One panel a variable: lines over one parameter, lines over the first for each value of the
        second where two were swept.

    Raises
    ------
    UnknownNameError
        If the data have no such variable.
    InputError
        If the sweep has more than two dims, or nothing that can be drawn.
    """
    from simwrap.sweeping import point_dims

    dims = point_dims(data)
    numbers = [str(name) for name, v in data.data_vars.items() if set(v.dims) == set(dims) and v.dtype.kind == "f"]
    if names is None:
        names = [name for name in _FAVOURITES if name in numbers][:_MOST_PANELS]
        names = names or [n for n in numbers if not n.startswith("node_")][:_MOST_PANELS]
    for name in names:
        if name not in numbers:
            raise UnknownNameError("number in this sweep", name, numbers)
    if not names:
        raise InputError("plot: the sweep holds no single numbers to draw")
    if len(dims) not in (1, 2):
        raise InputError(f"plot: a picture has room for one or two swept parameters; select some of {', '.join(dims)}")
    with matplotlib.rc_context(_STYLE):
        figure = _figure(7.5, 1.2 + 2.1 * len(names))
        panels = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            _sweep_panel(axes, data[name].transpose(*dims), data, dims)
        _sweep_axis(panels[-1], data, dims[0])
        figure.suptitle(str(data.attrs.get("stage", "sweep")).replace("_", " "), fontsize=11)
    return figure


def _swept(data: xarray.Dataset, dim: str) -> tuple[NDArray[Any], str, str]:
    """Return the values along a dim, with words and unit; numbers of points where it has no one coordinate."""
    own = [name for name in data.coords if data[name].dims == (dim,) and (name == dim or dim == "point")]
    if len(own) == 1:
        values = data[own[0]].values
        attrs = data[own[0]].attrs
        if values.dtype.kind in "fiu":
            words = str(attrs.get("long_name") or own[0])
            return values.astype(float), words.split(",")[0].split(" (")[0], str(attrs.get("units", ""))
        return values, str(own[0]).replace("_", " "), ""
    return np.arange(data.sizes[dim]), dim.replace("_", " "), ""


def _sweep_panel(axes: Axes, found: xarray.DataArray, data: xarray.Dataset, dims: list[str]) -> None:
    along, _, _ = _swept(data, dims[0])
    place = along if along.dtype.kind in "fiu" else np.arange(len(along))
    words, unit = str(found.attrs.get("long_name", found.name)), str(found.attrs.get("units", ""))
    values = found.values
    scale, prefix = _prefix(values) if unit in ("A", "F") else (1.0, "")
    if len(dims) == 1:
        axes.plot(place, values * scale, marker="o", markersize=4, **_line(0))
    else:
        across, second, second_unit = _swept(data, dims[1])
        chosen = np.unique(np.linspace(0, len(across) - 1, min(len(across), 7)).round().astype(int))
        shades = _shades(len(chosen))
        for number, k in enumerate(chosen):
            value = across[k]
            label = f"{second} {_shown(value.item() if isinstance(value, np.generic) else value, second_unit)}"
            axes.plot(place, values[:, k] * scale, marker="o", markersize=4, color=shades[number], label=label)
        _legend(axes, fontsize=8)
    axes.set_title(words, fontsize=10, loc="left")
    axes.set_ylabel(_label("", f"{prefix}{_SIGNS.get(unit, unit)}").strip() if unit else "ratio")
    if unit in ("Hz", "ohm"):
        axes.yaxis.set_major_formatter(EngFormatter(sep=""))


def _prefix(values: NDArray[Any]) -> tuple[float, str]:
    finite = np.abs(values[np.isfinite(values)])
    size = finite.max() if finite.size else 1.0
    for factor, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if size * factor >= 1.0:
            return factor, prefix
    return 1e12, "p"


def _sweep_axis(axes: Axes, data: xarray.Dataset, dim: str) -> None:
    along, words, unit = _swept(data, dim)
    axes.set_xlabel(_label(words, unit))
    if along.dtype.kind not in "fiu":
        axes.set_xticks(np.arange(len(along)), [str(word) for word in along])
        return
    if len(along) > 2 and (along > 0).all() and along.max() / along.min() >= 8:
        axes.set_xscale("log")
        axes.xaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_formatter(EngFormatter(sep="") if unit else ScalarFormatter())
