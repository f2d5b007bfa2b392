"""A run in a process of its own, followed line by line, keyed by the test."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import COMMAND, FACTOR

PATIENCE_S = 120.0


class Running:
    """A run in a process of its own, followed line by line."""

    def __init__(self, *words: object, code: str = "") -> None:
        command = [sys.executable, "-c", code] if code else [COMMAND]
        self.process = subprocess.Popen(
            [*command, *map(str, words)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.told: list[str] = []
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._follow)
        self._reader.start()

    def _follow(self) -> None:
        assert self.process.stderr
        for line in self.process.stderr:
            with self._news:
                self.told.append(line)
                self._news.notify_all()
        with self._news:
            self._news.notify_all()

    def wait_for(self, text: str, times: int = 1) -> None:
        with self._news:
            arrived = self._news.wait_for(lambda: sum(text in line for line in self.told) >= times, PATIENCE_S)
        assert arrived, f"{text!r} never came; told: {''.join(self.told)}"

    def type(self, line: str) -> None:
        assert self.process.stdin
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def stop(self, number: signal.Signals) -> tuple[int, str]:
        self.process.send_signal(number)
        assert self.process.stdout
        patience = threading.Timer(PATIENCE_S, self.process.kill)  # it fails, and not all tests after it
        patience.start()
        out = self.process.stdout.read()
        status = self.process.wait(PATIENCE_S)
        patience.cancel()
        patience.join()
        self._reader.join()
        return status, out


@contextmanager
def run(*words: object, code: str = "") -> Iterator[Running]:
    running = Running(*words, code=code)
    try:
        yield running
    finally:
        if running.process.poll() is None:
            running.process.kill()
            running.process.wait()
        running._reader.join()
        for pipe in (running.process.stdin, running.process.stdout, running.process.stderr):
            if pipe:
                pipe.close()


def files(bench: BenchProcess, store: Path) -> tuple[object, ...]:
    return ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", store)


def key(bench: BenchProcess, watched: Running, band: str, nth: int) -> None:
    """One key-down of some seconds."""
    bench.tell(f"band {band}")
    bench.tell("key down")
    watched.wait_for("Heard", nth)
    threading.Event().wait(10 / FACTOR)  # the key-down's length is what is being simulated
    bench.tell("key up")
    watched.wait_for("key up after", nth)
