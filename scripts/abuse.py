"""Every parser under bent inputs: a table. Exit status 0 only if nothing broke."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

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


def main() -> int:
    """0 if nothing broke, 1 if something did, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/abuse", description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000, metavar="N", help="in all (1,000,000)")
    parser.add_argument("--only", default="", metavar="TEXT", help="targets with this in their name")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed bends otherwise")
    parser.add_argument("--workers", type=int, default=2, metavar="N", help="targets at one time (2)")
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
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
