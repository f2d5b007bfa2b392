"""From a stored session to its record, by the words and readings stored with it and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from pydantic import ConfigDict

from benchlog.analysis.analyse import Analysis, analyse
from benchlog.analysis.results import SessionFacts
from benchlog.bench import Bench, bench_from
from benchlog.driver import Driver
from benchlog.files import Table, TomlFile
from benchlog.model import Event
from benchlog.plan import Plan, plan_from
from benchlog.store.digest import digest
from benchlog.store.reader import StoredSession, StoreReader


class _AnyOptions(Table):
    """Keys that were checked when the session began."""

    model_config = ConfigDict(extra="allow")


class _Kept(Driver):
    """Stands for the driver a session was taken with: it may not be installed where the record is read."""

    Options: ClassVar[type[Table]] = _AnyOptions
    polled: ClassVar[bool] = False


def any_driver(_: str) -> type[Driver]:
    """For a bench file that is read again: its drivers were found when its session began."""
    return _Kept


@dataclass(frozen=True, slots=True)
class Kept:
    """One session, with all a report is made of."""

    session: StoredSession
    bench: Bench
    plan: Plan
    events: Sequence[Event]
    analysis: Analysis

    @property
    def altered(self) -> bool:
        """The readings are not those the session ended with."""
        return self.session.digest is not None and self.session.digest != self.analysis.record.session.digest


def keep(reader: StoreReader, ref: str | int) -> Kept:
    """Analyse a session as it is stored. Raises UsageError where there is no such session."""
    session = reader.session(ref)
    bench = bench_from(TomlFile(Path(f"bench file of session {session.id}"), session.bench_text), any_driver)
    plan = plan_from(TomlFile(Path(f"plan file of session {session.id}"), session.plan_text))
    raw, events = reader.raw(session.id), reader.events(session.id)
    facts = SessionFacts(
        id=session.id,
        kind=session.kind,
        transmitter=session.transmitter,
        bench=session.bench,
        started_ns=session.started_ns,
        ended_ns=session.ended_ns,
        digest=digest(raw, bench.source.sha256, plan.source.sha256, session.started_ns),
    )
    return Kept(session, bench, plan, events, analyse(facts, bench, plan, raw, events))


def record_of(store: Path, ref: str | int) -> Kept:
    """The same from the store's file."""
    return keep(StoreReader.open(store), ref)
