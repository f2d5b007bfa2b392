"""What `scripts/bench` runs: start-up, polling, ingest and memory, each beside a plain baseline of the same run."""

from __future__ import annotations

import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.clock import Clock
from benchlog.driver import Settings
from benchlog.model import Reading
from benchlog.plan import load_plan
from benchlog.simulate.process import BenchProcess
from benchlog.store.writer import SessionWriter

ROOT = Path(__file__).parent.parent
COMMAND = str(Path(sys.executable).parent / "benchlog")


def row(what: str, ours: str, plain: str, ratio: str) -> None:
    """One line of the table."""
    print(f"{what:<44} {ours:>16} {plain:>16} {ratio:>10}")


def seconds(work: Callable[[], object], times: int) -> float:
    """Median of some runs."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def start_up() -> None:
    """Whole processes, against an interpreter that does nothing."""
    plain_s = seconds(lambda: subprocess.run([sys.executable, "-c", "pass"], check=True), 15)
    help_s = seconds(lambda: subprocess.run([COMMAND, "--help"], check=True, stdout=subprocess.DEVNULL), 15)
    row(
        "benchlog --help / python -c pass",
        f"{help_s * 1e3:.0f} ms",
        f"{plain_s * 1e3:.0f} ms",
        f"{help_s / plain_s:.1f}",
    )


def polling(questions: int = 5_000) -> None:
    """One SCPI instrument flat out through its driver, against a bare socket asking the same."""
    driver = find("scpi")
    assert not isinstance(driver, str)
    served = (  # in a process of its own: in this one it would take turns with who asks
        "import sys; from benchlog.simulate.wire import TcpWire\n"
        "with TcpWire(lambda q: 'Example,1,2,3' if q == '*IDN?' else '+1.234E+01') as wire:\n"
        "    print(wire.port, flush=True); sys.stdin.read()"
    )
    with subprocess.Popen([sys.executable, "-c", served], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as server:
        assert server.stdout
        port = int(server.stdout.readline())
        ours = driver(Settings("meter", f"TCPIP::127.0.0.1::{port}::SOCKET", options=driver.Options()))
        ours.open()
        ours_s = seconds(lambda: [ours.ask("MEAS:POW?") for _ in range(questions)], 3)
        ours.close()
        with socket.create_connection(("127.0.0.1", port)) as plain:

            def bare() -> None:
                for _ in range(questions):
                    plain.sendall(b"MEAS:POW?\n")
                    float(plain.recv(4096))

            plain_s = seconds(bare, 3)
        server.communicate()
    rates = questions / ours_s, questions / plain_s
    row(
        "SCPI questions a second / bare socket",
        f"{rates[0]:,.0f}/s",
        f"{rates[1]:,.0f}/s",
        f"{rates[0] / rates[1]:.2f}",
    )


def ingest(rows: int = 200_000) -> None:
    """Readings through the writer to the disk, against bare `executemany` into the same columns."""
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(ROOT / "config/plan.toml")
    with tempfile.TemporaryDirectory() as folder:
        writer = SessionWriter.begin(Path(folder) / "a", kind="watch", bench=bench, plan=plan, clock=Clock())
        readings = [Reading("power", i * 10**6, 100.0 + i % 7, 250_000) for i in range(rows)]
        start = time.perf_counter()
        for chunk in range(0, rows, 50_000):  # below what the writer holds, as in life
            for reading in readings[chunk : chunk + 50_000]:
                writer.put(reading)
            writer.flush(60)
        ours_s = time.perf_counter() - start
        writer.end("done")
        db = sqlite3.connect(Path(folder) / "b", isolation_level=None)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute(
            "CREATE TABLE reading (channel INTEGER, t_ns INTEGER, value REAL, took_us INTEGER, note INTEGER,"
            " PRIMARY KEY (channel, t_ns)) STRICT, WITHOUT ROWID"
        )
        bare = [(1, i * 10**6, 100.0 + i % 7, 250, 0) for i in range(rows)]
        start = time.perf_counter()
        for chunk in range(0, rows, 1_000):
            db.execute("BEGIN")
            db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", bare[chunk : chunk + 1_000])
            db.execute("COMMIT")
        plain_s = time.perf_counter() - start
        db.close()
    row(
        "readings kept a second / executemany",
        f"{rows / ours_s:,.0f}/s",
        f"{rows / plain_s:,.0f}/s",
        f"{plain_s / ours_s:.2f}",
    )


def memory() -> None:
    """A watch with one measured key-down, against an interpreter that has imported numpy."""
    with tempfile.TemporaryDirectory() as folder, BenchProcess(Path(folder), time_factor=6, script="free") as bench:
        bench.start()
        words = ["watch", "--bench", bench.bench_file, "--plan", bench.plan_file, "--store", Path(folder) / "s"]
        with subprocess.Popen(
            [COMMAND, *map(str, words)], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        ) as logger:
            assert logger.stderr
            for line in logger.stderr:
                if line.startswith("Session"):
                    bench.tell("key down")
                if line.startswith("Heard"):
                    time.sleep(2)
                    bench.tell("key up")
                if "key up after" in line:
                    break
            ours_kb = peak_kb(logger.pid)
            logger.send_signal(signal.SIGINT)
            logger.communicate()
    code = "import numpy, sys; print(flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as plain:
        assert plain.stdout
        plain.stdout.readline()
        plain_kb = peak_kb(plain.pid)
        plain.communicate()
    row(
        "peak memory of a running logger / numpy",
        f"{ours_kb / 1e3:.0f} MB",
        f"{plain_kb / 1e3:.0f} MB",
        f"{ours_kb / plain_kb:.1f}",
    )


def peak_kb(pid: int) -> float:
    """In units of 1024 bytes, as the kernel has it."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(float(line.split()[1]) * 1.024 for line in status.splitlines() if line.startswith("VmHWM"))


if __name__ == "__main__":
    row("", "benchlog", "plain", "ratio")
    for bench in (start_up, polling, ingest, memory):
        bench()
