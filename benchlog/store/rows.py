"""Putting sessions, readings and events into the tables; what the writer, ``enter`` and the import share.

All of it runs inside the caller's transaction, on the caller's connection.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager

from benchlog import __version__
from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.model import Event, Reading, SessionKind, State
from benchlog.plan import Plan
from benchlog.store import seal
from benchlog.store.bulk import packed
from benchlog.store.digest import Digest

Row = tuple[int, int, float | None, int]  # channel, t_ns, value, how: see ``bulk.packed``
INSERT = "INSERT INTO reading (channel, t_ns, value, how) VALUES (?, ?, ?, ?)"


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of it, or none. IMMEDIATE, so that a lock is met at the start and not half-way."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # after some errors SQLite has rolled back by itself
            connection.execute("ROLLBACK")
        raise


def add_session(
    connection: sqlite3.Connection, kind: SessionKind, bench: Bench, plan: Plan, clock: Clock
) -> tuple[int, dict[str, int]]:
    """A new session and its channels; returns its number and the channels' ids by name."""
    session = connection.execute(
        """INSERT INTO session (kind, transmitter, serial, bench, started_ns, anchor_ns, time_factor,
                                bench_toml, bench_sha256, plan_toml, plan_sha256, program, tables)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        (
            kind,
            plan.transmitter.name,
            plan.transmitter.serial,
            bench.name,
            clock.started_ns,
            clock.anchor_ns,
            float(clock.factor),
            bench.source.text,
            bench.source.sha256,
            plan.source.text,
            plan.source.sha256,
            __version__,
            tables_json(bench.tables),
        ),
    ).lastrowid
    assert session is not None
    channels = {}
    for instrument, channel in bench.channels():
        channels[channel.name] = connection.execute(
            "INSERT INTO channel (session, name, instrument, measures, unit, every_ns) VALUES (?, ?, ?, ?, ?, ?)",
            (session, channel.name, instrument.name, channel.measures, channel.unit, channel.every_ns),
        ).lastrowid
    return session, {name: number for name, number in channels.items() if number is not None}


class Notes:
    """The numbers of (state, reason, said), each stored once in the file.

    What a transaction added counts only once it is committed: ``keep`` then, ``forget`` otherwise.
    """

    _MOST = 4096  # remembered; an instrument that never says the same garbage twice must not fill the memory

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._known: dict[tuple[str, str, str], int] = {}
        self._fresh: dict[tuple[str, str, str], int] = {}

    def of(self, state: State, reason: str, said: str = "") -> int:
        """For a reading without a value."""
        key = (state.value, text(reason), text(said))
        number = self._known.get(key) or self._fresh.get(key)
        if number is None:
            self._connection.execute("INSERT OR IGNORE INTO note (state, reason, said) VALUES (?, ?, ?)", key)
            number = self._connection.execute(
                "SELECT id FROM note WHERE state = ? AND reason = ? AND said = ?", key
            ).fetchone()[0]
            self._fresh[key] = number
        return number

    def keep(self) -> None:
        """The transaction was committed."""
        if len(self._known) > self._MOST:
            self._known.clear()
        self._known.update(self._fresh)
        self._fresh.clear()

    def forget(self) -> None:
        """It was not."""
        self._fresh.clear()


def add_readings(
    connection: sqlite3.Connection, channels: Mapping[str, int], notes: Notes, readings: Iterable[Reading]
) -> None:
    """Raises KeyError for a channel the session has not."""
    rows: list[Row] = [
        (channels[channel], t_ns, value, took_ns // 1000)  # packed; the table's CHECK looks at it
        if value is not None  # and so good: a Reading sees to that
        else (channels[channel], t_ns, None, packed(took_ns // 1000, notes.of(state, reason, said)))
        for channel, t_ns, value, took_ns, state, reason, said in readings
    ]
    connection.execute("SAVEPOINT readings")
    try:
        connection.executemany(INSERT, rows)
    except sqlite3.IntegrityError:
        connection.execute("ROLLBACK TO readings")
        for row in rows:
            _add_at_next_free(connection, row)
    connection.execute("RELEASE readings")


def _add_at_next_free(connection: sqlite3.Connection, row: Row) -> None:
    channel, t_ns, *rest = row
    taken = "SELECT 1 FROM reading WHERE channel = ? AND t_ns = ?"
    while connection.execute(taken, (channel, t_ns)).fetchone():
        t_ns += 1
    connection.execute(INSERT, (channel, t_ns, *rest))


def add_events(connection: sqlite3.Connection, session: int, events: Iterable[Event]) -> None:
    """In order."""
    connection.executemany(
        "INSERT INTO event (session, t_ns, kind, instrument, channel, text, data) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (session, int(e.t_ns), e.kind, text(e.instrument), text(e.channel), text(e.text), _json(e.data))
            for e in events
        ),
    )


def close_session(connection: sqlite3.Connection, session: int, ended_ns: int, ending: str) -> None:
    """Set the end, and the digest and seals of everything that is there by then."""
    started_ns, bench_sha256, plan_sha256, tables = connection.execute(
        "SELECT started_ns, bench_sha256, plan_sha256, tables FROM session WHERE id = ?", (session,)
    ).fetchone()
    words = seal.words_in(connection)
    total = Digest(bench_sha256, plan_sha256, started_ns, json.loads(tables))
    seals: list[seal.Seal] = []
    names = dict(connection.execute("SELECT name, id FROM channel WHERE session = ?", (session,)))
    for name in sorted(names):
        taken = seal.take(connection, names[name], name, words)
        total.add(taken.series)
        seals += seal.seal_readings(names[name], taken, words)
    connection.execute(
        "UPDATE session SET ended_ns = ?, ending = ?, digest = ? WHERE id = ?",
        (ended_ns, text(ending), total.hexdigest(), session),
    )
    seal.keep_seals(connection, session, seals)


def tables_json(tables: Mapping[str, str]) -> str:
    """Correction tables, their words by name, as the store holds them."""
    return json.dumps(dict(sorted(tables.items())), ensure_ascii=False)


def text(found: str) -> str:
    """What SQLite can take: half a surrogate pair, which no file holds, is written out."""
    return found.encode("utf-8", "backslashreplace").decode()


def _json(data: Mapping[str, object]) -> str:
    try:
        return json.dumps(dict(data), default=str, allow_nan=False)
    except ValueError:  # NaN and infinity are not JSON, and SQLite's functions would stumble over them
        return json.dumps({key: str(value) for key, value in data.items()})
