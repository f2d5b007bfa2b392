"""From a stored session to its record, by the words and readings stored with it and nothing else."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ConfigDict

from benchlog import ahead
from benchlog.analysis.analyse import Analysis, analyse
from benchlog.analysis.corrections import Corrected, Corrector
from benchlog.analysis.results import Revision, SessionFacts
from benchlog.bench import Bench, bench_from
from benchlog.correction import text_kept
from benchlog.driver import Driver
from benchlog.errors import UsageError
from benchlog.files import Table, TomlFile
from benchlog.model import Event
from benchlog.plan import Plan, plan_from
from benchlog.series import RawSeries
from benchlog.store.digest import Digest
from benchlog.store.reader import StoredSession, StoreReader
from benchlog.store.revisions import StoredRevision

LAST_DIGITS = 1e-9  # relative: what another version of a numerical library may differ by


class _AnyOptions(Table):
    """Keys that were checked when the session began."""

    model_config = ConfigDict(extra="allow")


class _Kept(Driver):
    """Stands for the driver a session was taken with: it may not be installed where the record is read."""

    Options: ClassVar[type[Table]] = _AnyOptions
    polled: ClassVar[bool] = False


def kept_driver(_: str) -> type[Driver]:
    """A ``bench.DriverLookup`` for bench files that are only to be analysed with."""
    return _Kept


@dataclass(frozen=True, slots=True)
class Analysed:
    """One session, with all a report is made of."""

    session: StoredSession
    bench: Bench
    plan: Plan
    events: Sequence[Event]
    analysis: Analysis
    revision: StoredRevision | None = None  # the one analysed here; None where the session was never revised

    @property
    def altered(self) -> bool:
        """The readings are not those the session ended with."""
        return self.session.digest is not None and self.session.digest != self.analysis.record.session.digest

    @property
    def differing(self) -> list[str]:
        """Where the record is not what the revision's was when it was made: another program analyses differently."""
        if self.revision is None:
            return []
        return list(differences(json.loads(self.revision.record), self.analysis.record.as_json()))


def analyse_stored(reader: StoreReader, ref: str | int, revision: int | None = None) -> Analysed:
    """Analyse a session as it is stored, by its newest revision or another one.

    Raises UsageError where there is no such session, or no such revision of it.
    """
    session = reader.session(ref)
    revisions = reader.revisions(session.id) if session.revision is not None else []
    at = _revision(session, revisions, revision)
    facts = Revision(at.number, at.made_ns, at.program, at.because, revisions[-1].number) if at else None
    return analyse_with(reader, session, bench_of(session, at), facts, at)


def bench_of(session: StoredSession, revision: StoredRevision | None = None) -> Bench:
    """The bench file a session was taken with, or that of a revision."""
    name = f"bench file of session {session.id}"
    if revision is None:
        source, tables = TomlFile(Path(name), session.bench_text), session.tables
    else:
        source = TomlFile(Path(f"{name}, revision {revision.number}"), revision.bench_text)
        tables = revision.tables
    return bench_from(source, kept_driver, text_kept(tables))


def analyse_with(
    reader: StoreReader,
    session: StoredSession,
    bench: Bench,
    facts: Revision | None = None,
    revision: StoredRevision | None = None,
) -> Analysed:
    """Analyse a session's own readings and events, by its own plan, with any bench file."""
    plan = plan_from(TomlFile(Path(f"plan file of session {session.id}"), session.plan_text))
    events = reader.events(session.id)
    series, fingerprint = _corrected(reader, session, bench, events, plan.source.sha256)
    about = SessionFacts(
        id=session.id,
        kind=session.kind,
        transmitter=session.transmitter,
        bench=session.bench,
        started_ns=session.started_ns,
        ended_ns=session.ended_ns,
        digest=fingerprint,
        revision=facts,
    )
    return Analysed(session, bench, plan, events, analyse(about, bench, plan, series, events), revision)


def _corrected(
    reader: StoreReader, session: StoredSession, bench: Bench, events: Sequence[Event], plan_sha256: str
) -> tuple[dict[str, Corrected], str]:
    """The channels in SI, and the digest of their raw readings, which are never all in memory."""
    fingerprint = Digest(_sha256(session.bench_text), plan_sha256, session.started_ns, session.tables)
    corrected = Corrector(bench, events)
    ahead.want("scipy.fft", "scipy.special")  # else each of the processes that share the analysis would load them
    if corrected.needs_frequency:
        reader.each([channel for channel in session.channels if channel.measures == "frequency"], corrected)
    found = {}

    def take(raw: RawSeries) -> None:
        fingerprint.add(raw)
        found[raw.channel] = corrected(raw)

    reader.each(sorted(session.channels, key=lambda one: one.name), take)
    return {channel.name: found[channel.name] for channel in session.channels}, fingerprint.hexdigest()


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def analyse_in(store: Path, ref: str | int, revision: int | None = None) -> Analysed:
    """The same as ``analyse_stored``, from the store's file."""
    return analyse_stored(StoreReader.open(store), ref, revision)


def _revision(session: StoredSession, known: Sequence[StoredRevision], number: int | None) -> StoredRevision | None:
    if number is None:
        return known[-1] if known else None
    found = next((one for one in known if one.number == number), None)
    if found is None and not (number == 0 and not known):
        there = f"It has 0 to {known[-1].number}." if known else "It was never revised; leave --revision off."
        raise UsageError(f"session {session.id} has no revision {number}", where="--revision", cure=there)
    return found


def differences(then: Any, now: Any, at: str = "") -> Iterator[str]:
    """Places where a record is not what it was, ``bands[0].power_w.value: 98.2, now 98.4``.

    What records have been extended by since is no difference, nor is a last digit.
    """
    if at == "session.revision":
        return
    if isinstance(then, dict) and isinstance(now, dict):
        for key, part in then.items():
            where = f"{at}.{key}" if at else key
            if key in now:
                yield from differences(part, now[key], where)
            else:
                yield f"{where}: is no longer there"
    elif isinstance(then, list) and isinstance(now, list | tuple):
        if len(then) != len(now):
            yield f"{at}: {len(then)} entries, now {len(now)}"
        else:
            for i, (part, other) in enumerate(zip(then, now, strict=True)):
                yield from differences(part, other, f"{at}[{i}]")
    elif not _same(then, now):
        yield f"{at}: {_said(then)}, now {_said(now)}"


def _same(then: Any, now: Any) -> bool:
    if isinstance(now, float) and not math.isfinite(now):
        now = None  # as it was written
    if isinstance(then, int | float) and isinstance(now, int | float) and bool not in (type(then), type(now)):
        return math.isclose(then, now, rel_tol=LAST_DIGITS, abs_tol=1e-12)
    return bool(then == now)


def _said(part: Any) -> str:
    return f"{part:.6g}" if isinstance(part, float) else "nothing" if part is None else repr(part)
