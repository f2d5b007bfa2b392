"""One question at a time over a link of lines, and never a late answer taken for another question's.

What this counts on: an instrument answers in order. What it does not count on: that it answers in time, once,
whole, or at all. The rules, each kept by a test in tests/real/test_resync*.py:

R1  Before a question nothing may be waiting, and nothing may follow a reply's terminator in the same piece;
    else the answer before is in doubt too (UnaskedReply).
R2  A question other than the last follows only when the line has been quiet for ``quiet`` since its reply, so that an
    answer given twice is caught. The same question may follow at once: its answers are answers to it, and a
    second one that slips in shows up as unasked before the next.
R3  After a fault, ``open`` is a barrier. A new connection to a TCP instrument holds nothing older. A serial
    line does, also behind a server: whatever arrives is thrown away until the instrument has said who it is in
    answer to a question asked after the one in doubt, or until ``late`` after that one.
R4  All waiting is bounded, by the host's monotonic clock, and so is the length of a reply, and what is thrown away.

Not told: an answer later than ``late`` on a serial line. One given again later than ``quiet``, by an instrument
slower than that: each answer is then the one before's, until a pause lets the next be heard unasked.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Callable
from typing import Protocol

from benchlog.driver import BadReply, InstrumentError, LinkLost, NoReply, Settings, UnaskedReply, WrongInstrument
from benchlog.files import Duration, Table
from benchlog_drivers.ieee488 import text_of

LONGEST_REPLY = 65536  # bytes; more is no reply
_ASKS = 4  # how often one ``open`` asks who is there before it gives up on hearing the same twice
_WARY_S = 0.02  # ``quiet`` for an instrument that has once said more than was asked
_FULL = 4095  # bytes that Linux surely keeps of a line that nobody reads
_FLOOD = 1 << 20  # bytes that come while we read: faster than any line of text
_NO_STOP = "does not stop talking"
_SLICE_S = 0.01  # a listener's look at the line: as sharply as a line's arrival is known

_now = time.monotonic
FindEnd = Callable[[bytes | bytearray, bytes], int | None]


def find_end(buffer: bytes | bytearray, terminator: bytes) -> int | None:
    """Where the first terminator begins; None where there is none yet."""
    at = buffer.find(terminator)
    return None if at < 0 else at


class LineOptions(Table):
    """``[instrument.options]`` of every driver that talks in lines."""

    identify: str = ""  # the question for who it is; "" where it cannot say
    read_termination: str = "\n"
    write_termination: str = "\n"
    quiet: Duration = 0.003  # silence before another question; see R2
    late: Duration = 5.0  # no answer comes later than this; see R3


class Link(Protocol):
    """Bytes both ways. Whatever its methods raise is translated by ``LineTalk``."""

    fresh: bool  # nothing sent before this link was made can come out of it
    paired: bool  # the transport itself pairs answers with questions (GPIB, USBTMC, VXI-11)

    def send(self, data: bytes) -> None:
        """All of it."""
        ...

    def receive(self, wait_s: float) -> bytes:
        """What has arrived, at most a few KiB, after waiting up to ``wait_s`` for the first byte; b"" for nothing."""
        ...

    def close(self) -> None:
        """For good."""
        ...


class _Foreign:
    """The one place where what libraries and the system raise becomes an InstrumentError.

    pyvisa-py raises bare ``Exception`` and pyserial lets ``termios.error`` through, so nothing narrower than
    Exception would do.
    """

    __slots__ = ()

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, exc: BaseException | None, trace: object) -> None:
        if isinstance(exc, Exception) and not isinstance(exc, InstrumentError):
            raise LinkLost(_words(exc)) from exc


def _words(exc: Exception) -> str:
    number = getattr(exc, "errno", None)
    if isinstance(exc, OSError) and isinstance(number, int) and number > 0:
        return os.strerror(number).lower()
    if isinstance(exc, OSError) and (exc.strerror or str(exc)):
        return exc.strerror or str(exc)
    return " ".join(f"{type(exc).__name__}: {exc}".split())


_FOREIGN = _Foreign()


class LineTalk:
    """The talk with one instrument; outlives its links, and remembers who answered first.

    Args:
        connect: makes a new link.
        is_reading: whether a line looks like an answer to another question than who is there.
    """

    def __init__(
        self,
        settings: Settings,
        options: LineOptions,
        *,
        connect: Callable[[], Link],
        is_reading: Callable[[bytes], bool],
        find_end: FindEnd = find_end,
    ) -> None:
        self._settings, self._options = settings, options
        self._connect, self._is_reading, self._find_end = connect, is_reading, find_end
        self._read_end = options.read_termination.encode("latin-1")
        self._write_end = options.write_termination.encode("latin-1")
        self._timeout_s, self._quiet_s = settings.timeout_s, options.quiet
        self._link: Link | None = None
        self._buffer = bytearray()
        self._who: str | None = None  # who answered first
        self._owed: list[float] = []  # when it was asked who it is and has not said so yet
        self._question: str | None = None  # the last one answered on this link
        self._asks = b""  # it, or the one asked now, as it goes out
        self._asked_at = self._replied_at = -1e9
        self._doubtful = False  # an answer to the last question may still arrive
        self._listens = self._in_step = False
        self._looked_at = 0.0
        self._bearable = 0  # bytes that may still come before it is said to talk without end

    # Opening ---------------------------------------------------------------------------------------------

    def open(self) -> str:
        """A new link with nothing old in it; who answers. Raises as ``Driver.open``."""
        self.close()
        try:
            with _FOREIGN:
                self._link = link = self._connect()
                if link.fresh or link.paired:
                    self._owed.clear()
                    self._doubtful = False
                who = self._identify(link) if self._options.identify else self._hush(link)
        except BaseException:
            self.close()
            raise
        self._doubtful, self._question = False, None
        return who

    def close(self) -> None:
        """Let go; any number of times, never raising."""
        link, self._link = self._link, None
        self._buffer.clear()
        self._in_step = False
        if link is not None:
            with contextlib.suppress(Exception):
                link.close()

    def _hush(self, link: Link) -> str:
        """Nobody can say who is there: throw away what may still be late; then, for a listener, find a line's end."""
        if self._doubtful:
            self._bearable = _FLOOD
            until = self._asked_at + self._options.late
            while (left_s := until - _now()) > 0:
                self._bear(link.receive(left_s))
        self._looked_at = _now()
        deadline = self._looked_at + self._settings.timeout_s
        while self._listens and not self._in_step and _now() < deadline:
            self._listened(link, _SLICE_S)
        return ""

    def _identify(self, link: Link) -> str:
        """Ask who is there until it has said so after the question in doubt; what comes then is not older.

        The first time, and whenever another text than the known one arrives, the same text must come twice
        running: a line may have the unfinished end of an older one before it.
        """
        deadline = _now() + self._settings.timeout_s
        self._owed = [at for at in self._owed if _now() - at < self._options.late]
        # So many answers to who it is may come before the one to the question in doubt.
        older = sum(at < self._asked_at for at in self._owed) if self._doubtful else 0
        who, previous, asks, said, heard = None, None, 1, b"", dict[str, int]()
        self._bearable = 2 * LONGEST_REPLY  # one that was late, and who it is a few times
        self._ask_who(link)
        while who is None:
            line = self._bearable_line(link, deadline)
            if line is None:
                raise self._nobody(said)
            said, text = line, text_of(line)
            if self._is_identity(line):
                heard[text] = heard.get(text, 0) + 1
                if text in (self._who, previous):
                    who = text
                elif asks < _ASKS:
                    asks += 1
                    self._ask_who(link)
                previous = text
        until = self._asked_at + self._options.late
        while heard[who] <= older and (line := self._bearable_line(link, until)) is not None:
            heard[who] += text_of(line) == who
        del self._owed[: heard[who]]
        self._settle(link)
        return self._known(who)

    def _bearable_line(self, link: Link, deadline: float) -> bytes | None:
        """As ``_next_line``, but not for ever: reading on would take a core of the computer for nothing."""
        line = self._next_line(link, deadline)
        self._bear(line or b"")
        return line

    def _bear(self, said: bytes) -> None:
        self._bearable -= len(said) + 1
        if self._bearable < 0:
            raise BadReply(_NO_STOP, said=said[:200])

    def _ask_who(self, link: Link) -> None:
        self._owed.append(_now())
        link.send(self._options.identify.encode() + self._write_end)

    def _is_identity(self, line: bytes) -> bool:
        text = text_of(line)
        if text == self._who or (self._settings.identity and re.search(self._settings.identity, text)):
            return True
        return bool(text) and not self._is_reading(line)

    def _settle(self, link: Link) -> None:
        """Wait out an answer given twice, up to its end: its rest, after a pause, would be the next question's answer.

        A line that is never quiet is told by R1.
        """
        deadline = _now() + 20 * self._quiet_s
        while said := bytes(self._buffer) or link.receive(self._quiet_s):
            self._buffer[:] = said
            if self._bearable_line(link, _now() + self._timeout_s) is None:
                raise NoReply("only part of a line came after who it is", said=bytes(self._buffer))
            late_s = _now() - deadline
            if late_s > (self._timeout_s if self._buffer else 0.0):
                break
        self._buffer.clear()
        self._looked_at = self._replied_at = _now()
        self._in_step = False

    def _known(self, who: str) -> str:
        # 488.2 wants printable ASCII; anything else is a line that garbles, not somebody with another name. What was
        # no ASCII is written as an escape by now.
        if not who.isprintable() or "\\x" in who:
            raise BadReply("a garbled answer to who it is", said=who)
        pattern = self._settings.identity
        if pattern and not re.search(pattern, who):
            raise WrongInstrument(f'"{who}" answers, where the bench file wants identity "{pattern}"', said=who)
        if self._who is not None and who != self._who:
            raise WrongInstrument(f'"{who}" answers, where "{self._who}" did before', said=who)
        self._who = who
        return who

    def _nobody(self, said: bytes) -> InstrumentError:
        if self._buffer:
            return NoReply("only part of an answer to who it is", said=bytes(self._buffer[:LONGEST_REPLY]))
        if said:
            return BadReply("no clear answer to who it is", said=said)
        return NoReply(f"did not say who it is within {self._settings.timeout_s:.2g} s")

    # Asking ----------------------------------------------------------------------------------------------

    def ask(self, question: str) -> bytes:
        """One exchange; the reply without its terminator. Raises as ``Driver.ask``."""
        link, timeout_s, read_end = self._link or self._linked(), self._timeout_s, self._read_end
        again = question == self._question
        try:  # as ``_FOREIGN``, without its two calls: here a bus spends its day
            if not link.paired:
                early = link.receive(0.0 if again else self._quiet_left_s())
                if early or self._buffer:
                    raise self._unasked(self._buffer + early)
            self._doubtful = True
            self._asked_at = asked_at = _now()
            if not again:
                self._question, self._asks = None, question.encode() + self._write_end
            link.send(self._asks)
            piece = link.receive(timeout_s)
            end = self._find_end(piece, read_end)
            if end is not None and end + len(read_end) == len(piece):  # one line and nothing else, as nearly always
                reply = piece[:end]
            else:
                reply = self._pieced(link, piece, asked_at + timeout_s)
            self._replied_at = _now()
        except InstrumentError:
            raise
        except Exception as exc:
            raise LinkLost(_words(exc)) from exc
        who = self._who
        if who and len(reply) >= len(who) and question != self._options.identify and text_of(reply) == who:
            del self._owed[:1]
            raise BadReply("said who it is, where something else was asked", said=reply)
        self._question = question
        self._doubtful = False
        return reply

    def tell(self, command: str) -> None:
        """Send a line that has no answer."""
        with _FOREIGN:
            self._linked().send(command.encode() + self._write_end)

    def doubt(self) -> None:
        """The reply could not be understood: another may be on its way."""
        self._doubtful = True

    def _quiet_left_s(self) -> float:
        return max(self._replied_at + self._quiet_s - _now(), 0.0)

    def _unasked(self, said: bytes | bytearray) -> UnaskedReply:
        # It speaks out of turn: from now on, leave it more time to do so before another question.
        self._quiet_s = max(self._quiet_s, _WARY_S)
        self._doubtful = True
        return UnaskedReply("said more than was asked", said=bytes(said[:LONGEST_REPLY]))

    def _linked(self) -> Link:
        if self._link is None:
            raise LinkLost("not open")
        return self._link

    def _pieced(self, link: Link, piece: bytes, deadline: float) -> bytes:
        """A reply of which this piece came first; nothing may follow it."""
        self._buffer += piece
        reply = self._next_line(link, deadline)
        if reply is None:
            if self._buffer:
                raise NoReply("only part of a reply came in time", said=bytes(self._buffer))
            raise NoReply(f"no reply within {self._timeout_s:.2g} s")
        if self._buffer:
            raise self._unasked(reply + self._read_end + self._buffer)
        return reply

    def _next_line(self, link: Link, deadline: float) -> bytes | None:
        """The next whole line; None when the deadline comes first. What follows it stays in the buffer."""
        while (at := self._find_end(self._buffer, self._read_end)) is None:
            if len(self._buffer) > LONGEST_REPLY:
                said = bytes(self._buffer[:200])
                raise BadReply(f"no end of line in {LONGEST_REPLY} bytes", said=said)
            left_s = deadline - _now()
            piece = link.receive(left_s) if left_s > 0 else b""
            if not piece:
                return None
            self._buffer += piece
        line = bytes(self._buffer[:at])
        del self._buffer[: at + len(self._read_end)]
        return line

    # Listening -------------------------------------------------------------------------------------------

    def listen(self) -> tuple[bytes, float, float]:
        """The newest whole line not taken yet, else the next one: (line, seen after, seen by), monotonic seconds.

        The line's end arrived between the two times. Raises as ``Driver.ask``.
        """
        with _FOREIGN:
            link = self._linked()
            self._listens = True
            deadline = _now() + self._settings.timeout_s
            wait_s = 0.0
            while True:
                since = self._looked_at
                if lines := self._listened(link, wait_s):
                    return lines[-1], since, self._looked_at
                left_s = deadline - _now()
                if left_s <= 0:
                    raise NoReply(f"no whole line within {self._settings.timeout_s:.2g} s", said=bytes(self._buffer))
                wait_s = min(left_s, _SLICE_S)

    def _listened(self, link: Link, wait_s: float) -> list[bytes]:
        """The whole lines that have arrived since the last look."""
        heard = 0
        while piece := link.receive(wait_s):
            wait_s = 0.0
            heard += len(piece)
            if heard > _FLOOD:
                raise BadReply(_NO_STOP, said=piece[:200])
            self._buffer += piece
            if heard >= _FULL:
                # The kernel's buffer was full, and what came then may be lost: this is old, and may have a hole.
                self._buffer.clear()
                self._in_step = False
        self._looked_at = _now()
        *lines, rest = bytes(self._buffer).split(self._read_end)
        if len(rest) > LONGEST_REPLY:
            raise BadReply(f"no end of line in {LONGEST_REPLY} bytes", said=rest[:200])
        self._buffer[:] = rest
        if lines and not self._in_step:
            self._in_step = True
            del lines[0]  # its beginning may have been missed
        return lines
