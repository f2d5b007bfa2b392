"""The guard's two pipes, neither of which it ever waits on: reports out, messages and signals in.

And the words that both ends know.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import time
from collections import deque
from collections.abc import Iterator
from typing import Any

LONGEST_LINE = 65536
LONGEST_WORDS = 300  # characters; as JSON writes them a line then stays below the pipe's atomic size, 4096 bytes
SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGUSR1, signal.SIGUSR2)
MOST_S = 600.0  # the longest key-down, whatever the law says
ASKED, IN_TIME = "asked", "the time asked for is over"  # why the key went up, where it went up as it should
LINE_FAILED = "the key line"  # how refusals begin where the guard would, but could not
Message = dict[str, Any]


class Reports:
    """Lines to a pipe that may be full, or have nobody behind it."""

    def __init__(self, descriptor: int) -> None:
        os.set_blocking(descriptor, False)
        self._descriptor = descriptor
        self._waiting: deque[bytes] = deque(maxlen=1000)

    def say(self, *, t: int | None = None, **told: object) -> None:
        """Queue one line and write what goes; edges go before beats where not everything will."""
        told["t"] = time.monotonic_ns() if t is None else t
        line = json.dumps({what: _short(said) for what, said in told.items()}).encode() + b"\n"
        if "beat" not in told or not self._waiting:
            self._waiting.append(line)
        self.flush()

    def flush(self) -> None:
        """Write what goes without waiting. Lines below the pipe's atomic size go whole or not at all."""
        with contextlib.suppress(OSError):  # full, or nobody there
            while self._waiting:
                os.write(self._descriptor, self._waiting[0])
                self._waiting.popleft()


def _short(said: object) -> object:
    """A box may say any amount, and is quoted in why its line failed."""
    return f"{said[:LONGEST_WORDS]} ..." if isinstance(said, str) and len(said) > LONGEST_WORDS else said


class Ears:
    """Lines from the parent; signals."""

    def __init__(self, descriptor: int) -> None:
        os.set_blocking(descriptor, False)
        self._descriptor, self._rest = descriptor, b""
        self.ended = ""
        self._wake, wake = os.pipe()
        for end in (self._wake, wake):
            os.set_blocking(end, False)
        signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
        for number in SIGNALS:
            signal.signal(number, self._signalled)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)

    def hear(self, wait_s: float) -> list[Message | None]:
        """What came within that time, None for a line that is no message; ``ended`` says when there is no more."""
        ready, _, _ = select.select([self._descriptor, self._wake], [], [], wait_s)
        if self._wake in ready:
            os.read(self._wake, 512)
        if self._descriptor in ready and not self._read():
            self.ended = self.ended or "the program that asked for the key is gone"
        return list(self._messages())

    def _read(self) -> bool:
        try:
            data = os.read(self._descriptor, LONGEST_LINE)
        except BlockingIOError:
            return True
        self._rest += data
        return bool(data)

    def _messages(self) -> Iterator[Message | None]:
        *lines, self._rest = self._rest.split(b"\n")
        if len(self._rest) > LONGEST_LINE:
            lines, self._rest = [*lines, b"endless"], b""
        for line in lines:
            try:
                message = json.loads(line)
            except (ValueError, RecursionError):
                message = None
            yield message if isinstance(message, dict) else None

    def _signalled(self, number: int, frame: object) -> None:
        self.ended = self.ended or f"signal {signal.Signals(number).name}"
