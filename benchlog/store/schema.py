"""What is in a store: the tables, made and changed by named steps.

``user_version`` counts the steps a store has been through, so that a newer one is known before its tables are read.
A step, once released, is never edited: a change is a new step.

sqlite-utils keeps the record of the steps (``_sqlite_migrations``); it is imported only when there is a step to take.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from benchlog.errors import StoreFailed
from benchlog.store.connection import APPLICATION_ID, trouble, version

if TYPE_CHECKING:
    from sqlite_utils import Database

_SESSIONS_AND_READINGS = (
    """CREATE TABLE session (
        id INTEGER PRIMARY KEY AUTOINCREMENT,  -- never used twice: records quote it
        kind TEXT NOT NULL,                    -- sweep, soak, watch, import
        transmitter TEXT NOT NULL,
        serial TEXT NOT NULL,
        bench TEXT NOT NULL,
        started_ns INTEGER NOT NULL,           -- UTC, ns since 1970; every t_ns counts from here
        anchor_ns INTEGER NOT NULL,            -- the host's monotonic clock at the same moment
        time_factor REAL NOT NULL,             -- session seconds per real second; 1 except on a simulated bench
        ended_ns INTEGER,                      -- UTC; NULL while running, and after a crash
        ending TEXT NOT NULL DEFAULT '',       -- how it ended
        bench_toml TEXT NOT NULL,              -- both files word for word
        bench_sha256 TEXT NOT NULL,
        plan_toml TEXT NOT NULL,
        plan_sha256 TEXT NOT NULL,
        program TEXT NOT NULL,                 -- benchlog's version
        digest TEXT                            -- of all readings, see digest.py; set at the end
    ) STRICT""",
    """CREATE TABLE channel (
        id INTEGER PRIMARY KEY,                -- unique over the file; ascending in the bench file's order
        session INTEGER NOT NULL REFERENCES session(id),
        name TEXT NOT NULL,
        instrument TEXT NOT NULL,
        measures TEXT,                         -- NULL: logged only
        unit TEXT NOT NULL,
        every_ns INTEGER NOT NULL,
        UNIQUE (session, name)
    ) STRICT""",
    """CREATE TABLE note (
        id INTEGER PRIMARY KEY,
        state TEXT NOT NULL,                   -- good, over-range, invalid, missed
        reason TEXT NOT NULL,                  -- for people
        said TEXT NOT NULL,                    -- what the instrument said
        UNIQUE (state, reason, said)
    ) STRICT""",
    "INSERT INTO note VALUES (0, 'good', '', '')",
    # 26-29 B a row, measured: no rowid, and t_ns counted from the session's start is short. Step 6 makes it anew.
    """CREATE TABLE reading (
        channel INTEGER NOT NULL REFERENCES channel(id),
        t_ns INTEGER NOT NULL,                 -- session time, middle of the exchange
        value REAL,                            -- as the instrument said it, in the channel's unit
        took_us INTEGER NOT NULL,
        note INTEGER NOT NULL DEFAULT 0 REFERENCES note(id),
        PRIMARY KEY (channel, t_ns),
        CHECK ((note = 0) = (value IS NOT NULL))
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        session INTEGER NOT NULL REFERENCES session(id),
        t_ns INTEGER NOT NULL,
        kind TEXT NOT NULL,
        instrument TEXT NOT NULL,
        channel TEXT NOT NULL,
        text TEXT NOT NULL,
        data TEXT NOT NULL                     -- JSON
    ) STRICT""",
    "CREATE INDEX event_session ON event(session, t_ns)",
)

_VIEW_FOR_PEOPLE = (
    """CREATE VIEW readings AS
    SELECT session, channel,
           strftime('%Y-%m-%dT%H:%M:%S', (utc_ns - ns) / 1000000000, 'unixepoch') || printf('.%09dZ', ns) AS time,
           value, unit, state, reason
    FROM (SELECT session.id AS session, channel.name AS channel, channel.unit, reading.value, note.state, note.reason,
                 session.started_ns + reading.t_ns AS utc_ns,
                 ((session.started_ns + reading.t_ns) % 1000000000 + 1000000000) % 1000000000 AS ns
          FROM session JOIN channel ON channel.session = session.id
               JOIN reading ON reading.channel = channel.id JOIN note ON note.id = reading.note)""",
)

_UNATTENDED = (
    """CREATE TABLE start (
        entry TEXT NOT NULL,                   -- its name in the timetable
        due_ns INTEGER NOT NULL,               -- UTC, ns since 1970
        run TEXT NOT NULL,                     -- soak, watch, backup
        session INTEGER REFERENCES session(id),-- what it became
        missed TEXT NOT NULL,                  -- why it became nothing; empty where it did
        continues INTEGER REFERENCES session(id), -- the session that was cut off, where this goes on with one
        PRIMARY KEY (entry, due_ns)
    ) STRICT""",
    """CREATE TABLE timetable (
        entry TEXT PRIMARY KEY,
        times TEXT NOT NULL,                   -- when it is due; other times are another entry
        accounted_ns INTEGER NOT NULL          -- UTC; everything due until then is in `start`
    ) STRICT""",
)

_REVISIONS = (
    # The CSV files named by the bench file, word for word: {"coupler.csv": "frequency,..."}
    "ALTER TABLE session ADD COLUMN tables TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(tables))",
    """CREATE TABLE revision (
        session INTEGER NOT NULL REFERENCES session(id),
        number INTEGER NOT NULL,               -- 0: with the files it was taken with, kept when 1 was made
        made_ns INTEGER NOT NULL,              -- UTC, ns since 1970
        program TEXT NOT NULL,                 -- benchlog's version that analysed it
        because TEXT NOT NULL,                 -- for people
        bench_toml TEXT NOT NULL,              -- word for word
        bench_sha256 TEXT NOT NULL,
        tables TEXT NOT NULL CHECK (json_valid(tables)),  -- as in session
        record TEXT NOT NULL CHECK (json_valid(record)),  -- as it was then
        PRIMARY KEY (session, number)
    ) STRICT""",
)

_SEALS = (
    """CREATE TABLE seal (
        session INTEGER NOT NULL REFERENCES session(id),
        part TEXT NOT NULL,                    -- session, channels, events, readings, seals: see seal.py
        channel INTEGER NOT NULL,              -- of readings, and of a channel; else 0
        first INTEGER NOT NULL,                -- t_ns of the first reading it stands for; an event's id
        last INTEGER NOT NULL,
        rows INTEGER NOT NULL,
        sha256 BLOB NOT NULL,
        PRIMARY KEY (session, part, channel, first)
    ) STRICT, WITHOUT ROWID""",
)

# One number of two saves a byte a row, of 28. Both still have their names, for whoever asks in SQL.
_COMPACT = """CREATE TABLE compact (
        channel INTEGER NOT NULL REFERENCES channel(id),
        t_ns INTEGER NOT NULL,                 -- session time, middle of the exchange
        value REAL,                            -- as the instrument said it, in the channel's unit
        how INTEGER NOT NULL,                  -- took_us | (note << 40)
        took_us INTEGER NOT NULL AS (how & 0xFFFFFFFFFF),
        note INTEGER NOT NULL REFERENCES note(id) AS (how >> 40),
        PRIMARY KEY (channel, t_ns),
        CHECK ((note = 0) = (value IS NOT NULL))
    ) STRICT, WITHOUT ROWID"""
_OVER = """INSERT INTO compact (channel, t_ns, value, how)
    SELECT channel, t_ns, value, took_us | (note << 40) FROM reading WHERE channel = ? ORDER BY t_ns"""


def _in_less_room(db: Database) -> None:
    db.execute("DROP VIEW readings")
    db.execute(_COMPACT)
    # Channel by channel, so that each takes the room of the one before and the file hardly grows.
    while (channel := db.execute("SELECT min(channel) FROM reading").fetchone()[0]) is not None:
        over = db.execute(_OVER, (channel,)).rowcount
        if not over or db.execute("DELETE FROM reading WHERE channel = ?", (channel,)).rowcount != over:
            raise sqlite3.DatabaseError("its readings are not in order; see what `benchlog verify all` says")
    db.execute("DROP TABLE reading")
    db.execute("ALTER TABLE compact RENAME TO reading")
    for statement in _VIEW_FOR_PEOPLE:
        db.execute(statement)
    # Of a stretch of readings: what they look like from afar, see sketch.py; NULL where it was never made.
    db.execute("ALTER TABLE seal ADD COLUMN sketch BLOB")


def _run(statements: tuple[str, ...]) -> Callable[[Database], None]:
    def step(db: Database) -> None:
        for statement in statements:
            db.execute(statement)

    return step


Step = tuple[str, "Callable[[Database], None]"]

STEPS: tuple[Step, ...] = (
    ("sessions and readings", _run(_SESSIONS_AND_READINGS)),
    ("a view for people", _run(_VIEW_FOR_PEOPLE)),
    ("starts by the timetable", _run(_UNATTENDED)),
    ("correction tables and revisions", _run(_REVISIONS)),
    ("seals of parts", _run(_SEALS)),
    ("readings in less room, and sketches of them", _in_less_room),
)
NEWEST = len(STEPS)
REVISIONS, SEALS, SKETCHES = 4, 5, 6
"""The versions from which on a store has them."""
COMPACT = 6
"""From which on it keeps ``took_us`` and ``note`` as one number."""
READABLE = 3
"""The oldest version that is read as it is: what came after says nothing that an older store could say."""


def migrate(connection: sqlite3.Connection, path: Path, steps: tuple[Step, ...] = STEPS) -> None:
    """Bring a store, or an empty file, up to date; all steps in one transaction. Raises StoreFailed, BadStore."""
    with trouble(path, "brought up to date"):
        if version(connection) < len(steps):
            _take(connection, steps)
        # A setting of the file, which cannot change inside a transaction.
        if connection.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
            raise StoreFailed(
                "this file system cannot hold a store (no memory shared between programs, which WAL needs)",
                where=str(path),
                cure="Name a store on a disk of this computer.",
            )


def _take(connection: sqlite3.Connection, steps: tuple[Step, ...]) -> None:
    sqlite_utils = _sqlite_utils()
    migrations = sqlite_utils.Migrations("benchlog")
    for name, step in steps:
        migrations(name=name)(step)
    connection.execute("PRAGMA secure_delete = OFF")  # a table made anew: what it leaves behind is no secret
    # IMMEDIATE: of two processes that make the same store, the second finds it made.
    connection.execute("BEGIN IMMEDIATE")
    try:
        migrations.apply(sqlite_utils.Database(connection, strict=True, execute_plugins=False))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _sqlite_utils() -> ModuleType:
    """Without pandas, which it takes along wherever that is installed: 70 MB in a logger that has no use for it."""
    absent = "pandas" not in sys.modules
    if absent:
        sys.modules["pandas"] = None  # type: ignore[assignment]  # how Python notes "cannot be imported"
    try:
        import sqlite_utils
    finally:
        if absent:
            del sys.modules["pandas"]
    return sqlite_utils
