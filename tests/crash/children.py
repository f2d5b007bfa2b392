"""The processes that works are done in: forked off one that has everything imported, so that a start takes no time."""

from __future__ import annotations

import multiprocessing as mp
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from benchlog.errors import BenchlogError
from tests.crash.work import Said, Work
from tests.crash.works import NAMED

STARTS_S = 30.0
Ear = Callable[[str, object], None]
Before = Callable[[Path], Ear]
"""Done in the new process before its work, with its folder; what it returns hears all that is said, in that process."""


class Folders:
    """What works start with, made once of each kind."""

    def __init__(self, place: Path) -> None:
        self._place = place
        self._made: dict[tuple[str, int], Path] = {}

    def of(self, work: Work, seed: int) -> Path:
        """Not to be written to."""
        kind = work.name, seed % work.kinds
        if kind not in self._made:
            path = self._place / f"template-{len(self._made)}"
            path.mkdir()
            work.prepare(path, seed % work.kinds)
            self._made[kind] = path
        return self._made[kind]


@dataclass
class Child:
    """One work under way; ``said`` is what was heard of it so far."""

    process: mp.process.BaseProcess
    heard: Connection
    said: Said

    def hear(self) -> bool:
        """One word more; False once there are none."""
        try:
            what, value = self.heard.recv()
        except (EOFError, ConnectionError):
            return False
        self.said.setdefault(what, []).append(value)
        return True

    def hear_all(self) -> Said:
        """Until it ends."""
        while self.hear():
            pass
        self.process.join()
        return self.said


@contextmanager
def started(work: Work, folder: Path, seed: int, before: Before | None = None) -> Iterator[Child]:
    """From the moment on from which the work may be cut off; over when the block is left."""
    context = mp.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.works", "tests.crash.recorder", "sqlite_utils", "pyarrow.parquet"])
    heard, says = context.Pipe(duplex=False)
    process = context.Process(target=_do, args=(work.name, folder, seed, says, before))
    process.start()
    says.close()
    child = Child(process, heard, {})
    try:
        assert heard.poll(STARTS_S), "it never started"
        while not child.said.keys() & {"from here", "failed"}:
            assert child.hear(), f"it ended at its start: {child.said}"
        yield child
    finally:
        process.kill()
        process.join()
        heard.close()


@contextmanager
def copied(template: Path, folder: Path) -> Iterator[Path]:
    """A folder to work in, gone afterwards."""
    shutil.copytree(template, folder, dirs_exist_ok=True)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def _do(name: str, folder: Path, seed: int, says: Connection, before: Before | None) -> None:
    ear: Ear | None = None

    def say(what: str, value: object = None) -> None:
        if ear is not None:
            ear(what, value)
        says.send((what, value))

    try:
        ear = before(folder) if before else None
        if not NAMED[name].marks:
            say("from here")
        NAMED[name].do(folder, seed, say)
        say("done")
    except BaseException as exc:  # noqa: BLE001 - the judge is told
        say("failed", (isinstance(exc, BenchlogError), f"{type(exc).__name__}: {exc}"))
