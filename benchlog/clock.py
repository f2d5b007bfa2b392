"""The one clock of a session.

Deadlines and order come from the host's monotonic clock, dates from its UTC clock, read together once at
the start: ``t_ns`` counts nanoseconds since then and never steps, whatever happens to the host's date.
``step_s`` tells when it did. On a simulated bench, and only there, a session's clock may run faster.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta


class Clock:
    """Counts a session's time from the moment it is made.

    Args:
        factor: session seconds per real second; anything but 1 is for the simulated bench (``simulate.lease``).
        monotonic_ns, utc_ns: where the host's time comes from; tests hand in their own.
    """

    def __init__(
        self,
        factor: float = 1.0,
        *,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.factor = factor
        self._monotonic_ns, self._utc_ns = monotonic_ns, utc_ns
        self.anchor_ns = monotonic_ns()  # on the host's monotonic clock, which all its processes share
        self.started_ns = utc_ns()  # Unix epoch
        self._last_offset_ns = 0

    @classmethod
    def resumed(cls, anchor_ns: int, started_ns: int, factor: float) -> Clock:
        """The clock of a session that another process of this host started, and that is still running."""
        clock = cls(factor)
        clock.anchor_ns, clock.started_ns = anchor_ns, started_ns
        return clock

    def t_ns(self) -> int:
        """Nanoseconds of session time since the start."""
        elapsed = self._monotonic_ns() - self.anchor_ns
        return elapsed if self.factor == 1.0 else round(elapsed * self.factor)

    def wait_until(self, t_ns: int, stop: threading.Event) -> bool:
        """Sleep to an absolute session time. True if ``stop`` was set; at once where the time is past."""
        while (left_ns := t_ns - self.t_ns()) > 0:
            if stop.wait(left_ns / 1e9 / self.factor):
                return True
        return stop.is_set()

    def real_s(self, session_s: float) -> float:
        """A span of session time on the host's clock: what a time-out must be set to."""
        return session_s / self.factor

    def step_s(self) -> float | None:
        """By how much the host's date stepped against its monotonic clock since the last call; None below 0.1 s.

        Slow steering (NTP slewing, at most 500 ppm) stays below that when this is asked at least every minute.
        """
        real_elapsed = self._monotonic_ns() - self.anchor_ns
        offset = self._utc_ns() - self.started_ns - real_elapsed
        step = (offset - self._last_offset_ns) / 1e9
        self._last_offset_ns = offset
        return step if abs(step) >= 0.1 else None


def utc(epoch_ns: int) -> datetime:
    """Nanoseconds since the Unix epoch as a date; exact to the microsecond."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=epoch_ns // 1000)


def rfc3339(epoch_ns: int, digits: int = 3) -> str:
    """``2026-11-25T09:03:09.250Z``; ``digits`` of the second, 9 for all."""
    whole, part = divmod(epoch_ns, 10**9)
    text = datetime.fromtimestamp(whole, tz=UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{part:09d}"[: 20 + digits].rstrip(".") + "Z"
