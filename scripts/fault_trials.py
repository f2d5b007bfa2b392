"""The long form of the fault trials: a table. Exit status 0 only if everything held, every time.

The judge of keying is the simulated key box, which records edges by its own clock; see ``tests/trials``.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.trials.faults import FAULTS, RULES, Fault
from tests.trials.rig import FACTOR, runtime_folder
from tests.trials.trial import WITHIN_S, Outcome, make

HEAD = ("fault", "trials", "in 1 s", "worst", "plainly", "readable", "rows lost", "rule")
FORM = "{:<36} {:>6} {:>7} {:>8} {:>8} {:>8} {:>15}  {}"


def row(fault: Fault, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    made = [one for one in outcomes if not one.not_made]
    if not made:
        return FORM.format(fault.name, 0, "-", "-", "-", "-", "-", outcomes[0].not_made[:60])
    ruled = [one.ruled_s for one in made if one.ruled_s is not None]
    plain = [one.plain_s for one in made if one.plain_s is not None]
    never = len(made) - len(ruled)
    lost = sum(sum(one.lost.values()) for one in made)
    return FORM.format(
        fault.name,
        len(made),
        f"{sum(one.up_in_time for one in made)}/{len(made)}",
        "never" if never else f"{max(ruled):.3f} s",
        "-" if fault.rule == "goes on" else "never" if never else f"{max(plain):.3f} s",
        f"{sum(not one.unreadable for one in made)}/{len(made)}",
        f"{lost} of {sum(one.planned for one in made)}",
        fault.rule + (f"; {sum(bool(one.wrong) for one in made)} WRONG" if any(one.wrong for one in made) else ""),
    )


def main() -> int:
    """0 if all held, 1 if anything did not or could not be tried, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/fault-trials", description=__doc__)
    parser.add_argument("--times", type=int, default=20, metavar="N", help="trials of each fault (20)")
    parser.add_argument("--only", default="", metavar="TEXT", help="faults with this in their name")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="trials at one time (1)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of the first trial; decides its moment")
    asked = parser.parse_args()
    faults = [fault for fault in FAULTS if asked.only in fault.name]
    if not faults or asked.times < 1 or asked.workers < 1:
        parser.error("nothing to try")
    if os.getuid() != 0 and any(fault.small_disk for fault in faults):
        print("A full disk takes root to try (a small file system is mounted): that row will fail.\n")

    for number in (signal.SIGINT, signal.SIGTERM):  # the trials that run are ended in order, and cleared away
        signal.signal(number, signal.default_int_handler)
    failed: list[Outcome] = []
    began = time.monotonic()
    print(f"Simulated bench at {FACTOR:g} times; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start.\n")
    print(FORM.format(*HEAD), flush=True)
    with runtime_folder() as folder, ThreadPoolExecutor(asked.workers) as pool:
        trials = [
            (fault, [pool.submit(make, fault, folder / f"{n}-{k}", asked.seed + k) for k in range(asked.times)])
            for n, fault in enumerate(faults)
        ]
        try:
            for fault, futures in trials:
                outcomes = [future.result() for future in futures]
                print(row(fault, outcomes), flush=True)
                failed += [one for one in outcomes if not one.good]
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    print(f"\nin {time.monotonic() - began:.0f} s; load {os.getloadavg()[0]:.1f} at the end.")
    print(f"in 1 s, worst: seconds to the key box's own edge, at most {WITHIN_S:g}, counted by the rule; plainly: from")
    print("the fault itself. Rows lost: of the slots planned until 250 ms (and a commit) before the fault, and of all")
    print("up to its end where the logger lived on. Rules:")
    for rule in dict.fromkeys(fault.rule for fault in faults):
        print(f"  {rule}: {RULES[rule]}.")
    for one in failed:
        print(f"FAILED {one}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
