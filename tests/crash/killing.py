"""SIGKILL: a work in a process of its own, killed at a moment that chance draws over the time the work takes."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass
from pathlib import Path

from tests.crash.children import Folders, copied, started
from tests.crash.judge import judge
from tests.crash.work import Said, Work

BEYOND = 1.1  # moments are drawn a little beyond the time a work took when nobody killed it


@dataclass
class Killed:
    """What one SIGKILL showed."""

    work: str
    seed: int
    after_s: float  # the work's beginning
    said: Said
    wrong: list[str]

    @property
    def in_time(self) -> bool:
        """Before the work was done."""
        return "done" not in self.said


class Killer:
    """Kills works, each in a folder of its own."""

    def __init__(self, place: Path, folders: Folders) -> None:
        self._place, self._folders = place, folders
        self._takes_s: dict[tuple[str, int], float] = {}

    def kill(self, work: Work, seed: int) -> Killed:
        """One trial."""
        after_s = random.Random(f"{work.name} {seed}").uniform(0, self._span_s(work, seed) * BEYOND)
        with copied(self._folders.of(work, seed), self._place / "killed") as folder:
            with started(work, folder, seed) as child:
                began = time.monotonic()
                while (left := began + after_s - time.monotonic()) > 0 and child.heard.poll(left) and child.hear():
                    pass
                if "done" in child.said:  # it was quicker this time: the next ones are to be met under way
                    self._takes_s[work.name, seed % work.kinds] = time.monotonic() - began
                child.process.kill()
                said = child.hear_all()
            wrong = [f"it ended by itself: {said['failed']}"] if "failed" in said else []
            return Killed(work.name, seed, after_s, said, wrong + judge(work, folder, seed, said, look=seed % 8 > 3))

    def _span_s(self, work: Work, seed: int) -> float:
        """How long it takes when nobody kills it; and then all of it has to be there."""
        kind = work.name, seed % work.kinds
        if kind not in self._takes_s:
            with copied(self._folders.of(work, seed), self._place / "killed") as folder:
                with started(work, folder, seed) as child:
                    began = time.monotonic()
                    said = child.hear_all()
                    self._takes_s[kind] = time.monotonic() - began
                wrong = judge(work, folder, seed, said)
            assert "done" in said, said
            assert not wrong, wrong
        return self._takes_s[kind]
