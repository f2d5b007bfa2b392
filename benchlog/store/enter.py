"""A reading typed by a person, from another process, into the session that is running."""

from __future__ import annotations

import math
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.files import nearest
from benchlog.model import Reading
from benchlog.store import rows
from benchlog.store.connection import open_existing, trouble

SILENT_S = 15.0  # real seconds without a row of any polled channel: a store that is stuck recovers or ends by then


def enter(path: Path, channel: str, value: float, *, session: int | str = "last") -> Reading:
    """Stamp a value with the running session's clock and commit it; returns the reading as it was stored.

    Raises: UsageError (no such session, not running, no such channel, or one that an instrument reads),
    BadStore, StoreFailed; nothing is stored then.
    """
    where = str(path)
    if not math.isfinite(value):
        raise UsageError(f"{value} is not a reading", where=where, cure="Enter a number.")
    with (
        closing(open_existing(path, write=True)) as connection,
        trouble(path, "written"),
        rows.transaction(connection),
    ):
        number, clock, typed = _running(connection, where, session)
        ids = dict(connection.execute("SELECT name, id FROM channel WHERE session = ?", (number,)))
        if channel not in typed:
            what = f'"{channel}" is read by an instrument' if channel in ids else f'no channel "{channel}"'
            cure = nearest(channel, typed)[2:] if typed else 'no instrument of the bench file has driver = "typed"'
            raise UsageError(what, where=where, cure=f"For typed readings: {cure}")
        reading = Reading(channel, clock.t_ns(), float(value))
        rows.add_readings(connection, ids, rows.Notes(connection), [reading])
    return reading


def _running(connection: sqlite3.Connection, where: str, session: int | str) -> tuple[int, Clock, list[str]]:
    """The session's number, its clock and its typed channels."""
    found = connection.execute(
        "SELECT id, ended_ns, anchor_ns, started_ns, time_factor, bench_toml FROM session"
        + (" ORDER BY id DESC LIMIT 1" if session == "last" else " WHERE id = ?"),
        () if session == "last" else (str(session),),
    ).fetchone()
    cure = "Typed readings go in while a session runs; start one."
    if found is None:
        which = "no session in this store yet" if session == "last" else f"no session {session}"
        raise UsageError(which, where=where, cure=cure)
    number, ended_ns, anchor_ns, started_ns, factor, bench_toml = found
    if ended_ns is not None:
        raise UsageError(f"session {number} has ended", where=where, cure=cure)
    typed = _typed_channels(bench_toml)
    latest_ns, slowest_ns = connection.execute(
        f"""SELECT max(ifnull((SELECT max(t_ns) FROM reading WHERE channel = channel.id), 0)), max(every_ns)
            FROM channel WHERE session = ? AND name NOT IN ({", ".join("?" * len(typed))})""",
        (number, *typed),
    ).fetchone()
    clock = Clock.resumed(anchor_ns, started_ns, factor)
    # A session that was killed has no end, but it has no rows any more either: every planned slot is one.
    # The host's monotonic clock starts anew when the host does; then the rows are ahead of it.
    silent_ns = clock.t_ns() - (latest_ns or 0)
    if silent_ns < 0 or (latest_ns is not None and silent_ns > SILENT_S * 1e9 * factor + 2 * slowest_ns):
        raise UsageError(f"session {number} is not running: it was cut off without an end", where=where, cure=cure)
    return number, clock, typed


def _typed_channels(bench_toml: str) -> list[str]:
    return [
        channel["name"]
        for instrument in tomllib.loads(bench_toml)["instrument"]
        if instrument["driver"] == "typed"
        for channel in instrument["channel"]
    ]
