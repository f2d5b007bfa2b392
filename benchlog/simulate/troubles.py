"""Troubles by the clock: ``counter=garbage@60..90`` on a command line, and the same as data."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.simulate.wire import (
    Chatter,
    CutInTwo,
    Drip,
    Flood,
    Garbage,
    HangUp,
    Late,
    Silent,
    Trouble,
    Twice,
    Unfinished,
)

KINDS: dict[str, Callable[[float], Trouble]] = {
    "silent": lambda pace: Silent(),
    "late": lambda pace: Late(3.0 * pace),
    "twice": lambda pace: Twice(),
    "cut": lambda pace: CutInTwo(0.1 * pace),
    "unfinished": lambda pace: Unfinished(),
    "garbage": lambda pace: Garbage(b"\x00\xff#~?\r\x07,,;\n"),
    "hang-up": lambda pace: HangUp(),
    "flood": lambda pace: Flood(),
    "chatter": lambda pace: Chatter(),
    "drip": lambda pace: Drip(0.02 * pace),
    "trickle": lambda pace: Drip(1.0 * pace),
}
"""Each takes real seconds per simulated second."""


@dataclass(frozen=True, slots=True)
class Planned:
    """One instrument's trouble, in seconds of simulated time; ``to_s`` None is for good."""

    instrument: str
    kind: str
    from_s: float = 0.0
    to_s: float | None = None


_WRITTEN = re.compile(r"(?P<instrument>[^=@]+)=(?P<kind>[a-z-]+)(@(?P<begin>\d+(\.\d+)?)(\.\.(?P<end>\d+(\.\d+)?))?)?")


def planned(text: str, instruments: Sequence[str]) -> Planned:
    """``NAME=KIND``, ``NAME=KIND@FROM`` or ``NAME=KIND@FROM..TO``. Raises UsageError."""
    found = _WRITTEN.fullmatch(text)
    if found is None:
        raise UsageError(f"{text!r} is not a trouble", cure="Write it like counter=garbage@60..90 (simulated seconds).")
    for what, known in (("instrument", instruments), ("kind", tuple(KINDS))):
        if found[what] not in known:
            raise UsageError(f"{text!r}: no such {what}", cure=f"Known: {', '.join(known)}.")
    begin, end = float(found["begin"] or 0), float(found["end"]) if found["end"] else None
    if end is not None and end <= begin:
        raise UsageError(f"{text!r}: it must end after it begins")
    return Planned(found["instrument"], found["kind"], begin, end)
