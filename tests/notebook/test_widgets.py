"""Sliders in a notebook: the picture follows, lines move without drawing the figure anew."""

from __future__ import annotations

import asyncio
import base64
import builtins
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from PIL import Image

import simwrap
from simwrap.errors import InputError, RangeError, UnknownNameError
from simwrap.notebook import sliders as sliders_module
from simwrap.notebook.sliders import sliders

TONE = simwrap.stage("tone_passive")
TRIODE = simwrap.stage("triode_gain")


def pixels(panel: Any) -> Any:
    return np.asarray(Image.open(BytesIO(panel._image.value)).convert("RGB")).astype(int)


def test_a_tone_control_has_its_controls_as_sliders() -> None:
    panel = sliders(TONE)
    assert list(panel.controls) == ["bass", "treble"]
    assert (panel.controls["bass"].min, panel.controls["bass"].max) == (0.0, 1.0)
    assert panel.measurement is not None
    assert Image.open(BytesIO(panel._image.value)).format == "PNG"


def test_a_moved_slider_moves_the_lines_and_draws_nothing_anew() -> None:
    panel = sliders(TONE)
    before = pixels(panel)
    for position in np.linspace(0.0, 1.0, 11):
        panel.controls["bass"].value = float(position)
        panel.controls["treble"].value = float(1.0 - position)
    # The ends of both sliders were tried for the size of the axes before.
    assert panel.whole_drawings == 1
    assert panel.stage.values["bass"] == 1.0
    fresh = simwrap.measure(TONE.replace(bass=1.0, treble=0.0), ["response"])
    line = next(line for line, (_, y) in panel._picture.lines.items() if y[1] == "curve_db")
    np.testing.assert_allclose(line.get_ydata(), fresh.response.curve_db, rtol=1e-9)
    assert (pixels(panel) != before).any()


def test_the_moved_picture_is_the_one_drawn_whole() -> None:
    panel = sliders(TONE)
    panel.controls["bass"].value = 0.9
    panel.settle()
    moved = pixels(panel)
    panel._whole()
    assert np.abs(pixels(panel) - moved).mean() < 0.5


def test_marks_wait_for_rest_and_then_follow() -> None:
    async def slide() -> Any:
        panel = sliders(TRIODE, {"cathode_capacitor": ["1u", "22u", "100u"]}, "response")
        panel.controls["cathode_capacitor"].value = 1e-6
        moving = [mark.get_visible() for mark in panel._picture.marks]
        await asyncio.sleep(sliders_module.REST + 0.3)
        return panel, moving

    panel, moving = asyncio.run(slide())
    assert moving
    assert not any(moving)
    corner = simwrap.measure(panel.stage, ["response"]).response.low_corner
    assert all(mark.get_visible() for mark in panel._picture.marks)
    words = [mark.get_text() for mark in panel._picture.marks if hasattr(mark, "get_text")]
    assert any(simwrap.units.quantity.render(corner, "Hz", digits=3) in text for text in words)


def test_parts_valves_and_words_have_their_own_controls() -> None:
    stage = simwrap.stage("two_stage_preamplifier")
    panel = sliders(stage, ["first_valve", "first_cathode_resistor", "supply", "volume_taper"], "response")
    assert type(panel.controls["first_valve"]).__name__ == "Dropdown"
    assert "12AX7" in panel.controls["first_valve"].options
    assert panel.controls["volume_taper"].options == stage.template.parameters["volume_taper"].choices
    labels = [label for label, _ in panel.controls["first_cathode_resistor"].options]
    assert "2.2 kΩ" in labels
    panel.controls["first_valve"].value = "12AX7"
    panel.controls["volume_taper"].value = "linear"
    assert panel.stage.values["first_valve"] == "12AX7"
    assert panel.measurement.stage.values["volume_taper"] == "linear"


def test_a_picture_of_ones_own() -> None:
    from matplotlib.figure import Figure

    drawn = []

    def draw(found: Any) -> Figure:
        figure = Figure()
        axes = figure.subplots()
        axes.plot([0, 1], [0, found.bias.valves.v1.anode_current])
        axes.set_ylim(0, 5e-3)
        drawn.append(figure)
        return figure

    panel = sliders(TRIODE, ["cathode_resistor"], draw, measures=["bias"])
    panel.controls["cathode_resistor"].value = panel.controls["cathode_resistor"].options[0][1]
    line = panel._picture.figure.axes[0].lines[0]
    assert line.get_ydata()[1] == panel.measurement.bias.valves.v1.anode_current
    assert panel.whole_drawings == 1


def test_axes_follow_the_values_and_not_the_ends_of_the_sliders() -> None:
    """A stage of 1 mA stands in a picture of a few milliamperes, whatever a tenth of its resistors would draw."""
    panel = sliders(TRIODE, ["anode_resistor", "cathode_resistor"], "bias")
    alone = simwrap.measure(TRIODE, ["bias"]).plot("bias")
    assert panel._picture.figure.axes[0].get_ylim() == alone.axes[0].get_ylim()
    assert alone.axes[0].get_ylim()[1] < 5.0  # mA


def test_axes_grow_at_once_and_shrink_when_the_hand_rests() -> None:
    panel = sliders(TRIODE, ["anode_resistor"], "response")
    usual = panel._picture.figure.axes[0].get_ylim()
    panel.controls["anode_resistor"].value = 10e3
    low, high = panel._picture.figure.axes[0].get_ylim()
    curve = panel.measurement.response.curve_db
    assert low <= curve.min()
    assert high >= curve.max()
    assert high - low > usual[1] - usual[0]
    assert panel.whole_drawings == 1
    panel.controls["anode_resistor"].value = 100e3
    panel.settle()
    assert panel._picture.figure.axes[0].get_ylim() == pytest.approx(usual)


def test_a_picture_stays_when_nothing_runs_it_any_more() -> None:
    """A saved notebook holds the picture itself beside the widget."""
    data, _ = sliders(TONE)._repr_mimebundle_()
    kept = Image.open(BytesIO(base64.b64decode(data["image/png"])))
    assert kept.format == "PNG"
    assert min(kept.size) > 200
    assert "application/vnd.jupyter.widget-view+json" in data


def test_what_does_not_fit_is_drawn_whole() -> None:
    panel = sliders(TRIODE, {"cathode_resistor": ["820", "1k5", "3k3"]}, "bias")
    panel.controls["cathode_resistor"].value = 3300.0
    assert panel.whole_drawings == 2  # the legend has other numbers


def test_a_failure_is_said_and_the_picture_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    panel = sliders(TONE)
    before = panel._image.value

    def failing(*given: Any, **more: Any) -> Any:
        raise InputError("it <failed>")

    monkeypatch.setattr(sliders_module, "evaluate", failing)
    panel.controls["bass"].value = 0.2
    assert panel._note.value == "it &lt;failed&gt;"
    assert panel._image.value == before
    monkeypatch.undo()
    panel.controls["bass"].value = 0.3
    assert panel._note.value == ""
    assert panel._image.value != before


def test_ratings_are_said_under_the_picture() -> None:
    panel = sliders(
        TRIODE.replace(supply=450), {"cathode_resistor": ["1k5", "100"], "anode_resistor": ["100k", "10k"]}, "bias"
    )
    panel.controls["anode_resistor"].value = 10e3
    panel.controls["cathode_resistor"].value = 100.0
    assert "rating" in panel._note.value


def test_slow_measures_wait_until_the_slider_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    from simwrap.simulation.outcome import Outcome

    quick = sliders(TRIODE, ["cathode_resistor"], "response")
    assert quick.controls["cathode_resistor"].continuous_update
    monkeypatch.setattr(Outcome, "slow", property(lambda self: True))
    slow = sliders(TRIODE, ["cathode_resistor"], "response")
    assert not slow.controls["cathode_resistor"].continuous_update


def test_a_notebook_shows_it() -> None:
    shown = sliders(TONE)._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in (shown[0] if isinstance(shown, tuple) else shown)


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({"parameters": ["bas"]}, UnknownNameError, "bass"),
        ({"parameters": []}, InputError, "at least one"),
        ({"plot": "respons"}, UnknownNameError, "response"),
        ({"parameters": {"bass": ["1 V"]}}, InputError, "plain number"),
    ],
)
def test_what_cannot_be_slid_is_refused(given: Any, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        sliders(TONE, **given)


def test_a_part_that_is_not_there_needs_its_choices() -> None:
    with pytest.raises(RangeError, match="its choices"):
        sliders(TRIODE, ["input_capacitor"])
    assert sliders(TRIODE, {"input_capacitor": [0, "10n", "100n"]}, "response").controls["input_capacitor"].value == 0


def test_without_ipywidgets_one_clear_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def missing(name: str, *rest: Any, **more: Any) -> Any:
        if name == "ipywidgets":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(InputError, match=r'need ipywidgets: pip install "simwrap\[widgets\]"'):
        sliders(TONE)
