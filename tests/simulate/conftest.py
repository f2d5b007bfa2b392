"""Every simulated bench of a test announces itself in the test's own runtime folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchlog.simulate.bench import SimulatedBench


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)  # what the XDG specification asks of it
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    return folder / "benchlog"


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[Callable[..., SimulatedBench]]:
    with ExitStack() as running:
        yield lambda **how: running.enter_context(SimulatedBench(tmp_path / "bench", **how))


@pytest.fixture
def bench(make_bench: Callable[..., SimulatedBench]) -> SimulatedBench:
    """Fast, so that a reading's latency costs the tests nothing."""
    return make_bench(time_factor=20.0)
