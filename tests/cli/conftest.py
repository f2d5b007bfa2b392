"""The installed command, as a user runs it: a process, its words, its exit status."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchlog.simulate.process import BenchProcess

COMMAND = str(Path(sys.executable).parent / "benchlog")
ROOT = Path(__file__).parent.parent.parent
# The demo's own speed. Faster, and an instrument's time-out becomes too short for a busy machine.
FACTOR = 6.0


def benchlog(*words: object, status: int | None = None, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run to the end; no traceback ever, and the exit status that was expected."""
    done = subprocess.run(
        [COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=600,
        cwd=cwd,
        check=False,
        env={**os.environ, "COLUMNS": "160"},  # wide, so that no sentence is folded
    )
    assert "Traceback" not in done.stderr
    assert "a fault in benchlog itself" not in done.stderr, done.stderr
    if status is not None:
        assert done.returncode == status, done.stderr
    return done


@dataclass(frozen=True)
class Swept:
    """A finished demo."""

    folder: Path
    status: int
    record: dict[str, Any]
    told: str  # standard error

    @property
    def store(self) -> Path:
        return self.folder / "demo.benchlog"

    def band(self, name: str) -> dict[str, Any]:
        return next(band for band in self.record["bands"] if band["band"] == name)


def demo(folder: Path, *words: str) -> Swept:
    done = benchlog("demo", "--folder", folder, "--json", "--time-factor", FACTOR, *words)
    assert done.returncode in (0, 1), done.stderr
    return Swept(folder, done.returncode, json.loads(done.stdout), done.stderr)


@pytest.fixture(scope="session", autouse=True)
def _runtime(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Simulated benches announce themselves here, away from the user's own."""
    folder = tmp_path_factory.mktemp("runtime")
    folder.chmod(0o700)
    before = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(folder)
    yield
    if before is None:
        del os.environ["XDG_RUNTIME_DIR"]
    else:
        os.environ["XDG_RUNTIME_DIR"] = before


Demos = tuple[Future[Swept], Future[Swept]]


@pytest.fixture(scope="module")
def demos(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demos]:
    """Both five-band sweeps, one after the other: two at a time lose readings to one another on two cores.

    From the middle of the second one's third band on, the plate voltmeter is silent and the thermometer talks nonsense.
    """
    troubles = ("--trouble", "voltmeter=silent@130", "--trouble", "thermometer=garbage@130")
    with ThreadPoolExecutor(1) as pool:
        yield (
            pool.submit(demo, tmp_path_factory.mktemp("demo")),
            pool.submit(demo, tmp_path_factory.mktemp("trouble"), *troubles),
        )


@pytest.fixture(scope="module")
def swept(demos: Demos) -> Swept:
    """The clean one, that several tests look at."""
    return demos[0].result()


@pytest.fixture(scope="module")
def troubled(demos: Demos) -> Swept:
    """The one with two instruments that misbehave."""
    return demos[1].result()


@pytest.fixture
def free_bench(tmp_path: Path) -> Iterator[BenchProcess]:
    """A simulated bench whose key is the test's."""
    with BenchProcess(tmp_path / "bench", time_factor=FACTOR, script="free") as bench:
        yield bench
