"""Disks that take no more: full, read-only from the start, full or failing from some write on.

The first two are real, small file systems in memory, which takes root to mount. The others are SQLite's own way to the
disk with that answer put in from the n-th write or sync on (``recorder``).
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from benchlog.errors import BadStore, BenchlogError
from benchlog.store import writer
from benchlog.store.reader import StoreReader
from tests.crash.children import Before, Ear, Folders, started
from tests.crash.judge import judge
from tests.crash.power import record
from tests.crash.recorder import Recorder
from tests.crash.work import STORE, Said, Work

SIZE = 16 * 1024 * 1024
SMALLEST, LARGEST = 4096, 4 * 1024 * 1024  # room left on the full disk
CAN_MOUNT = os.getuid() == 0
HOW = {  # how, and what the user must be told
    "full": ("the disk is full", "no space left on device", "the disk failed"),
    "read-only": ("no permission to write it", "read-only file system", "cannot be opened"),
    "full from a write on": ("the disk is full", "the disk failed", "input/output error"),
    "failing from a write on": ("the disk failed", "input/output error"),
}
MOUNTED = ("full", "read-only")


@dataclass
class Hindered:
    """What one such disk showed."""

    work: str
    how: str
    seed: int
    said: Said
    told: str  # what the user would read; empty where the work was done
    readable: bool | None  # while the disk took nothing; None where that was not tried
    wrong: list[str]


class Hinderer:
    """Puts works on such disks, one at a time."""

    def __init__(self, place: Path, folders: Folders) -> None:
        self._place, self._folders = place, folders
        self._steps: dict[str, int] = {}

    def hinder(self, work: Work, how: str, seed: int) -> Hindered:
        """One trial. Only root may ask for one of those that are ``MOUNTED``."""
        chance = random.Random(f"{work.name} {how} {seed}")
        place = self._place / "hindered"
        place.mkdir()
        folder = place / "work"
        try:
            with _mounted(place) if how in MOUNTED else _nothing():
                shutil.copytree(self._folders.of(work, seed), folder)
                readable = None
                if how == "full":
                    with _filled(place, round(SMALLEST * (LARGEST / SMALLEST) ** chance.random())):
                        said = _done(work, folder, seed, _impatient)
                        readable = _is_readable(folder)
                elif how == "read-only":
                    with _read_only(place):
                        said = _done(work, folder, seed, _impatient)
                        readable = _is_readable(folder)
                else:
                    at = chance.randrange(self._steps_of(work))
                    said = _done(work, folder, seed, partial(_fails, at=at, full=how.startswith("full")))
                told, wrong = _told(how, said)
                wrong += judge(work, folder, seed, said, look=seed % 8 > 3)
                return Hindered(work.name, how, seed, said, told, readable, wrong)
        finally:
            shutil.rmtree(place)

    def _steps_of(self, work: Work) -> int:
        """How many writes and syncs it takes."""
        if work.name not in self._steps:
            seed = work.kinds - 1
            log = record(work, seed, self._folders.of(work, seed), self._place / "recorded").log
            self._steps[work.name] = sum(op.what in Recorder.FALLIBLE for op in log)
        return self._steps[work.name]


def _done(work: Work, folder: Path, seed: int, before: Before) -> Said:
    with started(work, folder, seed, before) as child:
        return child.hear_all()


def _told(how: str, said: Said) -> tuple[str, list[str]]:
    """What the user would read, and what is wrong with that."""
    if "done" in said:
        return "", ["it was done, and cannot have been"] if how == "read-only" else []
    if "failed" not in said:
        return "", ["it ended without a word"]
    plainly, told = said["failed"][0]
    if not plainly or not any(why in told.lower() for why in HOW[how]):
        return told, [f"told badly: {told}"]
    return told, []


def _is_readable(folder: Path) -> bool | None:
    """Whether what is there can be looked at, for instance to copy it away."""
    if not (folder / STORE).exists():
        return None
    try:
        StoreReader.open(folder / STORE).sessions()
    except BadStore:  # empty, or from a program so old that it has to be brought up to date first
        return None
    except BenchlogError:
        return False
    return True


def _impatient(folder: Path) -> Ear:
    """In the work's process: a session gives up sooner on a disk that stays as it is."""
    writer.PATIENCE_S = 0.3
    return lambda what, value: None


def _fails(folder: Path, at: int, full: bool) -> Ear:
    Recorder(folder, at, full=full)
    return _impatient(folder)


@contextmanager
def _nothing() -> Iterator[None]:
    yield


@contextmanager
def _mounted(place: Path) -> Iterator[None]:
    """A small file system of its own."""
    _run("mount", "-t", "tmpfs", "-o", f"size={SIZE}", "none", place)
    try:
        yield
    finally:
        _run("umount", place)


@contextmanager
def _filled(place: Path, room: int) -> Iterator[None]:
    """Until so many bytes are left."""
    filler = place / "filler"
    with filler.open("wb") as file:
        free = os.statvfs(place).f_bavail * os.statvfs(place).f_frsize
        os.posix_fallocate(file.fileno(), 0, free - room)
    yield
    filler.unlink()


@contextmanager
def _read_only(place: Path) -> Iterator[None]:
    _run("mount", "-o", "remount,ro", place)
    try:
        yield
    finally:
        _run("mount", "-o", f"remount,rw,size={SIZE}", place)


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)
