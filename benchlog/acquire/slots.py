"""The polling plan: which questions an instrument is asked, and when each is due.

All slots of a session lie on one grid: slot k of a question asked every P nanoseconds is due at session
time k x P, and a bus's turn later (``bus.TURN_NS``). So channels polled at one rate line up, whichever bus they are on,
to a millisecond or two.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.bench import Channel, Instrument


@dataclass(frozen=True, slots=True)
class Question:
    """One exchange that answers one or more channels."""

    ask: str
    every_ns: int
    channels: tuple[Channel, ...]
    sole: Channel | None = None  # the one channel, where it takes the reply's one number

    def first_slot(self, t_ns: int) -> int:
        """The first slot due at ``t_ns`` or later."""
        return -(-t_ns // self.every_ns)

    def due_ns(self, slot: int) -> int:
        """When a slot is due, in session time."""
        return slot * self.every_ns


def questions(instrument: Instrument) -> tuple[Question, ...]:
    """Channels with the same ``ask`` and ``every`` share one question; order as in the bench file."""
    shared: dict[tuple[str, int], list[Channel]] = {}
    for channel in instrument.channel:
        shared.setdefault((channel.ask, channel.every_ns), []).append(channel)
    return tuple(
        Question(ask, every_ns, tuple(channels), sole=channels[0] if [c.field for c in channels] == [None] else None)
        for (ask, every_ns), channels in shared.items()
    )
