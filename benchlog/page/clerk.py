"""Has records worked out by a process of its own (``worker``), one at a time, and remembers those that cannot change.

After each key-up of the run that is on it asks for the record so far, and gives the feed its bands and findings: what
the page shows while the run is on is what the record will say. It takes no more than a tenth of its time for that.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from pathlib import Path
from queue import Empty, Full, Queue
from typing import Any, Literal

from benchlog.errors import BenchFailed, NotInstalled, StoreFailed, UsageError
from benchlog.page.feed import Feed

PATIENCE_S = 120.0
MOST_KEPT = 8  # documents of sessions that are over; a few MB each
MOST_WAITING = 4
IDLE_S = 120.0  # then the worker is let go
SHARE = 10  # the record of a running session is asked for again after so many times what it took

FINAL_TRIES = 20  # for the last record of a run, which no key-up asks for again
RETRY_S = 3.0

Want = Literal["record", "document", "pdf-a4", "pdf-letter"]


class Busy(BenchFailed):
    """Too many records are being asked for at once."""


class Clerk:
    """One for a page; ``close`` ends its process and its thread."""

    def __init__(self, store: Path, feed: Feed) -> None:
        self._store, self._feed = store, feed
        self._process: subprocess.Popen[bytes] | None = None
        self._turn = threading.Lock()  # one question at a time
        self._waiting = threading.BoundedSemaphore(MOST_WAITING)
        self._kept: OrderedDict[tuple[int, str, int | None, Want], dict[str, Any]] = OrderedDict()
        self._kept_lock = threading.Lock()
        self._used_at = time.monotonic()
        self._ends = threading.Event()
        self._to_look: Queue[int] = Queue(maxsize=1)
        self._thread = threading.Thread(target=self._follow, name="the page's clerk", daemon=True)
        self._thread.start()
        feed.on_key_up(self._look)

    def ask(self, session: int, digest: str | None, want: Want, revision: int | None = None) -> dict[str, Any]:
        """The worker's answer; waits for it, so never call this from the server's own loop.

        ``digest`` is the session's, None while it runs; ``revision`` the number of its newest.
        Raises UsageError, NotInstalled (for PDF), StoreFailed, BenchFailed, Busy.
        """
        key = (session, digest or "", revision, want)
        with self._kept_lock:
            if digest and (found := self._kept.get(key)):
                self._kept.move_to_end(key)
                return found
        if not self._waiting.acquire(blocking=False):
            raise Busy("too many records are being worked out", where="records", cure="Ask again in some seconds.")
        try:
            with self._turn:
                with self._kept_lock:
                    if digest and (found := self._kept.get(key)):
                        return found
                answer = self._exchange({"store": str(self._store.absolute()), "session": session, "want": want})
        finally:
            self._waiting.release()
        if digest:
            with self._kept_lock:
                self._kept[key] = answer
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
        return answer

    def close(self) -> None:
        """End it; a question that is being worked out is let go."""
        self._ends.set()
        if (process := self._process) is not None:
            process.kill()  # whoever waits for its answer finds its end
        with self._turn:
            self._kill()
        self._thread.join(5.0)

    def _look(self, session: int) -> None:
        """From the run's thread: returns at once."""
        with contextlib.suppress(Full):
            self._to_look.put_nowait(session)

    def _follow(self) -> None:
        while not self._ends.is_set():
            try:
                session = self._to_look.get(timeout=0.5)
            except Empty:
                if time.monotonic() - self._used_at > IDLE_S and self._turn.acquire(blocking=False):
                    self._kill()
                    self._turn.release()
                continue
            final = self._feed.ended(session)
            answer = self._so_far(session, FINAL_TRIES if final else 1)
            if answer is None:
                continue  # the next key-up tries again; the key-downs' own numbers were told
            if not self._ends.is_set():
                record = answer["record"]
                self._feed.results(session, record["bands"], record["findings"], final=final)
            rested_at = time.monotonic() + answer["took_s"] * (SHARE - 1)
            while not final and not self._feed.ended(session) and time.monotonic() < rested_at:
                if self._ends.wait(0.1):  # a run that is over is worked out at once: nothing is held up any more
                    return

    def _so_far(self, session: int, tries: int) -> dict[str, Any] | None:
        """The record of a run; None where it cannot be had just now, others being asked for or the store in trouble."""
        for left in reversed(range(tries)):
            with contextlib.suppress(BenchFailed, StoreFailed, UsageError):
                return self.ask(session, None, "record")
            if not left or self._ends.wait(RETRY_S):
                break
        return None

    def _exchange(self, question: dict[str, Any]) -> dict[str, Any]:
        """One question, one answer; a worker that hangs or dies is ended, and the next question starts another."""
        self._used_at = time.monotonic()
        if self._ends.is_set():
            raise BenchFailed("the page is ending", where="records")
        if self._process is None or self._process.poll() is not None:
            self._kill()
            self._process = subprocess.Popen(
                [sys.executable, "-m", "benchlog.page.worker"],
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                process_group=0,  # Ctrl-C is for the run; of one session with it, so that its niceness counts
            )
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps(question).encode() + b"\n")
            line = _line(process, PATIENCE_S)
        except (OSError, ValueError):
            line = b""
        if not line:
            self._kill()
            raise BenchFailed("the record could not be worked out", where="records", cure="Try `benchlog report`.")
        self._used_at = time.monotonic()
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            kind = NotInstalled if answer["absent"] else UsageError if answer["status"] == 2 else StoreFailed
            raise kind(answer["error"], where=answer["where"], cure=answer["cure"])
        return answer

    def _kill(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def _line(process: subprocess.Popen[bytes], wait_s: float) -> bytes:
    """One line of what it says; empty where it ends, or does not say one in time."""
    assert process.stdout is not None
    out = process.stdout.fileno()
    parts: list[bytes] = []
    deadline = time.monotonic() + wait_s
    while (left_s := deadline - time.monotonic()) > 0:
        if not select.select([out], [], [], min(left_s, 0.5))[0]:
            continue
        part = os.read(out, 1 << 20)
        if not part:
            return b""
        parts.append(part)
        if part.endswith(b"\n"):
            return b"".join(parts)
    return b""
