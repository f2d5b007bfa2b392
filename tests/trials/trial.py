"""One trial: key down, fault at a random moment, key up by the box's clock, and what is in the store."""

from __future__ import annotations

import random
import signal
import time
from dataclasses import dataclass, field
from pathlib import Path

from tests.trials.faults import Fault
from tests.trials.judge import Kept
from tests.trials.rig import Rig, TrialFailed, rig

WITHIN_S = 1.0
SOONEST_S, LATEST_S = 0.35, 2.5  # after the key went down: past the first commit of the key-down
UP_S = 14.0  # how long a key that does not go up in time is waited for, to tell how long it took
STAYS_S = 1.5


@dataclass
class Outcome:
    """What one trial showed. ``plain_s`` counts from the fault, ``ruled_s`` as the fault's rule says."""

    fault: str
    seed: int
    fault_ns: int = 0  # CLOCK_MONOTONIC
    store: Path | None = None
    plain_s: float | None = None
    ruled_s: float | None = None
    up_in_time: bool = False
    unreadable: list[str] = field(default_factory=list)
    lost: dict[str, int] = field(default_factory=dict)
    planned: int = 0
    wrong: list[str] = field(default_factory=list)
    not_made: str = ""

    @property
    def good(self) -> bool:
        """All of it held."""
        return self.up_in_time and not (self.unreadable or self.lost or self.wrong or self.not_made)


def make(fault: Fault, folder: Path, seed: int) -> Outcome:
    """One trial in a folder of its own. Raises nothing: what keeps a trial from being made stands in ``not_made``."""
    outcome = Outcome(fault.name, seed)
    chance = random.Random(f"{fault.name} {seed}")
    try:
        with rig(
            folder, box=fault.box, seed=seed, limits=fault.limits, wrapped=fault.wrapped, small=fault.small_disk
        ) as one:
            _go(one, fault, outcome, chance.uniform(SOONEST_S, LATEST_S))
    except TrialFailed as exc:
        outcome.not_made = str(exc)
    except Exception as exc:  # noqa: BLE001 - nineteen other trials are worth more
        outcome.not_made = repr(exc)
    return outcome


def _go(one: Rig, fault: Fault, outcome: Outcome, after_s: float) -> None:
    if one.await_key(True, 30.0) is None:
        raise TrialFailed(f"the key never went down: {one.said[-500:]}")
    one.guard = one.find_guard()
    time.sleep(after_s)
    if not one.is_down:
        raise TrialFailed(f"the key went up before the fault: {one.said[-500:]}")
    outcome.fault_ns = fault_ns = from_ns = time.monotonic_ns()
    fault.inject(one)
    up_ns: int | None = None
    if fault.rule in ("goes on", "plugged"):
        time.sleep(STAYS_S)
        if not one.is_down:
            outcome.wrong.append("the key went up")
        if fault.rule == "plugged":
            from_ns = time.monotonic_ns()
            one.bench.tell("cable plugged")
        elif one.logger.poll() is not None:
            outcome.wrong.append(f"the run ended: {one.said[-300:]}")
        else:
            from_ns = time.monotonic_ns()
            one.signal_logger(signal.SIGTERM)
    up_ns = one.await_key(False, UP_S)
    one.open.close()
    one.bench.tell("cable plugged")
    one.end_logger()
    killed = one.logger.returncode == -signal.SIGKILL
    outcome.store = one.store
    kept = Kept.of(one.store)
    if up_ns is not None:
        outcome.plain_s = (up_ns - fault_ns) / 1e9
        if fault.rule == "quiet":
            from_ns = kept.quiet_ns(fault.channel, up_ns)
        elif fault.rule == "crossing":
            crossing_ns = kept.crossing_ns(fault.channel, fault.over, fault_ns)
            if crossing_ns is None:
                outcome.wrong.append("the reading over the limit is not in the store")
            from_ns = crossing_ns or fault_ns
        outcome.ruled_s = (up_ns - from_ns) / 1e9
        outcome.up_in_time = outcome.ruled_s <= WITHIN_S
    if fault.event and not kept.has_event(fault.event):
        outcome.wrong.append(f"no event of kind {fault.event}")
    outcome.unreadable = kept.faults()
    outcome.lost = kept.lost(fault_ns, last=killed)
    outcome.planned = kept.planned(fault_ns)
