"""What is in a store, for everybody who only looks."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.model import Event, EventKind, Measure, SessionKind, State
from benchlog.series import RawSeries
from benchlog.store import bulk, seal, sketch
from benchlog.store.bulk import ALL, Span
from benchlog.store.connection import open_existing, trouble, version
from benchlog.store.revisions import StoredRevision, revisions_of
from benchlog.store.schema import REVISIONS, SKETCHES
from benchlog.store.sketch import Pieces


@dataclass(frozen=True, slots=True)
class StoredChannel:
    """A channel of one session, as the bench file had it."""

    id: int  # unique over the store
    name: str
    instrument: str
    measures: Measure | None
    unit: str
    every_ns: int


@dataclass(frozen=True, slots=True)
class StoredSession:
    """One session as the store has it; ``started_ns`` and ``ended_ns`` are UTC, nanoseconds since 1970."""

    id: int
    kind: SessionKind
    transmitter: str
    serial: str
    bench: str
    started_ns: int
    ended_ns: int | None  # None while it runs, and for ever where its program was killed
    ending: str
    anchor_ns: int
    time_factor: float
    bench_text: str
    bench_sha256: str
    plan_text: str
    plan_sha256: str
    program: str
    digest: str | None
    tables: Mapping[str, str]  # the correction tables named by the bench file, word for word, by name
    revision: int | None  # the number of the newest; None where it was never analysed again
    channels: tuple[StoredChannel, ...]  # in the bench file's order


_SESSIONS = """SELECT id, kind, transmitter, serial, bench, started_ns, ended_ns, ending, anchor_ns, time_factor,
    bench_toml, bench_sha256, plan_toml, plan_sha256, program, digest"""
_REVISED = ", tables, (SELECT max(number) FROM revision WHERE session = session.id)"
_NEVER_REVISED = ", '{}', NULL"  # a store that an older program wrote, and no newer one has written since


class StoreReader:
    """Reads one store, from any thread. Never changes the file.

    Each call opens the file anew, read-only, and closes it: nothing is held between calls, every call sees one
    state of the store, and ``raw`` may use its fast way (``bulk``). Opening costs about a third of a millisecond.
    """

    def __init__(self, path: Path) -> None:
        """``open`` looks first whether the file is a store; here the first call does."""
        self.path = path

    @classmethod
    def open(cls, path: Path) -> StoreReader:
        """Raises: BadStore (missing, not ours, damaged, newer or older than this program); StoreFailed."""
        open_existing(path, write=False).close()
        return cls(path)

    def sessions(self) -> list[StoredSession]:
        """All, the oldest first."""
        with self._connection() as connection:
            return _sessions(connection)

    def session(self, ref: int | str) -> StoredSession:
        """One by its number, or the ``"last"`` one begun. Raises UsageError, naming those there are."""
        sessions = self.sessions()
        if not sessions:
            raise UsageError("no session in this store yet", where=str(self.path), cure="Run one, or import readings.")
        if ref == "last":
            return sessions[-1]
        found = next((session for session in sessions if str(session.id) == str(ref)), None)
        if found is None:
            known = ", ".join(str(session.id) for session in sessions[-10:])
            known = f"... {known}" if len(sessions) > 10 else known
            raise UsageError(f"no session {ref}", where=str(self.path), cure=f'Known are {known}; or say "last".')
        return found

    def raw(self, session_id: int, span: Span = ALL) -> dict[str, RawSeries]:
        """The session's channels in the bench file's order, also those without a reading.

        Args:
            session_id: as in ``StoredSession.id``.
            span: session time [from_ns, to_ns); all by default.
        """
        channels = self.session(session_id).channels
        found = self.rows(channels, span)
        states = {note: state for note, (state, _, _) in self.notes().items()}  # read last: it names all that rows use
        return {c.name: rows.series(c.name, states) for c, rows in zip(channels, found, strict=True)}

    def each(self, channels: Sequence[StoredChannel], take: Callable[[RawSeries], object]) -> None:
        """The channels one after the other, as ``bulk.each``: for what need not be of one moment, nor in memory."""
        bulk.each(self.path, [(channel.id, channel.name) for channel in channels], take)

    def rows(self, channels: Sequence[StoredChannel], span: Span = ALL) -> list[bulk.Rows]:
        """As ``raw``, with the notes' numbers in place of states."""
        return bulk.read(self.path, [channel.id for channel in channels], span)

    def few_rows(self, channel: StoredChannel, span: Span) -> bulk.Rows:
        """Of one channel; some ten thousand, where ``rows`` is for any number."""
        return bulk.read(self.path, [channel.id], span, few=True)[0]

    def sketch(self, session_id: int, channel: StoredChannel, span: Span) -> Pieces | None:
        """What the channel's readings in a span look like from afar, with what of its pieces reaches beyond the ends.

        None where it was not made of all of them: a session that runs, or that an older benchlog ended. It is for
        drawing: the record knows nothing of it.
        """
        with self._connection() as connection:
            if version(connection) < SKETCHES:
                return None
            mine = "FROM seal WHERE session = ?1 AND part = 'readings' AND channel = ?2 AND first"
            found = connection.execute(
                f"""SELECT first, last, rows, sketch {mine} < ?4 AND first >=
                    ifnull((SELECT max(first) {mine} <= ?3), ?3) ORDER BY first""",
                (session_id, channel.id, *span),
            ).fetchall()
        return sketch.pieces(found) if all(isinstance(kept, bytes) for *_, kept in found) else None

    def notes(self) -> dict[int, tuple[str, str, str]]:
        """What readings refer to: (state, reason, said) by number; 0 is good."""
        with self._connection() as connection:
            return seal.words_in(connection)

    def ends(self, channel: StoredChannel) -> tuple[int, int] | None:
        """Session time of a channel's first and last slot; None where it has none."""
        with self._connection() as connection:
            first, last = connection.execute(
                """SELECT (SELECT min(t_ns) FROM reading WHERE channel = ?1),
                          (SELECT max(t_ns) FROM reading WHERE channel = ?1)""",
                (channel.id,),
            ).fetchone()
        return None if first is None else (first, last)

    def widened(self, channel: StoredChannel, span: Span) -> Span:
        """The span, made to reach the good readings of the channel that are next to it on both sides."""
        with self._connection() as connection:
            before, after = connection.execute(
                """SELECT (SELECT t_ns FROM reading WHERE channel = ?1 AND t_ns < ?2 AND note = 0
                           ORDER BY t_ns DESC LIMIT 1),
                          (SELECT t_ns FROM reading WHERE channel = ?1 AND t_ns >= ?3 AND note = 0
                           ORDER BY t_ns LIMIT 1)""",
                (channel.id, *span),
            ).fetchone()
        return span[0] if before is None else before, span[1] if after is None else after + 1

    def events(self, session_id: int, kind: EventKind | None = None) -> list[Event]:
        """In order of time; of one kind, which is all that a long run may ask for at every key-up: it has thousands."""
        with self._connection() as connection:
            found = connection.execute(
                "SELECT t_ns, kind, text, instrument, channel, data FROM event"
                " WHERE session = :session AND (:kind IS NULL OR kind = :kind) ORDER BY t_ns, id",
                {"session": session_id, "kind": kind},
            )
            return [
                Event(t_ns, kind, text, instrument, channel, json.loads(data))
                for t_ns, kind, text, instrument, channel, data in found
            ]

    def revisions(self, session_id: int) -> list[StoredRevision]:
        """All, the first (number 0) first; none where the session was never analysed again."""
        with self._connection() as connection:
            return revisions_of(connection, session_id)

    def counts(self, session_id: int) -> dict[str, int]:
        """How the planned slots ended: good, over_range, invalid, missed."""
        with self._connection() as connection:
            found = dict(
                connection.execute(
                    """SELECT state, sum(n) FROM note JOIN
                         (SELECT note, count(*) AS n FROM reading
                          WHERE channel IN (SELECT id FROM channel WHERE session = ?) GROUP BY note)
                       ON note.id = note GROUP BY state""",
                    (session_id,),
                )
            )
        return {state.value.replace("-", "_"): found.get(state.value, 0) for state in State}

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        with closing(open_existing(self.path, write=False)) as connection, trouble(self.path, "read"):
            connection.execute("BEGIN")  # one state of the store, however many statements
            yield connection


def _sessions(connection: sqlite3.Connection) -> list[StoredSession]:
    channels: dict[int, list[StoredChannel]] = {}
    for session, *fields in connection.execute(
        "SELECT session, id, name, instrument, measures, unit, every_ns FROM channel ORDER BY id"
    ):
        channels.setdefault(session, []).append(StoredChannel(*fields))
    revised = _REVISED if version(connection) >= REVISIONS else _NEVER_REVISED
    found = connection.execute(f"{_SESSIONS}{revised} FROM session ORDER BY id").fetchall()
    return [
        StoredSession(*fields)
        for fields in ((*row[:-2], json.loads(row[-2]), row[-1], tuple(channels.get(row[0], ()))) for row in found)
    ]
