"""The daemon for days on end: a table of what it took by quarters of the run, and what it kept.

Exit status 0 only if everything held.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.endurance.judge import MISSED_MOST, lateness, lost_slots, rows, told
from tests.endurance.trial import NotMade, Ran, run
from tests.endurance.vitals import KINDS, grows, quarters
from tests.trials.rig import runtime_folder

LOOK_S = 2.0
MEDIAN_SLACK_MS, P99_SLACK_MS = 1.0, 5.0  # of lateness: what others on the machine may add in half a run
FORM = "{:<26} {:>9} {:>9} {:>9} {:>9}  {}"


def report(ran: Ran, out: Callable[[str], object] = print) -> list[str]:
    """The table; returns what did not hold."""
    faults = [] if ran.how.startswith("ended: the heat run is over") else [f"the run did not go to its end: {ran.how}"]
    out(f"the run                    {ran.how}")
    late = lateness(ran)
    parts = quarters(ran.vitals)
    if not parts or len(late) < len(parts):
        faults.append("too short a run to see anything grow")
    else:
        watched = [(kind.name, [kind.of(part) for part in parts], kind.slack) for kind in KINDS]
        watched.append(("lateness, median, real ms", [one.median_ms for one in late], MEDIAN_SLACK_MS))
        watched.append(("lateness, p99, real ms", [one.p99_ms for one in late], P99_SLACK_MS))
        out(FORM.format("in each quarter", "1st", "2nd", "3rd", "4th", ""))
        for name, values, slack in watched:
            rising = grows(values, slack)
            out(FORM.format(name, *(f"{value:.1f}" for value in values), "GROWS" if rising else "flat"))
            if rising:
                faults.append(f"{name} grows: {values}")
    lost = lost_slots(ran)
    kept, missed = rows(ran)
    out(f"slots with their one row   {kept:,} of {kept + sum(lost.values()):,}; {missed:,} of the rows say: missed")
    if lost:
        faults.append(f"slots without a row: {lost}")
    if missed > MISSED_MOST * kept:
        faults.append(f"{missed / kept:.2%} of the slots were missed: the machine is too busy for this factor")
    said = told(ran)
    for name, true in said.truth.items():
        found = said.band[name]
        out(f"{name:<26} {found['value']:.5g} ± {found['expanded']:.2g}, in truth {true:.5g}")
    out(f"key-downs                  {said.band['key_downs']}, by the key box {said.keyed}")
    out(f"page's viewer              {ran.messages:,} messages, {ran.pictures} picture")
    out(f"copies of the store        {ran.copies} kept")
    faults += said.wrong()
    if ran.pictures != 1:
        faults.append(f"the viewer's stream was broken: {ran.pictures} pictures")
    return faults


def main() -> int:
    """0 if all held, 1 if anything did not, 2 for wrong words, 3 where no trial could be made."""
    parser = argparse.ArgumentParser(prog="scripts/soak-trial", description=__doc__)
    parser.add_argument("--hours", type=float, default=72.0, metavar="N", help="simulated (72)")
    parser.add_argument("--factor", type=float, default=120.0, metavar="N", help="times faster than life (120)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of the simulated bench")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="where everything is to be found afterwards")
    asked = parser.parse_args()
    minutes = 60 * asked.hours / asked.factor
    print(f"{asked.hours:g} h at {asked.factor:g} times: {minutes:.0f} min. {os.cpu_count()} cores, load", end=" ")
    print(f"{os.getloadavg()[0]:.1f} at the start.\n", flush=True)
    look_s = min(LOOK_S, minutes * 60 / 40)
    with runtime_folder() as folder, tempfile.TemporaryDirectory(dir=folder) as work:
        try:
            ran = run(asked.keep or Path(work), hours=asked.hours, factor=asked.factor, seed=asked.seed, look_s=look_s)
        except NotMade as exc:
            print(f"no trial: {exc}")
            return 3
        faults = report(ran)
    print(f"\nload {os.getloadavg()[0]:.1f} at the end.")
    for fault in faults:
        print(f"FAILED {fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
