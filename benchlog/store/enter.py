"""A reading typed by a person, from another process, into the session that is running.

It is stamped with the moment the needle was looked at: when the field for it was opened. A wrong entry stays where it
is, as everything in the store; a correction stands beside it, and a "suspect" event keeps the wrong one out of
analysis.
"""

from __future__ import annotations

import json
import math
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.files import nearest
from benchlog.model import Event, Reading
from benchlog.store import rows
from benchlog.store.connection import open_existing, trouble

SILENT_S = 15.0  # real seconds without a row of any polled channel: a store that is stuck recovers or ends by then


OPEN_S = 3600.0  # real seconds; who leaves a field open for longer does not remember the needle


def enter(
    path: Path,
    channel: str,
    value: float,
    *,
    session: int | str = "last",
    open_for_s: float = 0.0,
    corrects_ns: int | None = None,
) -> Reading:
    """Stamp a value with the running session's clock and commit it; returns the reading as it was stored.

    Args:
        open_for_s: real seconds since the field was opened; the reading is of that moment.
        corrects_ns: the ``t_ns`` of an entry of the same channel that was wrong; the value then is of its moment.

    Raises: UsageError (no such session, not running, no such channel, or one that an instrument reads; nothing to
    correct there), BadStore, StoreFailed; nothing is stored then.
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
            cure = (
                nearest(channel, list(typed))[2:] if typed else 'no instrument of the bench file has driver = "typed"'
            )
            raise UsageError(what, where=where, cure=f"For typed readings: {cure}")
        if corrects_ns is None:
            ago_ns = round(min(max(0.0, open_for_s), OPEN_S) * 1e9 * clock.factor)
            t_ns = max(0, clock.t_ns() - ago_ns)
        else:
            t_ns = corrects_ns + 1
        # Alone at its nanosecond among all typed channels: a correction names an instrument and a moment.
        beside = f"SELECT 1 FROM reading WHERE t_ns = ? AND channel IN ({', '.join('?' * len(typed))})"
        while connection.execute(beside, (t_ns, *(ids[name] for name in typed))).fetchone():
            t_ns += 1
        reading = Reading(channel, t_ns, float(value))
        if corrects_ns is not None:
            wrong = _wrong(connection, where, number, ids[channel], channel, corrects_ns)
            text = f"{channel}: {wrong:g} was a wrong entry; {value:g} stands for it"
            data = {"from_ns": corrects_ns, "to_ns": corrects_ns, "corrected_by_ns": t_ns}
            suspect = Event(clock.t_ns(), "suspect", text, instrument=typed[channel], channel=channel, data=data)
            rows.add_events(connection, number, [suspect])
        rows.add_readings(connection, ids, rows.Notes(connection), [reading])
    return reading


def _wrong(connection: sqlite3.Connection, where: str, session: int, channel_id: int, channel: str, t_ns: int) -> float:
    """The value that is to be corrected. Raises UsageError, where there is none, or it was corrected before."""
    at = "SELECT value FROM reading WHERE channel = ? AND t_ns = ?"
    found = connection.execute(at, (channel_id, t_ns)).fetchone()
    if found is None or found[0] is None:
        raise UsageError(f"no entry of {channel} at that moment", where=where, cure="Correct one that was typed in.")
    for (text,) in connection.execute(
        "SELECT data FROM event WHERE session = ? AND kind = 'suspect' AND channel = ?", (session, channel)
    ):
        if json.loads(text).get("from_ns") == t_ns:
            raise UsageError("that entry was corrected before", where=where, cure="Correct the one that stands for it.")
    return float(found[0])


def _running(connection: sqlite3.Connection, where: str, session: int | str) -> tuple[int, Clock, dict[str, str]]:
    """The session's number, its clock and its typed channels, each with its instrument."""
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
    if not (clock.t_ns() >= 0 if latest_ns is None else alive(clock, latest_ns, slowest_ns)):
        raise UsageError(f"session {number} is not running: it was cut off without an end", where=where, cure=cure)
    return number, clock, typed


def alive(clock: Clock, last_ns: int, slowest_ns: int) -> bool:
    """Whether a session without an end may still be written: its last row is recent, by its slowest channel's pace.

    One that was killed has no rows any more: every planned slot is one. The host's monotonic clock starts anew when the
    host does; then the rows are ahead of it.
    """
    return 0 <= clock.t_ns() - last_ns <= SILENT_S * 1e9 * clock.factor + 2 * slowest_ns


def _typed_channels(bench_toml: str) -> dict[str, str]:
    return {
        channel["name"]: instrument["name"]
        for instrument in tomllib.loads(bench_toml)["instrument"]
        if instrument["driver"] == "typed"
        for channel in instrument["channel"]
    }
