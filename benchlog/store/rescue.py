"""From a damaged store into a new one: what can still be shown to be what was measured, and a list of what cannot.

A flipped bit in a number is no damage that SQLite could notice. So a reading is saved only where something vouches for
it: the session's digest, or the seal of its stretch (``seal``); a stretch that is not what was sealed is left out
whole. ``unproven`` takes in, besides, what can be read though nothing vouches for it.

Rows are asked for by ranges of their keys (``damaged``): a page that cannot be read costs the rows on it, and those
that are reached only through it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.errors import BadStore, StoreFailed, UsageError
from benchlog.model import Event
from benchlog.store import pages, rows, seal
from benchlog.store.bulk import ALL, Rows, Span, packed
from benchlog.store.connection import fold, open_or_create, trouble, version
from benchlog.store.damaged import PAGE, by_key, opened
from benchlog.store.schema import SEALS, migrate
from benchlog.store.seal import Seal
from benchlog.store.verify import NOT_AS_SEALED, About, Session, attempt
from benchlog.store.whole import whole_file

# Without the channel: a row stands where its key was, and a key that was damaged since names another.
_ROWS = "SELECT t_ns, value, took_us, note FROM reading WHERE channel = ? AND t_ns >= ? AND t_ns < ?"
_EVER: Span = ALL
REFUSED = (
    sqlite3.IntegrityError, sqlite3.DataError, sqlite3.InterfaceError, sqlite3.ProgrammingError,
    ValueError, TypeError, LookupError, OverflowError,
)  # fmt: skip
"""What a row that is not as the tables want it may raise; a full disk is another matter."""
_CHUNK = 50_000


@dataclass(slots=True)
class SavedChannel:
    """What came over of one channel."""

    name: str
    saved: int = 0
    unproven: int = 0  # readable, but nothing vouches for them; part of ``saved`` only where they were asked for
    sealed: int | None = None  # how many there were at the session's end; None where nothing tells

    def lost(self, taken: bool) -> int | None:
        """How many are not in the new store; None where nothing tells. ``taken``: unproven ones were asked for."""
        if self.sealed is None:
            return None if taken or not self.unproven else self.unproven
        return max(0, self.sealed - self.saved)


@dataclass(slots=True)
class SavedSession:
    """What came over of one session."""

    id: int
    about: str = ""  # kind and transmitter
    in_store: bool = False  # it is in the new store
    whole: bool = False  # every reading, and its digest shows it
    channels: list[SavedChannel] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    @property
    def saved(self) -> int:
        """Readings in the new store."""
        return sum(channel.saved for channel in self.channels)


@dataclass(slots=True)
class Rescued:
    """The sessions, and what else was lost."""

    sessions: list[SavedSession] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Nothing was lost."""
        return not self.troubles and all(one.whole and not one.troubles for one in self.sessions)


def rescue(path: Path, new: Path, *, unproven: bool = False) -> Rescued:
    """Save into a new file what can be saved; the old one is only read.

    Raises: UsageError where ``new`` is there already; BadStore where nothing can be saved, or ``path`` is no store;
    StoreFailed where the new one cannot be written. No new file is there then.
    """
    if new.exists():
        raise UsageError("there is such a file already", where=str(new), cure="Name a new one.")
    try:
        with whole_file(new) as draft, closing(open_or_create(draft)) as fresh:
            image = draft.with_name(f"{draft.name}-image")
            migrate(fresh, draft)
            with closing(opened(path, image, draft)) as old, trouble(draft, "written"), rows.transaction(fresh):
                found = _Rescue(old, image, fresh, unproven).all()
            fold(fresh, draft)
            if not found.sessions:
                raise BadStore(
                    "no session can be found in it: it is empty, no store, or too badly damaged",
                    where=str(path),
                    cure="Nothing was written; take the newest copy of the store.",
                )
        return found
    except OSError as exc:
        why = exc.strerror or str(exc)
        raise StoreFailed(f"the store cannot be rescued: {why}", where=str(new), cure="Look at the disk.") from None


class _Rescue:
    def __init__(self, old: sqlite3.Connection, image: Path, fresh: sqlite3.Connection, unproven: bool) -> None:
        self.old, self.image, self.fresh, self.unproven = old, image, fresh, unproven
        self.found = Rescued()
        notes, whole = by_key(old, "SELECT * FROM note WHERE id >= ? AND id < ?")
        self.words: dict[int, tuple[str, str, str]] = {number: (*said,) for number, *said in notes}
        self.words[0] = ("good", "", "")
        if not whole:
            self.found.troubles.append("some reasons why readings have no value cannot be read")
        self.notes = {0}  # those in the new store

    def all(self) -> Rescued:
        """Session after session, then what does not belong to one."""
        numbers, whole = by_key(self.old, "SELECT id FROM session WHERE id >= ? AND id < ?")
        known = {int(number) for (number,) in numbers}
        if version(self.old) >= SEALS:
            sealed, seals_whole = by_key(
                self.old, "SELECT DISTINCT session FROM seal WHERE session >= ? AND session < ?"
            )
            known |= {int(number) for (number,) in sealed}
            if not seals_whole:
                self.found.troubles.append(
                    "some seals cannot be read: what they vouch for is saved where a digest does"
                )
        if not whole:
            self.found.troubles.append("some sessions cannot be read")
        self.found.sessions = [self._session(number, self._seals(number)) for number in sorted(known)]
        saved = {one.id for one in self.found.sessions if one.in_store}
        self._table("revision", lambda row: row["session"] in saved)
        self._table("start", lambda row: {row["session"], row["continues"]} <= {*saved, None})
        self._table("timetable", lambda row: True)
        sequence = "SELECT seq FROM sqlite_sequence WHERE name = 'session'"
        last, _ = attempt(lambda: int(self.old.execute(sequence).fetchone()[0]))
        if saved and last is not None and last < max(saved) + 10**6:
            self.fresh.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'session'", (last,))
        return self.found

    def _seals(self, session: int) -> list[Seal]:
        """Those of a session that can be read."""
        if version(self.old) < SEALS:
            return []
        asked = f"SELECT {seal.columns(self.old)} FROM seal WHERE session = {session} AND part = "
        channels, _ = by_key(
            self.old, f"SELECT id FROM channel NOT INDEXED WHERE session = {session} AND id >= ? AND id < ?"
        )
        found: list[tuple[Any, ...]] = []
        for part in ("session", "channels", "events", "readings", "seals"):
            seals, whole = by_key(self.old, f"{asked} '{part}' AND channel >= ? AND channel < ?")
            found += seals
            if not whole:  # narrower, around the page that is bad
                for channel in (0, *(int(number) for (number,) in channels)):
                    at = f"{asked} '{part}' AND channel = {channel} AND first >= ? AND first < ?"
                    found += by_key(self.old, at, _EVER)[0]
        good = [one for row in dict.fromkeys(found) if (one := seal.plausible(row)) is not None]
        return sorted(good, key=lambda one: (one.channel, one.first))

    def _session(self, number: int, seals: list[Seal]) -> SavedSession:
        saved = SavedSession(number)
        about, why = attempt(lambda: About.of(self.old, number))
        if about is None:
            count = sum(one.rows for one in seals if one.part == "readings")
            lost = f"; its {count:,} readings are lost with it" if count else ""
            saved.troubles.append(f"what the store says about it cannot be read ({why}){lost}")
            return saved
        saved.about = f"{about.kind}, {about.transmitter}"
        looked = Session(self.old, about, self.words, seals)
        proven = looked.proven_channels()
        for name, channel in about.channels.items():
            count = sum(one.rows for one in seals if (one.part, one.channel) == ("readings", channel))
            saved.channels.append(
                SavedChannel(name, sealed=count if seals else looked.rows[name] if looked.same else None)
            )
        if not proven and not looked.same and not self.unproven:
            for one in saved.channels:
                one.unproven = looked.rows[one.name]
            saved.troubles.append(f"left out: {_why_left_out(about, seals)}")
            return saved
        kept = set(about.channels.values()) if looked.same or self.unproven else proven
        if not self._insert_session(number, kept, saved):
            return saved
        if looked.same:
            for one in saved.channels:
                self._whole(about.channels[one.name], one)
        else:
            self._stretches(looked, saved.channels, proven)
        saved.whole = Session(self.fresh, About.of(self.fresh, number), self.words, []).same
        if seals:
            saved.troubles += [text for part, text in NOT_AS_SEALED.items() if not looked.is_sealed(part)]
        if looked.same and any(not one.proven for found in looked.stretches.values() for one in found):
            saved.troubles.append("why readings have no value may be told otherwise than it was")
        self._events(number, looked.of("events"), saved, any_=not seals and looked.same)
        drawn = {(s.seal.channel, s.seal.first) for found in looked.stretches.values() for s in found if s.drawn}
        put = (one if (one.channel, one.first) in drawn else replace(one, sketch=None) for one in seals)
        seal.put_seals(self.fresh, number, put)
        if not saved.whole or saved.troubles:
            self._tell(number, about, saved)
        return saved

    def _insert_session(self, number: int, channels: Iterable[int], saved: SavedSession) -> bool:
        """Its row and these channels, as they are."""
        self.fresh.execute("SAVEPOINT session")
        try:
            self._copy_rows("session", f"WHERE id = {number}")
            for channel in sorted(channels):
                self._copy_rows("channel", f"WHERE id = {channel}")
        except REFUSED as exc:
            self.fresh.execute("ROLLBACK TO session")
            saved.troubles.append(f"its row or its channels cannot be kept ({exc})")
            return False
        self.fresh.execute("RELEASE session")
        saved.in_store = True
        return True

    def _copy_rows(self, table: str, where: str) -> None:
        found = self.old.execute(f"SELECT * FROM {table} {where}")  # read before, so it can be read
        names = [column[0] for column in found.description]
        marks = ", ".join("?" * len(names))
        self.fresh.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", found.fetchall())

    def _whole(self, at: int, channel: SavedChannel) -> None:
        """All of a channel: the session's digest vouches for it."""
        start = _EVER[0]
        while part := self.old.execute(f"{_ROWS} ORDER BY t_ns LIMIT {_CHUNK}", (at, start, _EVER[1])).fetchall():
            channel.saved += self._put(at, part) or sum(self._put(at, [row]) for row in part)
            start = part[-1][0] + 1

    def _stretches(self, looked: Session, channels: Sequence[SavedChannel], proven: set[int]) -> None:
        """What seals vouch for; and, where it is asked for, what can be read besides."""
        spans: dict[int, list[Span]] = {}
        hidden: dict[int, list[Seal]] = {}
        for channel in channels:
            at = looked.about.channels[channel.name]
            spans[at], hidden[at] = [], []
            for one in [s for s in looked.of("readings") if s.channel == at and at in proven]:
                span = (one.first, one.last + 1)
                if looked.proven(channel.name, one, span):
                    channel.saved += self._put(at, self.old.execute(_ROWS, (at, *span)).fetchall())
                    spans[at].append(span)
                else:
                    hidden[at].append(one)
        if any(hidden.values()):
            self._off_the_pages(looked, channels, hidden, spans)
        for channel in channels:
            at = looked.about.channels[channel.name]
            stops = [_EVER[0], *(stop for _, stop in sorted(spans[at]))]
            starts = [*(start for start, _ in sorted(spans[at])), _EVER[1]]
            for gap in zip(stops, starts, strict=True):
                others, _ = by_key(self.old, _ROWS.replace("channel = ?", f"channel = {at}"), gap)
                channel.unproven += len(others)
                if self.unproven:
                    channel.saved += sum(self._put(at, [row]) for row in others)

    def _off_the_pages(
        self,
        looked: Session,
        channels: Sequence[SavedChannel],
        hidden: Mapping[int, Sequence[Seal]],
        spans: Mapping[int, list[Span]],
    ) -> None:
        """Sealed stretches that SQLite does not find: from wherever in the file they lie. Adds to ``spans``."""
        wanted = {at: [(one.first, one.last + 1) for one in seals] for at, seals in hidden.items()}
        found = pages.readings(self.image, PAGE, wanted)
        for channel in channels:
            at = looked.about.channels[channel.name]
            for one, span in zip(hidden[at], wanted[at], strict=True):
                part = sorted(cell for t_ns, cell in found[at].items() if span[0] <= t_ns < span[1])
                if len(part) == one.rows and attempt(lambda p=part: self._sha256(p))[0] == one.sha256:  # type: ignore[misc]
                    channel.saved += self._put(at, part)
                    spans[at].append(span)

    def _sha256(self, part: Sequence[pages.Cell]) -> bytes:
        t_ns, value, took_us, note = zip(*part, strict=True)
        how = [packed(*both) for both in zip(took_us, note, strict=True)]
        found = Rows(np.array(t_ns), np.array([v or 0.0 for v in value]), np.array(how))
        return seal.readings_sha256(seal.taken(found, "", self.words), self.words)

    def _put(self, channel: int, part: Sequence[tuple[Any, ...]]) -> int:
        """All of them, or, where one is not what the tables take, none; with the notes they refer to."""
        self.fresh.execute("SAVEPOINT part")
        fresh: set[int] = set()
        try:
            made = [(channel, t_ns, value, packed(took_us, note)) for t_ns, value, took_us, note in part]
            for note in {row[3] for row in part} - self.notes:
                self.fresh.execute("INSERT INTO note VALUES (?, ?, ?, ?)", (note, *self.words[note]))
                fresh.add(note)
            self.fresh.executemany(rows.INSERT, made)
        except REFUSED:
            self.fresh.execute("ROLLBACK TO part")
            self.fresh.execute("RELEASE part")
            return 0
        self.fresh.execute("RELEASE part")
        self.notes |= fresh
        return len(part)

    def _events(self, number: int, seals: Sequence[Seal], saved: SavedSession, *, any_: bool) -> None:
        asked = f"{seal.EVENT.replace('session = ?', f'session = {number}')}"
        found, whole = by_key(self.old, asked)
        good: set[tuple[Any, ...]] = set()
        for one in seals:
            part = [row for row in found if one.first <= row[0] <= one.last]
            if attempt(lambda p=part: seal.events_sha256(p))[0] == one.sha256:  # type: ignore[misc]
                good |= set(part)
        if self.unproven or any_:
            good |= set(found)
        kept = sum(self._put_event(number, row) for row in sorted(good, key=lambda row: str(row[0]).zfill(20)))
        expected = sum(one.rows for one in seals) if seals else len(found)
        if kept < expected or not whole:
            saved.troubles.append(f"{max(expected - kept, 0):,} of {expected:,} events are lost")

    def _put_event(self, session: int, row: tuple[Any, ...]) -> bool:
        columns = "id, session, t_ns, kind, instrument, channel, text, data"
        try:
            json.loads(row[6])
            self.fresh.execute(
                f"INSERT INTO event ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (row[0], session, *row[1:])
            )
        except REFUSED:
            return False
        return True

    def _tell(self, number: int, about: About, saved: SavedSession) -> None:
        """The record says so too: its log shows events of this kind."""
        t_ns = 0 if about.ended_ns is None else max(0, about.ended_ns - about.started_ns)
        parts = [text for channel in saved.channels if (text := told(channel, self.unproven))]
        text = "; ".join([*parts, *saved.troubles]) or "what could not be saved was no reading"
        rows.add_events(self.fresh, number, [Event(t_ns, "store", f"rescued from a damaged store: {text}")])

    def _table(self, table: str, wanted: Any) -> None:
        """One that nothing vouches for: as it can be read."""
        if (
            attempt(lambda: self.old.execute(f"SELECT 1 FROM sqlite_schema WHERE name = '{table}'").fetchone())[0]
            is None
        ):
            return
        names = [row[1] for row in self.fresh.execute(f"PRAGMA table_info({table})")]
        found, whole = by_key(self.old, f"SELECT {', '.join(names)} FROM {table} WHERE rowid >= ? AND rowid < ?")
        insert = f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
        lost = 0
        for row in found:
            try:
                if wanted(dict(zip(names, row, strict=True))):
                    self.fresh.execute(insert, row)
                    continue
            except REFUSED:
                pass
            lost += 1
        if lost or not whole:
            count = f"{lost:,} rows" if lost else "some rows"
            self.found.troubles.append(f"{count} of the table {table} are lost")


def told(channel: SavedChannel, taken: bool) -> str:
    """What is not as it was with one channel, for people; empty where nothing is."""
    lost = channel.lost(taken)
    of = "" if channel.sealed is None else f" of {channel.sealed:,}"
    parts = [f"{lost:,}{of} readings are lost"] if lost else []
    if channel.unproven:
        what = "were taken in though nothing vouches for them" if taken else "can be read, but nothing vouches for them"
        parts.append(f"{channel.unproven:,} {what}")
    return f"{channel.name}: {', '.join(parts)}" if parts else ""


def _why_left_out(about: About, seals: Sequence[Seal]) -> str:
    if seals:
        return "its channels are not what they were, so nothing tells whose its readings are"
    return "it has no end, so no digest" if about.digest is None else "its digest is another, and it has no seals"
