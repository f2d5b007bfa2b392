"""A serial port as a link: a device of this host, or a port behind ``socket://`` or ``rfc2217://``.

Source:   pyserial 3.5 and its URL handlers, read and tried.
Not here: handshake lines; nothing here ever raises RTS or DTR.
Unproven: devices whose kernel driver raises both for an instant while the port is opened, before any program
          can clear them. Where one keys a transmitter, that must be told by trying, with the transmitter off.
"""

from __future__ import annotations

import errno
import io
import select
import time
from collections.abc import Callable
from typing import Annotated, Any, Literal

import serial
from pydantic import AfterValidator

from benchlog.driver import LinkLost
from benchlog_drivers.line import LineOptions

_CHUNK = 4096
_POLL_S = 0.005  # for ports that have no descriptor to wait on
_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}


def _stop_bits(found: float) -> float:
    if found not in (1, 1.5, 2):
        raise ValueError("must be 1, 1.5 or 2")
    return found


class SerialOptions(LineOptions):
    """``[instrument.options]`` of a driver on a serial line."""

    baud: int = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Annotated[float, AfterValidator(_stop_bits)] = 1

    @property
    def character_s(self) -> float:
        """How long one character takes on the line."""
        return (1 + self.data_bits + (self.parity != "none") + self.stop_bits) / self.baud


def open_port(url: str, options: SerialOptions, *, timeout_s: float) -> PortLink:
    """A link over a device path or URL. Raises anything."""
    far = url.lower().startswith("rfc2217:")  # has no descriptor to wait on, and knows no time-out for writing
    port: Any = serial.serial_for_url(
        url,
        do_not_open=True,
        baudrate=options.baud,
        bytesize=options.data_bits,
        parity=_PARITY[options.parity],
        stopbits=options.stop_bits,
        timeout=_POLL_S if far else 0,
        write_timeout=None if far else timeout_s,
    )
    port.dtr = port.rts = False  # before it is open: opening sets what is kept here
    if "://" not in url:
        port.exclusive = True  # a second program would take half of our replies
    try:
        port.open()
    except serial.SerialException as exc:
        if exc.errno == errno.EWOULDBLOCK:
            raise LinkLost("another program has this port") from exc
        raise
    try:
        return PortLink(port, close=port.close)
    except BaseException:
        port.close()
        raise


def _lower(port: Any) -> None:
    try:
        port.dtr = port.rts = False
    except OSError as exc:
        if exc.errno not in (errno.EINVAL, errno.ENOTTY):  # a line without them, as a pty is
            raise


class PortLink:
    """An open pyserial port, with RTS and DTR low from here on."""

    fresh = False
    paired = False

    def __init__(self, port: Any, *, close: Callable[[], object]) -> None:
        self._port, self._close = port, close
        self._socket = getattr(port, "_socket", None)
        self._poll: select.poll | None = select.poll()
        try:
            if port.dtr or port.rts:  # opened by somebody else
                _lower(port)
            self._poll.register(port.fileno(), select.POLLIN)
            wait_s = 0.0
        except io.UnsupportedOperation:
            self._poll, wait_s = None, _POLL_S
        if port.timeout != wait_s:  # over RFC 2217, setting anything negotiates everything anew
            port.timeout = wait_s

    def send(self, data: bytes) -> None:
        """All of it, within the time-out."""
        self._port.write(data)

    def receive(self, wait_s: float) -> bytes:
        """As ``Link.receive``."""
        if self._poll is None:
            return self._polled(wait_s)
        if not self._poll.poll(wait_s * 1000):
            return b""
        return bytes(self._port.read(_CHUNK))

    def _polled(self, wait_s: float) -> bytes:
        deadline = time.monotonic() + wait_s
        while not (waiting := self._port.in_waiting):
            if time.monotonic() >= deadline:
                return b""
            if first := self._port.read(1):  # waits a little, and raises where the port is gone
                return bytes(first)
        return bytes(self._port.read(min(waiting, _CHUNK)))

    def close(self) -> None:
        """For good."""
        self._close()
        if self._socket is not None:  # pyserial forgets to close it when the other side was first
            self._socket.close()
