"""Sessions that were cut off: which are closed, with what end, and which are continued."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import Bench, load_bench
from benchlog.clock import Clock
from benchlog.daemon.resume import close_what_was_cut_off, to_continue
from benchlog.files import TomlFile
from benchlog.model import Event, Reading
from benchlog.plan import Plan, load_plan, plan_from
from benchlog.store.reader import StoreReader
from benchlog.store.recover import close_cut_off, unfinished
from benchlog.store.starts import DueStart, account, missed, starts
from benchlog.store.writer import SessionWriter
from benchlog.timetable import Start

ROOT = Path(__file__).parent.parent.parent
S = 10**9


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(ROOT / "config/bench.toml", find)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan(ROOT / "config/plan.toml")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "s.benchlog"


def cut_off(store: Path, bench: Bench, plan: Plan, *, ago_s: float, lasted_s: float) -> int:
    """A session whose program was killed so long ago: its rows are there, its end is not."""
    back = round((ago_s + lasted_s) * S)
    clock = Clock(monotonic_ns=lambda: time.monotonic_ns() - back, utc_ns=lambda: time.time_ns() - back)
    writer = SessionWriter.begin(store, kind="watch", bench=bench, plan=plan, clock=clock)
    for t_s in (0.0, lasted_s / 2, lasted_s):
        writer.put(Reading(next(bench.channels())[1].name, round(t_s * S), 1.0))
    writer.end("to be taken away")
    take_the_end_away(store, writer.session_id)
    return writer.session_id


def take_the_end_away(store: Path, session: int) -> None:
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE session SET ended_ns = NULL, ending = '', digest = NULL WHERE id = ?", (session,))


def test_the_end_is_that_of_the_last_row(store: Path, bench: Bench, plan: Plan) -> None:
    number = cut_off(store, bench, plan, ago_s=600, lasted_s=90)
    (closed,) = close_cut_off(store, "cut off; found later")
    assert (closed.session, closed.lasted_s) == (number, 90)
    session = StoreReader.open(store).session(number)
    assert session.ended_ns == session.started_ns + 90 * S
    assert session.ending == "cut off; found later"
    assert session.digest
    assert StoreReader.open(store).events(number)[-1].text == "cut off; found later"
    assert close_cut_off(store, "again") == []


def test_what_somebody_else_may_be_writing_is_left_alone(store: Path, bench: Bench, plan: Plan) -> None:
    number = cut_off(store, bench, plan, ago_s=1, lasted_s=90)
    assert unfinished(store)[0].alive
    assert close_cut_off(store, "x") == []
    assert [closed.session for closed in close_cut_off(store, "x", dead=[number])] == [number]


def test_after_a_reboot_nothing_from_before_is_alive(store: Path, bench: Bench, plan: Plan) -> None:
    """The monotonic clock starts anew with the host: rows of before are ahead of it."""
    ahead = Clock(monotonic_ns=lambda: time.monotonic_ns() + 10**15)
    writer = SessionWriter.begin(store, kind="watch", bench=bench, plan=plan, clock=ahead)
    writer.put(Event(1, "note", "a row"))
    writer.end("to be taken away")
    take_the_end_away(store, writer.session_id)
    assert [found.alive for found in unfinished(store)] == [False]


def an_entry(**more: Any) -> Start:
    return Start.model_validate({"name": "w", "run": "watch", "lasts": "10 min", "every": "1 h", "resume": True} | more)


def test_a_run_is_continued_for_the_time_that_is_left(store: Path, bench: Bench, plan: Plan) -> None:
    number = cut_off(store, bench, plan, ago_s=5, lasted_s=90)
    account(store, [DueStart("w", 1, "watch", session=number)])
    closed = close_what_was_cut_off(store)
    found = to_continue(store, closed, {"w": an_entry()}, bench, plan)
    assert found is not None
    assert (found[1].session, found[1].left_s) == (number, pytest.approx(510))


def test_a_run_continued_again_counts_all_its_parts(store: Path, bench: Bench, plan: Plan) -> None:
    first = cut_off(store, bench, plan, ago_s=300, lasted_s=90)
    account(store, [DueStart("w", 1, "watch", session=first)])
    for n in range(2, 6):
        closed = close_what_was_cut_off(store)
        found = to_continue(store, closed, {"w": an_entry()}, bench, plan)
        if n == 5:
            assert found is None, "a run that brings the machine down each time is not continued for ever"
            return
        assert found is not None
        assert found[1].left_s == pytest.approx(600 - 90 - 30 * (n - 2))
        number = cut_off(store, bench, plan, ago_s=5, lasted_s=30)
        account(store, [DueStart("w", n, "watch", session=number, continues=found[1].session)])


@pytest.mark.parametrize("why", ["not asked", "too late", "over", "another plan", "not ours", "entry gone"])
def test_a_run_is_not_continued(why: str, store: Path, bench: Bench, plan: Plan) -> None:
    lasted_s = 601 if why == "over" else 90
    number = cut_off(store, bench, plan, ago_s=120 if why in ("too late", "not ours") else 5, lasted_s=lasted_s)
    if why == "not ours":
        account(store, [DueStart("w", 1, "watch", missed="x")])
    else:
        account(store, [DueStart("w", 1, "watch", session=number)])
    closed = close_what_was_cut_off(store)
    assert len(closed) == 1
    entry = an_entry(resume=why != "not asked", resume_within="1 min" if why == "too late" else "1 h")
    if why == "another plan":
        plan = plan_from(TomlFile(plan.source.path, plan.source.text + "\n# changed\n"))
    found = to_continue(store, closed, {} if why == "entry gone" else {"w": entry}, bench, plan)
    assert found is None


def test_a_start_is_one_row_whatever_becomes_of_it(store: Path, bench: Bench, plan: Plan) -> None:
    number = cut_off(store, bench, plan, ago_s=600, lasted_s=1)
    row = DueStart("w", 7, "watch", missed="not begun")
    account(store, [row])
    account(store, [replace(row, session=number, missed="")])
    assert starts(store) == [replace(row, session=number, missed="")]
    assert missed(store) == []
