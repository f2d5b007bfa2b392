"""What goes in comes out: sessions, channels, readings, events, reasons; and the digest over them."""

from __future__ import annotations

import hashlib
import math
import os
import sqlite3
import struct
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

import benchlog
from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.model import Event, Reading, State
from benchlog.plan import Plan
from benchlog.series import STATES, RawSeries
from benchlog.store import bulk
from benchlog.store.connection import APPLICATION_ID, open_existing, sole_use
from benchlog.store.enter import enter
from benchlog.store.reader import StoreReader
from benchlog.store.writer import SessionWriter
from tests.store.samples import (
    BENCH,
    CHANNELS,
    PLAN,
    begin,
    bench_of,
    child,
    digest,
    good,
    plain,
    plan_of,
    reasons,
    stored,
    straightforward,
    until,
)

STARTED_NS = 1_795_597_389_250_000_001
EVENTS = [
    Event(-5, "note", "before the start"),
    Event(1, "identity", "says who it is", instrument="wattmeter", data={"said": "Example,1", "n": [1, None]}),
    Event(1, "suspect", "", channel="power", data={"from_ns": 0, "to_ns": 2**62}),
    Event(2**62, "key", "µ \ud800", data={"x": math.nan, "at": Path("here")}),
]


def clock_at(anchor_ns: int = 0, factor: float = 1.0) -> Clock:
    return Clock(factor, monotonic_ns=lambda: anchor_ns, utc_ns=lambda: STARTED_NS)


def fill(path: Path) -> int:
    w = begin(path, clock_at(77))
    for n in range(10):
        w.put(good(n))
    w.put(Reading("power", 2_000_000_000, None, 1_000_000_000, State.MISSED, "silent for 1 s"))
    w.put(Reading("power", 2_200_000_000, None, 1_000_000_000, State.MISSED, "silent for 1 s"))
    w.put(Reading("power", 2_400_000_000, None, 4_999, State.INVALID, "not a number", "gl\ud800rb\x00le, \xff"))
    w.put(Reading("frequency", 1, None, 5_000, State.OVER_RANGE, "", "9.9E37"))
    w.put(Reading("frequency", 2, 10.12, 0))
    for event in EVENTS:
        w.put(event)
    w.end("stopped by the operator")
    return w.session_id


def test_a_session_comes_back_as_it_was_put(store: Path) -> None:
    number = fill(store)
    reader = StoreReader.open(store)
    session = reader.session("last")
    assert session == reader.session(number) == reader.session(str(number)) == reader.sessions()[0]
    assert (session.id, session.kind, session.transmitter, session.serial) == (1, "watch", "Loan set 3", "0042")
    assert (session.bench, session.bench_text, session.plan_text) == ("Cellar bench", BENCH, PLAN)
    assert session.bench_sha256 == hashlib.sha256(BENCH.encode()).hexdigest()
    assert session.plan_sha256 == hashlib.sha256(PLAN.encode()).hexdigest()
    assert (session.started_ns, session.ended_ns) == (STARTED_NS, STARTED_NS)
    assert (session.anchor_ns, session.time_factor, session.program) == (77, 1.0, benchlog.__version__)
    assert session.ending == "stopped by the operator"
    assert [c.name for c in session.channels] == CHANNELS
    power, *_, glow = session.channels
    assert (power.instrument, power.measures, power.unit, power.every_ns) == (
        "wattmeter",
        "forward-power",
        "W",
        200_000_000,
    )
    assert (glow.instrument, glow.measures, glow.unit) == ("by eye", None, "%")

    raw = reader.raw(number)
    assert list(raw) == CHANNELS
    assert raw["power"].t_ns.tolist() == [n * 200_000_000 for n in range(13)]
    assert raw["power"].value[:10].tolist() == [90 + n / 8 for n in range(10)]
    assert np.isnan(raw["power"].value[10:]).all()
    assert [STATES[code] for code in raw["power"].state] == [State.GOOD] * 10 + [State.MISSED] * 2 + [State.INVALID]
    assert raw["power"].took_us.tolist() == [3400] * 10 + [1_000_000] * 2 + [4]
    assert [STATES[code] for code in raw["frequency"].state] == [State.OVER_RANGE, State.GOOD]
    for series in raw.values():
        assert (series.t_ns.dtype, series.value.dtype, series.state.dtype, series.took_us.dtype) == (
            np.int64,
            np.float64,
            np.uint8,
            np.int64,
        )
    assert all(len(raw[name]) == 0 for name in ("back", "plate", CHANNELS[-1]))

    assert reader.counts(number) == {"good": 11, "over_range": 1, "invalid": 1, "missed": 2}
    assert reasons(store, "power") == [
        (2_000_000_000, 1_000_000, "missed", "silent for 1 s", ""),
        (2_200_000_000, 1_000_000, "missed", "silent for 1 s", ""),
        (2_400_000_000, 4, "invalid", "not a number", "gl\\ud800rb\x00le, \xff"),
    ]
    events = reader.events(number)
    assert events[:3] == EVENTS[:3]
    assert (events[3].text, events[3].data) == ("µ \\ud800", {"x": "nan", "at": "here"})
    kind = EVENTS[1].kind
    assert reader.events(number, kind) == [event for event in events if event.kind == kind] != events


def test_a_span_is_half_open(store: Path) -> None:
    number = fill(store)
    raw = StoreReader.open(store).raw(number, (400_000_000, 1_000_000_000))
    assert raw["power"].t_ns.tolist() == [400_000_000, 600_000_000, 800_000_000]
    assert list(raw) == CHANNELS


def test_the_file_says_whose_it_is_and_is_made_as_decided(store: Path) -> None:
    old = os.umask(0o027)
    try:
        fill(store)
    finally:
        os.umask(old)
    assert store.stat().st_mode & 0o777 == 0o640
    assert plain(store, "PRAGMA application_id") == [(APPLICATION_ID,)]
    assert plain(store, "PRAGMA journal_mode") == [("wal",)]
    tables = plain(store, "SELECT name, strict, wr FROM pragma_table_list WHERE schema = 'main' AND type = 'table'")
    ours = {name: (strict, without_rowid) for name, strict, without_rowid in tables if not name.startswith("sqlite_")}
    assert {"session", "channel", "reading", "note", "event"} < set(ours)
    assert {strict for strict, _ in ours.values()} == {1}
    assert ours["reading"] == (1, 1)


def test_every_commit_is_synced(store: Path) -> None:
    w = begin(store)
    assert w._connection.execute("PRAGMA synchronous").fetchone() == (2,)
    w.end("done")
    with closing(open_existing(store, write=True)) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_the_view_reads_like_a_notebook(store: Path) -> None:
    fill(store)
    assert plain(store, "SELECT * FROM readings WHERE channel = 'power' ORDER BY time LIMIT 1 OFFSET 9") == [
        (1, "power", "2026-11-25T09:03:11.050000001Z", 91.125, "W", "good", "")
    ]
    assert plain(store, "SELECT * FROM readings WHERE state = 'missed' LIMIT 1") == [
        (1, "power", "2026-11-25T09:03:11.250000001Z", None, "W", "missed", "silent for 1 s")
    ]


def test_sessions_are_found_by_number_and_the_known_ones_are_named(store: Path, bench: Bench, plan: Plan) -> None:
    w = begin(store)
    w.end("done")
    for kind in ("sweep", "soak"):
        SessionWriter.begin(store, kind=kind, bench=bench, plan=plan, clock=Clock()).end("done")  # type: ignore[arg-type]
    reader = StoreReader.open(store)
    assert [session.kind for session in reader.sessions()] == ["watch", "sweep", "soak"]
    assert reader.session("last").id == 3
    with pytest.raises(UsageError, match="no session 4") as told:
        reader.session(4)
    assert "1, 2, 3" in told.value.cure


def test_a_store_without_a_session(store: Path) -> None:
    begin(store).end("done")
    from sqlite3 import connect

    with closing(connect(store)) as connection, connection:
        connection.execute("DELETE FROM channel")
        connection.execute("DELETE FROM session")
    with pytest.raises(UsageError, match="no session in this store"):
        StoreReader.open(store).session("last")
    w = begin(store)
    w.end("done")
    assert w.session_id == 2  # a number that a record may quote is never given again


def test_a_thousand_replies_that_are_never_the_same(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchlog.store.rows import Notes

    monkeypatch.setattr(Notes, "_MOST", 100)
    w = begin(store)
    for n in range(1000):
        w.put(Reading("power", n, None, 0, State.INVALID, "not a number", f"garbage {n % 400}"))
        if n % 50 == 0:
            w.flush()
    w.end("done")
    assert [said for *_, said in reasons(store, "power")] == [f"garbage {n % 400}" for n in range(1000)]
    assert plain(store, "SELECT count(*) FROM note") == [(401,)]


def test_a_row_that_cannot_be_stored_is_told_and_holds_up_no_other(store: Path) -> None:
    w = begin(store)
    w.put(good(0))
    w.put(good(1, "no such channel"))
    w.put(Reading("power", 2**63, 4.0))
    w.put(good(2))
    assert not w.flush()  # not everything is kept
    assert (w.lost, w.failure) == (2, None)
    with pytest.raises(Exception, match="2 rows of session 1 could not be kept"):
        w.end("done")
    reader = StoreReader.open(store)
    assert reader.raw(1)["power"].value.tolist() == [90.0, 90.25]
    assert ["no such channel" in e.text for e in reader.events(1)] == [True, False]
    assert str(2**63) in reader.events(1)[1].text
    assert reader.session(1).ending == "done"


def test_end_is_for_once_and_put_after_it_harms_nothing(store: Path) -> None:
    w = begin(store)
    w.end("done")
    w.end("again")
    w.put(good(0))
    assert not w.flush(0.1)
    assert plain(store, "SELECT ending FROM session") == [("done",)]


def test_many_threads_put_at_once(store: Path) -> None:
    w = begin(store)

    def put(channel: str) -> None:
        for n in range(500):
            w.put(good(n, channel))

    threads = [threading.Thread(target=put, args=(channel,)) for channel in CHANNELS]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert w.flush()
    assert stored(store) == 500 * len(CHANNELS)
    assert {len(series) for series in StoreReader.open(store).raw(w.session_id).values()} == {500}
    w.end("done")


# The digest


def test_the_digest_is_what_a_stranger_computes(store: Path) -> None:
    number = fill(store)
    reader = StoreReader.open(store)
    session, raw = reader.session(number), reader.raw(number)
    facts = session.bench_sha256, session.plan_sha256, session.started_ns
    assert session.digest == digest(raw, *facts) == straightforward(raw, *facts)


def test_the_digest_does_not_depend_on_the_order_or_the_kind_of_nan() -> None:
    odd = np.frombuffer(struct.pack("<QQ", 0x7FF8000000000001, 0xFFF8000000000000))
    a = RawSeries("a", np.array([1, 2]), odd, np.array([1, 2], np.uint8), np.array([3, 4]))
    b = RawSeries.empty("µ")
    same = digest({"a": a, "µ": b}, "x", "y", 1)
    assert same == digest({"µ": b, "a": a}, "x", "y", 1) == straightforward({"a": a, "µ": b}, "x", "y", 1)


@pytest.mark.parametrize("part", ["t_ns", "value", "state", "took_us"])
def test_the_digest_notices_any_change(part: str) -> None:
    def series(**changed: int) -> dict[str, RawSeries]:
        parts = {"t_ns": 5, "value": 6, "state": 0, "took_us": 7} | changed
        return {
            "a": RawSeries(
                "a",
                np.array([parts["t_ns"]]),
                np.array([float(parts["value"])]),
                np.array([parts["state"]], np.uint8),
                np.array([parts["took_us"]]),
            )
        }

    before = digest(series(), "x", "y", 1)
    assert before != digest(series(**{part: 1}), "x", "y", 1)
    assert before != digest(series(), "z", "y", 1) != digest(series(), "x", "z", 1) != digest(series(), "x", "y", 2)


# The fast way


def test_both_ways_of_reading_give_the_same_arrays(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where the first rows of a channel have no value, from which ADBC would guess a type."""
    w = begin(store)
    for n in range(3000):
        state = State.MISSED if n < 2500 else State.GOOD
        w.put(Reading("power", n, None if n < 2500 else n / 3, n * 1000, state))
        w.put(good(n, "back"))
    w.end("done")
    reader = StoreReader.open(store)
    monkeypatch.setattr(bulk, "_AT_ONCE", 1000)
    monkeypatch.setattr(bulk, "_SMALL", 0)
    ways = []
    by_adbc = bulk._by_adbc
    monkeypatch.setattr(bulk, "_by_adbc", lambda *a: ways.append(by_adbc(*a)) or ways[-1])
    fast = reader.raw(1)
    assert ways[-1:] != [None], "ADBC failed"
    assert len(ways) == 1, "ADBC was not used"
    channels = reader.session(1).channels
    each: list[RawSeries] = []
    with monkeypatch.context() as only_fast:
        only_fast.setattr(bulk, "plain", lambda *a: pytest.fail("ADBC was not used, or failed"))
        reader.each(channels, each.append)
    monkeypatch.setattr(bulk, "_by_adbc", lambda *a: None)
    monkeypatch.setattr(bulk, "_each_by_adbc", lambda *a: None)
    slow, each_slow = reader.raw(1), list[RawSeries]()
    reader.each(channels, each_slow.append)
    for found in (fast, *({one.channel: one for one in some} for some in (each, each_slow))):
        assert list(found) == list(slow)
        for name in CHANNELS:
            for part in ("t_ns", "value", "state", "took_us"):
                one, other = getattr(found[name], part), getattr(slow[name], part)
                assert one.dtype == other.dtype
                assert np.array_equal(one, other, equal_nan=part == "value")


def test_what_the_fast_way_left_is_read_by_the_other(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As where another program cuts the file short meanwhile: each channel is handed over once, in order."""
    number = fill(store)
    reader = StoreReader.open(store)
    monkeypatch.setattr(bulk, "_SMALL", 0)
    rows, asked = bulk._rows, []

    def once(*words: object) -> bulk.Rows:
        asked.append(words)
        if len(asked) > 1:
            raise OSError
        return rows(*words)

    monkeypatch.setattr(bulk, "_rows", once)
    monkeypatch.setattr(bulk, "cores", lambda: 1)
    found: list[RawSeries] = []
    channels = reader.session(number).channels
    reader.each(channels, found.append)
    assert len(asked) >= 2
    assert [one.channel for one in found] == [channel.name for channel in channels]
    assert all(np.array_equal(one.t_ns, reader.raw(number)[one.channel].t_ns) for one in found)


def test_a_small_file_is_read_without_arrow(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    number = fill(store)
    monkeypatch.setattr(bulk, "_by_adbc", lambda *a: pytest.fail("ADBC was used"))
    assert len(StoreReader.open(store).raw(number)["power"])


def test_the_fast_way_is_not_used_while_this_process_has_the_file_open(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ADBC's own SQLite would drop the writer's locks; another process must find the store locked all the time."""
    intrude = (
        "import sqlite3, sys\nsqlite3.connect(sys.argv[1], timeout=0, isolation_level=None).execute('BEGIN IMMEDIATE')"
    )

    def intruder_gets_in() -> bool:
        tried = subprocess.run([sys.executable, "-c", intrude, str(store)], capture_output=True, text=True, check=False)
        assert tried.returncode == 0 or "database is locked" in tried.stderr
        return tried.returncode == 0

    monkeypatch.setattr(bulk, "_SMALL", 0)
    begin(store).end("done")
    reader = StoreReader.open(store)
    with sole_use(store) as alone:
        assert alone
    with closing(open_existing(store, write=True)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        assert not intruder_gets_in()
        reader.raw(1)
        assert not intruder_gets_in()
        connection.execute("ROLLBACK")
    with sole_use(store) as alone:
        assert alone
    assert intruder_gets_in()  # so that the trial above could have failed


def test_store_is_light_to_import(store: Path) -> None:
    """The command's help must not wait for Arrow, nor a logger carry it; scikit-rf has brought pandas here."""
    code = """
import sys
from pathlib import Path
import benchlog.store.exchange, benchlog.store.enter
from tests.store.samples import begin, good
print(*sys.modules)
benchlog.store.bulk._SMALL = 0
w = begin(Path(sys.argv[1]))
w.put(good(0))
benchlog.store.exchange.StoreReader.open(w.path).raw(1)
w.end("done")
print(*sys.modules)
import pandas
"""
    out, err = child(code, store).communicate(timeout=300)
    imported, used = (set(line.split()) for line in out.splitlines())
    assert not {"pyarrow", "adbc_driver_sqlite", "sqlite_utils", "pandas"} & imported
    assert not {"pyarrow", "adbc_driver_sqlite", "pandas"} & used
    assert "sqlite_utils" in used
    assert err == ""  # and who wants pandas afterwards has it


# Typed readings


def test_a_typed_reading_carries_the_session_clock(store: Path) -> None:
    w = begin(store)
    before_ns = w._clock.t_ns()
    reading = enter(store, "plate", 812.5)
    assert before_ns <= reading.t_ns <= w._clock.t_ns()
    assert StoreReader.open(store).raw(w.session_id)["plate"].value.tolist() == [812.5]
    w.end("done")
    session = StoreReader.open(store).session("last")
    raw = StoreReader.open(store).raw(1)
    assert session.digest == digest(raw, session.bench_sha256, session.plan_sha256, session.started_ns)


def test_a_typed_reading_keeps_the_pace_of_a_simulated_bench(store: Path) -> None:
    clock = Clock(1000.0)
    w = begin(store, clock)
    until(lambda: clock.t_ns() > 10 * 10**9)
    before_ns = clock.t_ns()
    assert before_ns <= enter(store, "plate", 1.0, session=1).t_ns <= clock.t_ns()
    w.end("done")


@pytest.mark.parametrize(
    ("channel", "value", "session", "what", "cure"),
    [
        ("plat", 1.0, "last", 'no channel "plat"', 'did you mean "plate"?'),
        ("power", 1.0, "last", '"power" is read by an instrument', "plate"),
        ("plate", math.nan, "last", "nan is not a reading", "number"),
        ("plate", math.inf, "last", "inf is not a reading", "number"),
        ("plate", 1.0, 9, "no session 9", "start one"),
        ("plate", 1.0, 1, "session 1 has ended", "start one"),
    ],
)
def test_what_cannot_be_entered_is_refused(
    store: Path, channel: str, value: float, session: int | str, what: str, cure: str
) -> None:
    begin(store).end("done")
    w = begin(store)
    with pytest.raises(UsageError, match=what) as told:
        enter(store, channel, value, session=session)
    assert cure in told.value.cure
    w.end("done")
    assert plain(store, "SELECT count(*) FROM reading") == [(0,)]


def test_nothing_is_entered_into_a_session_that_a_restart_of_the_computer_cut_off(store: Path) -> None:
    clock = Clock()
    w = begin(store, clock)
    w.put(Reading("power", clock.t_ns() + 3600 * 10**9, 1.0))  # as a clock that had run for an hour longer left it
    assert w.flush()
    with pytest.raises(UsageError, match="cut off without an end"):
        enter(store, "plate", 1.0)
    w.end("done")


def test_nothing_is_entered_into_a_session_whose_program_was_killed(store: Path) -> None:
    """It has no end, and no rows any more: a minute ago the last one came."""
    w = begin(store)
    w.put(Reading("power", w._clock.t_ns(), 1.0))
    assert w.flush()
    enter(store, "plate", 1.0)
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE session SET anchor_ns = anchor_ns - 60 * 1000000000")
    with pytest.raises(UsageError, match="cut off without an end"):
        enter(store, "plate", 2.0)
    assert StoreReader.open(store).raw(1)["plate"].value.tolist() == [1.0], "what a person typed is no sign of life"
    w.end("done")


def test_a_bench_without_typed_channels_says_so(store: Path, plan: Plan) -> None:
    only_polled = bench_of(BENCH[: BENCH.index('[[instrument]]\nname = "by eye"')])
    w = SessionWriter.begin(store, kind="sweep", bench=only_polled, plan=plan_of(PLAN), clock=Clock())
    with pytest.raises(UsageError) as told:
        enter(store, "power", 1.0)
    assert 'no instrument of the bench file has driver = "typed"' in told.value.cure
    w.end("done")
