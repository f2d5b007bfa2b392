"""Is what is in a store what was put there? Looks, and changes nothing.

SQLite's own check for the file; the digest for each session's readings; the seals (``seal``) for where they differ.
Damage of any kind ends as a ``Trouble``, never as an error, once the file can be opened at all.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, TypeVar

from benchlog.store import seal, sketch
from benchlog.store.bulk import ALL, Span
from benchlog.store.connection import open_existing, trouble, version
from benchlog.store.digest import Digest
from benchlog.store.schema import REVISIONS, SEALS
from benchlog.store.seal import Seal, Taken, Words

MOST_TOLD = 20  # of what SQLite's check says: a broken tree says thousands
UNREADABLE = (sqlite3.Error, ValueError, TypeError, LookupError, AttributeError, OverflowError)
"""What damaged rows may raise: pages SQLite refuses, and columns that do not hold what the schema says."""

Kind = Literal["altered", "missing", "added", "unreadable", "file", "stray", "seal"]
Single = Literal["session", "channels", "seals"]
NOT_AS_SEALED: Mapping[Single, str] = {
    "session": "its own row is not what it was at its end",
    "channels": "its channels (names, units) are not what they were at its end",
    "seals": "its seals are not those that were made at its end, so some of what is missing may not be told",
}
Verdict = Literal["intact", "altered", "unsealed"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is not as it was put there. Times are session time; None where it has none."""

    kind: Kind
    said: str  # for people; of readings and events, what they are
    channel: str = ""
    from_ns: int | None = None
    to_ns: int | None = None
    rows: int = 0  # how many there are now
    sealed: int = 0  # how many were sealed

    @property
    def text(self) -> str:
        """For people."""
        if not self.sealed:
            return self.said
        if self.kind == "missing":
            return f"{self.sealed - self.rows:,} of {self.sealed:,} {self.said} are missing"
        if self.kind == "added":
            more = self.rows - self.sealed
            said = self.said.removesuffix("s") if more == 1 else self.said
            return f"{more:,} {said} beside the {self.sealed:,} that were there at its end"
        if self.kind == "unreadable":
            return f"{self.sealed:,} {self.said} cannot be read"
        return f"among {self.sealed:,} {self.said} some are not what they were"


@dataclass(frozen=True, slots=True)
class Checked:
    """One session."""

    id: int
    verdict: Verdict  # unsealed: it has no end, so there is nothing to hold it against
    digest: str | None  # of what is there now; None where that cannot be read
    sealed_digest: str | None
    readings: int  # there now, as far as they can be read
    sealed_readings: int | None  # None where an older benchlog ended it
    started_ns: int = 0
    kind: str = ""
    transmitter: str = ""
    troubles: tuple[Trouble, ...] = ()


@dataclass(frozen=True, slots=True)
class Verified:
    """A store's file, and the sessions asked for."""

    file: tuple[Trouble, ...]
    sessions: tuple[Checked, ...]

    @property
    def intact(self) -> bool:
        """Nothing is other than it was put there, and all of it can be told."""
        return not self.file and all(one.verdict == "intact" and not one.troubles for one in self.sessions)


def verify(path: Path, which: int | Literal["last", "all"]) -> Verified:
    """Check the file, and one session or all. Raises UsageError (no such session), BadStore, StoreFailed."""
    from benchlog.store.reader import StoreReader  # for its words about sessions that are not there

    with closing(open_existing(path, write=False)) as connection, trouble(path, "read"):
        connection.text_factory = text_of
        connection.execute("BEGIN")
        file = tuple(_of_file(connection))
        known, unread = attempt(lambda: [int(n) for (n,) in connection.execute("SELECT id FROM session ORDER BY id")])
        if known is None:
            return Verified((*file, Trouble("unreadable", f"the sessions cannot be read: {unread}")), ())
        if which != "all":
            known = [known[-1]] if which == "last" and known else [n for n in known if n == which]
            if not known:
                StoreReader(path).session(which)  # raises
        elif gone := _gone(connection, known):
            file += (gone,)
        words = attempt(lambda: seal.words_in(connection))[0] or {}
        return Verified(file, tuple(check(connection, n, words) for n in known))


def check(connection: sqlite3.Connection, session: int, words: Words) -> Checked:
    """One session, by its digest and its seals; the connection may be to a damaged store."""
    about, unread = attempt(lambda: About.of(connection, session))
    seals, _ = attempt(lambda: seal.seals_of(connection, session) if version(connection) >= SEALS else [])
    if about is None:
        rows = sum(s.rows for s in seals or () if s.part == "readings") if seals else None
        told = Trouble("unreadable", f"what the store says about this session cannot be read: {unread}")
        return Checked(session, "altered", None, None, 0, rows, troubles=(told,))
    found = Session(connection, about, words, seals or [])
    troubles = found.troubles()
    if seals is None:
        troubles.append(Trouble("seal", "its seals cannot be read"))
    verdict: Verdict = "altered" if troubles else "unsealed" if about.digest is None else "intact"
    return Checked(
        session,
        verdict,
        found.digest,
        about.digest,
        sum(found.rows.values()),
        sum(s.rows for s in found.of("readings")) if found.seals else None,
        about.started_ns,
        about.kind,
        about.transmitter,
        tuple(troubles),
    )


@dataclass(frozen=True, slots=True)
class About:
    """What is needed of a session's own row, as it is there."""

    id: int
    kind: str
    transmitter: str
    started_ns: int
    ended_ns: int | None
    digest: str | None
    files: Mapping[str, tuple[str, str]]  # by name: the text, and the SHA-256 kept beside it
    tables: Mapping[str, str]
    channels: Mapping[str, int]  # their ids by name, in order of name

    @classmethod
    def of(cls, connection: sqlite3.Connection, session: int) -> About:
        """Raises one of ``UNREADABLE``."""
        tables = "tables" if version(connection) >= REVISIONS else "'{}'"
        kind, transmitter, started_ns, ended_ns, digest, bench, bench_sha, plan, plan_sha, named = connection.execute(
            "SELECT kind, transmitter, started_ns, ended_ns, digest, bench_toml, bench_sha256, plan_toml, plan_sha256,"
            f" {tables} FROM session WHERE id = ?",
            (session,),
        ).fetchone()
        channels = {name: number for number, name, *_ in seal.channels_of(connection, session)}
        if not all(isinstance(part, str) for part in (kind, transmitter, bench, bench_sha, plan, plan_sha, *channels)):
            raise ValueError("a text is no text")
        return cls(
            session,
            kind,
            transmitter,
            int(started_ns),
            None if ended_ns is None else int(ended_ns),
            digest,
            {"bench file": (bench, bench_sha), "plan file": (plan, plan_sha)},
            {str(name): str(text) for name, text in json.loads(named).items()},
            {name: int(channels[name]) for name in sorted(channels)},
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """What became of one sealed stretch of a channel's readings."""

    seal: Seal
    span: Span  # all the places it stands for
    rows: int | None  # there now; None where they cannot be read
    ends: tuple[int, int]  # of what was sealed and what is there now
    proven: bool
    drawn: bool  # and its sketch, where there is one, is that of its readings


class Session:
    """One session, its readings read once, a channel at a time, and held against what was kept of them."""

    def __init__(self, connection: sqlite3.Connection, about: About, words: Words, seals: Sequence[Seal]) -> None:
        self.connection, self.about, self.words, self.seals = connection, about, words, seals
        self.rows: dict[str, int] = {}  # readable, by channel
        self.unread: dict[str, str] = {}  # why, by channel
        self.stretches: dict[str, list[Stretch]] = {}  # by channel
        self.digest = self._read()
        self.same = self.digest is not None and self.digest == about.digest

    def _read(self) -> str | None:
        """The digest of what is there now; None where some of it cannot be read."""
        shas = [hashlib.sha256(text.encode()).hexdigest() for text, _ in self.about.files.values()]
        total = Digest(shas[0], shas[1], self.about.started_ns, self.about.tables)
        for name, channel in self.about.channels.items():
            whole, why = self._take(name)
            if whole is None:
                self.unread[name] = why
            else:
                total.add(whole.series)
            mine = [one for one in self.of("readings") if one.channel == channel]
            self.stretches[name] = [self._stretch(name, whole, one, span) for one, span in seal.stretches(mine)]
            read = sum(one.rows or 0 for one in self.stretches[name])
            self.rows[name] = read if whole is None else len(whole.note)
        return None if self.unread else total.hexdigest()

    def _take(self, name: str, span: Span = ALL) -> tuple[Taken | None, str]:
        return attempt(lambda: seal.take(self.connection, self.about.channels[name], name, self.words, span))

    def _stretch(self, name: str, whole: Taken | None, one: Seal, span: Span) -> Stretch:
        taken = self._take(name, span)[0] if whole is None else whole.within(span)
        if taken is None:
            return Stretch(one, span, None, (one.first, one.last), False, False)
        rows, t_ns = len(taken.note), taken.series.t_ns
        ends = (min(one.first, int(t_ns.min())), max(one.last, int(t_ns.max()))) if rows else (one.first, one.last)
        proven = rows == one.rows and attempt(lambda: seal.readings_sha256(taken, self.words))[0] == one.sha256
        drawn = proven and (one.sketch is None or sketch.agrees(one.sketch, taken.series))
        return Stretch(one, span, rows, ends, proven, drawn)

    def proven(self, name: str, one: Seal, span: Span) -> bool:
        """The readings of a channel within a span are those that were sealed."""
        return self._stretch(name, None, one, span).proven

    def of(self, part: seal.Part) -> list[Seal]:
        """The seals of one part."""
        return [one for one in self.seals if one.part == part]

    def is_sealed(self, part: Single) -> bool:
        """This part is as it was; False too where it was never sealed, or its seal is lost."""
        if part == "channels":
            return self.proven_channels() == set(self.about.channels.values()) == {s.channel for s in self.of(part)}
        kept, connection, session = self.of(part), self.connection, self.about.id
        now, _ = attempt(
            lambda: seal.seals_sha256(self.seals) if part == "seals" else seal.session_sha256(connection, session)
        )
        return bool(kept) and kept[0].sha256 == now

    def proven_channels(self) -> set[int]:
        """The channels, by id, whose row is as it was."""
        now, _ = attempt(lambda: seal.channels_sha256(self.connection, self.about.id))
        known = set(self.about.channels.values())
        return {one.channel for one in self.of("channels") if now and now.get(one.channel) == one.sha256} & known

    def troubles(self) -> list[Trouble]:
        """What is not as it was."""
        found = list(self._troubles())
        if not found and self.about.digest is not None and not self.same:
            found.append(Trouble("seal", "the digest kept of its end was altered; its readings are what was sealed"))
        return found

    def _troubles(self) -> Iterator[Trouble]:
        for name, (text, sha256) in self.about.files.items():
            if hashlib.sha256(text.encode()).hexdigest() != sha256:
                yield Trouble("altered", f"the {name} is not the one the session was taken with")
        if self.about.digest is None and (self.about.ended_ns is not None or self.seals):
            yield Trouble("seal", "the digest of its end is not there any more")
        if not self.seals:
            yield from self._without_seals()
            return
        for part, text in NOT_AS_SEALED.items():
            if not self.is_sealed(part):
                yield Trouble("seal" if part == "seals" else "altered", text)
        yield from merged(self._events(one, span) for one, span in seal.stretches(self.of("events")))
        for name, stretches in self.stretches.items():
            if not stretches and (rows := self.rows[name]):
                yield Trouble("added", f"{rows:,} readings that were not there at its end", name)
            yield from merged(self._readings(name, one) for one in stretches)
        known = set(self.about.channels.values())
        for channel in {s.channel for s in self.of("readings")} - known:
            rows = sum(s.rows for s in self.of("readings") if s.channel == channel)
            yield Trouble("missing", f"a channel with {rows:,} readings is not there any more")

    def _without_seals(self) -> Iterator[Trouble]:
        for name, why in self.unread.items():
            yield Trouble("unreadable", f"its readings cannot be read: {why}", name)
        if self.about.digest is not None and not self.same and not self.unread:
            told = "the digest is not that of its end; where, was not kept by the benchlog that ended it"
            yield Trouble("altered", told)

    def _events(self, one: Seal, span: Span) -> Trouble | None:
        found, _ = attempt(lambda: self.connection.execute(seal.EVENT, (self.about.id, *span)).fetchall())
        if found is None:
            return Trouble("unreadable", "events", sealed=one.rows)
        if attempt(lambda: seal.events_sha256(found))[0] != one.sha256:
            return Trouble(_kind(one.rows, len(found)), "events", rows=len(found), sealed=one.rows)
        return None

    def _readings(self, name: str, one: Stretch) -> Trouble | None:
        if one.drawn:
            return None
        if one.proven:
            told = "what is kept to draw its readings from afar is not what they give; they are what they were"
            return Trouble("seal", told, name, *one.ends)
        if self.same:  # so it is not what the digest holds
            told = "why readings have no value is told otherwise than at its end, or the seal itself was altered"
            return Trouble("seal", told, name, *one.ends)
        kind = "unreadable" if one.rows is None else _kind(one.seal.rows, one.rows)
        return Trouble(kind, "readings", name, *one.ends, one.rows or 0, one.seal.rows)


def merged(found: Iterable[Trouble | None]) -> list[Trouble]:
    """Neighbours of one kind as one, stretch after stretch; None is a stretch that is as it was."""
    out: list[Trouble] = []
    before: Trouble | None = None
    for one in found:
        if one is not None and before is not None and (before.kind, before.said) == (one.kind, one.said):
            one = replace(before, to_ns=one.to_ns, rows=before.rows + one.rows, sealed=before.sealed + one.sealed)
            out[-1] = one
        elif one is not None:
            out.append(one)
        before = one
    return out


def _kind(sealed: int, found: int) -> Kind:
    return "missing" if found < sealed else "added" if found > sealed else "altered"


T = TypeVar("T")


def attempt(what: Callable[[], T]) -> tuple[T | None, str]:
    """What comes of it; or None, and why, where damage is in the way."""
    try:
        return what(), ""
    except UNREADABLE as exc:
        return None, str(exc) or type(exc).__name__


def _of_file(connection: sqlite3.Connection) -> Iterator[Trouble]:
    said, why = attempt(lambda: connection.execute(f"PRAGMA integrity_check({MOST_TOLD})").fetchall())
    lines = [line for (text,) in said or [(f"SQLite's check cannot be made: {why}",)] for line in str(text).split("\n")]
    for line in lines:
        if line not in ("ok", "*** in database main ***"):
            yield Trouble("file", line)
    strays, _ = attempt(lambda: _strays(connection))
    yield from strays or ()


def _strays(connection: sqlite3.Connection) -> list[Trouble]:
    """Rows that belong to no session, channel or note."""
    counted: dict[tuple[str, str], int] = {}
    for table, _, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        counted[table, parent] = counted.get((table, parent), 0) + 1
    return [
        Trouble("stray", f"{n:,} row{'s' if n > 1 else ''} of the table {table} without the {parent} they name")
        for (table, parent), n in counted.items()
    ]


def _gone(connection: sqlite3.Connection, known: Sequence[int]) -> Trouble | None:
    """Numbers that were given to sessions and are there no more: they are never given twice."""
    sequence = "SELECT seq FROM sqlite_sequence WHERE name = 'session'"
    last, _ = attempt(lambda: int(connection.execute(sequence).fetchone()[0]))
    if last is None or last > max(known, default=0) + 1_000_000:
        return None
    gone = sorted(set(range(1, last + 1)) - set(known))
    if not gone:
        return None
    named = ", ".join(map(str, gone[:MOST_TOLD])) + (" ..." if len(gone) > MOST_TOLD else "")
    return Trouble("missing", f"session{'s' if len(gone) > 1 else ''} {named}: not there any more")


def text_of(found: bytes) -> str:
    """For a connection to a store whose texts may be damaged."""
    return found.decode("utf-8", "replace")
