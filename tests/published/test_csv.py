"""Examples out of the standards that the CSV exchange keeps: RFC 4180 (CSV) and RFC 3339 (date and time).

Each value names where it stands. "computed" beside a number: recomputed by the test itself, from the calendar alone.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchlog.clock import rfc3339
from benchlog.errors import BadFile
from benchlog.store.csv_rows import read_csv
from benchlog.store.timestamps import epoch_ns

T = "2026-11-25T09:03:09Z"


@pytest.mark.parametrize(
    ("text", "seconds", "ns"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050, 520_000_000),  # RFC 3339 section 5.8
        ("1996-12-19T16:39:57-08:00", 851042397, 0),  # RFC 3339 section 5.8 (from memory), seconds computed
        ("1996-12-20T00:39:57Z", 851042397, 0),  # the same, as the RFC says it is equivalent (from memory)
        ("1937-01-01T12:00:27.87+00:20", -1041337173, 870_000_000),  # -1041337172.13 s; section 5.8 (from memory)
    ],
)
def test_rfc_3339_examples(text: str, seconds: int, ns: int) -> None:
    assert epoch_ns(text) == seconds * 10**9 + ns
    assert rfc3339(epoch_ns(text), 9) == (
        f"{datetime.fromtimestamp(seconds, tz=UTC):%Y-%m-%dT%H:%M:%S}.{ns:09d}Z"  # computed
    )


def test_rfc_3339_leap_second_examples() -> None:
    """Section 5.8 (from memory): both name the leap second inserted at the end of 1990.

    POSIX time has no place of its own for it; we count it as the second after, which is our decision.
    """
    leap = epoch_ns("1990-12-31T23:59:60Z")
    assert leap == epoch_ns("1990-12-31T15:59:60-08:00") == epoch_ns("1991-01-01T00:00:00Z")
    assert leap - epoch_ns("1990-12-31T23:59:59Z") == 10**9
    for never in ("1990-12-30T23:59:60Z", "1990-12-31T23:59:60+01:00", "1990-12-31T12:00:60Z"):
        with pytest.raises(ValueError, match="leap second"):
            epoch_ns(never)


def test_rfc_3339_letters_offsets_and_fractions() -> None:
    """Section 5.6: T and Z may be lower case (from memory); section 4.3: -00:00 is UTC (from memory)."""
    same = epoch_ns("1985-04-12T23:20:50.52Z")
    for text in ("1985-04-12t23:20:50.52z", "1985-04-12T23:20:50.520000000-00:00", "1985-04-13T05:05:50.52+05:45"):
        assert epoch_ns(text) == same


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1985-04-12",
        "1985-04-12T23:20Z",
        "1985-04-12T23:20:50",
        "1985-4-12T23:20:50Z",
        "1985-04-12T23:20:50.Z",
        "1985-04-12T23:20:50,52Z",
        "1985-04-12T23:20:50+0100",
        "1985-04-12T23:20:50+24:00",
        "1985-04-31T00:00:00Z",
        "0000-01-01T00:00:00Z",
        "1985-04-12T23:60:50Z",
        "1985-04-12T23:20:61Z",
        "1985-04-12T23:20:50Z ",
        "19850412T232050Z",
        "１985-04-12T23:20:50Z",
    ],
)
def test_what_the_grammar_of_section_5_6_does_not_allow(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        epoch_ns(text)


@pytest.mark.parametrize(
    "text",
    [
        f"time,channel,value\r\n{T},a,1\r\n",  # RFC 4180 section 2, rule 1: CRLF (from memory)
        f"time,channel,value\r\n{T},a,1",  # rule 2: the last line break may be missing (from memory)
        f'"time","channel","value"\r\n"{T}","a","1"\r\n',  # rule 5: fields may be quoted (from memory)
        f"time,channel,value\n{T},a,1\n",  # beyond the RFC, and what most files have
    ],
)
def test_rfc_4180_forms_of_one_file(tmp_path: Path, text: str) -> None:
    (tmp_path / "f.csv").write_bytes(text.encode())
    assert read_csv(tmp_path / "f.csv", ["a"])["a"].value.tolist() == [1.0]


@pytest.mark.parametrize(
    ("field", "name"),
    [
        ('"b""bb"', 'b"bb'),  # rule 7: a quote in a quoted field is doubled (from memory)
        ('"b CRLF bb"'.replace(" CRLF ", "\r\n"), "b\r\nbb"),  # rule 6: line breaks in quotes (from memory)
        ('"b,bb"', "b,bb"),  # rule 6: commas in quotes (from memory)
        (" b ", " b "),  # rule 4: spaces are part of a field (from memory)
    ],
)
def test_rfc_4180_fields(tmp_path: Path, field: str, name: str) -> None:
    (tmp_path / "f.csv").write_bytes(f"time,channel,value\r\n{T},{field},1\r\n".encode())
    assert list(read_csv(tmp_path / "f.csv", [name, "b"])) == [name]


def test_rfc_4180_every_line_has_as_many_fields(tmp_path: Path) -> None:
    """Rule 4 (from memory)."""
    (tmp_path / "f.csv").write_bytes(f"time,channel,value\r\n{T},a,1,\r\n".encode())
    with pytest.raises(BadFile, match=r"line 2 .*4 fields; the header has 3"):
        read_csv(tmp_path / "f.csv", ["a"])
