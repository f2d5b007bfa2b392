"""A bench, a plan and readings for the store's tests and the processes they start; all names and numbers are ours."""

from __future__ import annotations

import hashlib
import math
import os
import sqlite3
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from benchlog.clock import Clock
from benchlog.model import Reading
from benchlog.series import RawSeries
from benchlog.store import schema
from benchlog.store.connection import open_or_create
from benchlog.store.digest import Digest
from benchlog.store.writer import SessionWriter
from tests.benches import bench_of, plan_of

__all__ = ["bench_of", "plan_of"]  # beside what is made here

ROOT = Path(__file__).parents[2]
STARTED_NS = 1_795_597_389_250_000_000

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


def older(path: Path, steps: int) -> None:
    """A store as the program wrote it that knew only the first steps: made by them, filled by its own statements."""
    with closing(open_or_create(path)) as connection:
        schema.migrate(connection, path, schema.STEPS[:steps])
        session = connection.execute(
            """INSERT INTO session (kind, transmitter, serial, bench, started_ns, anchor_ns, time_factor, ended_ns,
                                    ending, bench_toml, bench_sha256, plan_toml, plan_sha256, program, digest)
               VALUES ('watch', 'Loan set 3', '42', 'Cellar bench', ?, 0, 1.0, ?, 'ended', ?, ?, ?, ?, '0.0.9', '-')""",
            (STARTED_NS, STARTED_NS + 10**9, BENCH, sha256(BENCH), PLAN, sha256(PLAN)),
        ).lastrowid
        for channel in ("power", "frequency"):
            number = connection.execute(
                "INSERT INTO channel (session, name, instrument, unit, every_ns) VALUES (?, ?, 'i', 'W', 1000)",
                (session, channel),
            ).lastrowid
            connection.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, 5, 0)", [(number, t * 1000, 90.0 + t) for t in range(50)]
            )


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def straightforward(raw: dict[str, RawSeries], bench_sha256: str, plan_sha256: str, started_ns: int) -> str:
    """As the documentation has it, a number at a time and without numpy."""
    said = f"benchlog-digest/1\n{bench_sha256}\n{plan_sha256}\n{started_ns}\n".encode()
    for name in sorted(raw):
        series = raw[name]
        said += struct.pack("<I", len(name.encode())) + name.encode() + struct.pack("<Q", len(series))
        said += b"".join(struct.pack("<q", t) for t in series.t_ns.tolist())
        for value in series.value.tolist():
            said += bytes.fromhex("000000000000f87f") if math.isnan(value) else struct.pack("<d", value)
        said += bytes(series.state.tolist())
        said += b"".join(struct.pack("<q", us) for us in series.took_us.tolist())
    return hashlib.sha256(said).hexdigest()


def stored(path: Path) -> int:
    return int(plain(path, "SELECT count(*) FROM reading")[0][0])


def until(true: Callable[[], bool], timeout_s: float = 60.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < deadline, "did not come about"
        time.sleep(0.005)


def child(code: str, *arguments: object, before: tuple[str, ...] = (), **options: Any) -> subprocess.Popen[str]:
    """A Python process of its own; ``before`` is a command that starts it."""
    return subprocess.Popen(
        [*before, sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        **options,
    )


def digest(
    raw: Mapping[str, RawSeries],
    bench_sha256: str,
    plan_sha256: str,
    started_ns: int,
    tables: Mapping[str, str] | None = None,
) -> str:
    """The fingerprint of a session's readings, all at once."""
    total = Digest(bench_sha256, plan_sha256, started_ns, tables)
    for name in sorted(raw):
        total.add(raw[name])
    return total.hexdigest()
