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


Looks = Sequence[Vitals]


@dataclass(frozen=True, slots=True)
class Kind:
    """One of them: how to read it from the looks of a quarter, and what chance may add to it in half a run."""

    name: str
    of: Callable[[Looks], float]
    slack: float


def _percent_of_a_core(looks: Looks) -> float:
    lasted_s = looks[-1].at_s - looks[0].at_s
    return 100 * (looks[-1].cpu_s - looks[0].cpu_s) / lasted_s if lasted_s else 0.0


KINDS = (
    Kind("memory, MB", lambda looks: max(one.memory_mb for one in looks), 5.0),
    Kind("file descriptors", lambda looks: max(one.files for one in looks), 3),
    Kind("threads", lambda looks: max(one.threads for one in looks), 2),
    Kind("WAL, MB", lambda looks: max(one.wal_mb for one in looks), 2.0),
    Kind("processor, % of a core", _percent_of_a_core, 3.0),
)


def grows(parts: Sequence[float], slack: float) -> bool:
    """From the second quarter on nothing may; the first one fills caches."""
    return max(parts[2:]) > parts[1] + slack


def quarters(seen: Looks) -> list[Looks]:
    """The looks of each quarter of the time; none with fewer than 8, or where a quarter has none."""
    parts: list[list[Vitals]] = [[], [], [], []]
    for one in seen:
        parts[min(int(4 * one.at_s / seen[-1].at_s), 3)].append(one)
    return list(parts) if len(seen) >= 8 and all(parts) else []
