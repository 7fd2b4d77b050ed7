"""What a notebook shows: measurements and valves as tables and text, pictures in loops and in one's own axes."""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest
from matplotlib import pyplot
from matplotlib.figure import Figure

import simwrap
from simwrap.errors import InputError

TRIODE = simwrap.stage("triode_gain")


def test_a_measurement_says_its_numbers_and_warnings() -> None:
    found = simwrap.measure(TRIODE, ["bias", "response"])
    told = repr(found)
    assert f"{found.bias.valves.v1.anode_voltage:.4g}" in told
    assert f"{found.response.gain_db:.4g}" in told
    hot = simwrap.measure(
        TRIODE.replace(valve="12AU7", anode_resistor="10k", cathode_resistor="100", supply=450), ["bias"]
    )
    assert hot.warnings
    assert all(text in repr(hot) for text in hot.warnings)
    assert "OVER" in repr(hot)
    assert "safe" not in told.lower()


def test_a_valve_is_a_table() -> None:
    shown = simwrap.valve("12AX7")._repr_html_()
    assert shown.startswith("<table><caption>12AX7: ")
    assert "the model is within" in shown
    assert "anode dissipation, largest" in shown.partition("<details>")[0]
    assert "published numbers beside the model" in shown.partition("<details>")[2]


def test_pictures_take_the_place_of_axes() -> None:
    found = simwrap.measure(TRIODE, ["bias", "response"])
    figure = Figure(layout="constrained", figsize=(12, 5))
    left, right = figure.subplots(1, 2)
    part = found.plot("response", ax=left)
    simwrap.plot(found, "bias", ax=right)
    assert len(part.axes) == 2  # gain and phase
    assert part in figure.subfigs
    assert left not in figure.axes
    assert len(figure.axes) == 3
    figure.canvas.draw()
    boxes = [axes.get_window_extent() for axes in figure.axes]
    assert boxes[0].x1 < boxes[2].x0  # side by side
    (line,) = [line for line in part.axes[0].lines if len(line.get_xdata()) > 10]
    assert list(line.get_ydata()) == list(found.response.curve_db)
    # The next figure is one of its own again.
    assert found.plot("response") not in figure.subfigs


@pytest.mark.parametrize("odd", [3, "ax", Figure()])
def test_what_is_no_axes_is_one_sentence(odd: Any) -> None:
    with pytest.raises(InputError, match="ax is no axes"):
        simwrap.measure(TRIODE, ["response"]).plot("response", ax=odd)


def test_a_notebook_shows_a_figure_in_a_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[Any] = []
    kernel = SimpleNamespace(get_ipython=lambda: SimpleNamespace(kernel=object()))
    monkeypatch.setitem(sys.modules, "IPython", kernel)  # type: ignore[arg-type]
    monkeypatch.setitem(sys.modules, "IPython.display", SimpleNamespace(display=shown.append))  # type: ignore[arg-type]
    figure = simwrap.measure(TRIODE, ["response"]).plot("response")
    for _ in range(2):
        figure.show()
    assert shown == [figure, figure]


def test_a_script_opens_a_window_or_says_that_it_can_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    figure = simwrap.measure(TRIODE, ["response"]).plot("response")
    figure.show()  # the tests' backend has no windows
    assert "savefig" in capsys.readouterr().err
    steps: list[str] = []

    class Manager:
        def show(self) -> None:
            steps.append("shown")

        @classmethod
        def start_main_loop(cls) -> None:
            steps.append("waits")

    class Canvas:
        required_interactive_framework = "some"
        figure = None

        @classmethod
        def new_manager(cls, given: Any, _number: int) -> Manager:
            assert given is figure
            return Manager()

    monkeypatch.setattr(pyplot, "figure", lambda: SimpleNamespace(canvas=Canvas()))
    monkeypatch.setattr(pyplot, "close", lambda _figure: None)
    figure.show()
    assert steps == ["shown", "waits"]


def test_axes_of_sliders_follow_the_values() -> None:
    panel = simwrap.sliders(TRIODE, ["anode_resistor", "cathode_resistor"], "bias")
    for name, value in (("anode_resistor", 22e3), ("cathode_resistor", 8.2e3), ("anode_resistor", 220e3)):
        panel.controls[name].value = value
        panel.settle()
        assert panel.measurement is not None
        assert panel._picture is not None
        top = 1e-3 * panel._picture.figure.axes[0].get_ylim()[1]
        # The axis is that of the curves about the operating point, wherever the load line's far end lies.
        rest = panel.measurement.bias.valves.v1.anode_current
        end = 300.0 / (panel.stage.values["anode_resistor"] + panel.stage.values["cathode_resistor"])
        assert 1.05 * rest <= top < 2.0 * end
