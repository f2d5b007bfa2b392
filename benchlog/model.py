"""The few things every part speaks of. Frozen, without I/O.

Times inside a session are whole nanoseconds since the session's start (``t_ns``), on the session's
clock, which never steps; the session's ``started_ns`` (UTC, Unix epoch) turns them into dates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite
from typing import Any, Literal, NamedTuple, Self

Measure = Literal[
    "forward-power",
    "reflected-power",
    "frequency",
    "plate-voltage",
    "plate-current",
    "grid-current",
    "bias-voltage",
    "heater-voltage",
    "line-voltage",
    "alc",
    "temperature",
    "drive-power",
]

SessionKind = Literal["sweep", "soak", "watch", "import"]


class State(StrEnum):
    """How a planned slot ended."""

    GOOD = "good"
    OVER_RANGE = "over-range"  # the instrument said so (SCPI 9.9E37)
    INVALID = "invalid"  # it answered, but not with a number that belongs to the question
    MISSED = "missed"  # no answer: late, silent, not connected


_GOOD = State.GOOD  # a member of an enumeration is looked up slowly
_tuple = tuple.__new__  # and so is this


class _Slot(NamedTuple):
    channel: str
    t_ns: int
    value: float | None
    took_ns: int = 0
    state: State = State.GOOD
    reason: str = ""  # for people; empty when good
    said: str = ""  # what the instrument said, kept where it was not a plain number


class Reading(_Slot):
    """One planned slot of one channel: a value, or the reason there is none.

    ``value`` is what the instrument said, in the channel's own unit, before any correction. ``t_ns`` is the
    middle of the exchange (for a slot without one, the time it was planned for), ``took_ns`` how long it took.

    A tuple, as it is made between one question and the next: that takes half the time of a frozen dataclass.
    """

    __slots__ = ()

    def __new__(
        cls,
        channel: str,
        t_ns: int,
        value: float | None,
        took_ns: int = 0,
        state: State = _GOOD,
        reason: str = "",
        said: str = "",
    ) -> Self:
        """A good reading has a finite value, any other has none: nothing is ever both. Raises ValueError."""
        if (value is not None and isfinite(value)) != (state is _GOOD):
            raise ValueError(f"{state} reading of {channel} with value {value}")
        return _tuple(cls, (channel, t_ns, value, took_ns, state, reason, said))

    @classmethod
    def good(cls, channel: str, t_ns: int, value: float, took_ns: int) -> Self:
        """The same with a value, in two thirds of the time: what a bus makes all day. Raises ValueError."""
        if not isfinite(value):
            raise ValueError(f"good reading of {channel} with value {value}")
        return _tuple(cls, (channel, t_ns, value, took_ns, _GOOD, "", ""))


EventKind = Literal[
    "session",  # started, ended
    "identity",  # an instrument said who it is
    "link",  # lost, back
    "wrong-instrument",  # another instrument answered at the address
    "reply",  # garbled, cut or unasked replies, with what was said
    "suspect",  # data["from_ns"], data["to_ns"]: readings of `instrument` that may answer another question
    "error-queue",  # what SYSTem:ERRor? said after a fault
    "clock",  # the host's clock stepped; data["step_s"]
    "key",  # key line closed or opened (data["down"])
    "guard",  # what the guard of the key line says otherwise: refusals, a lost line
    "limit",  # the run was stopped for safety, or paused (data["paused"]); data["value"], data["limit"]
    "band",  # a sweep asked for a band, or a key-down was assigned one
    "store",  # trouble writing, and its end
    "note",  # what the operator wrote down
]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at a time, other than a reading."""

    t_ns: int
    kind: EventKind
    text: str
    instrument: str = ""
    channel: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget (JCGM 100): what it comes from, and what it adds to the result.

    ``u`` is the contribution |sensitivity| x u(x) in the result's unit, signed: where two contributions name the same
    error in ``shared``, they come from one and the same unknown number, and their signed sum counts.
    """

    u: float
    dof: float = inf
    source: str = ""  # for people: "scatter of 95 readings", "accuracy of power"
    evaluated: Literal["A", "B"] = "B"
    shared: str = ""  # the error it stems from, "power accuracy"; empty: an error of its own


@dataclass(frozen=True, slots=True)
class Measured:
    """A result with its combined standard uncertainty, effective degrees of freedom and budget (JCGM 100)."""

    value: float
    u: float
    dof: float = inf
    budget: tuple[Component, ...] = ()
