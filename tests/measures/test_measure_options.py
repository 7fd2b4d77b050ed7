"""Options of measures: read from values and text, and refused in one sentence with unit and bounds."""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
import pytest

from simwrap.errors import InputError, UnknownNameError
from simwrap.measures.options import Option, settings_of
from simwrap.measures.registry import get_measure, measures

ALL = [(name, option) for name, made in measures().items() for option in made.options]


@pytest.mark.parametrize(
    ("measure", "given", "read"),
    [
        ("response", {"start": "20 Hz"}, 20.0),
        ("response", {"Start": 20}, 20.0),
        ("response", {"stop": "1M5"}, 1.5e6),
        ("response", {"reference_frequency": "4k7"}, 4700.0),
        ("response", {"per_decade": "50"}, 50),
        ("response", {"per_decade": np.int64(50)}, 50),
        ("response", {"at": "output_b"}, "output_b"),
        ("headroom", {"nominal_level": "500 mV"}, 0.5),
        ("balance", {"levels": 0}, 0),
        ("power", {"drive": "16 V"}, 16.0),
        ("power", {"drive": None}, None),
        ("power", {"bandwidth": "true"}, True),
        ("power", {"stated_thd": "1 %"}, 1.0),
        ("distortion", {"twin": "13 kHz, 14k"}, (13e3, 14e3)),
        ("distortion", {"twin": np.array([13e3, 14e3])}, (13e3, 14e3)),
        ("distortion", {"pair": "SMPTE"}, "smpte"),
        ("supply", {"loads": 1.0}, (1.0,)),
        ("supply", {"loads": "50 %,1"}, (0.5, 1.0)),
        ("supply", {"switch_on_phase": "-90 deg"}, -90.0),
        ("recovery", {"overload_db": "-3 dB"}, -3.0),
        ("recovery", {"window": "200 ms"}, 0.2),
        ("noise", {"flicker_corner": 0}, 0.0),
    ],
)
def test_values_and_text_are_read_alike(measure: str, given: dict[str, Any], read: Any) -> None:
    (found,) = get_measure(measure).check(given).values()
    assert found == read
    assert type(found) is type(read)


@pytest.mark.parametrize(
    ("measure", "given", "words"),
    [
        ("response", {"start": "20 V"}, 'start: "20 V" was read as a voltage.* from 1 mHz to 1 GHz, such as 1'),
        ("response", {"start": 0}, "start .* from 1 mHz to 1 GHz"),
        ("response", {"per_decade": 2.5}, "a whole number from 2 to 1000"),
        ("response", {"per_decade": 10**400}, "a whole number from 2 to 1000"),
        ("headroom", {"frequency": 1e-300}, "from 10 mHz to 1 MHz"),
        ("headroom", {"levels": 17}, "from 18 to 200"),
        ("headroom", {"nominal_level": [0.5]}, "a number above 0 V, 10 kV at most"),
        ("balance", {"levels": 5}, r"from 18 to 200 \(0: left out\)"),
        ("power", {"frequency": 1e-300}, "from 10 mHz to 1 MHz"),
        ("power", {"bandwidth": 1}, "true or false"),
        ("recovery", {"overload_db": 1e300}, "from -100 dB to 100 dB"),
        ("recovery", {"window": 1e9}, "above 0 s, 100 s at most"),
        ("supply", {"mains_frequency": 1e9}, "from 10 Hz to 1 kHz"),
        ("supply", {"mains": 1e300}, "from 0.01 to 2"),
        ("supply", {"loads": []}, "1 to 100 numbers above 0"),
        ("supply", {"loads": [1.0, math.nan]}, "1 to 100 numbers above 0"),
        ("distortion", {"pair": "ccif"}, "din or smpte"),
        ("distortion", {"at": 3}, "a word"),
        ("heater_hum", {"heater_voltage": True}, "above 0 V"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_unit_and_bounds(measure: str, given: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        get_measure(measure).check(given)
    assert str(caught.value).startswith(f"{measure}: ")
    assert "\n" not in str(caught.value)


#: What a hand or a program may put in place of a value.
ODD: list[Any] = [
    None, "", " ", "abc", "1,2,3", True, -1, 0, 1e-300, 1e300, math.inf, math.nan, 10**400, -(10**400), [], [1.0],
    (1, "a"), {}, {"a": 1}, b"1", 1j, object(), np.array([]), np.array([[1.0, 2.0]]), np.float64("nan"),
    "1e999", "-5 Hz", "\x00", "9" * 5000,
]  # fmt: skip


@pytest.mark.parametrize(("measure", "option"), ALL)
def test_odd_values_are_read_or_refused_in_one_sentence(measure: str, option: str) -> None:
    """No traceback, and nothing that isn't finite, or so far off that it would run for hours."""
    said: list[str] = []
    for value in ODD:
        try:
            found = get_measure(measure).check({option: value})[option]
        except InputError as fault:
            said.append(str(fault))
            continue
        numbers = found if isinstance(found, tuple) else (found,)
        assert all(math.isfinite(n) and abs(n) <= 1e9 for n in numbers if isinstance(n, float | int))
    assert not [sentence for sentence in said if "\n" in sentence or len(sentence) > 400]
    assert len(said) > 10


@pytest.mark.parametrize(("measure", "option"), ALL)
def test_every_number_has_bounds_and_a_default_within(measure: str, option: str) -> None:
    setting = get_measure(measure).options[option]
    if setting.kind in (float, int, tuple):
        assert setting.rule.most is not None
        assert setting.rule.above is not None or setting.rule.least is not None
    assert setting.read(setting.default, measure) == setting.default
    assert setting.accepted


def test_plain_annotations_are_options_too() -> None:
    def made(stage: Any, *, size=1.0, count: int = 2, name: str | None = None, flag=False) -> Any:
        yield

    found = settings_of(made)
    assert {key: s.kind for key, s in found.items()} == {"size": float, "count": int, "name": str, "flag": bool}
    assert found["size"].read("4.7e3", "mine") == 4700.0
    assert found["name"].read(None, "mine") is None


def test_a_measure_whose_options_cannot_be_read_is_refused_when_it_is_made() -> None:
    def without(stage: Any, *, level: Annotated[float, Option("V")]) -> Any:
        yield

    def strange(stage: Any, *, level: dict[str, float] = {}) -> Any:  # noqa: B006
        yield

    with pytest.raises(InputError, match="level has no default"):
        settings_of(without)
    with pytest.raises(InputError, match="give it the type float, int"):
        settings_of(strange)


def test_an_option_that_is_not_there_gives_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match="did you mean frequency"):
        get_measure("headroom").check({"frequncy": 1.0})
