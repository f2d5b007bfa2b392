"""A store, damaged at random, looked at and rescued: what must hold whatever was hit.

``trial`` is one of them; the suite tries some, and a long run may call it with as many seeds as it likes.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchlog.clock import Clock
from benchlog.errors import BenchlogError
from benchlog.model import Event, Reading, State
from benchlog.store.rescue import Rescued, rescue
from benchlog.store.verify import Verified, verify
from tests.store.samples import begin

PAGE = 4096
ROWS = """SELECT channel.session, channel.name, t_ns, value, took_us, state, reason, said
          FROM reading JOIN channel NOT INDEXED ON channel.id = reading.channel JOIN note ON note.id = reading.note
          WHERE channel.session = ?"""
# From the tables: an index holds names too, and may be whole where the table is not.
ABOUT = (
    "SELECT * FROM session NOT INDEXED WHERE id = ?",
    "SELECT * FROM channel NOT INDEXED WHERE session = ? ORDER BY id",
)
SESSIONS = (1, 2, 3)
Row = tuple[object, ...]


def make(path: Path) -> Path:
    """Three sessions that ended, with readings good and otherwise, and events; some 200 pages."""
    for session, slots in zip(SESSIONS, (2_500, 90, 4_000), strict=True):
        draw = random.Random(session)
        w = begin(path, Clock(monotonic_ns=lambda: 0, utc_ns=lambda s=session: 1_795_597_389_250_000_000 + s * 10**15))
        for n in range(slots):
            t_ns = n * 200_000_000 + draw.randrange(10**6)
            w.put(Reading("power", t_ns, 90 + draw.random(), took_ns=draw.randrange(10**7)))
            if n % 3 == 0:
                w.put(Reading("frequency", t_ns, 10.12 + draw.random() / 10**6, took_ns=5_000_000))
            if n % 50 == 0:
                w.put(Reading("back", t_ns, None, 10**9, State.MISSED, "silent for 1 s"))
                w.put(Event(t_ns, "note", f"turned the knob, {n}", instrument="wattmeter", data={"n": n}))
        w.end("stopped by the operator")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def flip_bits(content: bytearray, draw: random.Random) -> None:
    for _ in range(draw.choice((1, 3, 30))):
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)


def zero_pages(content: bytearray, draw: random.Random) -> None:
    for _ in range(draw.choice((1, 1, 5))):
        at = draw.randrange(len(content) // PAGE) * PAGE
        content[at : at + PAGE] = bytes(PAGE)


def garble(content: bytearray, draw: random.Random) -> None:
    at = draw.randrange(len(content))
    length = min(draw.choice((8, 600, 20_000)), len(content) - at)
    content[at : at + length] = draw.randbytes(length)


def swap_pages(content: bytearray, draw: random.Random) -> None:
    one, other = (draw.randrange(len(content) // PAGE) * PAGE for _ in range(2))
    content[one : one + PAGE], content[other : other + PAGE] = (
        content[other : other + PAGE],
        content[one : one + PAGE],
    )


def truncate(content: bytearray, draw: random.Random) -> None:
    del content[draw.randrange(1, len(content)) :]


WAYS: tuple[Callable[[bytearray, random.Random], None], ...] = (flip_bits, zero_pages, garble, swap_pages, truncate)


@dataclass(frozen=True)
class Outcome:
    """Of one trial."""

    way: str
    refused: bool  # nothing could be saved, and it was said
    saved: int
    there: int  # readings before the damage
    whole: int  # sessions
    noticed: bool


def rows_of(path: Path, session: int) -> tuple[list[Row], list[Row]] | None:
    """A session as plain SQL has it; None where that fails."""
    try:
        with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as connection:
            about = [row for sql in ABOUT for row in connection.execute(sql, (session,))]
            return about, sorted(connection.execute(ROWS, (session,)).fetchall(), key=repr)
    except (sqlite3.Error, UnicodeDecodeError, OverflowError):
        return None


def originals(path: Path) -> dict[int, tuple[list[Row], list[Row]]]:
    """By session, of a store that is whole."""
    return {session: found for session in SESSIONS if (found := rows_of(path, session))}


def trial(path: Path, before: dict[int, tuple[list[Row], list[Row]]], folder: Path, seed: int) -> Outcome:
    """Damage a copy of the store in ``folder``, look at it, rescue it; asserts what must hold."""
    draw = random.Random(seed)
    way = WAYS[seed % len(WAYS)]
    content = bytearray(path.read_bytes())
    way(content, draw)
    hurt, new = folder / f"hurt-{seed}.benchlog", folder / f"new-{seed}.benchlog"
    hurt.write_bytes(content)
    after = {session: rows_of(hurt, session) for session in SESSIONS}
    looked = _looked(hurt)
    noticed = looked is None or not looked.intact
    for session in SESSIONS:
        if after[session] != before[session]:
            assert noticed, f"seed {seed}: session {session} is altered, and nobody noticed"
    saved = _rescued(hurt, new)
    assert hurt.read_bytes() == content, f"seed {seed}: the damaged store was touched"
    there = sum(len(rows) for _, rows in before.values())
    if saved is None:
        assert not new.exists()
        assert way is not flip_bits or after != before
        return Outcome(way.__name__, True, 0, there, 0, noticed)
    whole = _held(new, saved, before, after, seed)
    outcome = Outcome(way.__name__, False, sum(one.saved for one in saved.sessions), there, whole, noticed)
    for left in (hurt, new):
        left.unlink()
    return outcome


def _held(
    new: Path,
    saved: Rescued,
    before: dict[int, tuple[list[Row], list[Row]]],
    after: dict[int, tuple[list[Row], list[Row]] | None],
    seed: int,
) -> int:
    """No reading invented or altered, all counted, untouched sessions whole; returns how many are whole."""
    by_id = {one.id: one for one in saved.sessions}
    checked = {one.id: one for one in verify(new, "all").sessions}
    with closing(sqlite3.connect(new)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)], f"seed {seed}"
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == [], f"seed {seed}"
        total = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    for session in SESSIONS:
        found = rows_of(new, session)
        assert found is not None
        about, rows = found
        one = by_id.get(session)
        odd = one is not None and any("told otherwise" in trouble for trouble in one.troubles)
        known = before[session][1]
        extra = {row[:6] if odd else row for row in rows} - {row[:6] if odd else row for row in known}
        assert not extra, f"seed {seed}: invented or altered: {sorted(extra, key=repr)[:3]}"
        assert len(rows) == (0 if one is None else one.saved), f"seed {seed}"
        total -= len(rows)
        if after[session] == before[session]:
            assert one is not None, f"seed {seed}: session {session} was untouched, and is lost"
            assert one.whole, f"seed {seed}: session {session} was untouched, and is not whole: {one}"
        if one is not None and one.whole:
            assert len(rows) == len(known)
            assert checked[session].digest == checked[session].sealed_digest
        elif one is not None and one.in_store and about == before[session][0]:
            lost = [channel.lost(False) for channel in one.channels]
            if None not in lost and not any("seals" in text for text in (*saved.troubles, *one.troubles)):
                assert sum(filter(None, lost)) == len(known) - len(rows), f"seed {seed}"
    assert total == 0, f"seed {seed}: rows of no session"
    return sum(one.whole for one in saved.sessions)


def _looked(path: Path) -> Verified | None:
    try:
        return verify(path, "all")
    except BenchlogError:
        return None


def _rescued(path: Path, new: Path) -> Rescued | None:
    try:
        return rescue(path, new)
    except BenchlogError:
        return None


def trials(folder: Path, seeds: range) -> list[Outcome]:
    """Many, on one store made in ``folder``."""
    store = make(folder / "whole.benchlog")
    before = originals(store)
    work = folder / "work"
    work.mkdir(exist_ok=True)
    try:
        return [trial(store, before, work, seed) for seed in seeds]
    finally:
        shutil.rmtree(work)
