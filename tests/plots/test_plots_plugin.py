"""A measure from elsewhere can do all that ours can: options, headline, table, picture, in every door."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Any

import numpy as np
import pytest

import simwrap
from simwrap.cli import app
from simwrap.errors import InputError
from simwrap.measures import registry
from simwrap.measures.common import StageLike, axis, port, scalar, vector
from simwrap.measures.options import Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable
from simwrap.plots import plot_sweep
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import frequency_axis, label_of, new_figure
from simwrap.report.model import Listing


def delay_table(found: Any) -> list[Listing]:
    return [Listing("how late it comes", ("figure", "value"), [("delay", found.text("delay"))])]


def draw_delay(reader: Reader) -> Any:
    figure = new_figure(5.0, 3.0)
    axes = figure.subplots()
    for point, label, style in chosen_points(reader):
        axes.plot(reader["frequency"], 1e6 * reader["delay_curve"][point], label=label, **style)
    frequency_axis(axes, reader["frequency"])
    axes.set_ylabel(label_of("delay", "us"))
    add_title(figure, reader, f"delay at {reader.stated('frequency')}")
    return figure


def group_delay(
    stage: StageLike, *, frequency: Annotated[float, Option("Hz", least=20.0, most=20e3)] = 1000.0
) -> Steps:
    """Measure the group delay: minus the slope of the phase over the angular frequency [s]."""
    output = port(stage, "output", "group_delay")
    reply = yield Ac(start=10.0, stop=1e5, per_decade=20, vectors=(output,))
    places = np.asarray(reply.axis, dtype=float)
    curve = -np.gradient(np.unwrap(np.angle(vector(reply, output)), axis=-1), 2.0 * np.pi * places, axis=-1)
    delay = np.array([np.interp(frequency, places, one) for one in curve])
    return Result(
        {
            "delay": scalar(delay, "s", "group delay"),
            "delay_curve": Variable(("frequency",), curve, "s", "group delay"),
        },
        coords={"frequency": axis(places, "Hz", "frequency")},
        conditions={"frequency": (frequency, "Hz")},
    )


@pytest.fixture
def plugged() -> Iterator[None]:
    register = measure(
        "group_delay",
        summary="group delay",
        ports=("output",),
        headline=("delay",),
        picture=draw_delay,
        table=delay_table,
    )
    registry.measures()
    register(group_delay)
    yield
    del registry._found["group_delay"]


RC = simwrap.stage("tone_passive")


@pytest.mark.usefixtures("plugged")
def test_it_is_measured_shown_swept_and_drawn(capsys: pytest.CaptureFixture[str], tmp_path: Any) -> None:
    found = simwrap.measure(RC, {"group_delay": {"frequency": "2 kHz"}})
    assert found.group_delay.headline() == [("group delay", found.group_delay.text("delay"))]
    (table,) = found.group_delay.tables()
    assert table[:2] == ("how late it comes", ("figure", "value"))
    assert table.rows == [("delay", found.group_delay.text("delay"))]
    assert "how late it comes" in found._repr_html_()
    figure = found.plot()
    assert figure.get_suptitle() == "tone passive: delay at 2 kHz"
    assert figure.axes[0].get_ylabel() == "delay [us]"
    data = simwrap.sweep(RC, {"bass": [0.2, 0.8]}, ["group_delay"])
    assert len(simwrap.plot(data, "group_delay").axes[0].lines) == 2
    assert plot_sweep(data).axes[0].get_title(loc="left") == "group delay"
    with pytest.raises(SystemExit) as ended:
        app.main(["show", "group_delay"])
    assert not ended.value.code
    told = capsys.readouterr().out
    assert "from 20 Hz to 20 kHz" in told
    assert "1 kHz" in told
    file = tmp_path / "delay.png"
    words = ["measure", "tone_passive", "--measure", "group_delay", "--option", "group_delay.frequency=5 kHz"]
    with pytest.raises(SystemExit) as ended:
        app.main([*words, "--json", "--plot", str(file)])
    assert not ended.value.code
    assert json.loads(capsys.readouterr().out)["conditions"]["group_delay"]["frequency"] == {"value": 5e3, "unit": "Hz"}
    assert file.read_bytes().startswith(b"\x89PNG")


@pytest.mark.usefixtures("plugged")
def test_its_options_are_refused_as_ours_are() -> None:
    with pytest.raises(InputError, match=r"group_delay: frequency .* from 20 Hz to 20 kHz"):
        simwrap.measure(RC, {"group_delay": {"frequency": 1e9}})


def test_it_is_gone_afterwards() -> None:
    assert "group_delay" not in simwrap.measure_names()


def test_a_name_that_cannot_start_the_names_of_figures_is_refused() -> None:
    with pytest.raises(ValueError, match="small letters"):
        measure("group.delay", summary="")
