"""What the system's service manager wants to hear: ready, alive, stopping.

Source: sd_notify(3): datagrams of NAME=VALUE lines to the AF_UNIX socket that NOTIFY_SOCKET names, "@" for the abstract
namespace; WATCHDOG_USEC and, where given, WATCHDOG_PID for whom it is meant (from memory).
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Manager:
    """The service manager, or nobody where the program was started by hand. Never waits, never raises."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        told = environ.get("WATCHDOG_USEC", "")
        meant = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.watchdog_s: float | None = int(told) / 1e6 if told.isdecimal() and int(told) and meant else None

    def ready(self, status: str) -> None:
        """The daemon answers, and its timetable runs."""
        self._say(f"READY=1\nSTATUS={status}")

    def alive(self, status: str) -> None:
        """Feed the watchdog."""
        self._say(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """It ends, and the run with it."""
        self._say("STOPPING=1")

    def _say(self, text: str) -> None:
        if not self._address:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.sendto(text.replace("\r", " ").encode(), self._address)
