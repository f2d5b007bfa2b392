"""Every parser under bent inputs, every store damaged at random: two tables. Exit status 0 only if nothing broke."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "store"))

from damage import WAYS, Outcome, trials

from tests.abuse.targets import ROOT, TARGETS, Target

FORM = "{:<18} {:>10} {:>9} {:>9}  {}"
_DONE = re.compile(r"^Done (\d+) runs in (\d+) second", re.MULTILINE)
_COVERED = re.compile(r"cov: (\d+)")


@dataclass(frozen=True)
class Fuzzed:
    """What one target took."""

    inputs: int
    seconds: float
    covered: int  # places of the program's code
    broke: str  # empty where nothing did


def fuzz(target: Target, inputs: int, seed: int, folder: Path) -> Fuzzed:
    """In a process of its own: a crash ends that."""
    began = time.monotonic()
    words = [sys.executable, "-m", "tests.abuse.fuzz", target.name, str(inputs), str(seed), str(folder)]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, errors="replace", check=False)
    found = _DONE.search(done.stderr)
    covered = [int(number) for number in _COVERED.findall(done.stderr)]
    broke = (
        ""
        if done.returncode == 0 and found
        else f"exit status {done.returncode}\n{done.stdout[-1500:]}{done.stderr[-1500:]}"
    )
    took_s = time.monotonic() - began
    return Fuzzed(int(found[1]) if found else 0, took_s, max(covered, default=0), broke)


def damaged(seeds: range) -> list[Outcome]:
    """Stores hit at random and rescued, in a folder of their own. Raises AssertionError, naming the seed."""
    with tempfile.TemporaryDirectory(prefix="damaged-") as folder:
        return trials(Path(folder), seeds)


def stores(count: int, workers: int) -> int:
    """The table of damaged stores; returns how many of ``workers`` met something that did not hold."""
    print(f"\n{'store':<18} {'hit':>10} {'refused':>9} {'noticed':>9}  readings saved", flush=True)
    parts = [range(count * n // workers, count * (n + 1) // workers) for n in range(workers)]
    found: list[Outcome] = []
    broke = 0
    with ProcessPoolExecutor(workers) as pool:
        for future in [pool.submit(damaged, part) for part in parts]:
            try:
                found += future.result()
            except Exception as exc:  # noqa: BLE001 - whatever it is, it is the finding
                broke += 1
                print(f"BROKE {exc!r}")
    for way in (way.__name__ for way in WAYS):
        these = [one for one in found if one.way == way]
        saved, there = sum(one.saved for one in these), sum(one.there for one in these)
        refused, noticed = sum(one.refused for one in these), sum(one.noticed for one in these)
        print(FORM.format(way.replace("_", " "), len(these), refused, noticed, f"{saved / max(there, 1):.0%}"))
    return broke


def main() -> int:
    """0 if nothing broke, 1 if something did, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/abuse", description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000, metavar="N", help="in all (1,000,000)")
    parser.add_argument("--only", default="", metavar="TEXT", help="targets with this in their name")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed bends otherwise")
    parser.add_argument("--workers", type=int, default=2, metavar="N", help="targets at one time (2)")
    parser.add_argument("--stores", type=int, default=10_000, metavar="N", help="damaged and rescued (10,000)")
    asked = parser.parse_args()
    targets = [target for target in TARGETS if asked.only in target.name]
    if not targets or asked.inputs < 1 or asked.workers < 1:
        parser.error("nothing to abuse")
    each = -(-asked.inputs // sum(target.share for target in targets))
    folder = Path(tempfile.mkdtemp(prefix="abuse-"))
    print(FORM.format("parser", "inputs", "seconds", "places", ""), flush=True)
    broken: list[str] = []
    total = 0
    with ThreadPoolExecutor(asked.workers) as pool:
        made = {one.name: pool.submit(fuzz, one, each * one.share, asked.seed, folder / one.name) for one in targets}
        for name, future in made.items():
            one = future.result()
            total += one.inputs
            print(FORM.format(name, f"{one.inputs:,}", f"{one.seconds:.0f}", one.covered, "BROKE" if one.broke else ""))
            sys.stdout.flush()
            if one.broke:
                broken.append(f"{name}: {one.broke}")
    print(f"\n{total:,} inputs; {len(broken)} of {len(targets)} parsers broke. Kept in {folder}")
    for text in broken:
        print(f"\nBROKE {text}")
    hurt = stores(asked.stores, asked.workers) if asked.stores and not asked.only else 0
    return 1 if broken or hurt else 0


if __name__ == "__main__":
    sys.exit(main())
