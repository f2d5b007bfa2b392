"""The short form of ``scripts/abuse --instruments``: four instruments turn at once, in one watch."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.abuse.hostile import FOUR, Case, Ran, faults, run
from tests.trials.judge import Kept
from tests.trials.rig import FACTOR, runtime_folder

MORE_FILES = 3


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    with runtime_folder():
        folder = tmp_path_factory.mktemp("hostile") / "run"
        return run(folder, Case("four at once", FOUR), calm_s=0.5, trouble_s=1.5, factor=FACTOR, keyed=False)


def test_every_slot_has_its_reason_and_the_operator_is_told_once(ran: Ran) -> None:
    """What it takes of the processor, and how many slots a busy machine misses, is for the long form to say."""
    assert not faults(ran), "\n".join(ran.said)
    calm, troubled = (max(look.files for look in looks) for looks in (ran.calm, ran.troubled))
    assert troubled <= calm + MORE_FILES


def test_an_invented_reading_and_one_without_a_reason_are_seen(ran: Ran, tmp_path: Path) -> None:
    store = tmp_path / ran.store.name
    with closing(sqlite3.connect(ran.store)) as kept, closing(sqlite3.connect(store)) as copy:
        kept.backup(copy)
        until = Kept.of(store).session_ns(ran.to_ns)
        last = f"SELECT max(t_ns) FROM reading WHERE channel = ? AND value IS NULL AND t_ns < {until}"
        (volts,), (amperes,) = (
            copy.execute("SELECT id FROM channel WHERE name = ?", (name,)).fetchone()
            for name in ("plate voltage", "plate current")
        )
        copy.execute(f"UPDATE reading SET value = 9, how = 0 WHERE channel = ? AND t_ns = ({last})", (volts, volts))
        copy.execute("INSERT INTO note VALUES (999, 'missed', '', '')")
        copy.execute(f"UPDATE reading SET how = 999 << 40 WHERE channel = ? AND t_ns = ({last})", (amperes, amperes))
        copy.commit()
    assert faults(replace(ran, store=store)) == ["1 rows without a reason", "1 readings that nobody measured"]
