"""Mistakes of a first day at the bench, and terminals that are not as ours: what is said helps, and nothing is lost."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from benchlog.cli import main
from tests.cli.conftest import ROOT
from tests.cli.inside import inside

BENCH = (ROOT / "config" / "bench.toml").read_bytes()
PLAN = (ROOT / "config" / "plan.toml").read_bytes()


def checked(folder: Path, bench: bytes = BENCH, plan: bytes = PLAN, status: int = 2) -> str:
    (folder / "bench.toml").write_bytes(bench)
    (folder / "plan.toml").write_bytes(plan)
    return inside("check", folder=folder, status=status).stderr


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b'range = "250 W"', b"range = 250 W", ['range = 250 W  ', 'it stands in quotes: range = "250 W"']),
        (b'range = "250 W"', b"#\xe2\x80\xa8\nrange = 250 W", ['range = 250 W  ', 'in quotes: range = "250 W"']),
        (b'name = "North bench"', b'name = "North bench', ['line 8: name = "North', "a closing quote missing?"]),
        (b'of_reading = "1 ppm"', b'of_reading = "0,5 ppm"', ['"0,5 ppm": not a number', "a point and no comma"]),
        (b"# An example bench", b"# R\xf6hre\n# An example bench", ["line 1: not UTF-8 text"]),
    ],
)  # fmt: skip
def test_the_line_and_the_cure_are_told(tmp_path: Path, old: bytes, new: bytes, says: list[str]) -> None:
    assert old in BENCH
    error = checked(tmp_path, BENCH.replace(old, new, 1))
    assert "bench.toml: 1 fault" in error
    for part in says:
        assert part in error


def test_a_mode_in_capitals_is_known_again(tmp_path: Path) -> None:
    assert 'did you mean "cw"?' in checked(tmp_path, plan=PLAN.replace(b'mode = "cw"', b'mode = "CW"', 1))


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    marked = (b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n") for text in (BENCH, PLAN))
    bench, plan = (text.replace(b"TCPIP::127.0.0.1::502", b"TCPIP::127.0.0.1::0") for text in marked)
    assert "fault" not in checked(tmp_path, bench, plan, status=3)


def test_check_says_what_to_look_at_and_which_channels_a_person_reads(tmp_path: Path) -> None:
    bench = BENCH.replace(b"::5025::", b"::9::").replace(b"/dev/ttyUSB0", str(tmp_path / "none").encode())
    (tmp_path / "bench.toml").write_bytes(bench)
    (tmp_path / "plan.toml").write_bytes(PLAN)
    said = inside("check", folder=tmp_path, status=3).stdout
    assert "! wattmeter, at TCPIP::127.0.0.1::9::SOCKET: the computer is there, but nothing listens" in said
    assert f"! voltmeter, at {tmp_path / 'none'}: no such device" in said.replace("\n", "")
    assert "a person: benchlog enter" in said
    assert "grid current" in said


@pytest.mark.parametrize(("by", "word"), [(";", "semicolons"), ("\t", "tabs")])
def test_columns_parted_otherwise_are_told_once(tmp_path: Path, by: str, word: str) -> None:
    rows = "time,channel,value\n2026-11-25T09:00:00Z,power,98.5\n"
    (tmp_path / "r.csv").write_text(rows.replace(",", by))
    checked(tmp_path, status=3)
    said = inside("import", "r.csv", folder=tmp_path, status=2).stderr
    assert "1 fault\n  line 1, header" in said
    assert f"columns are parted by {word}" in said
    (tmp_path / "r.csv").write_text(rows.replace("98.5", "98,5"))
    assert "4 fields; the header has 3; a number takes a point" in inside("import", "r.csv", folder=tmp_path).stderr
    assert not (tmp_path / "bench.benchlog").exists()


def test_a_misspelt_command_is_known_again() -> None:
    assert "Did you mean 'report'?" in inside("rport", status=2).stderr
    assert "Did you mean" not in inside("xyzzy", status=2).stderr


def test_a_terminal_without_our_characters_shows_what_it_can(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "argv", ["benchlog", "--version"])
    with pytest.raises(SystemExit):
        main()
    print("142 ± 14 W, −3 °C, 漢", file=out, flush=True)
    assert out.buffer.getvalue().endswith(b"142 +/- 14 W, -3 deg C, ?\n")  # type: ignore[attr-defined]
