"""Serial ports: control lines stay low, a port is ours alone, and a lost one says so."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest
import serial

from benchlog.driver import LinkLost, Settings
from benchlog.simulate.wire import HangUp, PtyWire, TcpWire
from benchlog_drivers.serial_link import SerialOptions
from benchlog_drivers.serial_text import SerialText, SerialTextOptions

FAST = 0.3


def driver_on(address: str, **options: object) -> SerialText:
    read = SerialTextOptions.model_validate(options)
    return SerialText(Settings("meter", address, timeout_s=FAST, options=read))


def test_a_device_that_is_not_there_or_no_port_is_a_lost_link(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    for address, says in [
        (str(tmp_path / "nothing"), "no such file"),
        (str(plain), "(?i)inappropriate ioctl"),
        ("socket://127.0.0.1:1", "(?i)refused"),
        ("socket://nonsense", "."),
        ("rfc2217://127.0.0.1:1", "(?i)refused"),
        ("nosuch://x", "(?i)protocol"),
    ]:
        with pytest.raises(LinkLost, match=says):
            driver_on(address).open()


def test_a_port_is_ours_alone() -> None:
    """A second program on it would take half of our replies."""
    with PtyWire({"P": "1.5"}.get) as wire:
        first, second = driver_on(wire.address), driver_on(wire.address)
        first.open()
        with pytest.raises(LinkLost, match="another program"):
            second.open()
        first.close()
        second.open()
        assert second.ask("P").values == {"value": 1.5}
        second.close()


def test_control_lines_are_low_before_the_port_is_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """They may key a transmitter. What pyserial sets while opening is what the port object holds then."""
    held = []
    opening = serial.Serial.open

    def open_(self: serial.Serial) -> None:
        held.append((self.dtr, self.rts))
        opening(self)

    monkeypatch.setattr(serial.Serial, "open", open_)
    with PtyWire({"P": "1.5"}.get) as wire:
        driver = driver_on(wire.address)
        driver.open()
        driver.close()
    assert held == [(False, False)]


def test_line_settings_reach_the_port() -> None:
    import termios

    with PtyWire({"P": "1.5"}.get) as wire:
        driver = driver_on(wire.address, baud=1200, stop_bits=2)
        driver.open()
        with open(wire.address, "rb", buffering=0) as port:
            _, _, cflag, _, ispeed, _, _ = termios.tcgetattr(port.fileno())
        driver.close()
    assert ispeed == termios.B1200
    assert cflag & termios.CSTOPB


def test_a_character_takes_its_bits() -> None:
    assert SerialOptions(baud=9600).character_s == pytest.approx(10 / 9600)


def test_a_connection_the_other_side_closed_leaves_no_socket() -> None:
    """pyserial forgets it; a socket that is collected open is a ResourceWarning, and that a failure here."""
    with TcpWire({"P": "1.5"}.get) as wire:
        driver = driver_on(f"socket://127.0.0.1:{wire.port}")
        driver.open()
        assert driver.ask("P").values == {"value": 1.5}
        wire.trouble = HangUp()
        with pytest.raises(LinkLost):
            driver.ask("P")
        driver.close()
        gc.collect()
