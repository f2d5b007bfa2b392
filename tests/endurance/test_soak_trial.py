"""The short form of ``scripts/soak-trial``: an hour of the daemon, whole."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.soak_trial import report
from tests.endurance.judge import lost_slots, rows
from tests.endurance.trial import Ran, run
from tests.endurance.vitals import KINDS, Vitals, grows, quarters
from tests.trials.rig import runtime_folder

HOURS, FACTOR = 0.15, 120.0


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ran]:
    """Made again where the machine was so busy that the windows were hardly read: their mean is another figure."""
    with runtime_folder():
        for _ in range(3):
            made = run(tmp_path_factory.mktemp("endurance"), hours=HOURS, factor=FACTOR, seed=1, look_s=0.1)
            count, missed = rows(made)
            if missed < 0.05 * count:
                break
        yield made


def test_nine_minutes_are_whole_and_right(ran: Ran) -> None:
    """Whether anything grows shows in days only; how many slots were missed is the machine's affair."""
    told: list[str] = []
    faults = [fault for fault in report(ran, told.append) if " grows: " not in fault and " were missed: " not in fault]
    assert not faults, "\n".join(told)
    assert len(ran.edges) == 2 * round(HOURS * 3600 / 180)


def test_a_slot_without_its_row_is_seen(ran: Ran, tmp_path: Path) -> None:
    store = tmp_path / ran.store.name
    with closing(sqlite3.connect(ran.store)) as kept, closing(sqlite3.connect(store)) as copy:
        kept.backup(copy)
        copy.execute(
            "DELETE FROM reading WHERE (channel, t_ns) IN (SELECT channel, t_ns FROM reading LIMIT 1 OFFSET 9)"
        )
        copy.commit()
    assert lost_slots(ran) == {}
    assert lost_slots(replace(ran, store=store)) == {"power": 1}


def test_what_grows_is_seen() -> None:
    seen = [
        Vitals(float(n), memory_mb=100 + n, files=30, threads=15, wal_mb=4, cpu_s=0.1 * n + 0.01 * max(n - 20, 0) ** 2)
        for n in range(40)
    ]
    rising = [kind.name for kind in KINDS if grows([kind.of(part) for part in quarters(seen)], kind.slack)]
    assert rising == ["memory, MB", "processor, % of a core"]
