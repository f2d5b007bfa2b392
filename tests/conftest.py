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


@pytest.fixture(autouse=True)
def _no_thread_left() -> Iterator[None]:
    """A thread that outlives its test would talk to the next one's instruments."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 2.0  # threads told to stop may need a moment to notice
    while left := [t for t in threading.enumerate() if t not in before and t.is_alive()]:
        if time.monotonic() > deadline:
            pytest.fail(f"threads left behind: {', '.join(t.name for t in left)}")
        time.sleep(0.01)
