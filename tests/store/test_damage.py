"""Stores damaged at random, and what a rescue makes of them; ``damage.trials`` is the long form."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.errors import BadStore, UsageError
from benchlog.store import schema
from benchlog.store.bulk import ALL
from benchlog.store.connection import open_existing, open_or_create
from benchlog.store.reader import StoreReader
from benchlog.store.rescue import rescue
from benchlog.store.verify import verify
from tests.store.damage import PAGE, WAYS, make, originals, rows_of, trial, truncate
from tests.store.samples import begin, good, older


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("damage") / "whole.benchlog")


@pytest.mark.parametrize("way", WAYS)
def test_no_reading_is_invented_altered_or_uncounted_whatever_is_hit(
    original: Path, tmp_path: Path, way: object
) -> None:
    before = originals(original)
    place = WAYS.index(way)  # type: ignore[arg-type]
    outcomes = [trial(original, before, tmp_path, seed) for seed in range(place, 5 * len(WAYS), len(WAYS))]
    assert {outcome.way for outcome in outcomes} == {way.__name__}  # type: ignore[attr-defined]
    assert any(0 < outcome.saved < outcome.there for outcome in outcomes) or way not in (truncate,)


def test_a_damaged_index_costs_nothing(original: Path, tmp_path: Path) -> None:
    """What it leads to is in the tables, which can be read without it."""
    with closing(sqlite3.connect(original)) as db:
        roots = dict(db.execute("SELECT name, rootpage FROM sqlite_schema WHERE type = 'index'"))
    assert len(roots) > 5
    for name, root in roots.items():
        hurt = tmp_path / f"{root} hurt.benchlog"
        shutil.copy(original, hurt)
        without_page(hurt, root)
        saved = rescue(hurt, tmp_path / f"{root}.benchlog")
        assert saved.whole, (name, saved)


def test_a_whole_store_comes_over_whole(original: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.benchlog"
    assert rescue(original, new).whole
    assert {session: rows_of(new, session) for session in (1, 2, 3)} == originals(original)
    assert [path.name for path in tmp_path.iterdir()] == ["new.benchlog"]
    assert verify(new, "all").intact
    with pytest.raises(UsageError, match="there is such a file already"):
        rescue(original, new)


def root_of(path: Path, table: str) -> int:
    with closing(open_existing(path, write=False)) as connection:
        return int(connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0])


def without_page(path: Path, number: int) -> None:
    content = bytearray(path.read_bytes())
    content[(number - 1) * PAGE : number * PAGE] = bytes(PAGE)
    path.write_bytes(content)


def test_without_the_list_of_tables_everything_is_found(original: Path, tmp_path: Path) -> None:
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(original, hurt)
    without_page(hurt, 1)
    assert rescue(hurt, new).whole
    assert {session: rows_of(new, session) for session in (1, 2, 3)} == originals(original)


def as_version_5(path: Path, new: Path) -> Path:
    """The same store as it was before readings took less room and sketches were made."""
    with closing(open_or_create(new)) as db:
        schema.migrate(db, new, schema.STEPS[:5])
        db.execute("ATTACH ? AS newer", (str(path),))
        db.execute("BEGIN")
        for table in ("session", "channel", "event", "note", "reading", "seal"):
            names = ", ".join(row[1] for row in db.execute(f"PRAGMA main.table_info({table})"))
            db.execute(f"INSERT OR IGNORE INTO main.{table} ({names}) SELECT {names} FROM newer.{table} ORDER BY 1")
        db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return new


def test_a_list_of_tables_that_can_be_read_and_is_wrong_costs_nothing(original: Path, tmp_path: Path) -> None:
    """Some bits in its text, and a column has another name."""
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(original, hurt)
    content = hurt.read_bytes()
    hurt.write_bytes(content.replace(b"bench_toml TEXT", b"bench_tomm TEXT"))
    assert hurt.read_bytes() != content
    assert rescue(hurt, new).whole
    assert {session: rows_of(new, session) for session in (1, 2, 3)} == originals(original)


@pytest.mark.parametrize("steps", [3, 4, 5])
def test_such_a_list_costs_an_older_store_no_reading(tmp_path: Path, steps: int) -> None:
    """Its tables lie on other pages than a new store's, whose list would not find them."""
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    older(hurt, steps)
    content = hurt.read_bytes()
    hurt.write_bytes(content.replace(b"data TEXT NOT NULL", b"date TEXT NOT NULL"))  # of an event
    assert hurt.read_bytes() != content
    (saved,) = rescue(hurt, new, unproven=True).sessions  # nothing vouched for readings then
    assert {channel.name: channel.saved for channel in saved.channels} == {"power": 50, "frequency": 50}


def test_a_file_of_somebody_elses_is_no_store(tmp_path: Path) -> None:
    theirs, new = tmp_path / "cookies.sqlite", tmp_path / "new.benchlog"
    with closing(sqlite3.connect(theirs)) as db:
        db.execute("CREATE TABLE session (id INTEGER PRIMARY KEY, cookie TEXT)")
        db.executemany("INSERT INTO session VALUES (?, ?)", [(number, "x" * 50) for number in range(500)])
        db.commit()
    with pytest.raises(BadStore, match="it is no store"):
        rescue(theirs, new)
    assert not new.exists()


@pytest.mark.parametrize("older_one", [False, True])
def test_pages_that_sqlite_does_not_find_are_found(original: Path, tmp_path: Path, older_one: bool) -> None:
    """Two of them, each in the other's place: what is asked for by its key is on neither."""
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    if older_one:
        original = as_version_5(original, tmp_path / "older.benchlog")
        assert verify(original, "all").intact, "it is read as it is"
    content = bytearray(original.read_bytes())
    starts = range(0, len(content), PAGE)
    leaves = [at for at in starts if content[at] == 10 and int.from_bytes(content[at + 3 : at + 5], "big") > 100]
    one, other = leaves[3], leaves[-3]
    swapped = content[other : other + PAGE], content[one : one + PAGE]
    content[one : one + PAGE], content[other : other + PAGE] = swapped
    hurt.write_bytes(content)
    assert not verify(hurt, "all").intact
    assert rescue(hurt, new).whole
    assert {session: rows_of(new, session) for session in (1, 2, 3)} == originals(original)


def test_a_channel_whose_name_is_lost_costs_that_channel_alone(original: Path, tmp_path: Path) -> None:
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(original, hurt)
    content = bytearray(hurt.read_bytes())
    table = slice((root_of(original, "channel") - 1) * PAGE, root_of(original, "channel") * PAGE)
    assert content[table].count(b"powerwattmeter") == 3
    # In the row alone: the index has the name as it was. The newest row stands nearest to the page's start.
    content[table] = content[table].replace(b"powerwattmeter", b"powxrwattmeter", 1)
    hurt.write_bytes(content)
    one = rescue(hurt, new).sessions[-1]
    assert (one.in_store, one.whole, one.saved) == (True, False, 5414 - 4000)
    assert "its channels (names, units) are not what they were at its end" in one.troubles
    assert {row[1] for row in rows_of(new, 3)[1]} == {"frequency", "back"}  # type: ignore[index]


def test_without_its_seals_a_session_is_saved_by_its_digest_alone(original: Path, tmp_path: Path) -> None:
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(original, hurt)
    without_page(hurt, root_of(original, "seal"))
    found = rescue(hurt, new)
    assert [one.whole for one in found.sessions] == [True] * 3
    assert not found.whole, "the seals are lost, and that is said"


def test_nothing_is_drawn_of_readings_that_did_not_come_over(original: Path, tmp_path: Path) -> None:
    """A sketch comes over with the readings it is of, and only where it is what they give."""
    hurt, new = tmp_path / "hurt.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(original, hurt)
    power = "channel = (SELECT id FROM channel WHERE session = 3 AND name = 'power')"
    with closing(sqlite3.connect(hurt)) as db, db:
        firsts = [first for (first,) in db.execute(f"SELECT first FROM seal WHERE part = 'readings' AND {power}")]
        db.execute(f"DELETE FROM reading WHERE {power} AND t_ns = ?", (firsts[2],))
        db.execute(f"UPDATE seal SET sketch = zeroblob(200) WHERE {power} AND first = ?", (firsts[4],))
    rescue(hurt, new)
    with closing(sqlite3.connect(new)) as db:
        asked = f"SELECT first FROM seal WHERE part = 'readings' AND {power} AND sketch IS NULL"
        assert db.execute(asked).fetchall() == [(firsts[2],), (firsts[4],)]
    reader = StoreReader.open(new)
    session = reader.session(3)
    got = [reader.sketch(3, channel, ALL) for channel in session.channels]
    assert [one is None for one in got] == [channel.name not in ("back", "frequency") for channel in session.channels]


def test_what_nothing_vouches_for_comes_over_only_where_it_is_asked_for(store: Path, tmp_path: Path) -> None:
    w = begin(store)
    for n in range(20):
        w.put(good(n))
    assert w.flush()
    try:
        with pytest.raises(UsageError, match="no session"):
            verify(store, 2)
        found = rescue(store, tmp_path / "without.benchlog")
        (one,) = found.sessions
        assert (one.in_store, one.saved, one.channels[-1].unproven) == (False, 0, 20)
        assert "it has no end, so no digest" in one.troubles[0]
        (one,) = rescue(store, tmp_path / "with.benchlog", unproven=True).sessions
        assert (one.in_store, one.saved, one.whole) == (True, 20, False)
        with closing(open_existing(tmp_path / "with.benchlog", write=False)) as connection:
            (told,) = connection.execute("SELECT text FROM event WHERE kind = 'store'").fetchone()
        assert "20 were taken in though nothing vouches for them" in told
    finally:
        w.end("done")


def test_an_older_store_is_rescued_too(store: Path, tmp_path: Path) -> None:
    older(store, 3)
    (one,) = rescue(store, tmp_path / "new.benchlog", unproven=True).sessions
    assert (one.in_store, one.saved) == (True, 100)


@pytest.mark.parametrize("content", [b"", b"no store at all" * 1000, bytes(10 * PAGE)])
def test_what_is_no_store_is_told_and_no_file_is_left(store: Path, tmp_path: Path, content: bytes) -> None:
    store.write_bytes(content)
    with pytest.raises(BadStore):
        rescue(store, tmp_path / "new.benchlog")
    assert list(tmp_path.iterdir()) == [store]
