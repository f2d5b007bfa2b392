"""A session on a real simulated bench, with needles to type and a key line the page may use."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import FACTOR
from tests.cli.running import Running, run
from tests.page.looking import Answer, ask

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
def a_bench(
    folder: Path, *, from_page: bool = True, few: Callable[[BenchProcess], None] | None = None, **how: Any
) -> Iterator[BenchProcess]:
    """Free on 80 m unless a script says otherwise, keyed through its box where there is one; ``few`` edits its plan."""
    with BenchProcess(folder, **({"time_factor": FACTOR, "script": "free"} | how)) as bench:
        text = bench.bench_file.read_text()
        if from_page:
            text = text.replace('line = "rts"\n', 'line = "rts"\nfrom_page = true\n')
        text = re.sub(r'\[\[instrument\]\]\nname = "multimeter".*?(?=\[\[instrument\]\])', "", text, flags=re.DOTALL)
        bench.bench_file.write_text(text + TYPED)
        if few is not None:
            few(bench)
        bench.start()
        if "script" not in how:  # a script's operator sets his own
            bench.tell("band 80 m")
        yield bench


def few_bands(bench: BenchProcess, *names: str, **sweep: str) -> None:
    """Before it starts: of the plan only these bands, and of its sweep what ``sweep`` says otherwise."""
    head, *bands = bench.plan_file.read_text().split("[[band]]")
    head, at, rest = head.partition("[sweep]")
    for key, value in sweep.items():
        rest, found = re.subn(rf"^{key} = .*$", f'{key} = "{value}"', rest, count=1, flags=re.MULTILINE)
        assert found, key
    kept = [band for band in bands if any(f'name = "{name}"' in band for name in names)]
    assert len(kept) == len(names)
    bench.plan_file.write_text("[[band]]".join([head + at + rest, *kept]))


def files(bench: BenchProcess, store: Path) -> tuple[object, ...]:
    return ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", store)


class Shown:
    """A run in a process of its own, and its page."""

    def __init__(self, running: Running) -> None:
        self.running = running
        running.wait_for("The page: ")
        line = next(line for line in running.told if "The page: " in line)
        found = re.search(r"http://127\.0\.0\.1:(\d+)/#token=(\S+)", line)
        assert found, line
        self.port, self.token = int(found[1]), found[2]

    def get(self, path: str) -> Any:
        return ask(self.port, path).json

    def post(self, path: str, body: Any = None) -> Answer:
        return ask(self.port, path, "POST", body, Authorization=f"Bearer {self.token}")

    def key_down(self, span: str) -> None:
        """Press and hold."""
        nonce = self.post("/api/key-down/arm").json["nonce"]
        time.sleep(1.1)
        assert self.post("/api/key-down", {"nonce": nonce, "for": span}).status == 202


@contextmanager
def shown(bench: BenchProcess, folder: Path, *words: object) -> Iterator[Shown]:
    with run(*words, "--page", "--port", 0, *files(bench, folder / "s.benchlog")) as running:
        yield Shown(running)
