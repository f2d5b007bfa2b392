"""The bytes a serial-line key puts on the network. Source: RFC 2217 (COM-PORT-OPTION 44, SET-CONTROL 5; 8/9 DTR on
and off, 11/12 RTS on and off; the server answers with its code 105), RFC 854 for IAC 255, SB 250, SE 240."""

from __future__ import annotations

import socket
import threading

import pytest
import serial.rfc2217

from benchlog.keying.lines import SerialLine
from benchlog.simulate.keybox import KeyBox

# pyserial 3.5 still starts its RFC 2217 reader the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")

DTR_ON, DTR_OFF, RTS_ON, RTS_OFF = (bytes.fromhex(f"FF FA 2C 05 {code} FF F0") for code in ("08", "09", "0B", "0C"))
CONFIRMED_ON, CONFIRMED_OFF = (bytes.fromhex(f"FF FA 2C 69 {code} FF F0") for code in ("0B", "0C"))


class Tap:
    """Between a client and a key box; keeps what each side sent."""

    def __init__(self, port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.client = self.box = b""
        self._target = port
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        client, _ = self._listener.accept()
        with client, socket.create_connection(("127.0.0.1", self._target)) as box:
            back = threading.Thread(target=self._back, args=(box, client))
            back.start()
            while data := client.recv(4096):
                self.client += data
                box.sendall(data)
            box.shutdown(socket.SHUT_RDWR)
            back.join()

    def _back(self, box: socket.socket, client: socket.socket) -> None:
        while data := box.recv(4096):
            self.box += data
            client.sendall(data)

    def close(self) -> None:
        self._thread.join()
        self._listener.close()


def test_codes_on_the_wire() -> None:
    with KeyBox(mode="hold") as box:
        tap = Tap(box.port)
        line = SerialLine(f"rfc2217://127.0.0.1:{tap.port}", "rts")
        line.open()
        opening, tap.client = tap.client, b""
        line.set(True)
        assert box.down
        line.set(False)
        assert not box.down
        line.close()
        tap.close()
    assert DTR_ON not in opening
    assert RTS_ON not in opening
    assert DTR_OFF in opening
    assert RTS_OFF in opening
    assert tap.client == RTS_ON + RTS_OFF
    assert tap.box.endswith(CONFIRMED_ON + CONFIRMED_OFF)


def test_the_other_line() -> None:
    with KeyBox(mode="hold") as box:
        line = SerialLine(box.address, "dtr")
        line.open()
        line.set(True)
        assert [(edge.line, edge.down) for edge in box.edges] == [("dtr", True)]
        line.set(False)
        line.close()


def test_the_librarys_codes_are_the_rfcs() -> None:
    r = serial.rfc2217
    assert RTS_ON[2:5] == r.COM_PORT_OPTION + r.SET_CONTROL + r.SET_CONTROL_RTS_ON
    assert bytes([5 + 100]) == r.SERVER_SET_CONTROL
