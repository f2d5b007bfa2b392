"""What was due when: in any zone, over a restart, after a gap, with a clock that is set back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from benchlog.daemon.due import due, following, trigger
from benchlog.daemon.entries import MOST, entries, nanoseconds, now_utc
from benchlog.files import TomlFile
from benchlog.store.starts import Mark
from benchlog.timetable import Times, timetable_from

VIENNA = ZoneInfo("Europe/Vienna")
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)  # a Wednesday


def all_due(after: datetime, until: datetime, zone: ZoneInfo = VIENNA, **times: object) -> list[datetime]:
    return list(due(trigger(Times.model_validate(times), zone), after, until))


def test_times_of_day_are_the_zones_own() -> None:
    found = all_due(NOON, NOON + timedelta(days=1), at=("22:00", "06:00"))
    assert found == [datetime(2026, 11, 25, 21, tzinfo=UTC), datetime(2026, 11, 26, 5, tzinfo=UTC)]


def test_days_are_kept() -> None:
    found = all_due(NOON, NOON + timedelta(days=14), at=("22:00",), days=("fri",))
    assert [at.astimezone(VIENNA).strftime("%a %H:%M") for at in found] == ["Fri 22:00"] * 2


def test_an_evening_is_one_evening_when_the_clocks_change() -> None:
    """25 October 2026 has 25 hours there."""
    start = datetime(2026, 10, 23, 12, tzinfo=UTC)
    found = all_due(start, start + timedelta(days=4), at=("22:00",))
    assert [at.hour for at in found] == [20, 20, 21, 21]


def test_once_is_once_and_never_before() -> None:
    assert all_due(NOON, NOON + timedelta(days=9), once=NOON + timedelta(hours=1)) == [NOON + timedelta(hours=1)]
    assert all_due(NOON, NOON + timedelta(days=9), once=NOON) == []
    naive = all_due(NOON, NOON + timedelta(days=1), once=datetime(2026, 11, 25, 22))  # noqa: DTZ001 - as TOML has it
    assert naive == [datetime(2026, 11, 25, 21, tzinfo=UTC)]


@given(
    every_s=st.floats(1, 1e5),
    cuts=st.lists(st.floats(0, 1e5), min_size=1, max_size=8).map(sorted),
)
def test_however_often_it_is_asked_each_due_time_comes_once(every_s: float, cuts: list[float]) -> None:
    """A restart changes nothing: the grid is the file's, not the process's."""
    last = cuts[-1]
    whole = all_due(NOON, NOON + timedelta(seconds=min(last, 50 * every_s)), every=f"{every_s!r} s")
    pieces, after = [], NOON
    for cut in cuts:
        until = NOON + timedelta(seconds=min(cut, 50 * every_s))
        pieces += all_due(after, until, every=f"{every_s!r} s")
        after = max(after, until)
    assert pieces == whole


def test_the_next_one_is_after_now() -> None:
    every = trigger(Times.model_validate({"every": "6 h"}), ZoneInfo("UTC"))
    assert following(every, NOON) == NOON + timedelta(hours=6)
    past = trigger(Times.model_validate({"once": NOON}), ZoneInfo("UTC"))
    assert following(past, NOON) is None


def timetable(every: str = "10 s") -> object:
    text = f'[[start]]\nname = "w"\nrun = "watch"\nlasts = "1 s"\nevery = "{every}"\n'
    return timetable_from(TomlFile(Path("t.toml"), text))


def test_a_new_entry_was_not_due_before_and_a_known_one_was() -> None:
    (fresh,) = entries(timetable(), {})
    now = now_utc()
    assert fresh.take(fresh.accounted) == ([], True)
    mark = Mark("w", fresh.times, nanoseconds(now) - 35 * 10**9)
    (known,) = entries(timetable(), {"w": mark})
    assert len(known.take(now)[0]) in (3, 4)
    (changed,) = entries(timetable("20 s"), {"w": mark})
    assert changed.accounted >= now, "other times are another entry"


def test_a_long_gap_is_told_in_full_up_to_a_point() -> None:
    (entry,) = entries(timetable(), {})
    start = entry.accounted
    found, is_all = entry.take(start + timedelta(days=1))
    assert (len(found), is_all) == (MOST, False)
    assert entry.take(start + timedelta(days=1)) == ([], True)


def test_a_clock_set_back_starts_nothing_twice() -> None:
    (entry,) = entries(timetable(), {})
    start = entry.accounted
    assert len(entry.take(start + timedelta(seconds=60))[0]) == 6
    assert entry.take(start - timedelta(hours=1)) == ([], True)
    assert entry.take(start + timedelta(seconds=60)) == ([], True)
    assert len(entry.take(start + timedelta(seconds=70))[0]) == 1
