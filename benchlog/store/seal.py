"""What is kept of a session when it ends, so that later it can be told whether, and where, it was altered.

The digest (``digest``) stands for all readings at once. The seals beside it, SHA-256 each, stand for parts:

    session   the session's own row, as JSON
    channels  each of its channels, as JSON
    events    ``EVENTS`` of them at a time, in order of id, as JSON
    readings  ``READINGS`` of one channel at a time, in order of time: what the digest has of them (t_ns, value, state,
              took_us, arrays as there), then the reason of each that has no value, and what the instrument said
    seals     all seals above

A stretch reaches from its first row to the next one's first, the outermost for ever, so that a row put in or taken out
alters the seal of one stretch alone. A stretch costs about 70 bytes, 0.14 for a reading. Beside it lies what it
looks like from afar (``sketch``), which vouches for nothing.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from benchlog.series import RawSeries
from benchlog.store import bulk, sketch
from benchlog.store.bulk import ALL, Span
from benchlog.store.connection import version
from benchlog.store.digest import arrays
from benchlog.store.schema import SKETCHES

READINGS = 512
EVENTS = 64
Part = Literal["session", "channels", "events", "readings", "seals"]
Words = Mapping[int, tuple[str, str, str]]
"""The notes that readings refer to: (state, reason, said) by number."""


@dataclass(frozen=True, slots=True)
class Taken:
    """Readings of one channel, with the notes they refer to. Shape of ``note``: (n,)."""

    series: RawSeries
    note: NDArray[np.int64]

    def cut(self, start: int, stop: int) -> Taken:
        """Rows [start, stop)."""
        s, part = self.series, slice(start, stop)
        cut = RawSeries(s.channel, s.t_ns[part], s.value[part], s.state[part], s.took_us[part])
        return Taken(cut, self.note[part])

    def within(self, span: Span) -> Taken:
        """Those with t_ns in [from, to)."""
        return self.cut(*(int(i) for i in np.searchsorted(self.series.t_ns, span)))


SESSION = (
    "SELECT kind, transmitter, serial, bench, started_ns, anchor_ns, time_factor, ended_ns, ending, bench_toml,"
    " plan_toml, program, tables FROM session WHERE id = ?"
)
CHANNEL = "SELECT id, name, instrument, measures, unit, every_ns FROM channel WHERE id = ?"
EVENT = (  # from the table alone: an index may be damaged where the rows are not
    "SELECT id, t_ns, kind, instrument, channel, text, data FROM event NOT INDEXED"
    " WHERE session = ? AND id >= ? AND id < ? ORDER BY id"
)


@dataclass(frozen=True, slots=True)
class Seal:
    """Of one part of a session; ``first`` and ``last`` are the t_ns of readings, or the ids of events."""

    part: Part
    channel: int  # a channel's id; 0 where the part is neither readings nor a channel
    first: int
    last: int
    rows: int
    sha256: bytes
    sketch: bytes | None = None  # of readings


def columns(connection: sqlite3.Connection) -> str:
    """Those of a seal, as they are selected for ``plausible``."""
    kept = "sketch" if version(connection) >= SKETCHES else "NULL"
    return f"part, channel, first, last, rows, sha256, {kept}"


def seal_readings(channel: int, found: Taken, words: Words) -> Iterator[Seal]:
    """Of one channel, stretch by stretch."""
    for start in range(0, len(found.note), READINGS):
        part = found.cut(start, start + READINGS)
        first, last = int(part.series.t_ns[0]), int(part.series.t_ns[-1])
        sha256 = readings_sha256(part, words)
        yield Seal("readings", channel, first, last, len(part.note), sha256, sketch.of(part.series))


def keep_seals(connection: sqlite3.Connection, session: int, readings: Iterable[Seal]) -> None:
    """Put a session's seals in; in the transaction that ends it, after its row was changed for the last time."""
    seals = [
        Seal("session", 0, 0, 0, 1, session_sha256(connection, session)),
        *(
            Seal("channels", channel, 0, 0, 1, sha256)
            for channel, sha256 in channels_sha256(connection, session).items()
        ),
        *readings,
    ]
    events = connection.execute(EVENT, (session, *ALL)).fetchall()
    for start in range(0, len(events), EVENTS):
        part = events[start : start + EVENTS]
        seals.append(Seal("events", 0, part[0][0], part[-1][0], len(part), events_sha256(part)))
    seals.append(Seal("seals", 0, 0, 0, len(seals), seals_sha256(seals)))
    connection.execute("DELETE FROM seal WHERE session = ?", (session,))  # it may have lost its end, and ends again
    put_seals(connection, session, seals)


def put_seals(connection: sqlite3.Connection, session: int, seals: Iterable[Seal]) -> None:
    """As they are; one that is there already stays."""
    connection.executemany(
        "INSERT OR IGNORE INTO seal (session, part, channel, first, last, rows, sha256, sketch)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        ((session, s.part, s.channel, s.first, s.last, s.rows, s.sha256, s.sketch) for s in seals),
    )


def seals_of(connection: sqlite3.Connection, session: int) -> list[Seal]:
    """In order of part, channel and place; none for a session that an older benchlog ended."""
    found = connection.execute(
        f"SELECT {columns(connection)} FROM seal WHERE session = ? ORDER BY part, channel, first", (session,)
    )
    return [one for row in found if (one := plausible(row)) is not None]


def plausible(row: tuple[Any, ...]) -> Seal | None:
    """A seal as it was read; None where damage left none."""
    types = (str, int, int, int, int, bytes, object)
    if row[0] in get_args(Part) and all(map(isinstance, row, types)) and 0 < row[4] < 2**40:
        kept = row[6] if row[6] is None or isinstance(row[6], bytes) else b""  # which is nobody's sketch
        return replace(Seal(*row), sketch=kept)
    return None


def stretches(seals: Sequence[Seal]) -> Iterator[tuple[Seal, Span]]:
    """Seals of one part and channel, each with all the places it stands for."""
    for i, one in enumerate(seals):
        start = one.first if i else ALL[0]
        yield one, (start, seals[i + 1].first if i + 1 < len(seals) else ALL[1])


def session_sha256(connection: sqlite3.Connection, session: int) -> bytes:
    """Of the session's own row."""
    return _of_json(connection.execute(SESSION, (session,)).fetchall())


def channels_sha256(connection: sqlite3.Connection, session: int) -> dict[int, bytes]:
    """Of each of its channels, by id."""
    return {int(row[0]): _of_json(row) for row in channels_of(connection, session)}


def channels_of(connection: sqlite3.Connection, session: int) -> list[tuple[Any, ...]]:
    """The rows of its channels, as ``CHANNEL`` has them, in order of id.

    One by one, and from the table alone: asked for all at once, SQLite may take a name out of an index, where it is
    whole while the row is not; or the index is damaged, and the rows are not.
    """
    mine = "SELECT id FROM channel NOT INDEXED WHERE session = ? ORDER BY id"
    ids = [number for (number,) in connection.execute(mine, (session,)).fetchall()]
    return [connection.execute(CHANNEL, (number,)).fetchone() for number in ids]


def seals_sha256(seals: Iterable[Seal]) -> bytes:
    """Of all seals of a session but this one."""
    others = [one for one in seals if one.part != "seals"]
    others.sort(key=lambda one: (one.part, one.channel, one.first))
    return _of_json([[one.part, one.channel, one.first, one.last, one.rows, one.sha256.hex()] for one in others])


def events_sha256(events: Sequence[tuple[Any, ...]]) -> bytes:
    """Of rows as ``EVENT`` selects them."""
    return _of_json(events)


def readings_sha256(found: Taken, words: Words) -> bytes:
    """Raises KeyError where a row refers to a note that is not there."""
    sha = hashlib.sha256()
    for array in arrays(found.series):
        sha.update(array)
    for note in found.note[found.note != 0].tolist():
        _, reason, said = words[note]
        sha.update(f"{reason}\0{said}\0".encode())
    return sha.digest()


def words_in(connection: sqlite3.Connection) -> dict[int, tuple[str, str, str]]:
    """All notes of the store."""
    return {number: (state, reason, said) for number, state, reason, said in connection.execute("SELECT * FROM note")}


def take(connection: sqlite3.Connection, channel: int, name: str, words: Words, span: Span = ALL) -> Taken:
    """A channel's readings. Raises IndexError where a row refers to a note beyond those there are."""
    return taken(bulk.plain(connection, channel, span), name, words)


def taken(rows: bulk.Rows, name: str, words: Words) -> Taken:
    """Raises IndexError where a row refers to a note beyond those there are."""
    return Taken(rows.series(name, {number: state for number, (state, _, _) in words.items()}), rows.note)


def _of_json(found: object) -> bytes:
    return hashlib.sha256(json.dumps(found, ensure_ascii=True, separators=(",", ":")).encode()).digest()
