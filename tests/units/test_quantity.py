"""Quantities: IEC 60062 codes, SI prefixes, units that are checked, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simwrap.errors import QuantityError
from simwrap.units.quantity import parse, render

# Source: IEC 60062 (letter and digit code), the examples in handbook/standards.md section 2 [memory].
IEC_60062 = [
    ("4K7", "ohm", 4.7e3),
    ("R47", "ohm", 0.47),
    ("1M0", "ohm", 1.0e6),
    ("4n7", "F", 4.7e-9),
    ("p33", "F", 0.33e-12),
    ("100R", "ohm", 100.0),
    ("2m2", "F", 2.2e-3),
]


@pytest.mark.parametrize(("text", "unit", "value"), IEC_60062)
def test_iec_60062_codes(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4k7", "ohm", 4.7e3),
        ("4k7 ohm", "ohm", 4.7e3),
        ("4k7Ω", "ohm", 4.7e3),
        ("1M5", "ohm", 1.5e6),
        ("220k", "ohm", 220e3),
        ("220K", "ohm", 220e3),
        ("1M", "ohm", 1e6),
        ("1m", "ohm", 1e-3),
        ("1meg", "ohm", 1e6),
        ("2.2MEG", "ohm", 2.2e6),
        ("1 megohm", "ohm", 1e6),
        ("100 kohm", "ohm", 100e3),
        ("1.5 kohm", "ohm", 1500.0),
        ("1.5 kΩ", "ohm", 1500.0),
        ("1.5 k\u2126", "ohm", 1500.0),
        ("470 ohms", "ohm", 470.0),
        ("1e3", "ohm", 1000.0),
        ("1.5e3 ohm", "ohm", 1500.0),
        (" 47 ", "ohm", 47.0),
        ("22n", "F", 22e-9),
        ("22 nF", "F", 22e-9),
        ("22nf", "F", 22e-9),
        ("0.1uF", "F", 1e-7),
        ("0.1 µF", "F", 1e-7),
        ("0.1 \u03bcF", "F", 1e-7),
        (".1u", "F", 1e-7),
        ("4n7F", "F", 4.7e-9),
        ("4µ7", "F", 4.7e-6),
        ("100p", "F", 100e-12),
        ("1F", "F", 1.0),
        ("1m", "F", 1e-3),
        ("0", "F", 0.0),
        ("10 H", "H", 10.0),
        ("10m", "H", 0.01),
        ("285 V", "V", 285.0),
        ("6V3", "V", 6.3),
        ("6.3 volts", "V", 6.3),
        ("-1.5 V", "V", -1.5),
        ("\u22121.5 V", "V", -1.5),
        ("500mV", "V", 0.5),
        ("1.2 mA", "A", 1.2e-3),
        ("250 mW", "W", 0.25),
        ("1 kHz", "Hz", 1000.0),
        ("20khz", "Hz", 20e3),
        ("50 us", "s", 50e-6),
        ("1.6 mA/V", "S", 1.6e-3),
        ("1600 uS", "S", 1600e-6),
        ("-3 dB", "dB", -3.0),
        ("45 deg", "degree", 45.0),
        ("5 %", "%", 5.0),
        ("5", "%", 5.0),
        ("50 %", "", 0.5),
        ("0.5", "position", 0.5),
        ("31", "ratio", 31.0),
    ],
)
def test_text(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize("number", [47, 47.0, np.float64(47), np.int64(47), np.float32(47)])
def test_numbers_pass_as_they_are(number: object) -> None:
    value = parse(number, "ohm")
    assert value == 47.0
    assert type(value) is float


def test_the_error_shows_the_reading() -> None:
    with pytest.raises(QuantityError) as caught:
        parse("1k5k", "ohm", "cathode_resistor")
    assert str(caught.value) == (
        'cathode_resistor: "1k5k" was read as 1 with unit "k5k"; give a resistance such as 1500, "1k5" or "1.5 kohm"'
    )


@pytest.mark.parametrize(
    ("given_value", "unit", "words"),
    [
        # Another unit than the parameter takes: both are named.
        ("22 nF", "ohm", ["a capacitance", "22 nF", "a resistance"]),
        ("100 kohm", "F", ["a resistance, 100 kohm", "a capacitance"]),
        ("285 V", "A", ["a voltage", "a current"]),
        ("1 S", "s", ["a conductance", "a time"]),
        ("1 s", "S", ["a time", "a conductance"]),
        ("1 A", "V", ["a current", "a voltage"]),
        ("4n7F", "ohm", ["a capacitance"]),
        ("22 ohm", "", ["a resistance", "a plain number"]),
        # Prefixes that the quantity hasn't in any real part.
        ("22n", "ohm", ['unit "n"']),
        ("4n7", "ohm", ["a capacitance, 4n7"]),
        ("4k7", "F", ["a resistance, 4k7"]),
        ("1M", "F", ['unit "M"', "microfarad"]),
        ("25 MFD", "F", ["microfarad"]),
        ("25 mf", "F", ["microfarad"]),
        ("1f", "F", ['unit "f"']),
        ("1k", "", ['unit "k"']),
        # Malformed numbers.
        ("1k5k", "ohm", ["k5k"]),
        ("4k7k", "ohm", ["k7k"]),
        ("1.5k5", "ohm", ['read as 1.5 with unit "k5"']),
        ("1 k 5", "ohm", ['unit "k 5"']),
        ("1..5", "ohm", ["read as 1."]),
        ("1 5", "ohm", ['read as 1 with unit "5"']),
        ("--5", "ohm", ["not read as a number"]),
        ("0x10", "ohm", ['unit "x10"']),
        ("1e", "ohm", ['unit "e"']),
        ("k", "ohm", ["not read as a number"]),
        ("R", "ohm", ["not read as a number"]),
        ("", "ohm", ["is empty"]),
        ("   ", "ohm", ["is empty"]),
        ("4,7k", "ohm", ["comma", "only a point"]),
        ("1,000", "ohm", ["comma"]),
        ("1_000", "ohm", ["underscore"]),
        ("nan", "ohm", ["not read as a number"]),
        ("inf", "ohm", ["not read as a number"]),
        ("1e400", "ohm", ["larger than"]),
        ("1e-400", "ohm", ["smaller than"]),
        # Not numbers at all.
        (math.nan, "ohm", ["is not a number"]),
        (math.inf, "ohm", ["is not finite"]),
        (-math.inf, "V", ["is not finite"]),
        (10**400, "ohm", ["is not finite"]),
        (True, "ohm", ["a bool"]),
        (np.True_, "ohm", ["a bool"]),
        (None, "ohm", ["nothing"]),
        (1 + 2j, "ohm", ["a complex"]),
        ([1], "ohm", ["a list"]),
        (b"4k7", "ohm", ["a bytes"]),
    ],
)
def test_refused(given_value: object, unit: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(given_value, unit, "part")
    message = str(caught.value)
    assert message.startswith("part: ")
    assert "\n" not in message
    for word in words:
        assert word in message.replace('\\"', '"')


@pytest.mark.parametrize(
    "text",
    [
        "4k7\n",
        "\n4k7",
        "4k7\r.control",
        "4k7\n.control\nshell ls\n.endc",
        "4k7\x0c",
        "4k7\u2028",
        "4k7\u2029",
        "4k7\x85",
        "4\u00a0k",
        "4\tk",
        "`4k7`",
        "{4k7}",
        "$4k7",
        "4k7;",
        "\u0664k7",
        "\uff14k7",
        "4k7\x00",
    ],
)
@pytest.mark.parametrize("unit", ["ohm", "V", ""])
def test_separators_and_other_scripts_are_refused(text: str, unit: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, unit, "part")
    assert str(caught.value).isascii()
    assert str(caught.value).isprintable()


@given(st.text(max_size=12))
def test_any_text_gives_a_finite_float_or_a_quantity_error(text: str) -> None:
    for unit in ("ohm", "F", ""):
        try:
            value = parse(text, unit)
        except QuantityError:
            continue
        assert math.isfinite(value)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_repr_of_a_float_comes_back_exactly(number: float) -> None:
    assert parse(repr(number), "V") == number


@given(
    st.integers(1, 999),
    st.sampled_from([("p", -12), ("n", -9), ("u", -6), ("µ", -6), ("m", -3)]),
    st.sampled_from(["", "F", " F"]),
)
def test_prefixes_are_exact_powers_of_ten(whole: int, prefix: tuple[str, int], unit: str) -> None:
    # SI brochure (9th edition, table 7): p, n, micro and m are 1e-12, 1e-9, 1e-6 and 1e-3.
    assert parse(f"{whole}{prefix[0]}{unit}", "F") == float(f"{whole}e{prefix[1]}")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4.7 kΩ"),
        (0.47, "ohm", "470 mΩ"),
        (1e6, "ohm", "1 MΩ"),
        (2.2e-8, "F", "22 nF"),
        (100e-6, "F", "100 µF"),
        (1.52, "V", "1.52 V"),
        (-1.523456, "V", "-1.523 V"),
        (999.96, "Hz", "1 kHz"),
        (20e3, "Hz", "20 kHz"),
        (1.6e-3, "S", "1.6 mS"),
        (0.0, "A", "0 A"),
        (math.nan, "V", "not found"),
        (math.inf, "V", "∞ V"),
        (-3.0103, "dB", "-3.01 dB"),
        (0.0123, "dB", "0.0123 dB"),
        (5.0, "%", "5 %"),
        (0.5, "", "0.5"),
        (48211.0, "", "48210"),
        (45.0, "degree", "45°"),
        (4.9864e-9, "V/rtHz", "4.986 nV/rtHz"),
        (1e-20, "A", "1e-05 fA"),
    ],
)
def test_render(value: float, unit: str, text: str) -> None:
    assert render(value, unit) == text


@pytest.mark.parametrize(
    ("value", "digits", "text"), [(151e3, 2, "150 kΩ"), (680.0, 2, "680 Ω"), (99.0, 1, "100 Ω"), (4700.0, 1, "5 kΩ")]
)
def test_few_digits_need_no_power_of_ten(value: float, digits: int, text: str) -> None:
    assert render(value, "ohm", digits=digits) == text


@pytest.mark.parametrize("unit", ["ohm", "F", "H", "V", "A", "W", "Hz", "s", "S", "dB", "%", "degree", ""])
@given(mantissa=st.integers(1000, 9999), exponent=st.integers(-6, 2))
def test_what_is_rendered_is_read_back(unit: str, mantissa: int, exponent: int) -> None:
    value = float(f"{mantissa}e{exponent}")
    text = render(value, unit, digits=4)
    try:
        again = parse(text, unit)
    except QuantityError:
        # Sizes for which no part exists, such as "5 kF", are written but not read.
        assert any(large in text for large in ("k", "M", "n", "µ"))
    else:
        assert again == value
