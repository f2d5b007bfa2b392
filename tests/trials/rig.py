"""A simulated bench with a key box, a real heat run on it, and what a trial may do to both."""

from __future__ import annotations

import contextlib
import os
import re
import resource
import select
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchlog.simulate.keybox import Mode
from benchlog.simulate.process import BenchProcess

ROOT = Path(__file__).parent.parent.parent
COMMAND = str(Path(sys.executable).parent / "benchlog")
FACTOR = 6.0  # as in the demo: faster, and an instrument's time-out becomes too short for a busy machine
KEY_DOWN_S = 90  # simulated; longer than any trial, so that the key never goes up because its time is over
PATIENCE_S = 60.0
_SOAK = f'[soak]\nband = "80 m"\nkey_down = "{KEY_DOWN_S} s"\nrest = "2 s"\nlasts = "8 h"\n'


class TrialFailed(Exception):
    """The trial could not be made: it says nothing about the fault."""


@dataclass(frozen=True)
class Child:
    """A process held by a descriptor: its number may be given to another, this may not."""

    pid: int
    descriptor: int

    def send(self, number: signal.Signals) -> None:
        """Nothing where it has ended."""
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self.descriptor, number)

    def ended_within(self, wait_s: float) -> bool:
        """Whether it ends by then."""
        return bool(select.select([self.descriptor], [], [], wait_s)[0])


class Rig:
    """For one trial; made by ``rig``."""

    def __init__(self, bench: BenchProcess, logger: subprocess.Popen[bytes], store: Path, said: Path) -> None:
        self.bench, self.logger, self.store = bench, logger, store
        self.guard: Child | None = None
        self.open = contextlib.ExitStack()  # what the fault holds
        self._said = said

    @property
    def said(self) -> str:
        """The logger's standard error."""
        return self._said.read_text(errors="replace")

    @property
    def is_down(self) -> bool:
        """By the key box's own account."""
        edges = self.bench.edges()
        return bool(edges) and edges[-1].down

    def await_key(self, down: bool, wait_s: float) -> int | None:
        """When the box saw the key so for the last time, CLOCK_MONOTONIC; None if it does not come to it."""
        deadline = time.monotonic() + wait_s
        while self.is_down is not down:
            if time.monotonic() > deadline or (down and self.logger.poll() is not None):
                return None
            time.sleep(0.02)
        return self.bench.edges()[-1].t_ns

    def find_guard(self) -> Child:
        """The logger's child. Raises TrialFailed."""
        for stat in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                if int(stat.read_text().rpartition(")")[2].split()[1]) == self.logger.pid:
                    pid = int(stat.parent.name)
                    return Child(pid, os.pidfd_open(pid))
        raise TrialFailed("the logger has no guard")

    # What faults do.

    def signal_logger(self, number: signal.Signals) -> None:
        self.logger.send_signal(number)

    def signal_guard(self, number: signal.Signals) -> None:
        assert self.guard
        self.guard.send(number)

    def starve(self) -> None:
        """No descriptor more for the logger, and the power meter's connection is cut: it would need one."""
        _, most = resource.prlimit(self.logger.pid, resource.RLIMIT_NOFILE)
        resource.prlimit(self.logger.pid, resource.RLIMIT_NOFILE, (3, most))
        self.bench.tell("trouble wattmeter=hang-up")
        self.bench.tell("mend wattmeter")

    def lock_store(self) -> None:
        """Held until ``open`` is closed."""
        db = self.open.enter_context(contextlib.closing(sqlite3.connect(self.store, timeout=5, isolation_level=None)))
        db.execute("BEGIN IMMEDIATE")

    def fill_disk(self) -> None:
        """Full until ``open`` is closed."""
        filler = self.store.parent / "filler"
        self.open.callback(filler.unlink)
        with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(b"x" * 4096)

    # And the end.

    def end_logger(self) -> None:
        """Let it end as a user would; one that is stopped cannot, and is killed."""
        if self.logger.poll() is None:
            state = Path(f"/proc/{self.logger.pid}/stat").read_text().rpartition(")")[2].split()[0]
            self.logger.send_signal(signal.SIGKILL if state == "T" else signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.logger.wait(PATIENCE_S)
            return
        self.logger.kill()
        self.logger.wait()
        raise TrialFailed(f"the logger did not end on SIGTERM within {PATIENCE_S:g} s: {self.said[-300:]}")


@contextlib.contextmanager
def rig(
    folder: Path, *, box: Mode, seed: int, limits: str = "", wrapped: str = "", small: bool = False
) -> Iterator[Rig]:
    """A bench and a heat run on it, about to key down for the first time.

    Args:
        limits: lines for the bench file's ``[limits]``, instead of those of the same name.
        wrapped: as ``wrapped`` has it; "" runs the command as it is.
        small: the store lies on a file system of its own, of 1 MB. Takes root.

    Nothing of it is left afterwards: no process, no mount.
    """
    with contextlib.ExitStack() as made:
        disk = folder / "disk"
        disk.mkdir(parents=True)
        if small:
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk], check=True)
            made.callback(_retried(lambda: subprocess.run(["umount", disk], check=True, capture_output=True)))
        bench = BenchProcess(folder / "bench", seed=seed, time_factor=FACTOR, script="free", key_box=box)
        made.callback(bench.close)
        _edit(bench, limits)
        bench.start()
        bench.tell("band 80 m")
        store, said = disk / "trial.benchlog", folder / "said"
        files = ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", store)
        command = [sys.executable, "-m", "tests.trials.wrapped", wrapped] if wrapped else [COMMAND]
        with said.open("wb") as err:
            words = [*command, "soak", "--yes", "--json", *map(str, files)]
            logger = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=err)
        one = Rig(bench, logger, store, said)
        made.callback(_end, one)
        yield one


def _end(one: Rig) -> None:
    one.open.close()
    if one.logger.poll() is None:
        one.logger.kill()
    one.logger.wait()
    if one.guard:
        if not one.guard.ended_within(1.0):
            one.guard.send(signal.SIGKILL)
            one.guard.ended_within(5.0)
        os.close(one.guard.descriptor)


def _retried(work: Callable[[], object]) -> Callable[[], None]:
    def again() -> None:
        for _ in range(20):
            with contextlib.suppress(subprocess.CalledProcessError):
                work()
                return
            time.sleep(0.1)
        work()

    return again


def _edit(bench: BenchProcess, limits: str) -> None:
    plan = bench.plan_file.read_text()
    bench.plan_file.write_text(re.sub(r"\[soak\].*?\n\n", f"{_SOAK}\n", plan, flags=re.DOTALL))
    text = bench.bench_file.read_text()
    for line in limits.splitlines():
        name = line.split(" =")[0]
        text = re.sub(rf"^{name} = .*\n", "", text, flags=re.MULTILINE)
    bench.bench_file.write_text(re.sub(r"^\[limits\].*$", lambda m: f"{m[0]}\n{limits}", text, flags=re.MULTILINE))


@contextlib.contextmanager
def runtime_folder() -> Iterator[Path]:
    """Where simulated benches announce themselves, away from the user's own; and a place for the trials."""
    before = os.environ.get("XDG_RUNTIME_DIR")
    with tempfile.TemporaryDirectory(prefix="trials-") as name:
        os.environ["XDG_RUNTIME_DIR"] = name
        try:
            yield Path(name)
        finally:
            if before is None:
                del os.environ["XDG_RUNTIME_DIR"]
            else:
                os.environ["XDG_RUNTIME_DIR"] = before
