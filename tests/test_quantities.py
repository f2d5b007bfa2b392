"""What people write, as numbers; and what they may not write."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.quantities import DIMENSIONS, Dimension, dimension_of, linear, parse, plain, show, to_si


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("14.300 MHz", "frequency", 14_300_000.0),
        ("100 kHz", "frequency", 100_000.0),
        ("10.120MHz", "frequency", 10_120_000.0),
        ("60 W", "power", 60.0),
        ("1.5 kW", "power", 1500.0),
        ("250 mW", "power", 0.25),
        ("50 dBm", "power", 100.0),
        ("20 dBW", "power", 100.0),
        ("-100 V", "voltage", -100.0),
        ("120 mA", "current", 0.12),
        ("200 ms", "time", 0.2),
        ("3 min", "time", 180.0),
        ("8 h", "time", 28800.0),
        ("90 degC", "temperature", 90.0),
        ("212 degF", "temperature", 100.0),
        ("10 %", "ratio", 0.1),
        ("30 ppm", "ratio", 3e-5),
        ("7 %", "ratio", 0.07),
        ("200 Hz/h", "drift", 200 / 3600),
        ("1 kHz/h", "drift", 1000 / 3600),
        ("1e3 Hz", "frequency", 1000.0),
        (" 5 W ", "power", 5.0),
    ],
)
def test_what_people_write(text: str, dimension: Dimension, si: float) -> None:
    assert parse(text, dimension) == pytest.approx(si, rel=1e-15)


def test_ratios_are_the_nearest_number_to_what_was_written() -> None:
    """So that a value on the limit ties with it."""
    assert parse("30 ppm", "ratio") == 30 / 10**6
    assert parse("10 %", "ratio") == 0.1


@pytest.mark.parametrize(
    "text",
    [
        "",
        "W",
        "60",
        "60 Wats",
        "0,5 W",
        "1_000 W",
        "nan W",
        "inf W",
        "0x10 W",
        "1e999 W",
        "60 V",
        "- 5 W",
        "6 0 W",
        "１ W",
    ],
)
def test_what_is_no_power(text: str) -> None:
    with pytest.raises(ValueError, match='a power is written like "60 W"'):
        parse(text, "power")


@pytest.mark.parametrize("found", [60, 60.0, True, None, ["60 W"]])
def test_a_bare_number_has_no_unit(found: object) -> None:
    with pytest.raises(ValueError, match="with its unit, in quotes"):
        parse(found, "power")


@given(st.text(max_size=20), st.sampled_from(DIMENSIONS))
def test_any_text_is_a_finite_number_or_a_clear_error(text: str, dimension: Dimension) -> None:
    try:
        number = parse(text, dimension)
    except ValueError as exc:
        assert "is written like" in str(exc)
    else:
        assert math.isfinite(number)
        assert any(c.isdigit() for c in text), "a number was invented"


@given(st.floats(-1e9, 1e9), st.sampled_from(["W", "mW", "kHz", "MHz", "mA", "V", "degF", "K"]))
def test_linear_units_are_linear(value: float, unit: str) -> None:
    factor, offset = linear(unit)
    assert to_si(value, unit) == factor * value + offset


@pytest.mark.parametrize(
    ("unit", "dimension"), [("dBm", "power"), ("mV", "voltage"), ("MHz", "frequency"), ("degC", "temperature")]
)
def test_units_of_channels(unit: str, dimension: str) -> None:
    assert dimension_of(unit) == dimension


@pytest.mark.parametrize("unit", ["", "watts", "Hz/", "furlong", "W W", "1 W"])
def test_unknown_units(unit: str) -> None:
    with pytest.raises(ValueError, match="unknown unit"):
        dimension_of(unit)


def test_an_absurd_reading_in_decibels_is_beyond_any_limit_and_no_crash() -> None:
    assert to_si(1e6, "dBm") == math.inf
    assert to_si(-1e6, "dBm") == 0.0


def test_numbers_that_stand_beside_others_of_their_unit() -> None:
    assert plain(2100.24, "Hz") == "2100 Hz"
    assert plain(453.14, "Hz") == "453.1 Hz"
    assert plain(300.0, "Hz") == "300 Hz"
    assert plain(-0.0123456, "A") == "-0.01235 A"
    assert plain(10.06, "Hz", 2) == "10 Hz"
    assert plain(0.0, "W") == "0 W"


def test_numbers_for_people() -> None:
    assert show(14.3e6, "Hz") == "14.3 MHz"
    assert show(95.32, "W") == "95.32 W"
    assert show(0.1, "A") == "100 mA"
    assert show(12.345, "%", 3) == "12.3 %"
