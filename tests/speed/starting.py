"""Whole processes from nothing, and what a running logger holds."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from benchlog.simulate.process import BenchProcess
from tests.speed import long_session
from tests.speed.table import COMMAND, Line, compared, cost


def start_up(folder: Path, rounds: int) -> Iterator[Line]:
    """Against an interpreter that does nothing, and one that imports what any figure needs."""
    store = folder / "small.benchlog"
    long_session.make(store, 0.1)
    commands = {"--help": ["--help"], "report, 6 min": ["report", "last", "--store", str(store)]}
    codes = ("pass", "import numpy, matplotlib")
    taken = [
        ({name: cost(COMMAND, *words).wall_s for name, words in commands.items()}, [_python_s(code) for code in codes])
        for _ in range(rounds)
    ]
    for name in commands:
        for n, code in enumerate(codes):
            pairs = [(ours[name], plain[n]) for ours, plain in taken]
            yield compared(f"benchlog {name} / python -c '{code}'", "ms", pairs, per=1e3)


def _python_s(code: str) -> float:
    return cost(sys.executable, "-c", code).wall_s


def memory(folder: Path) -> Iterator[Line]:
    """A watch with one measured key-down, against an interpreter that has imported numpy."""
    with BenchProcess(folder, time_factor=6, script="free") as bench:
        bench.start()
        words = ["watch", "--bench", bench.bench_file, "--plan", bench.plan_file, "--store", folder / "watch.benchlog"]
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
            ours_mb = peak_mb(logger.pid)
            logger.send_signal(signal.SIGINT)
            logger.communicate()
    yield compared(
        "peak memory of a running logger / import numpy",
        "MB",
        [(ours_mb, cost(sys.executable, "-c", "import numpy").peak_mb)],
    )


def peak_mb(pid: int) -> float:
    """As the kernel has it."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(float(line.split()[1]) * 1.024e-3 for line in status.splitlines() if line.startswith("VmHWM"))
