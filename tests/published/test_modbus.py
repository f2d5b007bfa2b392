"""The bytes a modbus-coil key line puts on an RTU line, with the CRC worked out bit by bit here.

Sources: the CRC-16 of the Modbus serial line guide (polynomial 0x8005 reflected, start 0xFFFF, low byte first);
check value 0x4B37 for "123456789" as catalogues of CRCs give it (crcmod's table); the frame 02 07 with CRC 0x1241
from the Modbus guide (from memory); the holding-register frames are common teaching examples, recomputed.
"""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from benchlog.keying.lines import LineFault, ModbusCoil


def crc(data: bytes) -> int:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


def framed(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + crc(data).to_bytes(2, "little")


def test_the_crc_of_this_test() -> None:
    assert crc(b"123456789") == 0x4B37
    assert framed("02 07") == bytes.fromhex("02 07 41 12")
    assert framed("11 03 00 6B 00 03") == bytes.fromhex("11 03 00 6B 00 03 76 87")
    assert framed("11 03 06 AE41 5652 4340") == bytes.fromhex("11 03 06 AE41 5652 4340 49 AD")
    assert framed("01 03 00 00 00 0A") == bytes.fromhex("01 03 00 00 00 0A C5 CD")
    assert crc(framed("01 03 00 00 00 0A")) == 0, "over a whole good frame"


class Unit:
    """A relay unit on a pseudo-terminal: hears 8-byte requests, answers as it is told."""

    def __init__(self, descriptor: int) -> None:
        self.heard: list[bytes] = []
        self.answers: list[bytes] = []
        self._descriptor = descriptor

    def run(self) -> None:
        frame = b""
        while True:
            try:
                frame += os.read(self._descriptor, 64)
            except OSError:
                return
            if frame == b"end":
                return
            if len(frame) >= 8:
                self.heard.append(frame)
                os.write(self._descriptor, self.answers.pop(0) if self.answers else frame)
                frame = b""


@contextmanager
def rtu() -> Iterator[tuple[Unit, str]]:
    master, slave = os.openpty()
    tty.setraw(slave)
    unit = Unit(master)
    thread = threading.Thread(target=unit.run)
    thread.start()
    try:
        yield unit, os.ttyname(slave)
    finally:
        os.write(slave, b"end")
        thread.join()
        os.close(master)
        os.close(slave)


def test_write_single_coil_and_read_coils_as_the_protocol_has_them() -> None:
    """Function 5 with FF00 for on and 0000 for off, echoed; function 1 with the coil in the first bit."""
    with rtu() as (unit, path):
        line = ModbusCoil(path, unit=17, coil=0xAC)
        line.open()
        line.set(True)
        unit.answers = [framed("11 01 01 01"), framed("11 01 01 00")]
        assert line.read_back() is True
        assert line.read_back() is False
        line.close()
    off, on, ask = framed("11 05 00AC 0000"), framed("11 05 00AC FF00"), framed("11 01 00AC 0001")
    assert unit.heard == [off, on, ask, ask]


@pytest.mark.parametrize(
    "answer",
    [
        framed("11 85 02"),  # an exception is the function with its high bit set
        framed("11 05 00AC FF00")[:-1] + b"\\0",  # CRC off
        framed("12 05 00AC FF00"),  # another unit's
    ],
)
def test_an_answer_that_confirms_nothing(answer: bytes) -> None:
    with rtu() as (unit, path):
        line = ModbusCoil(path, unit=17, coil=0xAC)
        line.open()
        unit.answers = [answer]
        with pytest.raises(LineFault):
            line.set(True)
        line.close()
