"""Who watches the limits of a run: ``Keyer`` where the program holds the key, ``Onlooker`` where a person does.

Both are called from the run's own loop and stop the run by raising StoppedForSafety. The keyer's guard is a process
of its own and needs none of this to key up; see ``keying.guard``.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from typing import ClassVar, Protocol

from benchlog.errors import StoppedForSafety
from benchlog.keying.client import Guard, KeyRefused
from benchlog.keying.heat import HeatBudget
from benchlog.keying.limits import Crossing, Watchdog
from benchlog.keying.pipes import ASKED, IN_TIME
from benchlog.model import Event, Reading
from benchlog.runs.records import bench_of
from benchlog.runs.session import Session
from benchlog.store.reader import StoreReader


class Safety(Protocol):
    """What a listener needs of either."""

    holds_key: ClassVar[bool]  # its edges say when the key is down; otherwise forward power does

    @property
    def heat(self) -> float | None:
        """The dummy load's, as a fraction of what it stands; None where the bench file does not know the load."""
        ...

    def attend(self) -> None:
        """Several times a second. Raises StoppedForSafety."""
        ...

    def check(self, reading: Reading) -> None:
        """Every reading, as it passes. Raises StoppedForSafety."""
        ...

    def keyed(self, down: bool, t_ns: int) -> None:
        """The key was heard or seen to move."""
        ...


class LoadHeat:
    """The load's heat by the forward power that is measured, on top of what earlier sessions left in it.

    What is missing counts as what was measured last.
    """

    def __init__(self, session: Session) -> None:
        self._power = session.bench.measuring("forward-power")
        self._budget = _budget(session, heat_left(session))
        self._last: tuple[int, float] | None = None  # t_ns, watts

    @property
    def fraction(self) -> float | None:
        """0 cold, 1 at the limit; None where the load is not known."""
        return self._budget.fraction if self._budget else None

    def take(self, reading: Reading) -> None:
        """One reading of any channel."""
        if self._budget is None or self._power is None or reading.channel != self._power.name or reading.value is None:
            return
        if self._last is not None and reading.t_ns > self._last[0]:
            self._budget.advance((reading.t_ns - self._last[0]) / 1e9, self._last[1])
        watts = self._power.in_si(reading.value)
        if math.isfinite(watts):
            self._last = reading.t_ns, max(0.0, watts)


class Onlooker:
    """Limits where a person holds the key: they count while it is down, and end the run; the hand must do the rest.

    Only high ends do. What falls too low is in the record: that the key is up again is heard 0.3 s after it is, and
    until then power, current and voltage would all be crossing. A channel that has gone quiet ends nothing either:
    whoever keys sees it, and a sweep goes on without a thermometer.
    """

    holds_key: ClassVar[bool] = False

    def __init__(self, session: Session) -> None:
        self._session = session
        self._watchdog = Watchdog(session.bench, factor=session.clock.factor)
        self._longest_s = session.bench.limits.key_down or math.inf
        self._down_ns: int | None = None
        self._heat = LoadHeat(session)

    @property
    def heat(self) -> float | None:
        """As ``Safety.heat``."""
        return self._heat.fraction

    def attend(self) -> None:
        """As ``Safety.attend``: the longest key-down."""
        now_ns = self._session.clock.t_ns()
        if self._down_ns is not None and (lasts_s := (now_ns - self._down_ns) / 1e9) > self._longest_s:
            _stop(self._session, f"the key is down for {lasts_s:.0f} s, longer than the {self._longest_s:g} s allowed")

    def check(self, reading: Reading) -> None:
        """As ``Safety.check``."""
        self._heat.take(reading)
        crossing = self._watchdog.check(reading)
        if crossing is None or self._down_ns is None:
            return
        if crossing.value is not None and crossing.bound is not None and crossing.value > crossing.bound:
            _stop(self._session, crossing.text, crossing)

    def keyed(self, down: bool, t_ns: int) -> None:
        """As ``Safety.keyed``."""
        self._down_ns = t_ns if down else None
        self._watchdog.keyed(down, t_ns)


class Keyer:
    """Holds one guard for one session."""

    holds_key: ClassVar[bool] = True

    def __init__(self, session: Session, guard: Guard, power_w: tuple[float, float]) -> None:
        self._session, self._guard = session, guard
        self._watchdog = Watchdog(
            session.bench, factor=session.clock.factor, from_ns=session.clock.t_ns(), power_w=power_w
        )
        self._heat = LoadHeat(session)
        self._crossed_ns: int | None = None  # when a run that pauses last saw a limit crossed
        self._fell = ""  # why the guard keyed up by itself, other than for the time being over

    @property
    def heat(self) -> float | None:
        """As ``Safety.heat``, by measured power; the guard keeps its own account, at the power it assumes."""
        return self._heat.fraction

    @property
    def is_down(self) -> bool:
        """As last confirmed by the guard."""
        return self._guard.is_down

    def down(self, for_s: float, rest_s: float = 0.0) -> float:
        """Key down for so many session seconds; returns how long to wait before it may be, else 0.

        The wait is for the load to rest or, where crossed limits pause the run, for ``rest_s`` without a crossing.
        Raises: StoppedForSafety where it may never be, or a limit is crossed; BenchFailed.
        """
        clock = self._session.clock
        if crossing := self._watchdog.quiet(clock.t_ns()):
            self._crossed(crossing)
        if self._session.writer.failure:  # what is keyed now could not be kept; it may be over soon
            return rest_s
        if self._crossed_ns is not None:
            left_s = rest_s - (clock.t_ns() - self._crossed_ns) / 1e9
            if left_s > 0:
                return left_s
            self._crossed_ns = None
        try:
            self._guard.down(clock.real_s(for_s))
        except KeyRefused as refused:
            if not 0 < refused.wait_s < math.inf:
                raise
            return refused.wait_s * clock.factor
        finally:
            self._note()
        return 0.0

    def up(self) -> None:
        """Key up, and wait for it to be confirmed. Raises BenchFailed where it is not."""
        try:
            self._guard.up()
        finally:
            self._note()

    def attend(self) -> None:
        """As ``Safety.attend``: tells the guard that the run is alive; looks at the line, the store, quiet channels."""
        self._guard.beat()
        self._note()
        if not self._guard.alive:
            try:
                self.up()
            finally:
                _stop(self._session, "the guard of the key line has ended")
        if self._fell:
            _stop(self._session, f"the guard keyed up: {self._fell}")
        if self._guard.is_lost:
            _stop(self._session, "nobody confirms that the key is up: switch the transmitter off by hand, now")
        if self.is_down and (failure := self._session.writer.failure):
            self.up()
            _tell(self._session, f"the store takes no readings: {failure.what}", None, paused=True)
        if self.is_down and (crossing := self._watchdog.quiet(self._session.clock.t_ns())):
            self._crossed(crossing)

    def check(self, reading: Reading) -> None:
        """As ``Safety.check``."""
        self._heat.take(reading)
        if crossing := self._watchdog.check(reading):
            self._crossed(crossing)

    def keyed(self, down: bool, t_ns: int) -> None:
        """Known from the guard already."""

    def _crossed(self, crossing: Crossing) -> None:
        """Key up first. A key line that does not do what it is told never only pauses a run."""
        pauses = self._session.bench.limits.then == "pause" and crossing.limit != "key-line"
        try:
            self.up()
        finally:
            if not pauses:
                _stop(self._session, crossing.text, crossing)
        if self._crossed_ns is None:
            _tell(self._session, crossing.text, crossing, paused=True)
        self._crossed_ns = self._session.clock.t_ns()

    def _note(self) -> None:
        """What the guard reported, as events on the session's clock."""
        clock = self._session.clock
        for said in self._guard.edges():
            t_ns = round((said.t_ns - clock.anchor_ns) * clock.factor)
            if said.kind in ("down", "up"):
                down = said.kind == "down"
                if not down and said.why not in (ASKED, IN_TIME):
                    self._fell = said.why
                self._watchdog.keyed(down, t_ns)
                self._session.put(Event(t_ns, "key", f"key {said.kind}: {said.why}", data={"down": down}))
            else:
                self._session.put(Event(t_ns, "guard", f"guard: {said.why}", data={"what": said.kind}))


@contextlib.contextmanager
def held_key(session: Session, power_w: tuple[float, float]) -> Iterator[Keyer]:
    """A guard for a session's key line, with the key up when this is left, however it is left.

    It starts with the heat that earlier sessions left in the load.

    ``power_w``: forward power below which the key is taken to be up, and above which down.
    Raises: BenchFailed where the line cannot be held, or nobody confirms that the key is up.
    """
    with Guard.start(session.bench, clock=session.clock, heat=heat_left(session)) as guard:
        keyer = Keyer(session, guard, power_w)
        try:
            yield keyer
        finally:
            keyer.up()


def heat_left(session: Session) -> float:
    """What earlier sessions in the store left in the load, as a fraction of what it stands; 0 where it is cold.

    By their forward power, from five of its time constants ago on: by then less than 1 % is left.
    """
    budget = _budget(session)
    if budget is None:
        return 0.0
    reader, clock = StoreReader.open(session.store), session.clock
    now_ns = clock.started_ns + clock.t_ns()
    from_ns = now_ns - round(5e9 * budget.cooling_s)
    last_ns, last_w = from_ns, 0.0
    for earlier in reader.sessions():
        if earlier.id == session.id or (earlier.ended_ns is not None and earlier.ended_ns < from_ns):
            continue
        power = bench_of(earlier).measuring("forward-power")  # in the unit, and by the name, it had then
        if power is None:
            continue
        raw = reader.raw(earlier.id, (from_ns - earlier.started_ns, now_ns - earlier.started_ns))[power.name]
        for t_ns, value in zip(raw.t_ns.tolist(), raw.value.tolist(), strict=True):
            at_ns = earlier.started_ns + t_ns
            if at_ns > last_ns and math.isfinite(value):
                gone_s = (at_ns - last_ns) / 1e9
                budget.advance(gone_s, last_w)
                last_ns, last_w = at_ns, max(0.0, power.in_si(value))
        last_w = 0.0  # between sessions nobody was keyed, as far as anybody knows
    budget.advance(max(0, now_ns - last_ns) / 1e9)
    return budget.fraction


def _budget(session: Session, fraction: float = 0.0) -> HeatBudget | None:
    load = session.bench.load
    return HeatBudget(load.continuous, load.cooling, fraction) if load else None


def _tell(session: Session, text: str, crossing: Crossing | None, *, paused: bool = False) -> None:
    data: dict[str, object] = {"paused": paused}
    if crossing:
        value = crossing.value if crossing.value is not None and math.isfinite(crossing.value) else None
        data |= {"crossed": crossing.limit, "value": value, "limit": crossing.bound}
    session.put(Event(session.clock.t_ns(), "limit", text, channel=crossing.channel if crossing else "", data=data))


def _stop(session: Session, text: str, crossing: Crossing | None = None) -> None:
    _tell(session, text, crossing)
    raise StoppedForSafety(text, cure="See that the key is up. Everything is kept; find out why before going on.")
