"""Every parser under bent inputs, every store damaged at random, a heat run on a bench of hostile instruments.

Three tables. Exit status 0 only if nothing broke.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.abuse import hostile
from tests.abuse.targets import ROOT, TARGETS, Target
from tests.store.damage import WAYS, Outcome, trials
from tests.trials.rig import runtime_folder

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


CALM_S = 10.0
MORE_MB = 5.0  # what chance may add to a process's memory
MORE_FILES = 3
MOST_PERCENT = 10.0  # of a core, in the mean over a trouble that lasts; a flood read on and on takes a whole one
MORE_MISSED = 0.005  # share of the well-behaved instruments' slots
WITHIN_S = 1.0
HEAD = ("who misbehaves, how", "memory", "files", "processor, %", "others missed, %", "with a value", "told")
HEAD += ("key up", "ended")
HOSTILE = "{:<27} {:>9} {:>7} {:>14} {:>16} {:>12} {:>5} {:>8} {:>8}"


def instruments(seconds: float) -> int:
    """The table of heat runs with hostile instruments; returns how many of them did not hold."""
    print(f"\nHeat runs in real time, {seconds:g} s of trouble each; load {os.getloadavg()[0]:.1f} at the start.")
    broken: list[str] = []
    with runtime_folder() as folder:
        for n, (kind, name) in enumerate((("flood", "voltmeter"), ("chatter", "ammeter"))):
            rate = hostile.pours(folder / f"pours-{n}", kind, name)
            print(f"the simulated {name}'s {kind}: {rate:.0f} MB/s")
            if rate < 10:
                broken.append(f"the {name}'s {kind} is no flood: {rate:.1f} MB/s")
        print(HOSTILE.format(*HEAD))
        for n, case in enumerate(hostile.CASES):
            try:
                ran = hostile.run(folder / str(n), case, calm_s=CALM_S, trouble_s=seconds)
            except hostile.NotMade as exc:
                broken.append(str(exc))
                continue
            broken += [f"{case.name}: {fault}" for fault in [*hostile.faults(ran), *_dear(ran)]]
    print(
        "memory (MB), files (descriptors), others missed: before and meanwhile. processor: before, in the worst second,"
    )
    print("in the mean. with a value: of the rows of those who misbehave. told: lines. key up, ended: s after SIGTERM.")
    for text in broken:
        print(f"BROKE {text}")
    return len(broken)


def _dear(ran: hostile.Ran) -> list[str]:
    """One line of the table; returns what it took too much of."""
    counted, calm, troubled = hostile.slots(ran), ran.calm, ran.troubled
    memory = [max(look.memory_mb for look in looks) for looks in (calm, troubled)]
    files = [max(look.files for look in looks) for looks in (calm, troubled)]
    mean, before = hostile.processor(troubled), hostile.processor(calm)
    print(
        HOSTILE.format(
            ran.case.name,
            f"{memory[0]:.0f} {memory[1]:.0f}",
            f"{files[0]} {files[1]}",
            f"{before:.1f} {hostile.worst_second(troubled):.1f} {mean:.1f}",
            f"{100 * counted.missed_calm:.2f} {100 * counted.missed_troubled:.2f}",
            f"{counted.good} of {counted.rows}",
            sum(len(ran.told(name)) for name in ran.case.troubles),
            f"{ran.key_up_s:.2f}",
            f"{ran.ended_s:.2f}",
        ),
        flush=True,
    )
    found = []
    if memory[1] > memory[0] + MORE_MB:
        found.append(f"memory grows from {memory[0]:.0f} to {memory[1]:.0f} MB")
    if files[1] > files[0] + MORE_FILES:
        found.append(f"descriptors grow from {files[0]} to {files[1]}")
    if mean > before + MOST_PERCENT:
        found.append(f"it takes {mean:.0f} % of a core")
    if counted.missed_troubled > counted.missed_calm + MORE_MISSED:
        found.append(f"the others miss {counted.missed_troubled:.2%} of their slots")
    if ran.told_besides:
        found.append(f"told besides: {ran.told_besides}")
    if ran.key_up_s > WITHIN_S:
        found.append(f"the key is up after {ran.key_up_s:.2f} s")
    return found


def parsers(targets: list[Target], asked: argparse.Namespace) -> int:
    """The table of parsers; returns how many broke."""
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
    return len(broken)


def main() -> int:
    """0 if nothing broke, 1 if something did, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/abuse", description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000, metavar="N", help="in all (1,000,000)")
    parser.add_argument("--only", default="", metavar="TEXT", help="targets with this in their name")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed bends otherwise")
    parser.add_argument("--workers", type=int, default=2, metavar="N", help="targets at one time (2)")
    parser.add_argument("--stores", type=int, default=10_000, metavar="N", help="damaged and rescued (10,000)")
    parser.add_argument(
        "--instruments", type=float, default=60.0, metavar="S", help="seconds that instruments misbehave, each way (60)"
    )
    asked = parser.parse_args()
    targets = [target for target in TARGETS if asked.only in target.name]
    if not targets or asked.workers < 1:
        parser.error("nothing to abuse")
    broke = parsers(targets, asked) if asked.inputs else 0
    if asked.stores and not asked.only:
        broke += stores(asked.stores, asked.workers)
    if asked.instruments and not asked.only:
        broke += instruments(asked.instruments)
    return 1 if broke else 0


if __name__ == "__main__":
    sys.exit(main())
