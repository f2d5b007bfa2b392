"""Sessions without an end: their program was killed, or the power went. Closed truthfully, as far as their rows go."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchlog.clock import Clock
from benchlog.model import Event
from benchlog.store import rows
from benchlog.store.connection import Connection, open_existing, trouble
from benchlog.store.enter import alive


@dataclass(frozen=True, slots=True)
class CutOff:
    """One session without an end."""

    session: int
    kind: str
    last_ns: int  # session time of its last row
    ended_ns: int  # UTC, of the same
    alive: bool  # rows came a moment ago, or may have: another program may be writing it

    @property
    def lasted_s(self) -> float:
        """In session time."""
        return self.last_ns / 1e9


def unfinished(path: Path) -> list[CutOff]:
    """Every session without an end, running or cut off. Raises BadStore, StoreFailed."""
    with closing(open_existing(path, write=False)) as connection, trouble(path, "read"):
        return _unfinished(connection)


def close_cut_off(path: Path, ending: str, *, dead: Collection[int] = ()) -> list[CutOff]:
    """Give an end to each session that was cut off; returns those.

    Its end is its last row's time, and its digest that of the rows there are. One that may still be written by
    somebody is left alone, unless the caller knows that its program is ``dead``. Raises BadStore, StoreFailed.
    """
    closed = []
    with (
        closing(open_existing(path, write=True)) as connection,
        trouble(path, "written"),
        rows.transaction(connection),
    ):
        for found in _unfinished(connection):
            if found.alive and found.session not in dead:
                continue
            rows.add_events(connection, found.session, [Event(found.last_ns, "session", ending)])
            rows.close_session(connection, found.session, found.ended_ns, ending)
            closed.append(found)
    return closed


def _unfinished(connection: Connection) -> list[CutOff]:
    found = connection.execute(
        """SELECT id, kind, started_ns, anchor_ns, time_factor,
             max(ifnull((SELECT max(t_ns) FROM event WHERE session = session.id), 0),
                 ifnull((SELECT max((SELECT ifnull(max(t_ns), 0) FROM reading WHERE channel = channel.id))
                         FROM channel WHERE session = session.id), 0)),
             ifnull((SELECT max(every_ns) FROM channel WHERE session = session.id), 0)
           FROM session WHERE ended_ns IS NULL ORDER BY id"""
    ).fetchall()
    result = []
    for session, kind, started_ns, anchor_ns, factor, last_ns, slowest_ns in found:
        lives = alive(Clock.resumed(anchor_ns, started_ns, factor), last_ns, slowest_ns)
        result.append(CutOff(session, kind, last_ns, started_ns + last_ns, lives))
    return result
