"""Timetable files: what they say, and every fault in them."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.errors import BadFile
from benchlog.files import TomlFile
from benchlog.plan import load_plan
from benchlog.timetable import Timetable, load_timetable, misfits, timetable_from

ROOT = Path(__file__).parent.parent.parent
A_WATCH = '[[start]]\nname = "w"\nrun = "watch"\nlasts = "8 h"\n'
A_SOAK = '[[start]]\nname = "s"\nrun = "soak"\nmay_key = true\n'


def read(text: str) -> Timetable:
    return timetable_from(TomlFile(Path("t.toml"), text))


def test_the_example_has_no_faults_and_fits_the_example_bench() -> None:
    timetable = load_timetable(ROOT / "config/timetable.toml")
    assert timetable.starts[0].resume
    assert timetable.calibrations[0].due == date(2027, 6, 30)
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(ROOT / "config/plan.toml")
    assert misfits(timetable, bench, plan) == []


def test_times_are_read_in_each_way() -> None:
    timetable = read(
        f'{A_WATCH}at = ["22:00", "06:30:15", "22:00"]\ndays = ["mon", "fri"]\n'
        f'{A_SOAK}once = 2027-01-31T22:00:00Z\n[backup]\nevery = "6 h"\nfolder = "b"\n'
    )
    watch, soak = timetable.starts
    assert watch.at == (time(6, 30, 15), time(22))
    assert watch.lasts == 8 * 3600
    assert soak.once == datetime(2027, 1, 31, 22, tzinfo=UTC)
    assert timetable.backup is not None
    assert (timetable.backup.every, timetable.backup.keep) == (6 * 3600, 14)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "nothing is to be done at any time"),
        (A_WATCH, "say when, in one way"),
        (A_WATCH + 'at = "22:00"\nevery = "1 h"\n', "say when, in one way"),
        (A_WATCH + 'at = "24:00"\n', "a time of day is written"),
        (A_WATCH + 'at = "9:30"\n', "a time of day is written"),
        (A_WATCH + "at = []\n", "no time at all"),
        (A_WATCH + "at = 22\n", "a time of day is written"),
        (A_WATCH + 'every = "1 h"\ndays = ["mon"]\n', "days belongs to at"),
        (A_WATCH + 'at = "22:00"\ndays = ["monday"]\n', 'did you mean "mon"?'),
        (A_WATCH + 'every = "0.5 s"\n', "every must be at least 1 s"),
        (A_WATCH + 'at = "22:00"\nmaykey = true\n', 'did you mean "may_key"?'),
        (A_WATCH + 'at = "22:00"\nresume = "yes"\n', "should be a valid boolean"),
        ('[[start]]\nname = "w"\nrun = "watch"\nat = "22:00"\n', 'a watch needs lasts = "8 h"'),
        (A_SOAK + 'at = "22:00"\nlasts = "1 h"\n', "a heat run lasts as long as the plan says"),
        (A_SOAK.replace("true", "false") + 'at = "22:00"\n', "refused without may_key = true"),
        ('[[start]]\nname = "w"\nrun = "sweep"\nat = "22:00"\n', "not one of the known values"),
        ((A_WATCH + 'at = "22:00"\n') * 2, "two starts of one name"),
        (A_WATCH.replace('"w"', '"backup"') + 'at = "22:00"\n', "the program's own entries"),
        ('zone = "Mars/Olympus"\n' + A_WATCH + 'at = "22:00"\n', "not a time zone"),
        ('[backup]\nat = "05:30"\n', "this key is missing"),
        ('[backup]\nat = "05:30"\nfolder = "b"\nkeep = 0\n', "greater than or equal to 1"),
        ('[[calibration]]\ninstrument = "x"\ndue = "soon"\n', "should be a valid date"),
        (A_WATCH + 'at = "22:00"\n[notices]\nwebhook = "bench.example"\n', "an address of the web"),
        (A_WATCH + 'at = "22:00"\n[notices]\nwebhook = "http://h:99999/"\n', "not an address of the web"),
        (A_WATCH + 'at = "22:00"\n[notices]\ncommand = "rm -rf"\n', "valid tuple"),
    ],
)
def test_a_fault_is_told(text: str, fault: str) -> None:
    with pytest.raises(BadFile) as raised:
        read(text)
    assert fault in str(raised.value)


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(BadFile) as raised:
        read(f'{A_WATCH}at = "25:00"\n{A_SOAK}at = "22:00"\nwhen = 1\n[backup]\nfolder = 1\nat = "05:30"\n')
    assert len(raised.value.faults) == 3


def test_several_bands_need_somebody_to_change_them(tmp_path: Path) -> None:
    head, soak = (ROOT / "config/plan.toml").read_text().split("[soak]")
    several = re.sub("band = .*", 'band = ["30 m", "20 m"]', soak)
    (tmp_path / "plan.toml").write_text(f"{head}[soak]{several}")
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(tmp_path / "plan.toml")
    said = [str(fault) for fault in misfits(read(A_SOAK + 'at = "22:00"\n'), bench, plan)]
    assert any("nobody is there to change them" in fault for fault in said)


def test_the_same_times_written_otherwise_are_the_same() -> None:
    one = read(A_WATCH + 'at = ["22:00", "06:00"]\n').starts[0]
    other = read(A_WATCH + 'at = ["06:00:00", "22:00:00"]\n').starts[0]
    assert one.written == other.written
    assert one.written != read(A_WATCH + 'at = "22:00"\n').starts[0].written


def test_without_a_date_the_bench_files_own_counts(tmp_path: Path) -> None:
    """One place to write a calibration down: the bench file, where the record has it from too."""
    said = (ROOT / "config/bench.toml").read_text().replace('# due = "2027-03-01"', 'due = "2027-03-01"')
    (tmp_path / "bench.toml").write_text(said)
    bench = load_bench(tmp_path / "bench.toml", find)
    own, other = '[[calibration]]\ninstrument = "wattmeter"\n', '[[calibration]]\ninstrument = "counter"\n'
    assert timetable_from(TomlFile(Path("t"), own), bench).calibrations[0].due == date(2027, 3, 1)
    dated = timetable_from(TomlFile(Path("t"), f"{own}due = 2026-12-24\n"), bench)
    assert dated.calibrations[0].due == date(2026, 12, 24)
    for text, instead in ((other, bench), (own, None)):
        with pytest.raises(BadFile, match="no bench file says when it is due either"):
            timetable_from(TomlFile(Path("t"), text), instead)
