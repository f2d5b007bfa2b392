"""The guard: a small process that alone holds the key line, and lets go of it whenever in doubt.

``python -m benchlog.keying.guard``, started by ``client.Guard``. One JSON object a line, both ways.

In, first:   {"line": {driver, address, line, options}, "key_down_s", "heartbeat_s",
              "heat": {continuous_w, cooling_s, fraction, assumed_w} or null}
In, later:   {"down": seconds}   {"up": true}   {"beat": CLOCK_MONOTONIC in ns when it was sent}
Out:         {"ready": true}   {"edge": "down" or "up", "why", "took"}   {"refused": why, "wait_s"}
             {"line": "late", "lost" or "back", "why"}   {"beat": n, "down", "heat"}   {"gone": why}
             Each has "t", ns of CLOCK_MONOTONIC. An edge's is when the command was given; "took" ns later it was
             confirmed. "wait_s" is there where waiting helps.

The first message is the law: nothing said later widens it. The key goes up on "up", on the end of the time that
was asked for, on a missing heartbeat, the end of the pipe, any signal, the heat budget, words that make no sense, a
fault of the line, a fault in here. Where the line does not confirm that it is up, the guard closes it, opens it again
and tries for as long as it lives, ``LEAVE_S`` beyond the end of its parent.

One answer of a line may fail to come in time, as on a busy machine: it is asked for once more before it counts as a
fault. That takes nothing from the second in which a lost line must be up: a key that is down has been confirmed within
``SURE_S``, or is commanded up, and a connection that is broken says so at once.

Three nets under one another: each line driver has time-outs; a timer signal breaks into a call that outlasts
them; and where even that does not get through, a thread of C code (``faulthandler``) ends the process, which closes the
line. All run on clocks that nobody can set. Reports never wait: a pipe nobody reads loses them, and the key goes up
before anything is said.

What this cannot promise: that a remote box opens the key. With its cable pulled nobody can tell it anything, and many
boxes and all relays keep their last state when a connection, or this process, ends (``lines`` says which). Those need
a time-out of their own. Nor can any program help against a welded contact, a host name that is slow to resolve (give
numbers), or a machine that stops as a whole with a local port's line up. Behind every key line belongs an independent
hardware time-out.
"""

from __future__ import annotations

import contextlib
import math
import os
import signal
import sys
import time
from dataclasses import dataclass

from benchlog.keying.heat import HeatBudget
from benchlog.keying.lines import Line, LineFault, line_from
from benchlog.keying.overdue import HUNG_S, BrokenInto, bounded, overdue, watch_no_more, watch_over
from benchlog.keying.pipes import ASKED, IN_TIME, LINE_FAILED, MOST_S, Ears, Message, Reports
from benchlog.precedence import guard_goes_first

REFRESH_S = 0.2  # how often a line is told again while it is down: for boxes that time out, and to find a dead one
IDLE_S = 1.0  # the same while it is up
CALL_S = 0.4  # no call of a line may take longer ...
OPEN_S = 1.5  # ... but for opening one over a network
AGAIN_S = 0.3  # ... and what did not answer in time has so long when it is asked once more
SURE_S = 0.7  # a line is confirmed again within so long: the second less what a command takes
RETRY_S = 0.1
LEAVE_S = 60.0
_NO_SENSE = "words that make no sense"
_LOOKED_AFTER = "looked after while up"


@dataclass(frozen=True)
class Law:
    """What the first message allows."""

    key_down_s: float
    heartbeat_s: float
    heat: HeatBudget | None
    assumed_w: float

    @classmethod
    def of(cls, told: Message) -> Law:
        """Raises ValueError, KeyError or TypeError: a limit that is not a number limits nothing."""
        heat, budget, assumed_w = told["heat"], None, 0.0
        if heat is not None:
            budget = HeatBudget(_number(heat["continuous_w"]), _number(heat["cooling_s"]), heat["fraction"])
            assumed_w = _number(heat["assumed_w"])
        return cls(
            key_down_s=min(_number(told["key_down_s"]), MOST_S),
            heartbeat_s=min(_number(told["heartbeat_s"]), 5.0),
            heat=budget,
            assumed_w=assumed_w,
        )


class Guard:
    """One line, one law. It is ``down``, ``up``, or ``unsure``: told to be up, and not confirmed."""

    def __init__(self, line: Line, law: Law, reports: Reports) -> None:
        self._line, self._law, self._reports = line, law, reports
        self._state, self._why = "unsure", "starting"
        self._open = self._lost = False
        self._tries = 0  # to get it up, in vain
        self._late = False  # the last answer did not come in time, and was asked for once more
        self._until = self._beat = self._told = self._sure = self._accounted = time.monotonic()

    def start(self) -> None:
        """Open the line and command it up. Raises LineFault."""
        try:
            self._opened()
            self._command(False, CALL_S)
        except LineFault as exc:
            self.close()
            self._reports.say(line="late", why=f"{exc}; opened once more")
            self._opened()
            self._command(False, CALL_S)
        self._state, self._accounted = "up", time.monotonic()
        self._reports.say(ready=True)

    def turn(self, messages: list[Message | None]) -> None:
        """Obey, look at the clock, act. Raises nothing that a line may raise."""
        was_late = self._late
        for message in messages:
            self._obey(message)
        now = self._account()
        if self._state == "down":
            if why := self._why_up(now):
                self.up(why)
            elif now - self._told >= REFRESH_S:
                self._refresh()
        elif self._state == "unsure":
            if was_late or not self._late:  # else once more when what was said meanwhile is answered
                self._try_up()
        elif now - self._told >= IDLE_S:
            self._told = now
            self._state, self._why = "unsure", _LOOKED_AFTER
            self._try_up()
            if self._late:  # at once: who asks for the key meanwhile is not to be refused
                self._try_up()

    @property
    def wake_in_s(self) -> float:
        """When the next turn is due at the latest."""
        if self._state == "unsure":
            return RETRY_S if self._tries > 1 else 0.0  # a fresh connection may do at once what the old one did not
        due = self._told + (IDLE_S if self._state == "up" else REFRESH_S)
        if self._state == "down":
            due = min(due, self._until, self._beat + self._law.heartbeat_s)
        return max(due - time.monotonic(), 0.0)

    @property
    def is_up(self) -> bool:
        """Confirmed."""
        return self._state == "up"

    def up(self, why: str) -> None:
        """Command up, then say so; where that fails, close the line and go on trying."""
        if self._state != "up":
            self._account()
            self._state, self._why = "unsure", why
            self._try_up()

    def close(self) -> None:
        """Let go of the line."""
        self._open = False
        with contextlib.suppress(LineFault):
            bounded(CALL_S, self._line.close)

    def _obey(self, message: Message | None) -> None:
        match message:
            case {"beat": int(n), **rest} if not rest:
                # When it was sent counts, not when a slow line let us hear it; and no beat comes from the future.
                self._beat = max(self._beat, min(n, time.monotonic_ns()) / 1e9)
                heat = self._law.heat.fraction if self._law.heat else None
                self._reports.say(beat=n % 2**63, down=self._state == "down", heat=heat)
            case {"up": True, **rest} if not rest:
                self.up(ASKED)
            case {"down": for_s, **rest} if not rest:
                self._down(for_s)
            case {"line": _} | {"key_down_s": _} | {"heartbeat_s": _} | {"heat": _}:
                self._reports.say(refused="the limits are those of the first message")
            case _:
                self.up(_NO_SENSE)
                self._reports.say(refused=_NO_SENSE)

    def _down(self, asked: object) -> None:
        try:
            for_s = _number(asked)
        except ValueError as exc:
            self._reports.say(refused=str(exc))
            return
        if why := self._against(for_s):
            self._reports.say(**why)
            return
        t = time.monotonic_ns()
        now = self._beat = self._told = time.monotonic()
        self._until, self._state, self._why = now + for_s, "unsure", "the key did not go down"
        try:
            try:
                self._command(True, CALL_S)
            except LineFault as exc:  # nothing said meanwhile waits long: who asked waits for the answer
                if not self._may_be_late(exc, now):
                    raise
                self._command(True, max((now + SURE_S - time.monotonic()) / 2, 0.05))  # two calls
        except LineFault as exc:
            self.up(f"{LINE_FAILED} failed: {exc}")
            self._reports.say(refused=f"{LINE_FAILED} failed: {exc}")
        else:
            self._confirmed("down")
            self._reports.say(edge="down", why=ASKED, t=t, took=time.monotonic_ns() - t)

    def _against(self, for_s: float) -> Message:
        """What forbids such a key-down, as it is told; empty for nothing."""
        if self._state == "unsure":
            return {"refused": f"{LINE_FAILED} does not confirm that it is up"}
        if self._state == "down":
            return {"refused": "the key is down already; its time is not extended"}
        if for_s > self._law.key_down_s:
            return {"refused": f"{for_s:g} s is longer than the limit of {self._law.key_down_s:g} s"}
        self._account()
        if self._law.heat and (wait_s := self._law.heat.wait_s(self._law.assumed_w, for_s)) > 0:
            what = f"for {for_s:g} s at {self._law.assumed_w:g} W"
            if math.isinf(wait_s):
                return {"refused": f"the dummy load is too small {what}"}
            return {"refused": f"the dummy load must rest {wait_s:.1f} s {what}", "wait_s": wait_s}
        return {}

    def _why_up(self, now: float) -> str:
        if now - self._beat >= self._law.heartbeat_s:
            return f"no heartbeat for {self._law.heartbeat_s:g} s"
        if now >= self._until:
            return IN_TIME
        if self._law.heat and self._law.heat.fraction >= 1:
            return "the dummy load's heat budget is used up"
        return ""

    def _account(self) -> float:
        """Heat the load for the time since the last call: a key that may be down counts as down."""
        now = time.monotonic()
        if self._law.heat:
            self._law.heat.advance(now - self._accounted, 0.0 if self._state == "up" else self._law.assumed_w)
        self._accounted = now
        return now

    def _refresh(self) -> None:
        """Is the line still there, and down? One that somebody else opened is not closed again."""
        self._told = time.monotonic()
        limit_s = min(AGAIN_S, max(self._sure + SURE_S - self._told, 0.05)) if self._late else CALL_S
        try:
            down = bounded(limit_s, self._line.read_back)
            if down is None:
                bounded(limit_s, lambda: self._line.set(True))
            elif not down:
                raise _Contrary("it reads back as up")
        except LineFault as exc:
            if self._may_be_late(exc, self._sure):
                self._told -= REFRESH_S  # once more, as soon as it is known what was said meanwhile
            else:
                self.up(f"{LINE_FAILED} failed: {exc}")
        else:
            self._confirmed("down")

    def _try_up(self) -> None:
        t, asked, was_open = time.monotonic_ns(), time.monotonic(), self._open
        try:
            if not was_open:
                self._opened()
            self._command(False, AGAIN_S if self._late else CALL_S)
        except LineFault as exc:
            if was_open and self._may_be_late(exc, asked):
                return
            if not self._lost:  # saying never waits, closing may
                self._lost = True
                self._reports.say(line="lost", why=f"not confirmed up ({self._why}): {exc}")
            self.close()
            self._tries += 1
            return
        self._account()
        self._confirmed("up")
        self._tries = 0
        if self._lost or self._why != _LOOKED_AFTER:
            self._reports.say(edge="up", why=self._why, t=t, took=time.monotonic_ns() - t)
        if self._lost:
            self._lost = False
            self._reports.say(line="back", why="confirmed up")

    def _may_be_late(self, exc: LineFault, since: float) -> bool:
        """Whether there is time to ask once more, and nothing speaks against it."""
        if self._late or isinstance(exc, _Contrary | BrokenInto) or time.monotonic() >= since + SURE_S:
            return False
        self._late = True
        self._reports.say(line="late", why=f"{exc}; asked once more")
        return True

    def _confirmed(self, state: str) -> None:
        self._state, self._late, self._sure = state, False, time.monotonic()

    def _opened(self) -> None:
        bounded(OPEN_S, self._line.open)
        self._open = True

    def _command(self, down: bool, limit_s: float) -> None:
        bounded(limit_s, lambda: self._line.set(down))
        if bounded(limit_s, self._line.read_back) is (not down):
            raise _Contrary(f"told to be {'down' if down else 'up'}, it reads back otherwise")


class _Contrary(LineFault):
    """The line answered, and it is not what it was told to be: nothing is late."""


def _number(told: object) -> float:
    if isinstance(told, bool) or not isinstance(told, int | float) or not 0 < told < math.inf:
        raise ValueError("a limit or time that is not a number above 0")
    return float(told)


def main() -> int:
    """0 when the line was confirmed up at the end, 3 when it was not or never opened, 2 for no law."""
    guard_goes_first()
    signal.signal(signal.SIGALRM, overdue)
    reports, ears = Reports(sys.stdout.fileno()), Ears(sys.stdin.fileno())
    messages: list[Message | None] = []
    while not messages and not ears.ended:
        messages = ears.hear(1.0)
    if ears.ended:
        return 2
    try:
        first = messages.pop(0) or {}
        guard = Guard(line_from(first["line"]), Law.of(first), reports)
    except (LineFault, KeyError, TypeError, ValueError) as exc:
        reports.say(gone=f"the first message is no law: {exc!r}")
        return 2
    try:
        guard.start()
    except LineFault as exc:
        guard.close()
        reports.say(gone=f"the key line cannot be opened: {exc}")
        return 3
    try:
        while not ears.ended:
            guard.turn(messages)
            reports.flush()
            if guard.is_up:
                watch_no_more()
            else:
                watch_over(guard.wake_in_s + HUNG_S)
            messages = ears.hear(guard.wake_in_s)
        why = ears.ended
    except Exception as exc:  # noqa: BLE001 - whatever it is, the key goes up first
        why = f"a fault in the guard: {exc!r}"
    return _leave(guard, reports, why)


def _leave(guard: Guard, reports: Reports, why: str) -> int:
    """Up, again and again until it is confirmed or ``LEAVE_S`` are over. The end of the process closes the line."""
    until = time.monotonic() + LEAVE_S
    guard.up(why)
    while not guard.is_up and time.monotonic() < until:
        reports.flush()
        watch_over(RETRY_S + HUNG_S)
        time.sleep(guard.wake_in_s)
        guard.turn([])
    reports.say(gone=why)
    return 0 if guard.is_up else 3


if __name__ == "__main__":
    status = 70
    try:
        status = main()
    finally:
        os._exit(status)  # a library's thread keeps nothing alive; the kernel closes the line if anything was left
