"""A simulated bench keyed through its box, whose own record of edges is the judge."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import FACTOR

WITHIN_S = 1.0


@contextmanager
def keyed_bench(folder: Path, lasts: str = "1 h", mode: str = "drop", **edits: str) -> Iterator[BenchProcess]:
    """A simulated bench with a key box; ``edits`` replace in its bench file."""
    with BenchProcess(folder, time_factor=FACTOR, script="free", key_box=mode) as bench:
        plan = bench.plan_file.read_text()
        soak = f'[soak]\nband = "80 m"\nkey_down = "20 s"\nrest = "10 s"\nlasts = "{lasts}"\n'
        bench.plan_file.write_text(re.sub(r"\[soak\].*?\n\n", f"{soak}\n", plan, flags=re.DOTALL))
        text = bench.bench_file.read_text()
        for key, new in edits.items():
            text, found = re.subn(rf"^{key} = .*$", f"{key} = {new}", text, count=1, flags=re.MULTILINE)
            assert found, key
        bench.bench_file.write_text(text)
        bench.start()
        bench.tell("band 80 m")
        yield bench


def last_edge_ns(bench: BenchProcess, down: bool) -> int:
    edges = bench.edges()
    assert edges, "the key never moved"
    assert edges[-1].down is down
    return edges[-1].t_ns


def until_up(bench: BenchProcess, since_ns: int) -> float:
    """Seconds from then to the box's own record of the key going up."""
    deadline = time.monotonic() + 5
    while bench.edges()[-1].down:
        assert time.monotonic() < deadline, "the key stayed down"
        time.sleep(0.02)
    return (last_edge_ns(bench, down=False) - since_ns) / 1e9
