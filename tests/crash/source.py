"""What goes into the stores of the crash trials: readings that follow from their number, and how to see them again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.clock import rfc3339
from benchlog.model import Reading, State
from benchlog.store.reader import StoreReader
from benchlog.store.verify import verify
from tests.store.samples import STARTED_NS, plain

POLLED = ("power", "back", "frequency")


def reading(n: int) -> Reading:
    """The n-th: mostly a value, now and then the reason there is none."""
    channel, t_ns, took_ns = POLLED[n % 3], n * 1_000_003, n % 50 * 1000
    if n % 17 == 5:
        return Reading(channel, t_ns, None, took_ns, State.MISSED, f"no reply, the {n % 4}th time")
    if n % 23 == 7:
        return Reading(channel, t_ns, None, took_ns, State.INVALID, "not a number", f"?{n}")
    return Reading(channel, t_ns, n * 7919 % 100_003 / 8, took_ns)


def as_row(one: Reading) -> tuple[Any, ...]:
    """As ``rows`` finds it."""
    return one.t_ns, one.channel, one.value, one.took_ns // 1000, one.state.value, one.reason, one.said


def rows(store: Path, session: int, channels: Sequence[str] = POLLED) -> list[tuple[Any, ...]]:
    """A session's readings in order of time, through a plain connection."""
    return plain(
        store,
        f"""SELECT t_ns, name, value, took_us, state, reason, said FROM reading
            JOIN channel ON channel.id = channel JOIN note ON note.id = note
            WHERE session = ? AND name IN ({", ".join("?" * len(channels))}) ORDER BY t_ns""",
        session,
        *channels,
    )


def csv_text(count: int) -> str:
    """The first readings as ``import`` takes them."""
    lines = ["time,channel,value,state"]
    for one in map(reading, range(count)):
        value = "" if one.value is None else repr(one.value)
        lines.append(f"{rfc3339(STARTED_NS + one.t_ns, 9)},{one.channel},{value},{one.state.value}")
    return "\r\n".join(lines) + "\r\n"


def wrong_import(store: Path, session: int, count: int) -> list[str]:
    """How a session differs from the import of ``csv_text(count)``; the times count from the first reading."""
    found = {name: series for name, series in StoreReader.open(store).raw(session).items() if len(series)}
    wanted = [reading(n) for n in range(count)]
    wrong = []
    for name in POLLED:
        own = [one for one in wanted if one.channel == name]
        values = np.array([np.nan if one.value is None else one.value for one in own])
        same = name in found and (
            np.array_equal(found[name].t_ns, [one.t_ns for one in own])
            and np.array_equal(found[name].value, values, equal_nan=True)
        )
        if not same:
            wrong.append(f"session {session}: {name} is not what the file has")
    return wrong


def wrong_seals(store: Path) -> list[str]:
    """What ``benchlog verify`` has to say of the file, and of every session that was sealed at its end."""
    found = verify(store, "all")
    sealed = [one for one in found.sessions if one.sealed_digest is not None]
    return [f"verify: {trouble.text}" for trouble in found.file] + [
        f"verify: session {one.id} {one.verdict}: {'; '.join(trouble.text for trouble in one.troubles)}"
        for one in sealed
        if one.verdict != "intact" or one.troubles
    ]
