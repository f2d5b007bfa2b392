"""A simulated key box: RTS and DTR behind RFC 2217, with a record of every edge on its own clock, and a cable.

The server side is pyserial's own. Either line keys: a client that raises the wrong one on opening is found out.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, Self

Mode = Literal["hold", "drop", "timeout"]
OWN_TIMEOUT_S = 0.5


@dataclass(frozen=True, slots=True)
class Edge:
    """One change of one control line."""

    t_ns: int  # CLOCK_MONOTONIC, when the box did it
    down: bool
    line: Literal["rts", "dtr"]


class KeyBox:
    """Listens on loopback for as long as its context lasts.

    Args:
        mode: what happens to the lines when nobody speaks any more. "hold": they stay as they are, as many boxes
            do. "drop": they fall when the connection closes. "timeout": they fall then, and also after
            ``OWN_TIMEOUT_S`` of silence; only this survives a pulled cable.
        keyed: called with every change of the key, from the box's threads.
    """

    def __init__(self, *, mode: Mode = "timeout", keyed: Callable[[bool], None] = lambda down: None) -> None:
        self.mode = mode
        self._keyed = keyed
        self._edges: list[Edge] = []
        self._lock = threading.Lock()
        self._lines = {"rts": False, "dtr": False}
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._clients: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, name="key box", daemon=True)]
        self._ends = False

    @property
    def address(self) -> str:
        """Without a cable in between."""
        return f"rfc2217://127.0.0.1:{self.port}"

    @property
    def edges(self) -> list[Edge]:
        """All so far, in order."""
        with self._lock:
            return list(self._edges)

    @property
    def down(self) -> bool:
        """Whether the transmitter is keyed."""
        with self._lock:
            return any(self._lines.values())

    def __enter__(self) -> Self:
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ends = True
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._hang_up()
        for thread in self._threads:
            thread.join()

    def set(self, line: Literal["rts", "dtr"], down: bool) -> None:
        """Put a line on or off; an edge where that changes it."""
        with self._lock:
            if self._lines[line] == down:
                return
            before = any(self._lines.values())
            self._lines[line] = down
            self._edges.append(Edge(time.monotonic_ns(), down, line))
            if (after := any(self._lines.values())) != before:
                self._keyed(after)

    def _accept(self) -> None:
        while not self._ends:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self._hang_up()  # one client at a time, and the newest: an older one's cable may be pulled
            self._clients = [client]
            thread = threading.Thread(target=self._serve, args=(client,), name="key box client", daemon=True)
            self._threads.append(thread)
            thread.start()

    def _hang_up(self) -> None:
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _serve(self, client: socket.socket) -> None:
        import serial.rfc2217

        with client:
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            manager = serial.rfc2217.PortManager(_Port(self), _Connection(client))
            client.settimeout(OWN_TIMEOUT_S if self.mode == "timeout" else None)
            while True:
                try:
                    data = client.recv(4096)
                except TimeoutError:
                    self._drop()
                    continue
                except OSError:
                    break
                if not data:
                    break
                for _ in manager.filter(data):
                    pass  # nothing hangs on the serial side
            if self.mode != "hold" and self._clients == [client]:
                self._drop()

    def _drop(self) -> None:
        self.set("rts", False)
        self.set("dtr", False)


class _Connection:
    """Where pyserial's server side writes to."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client

    def write(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self._client.sendall(data)


class _Port:
    """As much of a pyserial port as its server side touches."""

    baudrate, bytesize, parity, stopbits = 9600, 8, "N", 1
    xonxoff = rtscts = break_condition = False
    cts = dsr = ri = cd = False

    def __init__(self, box: KeyBox) -> None:
        object.__setattr__(self, "_box", box)

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "rts" or name == "dtr":
            self.__dict__["_box"].set(name, bool(value))
        object.__setattr__(self, name, value)

    def reset_input_buffer(self) -> None:
        """Nothing waits."""

    def reset_output_buffer(self) -> None:
        """Nothing waits."""


class Cable:
    """A network cable to a TCP port on loopback, which can be pulled.

    While it is pulled, connections stay up and nothing gets through in either direction, ends of connections
    included; what was sent meanwhile arrives when it is plugged in again, as TCP would have it.
    """

    def __init__(self, port: int) -> None:
        self._target = ("127.0.0.1", port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._commands, self._woken = socket.socketpair()
        self._pulled = self._ends = self._resetting = False
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._thread = threading.Thread(target=self._forward, name="key box cable", daemon=True)

    @property
    def address(self) -> str:
        """Of what is at the other end, for a pyserial client."""
        return f"rfc2217://127.0.0.1:{self.port}"

    def pull(self) -> None:
        """Nothing gets through from now on."""
        self._pulled = True
        self._wake()

    def plug(self) -> None:
        """All gets through again."""
        self._pulled = False
        self._wake()

    def reset(self) -> None:
        """Every connection is broken, at both ends."""
        self._resetting = True
        self._wake()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ends = True
        self._wake()
        self._thread.join()
        for one in (self._listener, self._commands, self._woken):
            one.close()

    def _wake(self) -> None:
        self._commands.send(b".")

    def _forward(self) -> None:
        while not self._ends:
            with selectors.DefaultSelector() as ready:
                for one in (self._woken, *([] if self._pulled else [self._listener, *self._pairs])):
                    ready.register(one, selectors.EVENT_READ)
                for key, _ in ready.select():
                    self._take(key.fileobj)
            if self._resetting:
                self._resetting = False
                self._cut()
        self._cut()

    def _take(self, one: Any) -> None:
        if one is self._woken:
            one.recv(1024)
        elif self._pulled:
            return
        elif one is self._listener:
            client, _ = one.accept()
            with contextlib.suppress(OSError):
                box = socket.create_connection(self._target)
                self._pairs |= {client: box, box: client}
                return
            client.close()
        elif one in self._pairs:
            data = b""
            with contextlib.suppress(OSError):
                if data := one.recv(65536):
                    self._pairs[one].sendall(data)
            if not data:
                self._close(one)

    def _close(self, one: socket.socket) -> None:
        other = self._pairs.pop(one)
        del self._pairs[other]
        one.close()
        other.close()

    def _cut(self) -> None:
        import struct

        for one in self._pairs:  # a reset, not an end: both sides find an error
            one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            one.close()
        self._pairs.clear()
