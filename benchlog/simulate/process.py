"""A simulated bench as its own process, seen from the one that starts it."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Self

from benchlog.errors import BenchFailed
from benchlog.simulate.bench import Script
from benchlog.simulate.keybox import Edge, Mode

ENDS_WITHIN_S = 5.0


class BenchProcess:
    """Starts ``python -m benchlog.simulate`` and waits until it listens; ends it with the context.

    It runs in a session of its own, so that Ctrl-C at a terminal reaches the program that is measuring and not the
    bench under it; it still ends when this process does, however that ends, because its standard input ends then.

    Raises BenchFailed with what it said, where it does not come up.
    """

    def __init__(
        self,
        folder: Path,
        *,
        seed: int = 1,
        time_factor: float = 1.0,
        script: Script = "sweep",
        troubles: Iterable[str] = (),
        key_box: Mode | None = None,
    ) -> None:
        options = [f"--folder={folder}", f"--seed={seed}", f"--time-factor={time_factor}", f"--script={script}"]
        options += [f"--trouble={trouble}" for trouble in troubles]
        options += [f"--key-box={key_box}"] if key_box else []
        self._process = subprocess.Popen(
            [sys.executable, "-m", "benchlog.simulate", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        first = self._process.stdout.readline()
        if not first:
            _, said = self._process.communicate()
            raise BenchFailed(f"the simulated bench did not start: {said.strip() or 'it said nothing'}")
        ready = json.loads(first)
        self.pid: int = self._process.pid
        self.bench_file, self.plan_file = Path(ready["bench"]), Path(ready["plan"])
        self.addresses: dict[str, str] = ready["addresses"]
        self.script_s: float = ready["script_s"]
        self.began_ns: int | None = ready["began_ns"]  # its time 0 on the monotonic clock; None: a script's

    def tell(self, line: str) -> None:
        """One line to it: ``key down``, ``band 20 m``, ``trouble counter=silent`` ... Raises BenchFailed."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            raise BenchFailed("the simulated bench has ended by itself") from None

    def start(self) -> None:
        """The operator begins, and with him time 0."""
        self.tell("start")

    def edges(self) -> list[Edge]:
        """What the key box recorded so far. Raises BenchFailed."""
        self.tell("edges")
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise BenchFailed("the simulated bench has ended by itself")
        return [Edge(edge["t"], edge["down"], edge["line"]) for edge in json.loads(line)["edges"]]

    def close(self) -> int:
        """End it and return its exit status, which is 0 unless something was wrong."""
        if self._process.stdin is not None:
            with contextlib.suppress(BrokenPipeError):  # what it was told last, it did not live to read
                self._process.stdin.close()
        try:
            status = self._process.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            status = self._process.wait()
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()
        return status

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
