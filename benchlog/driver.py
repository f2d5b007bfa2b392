"""What a driver is: the one small protocol between an instrument and benchlog.

A driver turns questions into numbers for one instrument on one link. It is made by a bus thread, used by
that thread only, and knows nothing of schedules, stamps, stores or retries. A stranger's driver is a class
with ``open``, ``ask`` and ``close``, announced as an entry point of the group ``benchlog.drivers``; run
``benchlog.driver_contract`` on it to know that it keeps the promises below.

What a bus thread promises: it calls ``open`` before the first ``ask``, and after **any** exception from
``ask`` it calls ``close`` and later ``open`` again before it asks anything. So a driver resynchronises in
``open``: when that returns, no reply to an earlier question may still arrive as a later one's answer.

InstrumentError
├── NoReply          nothing, or not all of it, within the time-out
├── BadReply         something arrived that cannot be the answer; its bytes are in ``said``
│   └── UnaskedReply it arrived before the question: the previous answer is in doubt too
├── LinkLost         the connection cannot be made, or is gone
└── WrongInstrument  another instrument than the bench file's answers there
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol, runtime_checkable

from benchlog.files import Table


class InstrumentError(Exception):
    """A passing fault of an instrument or its link. Ends as rows in the store, never as a traceback."""

    def __init__(self, what: str, *, said: bytes | str = b"") -> None:
        super().__init__(what)
        self.what = what
        self.said = said if isinstance(said, str) else said.decode("ascii", "backslashreplace")


class NoReply(InstrumentError):
    """Nothing, or not a whole reply, within the time-out; a late reply may still be on its way."""


class BadReply(InstrumentError):
    """Something arrived that cannot be the answer to the question."""


class UnaskedReply(BadReply):
    """Bytes were waiting before the question was asked: the answer before may belong to another question."""


class LinkLost(InstrumentError):
    """The link cannot be made, or was closed from the other side."""


class WrongInstrument(InstrumentError):
    """Somebody else answers at this address; no reading of theirs is taken."""


@dataclass(slots=True)
class Answer:
    """One reply, as numbers. Not frozen: it is made between two questions, and then lives as long as one.

    ``values`` are found by position (0, 1, ... of a comma list) or by name (a pattern's groups). The SCPI
    special values arrive as ``inf``, ``-inf`` (over range) and ``nan`` (not a number).
    ``age_s`` is ``(oldest, newest)`` seconds before the return of ``ask`` within which the reply was made,
    for drivers that do not ask but listen; otherwise None, and the exchange itself is the stamp.
    """

    values: Mapping[int | str, float]
    said: str
    age_s: tuple[float, float] | None = None


class NoOptions(Table):
    """For a driver whose instrument table needs nothing beyond the common keys."""


def _silent(kind: str, text: str) -> None:
    """Nobody listens to notes."""


@dataclass(frozen=True, slots=True)
class Settings:
    """One ``[[instrument]]`` table, as its driver needs it.

    ``options`` is the validated ``[instrument.options]`` table, an instance of the driver's ``Options``.
    ``identity`` is a pattern the identity must match; empty accepts any. ``note(kind, text)`` logs something worth
    keeping beside the readings: kind "error-queue" for what the instrument's own error queue says.
    """

    name: str
    address: str = ""
    timeout_s: float = 1.0
    setup: tuple[str, ...] = ()
    identity: str = ""
    options: Any = field(default_factory=NoOptions)
    note: Callable[[str, str], None] = _silent


@runtime_checkable
class Driver(Protocol):
    """One instrument on one link, owned by one thread."""

    Options: ClassVar[type[Table]]  # the keys of [instrument.options]; NoOptions for none
    polled: ClassVar[bool]  # False: readings reach the store another way (typed by a person)

    def __init__(self, settings: Settings) -> None:
        """Keep the settings; touch nothing yet. What it raises is as from ``open``, and it is tried again."""

    def open(self) -> str:
        """Connect, resynchronise, send the setup; returns who answers ("" if it cannot say).

        Raises: LinkLost, NoReply, BadReply, WrongInstrument; within about twice ``timeout_s``, longer only
        where a serial line must be waited quiet.
        """
        ...

    def ask(self, question: str) -> Answer:
        """One exchange. ``question`` is the channel's ``ask``; empty where the driver only listens.

        Raises: NoReply within ``timeout_s``, BadReply, LinkLost; never returns another question's answer.
        """
        ...

    def close(self) -> None:
        """Let go of the link; any number of times, at any point, without raising."""
        ...
