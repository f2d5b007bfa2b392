"""Line instruments over real transports, with the faults that real ones have.

One line in, one line out, over a TCP socket (``TcpWire``) or a pseudo-terminal (``PtyWire``); what to answer is
the caller's. The simulated bench and the tests stand on these, so every byte crosses the same kernel
interfaces as on a real bench. Standard library only.

A wire answers in order, one question after the other on each connection, as instruments do. Set ``trouble``
at any time to make it misbehave from the next line on; set ``respond`` to make somebody else answer.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import tempfile
import threading
import time
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Self

Respond = Callable[[str], str | None]
"""A question, without its terminator, to the reply line; None for no reply."""

Stream = Callable[[], tuple[float, str] | None]
"""Seconds to wait and then the line to send, again and again; None ends it."""

LONGEST_LINE = 65536  # a client that never ends its line is not worth more memory than this


@dataclass(frozen=True, slots=True)
class Trouble:
    """What may be wrong with the lines a wire sends."""


@dataclass(frozen=True, slots=True)
class Late(Trouble):
    """The line comes so much later; lines behind it wait their turn."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Twice(Trouble):
    """The line comes again after ``gap`` seconds; at 0 both come in one piece."""

    gap: float = 0.0


@dataclass(frozen=True, slots=True)
class CutInTwo(Trouble):
    """The line comes in two pieces, ``gap`` seconds apart; nothing is lost."""

    gap: float = 0.0


@dataclass(frozen=True, slots=True)
class Unfinished(Trouble):
    """The line comes without its terminator."""


@dataclass(frozen=True, slots=True)
class Garbage(Trouble):
    """These bytes come instead of the line, as they are (end them with the terminator, or do not)."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Silent(Trouble):
    """The question is heard and never answered."""


@dataclass(frozen=True, slots=True)
class HangUp(Trouble):
    """The connection is closed at once and none is taken until the trouble is over.

    A pty's path is gone meanwhile, as when a USB adapter is pulled.
    """


@dataclass(frozen=True, slots=True)
class Flood(Trouble):
    """Instead of the line, these bytes without end, until the trouble is over."""

    data: bytes = b"0"


@dataclass(frozen=True, slots=True)
class Chatter(Trouble):
    """The line comes again and again without end, as fast as it is taken, until the trouble is over."""


@dataclass(frozen=True, slots=True)
class Drip(Trouble):
    """The line comes a byte at a time, ``gap`` seconds apart."""

    gap: float


class Gone(Exception):
    """The other side has closed this connection."""


class _Line(ABC):
    """One connection, as bytes."""

    @abstractmethod
    def receive(self) -> bytes:
        """Whatever arrives next. Raises Gone."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """All of it, or as much as the other side has room for. Raises Gone."""

    @abstractmethod
    def hang_up(self) -> None:
        """Make ``receive`` and ``send`` raise Gone, from any thread."""


class Wire(ABC):
    """What both transports share: lines in, lines out, trouble."""

    def __init__(self, respond: Respond | None, end: str) -> None:
        self.respond = respond
        self.asked = 0  # questions heard
        self.late_s = 0.0  # by how much a line came again later than it was to, at most: a busy machine's doing
        self._end = end.encode()
        self._trouble: Trouble | None = None
        self._lock = threading.Lock()  # for what the connections' threads share with the owner's
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    address: str

    @property
    def trouble(self) -> Trouble | None:
        """What is wrong with the lines from now on; None for nothing. May be set from any thread."""
        return self._trouble

    @trouble.setter
    def trouble(self, trouble: Trouble | None) -> None:
        before, self._trouble, self.late_s = self._trouble, trouble, 0.0
        if not self._stop.is_set() and isinstance(before, HangUp) != isinstance(trouble, HangUp):
            if isinstance(trouble, HangUp):
                self._unplug()
            else:
                self._plug()

    def start(self) -> Self:
        """Be there for clients."""
        self._plug()
        return self

    def close(self) -> None:
        """Hang up and leave nothing behind: no thread, no file descriptor. Any number of times."""
        self._stop.set()
        self._unplug()
        while (thread := self._any_thread()) is not None:
            thread.join()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.close()

    @abstractmethod
    def _plug(self) -> None: ...

    @abstractmethod
    def _unplug(self) -> None: ...

    def _spawn(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, name=f"wire {self.address}", daemon=True)
        with self._lock:
            self._threads = [t for t in self._threads if t.is_alive()]  # clients come and go for hours
            self._threads.append(thread)
            thread.start()

    def _any_thread(self) -> threading.Thread | None:
        with self._lock:
            return self._threads.pop() if self._threads else None

    def _serve(self, line: _Line) -> None:
        """Answer one connection until it ends."""
        waiting = bytearray()
        with contextlib.suppress(Gone):
            while not self._stop.is_set():
                waiting += line.receive()
                while (at := waiting.find(self._end[-1:])) >= 0:
                    question = bytes(waiting[:at]).decode("ascii", "replace").strip("\r\n")
                    del waiting[: at + 1]
                    if question:
                        self._answer(line, question)
                if len(waiting) > LONGEST_LINE:
                    waiting.clear()

    def _answer(self, line: _Line, question: str) -> None:
        with self._lock:
            self.asked += 1
        reply = self.respond(question) if self.respond else None
        if reply is not None:
            self._say(line, reply)

    def _say(self, line: _Line, reply: str) -> None:
        """One line, through whatever trouble there is. Raises Gone."""
        data = reply.encode() + self._end
        match trouble := self._trouble:
            case None:
                line.send(data)
            case Late(seconds):
                self._stop.wait(seconds)
                line.send(data)
            case Twice(gap):
                if gap:
                    line.send(data)
                    due_s = time.monotonic() + gap
                    self._stop.wait(gap)
                    self.late_s = max(self.late_s, time.monotonic() - due_s)
                    line.send(data)
                else:
                    line.send(data + data)
            case CutInTwo(gap):
                half = max(len(reply) // 2, 1)
                line.send(data[:half])
                self._stop.wait(gap)
                line.send(data[half:])
            case Unfinished():
                line.send(reply.encode())
            case Garbage(rubbish):
                line.send(rubbish)
            case Flood(rubbish):
                self._pour(line, rubbish, trouble)
            case Chatter():
                self._pour(line, data, trouble)
            case Drip(gap):
                for byte in data:
                    line.send(bytes([byte]))
                    self._stop.wait(gap)
            case Silent() | HangUp():
                pass

    def _pour(self, line: _Line, data: bytes, trouble: Trouble) -> None:
        much = data * max(1, 4096 // len(data))
        while self._trouble is trouble and not self._stop.is_set():
            line.send(much)


class _TcpLine(_Line):
    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        # Without this the second piece of a cut line would wait for the first one's acknowledgement.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def receive(self) -> bytes:
        try:
            data = self._connection.recv(4096)
        except OSError:
            raise Gone from None
        if not data:
            raise Gone
        return data

    def send(self, data: bytes) -> None:
        try:
            self._connection.sendall(data)
        except OSError:
            raise Gone from None

    def hang_up(self) -> None:
        with contextlib.suppress(OSError):  # the client may have been quicker
            self._connection.shutdown(socket.SHUT_RDWR)


class TcpWire(Wire):
    """A line instrument on a TCP port of the loopback interface; any number of clients, together or in turn."""

    def __init__(self, respond: Respond, *, port: int = 0, end: str = "\n") -> None:
        super().__init__(respond, end)
        # Bound and never listening: keeps the port ours while the wire is hung up.
        self._place = _bound(port)
        self.port: int = self._place.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self._listener: socket.socket | None = None
        self._lines: set[_TcpLine] = set()

    def close(self) -> None:
        """Hang up for good and give the port back."""
        super().close()
        self._place.close()

    def _plug(self) -> None:
        listener = _bound(self.port)
        listener.listen()
        with self._lock:
            self._listener = listener
        self._spawn(partial(self._accept, listener))

    def _unplug(self) -> None:
        with self._lock:
            listener, self._listener = self._listener, None
            if listener is not None:
                with contextlib.suppress(OSError):
                    listener.shutdown(socket.SHUT_RDWR)  # wakes accept; its thread closes the socket
            for line in self._lines:
                line.hang_up()

    def _accept(self, listener: socket.socket) -> None:
        with listener:
            while True:
                try:
                    connection, _ = listener.accept()
                except OSError:
                    return
                line = _TcpLine(connection)
                with self._lock:
                    if self._listener is not listener:  # hung up while this client came in
                        connection.close()
                        return
                    self._lines.add(line)
                self._spawn(partial(self._attend, line, connection))

    def _attend(self, line: _TcpLine, connection: socket.socket) -> None:
        with connection:
            self._serve(line)
            with self._lock:
                self._lines.discard(line)


def _bound(port: int) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.bind(("127.0.0.1", port))
    return sock


class _PtyLine(_Line):
    """The master end of a pseudo-terminal; its slave end is held open, so that clients may come and go."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # no echo, no line editing
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._wake_read, self._wake_write = os.pipe()
        self._gone = threading.Event()
        self._closing = threading.Lock()

    def receive(self) -> bytes:
        select.select([self._master, self._wake_read], [], [])
        if self._gone.is_set():
            raise Gone
        return os.read(self._master, 4096)

    def send(self, data: bytes) -> None:
        """What finds no room within 50 ms is lost, as on a line without handshake."""
        while data:
            select.select([self._wake_read], [self._master], [], 0.05)
            if self._gone.is_set():
                raise Gone
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                return

    def gone_within(self, seconds: float) -> bool:
        """Sleep, or less where the line is hung up meanwhile: then True."""
        return self._gone.wait(seconds)

    def hang_up(self) -> None:
        with self._closing:  # its own thread may be about to close it
            if not self._gone.is_set():
                self._gone.set()
                os.write(self._wake_write, b".")

    def close(self) -> None:
        """Give the descriptors back; nothing may be using them."""
        with self._closing:
            self._gone.set()
            for fd in (self._master, self._slave, self._wake_read, self._wake_write):
                os.close(fd)


class PtyWire(Wire):
    """A line instrument on a pseudo-terminal: answers (``respond``), talks by itself (``stream``), or both.

    ``address`` stays the same when the line is hung up and comes back: it is a link to the slave device, made
    as device managers make theirs.
    """

    def __init__(self, respond: Respond | None = None, *, stream: Stream | None = None, end: str = "\n") -> None:
        super().__init__(respond, end)
        self._stream = stream
        self._folder = tempfile.TemporaryDirectory(prefix="wire-")
        self.address = str(Path(self._folder.name) / "tty")
        self._line: _PtyLine | None = None

    def close(self) -> None:
        """Hang up for good and take the path away."""
        super().close()
        self._folder.cleanup()

    def _plug(self) -> None:
        line = self._line = _PtyLine()
        Path(self.address).symlink_to(line.path)
        self._spawn(partial(self._attend, line))

    def _unplug(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            Path(self.address).unlink()
            line.hang_up()

    def _attend(self, line: _PtyLine) -> None:
        talker = threading.Thread(target=self._talk, args=(line,), name=f"stream {self.address}", daemon=True)
        if self._stream:
            talker.start()
        self._serve(line)
        if self._stream:
            talker.join()
        line.close()

    def _talk(self, line: _PtyLine) -> None:
        assert self._stream is not None
        with contextlib.suppress(Gone):
            while (following := self._stream()) is not None:
                wait_s, text = following
                if line.gone_within(wait_s):
                    return
                self._say(line, text)
