"""Telling somebody who is not looking: a command of the user's choice, a webhook, or both.

Each has a thread of its own and a queue: whoever gives a notice never waits, a webhook that hangs holds up neither a
run nor the command, and what could not be delivered is in the log. Nothing here raises.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any, Literal
from urllib.parse import urlsplit

from benchlog import precedence
from benchlog.clock import rfc3339
from benchlog.daemon.logs import log, warn
from benchlog.timetable import Notices

Kind = Literal[
    "run-ended",
    "run-failed",
    "stopped-for-safety",
    "paused-for-safety",
    "missed-start",
    "calibration-due",
    "backup-failed",
]
Notice = Mapping[str, Any]
SCHEMA = "benchlog-notice/1"
PAUSES_S = (1.0, 5.0)  # before the second try, and before the third and last
MOST_WAITING = 1000


class Teller:
    """Everybody who is to be told."""

    def __init__(self, notices: Notices, bench: str) -> None:
        self._bench = bench
        self._channels: list[_Channel] = []
        if notices.command:
            command = notices.command
            self._channels.append(_Channel("command", lambda n: run_command(command, n, notices.timeout)))
        if notices.webhook:
            address = notices.webhook
            self._channels.append(_Channel("webhook", lambda n: post(address, n, notices.timeout)))

    def tell(self, kind: Kind, text: str, **facts: Any) -> None:
        """Give one notice; returns at once."""
        time_ns = time.time_ns()
        notice = {"schema": SCHEMA, "kind": kind, "time": rfc3339(time_ns), "bench": self._bench, "text": text} | facts
        for channel in self._channels:
            channel.put(notice)

    def close(self, wait_s: float) -> None:
        """Let what waits go out for so long; what does not is in the log."""
        until = time.monotonic() + wait_s
        for channel in self._channels:
            channel.close(until)


class _Channel:
    def __init__(self, name: str, deliver: Callable[[Notice], None]) -> None:
        self._name, self._deliver = name, deliver
        self._waiting: queue.SimpleQueue[Notice | None] = queue.SimpleQueue()
        self._ends = threading.Event()
        # A daemon: somebody's hanging web server must not keep this program from ending.
        self._thread = threading.Thread(target=self._work, name=f"notices by {name}", daemon=True)
        self._thread.start()

    def put(self, notice: Notice) -> None:
        if self._waiting.qsize() < MOST_WAITING:
            self._waiting.put(notice)
        else:
            warn(f"a notice is lost: {MOST_WAITING} wait for the {self._name} already", notice=notice)

    def close(self, until: float) -> None:
        self._ends.set()
        self._waiting.put(None)
        self._thread.join(max(0.0, until - time.monotonic()))
        if self._thread.is_alive():
            warn(f"the {self._name} has not taken every notice; they are lost", waiting=self._waiting.qsize())

    def _work(self) -> None:
        while (notice := self._waiting.get()) is not None:
            for pause_s in (*PAUSES_S, None):
                try:
                    self._deliver(notice)
                    log(f"told by {self._name}: {notice['text']}", kind=notice["kind"])
                    break
                except Exception as exc:  # noqa: BLE001 - other people's programs and servers: anything may come
                    warn(f"a notice could not be delivered by {self._name}: {exc}", notice=notice)
                    if pause_s is None or self._ends.wait(pause_s):
                        break


def run_command(command: tuple[str, ...], notice: Notice, timeout_s: float) -> None:
    """The notice as JSON on its standard input, and its plain facts as BENCHLOG_NOTICE_KIND, BENCHLOG_NOTICE_TEXT ...

    Raises OSError, where it cannot be started; RuntimeError, where it ends with another status than 0 or not in time.
    """
    facts = {
        f"BENCHLOG_NOTICE_{key.upper()}": str(value).replace("\0", "")
        for key, value in notice.items()
        if isinstance(value, str | int | float)
    }
    precedence.stand_back()  # in a thread of notices' own
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **facts},
        start_new_session=True,  # so that what it started can be ended with it
    ) as process:
        try:
            process.communicate(json.dumps(notice).encode(), timeout=timeout_s)
        except subprocess.TimeoutExpired:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            raise RuntimeError(f"{command[0]} took longer than {timeout_s:g} s and was ended") from None
    if process.returncode:
        raise RuntimeError(f"{command[0]} ended with status {process.returncode}")


def post(address: str, notice: Notice, timeout_s: float) -> None:
    """The notice as JSON to a web server; anything but a 2xx is a failure, and redirects are not followed.

    Raises OSError, http.client.HTTPException, RuntimeError.
    """
    parts = urlsplit(address)
    secure = parts.scheme == "https"
    kind = http.client.HTTPSConnection if secure else http.client.HTTPConnection
    connection = kind(parts.hostname or "", parts.port, timeout=timeout_s)
    # The time-out is one of each step; a server that sends a byte at a time would never meet it.
    cut = threading.Timer(timeout_s, _cut, [connection])
    cut.daemon = True
    cut.start()
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection.request("POST", path, json.dumps(notice).encode(), {"Content-Type": "application/json"})
        status = connection.getresponse().status
    finally:
        cut.cancel()
        connection.close()
    if not 200 <= status < 300:
        raise RuntimeError(f"{parts.hostname} answered with status {status}")


def _cut(connection: http.client.HTTPConnection) -> None:
    if connection.sock is not None:
        with contextlib.suppress(OSError):
            connection.sock.shutdown(socket.SHUT_RDWR)
