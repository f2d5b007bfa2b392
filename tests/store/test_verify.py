"""What was altered in a store is found, and told by channel and stretch; what was not is intact."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.errors import BadStore, UsageError
from benchlog.store.reader import StoreReader
from benchlog.store.verify import Checked, verify
from tests.store.damage import make
from tests.store.samples import begin, digest, good, older, plain


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("verify") / "whole.benchlog")


@pytest.fixture
def copy(original: Path, store: Path) -> Path:
    shutil.copyfile(original, store)
    return store


def alter(path: Path, sql: str, *values: object) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        assert connection.execute(sql, values).rowcount


def checked(path: Path, session: int) -> Checked:
    return next(one for one in verify(path, "all").sessions if one.id == session)


def test_what_was_not_altered_is_intact(original: Path) -> None:
    found = verify(original, "all")
    assert found.intact
    assert [one.verdict for one in found.sessions] == ["intact"] * 3
    for one in found.sessions:
        assert one.digest == one.sealed_digest == StoreReader.open(original).session(one.id).digest
        assert one.readings == one.sealed_readings == sum(StoreReader.open(original).counts(one.id).values())
    assert [one.id for one in verify(original, "last").sessions] == [3]
    assert [one.id for one in verify(original, 2).sessions] == [2]
    with pytest.raises(UsageError, match="no session 9"):
        verify(original, 9)


IN_3 = "WHERE channel = (SELECT id FROM channel WHERE session = 3 AND name = 'power')"


def power_of_3(path: Path) -> list[int]:
    return [t for (t,) in plain(path, f"SELECT t_ns FROM reading {IN_3} ORDER BY t_ns")]


@pytest.mark.parametrize("pick", range(5))
def test_one_altered_reading_is_found_to_a_minute_or_two(copy: Path, pick: int) -> None:
    """512 readings every 200 ms are 102.4 s."""
    t_ns = random.Random(pick).choice(power_of_3(copy))
    alter(copy, f"UPDATE reading SET value = value + 1e-9 {IN_3} AND t_ns = ?", t_ns)
    assert verify(copy, 2).intact
    one = checked(copy, 3)
    assert (one.verdict, one.readings, one.sealed_readings) == ("altered", 5414, 5414)
    (trouble,) = one.troubles
    assert (trouble.kind, trouble.channel) == ("altered", "power")
    assert trouble.from_ns is not None
    assert trouble.to_ns is not None
    assert trouble.from_ns <= t_ns <= trouble.to_ns < trouble.from_ns + 103 * 10**9
    assert trouble.text == f"among {min(512, trouble.sealed)} readings some are not what they were"


def test_readings_taken_out_are_counted_over_neighbouring_stretches(copy: Path) -> None:
    times = power_of_3(copy)[500:1100]
    alter(copy, f"DELETE FROM reading {IN_3} AND t_ns >= ? AND t_ns <= ?", times[0], times[-1])
    (trouble,) = checked(copy, 3).troubles
    assert (trouble.kind, trouble.channel) == ("missing", "power")
    assert trouble.text == "600 of 1,536 readings are missing"


def test_readings_put_in_are_counted_also_beyond_the_end(copy: Path) -> None:
    (channel,) = plain(copy, "SELECT id FROM channel WHERE session = 3 AND name = 'power'")[0]
    for t_ns in (-5, 10**15):
        alter(copy, "INSERT INTO reading VALUES (?, ?, 1.0, 0)", channel, t_ns)
    before, after = checked(copy, 3).troubles
    assert (before.kind, after.kind) == ("added", "added")
    assert before.from_ns == -5
    assert after.to_ns == 10**15
    assert before.text == "1 reading beside the 512 that were there at its end"
    empty = plain(copy, "SELECT id FROM channel WHERE session = 3 AND name = 'plate'")[0][0]
    alter(copy, "INSERT INTO reading VALUES (?, 7, 1.0, 0)", empty)
    assert "1 readings that were not there at its end" in [t.text for t in checked(copy, 3).troubles]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE session SET transmitter = 'another' WHERE id = 3", "its own row is not"),
        ("UPDATE session SET ending = 'all was well' WHERE id = 3", "its own row is not"),
        ("UPDATE session SET bench_toml = bench_toml || ' ' WHERE id = 3", "the bench file is not the one"),
        ("UPDATE session SET plan_toml = plan_toml || ' ' WHERE id = 3", "the plan file is not the one"),
        ("UPDATE session SET digest = NULL WHERE id = 3", "the digest of its end is not there any more"),
        ("UPDATE session SET digest = 'f' || substr(digest, 2) WHERE id = 3", "the digest kept of its end was altered"),
        ("UPDATE session SET digest = upper(digest) WHERE id = 3", "the digest kept of its end was altered"),
        ("UPDATE channel SET unit = 'mW' WHERE session = 3 AND name = 'power'", "its channels (names, units) are not"),
        ("DELETE FROM channel WHERE session = 3 AND name = 'power'", "a channel with 4,000 readings is not there"),
        ("UPDATE event SET text = 'nothing' WHERE session = 3 AND t_ns > 6e11 AND t_ns < 7e11", "events some are not"),
        (
            "UPDATE seal SET rows = 511 WHERE session = 3 AND part = 'readings' AND rows = 512",
            "its seals are not those",
        ),
        ("DELETE FROM seal WHERE session = 3 AND part = 'events'", "its seals are not those"),
        (
            "UPDATE seal SET sketch = zeroblob(200) WHERE session = 3 AND part = 'readings' AND rows = 512",
            "what is kept to draw its readings from afar is not what they give; they are what they were",
        ),
        ("DELETE FROM event WHERE session = 3 AND t_ns > 6e11 AND t_ns < 7e11", "10 of 80 events are missing"),
    ],
)
def test_what_stands_about_a_session_is_vouched_for_too(copy: Path, sql: str, said: str) -> None:
    alter(copy, sql)
    one = checked(copy, 3)
    assert one.verdict == "altered"
    assert said in " ".join(trouble.text for trouble in one.troubles)
    assert checked(copy, 2).verdict == "intact"


def test_a_reason_told_otherwise_is_found_though_the_digest_has_none(copy: Path) -> None:
    alter(copy, "UPDATE note SET reason = 'lunch' WHERE state = 'missed'")
    found = verify(copy, "all").sessions
    assert len(found) == 3
    for one in found:
        assert one.digest == one.sealed_digest
        assert {trouble.channel for trouble in one.troubles} == {"back"}
        assert {trouble.kind for trouble in one.troubles} == {"seal"}


def test_a_session_taken_out_is_missed_and_its_rows_are_strays(copy: Path) -> None:
    alter(copy, "DELETE FROM session WHERE id = 2")
    found = verify(copy, "all")
    assert [one.verdict for one in found.sessions] == ["intact", "intact"]
    told = [trouble.text for trouble in found.file]
    assert "session 2: not there any more" in told
    assert "5 rows of the table channel without the session they name" in told
    assert not found.intact


def test_a_session_without_an_end_is_neither_intact_nor_altered(store: Path) -> None:
    w = begin(store)
    w.put(good(1))
    assert w.flush()
    try:
        (one,) = verify(store, "last").sessions
        assert (one.verdict, one.troubles, one.readings) == ("unsealed", (), 1)
        assert not verify(store, "last").intact
    finally:
        w.end("done")
    assert verify(store, "last").intact


def test_an_older_store_is_verified_by_its_digest_alone(store: Path) -> None:
    older(store, 3)
    session, raw = StoreReader.open(store).session(1), StoreReader.open(store).raw(1)
    sealed = digest(raw, session.bench_sha256, session.plan_sha256, session.started_ns)
    alter(store, "UPDATE session SET digest = ?", sealed)
    assert verify(store, 1).intact
    alter(store, "UPDATE reading SET value = 1.0 WHERE t_ns = 7000 AND channel = 1")
    (one,) = verify(store, 1).sessions
    assert (one.verdict, one.sealed_readings) == ("altered", None)
    assert "where, was not kept" in one.troubles[0].text
    assert plain(store, "PRAGMA user_version") == [(3,)], "looking changes nothing"


def test_what_is_no_store_is_refused(store: Path) -> None:
    store.write_text("no store at all")
    with pytest.raises(BadStore, match="not an SQLite file"):
        verify(store, "all")
