"""What the keying tests share: a first message, a guard without the client, waiting for what happens."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any, Self

from benchlog.keying.client import Guard, KeyEvent
from benchlog.simulate.keybox import KeyBox

WITHIN_S = 1.0  # the contract


def first(address: str, **law: Any) -> dict[str, Any]:
    """A guard's first message for the RTS line of a port; ``law`` changes it."""
    line = {"driver": "serial-line", "address": address, "line": "rts", "options": {}}
    return {"line": line, "key_down_s": 20.0, "heartbeat_s": 0.6, "heat": None} | law


def wait(
    what: str, so: Callable[[], bool], within_s: float = 10.0, meanwhile: Callable[[], None] | None = None
) -> None:
    """Until something is so. Fails where it does not come to be."""
    deadline = time.monotonic() + within_s
    while not so():
        assert time.monotonic() < deadline, f"not within {within_s} s: {what}"
        if meanwhile:
            meanwhile()
        time.sleep(0.02)


def un_keyed_after(box: KeyBox, since_ns: int, within_s: float = WITHIN_S) -> float:
    """Wait for the box to be up; seconds from ``since_ns`` to its own record of that."""
    wait("key up", lambda: not box.down, within_s=5.0)
    took_s = (box.edges[-1].t_ns - since_ns) / 1e9
    assert not box.edges[-1].down
    assert took_s < within_s, box.edges
    return took_s


def told(guard: Guard, kind: str, within_s: float = 5.0) -> KeyEvent:
    """Beat until the guard reports such an event."""
    found: list[KeyEvent] = []

    def look() -> bool:
        guard.beat()
        found.extend(event for event in guard.edges() if event.kind == kind)
        return bool(found)

    wait(f"a report of {kind!r}", look, within_s)
    return found[0]


class Raw:
    """A guard process without the client: any bytes in, its lines out. ``words``: what Python starts."""

    def __init__(self, message: object, words: Sequence[str] = ("-m", "benchlog.keying.guard"), **options: Any) -> None:
        self.process = subprocess.Popen(
            [sys.executable, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
            **options,
        )
        self._rest = b""
        self.tell(message)

    def tell(self, message: object) -> None:
        assert self.process.stdin is not None
        data = message if isinstance(message, bytes) else json.dumps(message).encode() + b"\n"
        self.process.stdin.write(data)

    def hear(self, key: str, within_s: float = 10.0) -> dict[str, Any]:
        """The next report with such a key; others before it are passed over."""
        assert self.process.stdout is not None
        out, deadline = self.process.stdout.fileno(), time.monotonic() + within_s
        while True:
            line, found, rest = self._rest.partition(b"\n")
            if found:
                self._rest = rest
                said: dict[str, Any] = json.loads(line)
                if key in said:
                    return said
                continue
            assert select.select([out], [], [], max(deadline - time.monotonic(), 0))[0], f"nothing said of {key!r}"
            data = os.read(out, 65536)
            assert data, f"ended, and said nothing of {key!r}: {self._rest!r}"
            self._rest += data

    def down(self, for_s: float = 10.0) -> None:
        self.tell({"down": for_s})
        assert self.hear("edge")["edge"] == "down"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()
        try:
            self.process.wait(60.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
