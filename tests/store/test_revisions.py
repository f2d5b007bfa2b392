"""Correction tables and revisions in the store; stores that an older program wrote."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.correction import text_kept
from benchlog.errors import BadStore, StoreFailed, UsageError
from benchlog.store import schema
from benchlog.store.exchange import import_csv
from benchlog.store.reader import StoreReader
from benchlog.store.revisions import StoredRevision, add_revisions
from benchlog.store.schema import REVISIONS
from benchlog.store.starts import missed
from benchlog.store.writer import SessionWriter
from tests.store.samples import (
    BENCH,
    PLAN,
    begin,
    bench_of,
    digest,
    good,
    older,
    plain,
    plan_of,
    sha256,
    stored,
    straightforward,
)

TABLE = '\ufefffrequency,correction,uncertainty\r\n"3.5 MHz",1.02,1 %\r\n30 MHz,0.1 dB,0.05 dB'
TABLES = {"µ coupler.csv": TABLE, "back.csv": TABLE.replace("1.02", "1.03")}


def corrected() -> Bench:
    text = BENCH.replace('unit = "W"', 'unit = "W"\ncorrection = "µ coupler.csv"').replace(
        'unit = "mW"', 'unit = "mW"\ncorrection = "back.csv"'
    )
    return bench_of(text, text_kept(TABLES))


def test_tables_are_kept_word_for_word_and_enter_the_digest(store: Path) -> None:
    """A byte-order mark, line ends, quotes: what a stranger hashes is what lay beside the bench file."""
    w = SessionWriter.begin(store, kind="watch", bench=corrected(), plan=plan_of(PLAN), clock=Clock())
    w.put(good(1))
    w.end("done")
    reader = StoreReader.open(store)
    session, raw = reader.session(1), reader.raw(1)
    assert session.tables == TABLES
    (row,) = plain(store, "SELECT key, value FROM session, json_each(session.tables) WHERE key = 'back.csv'")
    assert row == ("back.csv", TABLES["back.csv"])
    assert session.digest == by_hand(session, raw)
    facts = session.bench_sha256, session.plan_sha256, session.started_ns
    assert session.digest == digest(raw, *facts, session.tables) == digest(raw, *facts, TABLES), "in order of name"
    assert list(TABLES) != list(session.tables)
    altered = {**TABLES, "back.csv": TABLE}
    renamed = {"µ coupler.csv": TABLE, "other.csv": TABLES["back.csv"]}
    assert session.digest not in (digest(raw, *facts), digest(raw, *facts, altered), digest(raw, *facts, renamed))


def by_hand(session: Any, raw: Any) -> str:
    """As digest.py's documentation has it: a line for each table stands before the start."""
    lines = "".join(f"{sha256(TABLES[name])} {name}\n" for name in ("back.csv", "µ coupler.csv"))
    return straightforward(raw, session.bench_sha256, session.plan_sha256, f"{lines}{session.started_ns}")  # type: ignore[arg-type]


def test_without_tables_the_digest_is_what_it_always_was(store: Path) -> None:
    """Computed as the program before tables did; ``straightforward`` knows none."""
    w = begin(store)
    w.put(good(1))
    w.end("done")
    session, raw = StoreReader.open(store).session(1), StoreReader.open(store).raw(1)
    assert session.tables == {}
    assert session.digest == straightforward(raw, session.bench_sha256, session.plan_sha256, session.started_ns)


def test_an_import_keeps_its_tables_too(store: Path, tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("time,channel,value\r\n2026-11-25T09:00:00Z,power,100\r\n")
    import_csv(tmp_path / "in.csv", store, corrected(), plan_of(PLAN))
    session = StoreReader.open(store).session("last")
    assert session.tables == TABLES
    assert session.digest == by_hand(session, StoreReader.open(store).raw(session.id))


def test_a_store_from_before_there_were_tables_is_read_as_it_is(store: Path) -> None:
    """Nothing is written for that: not a byte of the file changes."""
    older(store, 3)
    before = store.read_bytes()
    reader = StoreReader.open(store)
    session = reader.session("last")
    assert (session.tables, session.revision, reader.revisions(1)) == ({}, None, [])
    assert reader.raw(1)["power"].value.tolist() == [90.0 + t for t in range(50)]
    assert missed(store) == []
    assert store.read_bytes() == before
    assert plain(store, "PRAGMA user_version") == [(3,)]


def test_readings_out_of_order_stop_a_step_that_moves_them(store: Path) -> None:
    """A damaged key, which is not found where it stands: nothing is lost, and nothing turns for ever."""
    older(store, 5)
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE channel SET id = id + 4")
        db.execute("UPDATE reading SET channel = channel + 4")
        db.commit()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    row = bytes((6, 1, 8, 1, 1, 8, 5, 90, 5))  # record format, 2.1: channel 5, t_ns 0, 90 W, 5 us, note 0
    content = store.read_bytes()
    assert content.count(row) == 1
    store.write_bytes(content.replace(row, row[:6] + bytes((9, 90, 5))))
    with pytest.raises(StoreFailed, match="not in order"):
        begin(store)
    assert plain(store, "PRAGMA user_version") == [(5,)]
    assert plain(store, "SELECT count(*) FROM reading") == [(100,)]


@pytest.mark.parametrize("steps", range(1, schema.NEWEST))
def test_any_older_store_is_brought_up_to_date_by_the_next_session(store: Path, steps: int) -> None:
    older(store, steps)
    if steps < schema.READABLE:
        with pytest.raises(BadStore, match="an older benchlog wrote this store"):
            StoreReader.open(store)
    readings = "SELECT channel, t_ns, value, took_us, note FROM reading"
    old = plain(store, readings), plain(store, "SELECT * FROM channel ORDER BY id")
    fields = plain(store, "SELECT * FROM session")
    begin(store).end("done")
    assert plain(store, "PRAGMA user_version") == [(schema.NEWEST,)]
    assert plain(store, f"{readings} WHERE channel < 3") == old[0]
    assert plain(store, "SELECT * FROM channel WHERE session = 1 ORDER BY id") == old[1]
    assert plain(store, "SELECT * FROM session WHERE id = 1") == [(*fields[0], *["{}"] * (steps < REVISIONS))]
    made = store.with_name("new.benchlog")
    begin(made).end("done")
    tables = "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite%' ORDER BY name"
    assert plain(store, tables) == plain(made, tables), "the same tables as a new store's"


def revision(number: int, because: str = "coupler calibrated") -> StoredRevision:
    record = json.dumps({"schema": "benchlog-record/1", "n": number})
    return StoredRevision(1, number, 77 + number, "0.1.0", because, BENCH, TABLES, record)


def test_revisions_come_back_as_they_were_kept_and_leave_the_session_alone(store: Path) -> None:
    w = begin(store)
    for n in range(20):
        w.put(good(n))
    w.end("done")
    before = [plain(store, f"SELECT * FROM {table}") for table in ("session", "channel", "reading", "event", "note")]
    assert StoreReader.open(store).revisions(1) == []
    add_revisions(store, [revision(0), revision(1, "why \udcff")])
    add_revisions(store, [revision(2)])
    after = [plain(store, f"SELECT * FROM {table}") for table in ("session", "channel", "reading", "event", "note")]
    assert after == before
    reader = StoreReader.open(store)
    assert reader.revisions(1) == [revision(0), revision(1, "why \\udcff"), revision(2)]
    assert reader.session(1).revision == 2
    assert plain(store, "SELECT number, bench_sha256 FROM revision WHERE number = 1") == [(1, sha256(BENCH))]
    assert plain(store, "SELECT json_extract(record, '$.n') FROM revision") == [(0,), (1,), (2,)]


def test_two_that_revise_at_the_same_moment_do_not_write_over_each_other(store: Path) -> None:
    """All or none: the second's pair leaves nothing of itself."""
    begin(store).end("done")
    add_revisions(store, [revision(0), revision(1, "the first")])
    for late in ([revision(0), revision(1, "the second")], [revision(1, "the second")], [revision(3)]):
        with pytest.raises(UsageError, match="revised by another program"):
            add_revisions(store, late)
    assert [one.because for one in StoreReader.open(store).revisions(1)] == ["coupler calibrated", "the first"]
    with pytest.raises(Exception, match="constraint failed"):
        add_revisions(store, [revision(2), revision(2)])
    assert StoreReader.open(store).session(1).revision == 1


def test_a_record_that_is_no_json_is_refused(store: Path) -> None:
    begin(store).end("done")
    wrong = StoredRevision(1, 0, 1, "p", "", BENCH, {}, f'{{"value": {math.nan}}}')
    with pytest.raises(Exception, match="CHECK constraint failed"):
        add_revisions(store, [wrong])
    assert StoreReader.open(store).revisions(1) == []


def test_a_step_that_fails_leaves_the_older_store_as_it_was(store: Path) -> None:
    """P8 for the newest step: killed half-way, through a table of the same name that somebody made by hand."""
    older(store, 3)
    with closing(sqlite3.connect(store)) as db:
        db.execute("CREATE TABLE revision (mine)")
        db.commit()
    copy = store.with_name("copy.benchlog")
    shutil.copy(store, copy)
    with pytest.raises(Exception, match="already exists"):
        begin(store)
    assert plain(store, "SELECT sql FROM sqlite_schema") == plain(copy, "SELECT sql FROM sqlite_schema")
    assert plain(store, "PRAGMA user_version") == [(3,)]
    assert stored(store) == 100
