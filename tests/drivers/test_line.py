"""The talk with one instrument, where a real transport cannot be made to do it."""

from __future__ import annotations

import gc
import socket
import struct
import threading

import pytest

from benchlog.driver import BadReply, LinkLost, Settings
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
