"""Every fault once, while a real heat run on a simulated bench has the key down; ``scripts/fault-trials`` does more.

"Within one second" is the contract's own bound on keying up, and the key box's own record of edges is the judge.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from tests.trials.faults import FAULTS, Fault
from tests.trials.rig import runtime_folder
from tests.trials.trial import Outcome, make

TIMES = {"SIGKILL of the logger": 3, "SIGSTOP of the logger": 3, "SIGKILL of the guard": 3}
Outcomes = dict[str, list[Future[Outcome]]]


@pytest.fixture(scope="module")
def outcomes() -> Iterator[Outcomes]:
    """All trials, some at a time: most of a trial is waiting for processes to start and to end."""
    with runtime_folder() as folder, ThreadPoolExecutor(3) as pool:
        yield {
            fault.name: [
                pool.submit(make, fault, folder / f"{n}-{k}", k) for k in range(TIMES.get(fault.name, 1))
            ]
            for n, fault in enumerate(FAULTS)
            if os.getuid() == 0 or not fault.small_disk
        }  # fmt: skip
        pool.shutdown(cancel_futures=True)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_the_key_goes_up_and_nothing_is_lost(outcomes: Outcomes, fault: Fault) -> None:
    if fault.name not in outcomes:
        pytest.skip("mounting a small file system takes root")
    for future in outcomes[fault.name]:
        outcome = future.result(180)
        assert not outcome.not_made
        assert outcome.up_in_time, outcome
        assert not outcome.unreadable, outcome
        assert not outcome.lost, outcome
        assert not outcome.wrong, outcome
