"""Every fault once, while a real heat run on a simulated bench has the key down; ``scripts/fault-trials`` does more.

"Within one second" is the contract's own bound on keying up, and the key box's own record of edges is the judge.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from tests.trials.faults import FAULTS, Fault
from tests.trials.judge import Kept, slots_of
from tests.trials.rig import runtime_folder
from tests.trials.trial import Outcome, make

PATIENCE_S = 600  # for a whole trial: on a busy machine its processes start and end slowly
TIMES = {"SIGKILL of the logger": 3, "SIGSTOP of the logger": 3, "SIGKILL of the guard": 3}
Outcomes = dict[str, list[Future[Outcome]]]


def made(fault: Fault, folder: Path, seed: int) -> Outcome:
    """A busy machine may key up before there is a fault: that trial says nothing, and is made again."""
    for again in range(3):
        outcome = make(fault, folder / str(again), seed)
        if not outcome.not_made:
            break
    return outcome


@pytest.fixture(scope="module")
def outcomes() -> Iterator[Outcomes]:
    """All trials, some at a time: most of a trial is waiting for processes to start and to end."""
    with runtime_folder() as folder, ThreadPoolExecutor(2) as pool:
        yield {
            fault.name: [
                pool.submit(made, fault, folder / f"{n}-{k}", k) for k in range(TIMES.get(fault.name, 1))
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
        outcome = future.result(PATIENCE_S)
        assert not outcome.not_made
        assert outcome.up_in_time, outcome
        assert not outcome.unreadable, outcome
        assert not outcome.lost, outcome
        assert not outcome.wrong, outcome


def test_the_judge_misses_no_row(outcomes: Outcomes) -> None:
    """One row of the middle taken out is one row lost, of that channel alone; the last ones are told as well."""
    outcome = outcomes["SIGTERM of the logger"][0].result(PATIENCE_S)
    assert outcome.store
    kept = Kept.of(outcome.store)
    assert kept.lost(outcome.fault_ns, last=False) == {}
    with closing(sqlite3.connect(outcome.store)) as db:
        (power,) = db.execute("SELECT id FROM channel WHERE name = 'power'").fetchone()
        times = [t_ns for (t_ns,) in db.execute("SELECT t_ns FROM reading WHERE channel = ? ORDER BY t_ns", (power,))]
        db.execute("DELETE FROM reading WHERE t_ns = ? AND channel = ?", (times[len(times) // 2], power))
        db.commit()
        assert kept.lost(outcome.fault_ns, last=False) == {"power": 1}
        cut_ns = kept.session_ns(outcome.fault_ns) - round(10e9)
        gone = db.execute("DELETE FROM reading WHERE channel = ? AND t_ns > ?", (power, cut_ns)).rowcount
        db.commit()
    assert gone > 30
    assert kept.lost(outcome.fault_ns, last=True)["power"] > 30


@pytest.mark.parametrize(
    ("began_ms", "slots"),
    [
        ([50, 250, 450, 650], [0, 1, 2, 3]),
        ([50, 402, 490, 650], [0, 1, 2, 3]),  # the second was due at 200, and is asked at the last moment
        ([50, 450, 490, 650], [0, 2, 2, 3]),  # one slot asked twice, and one not at all
        ([50, 250, 402, 490], [0, 1, 2, 2]),  # no slot before it is without a row
    ],
)
def test_only_who_is_held_up_at_a_slots_end_begins_behind_it(began_ms: list[int], slots: list[int]) -> None:
    assert slots_of([(ms * 1_000_000, 1_000, 0) for ms in began_ms], 200_000_000) == slots


def test_a_slot_that_was_not_asked_in_excuses_no_other() -> None:
    """It stands at the slot's start, where nobody was held up."""
    rows = [(50_000_000, 1_000, 0), (400_000_000, None, 3), (490_000_000, 1_000, 0)]
    assert slots_of(rows, 200_000_000) == [0, 2, 2]


def test_an_answer_without_a_value_is_of_the_slot_it_was_asked_in() -> None:
    """However close to another's start the middle of its exchange is."""
    slot_ns, asked_late = 500_000_000, (246_001_439_199, 420_656, 1)  # asked in slot 491, its middle 1.4 ms into 492
    assert slots_of([(245_050_000_000, 2_000, 0), asked_late, (246_239_000_000, 50_000, 0)], slot_ns) == [490, 491, 492]
    assert slots_of([(245_050_000_000, 2_000, 0), (246_001_400_000, 420_656, 2)], slot_ns) == [490, 492], "not asked"
