"""The promises of ``benchlog.driver`` as tests; run them on a driver of your own with pytest.

    from benchlog.driver_contract import WireContract

    class TestMyMeter(WireContract):
        driver = MyMeter
        questions = ("POWER?", "TEMP?")      # two that are answered with different numbers

        @pytest.fixture
        def wire(self):
            with TcpWire({"POWER?": "12.5", "TEMP?": "31"}.get) as wire:
                yield wire

Take ``WireContract`` for a driver that talks in lines, over TCP or a serial port: it plays a misbehaving
instrument (``benchlog.simulate.wire``). Take ``PolledContract`` for any other that is asked, and
``DriverContract`` for one that is not.
"""

# ruff: noqa: D102 - a test's name is its documentation
from __future__ import annotations

import math
import threading
import time
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

import pytest

from benchlog.driver import Answer, Driver, InstrumentError, LinkLost, NoReply, Settings, WrongInstrument
from benchlog.files import Table
from benchlog.simulate.wire import (
    CutInTwo,
    Drip,
    Flood,
    Garbage,
    HangUp,
    Late,
    Silent,
    Trouble,
    Twice,
    Unfinished,
    Wire,
)

SLACK_S = 1.0  # what a busy machine may add to a time-out
BUSY_S = 0.01  # by how much a wire may be late and a driver still be held to what it was to say ...
TRIES = 5  # ... and how often it is waited for that it is not
AFTER_S = 8.0  # how long a driver may need to find back, with its options as given


class DriverContract:
    """What every driver promises. Set ``driver``; for ``options``, the ``[instrument.options]`` table."""

    driver: ClassVar[type[Driver]]
    options: ClassVar[Mapping[str, Any]] = {}
    timeout_s: ClassVar[float] = 0.2

    @pytest.fixture
    def address(self) -> str:
        """Where the instrument is."""
        return ""

    @pytest.fixture
    def made(self, address: str) -> Iterator[Driver]:
        """A driver, not opened; closed after the test, and nothing of it may be left then."""
        threads = set(threading.enumerate())
        driver = self.make(address)
        yield driver
        driver.close()
        for thread in set(threading.enumerate()) - threads:
            if thread.name.startswith("wire "):
                continue
            thread.join(SLACK_S)
            assert not thread.is_alive(), f"the driver left a thread behind: {thread.name}"

    def make(self, address: str, *, identity: str = "") -> Driver:
        """One driver with this suite's options, as the bench file would make it."""
        options = self.driver.Options.model_validate(dict(self.options))
        return self.driver(Settings("mine", address, timeout_s=self.timeout_s, identity=identity, options=options))

    def test_it_is_what_the_registry_takes(self) -> None:
        assert isinstance(self.driver, type)
        assert issubclass(self.driver.Options, Table)
        assert isinstance(self.driver.polled, bool)
        assert all(callable(getattr(self.driver, name)) for name in ("open", "ask", "close"))

    def test_making_one_touches_nothing(self) -> None:
        options = self.driver.Options.model_validate(dict(self.options))
        self.driver(Settings("mine", "there is no such address", options=options))

    def test_close_may_be_called_at_any_point(self, made: Driver) -> None:
        made.close()
        made.open()
        made.close()
        made.close()

    def test_open_says_who_answers(self, made: Driver) -> None:
        who = made.open()
        assert isinstance(who, str)
        made.close()
        assert made.open() == who, "the same instrument says the same again"


class PolledContract(DriverContract):
    """What every driver promises that is asked. Set ``questions``: two, with different answers."""

    questions: ClassVar[tuple[str, ...]]

    @pytest.fixture
    def opened(self, made: Driver) -> Driver:
        """The driver, opened."""
        made.open()
        return made

    def test_it_answers_with_numbers(self, opened: Driver) -> None:
        for question in self.questions:
            before = time.monotonic()
            answer = opened.ask(question)
            took_s = time.monotonic() - before
            assert isinstance(answer, Answer)
            assert answer.values
            assert all(isinstance(value, float) and not math.isnan(value) for value in answer.values.values())
            assert isinstance(answer.said, str)
            if answer.age_s is not None:
                oldest, newest = answer.age_s
                assert oldest >= newest >= 0
            assert took_s < self.timeout_s + SLACK_S

    def test_the_same_question_has_the_same_fields(self, opened: Driver) -> None:
        for question in self.questions:
            assert opened.ask(question).values.keys() == opened.ask(question).values.keys()

    def test_asking_a_closed_driver_is_an_instrument_error(self, made: Driver) -> None:
        with pytest.raises(InstrumentError):
            made.ask(self.questions[0])
        made.open()
        made.close()
        with pytest.raises(InstrumentError):
            made.ask(self.questions[0])

    def test_it_can_be_opened_again_and_again(self, made: Driver) -> None:
        for _ in range(3):
            made.open()
            made.ask(self.questions[0])
            made.close()

    def test_an_identity_that_does_not_match_is_refused(self, made: Driver, address: str) -> None:
        if not made.open():
            return  # it cannot say who it is, so there is nothing to refuse
        made.close()
        picky = self.make(address, identity="^nobody says this$")
        try:
            with pytest.raises(WrongInstrument):
                picky.open()
            with pytest.raises(InstrumentError):
                picky.ask(self.questions[0])
        finally:
            picky.close()


class WireContract(PolledContract):
    """What every driver promises that talks in lines. Give a ``wire`` with constant answers to ``questions``."""

    @pytest.fixture
    def wire(self) -> Iterator[Wire]:
        """The instrument, started."""
        raise NotImplementedError("give your suite a `wire` fixture: with TcpWire(...) as wire: yield wire")

    @pytest.fixture
    def address(self, wire: Wire) -> str:
        """Where the instrument is; give your own where your addresses are written differently."""
        return wire.address

    @pytest.fixture
    def right(self, opened: Driver) -> dict[str, Mapping[int | str, float]]:
        """The answer to each question."""
        right = {question: opened.ask(question).values for question in self.questions}
        numbers = [frozenset(values.values()) for values in right.values()]
        assert len(numbers) > 1, "two questions with different answers are needed"
        assert len(set(numbers)) == len(numbers), "two questions with different answers are needed"
        return right

    def recovered(self, driver: Driver, right: Mapping[str, Mapping[int | str, float]]) -> None:
        """Close and open, as a bus does, until every question is answered rightly; a wrong answer is a failure."""
        deadline = time.monotonic() + AFTER_S
        while True:
            driver.close()
            try:
                driver.open()
                for question in reversed(self.questions):
                    assert driver.ask(question).values == right[question], "another question's answer was taken"
            except InstrumentError:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.05)
            else:
                return

    @pytest.mark.parametrize(
        "name", ["silent", "unfinished", "late", "drip", "flood", "garbage", "near-number", "hang-up"]
    )
    def test_a_fault_is_an_instrument_error_in_time_and_passes(
        self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]], name: str
    ) -> None:
        troubles: dict[str, Trouble] = {
            "silent": Silent(),
            "unfinished": Unfinished(),
            "late": Late(2 * self.timeout_s),
            "drip": Drip(self.timeout_s / 2),
            "flood": Flood(),
            "garbage": Garbage(b"\xff\x00?\n"),
            "near-number": Garbage(b"1_0\n"),
            "hang-up": HangUp(),
        }
        wire.trouble = troubles[name]
        before = time.monotonic()
        with pytest.raises(InstrumentError):
            opened.ask(self.questions[0])
        assert time.monotonic() - before < self.timeout_s + SLACK_S
        wire.trouble = None
        self.recovered(opened, right)

    def test_silence_is_no_reply(self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]]) -> None:
        wire.trouble = Silent()
        with pytest.raises(NoReply):
            opened.ask(self.questions[0])
        wire.trouble = None
        self.recovered(opened, right)

    def test_a_lost_link_is_told_and_made_again(
        self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]]
    ) -> None:
        wire.trouble = HangUp()
        with pytest.raises(LinkLost):
            opened.ask(self.questions[0])
        opened.close()
        with pytest.raises(InstrumentError):
            opened.open()
        wire.trouble = None
        self.recovered(opened, right)

    def test_a_line_in_two_pieces_is_one_answer(
        self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]]
    ) -> None:
        wire.trouble = CutInTwo(self.timeout_s / 6)
        assert opened.ask(self.questions[0]).values == right[self.questions[0]]

    def test_a_late_answer_is_never_another_questions(
        self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]]
    ) -> None:
        wire.trouble = Late(1.5 * self.timeout_s)  # while the next question waits for its answer
        with pytest.raises(NoReply):
            opened.ask(self.questions[0])
        wire.trouble = None  # the answer under way stays late
        self.recovered(opened, right)
        until = time.monotonic() + 2 * self.timeout_s
        while time.monotonic() < until:
            for question in self.questions:
                assert self._asked_rightly(opened, question, right), "another question's answer was taken"
            time.sleep(0.01)

    @pytest.mark.parametrize("gap_s", [0.0, 0.002])
    def test_an_answer_given_twice_is_never_another_questions(
        self, opened: Driver, wire: Wire, right: dict[str, Mapping[int | str, float]], gap_s: float
    ) -> None:
        for _ in range(TRIES):
            wire.trouble = Twice(gap_s)
            rightly = [self._asked_rightly(opened, each, right) for each in (*self.questions, *self.questions)]
            late_s, wire.trouble = wire.late_s, None
            self.recovered(opened, right)
            if late_s <= BUSY_S:
                break
        else:
            pytest.skip(f"this machine is too busy: the second answer came {late_s:.3f} s late")
        assert all(rightly), "another question's answer was taken"

    def _asked_rightly(self, driver: Driver, question: str, right: Mapping[str, Mapping[int | str, float]]) -> bool:
        """Whether no other question's answer was taken; an error is no answer."""
        try:
            return driver.ask(question).values == right[question]
        except InstrumentError:
            self._reopened(driver)
            return True

    def _reopened(self, driver: Driver) -> None:
        driver.close()
        try:
            driver.open()
        except InstrumentError:
            driver.close()
