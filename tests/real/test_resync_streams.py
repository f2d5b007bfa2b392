"""Instruments that talk by themselves, over a real pty: in step with their lines, stamped honestly, bounded."""

from __future__ import annotations

import contextlib
import itertools
import time
from collections.abc import Callable, Iterator

import pytest

from benchlog.driver import BadReply, InstrumentError, LinkLost, NoReply, Settings
from benchlog.simulate.wire import CutInTwo, Garbage, HangUp, PtyWire, Silent, Unfinished
from benchlog_drivers.serial_text import SerialText, SerialTextOptions
from tests.real import resyncing

PATTERN = r"n=(?P<count>\d{6})"


class Talker:
    """Sends its count, and remembers when it meant to send which and when it had."""

    def __init__(self, every_s: float) -> None:
        self.every_s = every_s
        self.due: dict[int, float] = {}
        self.sent: dict[int, float] = {}
        self._count = itertools.count(1)

    def stream(self) -> tuple[float, str]:
        # Called after the line before was sent: this line leaves every_s from now.
        number, now = next(self._count), time.monotonic()
        self.sent[number - 1] = now
        self.due[number] = now + self.every_s
        return self.every_s, f"n={number:06d}"


Listen = Callable[..., tuple[PtyWire, SerialText, Talker]]


@pytest.fixture
def listen() -> Iterator[Listen]:
    made: list[tuple[PtyWire, SerialText]] = []

    def make(every_s: float = 0.02, timeout_s: float = 0.3, **options: object) -> tuple[PtyWire, SerialText, Talker]:
        talker = Talker(every_s)
        wire = PtyWire(stream=talker.stream).start()
        read = SerialTextOptions.model_validate({"pattern": PATTERN, "baud": 115200} | options)
        driver = SerialText(Settings("talker", wire.address, timeout_s=timeout_s, options=read))
        made.append((wire, driver))
        return wire, driver, talker

    with resyncing.nothing_left():
        yield make
        for wire, driver in made:
            driver.close()
            wire.close()


def heard(driver: SerialText) -> int:
    return int(driver.ask("").values["count"])


def listen_to_the_fault(driver: SerialText) -> None:
    """What was on its way is still heard first."""
    for _ in range(99):
        heard(driver)


def test_each_line_is_taken_once_and_in_order(listen: Listen) -> None:
    _, driver, _ = listen(every_s=0.1, timeout_s=0.5)  # a busy machine looks at each, too: only the newest is taken
    driver.open()
    counts = [heard(driver) for _ in range(8)]
    assert counts == list(range(counts[0], counts[0] + 8))


def test_the_newest_line_is_taken(listen: Listen) -> None:
    _, driver, talker = listen(every_s=0.01)
    driver.open()
    first = heard(driver)
    time.sleep(0.3)
    latest = max(number for number, at in talker.sent.items() if at < time.monotonic() - 0.1)
    assert heard(driver) >= latest > first


def test_the_stamp_holds_the_moment_the_line_was_made(listen: Listen) -> None:
    """Oldest and newest age bracket when it was sent, whether it was waiting or waited for."""
    _, driver, talker = listen(every_s=0.25, timeout_s=1.0)
    driver.open()
    heard(driver)
    for pause in (0.0, 0.42, 0.0, 0.3):
        unseen_from = time.monotonic()
        time.sleep(pause)
        asked = time.monotonic()
        answer = driver.ask("")
        now = time.monotonic()
        assert answer.age_s is not None
        oldest, newest = answer.age_s
        number = int(answer.values["count"])
        while number not in talker.sent:
            time.sleep(0.001)
        assert newest - 0.01 <= now - talker.due[number], "a busy machine sends later than it meant to, never sooner"
        assert now - talker.sent[number] <= oldest + 0.05
        assert 0 <= newest <= oldest
        assert oldest < asked - unseen_from + 0.15, "no wider than what we did not see"


def test_a_line_waited_for_is_stamped_sharply(listen: Listen) -> None:
    _, driver, _ = listen(every_s=0.2, timeout_s=0.6)
    driver.open()
    widths = []
    for _ in range(4):
        oldest, newest = driver.ask("").age_s or (9.0, 0.0)
        widths.append(oldest - newest)
    assert min(widths) < 0.08


def test_the_half_line_at_the_start_is_no_reading(listen: Listen) -> None:
    wire, driver, talker = listen(every_s=0.1, timeout_s=2.0)
    wire.trouble = CutInTwo(0.6)
    while not talker.due:
        time.sleep(0.01)
    time.sleep(max(0.0, talker.due[1] + 0.2 - time.monotonic()))  # between the halves of the first line
    driver.open()
    assert heard(driver) == 2


def test_a_slow_talker_is_got_in_step_with(listen: Listen) -> None:
    """One line in most of a time-out: the first is half, and there is no time for a second in one ``ask``."""
    _, driver, _ = listen(every_s=0.4, timeout_s=0.6)
    counts = []
    driver.open()
    for _ in range(4):
        try:
            counts.append(heard(driver))
        except NoReply:
            driver.close()
            driver.open()
    assert len(counts) >= 3


def test_a_talker_that_falls_silent_is_no_reply_in_time(listen: Listen) -> None:
    wire, driver, _ = listen()
    driver.open()
    heard(driver)
    wire.trouble = Silent()
    time.sleep(0.05)
    with pytest.raises(NoReply):
        listen_to_the_fault(driver)
    wire.trouble = None
    driver.close()
    driver.open()
    heard(driver)


def test_garbage_is_a_bad_reply_and_passes(listen: Listen) -> None:
    wire, driver, _ = listen(every_s=0.1, timeout_s=0.5)
    driver.open()
    wire.trouble = Garbage(b"n=\xff\xff\n")
    with pytest.raises(BadReply):
        listen_to_the_fault(driver)
    wire.trouble = None
    before = None
    while before is None:
        driver.close()
        driver.open()
        try:
            before = heard(driver)
        except BadReply:
            continue
    assert heard(driver) == before + 1


def test_two_lines_run_together_are_no_reading(listen: Listen) -> None:
    wire, driver, _ = listen()
    driver.open()
    heard(driver)
    wire.trouble = Unfinished()
    time.sleep(0.4)  # several lines, also on a busy machine
    wire.trouble = None
    with pytest.raises(BadReply):
        listen_to_the_fault(driver)


def test_a_pulled_adapter_is_lost_and_comes_back(listen: Listen) -> None:
    wire, driver, _ = listen(timeout_s=2.0)
    driver.open()
    heard(driver)
    wire.trouble = HangUp()
    started = time.monotonic()
    with pytest.raises(LinkLost):
        listen_to_the_fault(driver)
    driver.close()
    with pytest.raises(LinkLost, match="no such file"):
        driver.open()
    assert time.monotonic() - started < 1.5
    wire.trouble = None
    driver.open()
    heard(driver)


def test_lines_that_nobody_took_for_long_are_not_read(listen: Listen) -> None:
    """The kernel keeps 4095 bytes for sure and drops what follows: the newest there is old, and may have a hole."""
    wire, driver, talker = listen(every_s=0.0005, timeout_s=0.3)
    driver.open()
    heard(driver)
    while len(talker.sent) * len("n=000001\n") < 6000:
        time.sleep(0.02)
    wire.trouble = Silent()
    with pytest.raises(NoReply):
        heard(driver)
    wire.trouble = None
    first = heard(driver)
    assert heard(driver) > first


def test_no_end_of_line_is_bounded(listen: Listen) -> None:
    wire, driver, _ = listen(every_s=0.0)
    driver.open()
    wire.trouble = Garbage(b"0" * 2000)
    before = resyncing.resident_bytes()
    for _ in range(3):
        with pytest.raises(InstrumentError):
            listen_to_the_fault(driver)
        driver.close()
        with contextlib.suppress(InstrumentError):
            driver.open()
    assert resyncing.resident_bytes() - before < 30e6
