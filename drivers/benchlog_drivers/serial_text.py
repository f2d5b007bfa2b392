"""Any instrument that sends lines of text on a serial port, asked or by itself.

Source:   common practice; the pattern in the bench file says what a line looks like.
Line:     9600 8N1, LF both ways, unless the options say otherwise; one question outstanding at a time.
Not here: lines without an end, checksums, handshake.
Unproven: talkers faster than the kernel's 4095 bytes between two looks (told apart, and thrown away).

A channel with an ``ask`` is asked. One without listens: it takes the newest whole line not taken yet, or waits for
the next. A talker that drops a line's end runs two lines into one, which only the pattern can tell: let it be as
strict as the instrument is.
"""

from __future__ import annotations

import time
from typing import ClassVar

from benchlog.driver import Answer, BadReply, InstrumentError, Settings
from benchlog.files import Table
from benchlog_drivers.ieee488 import text_of
from benchlog_drivers.line import LineTalk, Link
from benchlog_drivers.serial_link import SerialOptions, open_port
from benchlog_drivers.text import GroupPattern, fields


class SerialTextOptions(SerialOptions):
    """``[instrument.options]``."""

    pattern: GroupPattern = r"(?P<value>\S+)"  # the whole line; each named group is a number
    over_range: str = ""  # what stands in a number's place when the instrument is over range, like "OL"


class SerialText:
    """One instrument on a serial port."""

    Options: ClassVar[type[Table]] = SerialTextOptions
    polled: ClassVar[bool] = True

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._options = settings.options if isinstance(settings.options, SerialTextOptions) else SerialTextOptions()
        self._talk = LineTalk(settings, self._options, connect=self._connect, is_reading=self._is_reading)

    def open(self) -> str:
        """As ``Driver.open``."""
        who = self._talk.open()
        try:
            for line in self._settings.setup:
                self._talk.tell(line)
        except BaseException:
            self._talk.close()
            raise
        return who

    def ask(self, question: str) -> Answer:
        """As ``Driver.ask``; values by the names of the pattern's groups."""
        try:
            return self._asked(question) if question else self._heard()
        except InstrumentError:
            self._talk.doubt()
            raise

    def close(self) -> None:
        """As ``Driver.close``."""
        self._talk.close()

    def _connect(self) -> Link:
        return open_port(self._settings.address, self._options, timeout_s=self._settings.timeout_s)

    def _asked(self, question: str) -> Answer:
        said = text_of(self._talk.ask(question))
        return Answer(self._fields(said), said)

    def _heard(self) -> Answer:
        line, since, by = self._talk.listen()
        said = text_of(line)
        values = self._fields(said)
        # The instrument made the reading before it sent the first character of it.
        sending_s = (len(line) + len(self._options.read_termination)) * self._options.character_s
        now = time.monotonic()
        return Answer(values, said, age_s=(now - since + sending_s, now - by))

    def _fields(self, said: str) -> dict[int | str, float]:
        return fields(said, self._options.pattern, self._options.over_range)

    def _is_reading(self, line: bytes) -> bool:
        try:
            self._fields(text_of(line))
        except BadReply:
            return False
        return True
