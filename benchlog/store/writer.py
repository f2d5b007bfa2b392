"""A running session's way into the store: any thread puts, one thread commits."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from queue import Empty, SimpleQueue

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import StoreFailed
from benchlog.model import Event, Reading, SessionKind
from benchlog.plan import Plan
from benchlog.store import rows
from benchlog.store.connection import Connection, open_or_create, trouble
from benchlog.store.schema import migrate

GATHER_S = 0.17  # it ends between two slots of every usual rate; with a commit's own time within the promised 250 ms
RETRY_S = 0.25
BUSY_S = 0.3  # an attempt gives up soon, so that trouble shows soon; the next attempt follows anyhow
BATCH = 5_000
HOLD = 200_000
"""Most items held in memory while nothing can be written: 20 minutes at 160 readings a second, about 40 MB."""
PATIENCE_S = 10.0
"""How long ``end`` goes on trying against a store that cannot be written."""


class _Mark:
    """Rides in the queue behind what was put before it."""

    def __init__(self, ending: str | None = None, ended_ns: int = 0) -> None:
        self.ending, self.ended_ns = ending, ended_ns
        self.deadline = time.monotonic() + PATIENCE_S
        self.passed = threading.Event()
        self.kept = False


_Item = Reading | Event | _Mark


class SessionWriter:
    """One session being written. Made by ``begin``, finished by ``end``; the promises are the package's."""

    def __init__(self, path: Path, connection: Connection, session_id: int, channels: dict[str, int], clock: Clock):
        """For ``begin`` only."""
        self.path, self.session_id = path, session_id
        self.lost = 0  # those that could not be kept
        self.failure: StoreFailed | None = None  # trouble that stands now; None again once all is committed
        self._connection, self._channels, self._clock = connection, channels, clock
        self._notes = rows.Notes(connection)
        self._queue: SimpleQueue[_Item] = SimpleQueue()
        self.put: Callable[[Reading | Event], None] = self._queue.put
        """Hand over a row; from any thread, without waiting, without raising."""
        self._marked = threading.Event()  # a mark has been put since the thread last looked
        self._held: deque[_Item] = deque()
        self._since_ns = 0  # session time at which the trouble began
        self._ended = False
        # A daemon: a program that falls over must not hang on the store; all but the last 250 ms is committed.
        self._thread = threading.Thread(target=self._work, name=f"store-{session_id}", daemon=True)
        self._thread.start()

    @classmethod
    def begin(cls, path: Path, *, kind: SessionKind, bench: Bench, plan: Plan, clock: Clock) -> SessionWriter:
        """Open or make the store, and put the session with its channels in, as one transaction.

        Raises: BadStore, the file unchanged; StoreFailed.
        """
        connection = open_or_create(path)
        try:
            migrate(connection, path)
            with trouble(path, "written"), rows.transaction(connection):
                session_id, channels = rows.add_session(connection, kind, bench, plan, clock)
            connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")
        except BaseException:
            connection.close()
            raise
        return cls(path, connection, session_id, channels, clock)

    def flush(self, timeout_s: float = 5.0) -> bool:
        """True once everything put so far is committed; False if it is not by then, and ``failure`` may say why."""
        mark = _Mark()
        self._queue.put(mark)
        self._marked.set()
        return mark.passed.wait(timeout_s if self._thread.is_alive() else 0) and mark.kept

    def end(self, ending: str) -> None:
        """Commit what is left, the session's end and its digest; a second call does nothing.

        Raises: StoreFailed, saying how many rows could not be kept. The session is over in any case.
        """
        if self._ended:
            return
        self._ended = True
        mark = _Mark(ending, self._clock.started_ns + self._clock.t_ns())
        self._queue.put(mark)
        self._marked.set()
        self._thread.join()
        self._connection.close()
        if self.lost or not mark.kept:
            rows_lost = "1 row" if self.lost == 1 else f"{self.lost} rows"
            because = f"; {self.failure.what}" if self.failure else ""
            unclosed = "" if mark.kept else " and its end could not be stored"
            raise StoreFailed(
                f"{rows_lost} of session {self.session_id} could not be kept{unclosed}{because}",
                where=str(self.path),
                cure="What was committed before is kept. " + (self.failure.cure if self.failure else ""),
            )

    # What follows runs in the writing thread only.

    def _work(self) -> None:
        while True:
            self._gather()
            try:
                while self._held:
                    if self._commit_front(min(len(self._held), BATCH)):
                        return
            except StoreFailed as failure:
                self._stuck(failure)
                if self._patience_is_over():
                    self._give_up()
                    return

    def _gather(self) -> None:
        """Wait for the first item, then ``GATHER_S`` or until a mark comes, and take what is there by then.

        Nobody wakes this thread meanwhile: each time it woke it would stand in the way of a bus that is due.
        """
        wait_s = RETRY_S if self._held else GATHER_S
        try:
            first = self._queue.get(timeout=RETRY_S if self._held else None)
        except Empty:
            return
        if not isinstance(first, _Mark):
            self._marked.wait(wait_s)
        self._marked.clear()
        take = self._queue.get_nowait
        self._hold([first, *[take() for _ in range(self._queue.qsize())]])

    def _hold(self, items: list[_Item]) -> None:
        room = max(HOLD - len(self._held), 0)
        if len(items) > room:  # the oldest stay: a record with its end missing is clearer than one with holes
            marks = [item for item in items[room:] if isinstance(item, _Mark)]
            self.lost += len(items) - room - len(marks)
            items = [*items[:room], *marks]
        self._held.extend(items)

    def _commit_front(self, count: int) -> bool:
        """Commit that many of the held items and let go of them; True if that ended the session.

        A row that cannot be stored, which only a fault of ours can make, must not hold up the others: the batch
        is halved until it stands alone, and an event with all it said takes its place.
        """
        batch = list(islice(self._held, count))
        try:
            marks = self._commit(batch)
        except StoreFailed:
            raise
        except Exception as exc:  # whatever it is, the other rows are worth more
            if count > 1:
                return self._commit_front(count // 2) or self._commit_front(count - count // 2)
            if isinstance(batch[0], _Mark):
                raise StoreFailed(f"the session cannot be closed: {exc!r}", where=str(self.path)) from exc
            told = f"a row that could not be stored ({exc!r}): {batch[0]!r}"
            self._held[0] = batch[0] = Event(self._clock.t_ns(), "store", told)
            self.lost += 1
            marks = self._commit(batch)
        let_go = self._held.popleft
        for _ in batch:
            let_go()
        for mark in marks:
            mark.kept = self.lost == 0
            mark.passed.set()
        return any(mark.ending is not None for mark in marks)

    def _commit(self, batch: list[_Item]) -> list[_Mark]:
        """One transaction; returns the marks among them, for which there is nothing to do before it."""
        readings = [item for item in batch if isinstance(item, Reading)]
        others = [] if len(readings) == len(batch) else [item for item in batch if not isinstance(item, Reading)]
        events = [item for item in others if isinstance(item, Event)]
        marks = [item for item in others if isinstance(item, _Mark)]
        end = next((mark for mark in marks if mark.ending is not None), None)
        if not (readings or events or end):
            return marks
        trouble_ends = self.failure is not None and len(batch) == len(self._held)
        if trouble_ends:
            events.append(self._aftermath())
        try:
            with trouble(self.path, "written"), rows.transaction(self._connection):
                rows.add_readings(self._connection, self._channels, self._notes, readings)
                rows.add_events(self._connection, self.session_id, events)
                if end is not None:
                    rows.close_session(self._connection, self.session_id, end.ended_ns, end.ending or "")
        except BaseException:
            self._notes.forget()
            raise
        self._notes.keep()
        if trouble_ends:
            self.failure = None
        return marks

    def _stuck(self, failure: StoreFailed) -> None:
        if self.failure is None:
            self._since_ns = self._clock.t_ns()
        self.failure = failure

    def _aftermath(self) -> Event:
        """Goes in with the last of the rows that were held: trouble is over when nothing is held any more."""
        now_ns = self._clock.t_ns()
        what = self.failure.what if self.failure else ""
        lost = f"; {self.lost} rows are lost" if self.lost else "; no row is lost"
        told = f"the store could not be written for {(now_ns - self._since_ns) / 1e9:.1f} s{lost}: {what}"
        data = {"from_ns": self._since_ns, "to_ns": now_ns, "lost": self.lost}
        return Event(now_ns, "store", told, data=data)

    def _patience_is_over(self) -> bool:
        ends = (item for item in self._held if isinstance(item, _Mark) and item.ending is not None)
        return any(end.deadline < time.monotonic() for end in ends)

    def _give_up(self) -> None:
        for item in self._held:
            if isinstance(item, _Mark):
                item.passed.set()
            else:
                self.lost += 1
