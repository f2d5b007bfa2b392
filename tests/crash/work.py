"""What every work of the crash trials has: what it says of itself, and what it begins with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlog.errors import StoreFailed
from benchlog.store.writer import SessionWriter
from tests.crash.source import csv_text, reading
from tests.store.samples import begin

IMPORTED = 6_000
STORE = "s.benchlog"
PATIENCE_S = 120.0
Say = Callable[[str, Any], None]
Said = dict[str, list[Any]]  # by what; values in order
UNACKNOWLEDGED = {"from here", "done", "failed"}  # said by the trial, not by the store


class NotKept(Exception):
    """The store has not acknowledged what was put, and does not say why."""


@dataclass(frozen=True)
class Work:
    """One of them; ``prepare`` makes the folder it starts with, one of several by the seed, and is not cut off."""

    name: str
    prepare: Callable[[Path, int], None]
    do: Callable[[Path, int, Say], None]
    wrong: Callable[[Path, int, Said], list[str]]
    kinds: int = 1  # of folders to start with
    beside: bool = False  # it has no store, but a file
    marks: bool = False  # it says itself from where on it is to be cut off: "from here"


def last(said: Said, what: str) -> Any:
    """The newest value said; None where there is none."""
    return said[what][-1] if said.get(what) else None


def acknowledged(said: Said) -> int:
    """How many things were."""
    return sum(len(values) for what, values in said.items() if what not in UNACKNOWLEDGED)


def nothing(folder: Path, seed: int) -> None:
    """There is no store yet."""


@contextmanager
def session(folder: Path, say: Say) -> Iterator[SessionWriter]:
    """Ended as a run ends it, also where it comes to grief."""
    writer = begin(folder / STORE)
    say("session", writer.session_id)
    try:
        yield writer
    except BaseException:
        with suppress(StoreFailed):
            writer.end("ended by a fault")
        raise
    writer.end("done")


def flush(writer: SessionWriter) -> None:
    """Raises StoreFailed at the first trouble; a run is more patient."""
    for _ in range(round(PATIENCE_S / 0.05)):
        if writer.flush(0.05):
            return
        if writer.failure is not None:
            raise writer.failure
    raise NotKept("flush never came back")


def a_session_and_a_file(folder: Path, seed: int) -> None:
    """A session that is there before, and readings from elsewhere."""
    (folder / "in.csv").write_text(csv_text(IMPORTED), newline="")
    writer = begin(folder / STORE)
    for n in range(100):
        writer.put(reading(n))
    writer.end("done")
