"""The daemon itself: wakes by the timetable, accounts for every start, keeps one run at a time.

The scheduler (APScheduler) is the alarm clock and no more: its own notion of misfires is not what is kept. Whoever
looks at an entry, the scheduler or the loop a little later, takes what was due since it was looked at last; each of
those becomes a run or a missed start.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from benchlog.bench import Bench
from benchlog.clock import rfc3339
from benchlog.daemon.backup import back_up
from benchlog.daemon.due import following
from benchlog.daemon.entries import Entry, entries, nanoseconds, now_utc
from benchlog.daemon.logs import log, warn
from benchlog.daemon.notices import Kind, Teller
from benchlog.daemon.resume import close_what_was_cut_off, to_continue
from benchlog.daemon.systemd import Manager
from benchlog.daemon.unattended import COLD, Continued, Job, Unattended
from benchlog.errors import BenchlogError
from benchlog.page.feed import Feed
from benchlog.page.house import OnAir
from benchlog.plan import Plan
from benchlog.simulate.lease import factor_for
from benchlog.store.recover import unfinished
from benchlog.store.starts import DueStart, account, marks, missed, prepare
from benchlog.timetable import Backup, Calibration, Start, Timetable

GRACE = timedelta(seconds=60)  # a start noticed later than this is missed, not made up for
NET = timedelta(seconds=3)  # the loop takes what the scheduler has not taken by then
TURN_S = 0.2
PULSE_S = 2.0
PULSE_LATE_S = 20.0  # without a pulse for so long, the timetable counts as dead
MARKS_S = 30.0
RUN_ENDS_S = 15.0
NOTICES_S = 2.0
_DOWN = "the daemon was not running"
_NOT_BEGUN = "it had not begun when the daemon ended"


@dataclass(frozen=True, slots=True)
class Files:
    """Where everything is."""

    bench: Path
    plan: Path
    store: Path


class Daemon:
    """From ``open`` to ``close``. ``turn`` is to be called several times a second, by one thread."""

    def __init__(self, files: Files, timetable: Timetable, bench: Bench, plan: Plan, manager: Manager) -> None:
        self._files, self._timetable, self._bench, self._plan = files, timetable, bench, plan
        self.store, self.feed = files.store, Feed()
        self._manager = manager
        self._teller = Teller(timetable.notices, bench.name)
        self._lock = threading.RLock()  # entries, the run
        self._unkept: deque[DueStart] = deque()
        self._store_fault = ""
        self._missed: deque[DueStart] = deque(maxlen=50)
        self._entries: list[Entry] = []
        self._run: Unattended | None = None
        self._current: DueStart | None = None
        self._last: dict[str, Any] | None = None
        self._backups: list[threading.Thread] = []
        self._cold_at = 0.0
        self._ending = False
        self._since = now_utc()
        self._pulsed = self._marked = self._fed = time.monotonic()
        self._scheduler = BackgroundScheduler(
            executors={"default": ThreadPoolExecutor(2)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )

    # From start to end: the thread that owns the daemon.

    def open(self) -> None:
        """Put the store in order, then start the timetable. Raises BadStore, StoreFailed."""
        store = self._files.store
        prepare(store)
        closed = close_what_was_cut_off(store)
        for cut in closed:
            warn(f"session {cut.session} was cut off {cut.lasted_s:.0f} s after its start; it has an end now",
                 session=cut.session, kind=cut.kind)  # fmt: skip
            self._teller.tell(
                "run-failed", f"{cut.kind} session {cut.session} was cut off; what was committed is kept",
                session=cut.session, run=cut.kind, store=str(store),
            )  # fmt: skip
        if any(cut.kind == "soak" for cut in closed) and self._bench.load:
            self._cold_at = time.monotonic() + COLD * self._bench.load.cooling / factor_for(self._bench.addresses)
        self._missed.extend(missed(store))
        self._entries = entries(self._timetable, marks(store))
        starts = {entry.name: entry.does for entry in self._entries if isinstance(entry.does, Start)}
        if going_on := to_continue(store, closed, starts, self._bench, self._plan):
            entry = next(entry for entry in self._entries if entry.does is going_on[0])
            self._begin(entry, going_on[0], now_utc(), going_on[1])
        self._look_round()
        self._flush()
        self._scheduler.add_listener(
            self._slipped, EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES | EVENT_JOB_ERROR
        )  # told in the log; what was due is accounted for in any case
        for entry in self._entries:
            self._scheduler.add_job(self._look_round, entry.trigger, id=entry.name)
        self._scheduler.add_job(self._pulse, "interval", seconds=PULSE_S, id="the daemon's pulse")
        self._scheduler.start()

    def turn(self) -> None:
        """Look after everything once."""
        self._reap()
        self._look_round(until=now_utc() - NET)
        now = time.monotonic()
        if now - self._pulsed > 2 * PULSE_S:  # the host's clock may have been set back: the alarm clock goes by it
            self._scheduler.modify_job("the daemon's pulse", next_run_time=now_utc())
        if self._unkept or now - self._marked > MARKS_S:
            self._flush()
        fed_every_s = (self._manager.watchdog_s or 30.0) / 3
        if now - self._fed >= fed_every_s and self.alive:
            self._manager.alive(self._told())
            self._fed = now

    @property
    def alive(self) -> bool:
        """The timetable and the run's own loop turn: only then may the system's watchdog be fed."""
        run = self._run
        return time.monotonic() - self._pulsed < PULSE_LATE_S and (run is None or run.alive)

    def ready(self) -> None:
        """Say so."""
        self._manager.ready(self._told())

    def close(self, why: str) -> bool:
        """End the run, the key up first, and everything else. False where the run did not end in time."""
        if self._ending:
            return True
        self._ending = clean = True
        self._manager.stopping()
        if (run := self._run) is not None:
            run.stop(why)
            clean = run.join(RUN_ENDS_S)
            self._reap()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        self._look_round()
        for backup in self._backups:
            backup.join(NOTICES_S)
        self._flush()
        self._teller.close(NOTICES_S)
        return clean

    # What the page asks, from its own threads.

    @property
    def on_air(self) -> OnAir | None:
        """As ``House.on_air``."""
        run = self._run
        return run.on_air if run is not None and run.session_id is not None else None

    def status(self) -> dict[str, Any]:
        """How things stand, as JSON."""
        run, now = self._run, now_utc()
        coming = [
            {"entry": entry.name, "run": entry.run, "due": _told(at)}
            for entry in self._entries
            if not isinstance(entry.does, Calibration) and (at := following(entry.trigger, now))
        ]
        return {
            "schema": "benchlog-daemon/1",
            "started": _told(self._since),
            "bench": self._bench.name,
            "transmitter": self._plan.transmitter.name,
            "store": str(self._files.store),
            "alive": self.alive,
            "store_fault": self._store_fault or None,
            "run": run.standing() if run is not None and run.on else None,
            "last": self._last,
            "next": sorted(coming, key=lambda one: str(one["due"])),
            "missed": [
                {"entry": m.entry, "run": m.run, "due": rfc3339(m.due_ns), "why": m.missed} for m in list(self._missed)
            ],
            "calibration": [
                {"instrument": c.instrument, "due": c.due.isoformat(), "days": _days_left(c)}
                for c in self._timetable.calibrations
            ],
        }

    def stop_run(self, why: str) -> int | None:
        """End the run that is on, cleanly; the daemon goes on. Its session, 0 where it has none yet; None: no run."""
        run = self._run
        if run is None or not run.on:
            return None
        run.stop(why)
        return run.session_id or 0

    # The timetable, from the scheduler's threads and the loop.

    def _pulse(self) -> None:
        self._pulsed = time.monotonic()

    def _slipped(self, event: Any) -> None:
        warn(f"the scheduler slipped on {event.job_id}: {getattr(event, 'exception', None) or 'late'}")

    def _look_round(self, until: datetime | None = None) -> None:
        """See to all that was due, the earliest first: on a busy computer the scheduler's threads come in any order."""
        with self._lock:
            for entry in sorted(self._entries, key=lambda entry: entry.next):
                self._look(entry, until or now_utc())

    def _look(self, entry: Entry, until: datetime) -> None:
        """Take what was due, and let the newest begin unless it is too late for it."""
        now = now_utc()
        found, all_told = entry.take(until)
        if not found:
            return
        does = entry.does
        if isinstance(does, Calibration):
            self._remind(does)
            return
        begin_newest = all_told and found[-1] > self._since and now - found[-1] <= GRACE
        for at in found[:-1] if begin_newest else found:
            late_s = (now - at).total_seconds()
            self._miss(entry, at, _DOWN if at <= self._since else f"noticed {late_s:.0f} s late")
        if not all_told:
            self._miss(entry, entry.accounted, "so were all others until then")
        if begin_newest and isinstance(does, Backup):
            self._back_up(entry, does, found[-1])
        elif begin_newest and isinstance(does, Start):
            self._begin(entry, does, found[-1])

    def _begin(self, entry: Entry, start: Start, at: datetime, continued: Continued | None = None) -> None:
        if why := self._occupied():
            self._miss(entry, at, why, continued)
            return
        row = DueStart(entry.name, nanoseconds(at), start.run, continues=continued.session if continued else None)
        self._unkept.append(replace(row, missed=_NOT_BEGUN))
        self._flush()
        files = self._files
        job = Job(start, row.due_ns, files.bench, files.plan, files.store, self._timetable, continued)

        def begun(session: int) -> None:
            self._unkept.append(replace(row, session=session))
            log(f"{entry.name}: {start.run} session {session} begun", entry=entry.name, session=session)

        def paused(why: str) -> None:
            text = f"{start.run} ({entry.name}) is paused, with the key up: {why}"
            self._teller.tell("paused-for-safety", text, entry=entry.name, run=start.run)

        self._current = row
        self._run = Unattended(job, cold_at=self._cold_at, begun=begun, paused=paused, feed=self.feed)
        self._run.start()

    def _occupied(self) -> str:
        """Why no run can begin now; empty where one can."""
        if self._ending:
            return "the daemon was ending"
        if (run := self._run) is not None:
            if run.on:
                return f"{run.job.start.run} session {run.session_id or '(about to begin)'} was on"
            self._reap()
        try:
            others = [found.session for found in unfinished(self._files.store) if found.alive]
        except BenchlogError as exc:
            warn(f"the store could not be looked at: {exc.what}")
            return ""  # the run will meet the same fault, and say so
        return f"session {others[-1]}, not the daemon's, was on" if others else ""

    def _reap(self) -> None:
        """See to a run that is over."""
        with self._lock:
            run, row = self._run, self._current
            if run is None or row is None or run.outcome is None:
                return
            self._run = self._current = None
            outcome = run.outcome
            if run.cooling_s:
                self._cold_at = time.monotonic() + COLD * run.cooling_s
            self._last = {"entry": row.entry, "session": outcome.session, "how": outcome.kind, "text": outcome.text}
            if outcome.session is None:
                self._miss_row(replace(row, missed=outcome.text))
                return
            store = str(self._files.store)
            text = f"{row.run} session {outcome.session} ({row.entry}): {outcome.text}"
            facts: dict[str, Any] = {"session": outcome.session, "entry": row.entry, "run": row.run}
            if outcome.kind == "ended":
                log(text, **facts)
                self._teller.tell("run-ended", text, **facts, store=store)
            else:
                warn(text, **facts)
                kind: Kind = "stopped-for-safety" if outcome.kind == "stopped" else "run-failed"
                self._teller.tell(kind, text, **facts, store=store)

    def _miss(self, entry: Entry, at: datetime, why: str, continued: Continued | None = None) -> None:
        before = continued.session if continued else None
        self._miss_row(DueStart(entry.name, nanoseconds(at), entry.run, missed=why, continues=before))

    def _miss_row(self, row: DueStart) -> None:
        self._unkept.append(row)
        self._missed.append(row)
        due = rfc3339(row.due_ns)
        text = f"missed start: {row.entry} ({row.run}) was due at {due}: {row.missed}"
        warn(text, entry=row.entry, due=due)
        self._teller.tell("missed-start", text, entry=row.entry, run=row.run, due=due, why=row.missed)

    def _remind(self, calibration: Calibration) -> None:
        left = _days_left(calibration)
        if left > calibration.ahead:
            return
        when = f"is due in {left} days" if left > 0 else "is due today" if left == 0 else f"was due {-left} days ago"
        text = f"the calibration of {calibration.instrument} {when} ({calibration.due.isoformat()})"
        warn(text, instrument=calibration.instrument)
        self._teller.tell(
            "calibration-due", text, instrument=calibration.instrument, due=calibration.due.isoformat(), days=left
        )

    def _back_up(self, entry: Entry, backup: Backup, at: datetime) -> None:
        row = DueStart(entry.name, nanoseconds(at), "backup")
        self._unkept.append(replace(row, missed="it was not finished when the daemon ended"))
        store = self._files.store

        def work() -> None:
            try:
                copy = back_up(store, store.parent / backup.folder, backup.keep)
            except Exception as exc:  # noqa: BLE001 - told in every way there is; the runs go on
                why = exc.what if isinstance(exc, BenchlogError) else repr(exc)
                self._unkept.append(replace(row, missed=why))
                warn(f"no backup: {why}")
                self._teller.tell("backup-failed", f"no backup of the store: {why}", store=str(store))
            else:
                self._unkept.append(row)
                log(f"backup of the store: {copy}", file=str(copy))

        self._backups = [one for one in self._backups if one.is_alive()]
        self._backups.append(threading.Thread(target=work, name="backup", daemon=True))
        self._backups[-1].start()

    def _flush(self) -> None:
        """Keep what is to be kept; what cannot be now is tried again at each turn."""
        with self._lock:  # the marks never run ahead of the rows
            waiting = list(self._unkept)
            known = [entry.mark for entry in self._entries]
            try:
                account(self._files.store, waiting, known)
            except BenchlogError as exc:
                if not self._store_fault:
                    warn(f"starts cannot be kept, and wait in memory: {exc.what}")
                self._store_fault = exc.what
                return
            for _ in waiting:
                self._unkept.popleft()
            self._store_fault = ""
            self._marked = time.monotonic()

    def _told(self) -> str:
        run = self._run
        if run is None or not run.on:
            return "no run is on"
        return f"{run.job.start.run} session {run.session_id}" if run.session_id else f"{run.job.start.name} begins"


def _days_left(calibration: Calibration) -> int:
    return (calibration.due - datetime.now().astimezone().date()).days


def _told(when: datetime) -> str:
    return rfc3339(nanoseconds(when), 0)
