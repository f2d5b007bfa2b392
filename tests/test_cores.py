"""Work on all cores: the same answers whoever gives them, and what becomes of a process that is ended under it."""

import multiprocessing
import os
import signal
import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog import cores
from benchlog.cores import shared
from benchlog.errors import BenchlogError, UsageError


@pytest.fixture
def three(monkeypatch):
    assert threading.active_count() == 1, "beside another thread nothing is forked"
    monkeypatch.setattr(cores, "cores", lambda: 3)


def meet(folder, n):
    """Wait for the two others to have begun; each has an item."""
    (folder / str(n)).touch()
    deadline = time.monotonic() + 60
    while len(list(folder.iterdir())) < 3:
        assert time.monotonic() < deadline, "nobody else has begun"
        time.sleep(0.005)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 9000), st.integers(1, 4))
def test_answers_are_in_the_items_order_however_many_work(count, hands):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cores, "cores", lambda: hands)
        assert shared(lambda n: n * n, range(count)) == [n * n for n in range(count)]
    assert not multiprocessing.active_children()


def test_the_items_are_worked_on_in_several_processes_at_once(three, tmp_path):
    """One after the other they would never meet."""

    def work(n):
        meet(tmp_path, n)
        return os.getpid()

    assert len({os.getpid(), *shared(work, range(3))}) == 3


def test_little_work_and_work_beside_other_threads_is_done_here(three):
    here = [os.getpid()] * 3
    assert shared(lambda _: os.getpid(), range(3), worth=False) == here
    go = threading.Event()
    other = threading.Thread(target=go.wait)
    other.start()
    try:
        assert shared(lambda _: os.getpid(), range(3)) == here
    finally:
        go.set()
        other.join()


@pytest.mark.parametrize("told", ["raised in a child", "raised in the parent"])
def test_what_goes_wrong_is_raised_here_and_leaves_no_process(three, tmp_path, told):
    parent = os.getpid()

    def fail(n):
        meet(tmp_path, n)
        if (os.getpid() == parent) == (told == "raised in the parent"):
            raise UsageError("no such thing", where="here", cure="Try another.")

    with pytest.raises(UsageError, match="no such thing") as caught:
        shared(fail, range(3))
    assert (caught.value.where, caught.value.cure) == ("here", "Try another.")
    assert not multiprocessing.active_children()


def test_a_process_ended_from_outside_is_told_with_what_to_do(three, tmp_path):
    parent = os.getpid()

    def end(n):
        meet(tmp_path, n)
        if os.getpid() != parent:
            os.kill(os.getpid(), signal.SIGKILL)

    with pytest.raises(BenchlogError, match="ended from outside") as caught:
        shared(end, range(3))
    assert "Run it again" in caught.value.cure
    assert not multiprocessing.active_children()
