"""Pictures: every measure has one, with units on its axes and a legend that names its lines."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from measure_fakes import make_stage, make_use

from simwrap.errors import InputError, UnknownNameError
from simwrap.measures.registry import measures
from simwrap.measures.requests import Result, Variable
from simwrap.measures.results import axes_of, labelled
from simwrap.plots import draw as draw_data
from simwrap.plots import drawable, plot, plot_sweep
from simwrap.plots.style import COLOURS, DASHES, line_style
from simwrap.simulation.dataset import PointAxes, about, make_dataset

F = np.geomspace(10.0, 1e5, 81)
LEVELS = np.geomspace(0.01, 3.0, 12)


def make_result(points=1, axes=None, **variables):
    """Give each variable its dims, values of one point and unit; repeat them for every point."""
    made = {}
    for key, (dims, values, unit) in variables.items():
        values = np.asarray(values)
        scale = np.arange(1, points + 1).reshape(-1, *[1] * values.ndim) if values.dtype.kind == "f" else None
        stacked = np.stack([values] * points) if scale is None else values[None] * scale
        made[key.replace("__", ".")] = Variable(dims, stacked, unit, key)
    coords = {name: Variable((), values, "", name) for name, values in (axes or {}).items()}
    return Result(made, coords, {"frequency": (1000.0, "Hz"), "load": (8.0, "ohm")})


def dataset(stage, **results):
    """Lay results of one or more points out as a Dataset, as a measurement or a sweep without coordinates does."""
    points = len(next(iter(next(iter(results.values())).variables.values())).values)
    layout = PointAxes() if points == 1 else PointAxes(("point",), (points,))
    notes = {"reasons": [""] * points, "findings": [[]] * points}
    return make_dataset(labelled(results), axes_of(results), layout=layout, **notes, attrs=about(stage, results))


def draw(name, result, stage=None, **more):
    stage = stage or make_stage()
    return draw_data(name, dataset(stage, **{name.casefold(): result}, **more), stage)


def curve(level=1.0):
    return level / np.abs(1 + 1j * F / 2e4)


def over_frequency(points=1, **curves):
    return make_result(points, {"frequency": F}, **{k: (("frequency",), v, u) for k, (v, u) in curves.items()})


def response(points=1):
    made = over_frequency(points, curve_db=(20 * np.log10(curve(50.0)), "dB"), phase_deg=(-F / 1e3, "degree"))
    for key, value in {"gain_db": 34.0, "low_corner": np.nan, "high_corner": 2e4}.items():
        made.variables[key] = Variable((), np.full(points, value), "", key)
    return made


def headroom(points=1):
    return make_result(
        points,
        {"level": np.arange(12), "harmonic": np.arange(2, 11)},
        level_in=(("level",), LEVELS, "V"),
        level_out=(("level",), 50 * LEVELS, "V"),
        thd=(("level",), 3 * LEVELS, "%"),
        harmonics=(("level", "harmonic"), np.outer(LEVELS, 1.0 / np.arange(2, 11)), "%"),
        first_limit=((), np.array("grid current"), ""),
        clipping_input_rms=((), np.array(1.0), "V"),
        clipping_output_rms=((), np.array(50.0), "V"),
    )


def power(points=1):
    marks = {f"{m}__{k}": ((), np.array(1.0), "W") for m in ("clipping", "class_a") for k in ("drive", "output_power")}
    level = ("level",)
    return make_result(
        points,
        {"level": np.arange(12)},
        drive=((), np.array(2.0), "V"),
        drive_in=(level, LEVELS, "V"),
        power_curve=(level, LEVELS**2, "W"),
        thd_curve=(level, LEVELS, "%"),
        anode_current_curve=(level, 0.06 + 0 * LEVELS, "A"),
        screen_current_curve=(level, 0.006 + 0 * LEVELS, "A"),
        dissipation_curve__v1__anode=(level, 8.0 + 0 * LEVELS, "W"),
        valves__v1__grid_drive=((), np.array(2.0), "V"),
        valves__v2__grid_drive=((), np.array(2.0), "V"),
        **marks,
    )


def tone_curves(points=1):
    settings, dims = np.linspace(0, 1, 5), ("bass_setting", "frequency")
    family = np.stack([20 * np.log10(curve(0.1 + s)) for s in settings])
    return make_result(
        points,
        {"frequency": F, "bass_setting": settings, "treble_setting": settings},
        curve_db=(("frequency",), family[2], "dB"),
        bass_curves_db=(dims, family, "dB"),
        treble_curves_db=(("treble_setting", "frequency"), family, "dB"),
    )


def wave(points=1):
    time = np.linspace(0, 1e-3, 200)
    return make_result(points, {"time": time}, output_wave=(("time",), 5.0 * np.sin(6e3 * time), "V"))


def distortion(points=1):
    return make_result(
        points,
        {"harmonic": np.arange(2, 11)},
        harmonics_db=(("harmonic",), -30.0 * np.arange(1, 10), "dB"),
        thd=((), np.array(1.234), "%"),
    )


RESULTS = {
    "response": (response, {"frequency [Hz]", "gain [dB]", "phase [°]"}),
    "headroom": (headroom, {"output, r.m.s. [V]", "distortion [%]", "input, r.m.s. [V]"}),
    "tone_curves": (tone_curves, {"frequency [Hz]", "gain [dB]"}),
    "distortion": (distortion, {"harmonic", "level relative to the fundamental [dB]"}),
    "power": (power, {"output power [W]", "distortion [%]", "drive (e.m.f. of the source), r.m.s. [V]"}),
    "balance": (
        lambda points=1: over_frequency(
            points, ratio_curve_db=(0.1 * curve(), "dB"), phase_error_curve_deg=(F / 1e4, "degree")
        ),
        {"frequency [Hz]", "output over output b [dB]", "from opposite phase [°]"},
    ),
    "impedance": (
        lambda points=1: over_frequency(points, input_curve=(curve(1e6), "ohm"), output_curve=(curve(4e4), "ohm")),
        {"frequency [Hz]", "impedance [Ω]"},
    ),
    "noise": (
        lambda points=1: over_frequency(
            points, output_density=(curve(1e-6), "V/rtHz"), input_density=(curve(1e-8), "V/rtHz")
        ),
        {"frequency [Hz]", "noise density [V/√Hz]"},
    ),
    "heater_hum": (
        lambda points=1: over_frequency(points, valves__v1__curve_db=(curve(-60.0), "dB")),
        {"frequency [Hz]", "output for 1 V at the heater [dB]"},
    ),
    "equalisation": (
        lambda points=1: over_frequency(points, deviation_curve_db=(curve(0.3), "dB")),
        {"frequency [Hz]", "departure [dB]"},
    ),
    "rejection": (
        lambda points=1: over_frequency(points, supplies__supply__curve_db=(-curve(), "dB")),
        {"frequency [Hz]", "output for 1 V of ripple [dB]"},
    ),
    "supply": (
        lambda points=1: make_result(
            points,
            {"share": np.array([0.5, 1.0])},
            load=(("share",), np.array([0.05, 0.1]), "A"),
            output_curve=(("share",), np.array([310.0, 290.0]), "V"),
            ripple_curve=(("share",), np.array([1.0, 2.0]), "V"),
        ),
        {"load current [mA]", "output [V]", "ripple, peak to peak [mV]"},
    ),
    "recovery": (wave, {"time [ms]", "output [V]"}),
    "square_wave": (wave, {"time [ms]", "output [V]"}),
}


def labels_of(figure):
    return {text for axes in figure.axes for text in (axes.get_xlabel(), axes.get_ylabel()) if text}


def legends_of(figure):
    legends = [*figure.legends, *(axes.get_legend() for axes in figure.axes if axes.get_legend())]
    return [text.get_text() for legend in legends for text in legend.get_texts()]


@pytest.mark.parametrize("name", RESULTS)
@pytest.mark.parametrize("points", [1, 3, 20])
def test_every_axis_has_words_and_a_unit(name, points):
    make, labels = RESULTS[name]
    figure = draw(name, make(points), make_stage())
    assert labels <= labels_of(figure)
    if points == 1:
        assert figure._repr_png_().startswith(b"\x89PNG")
    if points == 3 and name != "tone_curves":
        assert any("point 2" in text for text in legends_of(figure))


def test_every_measure_has_a_picture():
    assert [name for name in measures() if not drawable(name)] == []
    assert set(RESULTS) | {"bias", "load_lines", "overload", "stability"} == set(
        measures()
    )  # those of whole amplifiers: there


def test_more_lines_than_can_be_told_apart_are_left_out_and_that_is_said():
    figure = draw("response", response(20), make_stage())
    assert len(figure.axes[0].lines) == 11
    assert "11 of 20 points" in figure.get_suptitle()


def test_a_corner_is_marked_and_one_that_is_not_there_is_not():
    figure = draw("response", response(), make_stage())
    assert [text.get_text() for text in figure.axes[0].texts] == ["-3 dB at 20 kHz"]


def test_headroom_names_what_clips_first():
    figure = draw("headroom", headroom(), make_stage())
    assert "first limit: grid current" in legends_of(figure)
    assert {"harmonic 2", "harmonic 3"} <= set(legends_of(figure))
    assert "test stage" in figure.get_suptitle()


def bias_result():
    values = {"anode_voltage": 150.0, "grid_voltage": -1.5, "anode_current": 1e-3, "cathode_current": 1e-3}
    made = make_result(**{f"valves__v1__{key}": ((), np.array(v), "V") for key, v in values.items()})
    made.variables["valves.v1.type"] = Variable((), np.array(["test valve"]), "", "type")
    return made


def load_lines_result(direct=101.5e3, signal=90.9e3, alone=np.nan):
    values = {"direct_load": direct, "signal_load": signal, "alone_load": alone, "tap": 0.0}
    return make_result(**{f"valves__v1__{key}": ((), np.array(v), "ohm") for key, v in values.items()})


def bias_stage(**values):
    use = make_use(anode_dissipation_max=1.0)

    def currents(anode, grid, screen=None):
        from types import SimpleNamespace

        return SimpleNamespace(anode=1e-3 * np.maximum(anode + 60.0 * grid, 0) ** 1.5 / 465.0)

    use.valve.currents = currents
    return make_stage(values, valves={"v1": use})


@pytest.mark.parametrize("name", ["bias", "load_lines"])
def test_load_lines_go_through_the_operating_point(name):
    results = {"bias": bias_result(), "load_lines": load_lines_result()}
    stage = bias_stage()
    figure = draw_data(name, dataset(stage, **results), stage)
    (axes,) = figure.axes
    assert axes.get_xlabel() == "anode to cathode [V]"
    assert axes.get_ylabel() == "anode current [mA]"
    lines = {line.get_label(): line.get_xydata() for line in axes.lines}
    d_c = lines["d.c. load, 102 kΩ"]
    assert np.interp(150.0, *d_c.T) == pytest.approx(1.0)
    assert np.interp(150.0 + 50.75, *d_c.T) == pytest.approx(0.5)
    a_c = lines["a.c. load, 90.9 kΩ"]
    assert np.interp(150.0, *a_c.T) == pytest.approx(1.0)
    assert "1 W, rated dissipation (above the picture)" in lines
    assert {"0 V", "-1 V", "-2 V"} <= {text.get_text() for text in axes.texts}


def test_without_load_lines_the_curves_are_drawn_all_the_same():
    labels = {line.get_label() for line in draw("bias", bias_result(), bias_stage()).axes[0].lines}
    assert not [label for label in labels if "load" in label]
    assert "at rest: 150 V, 1 mA, grid -1.50 V" in labels


def test_bias_without_valves_is_the_voltages_at_its_nodes():
    figure = draw("bias", make_result(nodes__n_out=((), np.array(1.5), "V")), make_stage())
    assert [line.get_xdata().tolist() for line in figure.axes[0].lines] == [[1.5]]
    assert figure.axes[0].get_xlabel() == "to ground [V]"
    with pytest.raises(InputError, match="nodes that have one"):
        draw("bias", make_result(nodes__n_out=((), np.array(np.nan), "V")), make_stage())


def test_unknown_names_are_refused_with_the_nearest():
    with pytest.raises(UnknownNameError, match="did you mean response"):
        draw("respons", response())
    assert not drawable("nothing")


def test_plot_takes_the_first_measure_that_has_a_picture():
    from simwrap.simulation.measurement import Measurement

    found = Measurement(make_stage(), "fake", {}, [], {"response": response(), "headroom": headroom()})
    assert plot(found).axes[0].get_ylabel() == "gain [dB]"
    assert "distortion [%]" in [axes.get_ylabel() for axes in plot(found, "Headroom").axes]
    with pytest.raises(UnknownNameError, match="measure in this measurement"):
        plot(found, "noise")


def sweep_data(second=True):
    xarray = pytest.importorskip("xarray")
    dims = ("cathode_resistor", "valve")[: 2 if second else 1]
    shape = (4, 2)[: len(dims)]
    numbers = np.arange(np.prod(shape), dtype=float).reshape(shape) + 1
    curves = numbers[..., None] + np.zeros(len(F))
    coords = {
        "cathode_resistor": (
            "cathode_resistor",
            [470.0, 1e3, 2.2e3, 4.7e3],
            {"units": "ohm", "long_name": "cathode resistor, bypassed"},
        ),
        "valve": ("valve", ["12AX7", "12AU7"], {"long_name": "valve"}),
        "response.frequency": ("response.frequency", F, {"units": "Hz"}),
    }
    if not second:
        del coords["valve"]
    data = {
        "response.gain_db": (dims, numbers, {"units": "dB", "long_name": "gain"}),
        "bias.valves.v1.anode_current": (dims, 1e-3 * numbers, {"units": "A", "long_name": "anode current"}),
        "response.curve_db": ((*dims, "response.frequency"), curves, {"units": "dB", "long_name": "gain"}),
        "response.phase_deg": ((*dims, "response.frequency"), curves, {"units": "degree", "long_name": "phase"}),
        "status": (dims, np.full(shape, ""), {}),
    }
    return xarray.Dataset(data, coords, {"stage": "triode_gain"})


def test_a_sweep_of_one_parameter():
    figure = plot_sweep(sweep_data(second=False))
    assert [axes.get_title(loc="left") for axes in figure.axes] == ["gain", "anode current"]
    assert figure.axes[-1].get_xlabel() == "cathode resistor [Ω]"
    assert [axes.get_ylabel() for axes in figure.axes] == ["[dB]", "[mA]"]
    assert figure.axes[1].lines[0].get_ydata() == pytest.approx([1, 2, 3, 4])
    assert figure.axes[0].get_xscale() == "log"


def test_a_sweep_of_two_parameters_has_a_line_a_value():
    figure = plot_sweep(sweep_data(), ["gain_db"])
    assert legends_of(figure) == ["valve 12AX7", "valve 12AU7"]
    turned = plot_sweep(sweep_data().transpose("valve", ...), ["gain_db"])
    assert [t.get_text() for t in turned.axes[0].get_xticklabels()] == ["12AX7", "12AU7"]


def test_curves_of_a_sweep_name_their_points():
    figure = plot(sweep_data(), "response")
    assert "cathode resistor 2.2 kΩ, valve 12AU7" in legends_of(figure)
    with pytest.raises(InputError, match="hold nothing of noise"):
        plot(sweep_data(), "noise")
    with pytest.raises(InputError, match=r"hold no response\.frequency; sweep with it and with curves=True"):
        plot(sweep_data().drop_dims("response.frequency"), "response")


def test_what_a_sweep_cannot_show_is_refused():
    with pytest.raises(UnknownNameError, match="did you mean gain_db"):
        plot_sweep(sweep_data(), ["gain_bd"])
    three = sweep_data().expand_dims(supply=[200.0, 300.0])
    three["status"] = three["status"].astype(str)
    with pytest.raises(InputError, match="one or two swept parameters"):
        plot_sweep(three)


def test_lines_differ_by_more_than_hue():
    styles = [line_style(k) for k in range(len(COLOURS) * len(DASHES))]
    assert len({tuple(style.values()) for style in styles}) == len(styles)
    assert all(a["linestyle"] != b["linestyle"] for a, b in itertools.pairwise(styles))
