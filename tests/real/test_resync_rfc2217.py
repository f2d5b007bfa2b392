"""A serial port behind RFC 2217: its control lines stay low, and a network that goes is told."""

from __future__ import annotations

import time

import pytest

from benchlog.driver import LinkLost, Settings
from benchlog.simulate.wire import PtyWire
from benchlog_drivers.serial_text import SerialText, SerialTextOptions
from tests.real import resyncing
from tests.real.resyncing import Instrument, Rfc2217Server

# pyserial 3.5 still starts its RFC 2217 reader the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")


def test_control_lines_are_never_raised_and_a_cut_is_told_at_once() -> None:
    line = {"baud": 1200, "stop_bits": 2}  # a pty has 8 bits and no parity
    options = SerialTextOptions.model_validate({"identify": "*IDN?", "pattern": r"(?P<count>\S+)"} | line)
    with resyncing.nothing_left(), PtyWire(Instrument().respond) as wire, Rfc2217Server(wire.address) as server:
        driver = SerialText(Settings("counter", server.url, timeout_s=20.0, options=options))
        driver.open()
        assert driver.ask("A?").values == {"count": 1_000_001.0}
        port = server.port
        assert (port.baudrate, port.stopbits) == (1200, 2)
        server.cut()
        started = time.monotonic()
        with pytest.raises(LinkLost):
            driver.ask("A?")
        assert time.monotonic() - started < 15.0, "well before the time-out"
        driver.close()
        driver.open()
        driver.ask("B?")
        driver.close()
        assert server.clients == 2
        assert server.raised == []
