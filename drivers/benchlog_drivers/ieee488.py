"""IEEE 488.2 and SCPI replies: bytes to numbers, without I/O.

Source:   IEEE 488.2 chapter 8 (NR1, NR2, NR3, block and string response data), SCPI-1999 volume 1, 7.2 (infinity
          and not-a-number) and volume 2, 21.8 (the error queue).
Not here: hexadecimal, octal and binary numbers (8.7.5 and on), blocks of binary numbers.

A definite block is ``#`` n, n digits that count the bytes, then those bytes; an indefinite one is ``#0`` and
runs to the terminator at the end of the message.
"""

from __future__ import annotations

import math
import re

from benchlog.driver import BadReply

OVER_RANGE = 9.9e37  # SCPI's infinity: a marker, never a value
NOT_A_NUMBER = 9.91e37
BLANKS = " \t\n\r\f\v"  # str.strip() alone takes the control characters 28 to 31 for blanks; on a line they are damage

# float() alone would accept "nan", "inf" and "1_0"; blanks may surround a number, not the parts of it.
_NUMBER = re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
_DATUM = re.compile(r'\s*"(?:[^"]|"")*"\s*|[^",;]*')
_BLOCK, _UNDERSCORE = b"#_"  # as numbers: to look for a byte in bytes takes a tenth of what bytes in bytes take
_BLOCK_DIGITS = tuple(b"%d" % n for n in range(1, 10))
_ERROR = re.compile(r'\s*([+-]?\d+)\s*(?:,\s*"?(.*?)"?\s*)?', re.ASCII | re.DOTALL)


def text_of(line: bytes) -> str:
    """A line as text without the blanks around it; bytes that are no ASCII are spelled out."""
    return line.decode("ascii", "backslashreplace").strip(BLANKS)


def number(text: str) -> float:
    """One NRf number. SCPI's special values come back as ``inf``, ``-inf`` and ``nan``.

    Raises:
        BadReply: not a number, or one that no float can hold.
    """
    if not _NUMBER.fullmatch(text):
        raise BadReply("not a number", said=text)
    value = float(text)
    if math.isinf(value):  # 1E999: the instrument's infinity is another
        raise BadReply("a number beyond all range", said=text)
    if abs(value) == NOT_A_NUMBER:
        return math.nan
    return math.copysign(math.inf, value) if abs(value) == OVER_RANGE else value


def plain_number(reply: bytes) -> float | None:
    """A reply that is one number and nothing else; None for any other, and where the number has a meaning of its own.

    The same as ``number``, for nearly every reply that a bus ever hears, at a tenth of the time: of what ``float``
    takes beyond it, "nan" and "inf" are below no limit, and the rest has a "_".
    """
    try:
        value = float(reply)
    except ValueError:
        return None
    return value if abs(value) < OVER_RANGE and _UNDERSCORE not in reply else None


def numbers(text: str) -> dict[int | str, float]:
    """A reply's data by position: comma lists, and the replies to several questions on one line (``;``).

    Quoted strings keep their position and have no number.

    Raises:
        BadReply: anything else that is not a number, or no number at all.
    """
    if _NUMBER.fullmatch(text):  # nearly every reply
        return {0: number(text)}
    try:
        found: dict[int | str, float] = {
            at: number(datum) for at, datum in enumerate(_data(text)) if not datum.lstrip(BLANKS).startswith('"')
        }
    except BadReply as exc:
        raise BadReply(exc.what, said=text) from None
    if not found:
        raise BadReply("no number in the reply", said=text)
    return found


def _data(text: str) -> list[str]:
    data, at = [], 0
    while True:
        datum = _DATUM.match(text, at)
        assert datum is not None  # the pattern matches nothing, too
        data.append(datum[0])
        at = datum.end()
        if at == len(text):
            return data
        if text[at] not in ",;":
            raise BadReply("not a list of numbers", said=text)
        at += 1


def end_of_reply(buffer: bytes | bytearray, terminator: bytes) -> int | None:
    """Where a reply's terminator begins; None while the reply is not whole.

    A definite block may hold the terminator's bytes, so there its count decides.

    Raises:
        BadReply: a definite block that is longer than it says.
    """
    at = buffer.find(terminator)
    if at > 0 and buffer[0] != _BLOCK:  # nearly every reply
        return at
    if buffer.startswith(b"#") and buffer[1:2] in _BLOCK_DIGITS:
        start = 2 + int(buffer[1:2])
        if len(buffer) < start:
            return None
        if not buffer[2:start].isdigit():
            raise BadReply("a block without its count", said=bytes(buffer))
        end = start + int(buffer[2:start])
        behind = bytes(buffer[end : end + len(terminator)])
        if not terminator.startswith(behind):
            raise BadReply("a block longer than its count", said=bytes(buffer))
        return end if behind == terminator else None
    return None if at < 0 else at


def contents(reply: bytes) -> bytes:
    """What a reply without its terminator carries: a block's bytes, or the reply itself.

    Raises:
        BadReply: a block that is cut, or longer than its count.
    """
    if not reply.startswith(b"#"):
        return reply
    if reply[1:2] == b"0":
        return reply[2:]
    digits = int(reply[1:2]) if reply[1:2] in _BLOCK_DIGITS else 0
    count = reply[2 : 2 + digits]
    if not digits or len(count) < digits or not count.isdigit():
        raise BadReply("a block without its count", said=reply)
    block = reply[2 + digits :]
    if len(block) != int(count):
        raise BadReply(f"a block of {int(count)} bytes with {len(block)}", said=reply)
    return block


def error(text: str) -> tuple[int, str]:
    """A reply to ``SYSTem:ERRor?``: its number and text. 0 is an empty queue; compare numbers, not texts.

    Raises:
        BadReply: no number.
    """
    found = _ERROR.fullmatch(text)
    if found is None:
        raise BadReply("not an entry of an error queue", said=text)
    return int(found[1]), (found[2] or "").replace('""', '"')
