"""Which errors of two or more sessions are one and the same, so that they cancel in a difference.

An instrument's accuracy limits bound an error nobody knows; in two sessions it is the same error only where it is the
same instrument, as it was calibrated then, read and corrected in the same way. That is taken for proven where the
instrument said who it was, with a serial number, or where somebody vouches for it; else nothing cancels.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.analysis.analyse import Analysis
from benchlog.bench import Bench, Channel, Instrument
from benchlog.model import Event

# How it is reached and how often it is asked changes no error; everything else in the bench file may.
_NO_MATTER_INSTRUMENT = {"name", "driver", "address", "identity", "timeout", "options", "channel", "due"}
_NO_MATTER_CHANNEL = {"name", "every"}


@dataclass(frozen=True, slots=True)
class Taken:
    """One session as comparisons need it."""

    analysis: Analysis
    bench: Bench
    events: Sequence[Event]


@dataclass(frozen=True, slots=True)
class SameChannel:
    """Whether a channel's error is one and the same in two sessions, and why that is so or cannot be said."""

    channel: str
    instrument: str
    same: bool
    why: str


class Errors:
    """The instruments' errors of several sessions.

    Args:
        sessions: in any order; an error is asked for by a session's place here.
        vouched: instruments that somebody says are the same in all sessions; heard only where an instrument did not
            say it itself, never against what it said.
    """

    def __init__(self, sessions: Sequence[Taken], vouched: Collection[str] = ()) -> None:
        self._sessions = sessions
        self._vouched = vouched
        self._keys: dict[tuple[int, str], str] = {}

    def same(self, shared: str) -> bool:
        """Whether the error that a budget's lines call ``shared`` is one and the same in all sessions."""
        return len({self.key(place, shared) for place in range(len(self._sessions))}) == 1

    def key(self, place: int, shared: str) -> str:
        """What this error of one session is: equal for equal errors, and of this session alone where unknown."""
        if (place, shared) not in self._keys:
            self._keys[place, shared] = self._found(place, shared)
        return self._keys[place, shared]

    def _found(self, place: int, shared: str) -> str:
        taken = self._sessions[place]
        origin = _origin(shared, taken.bench)
        unknown = f"session {place}: {shared}"
        if origin is None:
            return unknown
        instrument, channels = origin
        who = self._who(place, instrument.name)
        if who is None:
            return unknown
        tables = [_instrument_table(instrument), *(_channel_table(channel) for channel in channels)]
        return json.dumps([shared, who, *tables], sort_keys=True, default=str)

    def _who(self, place: int, name: str) -> str | None:
        said = identity(name, self._sessions[place].events)
        if said.proven or name not in self._vouched:
            return said.text if said.proven else None
        known = {one.text for one in (identity(name, other.events) for other in self._sessions) if one.proven}
        # Vouched for: whoever it said to be elsewhere, as long as that is one and the same.
        return known.pop() if len(known) == 1 else f"vouched for: {name}" if not known else None

    def channels(self, shared: Iterable[str]) -> list[SameChannel]:
        """Of two sessions: which channels' errors were let cancel and why, and which not.

        Args:
            shared: the errors that the budgets name.
        """
        found: dict[str, SameChannel] = {}
        for name in shared:
            origins = [_origin(name, taken.bench) for taken in self._sessions]
            known = next((origin for origin in origins if origin is not None), None)
            if known is None:
                found[name] = SameChannel(name, "", False, "the bench file does not say which instrument it stems from")
                continue
            instrument, channels = known
            label = ", ".join(channel.name for channel in channels)
            found[label] = SameChannel(label, instrument.name, self.same(name), self._why(origins, instrument.name))
        return list(found.values())

    def _why(self, origins: Sequence[tuple[Instrument, tuple[Channel, ...]] | None], name: str) -> str:
        if any(origin is None for origin in origins):
            return "only one of the two benches has it"
        (one, its), (other, others) = (origin for origin in origins if origin is not None)
        said = [identity(name, taken.events) for taken in self._sessions]
        changed = _changed(_instrument_table(one), _instrument_table(other))
        for a, b in zip(its, others, strict=False):
            changed += _changed(_channel_table(a), _channel_table(b))
        if all(each.proven for each in said) and said[0].text != said[1].text:
            return f"another instrument: it said {said[0].text} in the first session and {said[1].text} in the second"
        if changed:
            return f"the bench files differ: {', '.join(changed)}"
        sides = zip(("first", "second"), said, strict=True)
        unsaid = [f"{each.why} (in the {side} session)" for side, each in sides if not each.proven]
        if not unsaid:
            return f"it said {said[0].text} both times, and the bench files say the same of it"
        if self._who(0, name) is not None and self._who(0, name) == self._who(1, name):
            return f"you vouch for it: {unsaid[0]}"
        return unsaid[0]


@dataclass(frozen=True, slots=True)
class Identity:
    """Who an instrument said it was in one session; ``proven``: it tells this one from all others."""

    text: str
    proven: bool
    why: str = ""


def identity(instrument: str, events: Iterable[Event]) -> Identity:
    """What the events of a session tell of who an instrument was.

    A reply of four fields with none, or 0, for the serial number names a type and not one instrument
    (IEEE 488.2, 10.14: "0" where it is not available; from memory).
    """
    said: list[str] = []
    for event in events:
        if event.instrument != instrument:
            continue
        if event.kind == "wrong-instrument":
            return Identity("", False, "another instrument answered at its address")
        if event.kind == "identity":
            said.append(str(event.data.get("identity", event.text)).strip())
    names = dict.fromkeys(said)
    if not said or "" in names:
        return Identity("", False, "it did not say who it was")
    if len(names) > 1:
        return Identity("", False, "it changed within a session")
    fields = [field.strip() for field in said[0].split(",")]
    if len(fields) == 4 and fields[2] in ("", "0"):
        return Identity(said[0], False, f"it gave no serial number: {said[0]}")
    return Identity(said[0], True)


def _origin(shared: str, bench: Bench) -> tuple[Instrument, tuple[Channel, ...]] | None:
    """Where an error stems from: budgets name it after its channel or instrument ("power accuracy")."""
    named: dict[str, tuple[Instrument, tuple[Channel, ...]]] = {}
    for instrument in bench.instruments:
        named[instrument.name] = (instrument, instrument.channel)
    for instrument, channel in bench.channels():
        named[channel.name] = (instrument, (channel,))
    fits = [name for name in named if shared == name or shared.startswith(f"{name} ")]
    return named[max(fits, key=len)] if fits else None


def _instrument_table(instrument: Instrument) -> dict[str, Any]:
    return instrument.model_dump(mode="json", exclude=_NO_MATTER_INSTRUMENT)


def _channel_table(channel: Channel) -> dict[str, Any]:
    keys = channel.model_dump(mode="json", exclude=_NO_MATTER_CHANNEL)
    if channel.table is not None:  # one file name may stand for another table
        keys["correction"] = f"{channel.correction} ({channel.table.sha256[:12]})"
    return keys


def _changed(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    keys = [key for key in {**one, **other} if one.get(key) != other.get(key)]
    return [f"{key} {_shown(one.get(key))} then, {_shown(other.get(key))} now" for key in keys]


def _shown(value: Any) -> str:
    return "nothing" if value in (None, "", [], {}) else str(value)
