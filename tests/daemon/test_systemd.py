"""What the service manager hears, on its own kind of socket."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from benchlog.daemon.systemd import Manager


@pytest.mark.parametrize("abstract", [False, True])
def test_the_manager_hears_ready_alive_and_stopping(tmp_path: Path, abstract: bool) -> None:
    name = f"@benchlog-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind("\0" + name[1:] if abstract else name)
        line.settimeout(60)
        manager = Manager({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "30000000"})
        assert manager.watchdog_s == 30
        manager.ready("no run is on")
        manager.alive("soak session 3")
        manager.stopping()
        assert [line.recv(200) for _ in range(3)] == [
            b"READY=1\nSTATUS=no run is on",
            b"WATCHDOG=1\nSTATUS=soak session 3",
            b"STOPPING=1",
        ]


def test_nobody_there_is_nothing_to_worry_about(tmp_path: Path) -> None:
    Manager({}).ready("x")
    Manager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).stopping()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "full"))
        manager = Manager({"NOTIFY_SOCKET": str(tmp_path / "full")})
        for _ in range(5000):  # nobody reads: it must not wait
            manager.alive("x")


@pytest.mark.parametrize("environ", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "x"},
                                     {"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}])  # fmt: skip
def test_no_watchdog_is_meant(environ: dict[str, str]) -> None:
    assert Manager(environ).watchdog_s is None
