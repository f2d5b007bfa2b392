"""The store's promises, as its package docstring numbers them, each seen through a second plain connection."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.errors import BadStore, StoreFailed
from benchlog.model import Event, Reading, State
from benchlog.store import schema, writer
from benchlog.store.connection import open_existing, open_or_create
from benchlog.store.enter import enter
from benchlog.store.reader import StoreReader
from tests.store.samples import begin, child, good, plain, reasons, stored, until

KILLED = """
import sys
from pathlib import Path
from tests.store.samples import begin, good
w = begin(Path(sys.argv[1]))
for n in range(10**9):
    w.put(good(n))
    if n % 7 == 6:
        assert w.flush(10)
        print(n + 1, flush=True)
"""


def test_p1_acknowledged_rows_survive_sigkill(store: Path) -> None:
    """The child prints how many rows ``flush`` has acknowledged; it is killed in the midst of the next ones."""
    process = child(KILLED, store)
    assert process.stdout is not None
    acknowledged = 0
    while acknowledged < 70:
        line = process.stdout.readline()
        assert line, process.stderr and process.stderr.read()
        acknowledged = int(line)
    process.send_signal(signal.SIGKILL)
    rest = process.communicate()[0].split()
    acknowledged = int(rest[-1]) if rest else acknowledged
    kept = {t // 200_000_000 for (t,) in plain(store, "SELECT t_ns FROM reading")}
    assert set(range(acknowledged)) <= kept
    (session,) = StoreReader.open(store).sessions()
    assert session.ended_ns is None  # and nobody pretends that it ended


def test_p2_a_batch_is_kept_whole_or_not_at_all(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen from outside while batches of 100 go in: never a part of one."""
    monkeypatch.setattr(writer, "GATHER_S", 3600.0)  # nothing but flush ends a batch
    w = begin(store)
    seen: set[int] = set()
    done = threading.Event()

    def look() -> None:
        with closing(sqlite3.connect(store)) as connection:
            while not done.is_set():
                seen.add(connection.execute("SELECT count(*) FROM reading").fetchone()[0])

    watcher = threading.Thread(target=look)
    watcher.start()
    try:
        for batch in range(50):
            for n in range(100):
                w.put(good(batch * 100 + n))
            assert w.flush()
    finally:
        done.set()
        watcher.join()
        w.end("done")
    assert len(seen) > 5
    assert {count % 100 for count in seen} == {0}


@pytest.mark.parametrize("leaving", ["ROLLBACK", "FAIL"])
def test_p2_a_batch_that_fails_at_its_last_row_leaves_none_of_it(store: Path, leaving: str) -> None:
    """Whether SQLite has rolled back by itself, or left that to us; the reason a row refers to goes with it."""
    w = begin(store)
    with closing(sqlite3.connect(store)) as other:
        other.execute(f"""CREATE TRIGGER full_at_5 BEFORE INSERT ON reading WHEN NEW.t_ns = 5 * 200000000
                          BEGIN SELECT RAISE({leaving}, 'no more'); END""")
        w.put(Reading("frequency", 1, None, state=State.MISSED, reason="silent"))
        for n in range(6):
            w.put(good(n))
        until(lambda: w.failure is not None)
        assert stored(store) == 0
        assert plain(store, "SELECT count(*) FROM note") == [(1,)]
        other.execute("DROP TRIGGER full_at_5")
    assert w.flush()
    assert stored(store) == 7
    assert [reason for _, _, _, reason, _ in reasons(store, "frequency")] == ["silent"]
    w.end("done")


def test_p3_rows_are_committed_within_250_ms_with_no_one_asking(store: Path) -> None:
    w = begin(store)
    with closing(sqlite3.connect(store)) as other:
        waits = []
        for n in range(4):
            put_at = time.monotonic()
            w.put(good(n))
            while other.execute("SELECT count(*) FROM reading").fetchone()[0] <= n:
                time.sleep(0.001)
            waits.append(time.monotonic() - put_at)
    w.end("done")
    assert sorted(waits)[1] < 0.3, waits  # not the slowest: the machine may have been elsewhere
    assert writer.GATHER_S < 0.25


def test_p4_readers_and_the_writer_never_wait_for_each_other(store: Path) -> None:
    w = begin(store)
    w.put(good(0))
    assert w.flush()
    with closing(sqlite3.connect(store, timeout=0, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        before = reader.execute("SELECT count(*) FROM reading").fetchone()[0]
        w.put(good(1))
        assert w.flush()  # committed beside an open read
        assert reader.execute("SELECT count(*) FROM reading").fetchone()[0] == before == 1
        reader.execute("COMMIT")
        reader.execute("BEGIN IMMEDIATE")  # a write transaction left open
        assert len(StoreReader.open(store).raw(w.session_id)["power"]) == 2
        reader.execute("ROLLBACK")
    w.end("done")


FULL = """
import json, sys
from pathlib import Path
from tests.store.samples import begin, good, stored, until
from benchlog.errors import StoreFailed
from benchlog.store import writer
from benchlog.store.reader import StoreReader
%s
writer.PATIENCE_S = 1.0
w = begin(store)
fill()
n = 0
acknowledged = 0
while w.failure is None:
    for _ in range(500):
        w.put(good(n)); n += 1
    if w.flush(0.5):
        acknowledged = n
report = {"failure": str(w.failure), "acknowledged": acknowledged, "put": n, "stored_when_full": stored(store)}
if sys.argv[2] == "room again":
    free()
    until(lambda: w.failure is None)
    w.end("done")
else:
    try:
        w.end("done")
    except StoreFailed as exc:
        report["end"] = str(exc)
report["lost"] = w.lost
report["stored"] = stored(store)
reader = StoreReader.open(store)
report["events"] = [e.text for e in reader.events(w.session_id)]
report["ended"] = reader.session("last").ended_ns is not None
print(json.dumps(report))
"""

DISK_FULL = (
    "/mnt/store",
    """
import subprocess
folder = Path(sys.argv[1])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "none", str(folder)], check=True)
store = folder / "s.benchlog"
filler = folder / "filler"
def fill():
    filler.write_bytes(bytes(200_000))
def free():
    filler.unlink()
""",
)
FILE_LIMIT = (
    "",
    """
import resource
store = Path(sys.argv[1]) / "s.benchlog"
def fill():
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))
def free():
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
""",
)
OWN_MOUNTS = ("unshare", "-m") if os.geteuid() == 0 else ("unshare", "-Urm")


def _can_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    tried = subprocess.run([*OWN_MOUNTS, "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True, check=False)
    return tried.returncode == 0


@pytest.fixture(params=["disk full", "file limit"])
def full(request: pytest.FixtureRequest) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """A disk that is really full (a small tmpfs in a mount namespace of its own); a write that really fails."""
    if request.param == "disk full":
        if not _can_mount():
            pytest.skip("no leave to mount a small disk here; the file-size limit is tried instead")
        yield FULL % DISK_FULL[1], OWN_MOUNTS, "the disk is full"
    else:
        yield FULL % FILE_LIMIT[1], (), "the disk failed (disk I/O error)"


def _full(full: tuple[str, tuple[str, ...], str], folder: Path, how: str) -> dict[str, object]:
    code, before, what = full
    process = child(code, folder, how, before=before)
    out, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    report = json.loads(out)
    assert isinstance(report, dict)
    assert what in report["failure"]
    assert "what was committed before is kept" in report["failure"]
    assert report["acknowledged"] <= report["stored_when_full"] < report["put"]
    return report


def test_p5_a_full_disk_loses_nothing_when_there_is_room_again(
    full: tuple[str, tuple[str, ...], str], tmp_path: Path
) -> None:
    report = _full(full, tmp_path, "room again")
    assert report["stored"] == report["put"]
    assert report["lost"] == 0
    assert report["ended"]
    (event,) = report["events"]  # type: ignore[misc]
    assert event.startswith("the store could not be written for ")
    assert "no row is lost" in event
    assert full[2] in event


def test_p5_a_disk_that_stays_full_ends_with_the_number_of_rows_not_kept(
    full: tuple[str, tuple[str, ...], str], tmp_path: Path
) -> None:
    report = _full(full, tmp_path, "no room")
    lost = report["put"] - report["stored"]  # type: ignore[operator]
    assert lost == report["lost"] > 0
    assert report["stored"] == report["stored_when_full"]
    assert f"{lost} rows of session 1 could not be kept and its end could not be stored" in str(report["end"])
    assert full[2] in str(report["end"])


def test_p6_a_lock_held_by_another_program_delays_rows_and_loses_none(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "BATCH", 30)  # what was held goes in as several
    w = begin(store)
    with closing(sqlite3.connect(store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        w.put(good(0))
        until(lambda: w.failure is not None)  # after the busy time-out
        assert "locked by another program" in str(w.failure)
        for n in range(1, 100):
            w.put(good(n))
        assert not w.flush(0.01)
        assert stored(store) == 0
        other.execute("ROLLBACK")
    assert w.flush()
    assert w.failure is None
    assert stored(store) == 100
    w.end("done")
    assert [kind for (kind,) in plain(store, "SELECT kind FROM event")] == ["store"]


def test_p6_what_is_put_beyond_the_bound_is_counted_and_told(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "HOLD", 60)
    w = begin(store)
    with closing(sqlite3.connect(store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        w.put(good(0))
        until(lambda: w.failure is not None)
        for n in range(1, 100):
            w.put(good(n))
        until(lambda: w.lost == 40)
        other.execute("ROLLBACK")
    with pytest.raises(StoreFailed, match="40 rows of session 1 could not be kept"):
        w.end("done")
    assert [t // 200_000_000 for (t,) in plain(store, "SELECT t_ns FROM reading")] == list(range(60))
    assert "; 40 rows are lost" in plain(store, "SELECT text FROM event")[0][0]
    assert plain(store, "SELECT ending FROM session") == [("done",)]


def _foreign(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipe(name TEXT)")
        connection.commit()


def _foreign_wal(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA user_version = 1")
        connection.execute("CREATE TABLE session(id)")
        connection.commit()


def _newer(path: Path) -> None:
    begin(path).end("done")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.NEWEST + 1}")


def _damaged(path: Path) -> None:
    begin(path).end("done")
    content = bytearray(path.read_bytes())
    content[100:4096] = bytes(3996)  # the table of tables
    path.write_bytes(content)


BAD = {
    "text": (lambda path: path.write_text("time,channel,value\n"), "not an SQLite file"),
    "long text": (lambda path: path.write_text("time,channel,value\n" * 999), "not an SQLite file"),
    "foreign": (_foreign, "not a benchlog store"),
    "foreign in WAL": (_foreign_wal, "not a benchlog store"),
    "newer": (_newer, "a newer benchlog wrote this store"),
    "damaged": (_damaged, "the store is damaged"),
}


@pytest.mark.parametrize("case", BAD)
def test_p7_a_file_that_is_not_ours_is_refused_and_unchanged(store: Path, case: str) -> None:
    make, says = BAD[case]
    make(store)
    before = store.read_bytes()
    for use in (StoreReader.open, begin, lambda path: enter(path, "plate", 1.0)):
        with pytest.raises(BadStore, match=says) as told:
            use(store)
        assert told.value.where == str(store)
        assert told.value.cure
        assert store.read_bytes() == before


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: path.mkdir(), "a folder, not a store"),
        (lambda path: os.mkfifo(path), "not a plain file"),
        (lambda path: path.symlink_to(path), "symbolic links"),
    ],
)
def test_p7_what_is_not_a_file_is_refused(store: Path, make: object, says: str) -> None:
    make(store)  # type: ignore[operator]
    for use in (StoreReader.open, begin):
        with pytest.raises(BadStore, match=says):
            use(store)


def test_p7_no_file_no_folder_and_an_empty_file(store: Path) -> None:
    with pytest.raises(BadStore, match="no such file"):
        StoreReader.open(store)
    with pytest.raises(BadStore, match="no such folder"):
        begin(store / "deeper" / "s.benchlog")
    assert not store.exists()
    store.touch()
    with pytest.raises(BadStore, match="empty"):
        StoreReader.open(store)
    assert store.stat().st_size == 0
    begin(store).end("done")  # an empty file hurts nobody, and becomes a store
    assert StoreReader.open(store).session("last").id == 1


NO_LEAVE = """
import os, sys
from pathlib import Path
from tests.store.samples import begin
from benchlog.errors import BenchlogError
from benchlog.store.reader import StoreReader
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
for name in ("unreadable", "readonly"):
    for use in (StoreReader.open, begin):
        try:
            use(Path(sys.argv[1]) / name)
            print(name, use.__name__, "went well")
        except BenchlogError as exc:
            print(name, use.__name__, type(exc).__name__, exc.what)
"""


def test_p7_files_without_permission() -> None:
    """As somebody who is not root, for whom permissions mean nothing; also a store in a folder of somebody else's."""
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to others
        folder = Path(name)
        for file in ("unreadable", "readonly"):
            begin(folder / file).end("done")
        (folder / "unreadable").chmod(0)
        (folder / "readonly").chmod(0o444)
        before = (folder / "readonly").read_bytes()
        folder.chmod(0o555)
        out, err = child(NO_LEAVE, folder).communicate(timeout=300)
        folder.chmod(0o755)
        assert out.splitlines() == [
            "unreadable open BadStore no permission to read it",
            "unreadable begin BadStore no permission to read it",
            "readonly open went well",
            "readonly begin StoreFailed the store cannot be opened: no permission to write it",
        ], err
        assert (folder / "readonly").read_bytes() == before


def _older(path: Path) -> None:
    with closing(open_or_create(path)) as connection:
        schema.migrate(connection, path, schema.STEPS[:1])


def test_p8_an_older_store_is_brought_up_to_date(store: Path) -> None:
    _older(store)
    assert plain(store, "PRAGMA user_version") == [(1,)]
    with pytest.raises(BadStore, match="an older benchlog"):
        StoreReader.open(store)
    begin(store).end("done")
    assert plain(store, "PRAGMA user_version") == [(schema.NEWEST,)]
    assert plain(store, "SELECT name FROM _sqlite_migrations ORDER BY id") == [(name,) for name, _ in schema.STEPS]
    assert plain(store, "SELECT * FROM readings") == []
    assert StoreReader.open(store).session("last").id == 1


def test_p8_a_step_that_fails_half_way_leaves_the_store_as_it_was(store: Path) -> None:
    _older(store)
    before = plain(store, "SELECT * FROM sqlite_schema"), plain(store, "SELECT * FROM _sqlite_migrations")

    def stumbles(db: object) -> None:
        db.execute("CREATE TABLE half(x INTEGER) STRICT")  # type: ignore[attr-defined]
        db.execute("CREATE TABLE session(x INTEGER)")  # type: ignore[attr-defined]

    with closing(open_existing(store, write=True, older=True)) as connection, pytest.raises(StoreFailed):
        schema.migrate(connection, store, (*schema.STEPS, ("a stumble", stumbles)))
    assert plain(store, "PRAGMA user_version") == [(1,)]
    assert (plain(store, "SELECT * FROM sqlite_schema"), plain(store, "SELECT * FROM _sqlite_migrations")) == before


def test_p9_typed_readings_go_in_while_the_writer_runs(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "GATHER_S", 0.001)  # so that it commits all the time
    w = begin(store)
    stop = threading.Event()
    logged = []

    def log() -> None:
        while not stop.wait(0.0005):
            logged.append(Reading("power", w._clock.t_ns(), float(len(logged))))
            w.put(logged[-1])

    logging = threading.Thread(target=log)
    logging.start()
    try:
        typed = [enter(store, "plate", 800.0 + n) for n in range(40)]
    finally:
        stop.set()
        logging.join()
        w.end("done")
    raw = StoreReader.open(store).raw(w.session_id)
    assert raw["plate"].value.tolist() == [800.0 + n for n in range(40)]
    assert raw["plate"].t_ns.tolist() == [reading.t_ns for reading in typed]
    assert raw["power"].t_ns.tolist() == [reading.t_ns for reading in logged]
    assert w.failure is None


def test_p10_two_rows_at_one_instant_are_both_kept(store: Path) -> None:
    w = begin(store)
    for value in (1.0, 2.0, 3.0):
        w.put(Reading("power", 1000, value))
        assert w.flush()
    w.put(good(7))
    w.put(Reading("power", 1000, None, state=State.MISSED, reason="late"))
    w.put(Event(5, "note", "all the same"))
    w.end("done")
    assert plain(store, "SELECT t_ns, value FROM reading ORDER BY t_ns") == [
        (1000, 1.0),
        (1001, 2.0),
        (1002, 3.0),
        (1003, None),
        (7 * 200_000_000, 90.875),
    ]
