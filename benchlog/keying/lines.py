"""Key lines: what closes and opens the transmitter's key. Standard library, pyserial and pymodbus; used by the guard.

Every driver is four calls, and every call that talks to something ends within about ``timeout_s`` or raises
``LineFault``. A line is keyed while it is asserted: one that keys when it is let go could never fail up.

What closing the link does, which is all that is left when the guard dies:

- ``serial-line`` on a local port: the kernel lowers RTS and DTR at the last close (HUPCL, which is set here).
- ``serial-line`` over ``rfc2217://``: the box sees the connection close; whether it then lowers the lines is its
  own setting. With the cable pulled it sees nothing at all.
- ``scpi`` and ``modbus-coil``: a relay stays as it is.

So a remote box or relay needs a time-out of its own that opens the key when it hears nothing for half a second; the
guard speaks to it five times a second while the key is down. Opening a local serial port may raise both control lines
for the milliseconds until they are set: wire the key so that this does no harm, or switch the transmitter on after.
"""

from __future__ import annotations

import contextlib
import re
import socket
import time
from collections.abc import Iterator, Mapping
from typing import Any, Protocol


class LineFault(Exception):
    """The line did not do what it was told, or cannot say whether it did."""


class Line(Protocol):
    """One key line, held by one guard."""

    def open(self) -> None:
        """Connect with the key up. Raises LineFault; then nothing is held."""

    def set(self, down: bool) -> None:
        """Key down or up. Raises LineFault when it may not have happened."""

    def read_back(self) -> bool | None:
        """Whether the key is down, None for a line that cannot tell. Raises LineFault."""

    def close(self) -> None:
        """Let go; any number of times, without raising."""


def line_from(told: Mapping[str, Any]) -> Line:
    """The line of a ``[key]`` table (driver, address, line, options). Raises LineFault for a driver there is not."""
    options = dict(told.get("options") or {})
    match told.get("driver"):
        case "serial-line":
            return SerialLine(told["address"], told["line"], **options)
        case "scpi":
            return ScpiRelay(told["address"], **options)
        case "modbus-coil":
            return ModbusCoil(told["address"], **options)
        case other:
            raise LineFault(f"no such key line driver: {other}")


class SerialLine:
    """RTS or DTR of any pyserial port. The other of the two stays off."""

    def __init__(self, address: str, line: str, *, timeout: float = 0.2) -> None:
        if line not in ("rts", "dtr"):
            raise LineFault(f"a serial port has no line {line!r} to key with")
        self._address, self._line, self._timeout_s = address, line, timeout
        self._port: Any = None

    def open(self) -> None:
        """Both lines off before, and again after."""
        with _faults():
            self._port = _open_serial(self._address, self._timeout_s)
        _up_or_closed(self)

    def set(self, down: bool) -> None:
        """An ioctl, or for RFC 2217 a command and its acknowledgement."""
        with _faults():
            reader = getattr(self._port, "_thread", None)  # pyserial's RFC 2217; it ends when the connection does
            if reader is not None and not reader.is_alive():
                raise LineFault("the connection was closed from the other side")
            setattr(self._port, self._line, down)

    def read_back(self) -> bool | None:
        """A port tells what it was told, not what the line does."""
        return None

    def close(self) -> None:
        """The line falls with the port."""
        _close(self._port)
        self._port = None


class ScpiRelay:
    """A relay with two commands and, optionally, a question answered 1 (closed) or 0, on a socket or a serial port."""

    def __init__(
        self, address: str, *, down: str, up: str, ask: str = "", baud: int = 9600, timeout: float = 0.2
    ) -> None:
        self._address, self._baud, self._timeout_s = address, baud, timeout
        self._down, self._up, self._ask = down, up, ask
        self._link: Any = None

    def open(self) -> None:
        """Connects and opens the relay."""
        with _faults():
            if tcp := tcp_address(self._address):
                self._link = _Socket(tcp, self._timeout_s)
            else:
                self._link = _open_serial(self._address, self._timeout_s, self._baud)
        _up_or_closed(self)

    def set(self, down: bool) -> None:
        """Sent, not confirmed: only ``read_back`` tells."""
        with _faults():
            self._link.write((self._down if down else self._up).encode() + b"\n")

    def read_back(self) -> bool | None:
        """Ask; what an earlier question may still have to say is thrown away first."""
        if not self._ask:
            return None
        with _faults():
            self._link.reset_input_buffer()
            self._link.write(self._ask.encode() + b"\n")
            said = bytes(self._link.read_until(b"\n"))
        match said.strip().lstrip(b"+"):
            case b"1" | b"ON":
                return True
            case b"0" | b"OFF":
                return False
        raise LineFault(f"asked {self._ask}, the relay said {said!r}" if said else f"asked {self._ask}: no reply")

    def close(self) -> None:
        """The relay stays as it is."""
        _close(self._link)
        self._link = None


class ModbusCoil:
    """One coil (Write Single Coil, function 5; Read Coils, function 1), over TCP or an RTU serial line."""

    def __init__(
        self,
        address: str,
        *,
        unit: int = 1,
        coil: int = 0,
        baud: int = 9600,
        parity: str = "none",
        timeout: float = 0.2,
    ) -> None:
        self._address, self._unit, self._coil = address, unit, coil
        self._baud, self._parity, self._timeout_s = baud, parity[:1].upper(), timeout
        self._client: Any = None

    def open(self) -> None:
        """Connects and opens the coil."""
        with _faults():
            self._client = self._made()
            if not self._client.connect():
                self.close()
                raise LineFault(f"no connection to {self._address}")
        _up_or_closed(self)

    def _made(self) -> Any:
        from pymodbus import client

        if tcp := tcp_address(self._address):
            return client.ModbusTcpClient(tcp[0], port=tcp[1], timeout=self._timeout_s, retries=0)
        return client.ModbusSerialClient(
            self._address, baudrate=self._baud, parity=self._parity, timeout=self._timeout_s, retries=0
        )

    def set(self, down: bool) -> None:
        """The coil's own echo confirms it."""
        with _faults():
            _good(self._client.write_coil(self._coil, down, device_id=self._unit))

    def read_back(self) -> bool | None:
        """What the coil is."""
        with _faults():
            return bool(_good(self._client.read_coils(self._coil, count=1, device_id=self._unit)).bits[0])

    def close(self) -> None:
        """The coil stays as it is."""
        _close(self._client)
        self._client = None


def tcp_address(address: str) -> tuple[str, int] | None:
    """Host and port of ``tcp://host:port`` or ``TCPIP::host::port::SOCKET``; None for anything else."""
    found = re.fullmatch(r"tcp://\[?(.+?)\]?:(\d+)/?|TCPIP\d*::(.+?)::(\d+)::SOCKET", address, re.IGNORECASE)
    return None if found is None else (found[1] or found[3], int(found[2] or found[4]))


class _Socket:
    """A TCP connection with the few calls of a pyserial port that a relay needs."""

    def __init__(self, address: tuple[str, int], timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._socket = socket.create_connection(address, timeout_s)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        self._socket.settimeout(self._timeout_s)
        self._socket.sendall(data)

    def reset_input_buffer(self) -> None:
        self._socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while self._socket.recv(4096):
                pass

    def read_until(self, end: bytes) -> bytes:
        said, deadline = b"", time.monotonic() + self._timeout_s
        while end not in said and (left_s := deadline - time.monotonic()) > 0:
            self._socket.settimeout(left_s)
            try:
                data = self._socket.recv(4096)
            except TimeoutError:
                break
            if not data:
                raise ConnectionResetError("closed from the other side")
            said += data
        return said

    def close(self) -> None:
        self._socket.close()


def _open_serial(address: str, timeout_s: float, baud: int = 9600) -> Any:
    """A pyserial port with RTS and DTR off from before it opens, and both low again once it is closed."""
    import serial

    if address.startswith("rfc2217://") and "timeout=" not in address:  # pyserial's own is 3 s
        address += f"{'&' if '?' in address else '?'}timeout={timeout_s:g}"
    port = serial.serial_for_url(address, baudrate=baud, timeout=timeout_s, exclusive=True, do_not_open=True)
    port.rts = port.dtr = False
    port.open()
    if isinstance(descriptor := getattr(port, "fd", None), int):
        import termios

        attributes = termios.tcgetattr(descriptor)
        attributes[2] |= termios.HUPCL  # somebody may have switched it off
        termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    return port


def _up_or_closed(line: Line) -> None:
    """The end of each ``open``: what cannot be told to be up is not held."""
    try:
        line.set(False)
    except LineFault:
        line.close()
        raise


def _good(answer: Any) -> Any:
    if answer.isError():
        raise LineFault(f"the coil's unit refused: {answer}")
    return answer


def _close(link: Any) -> None:
    if link is not None:
        with contextlib.suppress(Exception):
            link.close()


@contextlib.contextmanager
def _faults() -> Iterator[None]:
    """Whatever a library may raise, told as a LineFault with the reason.

    pymodbus reckons its time-outs by the date: stepped, they end at once or late, and ``overdue`` sees to late.
    """
    try:
        yield
    except LineFault:
        raise
    except Exception as exc:
        text = "not open" if isinstance(exc, AttributeError) else " ".join(str(exc).split())
        raise LineFault(text or type(exc).__name__) from exc
