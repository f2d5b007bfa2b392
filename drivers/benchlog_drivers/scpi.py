"""Any instrument that speaks SCPI, over any VISA resource.

Source:   IEEE 488.2 (messages, ``*IDN?``), SCPI-1999 (numbers, ``SYSTem:ERRor?``), the VISA specification (addresses).
Line:     one question outstanding at a time; LF both ways unless the options say otherwise.
Not here: binary blocks, service requests, triggers. RTS and DTR of an ``ASRL`` resource: VISA raises both when it
          opens one, and they are lowered only then; where they could key a transmitter, use ``serial-text``.
Unproven: resources other than TCPIP SOCKET, ASRL, and what pyvisa-sim simulates.
"""

from __future__ import annotations

import time
from typing import ClassVar

from benchlog.driver import Answer, BadReply, InstrumentError, Settings
from benchlog.files import Table
from benchlog_drivers import ieee488
from benchlog_drivers.line import LineTalk, Link
from benchlog_drivers.serial_link import SerialOptions

_LONGEST_QUEUE = 20  # entries of the error queue taken after a fault


class ScpiOptions(SerialOptions):
    """``[instrument.options]``; the line settings matter to ``ASRL`` resources only.

    ``late`` matters to serial lines; give it with a TCP address where that is a server with a serial line behind.
    """

    visa: str = "@py"  # any library string of pyvisa: a path, "@ivi", "bench.yaml@sim"
    identify: str = "*IDN?"
    errors: str = "SYST:ERR?"  # the question that takes one entry off the error queue; "" for none


class Scpi:
    """One SCPI instrument."""

    Options: ClassVar[type[Table]] = ScpiOptions
    polled: ClassVar[bool] = True

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._options = settings.options if isinstance(settings.options, ScpiOptions) else ScpiOptions()
        self._talk = LineTalk(
            settings,
            self._options,
            connect=self._connect,
            is_reading=_is_reading,
            find_end=ieee488.end_of_reply,
        )
        self._faulted = False

    def open(self) -> str:
        """As ``Driver.open``; after a fault, what the error queue says goes to ``settings.note``."""
        who = self._talk.open()
        try:
            # Once a fault: an instrument that does not know the question fails this open, not the next.
            faulted, self._faulted = self._faulted, False
            if faulted and self._options.errors:
                self._drain_errors()
            for line in self._settings.setup:
                if line.rstrip().endswith("?"):  # such as *OPC?, that waits for what was before
                    self._talk.ask(line)
                else:
                    self._talk.tell(line)
        except BaseException:
            self._talk.close()
            raise
        return who

    def ask(self, question: str) -> Answer:
        """As ``Driver.ask``; values by position in the reply's list."""
        if not question:
            raise BadReply("this driver asks and does not listen: give the channel an `ask`")
        try:
            reply = self._talk.ask(question)
            if (value := ieee488.plain_number(reply)) is not None:
                return Answer({0: value}, reply.decode())
            said = ieee488.text_of(ieee488.contents(reply))
            return Answer(ieee488.numbers(said), said)
        except InstrumentError:
            self._faulted = True
            self._talk.doubt()
            raise

    def close(self) -> None:
        """As ``Driver.close``."""
        self._talk.close()

    def _connect(self) -> Link:
        from benchlog_drivers.visa_link import open_visa  # pyvisa costs 0.2 s to import

        options = self._options
        return open_visa(
            self._settings.address,
            options.visa,
            timeout_s=self._settings.timeout_s,
            read_end=options.read_termination,
            line=_visa_line(options),
            serial_server="late" in options.model_fields_set,
        )

    def _drain_errors(self) -> None:
        deadline = time.monotonic() + self._settings.timeout_s
        for _ in range(_LONGEST_QUEUE):
            entry = ieee488.text_of(self._talk.ask(self._options.errors))
            number, _text = ieee488.error(entry)
            if number == 0 or time.monotonic() > deadline:
                return
            self._settings.note("error-queue", entry)


def _is_reading(line: bytes) -> bool:
    """A line of numbers is a late answer; who it is has words in it."""
    try:
        ieee488.numbers(ieee488.contents(line).decode("ascii", "replace"))
    except BadReply:
        return False
    return True


def _visa_line(options: ScpiOptions) -> dict[str, object]:
    from pyvisa.constants import Parity, StopBits

    stop_bits = {1: StopBits.one, 1.5: StopBits.one_and_a_half, 2: StopBits.two}
    return {
        "baud_rate": options.baud,
        "data_bits": options.data_bits,
        "parity": Parity[options.parity],
        "stop_bits": stop_bits[options.stop_bits],
    }
