"""One run from its first reading to its end, whoever asked for it: a person at a terminal, or the timetable."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from benchlog import precedence
from benchlog.acquire.probe import Probed, probe
from benchlog.bench import Bench, DriverLookup
from benchlog.clock import Clock
from benchlog.errors import BenchFailed, StoppedForSafety, UsageError
from benchlog.model import Measure, SessionKind
from benchlog.runs.happenings import Begun, Happening
from benchlog.runs.session import Session
from benchlog.runs.soak import soak
from benchlog.runs.sweep import sweep
from benchlog.runs.watch import watch

Run = Callable[[Session, threading.Event], Iterator[Happening]]
RUNS: dict[SessionKind, Run] = {"sweep": sweep, "soak": soak, "watch": watch}
NEEDED: dict[Measure, str] = {
    "forward-power": "key-downs are detected by it",
    "frequency": "bands are recognised by it",
}


@dataclass(frozen=True, slots=True)
class Conducted:
    """A run that is over, and kept."""

    session_id: int
    stopped: StoppedForSafety | None


def look_round(bench: Bench, drivers: DriverLookup, clock: Clock) -> Sequence[Probed]:
    """Ask every instrument who it is, before a run.

    Raises: UsageError for a bench no run can be made on; BenchFailed where forward power is not there.
    """
    for measure, why in NEEDED.items():
        if bench.measuring(measure) is None:
            where, cure = str(bench.source.path), "Add it to the channel that reads it."
            raise UsageError(f'no channel has measures = "{measure}"; {why}', where=where, cure=cure)
    power = bench.measuring("forward-power")
    probed = probe(bench, drivers, clock)
    for found in probed:
        if found.fault and power in found.instrument.channel:
            raise BenchFailed(
                f"{found.fault}; without forward power no key-down is seen",
                where=f'instrument "{found.instrument.name}" at {found.instrument.address}',
                cure="Is it switched on, and the address right? `benchlog check` asks every instrument.",
            )
    return probed


def conduct(session: Session, stop: threading.Event, tell: Callable[[Happening], None]) -> Conducted:
    """A session's run to its end: until it is done, ``stop`` is set, or a limit stops it.

    Raises: BenchFailed, StoreFailed, UsageError; the session is ended and kept, and the key is up, in any case.
    """
    stopped = None
    real_time = session.clock.factor == 1.0
    try:
        with precedence.run_goes_first() if real_time else contextlib.nullcontext(), session:
            tell(Begun(session.id, str(session.store)))
            for happening in RUNS[session.kind](session, stop):
                tell(happening)
    except StoppedForSafety as exc:
        stopped = exc
    return Conducted(session.id, stopped)
