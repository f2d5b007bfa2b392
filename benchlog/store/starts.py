"""What the timetable wanted and what became of it: every start that was due is one row, and so is a missed one.

As with the slots of a session: a start that never was is told by its row, not by the absence of one.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchlog.store import rows
from benchlog.store.connection import Connection, open_existing, open_or_create, trouble
from benchlog.store.schema import migrate

MOST_TOLD = 50


@dataclass(frozen=True, slots=True)
class DueStart:
    """One start that was due: it became a session, was missed, or (a backup) was done."""

    entry: str
    due_ns: int  # UTC, ns since 1970; where a run is continued, when that was
    run: str
    session: int | None = None
    missed: str = ""
    continues: int | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """Until when the starts of one entry are accounted for."""

    entry: str
    times: str
    accounted_ns: int


def prepare(path: Path) -> None:
    """Make the store, or bring it up to date. Raises BadStore, StoreFailed."""
    with closing(open_or_create(path)) as connection:
        migrate(connection, path)


def account(path: Path, starts: Iterable[DueStart], marks: Iterable[Mark] = ()) -> None:
    """Keep them, all or none; a start kept before is brought up to date. Raises BadStore, StoreFailed."""
    with _writing(path) as connection, trouble(path, "written"), rows.transaction(connection):
        connection.executemany(
            """INSERT INTO start (entry, due_ns, run, session, missed, continues) VALUES (?, ?, ?, ?, ?, ?)
               ON CONFLICT (entry, due_ns) DO UPDATE SET session = excluded.session, missed = excluded.missed""",
            ((s.entry, s.due_ns, s.run, s.session, rows.text(s.missed), s.continues) for s in starts),
        )
        connection.executemany(
            """INSERT INTO timetable (entry, times, accounted_ns) VALUES (?, ?, ?)
               ON CONFLICT (entry) DO UPDATE SET times = excluded.times, accounted_ns = excluded.accounted_ns""",
            ((m.entry, m.times, m.accounted_ns) for m in marks),
        )


def marks(path: Path) -> dict[str, Mark]:
    """By entry. Raises BadStore, StoreFailed."""
    with closing(open_existing(path, write=False)) as connection, trouble(path, "read"):
        found = connection.execute("SELECT entry, times, accounted_ns FROM timetable")
        return {entry: Mark(entry, times, ns) for entry, times, ns in found}


def starts(path: Path) -> list[DueStart]:
    """All that became sessions, the oldest first. Raises BadStore, StoreFailed."""
    return _select(path, "WHERE session IS NOT NULL ORDER BY session")


def missed(path: Path, most: int = MOST_TOLD) -> list[DueStart]:
    """The newest missed starts, the oldest of them first. Raises BadStore, StoreFailed."""
    return _select(path, f"WHERE missed != '' ORDER BY due_ns DESC LIMIT {most}")[::-1]


def _select(path: Path, clause: str) -> list[DueStart]:
    with closing(open_existing(path, write=False)) as connection, trouble(path, "read"):
        found = connection.execute(f"SELECT entry, due_ns, run, session, missed, continues FROM start {clause}")
        return [DueStart(*row) for row in found]


def _writing(path: Path) -> closing[Connection]:
    return closing(open_existing(path, write=True))
