"""Everything a user may be told went wrong, each with the exit status it ends the program with.

BenchlogError                   3
├── UsageError                  2   the command's words, or a file handed to it, are off
│   ├── BadFile                 2   a bench, plan or CSV file has faults; all of them are listed
│   ├── BadStore                2   the store is not ours, is damaged, or is newer than this program
│   └── NotInstalled            2   what was asked for takes an extra that is not here
├── BenchFailed                 3   an instrument that the work cannot do without
├── StoreFailed                 3   the store cannot be written (full disk, lock, permission)
└── StoppedForSafety            4   a limit was crossed

An instrument's passing faults are not here: they end as rows in the store, not as errors (``driver.py``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar


class BenchlogError(Exception):
    """A fault told to the user as: what happened, where, what to do."""

    exit_status: ClassVar[int] = 3

    def __init__(self, what: str, *, where: str = "", cure: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.cure = what, where, cure

    def __str__(self) -> str:
        """One block of text for a terminal."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}\n  {self.cure}" if self.cure else head


class UsageError(BenchlogError):
    """What was asked for makes no sense; nothing was done."""

    exit_status = 2


class BadStore(UsageError):
    """The file given as a store cannot serve as one; it was not changed."""


class NotInstalled(UsageError):
    """What was asked for takes a package, or a library of the system, that is not installed."""


class BenchFailed(BenchlogError):
    """An instrument that the work cannot do without did not answer."""


class StoreFailed(BenchlogError):
    """The store could not be read or written; what was committed before is kept."""


class StoppedForSafety(BenchlogError):
    """A limit was crossed; the session was ended and kept."""

    exit_status = 4


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one place of a file."""

    where: str  # the key ("instrument[0].timeout") or the line ("line 12")
    found: str  # the value found, as the file has it; empty where the fault is an absence
    problem: str  # what is wrong and what is allowed

    def __str__(self) -> str:
        """One line."""
        found = f" = {self.found}" if self.found else ""
        return f"{self.where}{found}: {self.problem}"


class BadFile(UsageError):
    """A file with faults, all listed at once so that one round of mending is enough."""

    def __init__(self, path: object, faults: Sequence[Fault], *, kept: str = "Nothing was changed.") -> None:
        self.path, self.faults = str(path), tuple(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        lines = "\n".join(f"  {fault}" for fault in faults)
        super().__init__(f"{count}\n{lines}", where=self.path, cure=kept)
