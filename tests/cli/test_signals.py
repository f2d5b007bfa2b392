"""Ctrl-C, SIGTERM and a closed terminal, whatever the main thread is in the middle of."""

from __future__ import annotations

import subprocess
import sys

import pytest

_IN_THE_MIDDLE_OF_WAIT = """
import signal
from benchlog.cli.live import stopped_by_signals
with stopped_by_signals() as stop:
    with stop._cond:  # as ``wait`` has it when it begins and when it ends
        signal.raise_signal(signal.{})
    print(stop.wait(60))
"""


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_in_the_middle_of_a_wait_stops_the_run(name: str) -> None:
    """Seen with a daemon that was asked to end just then: it waited for itself."""
    code = [sys.executable, "-c", _IN_THE_MIDDLE_OF_WAIT.format(name)]
    assert subprocess.run(code, capture_output=True, text=True, timeout=120, check=True).stdout == "True\n"
