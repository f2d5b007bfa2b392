"""A bench, a plan and readings for the store's tests and the processes they start; all names and numbers are ours."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from benchlog.clock import Clock
from benchlog.model import Reading
from benchlog.store.writer import SessionWriter
from tests.benches import bench_of, plan_of

__all__ = ["bench_of", "plan_of"]  # beside what is made here

ROOT = Path(__file__).parents[2]

BENCH = """\
# Kept word for word: this comment, too – and a µ.
[bench]
name = "Cellar bench"

[[instrument]]
name = "wattmeter"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"

[[instrument.channel]]
name = "power"
measures = "forward-power"
unit = "W"
every = "200 ms"

[[instrument.channel]]
name = "back"
measures = "reflected-power"
unit = "mW"

[[instrument]]
name = "counter"
driver = "scpi"
address = "TCPIP::127.0.0.1::5026::SOCKET"

[[instrument.channel]]
name = "frequency"
measures = "frequency"
unit = "MHz"

[[instrument]]
name = "by eye"
driver = "typed"

[[instrument.channel]]
name = "plate"
measures = "plate-voltage"
unit = "V"

[[instrument.channel]]
name = "glow, in words of one number"
unit = "%"
"""
CHANNELS = ["power", "back", "frequency", "plate", "glow, in words of one number"]

PLAN = """\
[transmitter]
name = "Loan set 3"
serial = "0042"

[[band]]
name = "30 m"
dial = "10.120 MHz"
min_power = "60 W"
"""


def begin(path: Path, clock: Clock | None = None) -> SessionWriter:
    return SessionWriter.begin(path, kind="watch", bench=bench_of(BENCH), plan=plan_of(PLAN), clock=clock or Clock())


def good(number: int, channel: str = "power") -> Reading:
    return Reading(channel, number * 200_000_000, 90 + number / 8, took_ns=3_400_900)


def plain(path: Path, sql: str, *values: Any) -> list[Any]:
    """Through a second connection, of nothing but Python's own."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql, values).fetchall()


def reasons(path: Path, channel: str) -> list[tuple[int, int, str, str, str]]:
    """The slots of a channel without a value, of all sessions: t_ns, took_us, state, reason, what was said."""
    sql = "SELECT t_ns, took_us, state, reason, said FROM reading JOIN note ON note.id = note WHERE note != 0 AND "
    return plain(path, sql + "channel IN (SELECT id FROM channel WHERE name = ?) ORDER BY channel, t_ns", channel)


def stored(path: Path) -> int:
    return int(plain(path, "SELECT count(*) FROM reading")[0][0])


def until(true: Callable[[], bool], timeout_s: float = 60.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < deadline, "did not come about"
        time.sleep(0.005)


def child(code: str, *arguments: object, before: tuple[str, ...] = (), **options: Any) -> subprocess.Popen[str]:
    """A Python process of its own; ``before`` is a command that starts it."""
    paths = os.pathsep.join([str(ROOT), str(Path(__file__).parent)])
    return subprocess.Popen(
        [*before, sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": paths},
        **options,
    )
