"""Stores and files that a program was cut off while making; ``scripts/crash-trials`` does that at every moment."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.daemon.backup import back_up
from benchlog.errors import BadStore, StoreFailed
from benchlog.store import whole
from benchlog.store.connection import APPLICATION_ID
from benchlog.store.exchange import import_csv
from benchlog.store.reader import StoreReader
from benchlog.store.rescue import rescue
from benchlog.store.starts import prepare
from benchlog.store.whole import make_folder, whole_file
from tests.store.samples import BENCH, PLAN, begin, bench_of, child, good, plain, plan_of, stored


def half_made(store: Path, application_id: int = 0) -> None:
    """As a power cut in the midst of a transaction leaves it: parts of a database, and a journal to undo them.

    In the midst of the first one, or of one that follows on what gave the file its ``application_id``.
    """
    first = store.with_name("first")
    with closing(sqlite3.connect(first, isolation_level=None)) as connection:
        if application_id:
            connection.execute(f"PRAGMA application_id = {application_id}")
        connection.execute("PRAGMA cache_size = 1")  # so that much goes to the file before the end
        connection.execute("BEGIN")
        connection.execute("CREATE TABLE much(x)")
        connection.executemany("INSERT INTO much VALUES (?)", [("x" * 3000,)] * 50)
        for end in ("", "-journal"):
            shutil.copy(f"{first}{end}", f"{store}{end}")
        connection.execute("ROLLBACK")
    first.unlink()
    assert store.stat().st_size > 4096
    assert Path(f"{store}-journal").stat().st_size > 512


@pytest.mark.parametrize("application_id", [0, APPLICATION_ID])
def test_a_store_that_was_cut_off_while_it_was_made_is_made_by_the_next_session(
    store: Path, application_id: int
) -> None:
    half_made(store, application_id)
    writer = begin(store)
    writer.put(good(1))
    writer.end("done")
    assert stored(store) == 1
    assert plain(store, "PRAGMA integrity_check") == [("ok",)]
    assert plain(store, "SELECT 1 FROM sqlite_schema WHERE name = 'much'") == []


def test_it_is_made_by_the_daemon_and_by_an_import(tmp_path: Path) -> None:
    for name in ("of the daemon", "of an import"):
        half_made(tmp_path / name)
    prepare(tmp_path / "of the daemon")
    (tmp_path / "in.csv").write_text("time,channel,value\n2026-11-25T09:03:09Z,power,4\n")
    assert import_csv(tmp_path / "in.csv", tmp_path / "of an import", bench_of(BENCH), plan_of(PLAN)) == 1


def test_who_only_looks_is_told_that_it_is_empty(store: Path) -> None:
    half_made(store)
    with pytest.raises(BadStore, match="the file is empty"):
        StoreReader.open(store)


def test_somebody_elses_half_made_database_is_left_to_them(store: Path) -> None:
    half_made(store, application_id=4711)
    before = store.read_bytes(), Path(f"{store}-journal").read_bytes()
    for use in (StoreReader.open, begin):
        with pytest.raises(StoreFailed):
            use(store)
    assert (store.read_bytes(), Path(f"{store}-journal").read_bytes()) == before


READS = """
import resource, sys
from pathlib import Path
from benchlog.store.reader import StoreReader
from benchlog.store.rescue import rescue
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
print(len(StoreReader.open(Path(sys.argv[1])).raw(1)["power"]))
"""


def test_where_nothing_can_be_written_any_more_a_store_can_be_read(store: Path) -> None:
    """Not even the side file that its users share. A limit on the size of files stands for the full disk."""
    writer = begin(store)
    for n in range(50):
        writer.put(good(n))
    writer.end("done")
    before = store.read_bytes()
    assert not store.with_name(store.name + "-shm").exists()
    out, err = child(READS, store).communicate(timeout=300)
    assert out == "50\n", err
    assert store.read_bytes() == before


def test_a_file_is_there_whole_or_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "record.csv"
    path.write_text("before")
    with pytest.raises(ZeroDivisionError), whole_file(path) as draft:
        draft.write_text("half")
        assert path.read_text() == "before"
        raise ZeroDivisionError
    assert [p.name for p in tmp_path.iterdir()] == ["record.csv"]
    assert path.read_text() == "before"
    with whole_file(path) as draft:
        draft.write_text("whole")
    assert path.read_text() == "whole"
    assert [p.name for p in tmp_path.iterdir()] == ["record.csv"]


def test_drafts_of_killed_programs_are_cleared_away_and_no_other_file(tmp_path: Path) -> None:
    long_ago = time.time() - whole.ABANDONED_S - 60
    dead = [".s-20260101T000000Z.db.4711.draft", ".s-20260101T000000Z.db.4711.draft-journal"]
    others = [".s-20260102T000000Z.db.4712.draft", ".other.db.4711.draft", "s-20260101T000000Z.db", ".hidden"]
    for name in (*dead, *others):
        (tmp_path / name).write_text("x")
        if name != others[0]:  # that one is being written
            os.utime(tmp_path / name, (long_ago, long_ago))
    with whole_file(tmp_path / "s-20261125T000000Z.db", kin=r"s-\d{8}T\d{6}Z\.db") as draft:
        draft.write_text("new")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*others, "s-20261125T000000Z.db"])


def test_a_killed_backup_is_cleared_away_by_one_that_comes_later(store: Path, tmp_path: Path) -> None:
    begin(store).end("done")
    copies = tmp_path / "copies"
    copies.mkdir()
    left = copies / ".bench store?-20260101T000000Z.benchlog.99.draft"
    left.write_text("half")
    os.utime(left, (0, 0))
    made = back_up(store, copies, 1)
    assert list(copies.iterdir()) == [made]


def test_copies_and_rescued_stores_are_one_file_with_no_log_to_lose(store: Path, tmp_path: Path) -> None:
    """A log that could not be taken into the file would stay behind under another name. Format: sqlite.org, 1.3.3."""
    begin(store).end("done")
    rescue(store, tmp_path / "new")
    for path in (back_up(store, tmp_path / "copies", 1), tmp_path / "new"):
        assert path.read_bytes()[18:20] == b"\x01\x01"
        assert [p for p in path.parent.iterdir() if p.name.startswith((path.name + "-", "."))] == []


def test_what_a_killed_process_of_the_same_number_left_is_not_gone_on_with(store: Path, tmp_path: Path) -> None:
    begin(store).end("done")
    begin(tmp_path / f".new.{os.getpid()}.draft").end("somebody else's")
    rescue(store, tmp_path / "new")
    assert [one.ending for one in StoreReader.open(tmp_path / "new").sessions()] == ["done"]


def test_new_folders_are_synced_into_those_that_hold_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[Path] = []
    monkeypatch.setattr(whole, "_sync", synced.append)
    make_folder(tmp_path / "a" / "b")
    make_folder(tmp_path / "a" / "b")
    assert (tmp_path / "a" / "b").is_dir()
    assert sorted(synced) == [tmp_path, tmp_path / "a"]
