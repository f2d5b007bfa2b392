"""Who goes first, as the kernel says it."""

from __future__ import annotations

import errno
import gc
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from benchlog.precedence import bus_goes_first, run_goes_first, stand_back

GRANTED = subprocess.run(["chrt", "--rr", "1", "true"], stderr=subprocess.DEVNULL).returncode == 0
FIRST = os.SCHED_RR if GRANTED else os.SCHED_OTHER
NO_RIGHT = ["setpriv", "--bounding-set=-sys_nice"] if os.geteuid() == 0 else ["prlimit", "--rtprio=0"]
ASK = """
import json, os
from benchlog.precedence import bus_goes_first, run_goes_first
before = os.sched_getaffinity(0)
with run_goes_first():
    bus_goes_first()
    print(json.dumps([os.sched_getscheduler(0), before == os.sched_getaffinity(0)]))
"""


def policies() -> set[int]:
    return {os.sched_getscheduler(int(thread.name)) for thread in Path("/proc/self/task").iterdir()}


def test_a_run_goes_first_with_all_its_threads_and_only_while_it_lasts() -> None:
    before, over = policies(), threading.Event()
    earlier = threading.Thread(target=over.wait)
    earlier.start()
    try:
        with run_goes_first():
            assert policies() == {FIRST}
            later = threading.Thread(target=over.wait)
            later.start()
            assert policies() == {FIRST}
        assert policies() == before
    finally:
        over.set()
        earlier.join()
        later.join()


def test_a_run_looks_for_little_garbage_and_only_while_it_lasts() -> None:
    before = gc.get_threshold()
    with run_goes_first():
        assert gc.isenabled()
        assert gc.get_threshold()[0] > 10 * before[0]
        assert gc.get_freeze_count() > 0
    assert (gc.get_threshold(), gc.get_freeze_count()) == (before, 0)


def test_buses_go_before_their_run_on_one_core_and_what_stands_back_does_not() -> None:
    found = []

    def bus() -> None:
        bus_goes_first()
        found.append((os.sched_getscheduler(0), os.sched_getparam(0).sched_priority, os.sched_getaffinity(0)))
        stand_back()
        found.append((os.sched_getscheduler(0), os.sched_getparam(0).sched_priority, os.sched_getaffinity(0)))

    cores = os.sched_getaffinity(0)
    one = {max(cores)} if GRANTED else cores
    with run_goes_first():
        run = os.sched_getparam(0).sched_priority
        thread = threading.Thread(target=bus)
        thread.start()
        thread.join()
    (policy, priority, core), back = found
    assert (policy, core, priority > run) == (FIRST, one, GRANTED)
    assert back == (os.SCHED_OTHER, 0, one)
    assert os.sched_getaffinity(0) == cores


def test_without_the_right_all_stays_as_it_is() -> None:
    said = subprocess.run([*NO_RIGHT, sys.executable, "-c", ASK], stdout=subprocess.PIPE, check=True).stdout
    assert json.loads(said) == [os.SCHED_OTHER, True]


@pytest.mark.parametrize("said", [errno.ENOSYS, errno.EINVAL])
def test_on_a_system_that_knows_no_such_thing_all_stays_as_it_is(said: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def no(*_: object) -> None:
        raise OSError(said, os.strerror(said))

    before = policies(), os.sched_getaffinity(0)
    for call in ("sched_setscheduler", "sched_getscheduler", "sched_getparam", "sched_setaffinity"):
        monkeypatch.setattr(os, call, no)
    with run_goes_first():
        bus_goes_first()
        stand_back()
    monkeypatch.undo()
    assert (policies(), os.sched_getaffinity(0)) == before
