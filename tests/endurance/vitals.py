"""What a process takes, looked at from outside every few seconds."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Vitals:
    """One look. ``at_s`` counts from the first."""

    at_s: float
    memory_mb: float  # resident, of the daemon; its guard and the page's worker are processes of their own
    files: int  # descriptors
    threads: int
    wal_mb: float
    cpu_s: float = 0.0  # of processor time since the process began


class Watcher(threading.Thread):
    """Looks every ``every_s`` until told to stop, or the process is gone."""

    def __init__(self, pid: int, store: Path, every_s: float) -> None:
        super().__init__(name="vitals", daemon=True)
        self.seen: list[Vitals] = []
        self._pid, self._wal, self._every_s = pid, store.with_name(store.name + "-wal"), every_s
        self._over = threading.Event()

    def run(self) -> None:
        """The thread's work."""
        began = time.monotonic()
        while not self._over.wait(self._every_s):
            with contextlib.suppress(OSError):
                self.seen.append(self._look(time.monotonic() - began))

    def stop(self) -> None:
        """Returns when the last look is over."""
        self._over.set()
        self.join()

    def _look(self, at_s: float) -> Vitals:
        process = Path(f"/proc/{self._pid}")
        status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines())
        stat = (process / "stat").read_text().rpartition(")")[2].split()
        wal = self._wal.stat().st_size if self._wal.exists() else 0
        return Vitals(
            at_s,
            memory_mb=int(status["VmRSS"].split()[0]) / 1024,
            files=len(list((process / "fd").iterdir())),
            threads=int(status["Threads"]),
            wal_mb=wal / 2**20,
            cpu_s=sum(map(int, stat[11:13])) / os.sysconf("SC_CLK_TCK"),
        )


@dataclass(frozen=True, slots=True)
class Kind:
    """One of them: how to read it, and what chance may add to it in half a run."""

    name: str
    of: Callable[[Vitals], float]
    slack: float


KINDS = (
    Kind("memory, MB", lambda one: one.memory_mb, 5.0),
    Kind("file descriptors", lambda one: one.files, 3),
    Kind("threads", lambda one: one.threads, 2),
    Kind("WAL, MB", lambda one: one.wal_mb, 2.0),
)


def grows(parts: Sequence[float], kind: Kind) -> bool:
    """From the second quarter on nothing may; the first one fills caches."""
    return max(parts[2:]) > parts[1] + kind.slack


def quarters(seen: Sequence[Vitals], of: Callable[[Vitals], float]) -> list[float]:
    """The largest value in each quarter of the time; empty with fewer than 8 looks."""
    if len(seen) < 8:
        return []
    last_s = seen[-1].at_s
    parts: list[list[float]] = [[], [], [], []]
    for one in seen:
        parts[min(int(4 * one.at_s / last_s), 3)].append(of(one))
    return [max(part, default=0.0) for part in parts]
