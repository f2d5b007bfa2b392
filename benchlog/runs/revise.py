"""A session analysed again with another bench file: a better correction, a calibration that came later."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from benchlog import __version__
from benchlog.analysis.results import Record, Revision
from benchlog.bench import Bench, Channel, Instrument, bench_from, beyond_tables
from benchlog.errors import BadFile, Fault, UsageError
from benchlog.files import TomlFile
from benchlog.plan import unanswerable
from benchlog.quantities import show
from benchlog.runs.records import Analysed, analyse_stored, analyse_with, bench_of, kept_driver
from benchlog.store.reader import StoredSession, StoreReader
from benchlog.store.recover import unfinished
from benchlog.store.revisions import StoredRevision, add_revisions

_AS_FIRST_GIVEN = "the record as first given"
_FIXED = ("unit", "ask", "field", "every")  # how the readings were taken; whatever else a channel has may change


def revise(store: Path, ref: str | int, bench_path: Path, because: str, dumps: Callable[[Record], str]) -> Analysed:
    """Analyse a session with another bench file, and keep that as its newest revision beside those before.

    Args:
        because: why, for people; may be empty.
        dumps: a record as JSON, as the store keeps it.
    Raises:
        BadFile: the bench file has faults, or says another thing of how the readings were taken.
        UsageError: no such session, it still runs, or nothing would change. BadStore, StoreFailed.
    Readings, events and the files the session was taken with are left as they are; the first revision keeps the
    record as it is before it, as number 0.
    """
    bench = bench_from(TomlFile.read(bench_path), kept_driver)
    reader = StoreReader.open(store)
    session = reader.session(ref)
    if session.ended_ns is None and any(one.session == session.id and one.alive for one in unfinished(store)):
        raise UsageError(
            f"session {session.id} is still running", where=str(store), cure="Revise it once it has ended."
        )
    before = analyse_stored(reader, session.id)
    faults = [*_misfits(session, bench_of(session), bench)]
    if bench.meter != before.bench.meter:
        faults += unanswerable(before.plan, bench)
    faults += beyond_tables(bench, {band.name: band.expected_hz for band in before.plan.bands})
    if faults:
        own = f'sqlite3 {store} "SELECT bench_toml FROM session WHERE id = {session.id}"'
        raise BadFile(bench_path, faults, kept=f"Nothing was changed. The session's own file to start from: {own}")
    made_ns = time.time_ns()
    number = 1 if before.revision is None else before.revision.number + 1
    after = analyse_with(reader, session, bench, Revision(number, made_ns, __version__, because, number))
    if (before.bench.source.text, before.bench.tables) == (bench.source.text, bench.tables) and not before.differing:
        raise UsageError(
            "this bench file is the one the record is made with; nothing would change",
            where=str(bench_path),
            cure="Change what is to be corrected, and say it again.",
        )
    first = [_stored(before, 0, made_ns, _AS_FIRST_GIVEN, dumps)] if before.revision is None else []
    revision = _stored(after, number, made_ns, because, dumps)
    add_revisions(store, [*first, revision])
    return analyse_stored(StoreReader.open(store), session.id)


def _stored(
    analysed: Analysed, number: int, made_ns: int, because: str, dumps: Callable[[Record], str]
) -> StoredRevision:
    return StoredRevision(
        session=analysed.session.id,
        number=number,
        made_ns=made_ns,
        program=__version__,
        because=because,
        bench_text=analysed.bench.source.text,
        tables=analysed.bench.tables,
        record=dumps(analysed.analysis.record),
    )


def _misfits(session: StoredSession, taken: Bench, other: Bench) -> Iterator[Fault]:
    """What a bench file says otherwise than the one the readings were taken with, and may not."""
    was = {channel.name: (instrument, channel) for instrument, channel in taken.channels()}
    now = {channel.name: (instrument, channel) for instrument, channel in other.channels()}
    for name in now:
        if name not in was:
            known = f"session {session.id} has no such channel; it has {', '.join(was)}: keep those names"
            yield Fault("channel", f'"{name}"', known)
    for name, (instrument, channel) in was.items():
        if name not in now:
            yield Fault("channel", f'"{name}"', f"is missing, and session {session.id} has readings of it: put it back")
        else:
            yield from _channel_misfits(f'channel "{name}"', (instrument, channel), now[name])
    for what, table, before in (("limits", other.limits, taken.limits), ("load", other.load, taken.load)):
        if table != before:
            yield Fault(what, "", f"not as when session {session.id} was taken; its readings were judged by those")


def _channel_misfits(where: str, was: tuple[Instrument, Channel], now: tuple[Instrument, Channel]) -> Iterator[Fault]:
    if was[0].name != now[0].name:
        yield Fault(where, "", f'belongs to "{now[0].name}" here, and its readings are from "{was[0].name}"')
    elif bool(was[0].address) != bool(now[0].address):
        yield Fault(
            f"{where}, address", f'"{now[0].address}"', "its readings were polled, or typed in, and not the other"
        )
    for key in _FIXED:
        before, after = getattr(was[1], key), getattr(now[1], key)
        if before != after:
            cure = "; give a factor with `scale`" if key == "unit" else ""
            yield Fault(
                f"{where}.{key}", _shown(key, after), f"its readings were taken with {_shown(key, before)}{cure}"
            )


def _shown(key: str, found: object) -> str:
    if key == "every" and isinstance(found, float):
        return f'"{show(found, "s")}"'
    return "nothing" if found is None else str(found) if isinstance(found, int) else f'"{found}"'
