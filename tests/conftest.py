"""For every test: nothing it started may outlive it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import settings

# A busy machine is no fault of the example: no time is set for any.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

LONGEST = (
    "tests/trials/test_fault_trials.py",
    "tests/cli/test_sweep.py",
    "tests/page/test_runs.py",
    "tests/page/test_chromium.py",
    "tests/analysis/test_compare.py",
    "tests/contract/test_contract.py",
    "tests/cli/test_bad_input.py",
    "tests/truth/test_truth_trials.py",
    "tests/crash/test_crash_trials.py",
    "tests/real/test_resync.py",
    "tests/report/test_chromium.py",
)
"""Begun first, so that no worker is left with one of these when the others have ended; any other order is as right."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first, the others as they were found."""
    ranks = {name: rank for rank, name in enumerate(LONGEST)}
    items.sort(key=lambda item: ranks.get(item.nodeid.partition("::")[0], len(ranks)))


@pytest.fixture(autouse=True)
def _no_thread_left_by_a_test() -> Iterator[None]:
    """A thread that outlives its test would talk to the next one's instruments."""
    before = set(threading.enumerate())
    yield
    none_left_but(before)


@pytest.fixture(scope="module", autouse=True)
def _no_thread_left_by_a_file() -> Iterator[None]:
    """Nor may what the tests of a file share: where another thread is at work, `benchlog.cores` has one core only."""
    yield
    none_left_but({threading.main_thread()})


def none_left_but(before: set[threading.Thread]) -> None:
    deadline = time.monotonic() + 2.0  # threads told to stop may need a moment to notice
    while left := [t for t in threading.enumerate() if t not in before and t.is_alive()]:
        if time.monotonic() > deadline:
            pytest.fail(f"threads left behind: {', '.join(t.name for t in left)}")
        time.sleep(0.01)
