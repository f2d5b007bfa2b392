"""The ``benchlog`` command with a fault of its own, done on SIGUSR1: ``python -m tests.trials.wrapped WHAT WORDS...``.

``clock+`` and ``clock-``: this process's date steps by an hour (the machine's is left alone). ``blocked``: its main
thread, and with it the run's loop, does nothing for five seconds; all other threads go on.
"""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable

STEP_S = 3600
BLOCKED_S = 5.0


def _step_clock(step_s: int) -> Callable[[], None]:
    steps = [0]
    seconds, nanoseconds = time.time, time.time_ns
    time.time = lambda: seconds() + steps[0]
    time.time_ns = lambda: nanoseconds() + steps[0] * 10**9
    return lambda: steps.__setitem__(0, step_s)


if __name__ == "__main__":
    what = sys.argv.pop(1)
    faults: dict[str, Callable[[], Callable[[], None]]] = {
        "clock+": lambda: _step_clock(STEP_S),
        "clock-": lambda: _step_clock(-STEP_S),
        "blocked": lambda: lambda: time.sleep(BLOCKED_S),
    }
    do = faults[what]()  # before benchlog is imported: nobody may have kept the old functions
    signal.signal(signal.SIGUSR1, lambda *_: do())  # handlers run in the main thread, between two bytecodes

    from benchlog.cli import main

    main()
