"""Who talks to a simulated bench's instruments: bare sockets and serial ports."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import serial


class TcpClient:
    def __init__(self, address: str) -> None:
        host, port = re.fullmatch(r"TCPIP::([\d.]+)::(\d+)::SOCKET", address).groups()
        self.socket = socket.create_connection((host, int(port)), timeout=30.0)
        self.file = self.socket.makefile("rw", newline="\n", errors="backslashreplace")

    def ask(self, line: str) -> str:
        self.file.write(line + "\n")
        self.file.flush()
        return self.file.readline().rstrip("\n")

    def close(self) -> None:
        self.file.close()
        self.socket.close()


@contextmanager
def serial_at(path: str) -> Iterator[serial.Serial]:
    port = serial.Serial(path, timeout=30.0)
    try:
        yield port
    finally:
        port.close()
