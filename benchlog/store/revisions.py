"""A session analysed again with another bench file: what it was analysed with, and the record that came of it.

Readings, events and the session's own files are never touched; a revision stands beside them.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.store import rows
from benchlog.store.connection import open_or_create, trouble, version
from benchlog.store.schema import REVISIONS, migrate


@dataclass(frozen=True, slots=True)
class StoredRevision:
    """One analysis of a session; number 0 is the one with the files it was taken with."""

    session: int
    number: int
    made_ns: int  # UTC, ns since 1970
    program: str  # benchlog's version
    because: str
    bench_text: str
    tables: Mapping[str, str]  # as in StoredSession
    record: str  # JSON, as it was then

    @property
    def bench_sha256(self) -> str:
        """Of the bench file."""
        return hashlib.sha256(self.bench_text.encode()).hexdigest()


def revisions_of(connection: sqlite3.Connection, session: int) -> list[StoredRevision]:
    """In order of number."""
    if version(connection) < REVISIONS:
        return []
    found = connection.execute(
        """SELECT session, number, made_ns, program, because, bench_toml, tables, record FROM revision
           WHERE session = ? ORDER BY number""",
        (session,),
    )
    return [StoredRevision(*fields) for fields in ((*row[:6], json.loads(row[6]), row[7]) for row in found)]


def add_revisions(path: Path, revisions: Sequence[StoredRevision]) -> None:
    """Keep revisions of one session, which follow on what there is; all of them or none. Brings the store up to date.

    Raises: UsageError where somebody else has revised the session meanwhile; BadStore; StoreFailed.
    """
    session = revisions[0].session
    with closing(open_or_create(path)) as connection:
        migrate(connection, path)
        with trouble(path, "written"), rows.transaction(connection):
            (last,) = connection.execute("SELECT max(number) FROM revision WHERE session = ?", (session,)).fetchone()
            if revisions[0].number != (0 if last is None else last + 1):
                raise UsageError(
                    f"session {session} was revised by another program at the same moment",
                    where=str(path),
                    cure="Look at its newest record, then say it again if it is still wanted.",
                )
            connection.executemany(
                """INSERT INTO revision (session, number, made_ns, program, because, bench_toml, bench_sha256, tables,
                                         record) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)""",
                (
                    (
                        one.session,
                        one.number,
                        one.made_ns,
                        one.program,
                        rows.text(one.because),
                        one.bench_text,
                        one.bench_sha256,
                        rows.tables_json(one.tables),
                        one.record,
                    )
                    for one in revisions
                ),
            )
