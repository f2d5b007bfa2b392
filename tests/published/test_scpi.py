"""Reply forms against the standards: IEEE 488.2 numbers and blocks, SCPI-1999 special values and error list."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.driver import BadReply
from benchlog_drivers import ieee488

DATA = Path(__file__).parent / "data"

# IEEE 488.2 7.7.2.1 and 8.7.2 to 8.7.4; the last of NR3 is from memory.
NR1 = {"146": 146.0, "+146": 146.0, "-12345": -12345.0}
NR2 = {"12.3": 12.3, "+1.2345": 1.2345, "-0.123": -0.123}
NR3 = {"1.23E+6": 1.23e6, "123.4E-54": 123.4e-54, "-1234.567E+90": -1234.567e90}
# Common practice, no source: what instruments send besides.
SEEN = {" 12.3": 12.3, "12.3 ": 12.3, "1.23E6": 1.23e6, "1.23e+06": 1.23e6, "5.": 5.0, ".5": 0.5, "12.3\r": 12.3}


@pytest.mark.parametrize(("text", "value"), [*NR1.items(), *NR2.items(), *NR3.items(), *SEEN.items()])
def test_number_forms(text: str, value: float) -> None:
    assert ieee488.number(text) == value
    assert ieee488.numbers(text) == {0: value}


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "NaN", "inf", "-inf", "infinity", "1_0", "0x10", "#H1F", "1,5", "1 2", "- 5", "1.2.3", "E5", "1E",
     "1.0E+", "--1", "12.3 W", "1e5e5", "٣", "1E999", "-1E400", "."],
)  # fmt: skip
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(BadReply) as caught:
        ieee488.number(text)
    assert caught.value.said == text


# SCPI-1999 volume 1, 7.2.1 (the clause from memory); the spellings were seen in instruments' replies.
@pytest.mark.parametrize("text", ["9.91E37", "9.91e37", "9.91000E+37", "-9.91000E+37", "+9.91E+37"])
def test_not_a_number_is_told(text: str) -> None:
    assert math.isnan(ieee488.number(text))


@pytest.mark.parametrize(
    ("text", "value"),
    [("9.9E37", math.inf), ("-9.9E37", -math.inf), ("+9.90000000E+37", math.inf), ("9.9E+37", math.inf)],
)
def test_infinity_is_told(text: str, value: float) -> None:
    assert ieee488.number(text) == value


@pytest.mark.parametrize("text", ["9.89E37", "9.92E37", "9.9E36", "9.9E38"])
def test_numbers_near_the_special_ones_are_numbers(text: str) -> None:
    assert ieee488.number(text) == float(text)


def test_lists_keep_positions() -> None:
    assert ieee488.numbers("+1.0E0, 2,-3.5") == {0: 1.0, 1: 2.0, 2: -3.5}
    assert ieee488.numbers('1.5,"W, as ""RMS""",2') == {0: 1.5, 2: 2.0}
    assert ieee488.numbers("1.5;2.5") == {0: 1.5, 1: 2.5}, "replies to two questions, 488.2 8.4"


@pytest.mark.parametrize("text", ["1,,2", "1,", ",1", '"12"', '1,"W', '1,"W"2', "1,x", ""])
def test_what_is_no_list(text: str) -> None:
    with pytest.raises(BadReply) as caught:
        ieee488.numbers(text)
    assert caught.value.said == text


# IEEE 488.2 7.7.6.2 and 8.7.9 to 8.7.10.
@pytest.mark.parametrize("reply", [b"#15HELLO", b"#3005HELLO", b"#0HELLO"])
def test_blocks(reply: bytes) -> None:
    assert ieee488.contents(reply) == b"HELLO"
    assert ieee488.end_of_reply(reply + b"\n", b"\n") == len(reply)


def test_a_definite_block_may_hold_the_terminator() -> None:
    reply = b"#211HELLO\nWORLD"
    assert ieee488.end_of_reply(reply + b"\n", b"\n") == len(reply)
    assert ieee488.contents(reply) == b"HELLO\nWORLD"
    for cut in range(len(reply) + 1):
        assert ieee488.end_of_reply(reply[:cut], b"\n") is None


@pytest.mark.parametrize("reply", [b"#16HELLO", b"#14HELLO", b"#", b"#x5HELLO", b"#2", b"#2x5HELLO"])
def test_what_is_no_block(reply: bytes) -> None:
    with pytest.raises(BadReply):
        ieee488.contents(reply)


def test_a_block_longer_than_its_count_is_told_while_it_arrives() -> None:
    with pytest.raises(BadReply):
        ieee488.end_of_reply(b"#14HELLO\n", b"\n")
    with pytest.raises(BadReply):
        ieee488.end_of_reply(b"#2x5HELLO\n", b"\n")


def test_error_list() -> None:
    """SCPI-1999 volume 2, 21.8: every number, in the form ``<number>,"<text>[;<device info>]"``."""
    with (DATA / "scpi_errors.csv").open(newline="") as rows:
        listed = list(csv.DictReader(rows))
    assert len(listed) >= 70
    for row in listed:
        number, text = int(row["number"]), row["text"]
        assert ieee488.error(f'{number},"{text}"') == (number, text)
        assert ieee488.error(f'{number:+d}, "{text};slot 3"\r') == (number, f"{text};slot 3")


@pytest.mark.parametrize("reply", ['0,"No error"', '+0,"No error"', "0,No error", "0"])
def test_an_empty_queue_is_number_zero(reply: str) -> None:
    assert ieee488.error(reply)[0] == 0


@pytest.mark.parametrize("reply", ["", "No error", "1.5", '"-113,Undefined header"', "+1.2E+01"])
def test_what_is_no_entry(reply: str) -> None:
    with pytest.raises(BadReply):
        ieee488.error(reply)


def test_quotes_in_an_error_are_single_again() -> None:
    assert ieee488.error('-113,"Undefined header;""FOO"""') == (-113, 'Undefined header;"FOO"')


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(["{:.17g}", "{:+.17E}", "{:.17e}"]))
def test_every_number_survives(value: float, form: str) -> None:
    text = form.format(value)
    if abs(value) not in (9.9e37, 9.91e37):
        assert ieee488.number(text) == value


@given(st.text(max_size=40))
def test_any_text_is_numbers_or_a_bad_reply(text: str) -> None:
    try:
        found = ieee488.numbers(text)
    except BadReply as exc:
        assert exc.said == text
    else:
        assert found
        assert all(isinstance(value, float) for value in found.values())


@given(st.binary(max_size=300))
def test_a_block_survives_its_frame(data: bytes) -> None:
    count = str(len(data)).encode()
    reply = b"#" + str(len(count)).encode() + count + data
    assert ieee488.end_of_reply(reply + b"\r\n", b"\r\n") == len(reply)
    assert ieee488.contents(reply) == data


@given(st.binary(max_size=60))
def test_any_bytes_have_an_end_or_none_or_are_bad(data: bytes) -> None:
    try:
        at = ieee488.end_of_reply(data, b"\n")
        if at is not None:
            assert data[at : at + 1] == b"\n"
            ieee488.contents(data[:at])
    except BadReply:
        pass


REPLIES = st.one_of(
    st.binary(max_size=20),
    st.text("+-.0123456789eE_ naif#", max_size=14).map(str.encode),
    st.floats().map(lambda value: f"{value:+.8E}".encode()),
    st.sampled_from([b"9.9E37", b"-9.9E37", b"9.91E37", b"9.900001E37", b"1E999", b"nan", b"1_0", b"1e", b".", b""]),
)


@given(REPLIES)
def test_the_quick_way_to_a_plain_number_is_the_slow_way_or_none(reply: bytes) -> None:
    value = ieee488.plain_number(reply)
    assert value is None or {0: value} == ieee488.numbers(ieee488.contents(reply).decode("ascii"))
