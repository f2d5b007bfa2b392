"""Lines to numbers by a pattern of named groups."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.driver import BadReply
from benchlog.files import validate
from benchlog_drivers.serial_text import SerialTextOptions
from benchlog_drivers.text import fields

TWO = r"P=(?P<power>\S+) W(?:, S=(?P<swr>\S+))?"


def test_each_group_is_a_number() -> None:
    assert fields("P=+1.5E2 W, S=1.2\r", TWO) == {"power": 150.0, "swr": 1.2}
    assert fields("P=99 W", TWO) == {"power": 99.0}


@pytest.mark.parametrize("line", ["", "P= W", "xP=1 W", "P=1 Wx", "P=nan W", "P=1_0 W", "P=0x1 W", "P=1 W, S=ten"])
def test_what_is_no_reading(line: str) -> None:
    with pytest.raises(BadReply) as caught:
        fields(line, TWO)
    assert caught.value.said == line


def test_part_of_a_line_is_no_reading() -> None:
    """The end of a cut line looks like a smaller number."""
    pattern = r"(?P<value>\d\d\.\d) W"
    assert fields("12.3 W", pattern) == {"value": 12.3}
    for cut in range(1, len("12.3 W")):
        with pytest.raises(BadReply):
            fields("12.3 W"[cut:], pattern)


def test_over_range_is_what_the_options_say() -> None:
    assert fields("P=OL W", TWO, "OL") == {"power": math.inf}
    with pytest.raises(BadReply):
        fields("P=OL W", TWO)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"pattern": r"(?P<a>\d"}, "not a pattern"),
        ({"pattern": r"(\d+)"}, "needs a named group"),
        ({"stop_bits": 3}, "1, 1.5 or 2"),
        ({"data_bits": 9}, "data_bits"),
        ({"parity": "maybe"}, "parity"),
        ({"quiet": 0.1}, "quotes"),
        ({"boud": 9600}, 'did you mean "baud"'),
    ],
)
def test_bad_options_are_told_when_the_bench_file_is_read(options: dict[str, object], says: str) -> None:
    faults = validate(SerialTextOptions, options)
    assert isinstance(faults, list)
    assert says in str(faults[0])


def test_options_as_toml_has_them() -> None:
    read = validate(SerialTextOptions, {"baud": 1200, "stop_bits": 2, "parity": "even", "data_bits": 7, "late": "2 s"})
    assert isinstance(read, SerialTextOptions)
    assert read.character_s == pytest.approx(11 / 1200)


@given(st.text(max_size=30))
def test_any_line_is_fields_or_a_bad_reply(line: str) -> None:
    try:
        assert fields(line, r"(?P<value>\S+)")
    except BadReply as exc:
        assert exc.said == line
