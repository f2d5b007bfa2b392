"""After a crash or a power cut: what was cut off gets a truthful end, and is continued where the timetable says so."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchlog.bench import Bench
from benchlog.clock import rfc3339
from benchlog.daemon.logs import log
from benchlog.daemon.unattended import Continued
from benchlog.plan import Plan
from benchlog.store.reader import StoredSession, StoreReader
from benchlog.store.recover import CutOff, close_cut_off
from benchlog.store.starts import DueStart, starts
from benchlog.timetable import Start

MOST_IN_A_ROW = 3  # continuations: a run that brings the machine down each time must not do so for ever


def close_what_was_cut_off(store: Path) -> list[CutOff]:
    """Give every dead session its end. Only for the one daemon of a store: what it started before is dead for sure."""
    ending = f"cut off; closed by the daemon at {rfc3339(time.time_ns(), 0)}"
    ours = {started.session for started in starts(store) if started.session is not None}
    return close_cut_off(store, ending, dead=ours)


def to_continue(
    store: Path, closed: Sequence[CutOff], entries: Mapping[str, Start], bench: Bench, plan: Plan
) -> tuple[Start, Continued] | None:
    """The newest run that was cut off, where it is to go on; None, with the reason in the log, where it is not."""
    by_session = {started.session: started for started in starts(store)}
    ours = [found for found in closed if found.session in by_session]
    if not ours:
        return None
    cut = ours[-1]
    sessions = {session.id: session for session in StoreReader.open(store).sessions()}
    chain = _chain(by_session, cut.session)
    entry = entries.get(by_session[cut.session].entry)
    done_s = sum(_lasted_s(sessions[number]) for number in chain)
    if entry is None or not entry.resume:
        why = "the timetable does not say resume = true"
    elif (ago_s := (time.time_ns() - cut.ended_ns) / 1e9) > entry.resume_within:
        why = f"it was cut off {ago_s / 60:.0f} min ago, longer than resume_within"
    elif (bench.source.sha256, plan.source.sha256, bench.tables) != _files(sessions[cut.session]):
        why = "the bench file, a table beside it or the plan file has changed since"
    elif len(chain) > MOST_IN_A_ROW:
        why = f"it was continued {MOST_IN_A_ROW} times already"
    elif (left_s := _lasts_s(entry, plan) - done_s) <= 0:
        why = "its time is over"
    else:
        return entry, Continued(cut.session, left_s)
    log(f"session {cut.session} is not continued: {why}", session=cut.session)
    return None


def _chain(by_session: Mapping[int | None, DueStart], session: int) -> list[int]:
    """The session, and those it goes on with, one after the other."""
    chain = []
    here: int | None = session
    while here is not None and here not in chain:
        chain.append(here)
        here = by_session[here].continues if here in by_session else None
    return chain


def _lasts_s(entry: Start, plan: Plan) -> float:
    if entry.lasts is not None:
        return entry.lasts
    return plan.soak.lasts if plan.soak else 0.0


def _lasted_s(session: StoredSession) -> float:
    return 0.0 if session.ended_ns is None else (session.ended_ns - session.started_ns) / 1e9


def _files(session: StoredSession) -> tuple[object, ...]:
    return session.bench_sha256, session.plan_sha256, session.tables
