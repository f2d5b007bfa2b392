"""What a station tells of an instrument in trouble, and how often: a fault is told once, not once a try."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from benchlog.acquire.station import STEADY_S, Station
from benchlog.clock import Clock
from benchlog.driver import Answer, BadReply, NoOptions, NoReply, Settings
from benchlog.model import State
from tests.acquire.kept import Kept
from tests.benches import bench_of, channel_toml, instrument_toml

METER = instrument_toml("meter", channel_toml("power", "", "W", ask="Q?", every="1 s"))


class ByHand(Clock):
    """Session time is what it is set to."""

    s = 0

    def t_ns(self) -> int:
        return self.s * 10**9


def lines(told: Kept) -> list[str]:
    """What a person would have read."""
    return [f"{event.kind} {event.text}" for event in told.events() if event.kind != "identity"]


def watched(seconds: int, answer: Callable[[int], None]) -> tuple[Kept, int]:
    """An instrument asked every second, ``answer`` raising what is wrong with it; and how often it was opened."""
    clock, told, opened = ByHand(), Kept(), 0

    class Scripted:
        Options, polled = NoOptions, True

        def __init__(self, settings: Settings) -> None: ...

        def open(self) -> str:
            nonlocal opened
            opened += 1
            return "Example,SCRIPTED"

        def ask(self, question: str) -> Answer:
            answer(clock.s)
            return Answer({0: 1.0}, "1.0")

        def close(self) -> None: ...

    (meter,) = bench_of(f'[bench]\nname = "scripted"\n{METER}').instruments
    station = Station(meter, Scripted, NoOptions(), clock=clock, sink=told)
    (question,) = station.questions
    for clock.s in range(seconds):
        station.ready()
        station.poll(question, clock.t_ns())
    assert len(told.readings()) == seconds, "one row a slot"
    return told, opened


def test_what_comes_and_goes_is_told_once_and_is_back_when_it_is_steady() -> None:
    def answer(s: int) -> None:
        if 10 <= s < 200 and s % 5 == 0:
            raise NoReply("no reply within 1 s")

    told, _ = watched(300, answer)
    assert lines(told) == [
        "link meter: no reply within 1 s",
        "link meter is back",
        "link meter: comes and goes: no reply within 1 s",
        "link meter is back",
    ]
    assert told.events()[-1].t_ns / 1e9 >= 195 + STEADY_S


def test_what_fails_again_long_after_is_another_outage() -> None:
    def answer(s: int) -> None:
        if s in (10, 100):
            raise NoReply("no reply within 1 s")

    told, _ = watched(120, answer)
    assert lines(told) == ["link meter: no reply within 1 s", "link meter is back"] * 2


def test_ever_new_rubbish_is_told_once_and_asked_for_ever_more_seldom() -> None:
    numbers = itertools.count()

    def answer(s: int) -> None:
        if s >= 10:
            raise BadReply(f"rubbish number {next(numbers)}", said=b"?")

    told, opened = watched(1000, answer)
    assert lines(told) == ["reply meter: rubbish number 0", "link meter: rubbish number 0"]
    assert opened < 80
    assert {reading.state for reading in told.readings()[10:]} == {State.INVALID, State.MISSED}
    assert all(reading.reason for reading in told.readings()[10:])
