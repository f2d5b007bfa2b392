"""The long form of the crash trials: three tables. Exit status 0 only if everything held, every time.

What is done, and what must be kept of it, is listed in ``tests/crash/works.py``.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.crash.children import Folders
from tests.crash.disks import CAN_MOUNT, HOW, MOUNTED, Hinderer
from tests.crash.killing import Killer
from tests.crash.power import WEAKER, record
from tests.crash.work import Work, acknowledged
from tests.crash.works import WORKS

KILLED = "{:<32} {:>7} {:>10} {:>13} {:>7}"
POWER = "{:<32} {:>11} {:>8} {:>9} {:>10} {:>7}"
DISKS = "{:<32} {:<24} {:>6} {:>9} {:>9} {:>7}"


def kills(works: Sequence[Work], times: int, seed: int, place: Path) -> list[str]:
    """So many in all."""
    print(KILLED.format("SIGKILL while", "killed", "under way", "acknowledged", "wrong"), flush=True)
    failed, killer = [], Killer(place, Folders(place))
    for number, work in enumerate(works):
        own = len(range(number, times, len(works)))
        found = [killer.kill(work, seed + one) for one in range(own)]
        wrong = [f"{work.name}, seed {one.seed}: {'; '.join(one.wrong)}" for one in found if one.wrong]
        under_way = sum(one.in_time for one in found)
        told = sum(acknowledged(one.said) for one in found)
        print(KILLED.format(work.name, len(found), under_way, told, len(wrong)), flush=True)
        failed += wrong
    return failed


def power_losses(works: Sequence[Work], times: int, seed: int, place: Path) -> list[str]:
    """So many of each work as it is, and of the first with less synchronisation."""
    head = ("power lost while", "ways of it", "losses", "acks lost", "damaged", "wrong")
    print(POWER.format(*head), flush=True)
    failed, folders = [], Folders(place)
    for work, mode in [(work, "") for work in works] + [(WORKS[0], mode) for mode in WEAKER]:
        found, kinds = [], work.kinds
        for kind in range(kinds):
            recording = record(work, seed + kind, folders.of(work, seed + kind), place / "recorded", mode)
            found += recording.losses(max(1, times // kinds), place / "lost")
        wrong = [f"{work.name}, at {one.at}: {'; '.join(one.wrong)}" for one in found if one.wrong]
        lost, damaged = sum(one.lost for one in found), sum(one.damaged for one in found)
        name = f"{work.name}, {mode}" if mode else work.name
        print(POWER.format(name, len(recording.log), len(found), lost, damaged, len(wrong)), flush=True)
        if not mode:
            failed += wrong
        elif not lost or (mode == "OFF") != bool(damaged):
            failed.append(f"{mode} does not show what it must: this trial proves nothing")
    return failed


def bad_disks(works: Sequence[Work], times: int, seed: int, place: Path) -> list[str]:
    """So many of each, of every way a disk can take no more."""
    print(DISKS.format("disk bad while", "how", "tried", "hindered", "readable", "wrong"), flush=True)
    failed, hinderer = [], Hinderer(place, Folders(place))
    for work in works:
        for how in HOW:
            if how in MOUNTED and not CAN_MOUNT:
                print(DISKS.format(work.name, how, 0, "-", "-", "-") + "  NOT TRIED: mounting takes root", flush=True)
                failed.append(f"{work.name}, {how}: not tried")
                continue
            found = [hinderer.hinder(work, how, seed + k) for k in range(times)]
            wrong = [f"{work.name}, {how}, seed {one.seed}: {'; '.join(one.wrong)}" for one in found if one.wrong]
            seen = [one.readable for one in found if one.readable is not None]
            readable = f"{sum(seen)}/{len(seen)}" if seen else "-"
            hindered = sum(bool(one.told) for one in found)
            print(DISKS.format(work.name, how, len(found), hindered, readable, len(wrong)), flush=True)
            failed += wrong
            if not all(seen):
                failed.append(f"{work.name}, {how}: the store could not be read meanwhile")
    return failed


def main() -> int:
    """0 if all held, 1 if anything did not or could not be tried, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/crash-trials", description=__doc__)
    parser.add_argument("--times", type=int, default=1000, metavar="N", help="SIGKILLs in all (1000)")
    parser.add_argument("--losses", type=int, default=200, metavar="N", help="power losses of each work (200)")
    parser.add_argument("--disks", type=int, default=10, metavar="N", help="bad disks of each kind for each work (10)")
    parser.add_argument("--only", default="", metavar="TEXT", help="work with this in its name")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of all that is drawn (0)")
    asked = parser.parse_args()
    works = [work for work in WORKS if asked.only in work.name]
    if not works or min(asked.times, asked.losses, asked.disks) < 0:
        parser.error("nothing to try")
    for number in (signal.SIGINT, signal.SIGTERM):  # what is under way is ended and cleared away
        signal.signal(number, signal.default_int_handler)
    began = time.monotonic()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start; seed {asked.seed}.\n")
    failed = []
    with tempfile.TemporaryDirectory(prefix="crash-trials-") as name:
        for part, times in ((kills, asked.times), (power_losses, asked.losses), (bad_disks, asked.disks)):
            if times:
                (place := Path(name) / part.__name__).mkdir()
                failed += part(works, times, asked.seed, place)
                print()
    print(f"in {time.monotonic() - began:.0f} s; load {os.getloadavg()[0]:.1f} at the end.")
    print("under way: killed before the work was done. acknowledged: things the store had said are kept. ways of it:")
    print("writes, syncs, names given to the disk. readable: stores that could be looked at while the disk was bad.")
    print("wrong: anything acknowledged that is not there, anything there that nobody put, anything half; a next start")
    print("that is not clean; a fault that is not told plainly.")
    for one in failed:
        print(f"FAILED {one}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
