"""A session on a real simulated bench, with needles to type and a key line the page may use."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import FACTOR

# In the place of the multimeter.
TYPED = """
[[instrument]]
name = "panel meters"
driver = "typed"

[[instrument.channel]]
name = "grid current"
measures = "grid-current"
unit = "mA"

[[instrument.channel]]
name = "level control"
measures = "alc"
unit = "V"
"""


@contextmanager
def a_bench(folder: Path, *, from_page: bool = True, **how: Any) -> Iterator[BenchProcess]:
    """Free on 80 m unless a script says otherwise, keyed through its box where there is one."""
    with BenchProcess(folder, **({"time_factor": FACTOR, "script": "free"} | how)) as bench:
        text = bench.bench_file.read_text()
        if from_page:
            text = text.replace('line = "rts"\n', 'line = "rts"\nfrom_page = true\n')
        text = re.sub(r'\[\[instrument\]\]\nname = "multimeter".*?(?=\[\[instrument\]\])', "", text, flags=re.DOTALL)
        bench.bench_file.write_text(text + TYPED)
        bench.start()
        if "script" not in how:  # a script's operator sets his own
            bench.tell("band 80 m")
        yield bench


def files(bench: BenchProcess, store: Path) -> tuple[object, ...]:
    return ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", store)
