"""Who goes first, as the kernel says it."""

from __future__ import annotations

import errno
import gc
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.precedence import bus_goes_first, run_goes_first, stand_back
from benchlog.simulate.keybox import KeyBox
from tests.keying.guarding import Raw, first

GRANTED, _, ALL_GRANTED = (
    subprocess.run(["chrt", "--rr", n, "true"], stderr=subprocess.DEVNULL).returncode == 0 for n in "123"
)
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
GUARD = ["-m", "benchlog.keying.guard"]
UP_TO_2 = """
import benchlog.keying.guard as guard, os
set_to = os.sched_setscheduler
def limited(pid, policy, param):  # as the kernel does it with `rtprio 2`
    if param.sched_priority > 2:
        raise PermissionError
    set_to(pid, policy, param)
os.sched_setscheduler = limited
os._exit(guard.main())
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


@pytest.fixture
def garbage_as_python_has_it() -> Iterator[tuple[int, int, int]]:
    """Whatever a command in this process, which looks for little too, has left."""
    found, usual = gc.get_threshold(), (700, 10, 10)
    gc.set_threshold(*usual)
    yield usual
    gc.set_threshold(*found)


def test_a_run_looks_for_little_garbage_and_only_while_it_lasts(garbage_as_python_has_it: tuple[int, int, int]) -> None:
    before = garbage_as_python_has_it
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


@pytest.mark.skipif(not ALL_GRANTED, reason="no real time of priority 3 is granted here")
def test_the_guard_of_a_run_goes_before_its_buses_or_in_turn_with_them() -> None:
    """The kernel's own word for what came of it: a bus that spins cannot keep it from running for long."""
    seen = []
    with KeyBox() as box, run_goes_first():
        for words in (GUARD, ["-c", UP_TO_2]):
            with Raw(first(box.address), words) as guard:
                guard.hear("ready")
                pid = guard.process.pid
                seen.append((os.sched_getscheduler(pid), os.sched_getparam(pid).sched_priority))
    assert seen == [(os.SCHED_RR, 3), (os.SCHED_RR, 2)]
    with KeyBox() as box, Raw(first(box.address), GUARD) as guard:
        guard.hear("ready")
        assert os.sched_getscheduler(guard.process.pid) == os.SCHED_OTHER, "as the program that asks for the key"


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
