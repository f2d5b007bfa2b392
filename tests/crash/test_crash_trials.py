"""The short form of ``scripts/crash-trials``: each work cut off in each way, some times; and whether the judge sees."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.crash.children import Folders, copied, started
from tests.crash.disks import CAN_MOUNT, HOW, MOUNTED, Hinderer
from tests.crash.judge import judge
from tests.crash.killing import Killer
from tests.crash.power import record
from tests.crash.work import STORE, Work
from tests.crash.works import NAMED, WORKS

LOSSES = 6
MEMORY = Path("/dev/shm")  # what is seen here does not depend on the disk's speed; without it, a real disk will do
WRITING = NAMED["writing a session"]


@pytest.fixture(scope="module")
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="crash-", dir=MEMORY if MEMORY.is_dir() else None) as name:
        yield Path(name)


@pytest.fixture(scope="module")
def folders(place: Path) -> Folders:
    (place / "templates").mkdir()
    return Folders(place / "templates")


@pytest.fixture(scope="module")
def killer(place: Path, folders: Folders) -> Killer:
    return Killer(place, folders)


@pytest.fixture(scope="module")
def hinderer(place: Path, folders: Folders) -> Hinderer:
    return Hinderer(place, folders)


def by_name(work: Work) -> str:
    return work.name


@pytest.mark.parametrize("work", WORKS, ids=by_name)
def test_what_was_acknowledged_survives_sigkill(killer: Killer, work: Work) -> None:
    for seed in range(2):
        found = killer.kill(work, seed)
        assert not found.wrong, found


@pytest.mark.parametrize("work", WORKS, ids=by_name)
def test_what_was_acknowledged_survives_a_power_loss(place: Path, folders: Folders, work: Work) -> None:
    recording = record(work, 0, folders.of(work, 0), place / "recorded")
    tried = list(recording.losses(LOSSES, place / "lost"))
    assert len(tried) == LOSSES
    assert [found for found in tried if found.wrong] == []


def test_less_synchronisation_than_the_stores_own_would_not_do(place: Path, folders: Folders) -> None:
    """NORMAL loses what was acknowledged and leaves the file whole, OFF does not leave it whole (sqlite.org/wal.html):
    else the power losses of these trials would prove nothing."""
    normal = list(record(WRITING, 0, folders.of(WRITING, 0), place / "r", "NORMAL").losses(12, place / "lost"))
    assert any(found.lost for found in normal)
    assert not any(found.damaged for found in normal)
    off = list(record(WRITING, 0, folders.of(WRITING, 0), place / "r", "OFF").losses(12, place / "lost"))
    assert any(found.damaged for found in off)


@pytest.mark.parametrize("how", HOW)
def test_a_disk_that_takes_no_more_is_told_and_loses_nothing(hinderer: Hinderer, how: str) -> None:
    if how in MOUNTED and not CAN_MOUNT:
        pytest.skip("mounting a small file system takes root")
    hindered = 0
    for seed, work in enumerate(WORKS[HOW_AT[how] :: 3]):
        found = hinderer.hinder(work, how, seed)
        assert not found.wrong, found
        assert found.readable is not False, found
        hindered += bool(found.told)
    assert hindered


HOW_AT = {how: number % 3 for number, how in enumerate(HOW)}  # each works' share of this; the long form does all


def test_the_judge_misses_nothing(place: Path, folders: Folders) -> None:
    """A row taken out of the middle, a value altered, a row of nobody's, a page spoiled."""
    with copied(folders.of(WRITING, 0), place / "judged") as folder:
        with started(WRITING, folder, 0) as child:
            said = child.hear_all()
        whole = (folder / STORE).read_bytes()
        assert judge(WRITING, folder, 0, said) == []
        for harm, seen in HARM.items():
            (folder / STORE).write_bytes(whole)
            with closing(sqlite3.connect(folder / STORE)) as connection:
                connection.execute(harm)
                connection.commit()
            assert any(seen in what for what in judge(WRITING, folder, 0, said)), harm
        (folder / STORE).write_bytes(whole[:20480] + bytes(4096) + whole[24576:])
        assert judge(WRITING, folder, 0, said)


HARM = {
    "DELETE FROM reading WHERE t_ns = 300 * 1000003": "1 of",
    "UPDATE reading SET value = value + 1 WHERE t_ns = 300 * 1000003": "not what was put",
    "UPDATE reading SET how = 1 WHERE t_ns = 300 * 1000003": "are not what they were",
    "INSERT INTO reading VALUES (1, 301, 4.5, 0)": "not what was put",
    "INSERT INTO event VALUES (NULL, 99, 1, 'note', '', '', '', '{}')": "foreign_key_check",
}
