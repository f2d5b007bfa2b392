"""The guard as seen by the program that asks for the key.

``Guard`` starts the guard process and talks to it without ever waiting, but for the answer to a key-down or
key-up that was asked for. Nothing here keeps the transmitter safe: the other process does, and treats this one as
something that may fail at any moment.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import deque
from dataclasses import dataclass
from typing import Any, Literal, Self

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import BenchFailed, StoppedForSafety, UsageError
from benchlog.keying.limits import longest_key_down_s
from benchlog.keying.pipes import LINE_FAILED

HEARTBEAT_S = 0.6  # without one for so long the guard keys up; send one at least every half of it
ANSWER_S = 1.5  # for a key-down or key-up to be confirmed
SLACK_S = 0.15  # beyond two of the line's time-outs, a beat unanswered with the key down is a guard that hangs
LATE_S = 1.0  # a guard that answers beats has so long beyond that to key up: one call it is in, two it makes once more
READY_S = 10.0  # Python and a network box on a slow machine

Kind = Literal["down", "up", "refused", "line", "late", "gone"]


@dataclass(frozen=True, slots=True)
class KeyEvent:
    """What the guard reported.

    ``down`` and ``up`` are edges: given at ``t_ns``, confirmed ``took_ns`` later. ``line``: the line was lost (then
    nobody knows that the key is up) or is back. ``late``: an answer of the line did not come in time and was asked for
    once more. ``refused``: a key-down not done. ``gone``: the guard has ended.
    """

    kind: Kind
    t_ns: int  # CLOCK_MONOTONIC
    why: str
    took_ns: int = 0


class KeyRefused(StoppedForSafety):
    """The guard did not key down. ``wait_s``: after such a rest it would; inf where waiting does not help."""

    def __init__(self, what: str, *, wait_s: float, where: str, cure: str = "") -> None:
        super().__init__(what, where=where, cure=cure)
        self.wait_s = wait_s


class Guard:
    """One guard process, from its start to its end. For one thread. A context manager that closes itself.

    All seconds are the host's own. Raises BenchFailed where the process or its line does not come up.
    """

    def __init__(self, first: dict[str, Any], *, ready_s: float = READY_S) -> None:
        self._law = first
        self.address = str(first["line"]["address"])
        self._hung_s = SLACK_S + 2 * float(first["line"].get("options", {}).get("timeout", 0.2))
        self.is_down = False  # last confirmed, or asked for and never answered
        self.is_lost = False  # the line does not confirm that it is up
        self.heat: float | None = None  # the guard's own account of the load, at the power it assumes
        self._events: deque[KeyEvent] = deque()
        self._rest = b""
        self._beats = 0
        self._unanswered_since: float | None = None
        self._ready = self._gone = self._asked = False
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - standard error: a pipe could fill
        self._process = subprocess.Popen(
            # -P: a file called serial.py in the user's folder is nobody's key line
            [sys.executable, "-P", "-m", "benchlog.keying.guard"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            start_new_session=True,  # Ctrl-C at the terminal is for the program that keys, which then says up
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in, self._out = self._process.stdin.fileno(), self._process.stdout.fileno()
        os.set_blocking(self._in, False)
        os.set_blocking(self._out, False)
        self.pid = self._process.pid
        self._tell(first)
        if not self._await(ready_s, lambda: self._ready):
            self._kill("it did not come up in time")
            words = self._last_words()
            self.close()
            raise self._failed(words, "Is the key line's address right, and its box switched on?")

    @classmethod
    def start(cls, bench: Bench, *, clock: Clock | None = None, heat: float = 0.0) -> Guard:
        """The guard of a bench, with the limits of its file.

        Args:
            clock: of the session, where it runs faster than the host's (a simulated bench).
            heat: how hot the load is already, as a fraction of its limit.

        Raises: BenchFailed; UsageError for a bench without a key line.
        """
        return cls(first_message(bench, clock=clock, heat=heat))

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return not self._gone and self._process.poll() is None

    def down(self, for_s: float) -> None:
        """Key down for at most so long; returns when it is confirmed.

        Raises: KeyRefused, where the guard does not want to; BenchFailed, where it or its line fails. A guard that
        does not answer is ended, which closes the line.
        """
        self._drain()
        self._require()
        mark = len(self._events)
        self.beat()  # first, so that it need not wait for the line: a guard that does not answer hangs
        self._tell({"down": for_s})
        self._asked = True
        self._await(ANSWER_S, lambda: any(e.kind in ("down", "refused", "gone") for e in self._since(mark)))
        self._asked = False
        for event in self._since(mark):
            if event.kind == "down":
                return
            if event.kind == "refused" and not event.why.startswith(LINE_FAILED):
                cure = f"Wait {self._wait_s:.0f} s." if math.isfinite(self._wait_s) else ""
                raise KeyRefused(event.why, wait_s=self._wait_s, where=f"key line {self.address}", cure=cure)
            if event.kind == "refused":
                told = "It was told to be up, and that is not confirmed: switch off by hand." if self.is_lost else ""
                raise self._failed(event.why, told or "The key is up. Look at the line and its box.")
        if not self._gone:
            self._kill("it did not answer")  # its end closes the line
        self.is_down = True  # nobody knows what it did: ``up`` has a second guard say otherwise
        self._require()

    def up(self) -> None:
        """Key up; returns when it is confirmed, at once where it is up.

        A guard that does not answer is ended, which closes the line. Raises BenchFailed, where nobody confirms.
        """

        def confirmed() -> bool:
            return not self.is_down and not self.is_lost

        self._drain()
        if confirmed():
            return
        if self.alive:
            self.beat()  # first, so that it need not wait for the line: a guard that does not answer hangs
            self._tell({"up": True})
            self._await(self._hung_s + LATE_S, lambda: confirmed() or self.is_lost)
            # A line that is lost meanwhile is looked for a little longer: the guard is trying.
            if confirmed() or (self.is_lost and self._await(ANSWER_S, confirmed)):
                return
            if not self.is_lost:
                self._kill("it did not answer")
        if not self.alive:
            self._succeed()
        if not confirmed():
            why = "its line does not answer" if self.alive else self._last_words()
            raise self._failed(
                f"nobody confirms that the key is up ({why})", "Switch the transmitter off by hand, now."
            )

    def _succeed(self) -> None:
        """A second guard, for its start alone: it commands the line up. A box that holds its state needs that."""
        with contextlib.suppress(BenchFailed):
            Guard(self._law, ready_s=ANSWER_S * 2).close()
            self.is_down = self.is_lost = False
            self._events.append(KeyEvent("up", time.monotonic_ns(), "a second guard, because the first is gone"))

    def beat(self) -> None:
        """Say that the program is well; end a guard that hangs. Never waits, never raises."""
        self._drain()
        if not self.alive:
            return
        self._beats = time.monotonic_ns()
        self._tell({"beat": self._beats})
        now = time.monotonic()
        if self._unanswered_since is None:
            self._unanswered_since = now
        elif (self.is_down or self._asked) and not self.is_lost and now - self._unanswered_since > self._hung_s:
            self._kill("it did not answer")

    def edges(self) -> list[KeyEvent]:
        """What was reported since the last call."""
        self._drain()
        events = list(self._events)
        self._events.clear()
        return events

    def close(self, wait_s: float = 5.0) -> bool:
        """Key up and end the guard. True if it confirmed that the key is up; any number of times, without raising.

        A guard whose line does not confirm is left behind, trying; it ends by itself.
        """
        if not self._gone:
            with contextlib.suppress(BenchFailed):
                self.up()
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if not self._process.stdin.closed:
            self._process.stdin.close()
            self._await(wait_s, lambda: self._gone)
            self._process.stdout.close()
            self._said.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(1.0)
        return not self.is_down and not self.is_lost

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _since(self, mark: int) -> list[KeyEvent]:
        return list(self._events)[mark:]

    def _require(self) -> None:
        if not self.alive:
            raise self._failed(f"the guard is gone: {self._last_words()}", "The key is up unless its box holds it.")
        if self.is_lost:
            raise self._failed("nobody confirms that the key is up", "Switch the transmitter off by hand, now.")

    def _failed(self, what: str, cure: str) -> BenchFailed:
        return BenchFailed(what, where=f"key line {self.address}", cure=cure)

    def _tell(self, message: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):  # full: it hangs; broken: it is gone. Both are found by what is not heard
            os.write(self._in, json.dumps(message).encode() + b"\n")

    def _await(self, wait_s: float, done: Any) -> bool:
        """Beat and listen until something is so; False when it was not, or the guard is gone."""
        deadline, beat_at = time.monotonic() + wait_s, time.monotonic() + HEARTBEAT_S / 6
        self._drain()
        while not done():
            now = time.monotonic()
            if self._gone or now >= deadline:
                return bool(done())
            if now >= beat_at and self._ready and not self._process.stdin.closed:  # type: ignore[union-attr]
                self.beat()
                beat_at = now + HEARTBEAT_S / 6
            if not self._gone:
                select.select([self._out], [], [], min(deadline - now, 0.05))
                self._drain()
        return True

    def _drain(self) -> None:
        """Take what has been said. Called again after the end, it does nothing."""
        while not self._gone:
            try:
                data = os.read(self._out, 65536)
            except BlockingIOError:
                return
            if not data:
                self._ended()
                return
            *lines, self._rest = (self._rest + data).split(b"\n")
            for line in lines:
                self._hear(json.loads(line))

    def _hear(self, said: dict[str, Any]) -> None:
        if self._unanswered_since is not None:  # whatever it says, it does not hang
            self._unanswered_since = time.monotonic()
        match said:
            case {"beat": n, "heat": heat}:
                self.heat = heat
                if n == self._beats:
                    self._unanswered_since = None
            case {"ready": True}:
                self._ready = True
            case {"edge": "down" | "up" as edge, "t": t, "why": why, "took": took}:
                self.is_down = edge == "down"
                self._events.append(KeyEvent(edge, t, why, took))
            case {"refused": why, "t": t, **rest}:
                self._wait_s = rest.get("wait_s", math.inf)
                self._events.append(KeyEvent("refused", t, why))
            case {"line": "late", "why": why, "t": t}:
                self._events.append(KeyEvent("late", t, why))
            case {"line": state, "why": why, "t": t}:
                self.is_lost = state == "lost"
                self._events.append(KeyEvent("line", t, why))
            case {"gone": why}:
                self._why_gone = why

    _wait_s = math.inf
    _why_gone = ""

    def _ended(self) -> None:
        """End of its pipe: the process has let go of the line, whatever the reason."""
        self._gone = True
        status = self._process.wait()
        if not self._why_gone:
            died_of = f"signal {signal.Signals(-status).name}" if status < 0 else f"exit status {status}"
            self._why_gone = f"the guard ended by itself: {died_of}"
        self._events.append(KeyEvent("gone", time.monotonic_ns(), self._why_gone))

    def _kill(self, why: str) -> None:
        """The last resort: its end closes the line. Works on a stopped process too."""
        self._why_gone = self._why_gone or f"the guard was ended: {why}"
        self._process.kill()
        self._process.wait()
        self._drain()

    def _last_words(self) -> str:
        if self._why_gone or self._said.closed:
            return self._why_gone
        self._said.seek(0)
        lines = self._said.read().decode(errors="replace").strip().splitlines()
        return lines[-1] if lines else "no reason given"


def first_message(bench: Bench, *, clock: Clock | None = None, heat: float = 0.0) -> dict[str, Any]:
    """The guard's law, from a bench file. Raises UsageError for a bench without a key line.

    The guard sees no readings: the load's heat it reckons with ``assumed_power_w``.
    """
    if bench.key is None:
        raise UsageError(
            "this bench has no key line", where=str(bench.source.path), cure="Add a [key] table, or key by hand."
        )
    factor = 1.0 if clock is None else clock.factor
    key = bench.key
    law: dict[str, Any] = {
        "line": {
            "driver": key.driver,
            "address": key.address,
            "line": key.line,
            "options": bench.key_options.model_dump() if bench.key_options else {},
        },
        "key_down_s": longest_key_down_s(bench, factor) / factor,
        "heartbeat_s": HEARTBEAT_S,
        "heat": None,
    }
    power_w = assumed_power_w(bench)
    if bench.load is not None and power_w:
        law["heat"] = {
            "continuous_w": bench.load.continuous,
            "cooling_s": bench.load.cooling / factor,
            "fraction": heat,
            "assumed_w": power_w,
        }
    return law


def assumed_power_w(bench: Bench) -> float | None:
    """The most the load may get: the limit on forward power, else the full scale of its meter; None for neither."""
    if (limit := bench.limits.forward_power) and limit[1]:
        return limit[1]
    channel = bench.measuring("forward-power")
    return abs(channel.range_si * channel.scale) or None if channel else None
