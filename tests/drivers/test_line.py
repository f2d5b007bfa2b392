"""The talk with one instrument, where a real transport cannot be made to do it."""

from __future__ import annotations

import gc
import socket
import struct
import threading

import pytest

from benchlog.driver import BadReply, LinkLost, NoReply, Settings, UnaskedReply
from benchlog.simulate.wire import TcpWire
from benchlog_drivers.line import LineOptions, LineTalk
from benchlog_drivers.scpi import Scpi, ScpiOptions
from benchlog_drivers.serial_text import SerialText, SerialTextOptions


class _Endless:
    """A link that always has more."""

    fresh = paired = False

    def send(self, data: bytes) -> None:
        pass

    def receive(self, wait_s: float) -> bytes:
        return b"n=1\n" * 1000

    def close(self) -> None:
        pass


def test_listening_to_a_flood_ends() -> None:
    talk = LineTalk(Settings("flood"), LineOptions(), connect=_Endless, is_reading=lambda line: True)
    talk.open()
    with pytest.raises(BadReply, match="does not stop"):
        talk.listen()


class _Script:
    """A link on which pieces come one after the other; a number is a pause of so many seconds before the next."""

    fresh = paired = False

    def __init__(self, *script: bytes | float) -> None:
        self._script = list(script)

    def send(self, data: bytes) -> None:
        pass

    def receive(self, wait_s: float) -> bytes:
        while self._script:
            piece = self._script.pop(0)
            if isinstance(piece, bytes):
                return piece
            if piece > wait_s:
                self._script.insert(0, piece - wait_s)
                break
        return b""

    def close(self) -> None:
        pass


def test_the_end_of_an_answer_given_twice_is_not_the_next_answer() -> None:
    """It comes a tenth of a second after its beginning, long after the line seemed quiet."""
    who = b"Example,Counter,1,0\n"
    link = _Script(who, who, who[:-2], 0.1, who[-2:], 0.1, b"+3.5\n")
    talk = LineTalk(Settings("counter"), LineOptions(identify="*IDN?"), connect=lambda: link, is_reading=_is_number)
    assert talk.open() == who.decode().strip()
    assert talk.ask("C?") == b"+3.5"


def test_half_a_line_that_was_listened_to_is_not_the_beginning_of_an_answer() -> None:
    link = _Script(b"1.0\n2.0\n3.", 1.0, b"5\n")
    talk = LineTalk(Settings("meter"), LineOptions(), connect=lambda: link, is_reading=_is_number)
    talk.open()
    assert talk.listen()[0] == b"2.0"
    with pytest.raises(UnaskedReply) as caught:
        talk.ask("V?")
    assert caught.value.said == "3."


def test_after_one_that_failed_the_question_before_is_asked_and_no_other() -> None:
    link = _Script(b"", b"1\n", b"", b"", b"", b"", b"3\n")
    asked: list[bytes] = []
    link.send = asked.append  # type: ignore[method-assign]
    talk = LineTalk(Settings("meter"), LineOptions(), connect=lambda: link, is_reading=_is_number)
    talk.open()
    assert talk.ask("A?") == b"1"
    with pytest.raises(NoReply):
        talk.ask("B?")
    assert talk.ask("A?") == b"3"
    assert asked == [b"A?\n", b"B?\n", b"A?\n"]


def test_the_beginning_of_an_answer_that_never_ends_opens_nothing() -> None:
    who = b"Example,Counter,1,0\n"
    link = _Script(who, who, who[:-2], 60.0, b"\n")
    talk = LineTalk(Settings("counter"), LineOptions(identify="*IDN?"), connect=lambda: link, is_reading=_is_number)
    with pytest.raises(NoReply, match="only part"):
        talk.open()


def _is_number(line: bytes) -> bool:
    return line[:1] in b"+-0123456789"


@pytest.mark.parametrize(("options", "fresh"), [({}, True), ({"late": "5 s"}, False)])
def test_a_new_connection_is_fresh_unless_a_serial_line_is_behind_it(options: dict[str, str], fresh: bool) -> None:
    with TcpWire({"*IDN?": "Example,Meter,1,0"}.get) as wire:
        driver = Scpi(Settings("meter", wire.address, options=ScpiOptions.model_validate(options)))
        driver.open()
        assert driver._talk._link is not None
        assert driver._talk._link.fresh is fresh
        driver.close()


def test_a_reset_connection_leaves_no_socket() -> None:
    """pyserial forgets it; one that is collected open is a ResourceWarning, and that a failure here."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def reset() -> None:
            client, _ = server.accept()
            client.recv(100)
            client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            client.close()

        peer = threading.Thread(target=reset)
        peer.start()
        address = f"socket://127.0.0.1:{server.getsockname()[1]}"
        driver = SerialText(Settings("meter", address, options=SerialTextOptions()))
        driver.open()
        with pytest.raises(LinkLost):
            driver.ask("P")
        peer.join()
        driver.close()
        gc.collect()
