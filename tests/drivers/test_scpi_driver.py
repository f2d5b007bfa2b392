"""The scpi driver over a real socket: its error queue, setup, addresses, and what it makes of replies."""

from __future__ import annotations

import math
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest

from benchlog.driver import BadReply, InstrumentError, LinkLost, NoReply, Settings
from benchlog.simulate.wire import Garbage, TcpWire
from benchlog_drivers.scpi import Scpi, ScpiOptions


class Meter:
    """Answers from a table, and remembers what it was told."""

    def __init__(self) -> None:
        self.says: dict[str, str] = {"*IDN?": "Example,Meter,1,0", "P?": "12.5"}
        self.errors: list[str] = []
        self.told: list[str] = []

    def respond(self, line: str) -> str | None:
        self.told.append(line)
        if line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        return self.says.get(line)


@pytest.fixture
def meter() -> Meter:
    return Meter()


@pytest.fixture
def wire(meter: Meter) -> Iterator[TcpWire]:
    with TcpWire(meter.respond) as wire:
        yield wire


@pytest.fixture
def notes() -> list[tuple[str, str]]:
    return []


@pytest.fixture
def scpi(wire: TcpWire, notes: list[tuple[str, str]]) -> Iterator[Any]:
    made: list[Scpi] = []

    def make(**settings: Any) -> Scpi:
        options = ScpiOptions(**settings.pop("options", {}))
        address = settings.pop("address", wire.address)
        note = lambda kind, text: notes.append((kind, text))  # noqa: E731
        made.append(Scpi(Settings("meter", address, **({"timeout_s": 0.2} | settings), options=options, note=note)))
        return made[-1]

    yield make
    for driver in made:
        driver.close()


def test_the_error_queue_is_drained_after_a_fault(scpi: Any, meter: Meter, notes: list[tuple[str, str]]) -> None:
    driver = scpi()
    driver.open()
    assert "SYST:ERR?" not in meter.told, "nothing was wrong yet"
    with pytest.raises(NoReply):
        driver.ask("NOSUCH?")
    meter.errors = ['-113,"Undefined header;NOSUCH?"', '-350,"Queue overflow"']
    driver.close()
    driver.open()
    assert notes == [("error-queue", '-113,"Undefined header;NOSUCH?"'), ("error-queue", '-350,"Queue overflow"')]
    assert driver.ask("P?").values == {0: 12.5}
    driver.close()
    driver.open()
    assert meter.told.count("SYST:ERR?") == 3, "once per fault: two entries and the empty queue"


def test_an_endless_error_queue_is_left_after_twenty(scpi: Any, meter: Meter, notes: list[tuple[str, str]]) -> None:
    driver = scpi(timeout_s=2.0)
    driver.open()
    meter.errors = ['-310,"System error"'] * 50
    meter.says["X?"] = "x"
    with pytest.raises(BadReply):
        driver.ask("X?")
    driver.close()
    driver.open()
    assert len(notes) == 20
    assert driver.ask("P?").values == {0: 12.5}


def test_one_that_knows_no_error_queue_is_taken_back_all_the_same(scpi: Any, meter: Meter) -> None:
    driver = scpi(options={"errors": "NOQUEUE?"})
    driver.open()
    with pytest.raises(NoReply):
        driver.ask("NOSUCH?")
    driver.close()
    with pytest.raises(NoReply):
        driver.open()
    driver.close()
    driver.open()
    assert driver.ask("P?").values == {0: 12.5}


def test_the_setup_is_sent_on_every_connect(scpi: Any, meter: Meter) -> None:
    meter.says["*OPC?"] = "1"
    driver = scpi(setup=("CONF:POW", "*OPC?"))
    for _ in range(2):
        driver.open()
        assert driver.ask("P?").values == {0: 12.5}
        driver.close()
    assert meter.told.count("CONF:POW") == 2
    assert meter.told.index("*IDN?") < meter.told.index("CONF:POW") < meter.told.index("P?")


@pytest.mark.parametrize(
    ("reply", "values"),
    [
        ("+1.5E+00,2,-3", {0: 1.5, 1: 2.0, 2: -3.0}),
        ("9.9E37", {0: math.inf}),
        ("-9.90000E+37", {0: -math.inf}),
        ("#15+12.5", {0: 12.5}),
        ("#0+12.5", {0: 12.5}),
        ("1.5;2.5", {0: 1.5, 1: 2.5}),
    ],
)
def test_replies(scpi: Any, meter: Meter, reply: str, values: dict[int, float]) -> None:
    meter.says["X?"] = reply
    driver = scpi()
    driver.open()
    assert driver.ask("X?").values == values


def test_not_a_number_arrives_as_nan(scpi: Any, meter: Meter) -> None:
    meter.says["X?"] = "9.91E37"
    driver = scpi()
    driver.open()
    assert math.isnan(driver.ask("X?").values[0])


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_other_terminators(end: str) -> None:
    says = {"*IDN?": "Example,Meter,1,0", "P?": "12.5"}
    with TcpWire(says.get, end=end) as wire:
        options = ScpiOptions(read_termination=end, write_termination=end)
        driver = Scpi(Settings("meter", wire.address, timeout_s=0.2, options=options))
        driver.open()
        assert [driver.ask("P?").values[0] for _ in range(3)] == [12.5] * 3
        driver.close()


@pytest.mark.parametrize(
    ("address", "options", "says"),
    [
        ("TCPIP::127.0.0.1::1::SOCKET", {}, "connection refused"),
        ("TCPIP::no-such-host.invalid::5025::SOCKET", {}, "name|resolution"),
        ("TCPIP::127.0.0.1::99999::SOCKET", {}, "65535"),
        ("nonsense", {}, "nonsense|resource name|InvalidResourceName"),
        ("ASRL/dev/no-such-device::INSTR", {}, "no such file"),
        ("TCPIP::192.0.2.9::5025::SOCKET", {"visa": "no-such-file.yaml@sim"}, "."),
        ("TCPIP::192.0.2.9::5025::SOCKET", {"visa": "@nosuchlibrary"}, "nosuchlibrary"),
    ],
)
def test_a_bad_address_is_a_lost_link_with_its_cause(
    scpi: Any, address: str, options: dict[str, str], says: str
) -> None:
    with pytest.raises(LinkLost, match=f"(?i){says}"):
        scpi(address=address, options=options).open()


def test_nobody_else_holds_the_connection_afterwards(scpi: Any, wire: TcpWire) -> None:
    driver = scpi()
    driver.open()
    driver.close()
    driver.open()
    with socket.create_connection(("127.0.0.1", wire.port), 1) as second:
        second.sendall(b"P?\n")
        assert second.recv(99) == b"12.5\n"


def test_an_instrument_hammered_with_one_question_is_not_slowed_down(scpi: Any) -> None:
    """Nothing is slept between equal questions."""
    driver = scpi(options={"quiet": "500 ms"})
    driver.open()
    started = time.monotonic()
    for _ in range(100):
        driver.ask("P?")
    assert time.monotonic() - started < 25, "the quiet before each would be twice this much"


def test_different_questions_wait_for_quiet(scpi: Any, meter: Meter) -> None:
    meter.says["V?"] = "842"
    driver = scpi(options={"quiet": "300 ms"})
    driver.open()
    driver.ask("P?")
    started = time.monotonic()
    driver.ask("P?")
    same_s = time.monotonic() - started
    driver.ask("V?")
    assert time.monotonic() - started - same_s >= 0.295 > same_s


def test_importing_the_driver_does_not_import_visa() -> None:
    code = "import sys, benchlog_drivers.scpi; sys.exit('pyvisa' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})


class _Odd:
    """A link out of a library that raises what it likes."""

    fresh = paired = False

    def __init__(self, exc: BaseException, where: str) -> None:
        self.exc, self.where = exc, where

    def send(self, data: bytes) -> None:
        if self.where == "send":
            raise self.exc

    def receive(self, wait_s: float) -> bytes:
        if self.where == "receive":
            raise self.exc
        return b""

    def close(self) -> None:
        raise self.exc


def _foreign() -> list[BaseException]:
    import termios

    import pyvisa
    import serial

    return [
        Exception("could not connect"),
        OSError(5, "Input/output error"),
        ConnectionResetError(104, "reset"),
        TimeoutError("timed out"),
        pyvisa.VisaIOError(-1073807339),
        pyvisa.InvalidSession(),
        serial.SerialException("device reports readiness to read but returned no data"),
        serial.SerialTimeoutException("Write timeout"),
        serial.PortNotOpenError(),
        termios.error(5, "Input/output error"),
        AttributeError("'NoneType' object has no attribute 'recv'"),
        UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
    ]


@pytest.mark.parametrize("where", ["connect", "send", "receive"])
@pytest.mark.parametrize("exc", _foreign(), ids=lambda exc: type(exc).__name__)
def test_no_foreign_exception_slips_out(scpi: Any, exc: BaseException, where: str) -> None:
    driver = scpi()

    def connect() -> _Odd:
        if where == "connect":
            raise exc
        return _Odd(exc, where)

    driver._talk._connect = connect
    with pytest.raises(InstrumentError) as caught:
        driver.open()
    assert caught.value.__cause__ is exc
    assert caught.value.what
    driver.close()


def test_a_garbled_answer_to_who_it_is_is_no_other_instrument() -> None:
    """The line garbles; nobody has put another meter there."""
    with TcpWire(lambda _question: "unused") as wire:
        wire.trouble = Garbage(b"Ex\xffmp\x01e,1\n")
        driver = Scpi(Settings("meter", wire.address, 0.3, identity="^Example", options=Scpi.Options()))
        with pytest.raises(BadReply, match="garbled"):
            driver.open()
        driver.close()
