"""After a time-out, a garbled or a cut reply, no later reply is ever taken for another question's answer.

Each trouble on each transport: a TCP socket through VISA, a pseudo-terminal through pyserial and through VISA,
and a port behind RFC 2217. The instruments' values tell which question they answer, and when they were made.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from benchlog.driver import BadReply, InstrumentError, LinkLost, NoReply, Settings, UnaskedReply, WrongInstrument
from benchlog.simulate.wire import (
    CutInTwo,
    Drip,
    Flood,
    Garbage,
    HangUp,
    Late,
    PtyWire,
    Silent,
    Twice,
    Unfinished,
)
from benchlog_drivers import line
from benchlog_drivers.serial_text import SerialText, SerialTextOptions
from tests.real import resyncing
from tests.real.resyncing import AMPLE_S, TIMEOUT_S, Rig

# pyserial 3.5 still starts its RFC 2217 reader the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")

RIGS = {
    "tcp-scpi": resyncing.tcp_scpi,
    "pty-serial-text": resyncing.pty_serial_text,
    "pty-scpi": resyncing.pty_scpi,
    "socket-serial-text": resyncing.socket_serial_text,
    "rfc2217-serial-text": resyncing.rfc2217_serial_text,
}


@pytest.fixture(params=["tcp-scpi", "pty-serial-text", "pty-scpi"])
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with resyncing.nothing_left(), RIGS[request.param]() as rig:
        yield rig


@pytest.fixture(params=RIGS)
def any_rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    """All of them, for the main troubles; pyserial takes 0.6 s to open and close a port behind TCP."""
    with resyncing.nothing_left(), RIGS[request.param]() as rig:
        yield rig


@pytest.fixture(params=["tcp-scpi", "pty-serial-text"])
def main_rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with resyncing.nothing_left(), RIGS[request.param]() as rig:
        yield rig


def test_a_well_behaved_instrument_is_read(any_rig: Rig) -> None:
    rig = any_rig.opened()
    values = [rig.ask(q) for q in ("A?", "A?", "B?", "A?")]
    assert values == [1_000_001, 1_000_002, 2_000_003, 1_000_004]


def test_an_answer_three_seconds_late_is_nobodys(main_rig: Rig) -> None:
    rig = main_rig.opened(timeout_s=TIMEOUT_S)
    rig.wire.trouble = Late(3.0)
    started = time.monotonic()
    with pytest.raises(NoReply):
        rig.ask("A?")
    rig.wire.trouble = None  # from the next line on; the one under way stays late
    rig.reopen()
    for _ in range(3):
        rig.get("B?")
    while time.monotonic() - started < 3.2:  # past the moment the late answer comes
        rig.run(["B?", "C?"], pause_s=0.05)
    rig.run_until_answered(["B?", "C?", "B?"])
    rig.check_kept()
    rig.reopen()
    rig.get("A?")


@pytest.mark.parametrize("delay", [1.2, 1.9])
def test_answers_just_too_late_are_told_by_their_number(rig: Rig, delay: float) -> None:
    """Each answer comes after its own time-out, so several identity questions are open at once."""
    rig.opened(timeout_s=0.06, late="1 s")
    rig.wire.trouble = Late(0.06 * delay)
    rig.run(["A?", "B?", "C?"] * 4)
    rig.wire.trouble = None
    rig.reopen()
    rig.run_until_answered(["B?", "C?", "A?"])
    rig.check_kept()


@pytest.mark.parametrize("gap", [0.0, 0.002, 0.08])
def test_an_answer_given_twice_never_answers_another_question(rig: Rig, gap: float) -> None:
    """Whether it comes again before ``quiet`` is over or after it: ten times the usual, for a busy machine."""
    rig.opened(timeout_s=0.5, quiet="30 ms")
    rig.wire.trouble = Twice(gap)
    rig.run(["A?", "B?", "C?", "A?", "A?", "B?"])
    rig.wire.trouble = None
    rig.reopen()
    rig.run_until_answered(["B?", "C?"])
    rig.check_kept()


def test_one_that_once_answered_twice_is_given_more_time_to_do_so(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second answer comes after ``quiet``: it is noticed too late at first, and in time from then on."""
    monkeypatch.setattr(line, "_WARY_S", 0.3)  # a busy machine's 20 ms
    rig.opened()
    rig.wire.trouble = Twice(0.01)
    rig.run(["A?", "B?"])
    time.sleep(0.1)  # slower than ``quiet`` itself it must be heard unasked, see drivers/benchlog_drivers/line.py
    rig.run(["C?"])
    rig.check_kept()
    rig.wire.trouble = None
    rig.reopen()
    rig.wire.trouble = Twice(0.1)
    rig.ask("A?")
    heard = rig.instrument.heard
    with pytest.raises(UnaskedReply):
        rig.driver.ask("B?")
    assert rig.instrument.heard == heard, "told before it was asked"


def test_an_answer_given_twice_at_once_is_refused(rig: Rig) -> None:
    rig.opened()
    rig.wire.trouble = Twice()

    def twice() -> None:
        rig.driver.ask("A?")
        time.sleep(0.1)
        rig.driver.ask("A?")

    with pytest.raises(UnaskedReply) as caught:  # in this exchange or before the next, as the bytes arrive
        twice()
    assert "1000001" in caught.value.said


@pytest.mark.parametrize("gap", [0.0, 0.05])
def test_a_line_cut_in_two_is_one_reading(rig: Rig, gap: float) -> None:
    rig.opened()
    rig.wire.trouble = CutInTwo(gap)
    assert rig.ask("A?") == 1_000_001
    assert rig.ask("B?") == 2_000_002


def test_the_second_half_of_a_cut_line_is_no_reading(any_rig: Rig) -> None:
    """It comes after the time-out: on a serial line, in front of who it is."""
    rig = any_rig.opened(timeout_s=TIMEOUT_S, late="1 s")
    rig.wire.trouble = CutInTwo(1.3 * TIMEOUT_S)
    rig.refused("A?", NoReply, match="part")
    rig.wire.trouble = None
    rig.reopen()
    rig.get("B?")


def test_a_line_that_never_ends_is_no_reading(any_rig: Rig) -> None:
    rig = any_rig.opened(timeout_s=TIMEOUT_S)
    rig.wire.trouble = Unfinished()
    fault = rig.refused("A?", NoReply, match="part")
    assert fault.said == f"+{1_000_000 + rig.instrument.heard}"
    rig.wire.trouble = None
    rig.reopen()
    rig.get("B?")


def test_the_start_of_a_line_left_by_another_program_is_not_who_it_is(rig: Rig) -> None:
    """The first identity ever heard has the end of an unfinished line before it, and is not believed alone."""
    rig.build()
    rig.wire.trouble = Unfinished()
    other = rig.driver
    with pytest.raises(NoReply):
        other.open()
    rig.wire.trouble = None
    assert rig.build(timeout_s=AMPLE_S, late="500 ms").open() == rig.instrument.identity
    rig.ask("A?")


@pytest.mark.parametrize(
    "rubbish", [b"\xff\x00\x80\n", b"+10000\xb01\n", b"\n", b"+1,+2,x\n", b"nan\n", b"1_000_001\n"]
)
def test_garbage_is_not_a_reading(rig: Rig, rubbish: bytes) -> None:
    rig.opened()
    rig.wire.trouble = Garbage(rubbish)
    with pytest.raises(BadReply) as caught:
        rig.ask("A?")
    assert caught.value.said == rubbish.decode("ascii", "backslashreplace").strip()
    rig.wire.trouble = None
    rig.reopen()
    assert rig.ask("B?") == 2_000_002


def test_garbage_before_the_end_of_an_answer(rig: Rig) -> None:
    rig.opened(timeout_s=TIMEOUT_S)
    rig.wire.trouble = Garbage(b"+1\n00001\n")
    rig.run(["A?", "A?", "B?"])
    rig.wire.trouble = None
    rig.reopen()
    rig.run_until_answered(["B?"])
    rig.check_kept()


def test_a_silent_instrument_is_told_in_time_and_taken_back(any_rig: Rig) -> None:
    rig = any_rig.opened(timeout_s=TIMEOUT_S, late="500 ms")
    rig.wire.trouble = Silent()
    started = time.monotonic()
    with pytest.raises(NoReply):
        rig.ask("A?")
    assert TIMEOUT_S * 0.9 < time.monotonic() - started < TIMEOUT_S + AMPLE_S
    rig.driver.close()
    with pytest.raises(NoReply, match="who it is"):
        rig.driver.open()
    rig.wire.trouble = None
    rig.reopen()
    rig.get("B?")


def test_a_dripping_line_is_bounded_by_the_time_out(rig: Rig) -> None:
    rig.opened(timeout_s=TIMEOUT_S, late="1 s")
    rig.wire.trouble = Drip(TIMEOUT_S / 4)  # a byte is always just about to come
    rig.refused("A?", NoReply)
    rig.wire.trouble = None
    rig.reopen()
    rig.get("B?")


@pytest.mark.parametrize("flood", [b"0", b"9.5\n", b"+1000001\n"])
def test_a_flood_is_bounded(rig: Rig, flood: bytes) -> None:
    rig.opened(timeout_s=TIMEOUT_S, late="500 ms")
    rig.wire.trouble = Flood(flood)
    before = resyncing.resident_bytes()
    rig.run(["A?", "B?", "A?"])
    assert resyncing.resident_bytes() - before < 30e6
    rig.wire.trouble = None
    rig.reopen()
    rig.kept.clear()  # a flood of well-formed numbers cannot be told from answers while it lasts
    rig.run_until_answered(["B?", "C?"])
    rig.check_kept()


def test_a_line_without_end_is_given_up_long_before_the_time_out(rig: Rig) -> None:
    rig.opened(timeout_s=60.0)
    rig.wire.trouble = Flood(b"0")
    started = time.monotonic()
    with pytest.raises(BadReply, match="no end of line"):
        rig.driver.ask("A?")
    assert time.monotonic() - started < 30.0


def test_a_closed_connection_is_told_at_once_and_made_again(rig: Rig) -> None:
    rig.opened(timeout_s=20.0, late="100 ms")
    rig.ask("A?")
    rig.wire.trouble = HangUp()
    started = time.monotonic()
    with pytest.raises(LinkLost):
        rig.driver.ask("A?")
    with pytest.raises(LinkLost):
        rig.driver.open()
    assert time.monotonic() - started < 15.0, "well before the time-out"
    rig.wire.trouble = None
    rig.reopen()
    rig.ask("B?")


def test_a_connection_closed_while_we_wait_is_told_at_once(main_rig: Rig) -> None:
    rig = main_rig.opened(timeout_s=20.0)

    def hang_up(question: str) -> None:
        rig.wire.trouble = HangUp()

    rig.wire.respond = hang_up
    started = time.monotonic()
    cpu = time.process_time()
    with pytest.raises(LinkLost):
        rig.driver.ask("A?")
    assert time.monotonic() - started < 15.0, "well before the time-out"
    assert time.process_time() - cpu < 1.0


def test_another_instrument_is_refused_until_the_first_is_back(any_rig: Rig) -> None:
    rig = any_rig.opened()
    rig.instrument.identity = "Example,Impostor,2,0"
    rig.driver.close()
    for _ in range(2):
        with pytest.raises(WrongInstrument, match="Impostor"):
            rig.driver.open()
        with pytest.raises(LinkLost):
            rig.driver.ask("A?")
    rig.instrument.identity = "Example,Counter,1,0"
    assert rig.driver.open() == "Example,Counter,1,0"
    rig.ask("A?")


def test_the_bench_file_says_who_may_answer(rig: Rig) -> None:
    with pytest.raises(WrongInstrument, match="wants identity"):
        rig.build(timeout_s=AMPLE_S, identity="^Other,").open()
    rig.opened(identity="^Example,Counter,")


def test_who_it_is_is_never_a_reading(rig: Rig) -> None:
    """Not even where it looks like one."""
    rig.instrument.identity = "+7000000"
    rig.opened(identity="^.7")
    rig.wire.trouble = Garbage(b"+7000000\n")
    with pytest.raises(BadReply, match="who it is"):
        rig.driver.ask("A?")


def test_a_late_reading_is_not_who_it_is(rig: Rig) -> None:
    """The line before the identity is an answer to another program's question."""
    rig.build(timeout_s=AMPLE_S)
    late = ["+1000009", "+1000009"]  # the same twice running, as who it is must come

    def respond(question: str) -> str:
        reply = "\n".join([*late, rig.instrument.identity])
        late.clear()
        return reply

    rig.wire.respond = respond
    assert rig.driver.open() == rig.instrument.identity
    rig.wire.respond = rig.instrument.respond
    rig.ask("A?")


@pytest.mark.parametrize("make", [resyncing.pty_serial_text, resyncing.pty_scpi])
def test_the_end_of_another_programs_identity_is_not_who_it_is(make: Callable[[], AbstractContextManager[Rig]]) -> None:
    """It arrives as a whole line, once the port is open."""
    with resyncing.nothing_left(), make() as rig:
        rig.wire.trouble = CutInTwo(1.0)
        other = rig.build(timeout_s=2 * TIMEOUT_S)
        with pytest.raises(NoReply, match="part"):
            other.open()
        other.close()
        rig.wire.trouble = None
        assert rig.build(timeout_s=AMPLE_S).open() == rig.instrument.identity


@pytest.mark.parametrize("make", [resyncing.pty_serial_text, resyncing.pty_scpi])
def test_a_late_answer_to_who_it_is_is_no_barrier_for_what_was_asked_later(
    make: Callable[[], AbstractContextManager[Rig]],
) -> None:
    """Answers in order: who (1), who (2), A, who (3). After the fault at A, the second is not yet the third."""
    answers = threading.Semaphore(0)
    timers = []

    def answered(count: int, after_s: float) -> None:
        timers.append(threading.Timer(after_s, answers.release, args=(count,)))
        timers[-1].start()

    with resyncing.nothing_left(), make() as rig:

        def gated(question: str) -> str | None:
            reply = rig.instrument.respond(question)
            answers.acquire()
            return reply

        rig.opened(timeout_s=0.5, late="3 s")
        rig.driver.close()
        rig.wire.respond = gated
        with pytest.raises(NoReply):
            rig.driver.open()  # (1) is late
        answered(1, after_s=0.1)
        rig.driver.open()  # (1) comes, (2) is late
        with pytest.raises(NoReply):
            rig.driver.ask("A?")
        rig.driver.close()
        answered(1, after_s=0.1)  # (2)
        answered(99, after_s=0.25)
        rig.driver.open()
        rig.get("B?")
        for timer in timers:
            timer.join()
        answers.release(99)  # whatever still waits


def test_what_comes_unasked_is_told_before_the_next_question() -> None:
    """It puts the answer before in doubt: that one may have been for an older question."""
    push, pushed = threading.Event(), threading.Event()

    def unasked() -> tuple[float, str] | None:
        if push.is_set():
            pushed.set()  # called again: the first line is on its way
            return None
        push.wait(AMPLE_S)
        return 0.0, "+1000099"

    instrument = resyncing.Instrument()
    with resyncing.nothing_left(), PtyWire(instrument.respond, stream=unasked) as wire:
        read = SerialTextOptions(identify="*IDN?")
        driver = SerialText(Settings("counter", wire.address, timeout_s=AMPLE_S, options=read))
        driver.open()
        assert driver.ask("A?").values == {"value": 1_000_001.0}
        push.set()
        assert pushed.wait(AMPLE_S)
        time.sleep(0.05)  # through the kernel
        with pytest.raises(UnaskedReply) as caught:
            driver.ask("A?")
        assert "1000099" in caught.value.said
        driver.close()


def test_without_an_identity_the_line_is_waited_quiet() -> None:
    with resyncing.nothing_left(), resyncing.pty_serial_text() as rig:
        rig.instrument.identity = ""
        rig.opened(timeout_s=0.3, late="1.5 s", identify="")
        rig.wire.trouble = Late(1.0)
        started = time.monotonic()
        with pytest.raises(NoReply):
            rig.ask("A?")
        rig.wire.trouble = None
        rig.reopen()
        assert time.monotonic() - started > 1.49
        rig.get("B?")


def test_everything_foreign_is_translated(any_rig: Rig) -> None:
    """Closed, never opened, gone: whatever is called then says so as an InstrumentError."""
    rig = any_rig
    rig.build(timeout_s=AMPLE_S)
    with pytest.raises(LinkLost, match="not open"):
        rig.driver.ask("A?")
    rig.driver.close()
    rig.driver.close()
    rig.driver.open()
    rig.driver.close()
    with pytest.raises(InstrumentError):
        rig.driver.ask("A?")
