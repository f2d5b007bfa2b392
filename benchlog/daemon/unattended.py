"""One run with nobody there: conducted in a thread of its own, seen from outside by what it last said of itself."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from benchlog.acquire.registry import find
from benchlog.bench import Bench, load_bench
from benchlog.clock import Clock
from benchlog.daemon.logs import LOG, log, warn
from benchlog.errors import BadFile, BenchlogError
from benchlog.keying.limits import refuse_too_long
from benchlog.model import Event
from benchlog.page.feed import Feed
from benchlog.page.house import OnAir
from benchlog.page.scene import standing
from benchlog.plan import Plan, load_plan, refuse_misfits
from benchlog.runs.conduct import conduct, look_round
from benchlog.runs.happenings import Begun, Happening, KeyedUp, Tick, Trouble
from benchlog.runs.session import Session
from benchlog.simulate.lease import factor_for
from benchlog.timetable import Start, Timetable, misfits

LOOP_S = 8.0  # without a sign of life for so long, the run's loop counts as stuck; it flushes the store for up to 5 s
SLOW_S = 90.0  # the same while instruments are asked who they are, and while they are let go: many time-outs in a row
COLD = 3.0  # time constants after which a load counts as cold: 5 % of its heat is left

Phase = Literal["waiting", "asking", "running", "ending"]


@dataclass(frozen=True, slots=True)
class Continued:
    """What a run goes on with."""

    session: int
    left_s: float  # session time


@dataclass(frozen=True, slots=True)
class Outcome:
    """How it went. ``session`` is None where it never began."""

    kind: Literal["ended", "stopped", "failed"]
    text: str
    session: int | None


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be run, on what."""

    start: Start
    due_ns: int
    bench_path: Path
    plan_path: Path
    store: Path
    timetable: Timetable
    continued: Continued | None = None


class Unattended:
    """One run.

    Args:
        job: what.
        cold_at: on ``time.monotonic``, when the load is cold again after what was keyed before; a keyed run waits for
            it: with nobody there it begins on a cold load, as the README promises.
        begun: called with the session's number, from the run's thread.
        paused: the same with why a crossed limit pauses the run.
        feed: whoever looks at the page is told through it.
    """

    def __init__(
        self, job: Job, *, cold_at: float, begun: Callable[[int], None], paused: Callable[[str], None], feed: Feed
    ) -> None:
        self.job = job
        self.session_id: int | None = None
        self.outcome: Outcome | None = None
        self.cooling_s = 0.0  # real seconds: the load's time constant, where it was keyed
        self.on_air: OnAir | None = None  # while there is a session
        self._cold_at, self._begun, self._paused, self._feed = cold_at, begun, paused, feed
        self._phase: Phase = "waiting"
        self._stop = threading.Event()
        self._why = ""
        self._tick: Tick | None = None
        self._clock: Clock | None = None
        self._alive_at = time.monotonic()
        # A daemon: should it hang, the program still ends, and the guard keys up when it does.
        self._thread = threading.Thread(target=self._work, name=f"run {job.start.name}", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def on(self) -> bool:
        """Not over yet."""
        return self.outcome is None

    @property
    def alive(self) -> bool:
        """Its loop turns, as far as can be told."""
        if not self.on or self._phase == "waiting":
            return True
        silent_s = time.monotonic() - self._alive_at
        return self._thread.is_alive() and silent_s < (LOOP_S if self._phase == "running" else SLOW_S)

    def stop(self, why: str) -> None:
        """Let it end cleanly, the key up first. Returns at once; the first reason counts."""
        self._why = self._why or why
        self._stop.set()

    def join(self, wait_s: float) -> bool:
        """Whether it was over by then."""
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def standing(self) -> dict[str, Any]:
        """How things stand, as JSON; ``load_heat`` is by the measured power, 1 is the most the load may have."""
        return {
            "entry": self.job.start.name,
            "kind": self.job.start.run,
            "phase": "ending" if self._stop.is_set() else self._phase,
            "session": self.session_id,
            "continues": self.job.continued.session if self.job.continued else None,
            **standing(self._tick if self._clock else None, self._clock.started_ns if self._clock else 0),
        }

    # What follows runs in the run's own thread.

    def _work(self) -> None:
        try:
            outcome = self._run()
        except BenchlogError as exc:
            outcome = Outcome("failed", str(exc).replace("\n  ", " "), self.session_id)
        except Exception as exc:  # noqa: BLE001 - the daemon outlives a run, whatever ended it
            LOG.exception("a fault in benchlog itself")
            outcome = Outcome("failed", f"a fault in benchlog itself: {exc!r}", self.session_id)
        self.on_air = None
        if self.session_id is not None:
            self._feed.end(outcome.text, how=outcome.kind)
        self.outcome = outcome

    def _run(self) -> Outcome:
        keyed = self.job.start.run == "soak"
        if keyed and (wait_s := self._cold_at - time.monotonic()) > 0:
            log(f"{self.job.start.name}: the load cools for another {wait_s:.0f} s before it is keyed")
            if self._stop.wait(wait_s):
                return Outcome("failed", self._why, None)
        self._enter("asking")
        bench, plan = self._files()  # read anew: what is on the bench now counts
        clock = self._clock = Clock(factor_for(bench.addresses))
        if keyed:
            refuse_too_long("soak", bench, plan, clock.factor)
        for found in look_round(bench, find, clock):
            if found.fault:
                warn(f"{found.instrument.name}: {found.fault}; it is tried again all along")
        if keyed:
            plan = self._for_the_time_left(plan)
            self.cooling_s = clock.real_s(bench.load.cooling) if bench.load else 0.0
        session = _Explained(self, bench, plan, clock)
        self._feed.begin(session)
        self.on_air = OnAir(session, self.stop, self._feed)
        if self._stop.is_set():
            return Outcome("failed", self._why, None)
        done = conduct(session, self._stop, lambda happening: self._hear(session, happening))
        if done.stopped is not None:
            return Outcome("stopped", done.stopped.what, done.session_id)
        return Outcome("ended", session.ending, done.session_id)

    def _files(self) -> tuple[Bench, Plan]:
        bench, plan = load_bench(self.job.bench_path, find), load_plan(self.job.plan_path)
        if faults := misfits(self.job.timetable, bench, plan):
            raise BadFile(self.job.timetable.source.path, faults)
        refuse_misfits(bench, plan)
        return bench, plan

    def _for_the_time_left(self, plan: Plan) -> Plan:
        """The plan as the record keeps it stays whole: what is left stands in the event that says so."""
        if self.job.continued is None or plan.soak is None:
            return plan
        return replace(plan, soak=plan.soak.model_copy(update={"lasts": self.job.continued.left_s}))

    def _enter(self, phase: Phase) -> None:
        self._phase, self._alive_at = phase, time.monotonic()

    def _hear(self, session: Session, happening: Happening) -> None:
        self._alive_at = time.monotonic()
        self._feed.tell(happening)
        match happening:
            case Begun(session_id):
                self.session_id = session_id
                if (before := self.job.continued) is not None:
                    text = f"continues session {before.session}, which was cut off, for the {before.left_s:.0f} s left"
                    data = {"continues": before.session, "left_s": before.left_s}
                    session.put(Event(session.clock.t_ns(), "session", text, data=data))
                self._enter("running")
                self._begun(session_id)
            case Tick():
                self._tick = happening
                if self._lasts_s <= happening.t_s:
                    self.stop("its time was over")
            case KeyedUp(key_down):
                log(f"key up after {key_down.lasted_s:.1f} s", session=self.session_id, band=key_down.band,
                    power_w=key_down.power_w, frequency_hz=key_down.frequency_hz)  # fmt: skip
            case Trouble(event):
                warn(event.text, session=self.session_id, kind=event.kind, instrument=event.instrument)
                if event.kind == "limit" and event.data.get("paused"):
                    self._paused(event.text)

    @property
    def _lasts_s(self) -> float:
        """Of a watch, in session time; a heat run ends by itself."""
        if self.job.start.lasts is None:
            return math.inf
        return self.job.continued.left_s if self.job.continued else self.job.start.lasts


class _Explained(Session):
    """A session that says why it was ended where no operator did."""

    def __init__(self, run: Unattended, bench: Bench, plan: Plan, clock: Clock) -> None:
        super().__init__(run.job.start.run, bench, plan, store=run.job.store, clock=clock, drivers=find)
        self._run = run

    def __exit__(self, kind: Any, exc: Any, traceback: Any) -> None:
        self._run._enter("ending")
        self.why = self._run._why
        super().__exit__(kind, exc, traceback)
