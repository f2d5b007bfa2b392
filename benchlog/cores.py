"""All cores for one piece of work: one way for it, in processes forked from this one.

A child has in memory what its parent had, without a copy; only what it finds comes back, through a pipe. Whoever is
free takes the next item, and the answers keep the items' order: what is found does not depend on how many work on it.
With one core, in a program of several threads (a fork takes but one of them along), in a process that may have no
children, and where there is no fork, all is done here, one item after the other.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Mapping, Sequence
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from benchlog.errors import BenchlogError

Item = TypeVar("Item")
Found = TypeVar("Found")
Key = TypeVar("Key")

_MOST = 4096  # parts the items are handed out in: what tells them is 16 kB, which any pipe holds
_BYTES = 4  # of a part's number


def cores() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def shared(work: Callable[[Item], Found], items: Sequence[Item], *, worth: bool = True) -> list[Found]:
    """``work`` of each item, in their order, on all cores.

    Args:
        work: changes nothing, and gives what can be pickled; an exception in it is raised here.
        worth: whether there is enough to do, half a second of work; if not, it is done here.
    Raises: BenchlogError, a process was killed under its work.
    """
    hands = min(cores(), len(items)) if worth and _may_fork() else 1
    if hands < 2:
        return [work(item) for item in items]
    each = -(-len(items) // _MOST)
    parts = [items[start : start + each] for start in range(0, len(items), each)]
    todo, told = os.pipe()
    os.write(told, b"".join(n.to_bytes(_BYTES, "big") for n in range(len(parts))))
    os.close(told)  # so that the end is seen

    def take() -> dict[int, list[Found]]:
        found = {}
        while number := os.read(todo, _BYTES):  # one number for one reader: a pipe is locked meanwhile
            n = int.from_bytes(number, "big")
            found[n] = [work(item) for item in parts[n]]
        return found

    fork = multiprocessing.get_context("fork")
    helpers = []
    gc.freeze()  # or the children's collections would write on, and so copy, every page of ours
    try:
        for _ in range(hands - 1):
            ours, theirs = fork.Pipe(duplex=False)
            process = fork.Process(target=_help, args=(take, ours, theirs), daemon=True)
            process.start()
            theirs.close()  # so that a child's end is heard
            helpers.append((process, ours))
        found = take()
        for _, ours in helpers:
            found |= _heard(ours)
    finally:
        gc.unfreeze()
        os.close(todo)
        for process, ours in helpers:
            ours.close()
            process.kill()  # all was heard, or nobody wants it any more
            process.join()
            process.close()
    return [one for n in range(len(parts)) for one in found[n]]


def each(jobs: Mapping[Key, Callable[[], Any]], *, worth: bool = True) -> dict[Key, Any]:
    """What each of several jobs finds, by its name; as ``shared``. Those that take longest should come first."""
    return dict(zip(jobs, shared(lambda job: job(), [*jobs.values()], worth=worth), strict=True))


def _may_fork() -> bool:
    return (
        "fork" in multiprocessing.get_all_start_methods()
        and threading.active_count() == 1
        and not multiprocessing.current_process().daemon
    )


def _help(take: Callable[[], dict[int, list[Found]]], ours: Connection, theirs: Connection) -> None:
    """In a child: take a share of the work and say what was found."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which then ends this
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    ours.close()  # the parent's end; once that is gone, so is the pipe
    try:
        said: tuple[dict[int, list[Found]], Exception | None] = take(), None
    except Exception as exc:  # noqa: BLE001 - it is raised in the parent
        said = {}, exc
    try:
        theirs.send(said)
    except OSError:
        os._exit(1)  # nobody listens any more


def _heard(ours: Connection) -> dict[int, list[Found]]:
    try:
        said: tuple[dict[int, list[Found]], Exception | None] = ours.recv()
    except EOFError:
        raise BenchlogError(
            "a process that shared the work was ended from outside, for want of memory or by hand",
            where="analysis",
            cure="Nothing is lost. Run it again with more memory free, or on one core: taskset -c 0 benchlog ...",
        ) from None
    found, trouble = said
    if trouble is not None:
        raise trouble
    return found
