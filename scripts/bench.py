"""Figures against plain baselines, measured in turns in the same run: a table of ratios with their targets.

Exit status 0 whatever the figures are: machines differ.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.speed import lateness, polling, sessions, starting, stores
from tests.speed.table import HEAD, Line

Part = Callable[[Path, bool], Iterable[Line | str]]
PARTS: dict[str, Part] = {
    "start": lambda folder, short: starting.start_up(folder, 1 if short else 9),
    "memory": lambda folder, short: starting.memory(folder),
    "polling": lambda folder, short: polling.one_instrument(*((4, 100) if short else (1_500, 100))),
    "sixteen": lambda folder, short: polling.sixteen(*((2, 3) if short else (9, 30))),
    "lateness": lambda folder, short: lateness.lateness(folder, *((1, 1.0, 0.05) if short else (3, 30.0, 0.72))),
    "ingest": lambda folder, short: stores.ingest(folder, *((2, 5_000) if short else (15, 100_000))),
    "room": lambda folder, short: stores.room(folder, 0.05 if short else 7.2),
    "reading": lambda folder, short: stores.read_back(folder, *((2, 20_000) if short else (3, 10_000_000))),
    "records": lambda folder, short: sessions.records(folder, *(((0.05,), 1) if short else ((0.72, 7.2, 72.0), 3))),
}


def main() -> int:
    """Prints the table as it comes."""
    parser = argparse.ArgumentParser(prog="scripts/bench", description=__doc__)
    parser.add_argument("--short", action="store_true", help="some seconds in all: does it run, not how fast")
    parser.add_argument("part", nargs="*", choices=[*PARTS, []], help=f"of {', '.join(PARTS)}; all by default")
    asked = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start.\n\n{HEAD}", flush=True)
    for part in asked.part or PARTS:
        with tempfile.TemporaryDirectory() as folder:
            for line in PARTS[part](Path(folder), asked.short):
                print(line, flush=True)
    print(f"\nLoad {os.getloadavg()[0]:.1f} at the end.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
