"""Into the store, what it takes there, and out of it again."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np

from benchlog.acquire.registry import find
from benchlog.bench import bench_from
from benchlog.clock import Clock
from benchlog.files import TomlFile
from benchlog.model import Reading
from benchlog.plan import plan_from
from benchlog.precedence import few_collections
from benchlog.store import rows
from benchlog.store.connection import open_or_create
from benchlog.store.reader import StoreReader
from benchlog.store.schema import migrate
from benchlog.store.writer import BATCH, SessionWriter
from tests.speed import long_session
from tests.speed.table import Line, Target, in_turns, rates, seconds

_TABLE = """CREATE TABLE reading (channel INTEGER NOT NULL, t_ns INTEGER NOT NULL, value REAL, how INTEGER NOT NULL,
    took_us INTEGER NOT NULL AS (how & 0xFFFFFFFFFF), note INTEGER NOT NULL AS (how >> 40),
    PRIMARY KEY (channel, t_ns), CHECK ((note = 0) = (value IS NOT NULL))) STRICT, WITHOUT ROWID"""


def _files(folder: Path) -> tuple[TomlFile, TomlFile]:
    return (
        TomlFile(folder / "bench.toml", long_session.bench_toml()),
        TomlFile(folder / "plan.toml", long_session.plan_toml()),
    )


def ingest(folder: Path, rounds: int, count: int) -> Iterator[Line]:
    """From a driver's number to the committed row, ten channels in turn, against rows to `executemany`."""
    names = list(long_session.CHANNELS)
    numbers = [(n % 10, n // 10 * 10**8 + n % 10, round(100 + n % 977 / 7, 2), 1_250_000) for n in range(count)]
    bench_file, plan_file = _files(folder)
    bench, plan = bench_from(bench_file, find), plan_from(plan_file)

    def ours() -> float:
        path = folder / "ours.benchlog"
        path.unlink(missing_ok=True)
        writer = SessionWriter.begin(path, kind="watch", bench=bench, plan=plan, clock=Clock())

        def work() -> None:
            for start in range(0, count, 50_000):  # below what a writer holds
                for channel, t_ns, value, took_ns in numbers[start : start + 50_000]:
                    writer.put(Reading.good(names[channel], t_ns, value, took_ns))  # as a bus does
                assert writer.flush(60)

        taken_s = seconds(work)
        writer.end("done")
        return taken_s

    def plain() -> float:
        path = folder / "plain.sqlite"
        path.unlink(missing_ok=True)
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            for statement in ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL", _TABLE):
                db.execute(statement)

            def work() -> None:
                for start in range(0, count, BATCH):
                    batch = [(c, t, value, ns // 1000) for c, t, value, ns in numbers[start : start + BATCH]]
                    db.execute("BEGIN")
                    db.executemany(rows.INSERT, batch)
                    db.execute("COMMIT")

            return seconds(work)

    def as_in_a_run() -> float:
        with few_collections():
            return ours()

    pairs = in_turns(rounds, as_in_a_run, plain)
    yield rates("readings to committed rows / executemany", "/s", pairs, count, Target(at_least=0.5))


def room(folder: Path, hours: float) -> Iterator[Line]:
    """The whole file, over its readings; 16 are its two numbers alone."""
    path = folder / "room.benchlog"
    count = long_session.make(path, hours)
    taken = path.stat().st_size / count
    what = f"bytes a reading, {count:,} of them / an int64 and a float64"
    yield Line(what, taken, 16, "B", [taken / 16], Target(at_most=28 / 16))


def read_back(folder: Path, rounds: int, count: int) -> Iterator[Line]:
    """One channel into arrays of numpy, against the same columns by `fetchall` and ``numpy.array``."""
    path = folder / "channel.benchlog"
    bench_file, plan_file = _files(folder)
    bench, plan = bench_from(bench_file, find), plan_from(plan_file)
    with closing(open_or_create(path)) as connection:
        migrate(connection, path)
        connection.execute("PRAGMA synchronous = OFF")
        with rows.transaction(connection):
            session, ids = rows.add_session(connection, "watch", bench, plan, Clock())
        channel = ids["power"]
        rng = np.random.default_rng(3)
        for start in range(0, count, 200_000):
            n = min(200_000, count - start)
            t_ns = np.arange(start, start + n) * 10**8 + rng.integers(200_000, 1_500_000, n)
            parts = ([channel] * n, t_ns.tolist(), rng.normal(100, 1, n).tolist(), rng.integers(400, 3000, n).tolist())
            with rows.transaction(connection):
                connection.executemany(rows.INSERT, zip(*parts, strict=True))
    reader = StoreReader.open(path)
    (stored,) = (one for one in reader.session(session).channels if one.name == "power")
    kept: list[object] = []

    def ours() -> float:
        def work() -> None:
            (found,) = reader.rows((stored,))
            kept.append(found.series("power", {0: "good"}))

        taken_s = seconds(work)
        assert len(kept.pop()) == count  # type: ignore[arg-type]
        return taken_s

    def plain() -> float:
        def work() -> None:
            with closing(sqlite3.connect(path)) as db:
                asked = "SELECT t_ns, value, took_us, note FROM reading WHERE channel = ? ORDER BY t_ns"
                found = db.execute(asked, (channel,)).fetchall()
            kept.append(np.array(found, dtype="i8, f8, i8, i8"))

        taken_s = seconds(work)
        assert len(kept.pop()) == count  # type: ignore[arg-type]
        return taken_s

    ours()  # the file's pages are in memory for both, and what is imported is
    pairs = in_turns(rounds, ours, plain)
    yield rates(f"readings of {count:,} into numpy / fetchall", "/s", pairs, count, Target(at_least=4))
    os.unlink(path)
