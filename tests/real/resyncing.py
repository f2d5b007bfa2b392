"""Misbehaving instruments on real transports, and a bus's way of using a driver on them.

An instrument here answers each question with a number that tells which question it was asked and how many it
had been asked before. So a late, doubled or mixed-up answer is always told from the right one.
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Self

import serial
import serial.rfc2217

from benchlog.driver import Answer, InstrumentError, NoReply, Settings, UnaskedReply
from benchlog.simulate.wire import PtyWire, TcpWire, Wire
from benchlog_drivers.scpi import Scpi, ScpiOptions
from benchlog_drivers.serial_text import SerialText, SerialTextOptions

TIMEOUT_S = 0.15  # where it is waited for; an answer may miss it on a busy machine
AMPLE_S = 10.0  # where nothing is waited for in vain
PATIENCE_S = 30.0  # until what must come at last has come
QUESTIONS = ("A?", "B?", "C?")


@dataclass
class Instrument:
    """Answers with 1000000 x the question's number + how many questions it has heard."""

    identity: str = "Example,Counter,1,0"
    heard: int = 0
    errors: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def respond(self, question: str) -> str | None:
        with self.lock:
            if question == "*IDN?":
                return self.identity
            if question == "SYST:ERR?":
                return self.errors.pop(0) if self.errors else '0,"No error"'
            if question in QUESTIONS:
                self.heard += 1
                return f"{(QUESTIONS.index(question) + 1) * 1_000_000 + self.heard:+d}"
            return None


@dataclass
class Rig:
    """One driver on one wire."""

    instrument: Instrument
    wire: Wire
    make: Callable[..., Any]
    driver: Any = None
    notes: list[tuple[str, str]] = field(default_factory=list)
    kept: list[tuple[str, float, int]] = field(default_factory=list)  # the answers of ``run`` that stand
    in_doubt: bool = False  # whether an UnaskedReply would take the last of them back

    def build(self, *, timeout_s: float = TIMEOUT_S, identity: str = "", **options: Any) -> Any:
        """A driver for this wire; the last one built is ``driver``."""
        self.driver = self.make(timeout_s=timeout_s, identity=identity, note=self._note, options=options)
        return self.driver

    def opened(self, *, timeout_s: float = AMPLE_S, **options: Any) -> Self:
        """With a driver that knows who is there, and nothing on the line."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            self.build(timeout_s=timeout_s, **options)
            try:
                assert self.driver.open() == self.instrument.identity
                return self
            except NoReply:
                self.driver.close()
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.5)  # what was late has come by then, and goes with the port

    def _note(self, kind: str, text: str) -> None:
        self.notes.append((kind, text))

    def ask(self, question: str) -> int:
        """A value, checked: it answers this question, and was made after it was asked."""
        before = self.instrument.heard
        (value,) = self.driver.ask(question).values.values()
        self.check(question, value, before)
        return int(value)

    @staticmethod
    def check(question: str, value: float, before: int) -> None:
        kind, count = divmod(int(value), 1_000_000)
        assert QUESTIONS[kind - 1] == question, f"{value} is an answer to {QUESTIONS[kind - 1]}, not to {question}"
        assert count > before, f"{value} was made before {question} was asked ({before})"

    def get(self, question: str) -> int:
        """A value, checked, as a bus gets it: after a fault it opens the link again and asks anew.

        On a busy machine an answer may come after the time-out, and another who-it-is after ``quiet``. Both are
        refused, as they must be. A value that is taken must be right at the first try.
        """
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                return self.ask(question)
            except InstrumentError:
                if time.monotonic() > deadline:
                    raise
                self.reopen()

    def refused(self, question: str, kind: type[InstrumentError], match: str = "") -> InstrumentError:
        """The fault that the wire's trouble makes of this question.

        A machine so busy that the late part is seen with the rest gets the right answer, which is checked; one on which
        all of it is late has another fault. Then the same trouble is made once more.
        """
        trouble, deadline = self.wire.trouble, time.monotonic() + PATIENCE_S
        while True:
            try:
                self.ask(question)
            except InstrumentError as exc:
                if isinstance(exc, kind) and re.search(match, str(exc)):
                    return exc
                assert time.monotonic() < deadline, f"the trouble ends as {exc!r}"
                self.wire.trouble = None
                self.reopen()
                self.wire.trouble = trouble
            assert time.monotonic() < deadline, "the trouble is none"

    def reopen(self) -> None:
        """What a bus does after a fault, until it works."""
        deadline = time.monotonic() + PATIENCE_S
        self.in_doubt = False
        while True:
            self.driver.close()
            try:
                assert self.driver.open() == self.instrument.identity
                return
            except InstrumentError:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.02)

    def run(self, questions: list[str], pause_s: float = 0.0) -> None:
        """Ask as a bus does, reopening after each fault; keep the answers, each with what was heard before it.

        An UnaskedReply takes back the answer before it: that is its meaning.
        """
        for question in questions:
            before = self.instrument.heard
            try:
                answer: Answer = self.driver.ask(question)
            except UnaskedReply:
                if self.in_doubt:
                    self.kept.pop()
                self._again()
            except InstrumentError:
                self._again()
            else:
                self.kept.append((question, *answer.values.values(), before))
                self.in_doubt = True
            if pause_s:
                time.sleep(pause_s)

    def run_until_answered(self, questions: list[str]) -> None:
        """``run`` until every question has its answer: the time-outs here are short for a busy machine."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            start = len(self.kept)
            self.run(questions)
            if [question for question, _, _ in self.kept[start:]] == questions:
                return
            assert time.monotonic() < deadline, f"{questions} are not answered"

    def check_kept(self) -> None:
        """Every answer that stands was given to its question, after it was asked."""
        for question, value, before in self.kept:
            self.check(question, value, before)

    def _again(self) -> None:
        self.in_doubt = False
        self.driver.close()
        with contextlib.suppress(InstrumentError):
            self.driver.open()


def _scpi(address: str) -> Callable[..., Any]:
    def make(*, options: dict[str, Any], **settings: Any) -> Scpi:
        return Scpi(Settings("counter", address, options=ScpiOptions(**options), **settings))

    return make


def _serial_text(address: str) -> Callable[..., Any]:
    def make(*, options: dict[str, Any], **settings: Any) -> SerialText:
        options = {"identify": "*IDN?", "pattern": r"(?P<count>[+]\d{7})"} | options
        return SerialText(Settings("counter", address, options=SerialTextOptions(**options), **settings))

    return make


@contextlib.contextmanager
def tcp_scpi() -> Iterator[Rig]:
    instrument = Instrument()
    with TcpWire(instrument.respond) as wire:
        yield from _closing(Rig(instrument, wire, _scpi(wire.address)))


@contextlib.contextmanager
def pty_serial_text() -> Iterator[Rig]:
    instrument = Instrument()
    with PtyWire(instrument.respond) as wire:
        yield from _closing(Rig(instrument, wire, _serial_text(wire.address)))


@contextlib.contextmanager
def pty_scpi() -> Iterator[Rig]:
    instrument = Instrument()
    with PtyWire(instrument.respond) as wire:
        yield from _closing(Rig(instrument, wire, _scpi(f"ASRL{wire.address}::INSTR")))


@contextlib.contextmanager
def rfc2217_serial_text() -> Iterator[Rig]:
    instrument = Instrument()
    with PtyWire(instrument.respond) as wire, Rfc2217Server(wire.address) as server:
        yield from _closing(Rig(instrument, wire, _serial_text(server.url)))


@contextlib.contextmanager
def socket_serial_text() -> Iterator[Rig]:
    instrument = Instrument()
    with TcpWire(instrument.respond) as wire:
        yield from _closing(Rig(instrument, wire, _serial_text(f"socket://127.0.0.1:{wire.port}")))


def _closing(rig: Rig) -> Iterator[Rig]:
    try:
        yield rig
    finally:
        if rig.driver is not None:
            rig.driver.close()


class _Port(serial.Serial):
    """A pty has no control lines; this one remembers what they were set to."""

    cts = dsr = ri = cd = False
    raised: list[str]

    def _update_rts_state(self) -> None:
        self._note("rts", self._rts_state)

    def _update_dtr_state(self) -> None:
        self._note("dtr", self._dtr_state)

    def _note(self, line: str, state: bool) -> None:
        if state:
            self.__dict__.setdefault("raised", []).append(line)


class Rfc2217Server:
    """A serial port behind TCP, with pyserial's own server side of RFC 2217; one client at a time."""

    def __init__(self, device: str) -> None:
        self.port = _Port(None, timeout=0.02)
        self.port.rts = self.port.dtr = False
        self.port.port = device
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._accept, name="rfc2217 server")
        self._client: socket.socket | None = None
        self.clients = 0

    @property
    def raised(self) -> list[str]:
        """The control lines that any client raised."""
        return list(self.port.__dict__.get("raised", ()))

    def __enter__(self) -> Rfc2217Server:
        self.port.open()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self.cut()
        self._thread.join()
        self._listener.close()
        self.port.close()

    def cut(self) -> None:
        """Drop the client, as when the network goes."""
        if (client := self._client) is not None:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self.clients += 1
            with client:
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._client = client
                self._serve(client)
                self._client = None

    def _serve(self, client: socket.socket) -> None:
        lock = threading.Lock()
        gone = threading.Event()

        class Connection:
            def write(self, data: bytes) -> None:
                with lock, contextlib.suppress(OSError):
                    client.sendall(data)

        manager = serial.rfc2217.PortManager(self.port, Connection())

        def outward() -> None:
            while not gone.is_set():
                data = self.port.read(self.port.in_waiting or 1)
                if data:
                    Connection().write(b"".join(manager.escape(data)))

        reader = threading.Thread(target=outward, name="rfc2217 server's reader")
        reader.start()
        try:
            while data := client.recv(4096):
                self.port.write(b"".join(manager.filter(data)))
        except OSError:
            pass
        finally:
            gone.set()
            reader.join()


@contextlib.contextmanager
def nothing_left() -> Iterator[None]:
    """No thread and no file descriptor outlives the block."""
    threads, descriptors = set(threading.enumerate()), len(os.listdir("/proc/self/fd"))
    yield
    deadline = time.monotonic() + 2
    while (left := set(threading.enumerate()) - threads) and time.monotonic() < deadline:
        next(iter(left)).join(0.1)
    assert not left, f"threads left: {left}"
    assert len(os.listdir("/proc/self/fd")) <= descriptors, "file descriptors left"


def resident_bytes() -> int:
    """This process's memory, as the kernel counts it."""
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
