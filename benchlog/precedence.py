"""Who goes first: a question is due to the millisecond, a record can wait.

Real-time scheduling (POSIX SCHED_RR) where the system grants it: to root, to a user with an rtprio limit, to the
service by its unit. Where it does not (not this user; no such thing on this system), all stays as it is, and on a busy
computer a question may be late by some milliseconds.
"""

from __future__ import annotations

import contextlib
import gc
import os
from collections.abc import Iterator
from pathlib import Path

_SELDOM = 10_000
"""New objects between two looks for rubbish in rings, of which a run makes next to none. With Python's own 700, each
reading on its way to a full batch was looked through two or three times: a sixth of all the work up to the commit."""
_RUN, _BUS, _GUARD = 1, 2, 3  # the lowest there are: what else is real time on this computer was made so on purpose


@contextlib.contextmanager
def few_collections() -> Iterator[None]:
    """While it lasts, what is loaded is no garbage, and new garbage is looked for seldom."""
    gc.collect()
    gc.freeze()  # looking through all that is loaded would take 20 to 100 ms, with all buses waiting
    before = gc.get_threshold()
    gc.set_threshold(_SELDOM, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


@contextlib.contextmanager
def run_goes_first() -> Iterator[None]:
    """While it lasts, every thread of this process goes before other programs, and little garbage is looked for.

    Every thread, because whoever holds the interpreter must not be kept from running: all buses would wait. Processes
    started meanwhile inherit it: the key line's guard, which goes on to ``guard_goes_first``; any other calls
    ``stand_back``.
    """
    before = os.SCHED_OTHER, os.sched_param(0)
    with contextlib.suppress(OSError):
        before = os.sched_getscheduler(0), os.sched_getparam(0)
    with few_collections():
        _schedule_all(os.SCHED_RR, os.sched_param(_RUN))
        try:
            yield
        finally:
            _schedule_all(*before)


def bus_goes_first() -> None:
    """This thread goes before the rest of its run, on the core of all the other buses.

    Buses take turns at one interpreter; to hand it from core to core makes each wait ten times as long.
    """
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(_BUS))
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})  # interrupts go to the first, as a rule


def guard_goes_first() -> None:
    """The guard of a run that goes first goes before its buses too, or, where that is not granted, in turn with them.

    A bus that never rests would keep it, on a computer with one core, from finding out that heartbeats have stopped.
    """
    with contextlib.suppress(OSError):
        if os.sched_getscheduler(0) != os.SCHED_RR:
            return
    for priority in (_BUS, _GUARD):
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(priority))


def stand_back() -> None:
    """This thread, and what it starts, is as any other program again."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def _schedule_all(policy: int, param: os.sched_param) -> None:
    for thread in Path("/proc/self/task").iterdir():
        with contextlib.suppress(OSError):
            os.sched_setscheduler(int(thread.name), policy, param)
