"""Relays and coils behind real transports, and lines that cannot be one."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socketserver
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Self

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchlog.errors import BenchFailed
from benchlog.keying.client import Guard, KeyEvent
from benchlog.keying.lines import LineFault, ModbusCoil, ScpiRelay, line_from, tcp_address
from benchlog.simulate.wire import PtyWire, TcpWire, Trouble, Twice, Wire
from tests.keying.guarding import WITHIN_S, Raw, first, told, wait

RELAY = {"down": "ROUT:CLOS (@1)", "up": "ROUT:OPEN (@1)", "ask": "ROUT:CLOS? (@1)"}


class Relay:
    """Our own: two commands and a question."""

    def __init__(self) -> None:
        self.closed = False
        self.stuck = False
        self.swallows = 0  # so many of the next answers never come
        self.answered = 0
        self.heard: list[tuple[int, str]] = []

    def respond(self, line: str) -> str | None:
        self.heard.append((time.monotonic_ns(), line))
        if line == RELAY["ask"] and self.swallows:
            self.swallows -= 1
            return None
        if line == RELAY["ask"]:
            self.answered += 1
            return "1" if self.closed else "0"
        if not self.stuck:
            self.closed = line == RELAY["down"]
        return None


def wires() -> list[type[Wire]]:
    return [TcpWire, PtyWire]


def law(address: str, **options: object) -> dict[str, object]:
    return {"line": {"driver": "scpi", "address": address, "options": {**RELAY, **options}}}


@pytest.mark.parametrize("wire_of", wires())
def test_a_relay_keys_and_is_read_back(wire_of: type[Wire]) -> None:
    relay = Relay()
    relay.closed = True  # as somebody left it
    with wire_of(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:
        assert not relay.closed, "starts by commanding up"
        guard.down(5.0)
        assert relay.closed
        guard.up()
        assert not relay.closed


def test_a_relay_without_a_question() -> None:
    relay = Relay()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address, ask=""))) as guard:
        guard.down(5.0)
        wait("closed", lambda: relay.closed)
        guard.up()
        wait("open", lambda: not relay.closed)
        assert all(line != RELAY["ask"] for _, line in relay.heard)


def test_one_answer_that_never_comes_is_asked_for_once_more() -> None:
    """Looked after while up, keying down, looked after while down, keying up: nothing of it ends a run."""
    relay, seen = Relay(), list[KeyEvent]()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:

        def attend() -> None:
            guard.beat()
            seen.extend(guard.edges())

        def lose_one() -> None:
            late, relay.swallows = len(seen), 1
            wait("late", lambda: [event.kind for event in seen[late:]] == ["late"], meanwhile=attend)
            answered = relay.answered
            wait("answered", lambda: relay.answered > answered, meanwhile=attend)

        lose_one()
        relay.swallows = 1
        guard.down(20.0)
        attend()
        lose_one()
        assert relay.closed
        relay.swallows = 1
        guard.up()
        assert not relay.closed
        attend()
        assert [event.kind for event in seen] == ["late", "late", "down", "late", "late", "up"]
        assert seen[0].why.endswith("no reply; asked once more")


def test_two_answers_that_never_come_are_a_fault_and_the_key_is_up_within_the_second() -> None:
    relay = Relay()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:
        guard.down(20.0)
        told(guard, "down")
        relay.swallows = 2
        began = len(relay.heard)
        up = told(guard, "up")
        assert up.why.startswith("the key line failed")
        assert not relay.closed
        answered_ns = relay.heard[began - 1][0]
        opened_ns = next(at_ns for at_ns, line in relay.heard[began:] if line == RELAY["up"])
        assert opened_ns - answered_ns < WITHIN_S * 1e9


def test_a_relay_that_sticks_is_an_alarm_and_is_tried_until_it_opens() -> None:
    relay = Relay()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:
        guard.down(5.0)
        relay.stuck = True
        with pytest.raises(BenchFailed, match="nobody confirms"):
            guard.up()
        assert guard.is_lost
        relay.stuck = False
        assert told(guard, "up").why == "asked"
        assert not relay.closed


def test_a_relay_that_somebody_else_opens_is_not_closed_again() -> None:
    relay = Relay()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:
        guard.down(5.0)
        relay.closed = False
        assert "reads back as up" in told(guard, "up").why
        assert sum(line == RELAY["down"] for _, line in relay.heard) == 1


@pytest.mark.parametrize("trouble", ["silent", "hang-up"])
def test_a_relay_that_errs_while_keyed_is_opened(trouble: str) -> None:
    from benchlog.simulate.troubles import KINDS

    relay = Relay()
    with TcpWire(relay.respond) as wire, Guard(first(wire.address, **law(wire.address))) as guard:
        guard.down(5.0)
        since_ns = time.monotonic_ns()
        made: Trouble = KINDS[trouble](1.0)
        wire.trouble = made
        told(guard, "line")
        wire.trouble = None
        told(guard, "up")
        assert not relay.closed
        ups = [t for t, line in relay.heard if line == RELAY["up"] and t > since_ns]
        assert (ups[0] - since_ns) / 1e9 < 1.0


class Coils:
    """pymodbus's own server, in a thread."""

    def __init__(self) -> None:
        coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        others = [SimData(0, count=1, datatype=DataType.REGISTERS)]
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        self._device = SimDevice(id=1, simdata=(coils, bits, others, others))
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), name="modbus server")

    async def _serve(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        server = ModbusTcpServer(self._device, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        assert server.transport is not None
        self.port: int = server.transport.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        await server.shutdown()

    def __enter__(self) -> Coils:
        self._thread.start()
        assert self._ready.wait(60.0)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    @contextmanager
    def looked_at(self) -> Iterator[ModbusCoil]:
        line = ModbusCoil(self.address, unit=1, coil=3)
        line._client = line._made()
        try:
            yield line
        finally:
            line.close()


def test_a_coil_keys_and_is_read_back() -> None:
    with Coils() as coils:
        line = {"driver": "modbus-coil", "address": coils.address, "options": {"unit": 1, "coil": 3}}
        with Guard(first(coils.address, line=line)) as guard, coils.looked_at() as coil:
            assert coil.read_back() is False
            guard.down(5.0)
            assert coil.read_back() is True
            guard.up()
            assert coil.read_back() is False
            guard.edges()
            guard.down(0.3)
            assert told(guard, "up").why == "the time asked for is over"
            assert coil.read_back() is False


def test_a_coil_there_is_not() -> None:
    with Coils() as coils:
        line = {"driver": "modbus-coil", "address": coils.address, "options": {"unit": 1, "coil": 99}}
        with pytest.raises(BenchFailed, match="refused"):
            Guard(first(coils.address, line=line))


class Coil:
    """Our own Modbus box, as slow as it is told to be: one coil, which holds its state."""

    def __init__(self) -> None:
        self.down = False
        self.echo_s = self.read_s = 0.0  # how long it takes to answer
        self.reads = True  # whether it answers when it is asked what the coil is
        self.heard: list[tuple[int, str]] = []  # CLOCK_MONOTONIC, as it came in
        self.told: Callable[[str], None] = lambda what: None
        box = self

        class Client(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                with contextlib.suppress(OSError):  # a guard that was ended
                    while len(head := self.rfile.read(7)) == 7:
                        _, _, left, _ = struct.unpack(">HHHB", head)
                        if (answer := box._answer(self.rfile.read(left - 1))) is not None:
                            self.wfile.write(head[:4] + struct.pack(">H", len(answer) + 1) + head[6:] + answer)

        class Server(socketserver.ThreadingTCPServer):
            daemon_threads, block_on_close = False, True

        self._server = Server(("127.0.0.1", 0), Client)
        self.address = f"tcp://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), name="coil")

    def _answer(self, asked: bytes) -> bytes | None:
        what = "read" if asked[0] == 1 else "down" if asked[3] else "up"
        self.heard.append((time.monotonic_ns(), what))
        if what != "read":
            self.down = what == "down"
        self.told(what)
        time.sleep(self.read_s if what == "read" else self.echo_s)
        if what != "read":
            return asked
        return bytes([1, 1, self.down]) if self.reads else None

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def law(self, timeout_s: float = 0.2) -> dict[str, Any]:
        line = {"driver": "modbus-coil", "address": self.address, "options": {"timeout": timeout_s}}
        return first(self.address, line=line)


def test_beats_are_answered_between_the_two_times_a_line_is_asked() -> None:
    """Who waits for a slow line can tell that the guard does not hang."""
    with Coil() as coil, Raw(coil.law()) as guard:
        guard.hear("ready")
        guard.down()

        def told_to(what: str) -> None:
            if what == "up" and coil.reads:
                coil.reads = False
                guard.tell({"beat": time.monotonic_ns()})

        coil.told = told_to
        guard.tell({"up": True})
        said = [guard.hear("t") for _ in range(3)]
        assert [one.get("line", "beat" if "beat" in one else "") for one in said] == ["late", "beat", "lost"]
        coil.told = lambda what: None
        coil.reads = True
        assert guard.hear("edge")["edge"] == "up"


def test_a_guard_whose_line_is_slow_twice_is_left_to_it() -> None:
    """In the middle of a question when it is told, then all but out of time in every answer, and asked once more."""
    with Coil() as coil, Guard(coil.law()) as guard:
        guard.down(20.0)
        asked = threading.Event()
        coil.read_s, coil.echo_s = 0.15, 0.17

        def told_to(what: str) -> None:
            if what == "up":
                coil.reads = False
            asked.set()

        coil.told = told_to
        wait("asked", asked.is_set, meanwhile=guard.beat)
        with pytest.raises(BenchFailed, match="its line does not answer"):
            guard.up()
        assert guard.alive
        assert guard.is_lost
        assert not coil.down
        coil.told = lambda what: None
        coil.reads, coil.read_s, coil.echo_s = True, 0.0, 0.0
        assert told(guard, "up").why == "asked"


def test_a_key_down_that_is_asked_once_more_is_confirmed_or_up_again_within_the_second() -> None:
    with Coil() as coil, Guard(coil.law(0.3)) as guard:
        began = len(coil.heard)
        coil.reads, coil.echo_s = False, 0.25
        with pytest.raises(BenchFailed, match="the key line failed"):
            guard.down(20.0)
        heard = coil.heard[began:]
        assert [what for _, what in heard[:3]] == ["down", "read", "down"], "asked once more"
        up_ns = next(at_ns for at_ns, what in heard if what == "up")
        assert up_ns - heard[0][0] < WITHIN_S * 1e9
        coil.reads, coil.echo_s = True, 0.0
        told(guard, "up")


@pytest.mark.parametrize(("how", "why"), [(signal.SIGSTOP, "did not answer"), (signal.SIGKILL, "ended by itself")])
def test_a_guard_that_fails_in_a_key_down_leaves_the_key_to_a_second_one(how: signal.Signals, why: str) -> None:
    """It was never confirmed to be down, and it is: at a box that holds its state, up again within the second."""
    with Coil() as coil, Guard(coil.law()) as guard:
        coil.told = lambda what: os.kill(guard.pid, how) if what == "down" else None
        with pytest.raises(BenchFailed, match=why):
            guard.down(20.0)
        assert coil.down
        guard.up()
        assert not coil.down
        assert not guard.is_down
        down_ns = next(at_ns for at_ns, what in coil.heard if what == "down")
        up_ns = next(at_ns for at_ns, what in coil.heard if what == "up" and at_ns > down_ns)
        assert up_ns - down_ns < WITHIN_S * 1e9


def test_a_port_without_control_lines_is_refused() -> None:
    """A pseudo-terminal has none: better no key than one that only seems to work."""
    with PtyWire(lambda line: None) as wire, pytest.raises(BenchFailed, match="cannot be opened"):
        Guard(first(wire.address))


@pytest.mark.parametrize(
    "message",
    [
        {},
        {"line": {"driver": "none", "address": "x"}, "key_down_s": 1.0, "heartbeat_s": 1.0, "heat": None},
        first("x", key_down_s=float("inf")),
        first("x", key_down_s=0),
        first("x", heartbeat_s="1"),
        first("x", heat={"continuous_w": 100.0, "cooling_s": 1.0, "fraction": 0.0, "assumed_w": float("nan")}),
        first("x", heat={"continuous_w": 100.0, "cooling_s": 1.0, "fraction": "0", "assumed_w": 1.0}),
    ],
)
def test_no_law_no_guard(message: dict[str, object]) -> None:
    """In this process: what the guard does with its first message before it touches a line."""
    from benchlog.keying.guard import Law

    with pytest.raises((LineFault, KeyError, TypeError, ValueError)):
        line_from(message["line"])  # type: ignore[arg-type]
        Law.of(message)


def test_nobody_at_the_address() -> None:
    with pytest.raises(BenchFailed, match=r"cannot be opened.*refused"):
        Guard(first("rfc2217://127.0.0.1:1"))


@pytest.mark.parametrize(
    ("address", "found"),
    [
        ("tcp://127.0.0.1:502", ("127.0.0.1", 502)),
        ("tcp://[::1]:502", ("::1", 502)),
        ("TCPIP::10.0.0.5::5025::SOCKET", ("10.0.0.5", 5025)),
        ("tcpip0::box::5025::socket", ("box", 5025)),
        ("/dev/ttyUSB0", None),
        ("rfc2217://127.0.0.1:4001", None),
    ],
)
def test_addresses(address: str, found: tuple[str, int] | None) -> None:
    assert tcp_address(address) == found


def test_a_relay_says_something_else() -> None:
    with TcpWire(lambda line: "9.91E37" if line == RELAY["ask"] else None) as wire:
        relay = ScpiRelay(wire.address, **RELAY)
        relay.open()
        with pytest.raises(LineFault, match=r"9\.91E37"):
            relay.read_back()
        relay.close()
        with pytest.raises(LineFault, match="not open"):
            relay.set(False)


def test_a_late_reply_is_not_the_next_questions() -> None:
    relay = Relay()
    with TcpWire(relay.respond) as wire:
        line = ScpiRelay(wire.address, **RELAY)
        line.open()
        wire.trouble = Twice(gap=0.05)
        assert line.read_back() is False
        time.sleep(0.15)  # the second reply is there by now, and stands for "open"
        wire.trouble = None
        line.set(True)
        assert line.read_back() is True
        line.close()


def test_the_guard_loads_nothing_it_does_not_need() -> None:
    code = (
        "import sys, benchlog.keying.guard\n"
        "theirs = {m.split('.')[0] for m in sys.modules} - set(sys.stdlib_module_names)\n"
        "ours = sorted(m for m in sys.modules if m.startswith('benchlog'))\n"
        "print(sorted(theirs), ours)"
    )
    done = subprocess.run([sys.executable, "-I", "-S", "-c", f"import sys; sys.path.append({sys.path[0]!r}); {code}"],
                          capture_output=True, text=True, check=True, cwd="/")  # fmt: skip
    keying = [f".keying{name}" for name in ("", ".guard", ".heat", ".lines", ".overdue", ".pipes")]
    modules = ["", *keying, ".precedence"]
    assert done.stdout.strip() == f"['__main__', 'benchlog'] {[f'benchlog{name}' for name in modules]}", done.stdout
