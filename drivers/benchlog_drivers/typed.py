"""A needle that a person reads: its readings are typed in with ``benchlog enter CHANNEL VALUE``.

Source:   the person.   Line: none.
Not here: asking; the store gets the readings from the command itself.
"""

from __future__ import annotations

from typing import ClassVar

from benchlog.driver import Answer, NoOptions, NoReply, Settings
from benchlog.files import Table


class Typed:
    """One instrument without a link."""

    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = False

    def __init__(self, settings: Settings) -> None:
        pass

    def open(self) -> str:
        """Nobody answers: ""."""
        return ""

    def ask(self, question: str) -> Answer:
        """Always raises NoReply, which says what to do."""
        raise NoReply("a person reads this instrument; type its readings in with `benchlog enter`")

    def close(self) -> None:
        """Nothing to let go of."""
