"""A session: the buses, the writer and the clock of one run, started and ended together."""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Literal, Self

from benchlog.acquire.bus import Bus, buses
from benchlog.bench import Bench, DriverLookup
from benchlog.clock import Clock
from benchlog.errors import BenchlogError, StoppedForSafety, StoreFailed
from benchlog.model import Event, Reading, SessionKind
from benchlog.plan import Plan
from benchlog.store.writer import SessionWriter

KeyFor = Literal["tuning", "measuring"]
STORE_PATIENCE_S = 10.0  # how long rows may wait in memory for a store that takes none
_CLOCK_CHECK_NS = 10**9


class Session:
    """The sink of all buses: what they put goes to the store, and to whoever listens.

    As a context manager it ends itself: cleanly, or with the error as its ending. With ``keys`` a sweep keys through
    the bench's key line, each time it is ``asked`` to, and up when ``up_asked`` says so.

    Raises (on leaving): StoreFailed where not everything could be kept.
    """

    def __init__(
        self,
        kind: SessionKind,
        bench: Bench,
        plan: Plan,
        *,
        store: Path,
        clock: Clock,
        drivers: DriverLookup,
        keys: bool = False,
    ) -> None:
        self.kind, self.bench, self.plan, self.clock, self.store = kind, bench, plan, clock, store
        self.keys = keys
        self.id = 0  # its number in the store, once it has begun
        self.asked: SimpleQueue[KeyFor] = SimpleQueue()
        self.up_asked = threading.Event()  # a keyed sweep's key-down is to end now
        self.ending = "ended"
        self.why = ""  # why it is ended before its time, where that was no operator at a terminal
        self.taps: list[Callable[[Reading | Event], None]] = []  # told of everything put; must neither wait nor raise
        self._drivers = drivers
        self._heard: deque[Reading | Event] = deque()
        self._buses: list[Bus] = []
        self._next_clock_check_ns = 0
        self._failing_since_ns: int | None = None

    def __enter__(self) -> Self:
        self.writer = SessionWriter.begin(
            self.store, kind=self.kind, bench=self.bench, plan=self.plan, clock=self.clock
        )
        self.id = self.writer.session_id
        self.put(Event(self.clock.t_ns(), "session", f"{self.kind} {self.id} started"))
        self._buses = buses(self.bench, self._drivers, clock=self.clock, sink=self)
        for bus in self._buses:
            bus.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        if exc is not None and not isinstance(exc, GeneratorExit):
            how = "stopped for safety" if isinstance(exc, StoppedForSafety) else "ended by a fault"
            self.ending = f"{how}: {exc.what if isinstance(exc, BenchlogError) else exc}"
        elif self.why:
            self.ending = self.ending.replace("ended by the operator", f"ended: {self.why}", 1)
        until_ns = self.clock.t_ns()
        for bus in self._buses:
            bus.stop(until_ns)
        for bus in self._buses:  # each ends within its instruments' time-outs
            bus.join()
        self.put(Event(self.clock.t_ns(), "session", self.ending))
        self.writer.end(self.ending)

    def put(self, item: Reading | Event, /) -> None:
        """Keep it, and let it be heard."""
        self.writer.put(item)
        self._heard.append(item)
        for tap in self.taps:
            tap(item)

    def forget_asked(self) -> None:
        """Nothing counts that was asked for until now."""
        with contextlib.suppress(Empty):
            while True:
                self.asked.get_nowait()

    def heard(self) -> Iterator[Reading | Event]:
        """What was put since the last call, in order."""
        while self._heard:
            yield self._heard.popleft()

    def look_after(self) -> None:
        """Log a stepped host clock; give up on a store that takes nothing. Call several times a second.

        Raises: StoreFailed.
        """
        now = self.clock.t_ns()
        if now >= self._next_clock_check_ns:
            self._next_clock_check_ns = now + _CLOCK_CHECK_NS
            if (step_s := self.clock.step_s()) is not None:
                text = f"the host's clock stepped by {step_s:+.3f} s; the session's did not"
                self.put(Event(now, "clock", text, data={"step_s": step_s}))
        failure = self.writer.failure
        if failure is None:
            self._failing_since_ns = None
        elif self._failing_since_ns is None:
            self._failing_since_ns = now
        elif self.clock.real_s((now - self._failing_since_ns) / 1e9) > STORE_PATIENCE_S:
            raise StoreFailed(failure.what, where=failure.where, cure=failure.cure)
