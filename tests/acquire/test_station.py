"""A driver of a stranger's that does what no driver should: all of it ends as rows, and the bus goes on."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, ClassVar

import pytest

from benchlog.acquire.bus import buses
from benchlog.acquire.probe import probe
from benchlog.clock import Clock
from benchlog.driver import Answer, NoOptions, Settings
from benchlog.files import Table
from benchlog.model import State
from tests.acquire.kept import Kept
from tests.benches import bench_of, channel_toml, instrument_toml

BENCH = '[bench]\nname = "Somebody\'s"\n' + instrument_toml(
    "meter", channel_toml("power", "", "W", ask="Q?", every="20 ms")
)


class Stranger:
    """Answers with whatever the test says, and may raise on being made or closed."""

    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = True
    says: ClassVar[Any] = None
    slams: ClassVar[bool] = False
    unmade: ClassVar[int] = 0  # so many times it cannot be made

    def __init__(self, settings: Settings) -> None:
        if Stranger.unmade:
            Stranger.unmade -= 1
            raise FileNotFoundError("calibration.dat")

    def open(self) -> str:
        return "me"

    def ask(self, question: str) -> Answer:
        return self.says  # type: ignore[no-any-return]

    def close(self) -> None:
        if self.slams:
            raise RuntimeError("the door")


def polled(until: Callable[[Kept], bool]) -> Kept:
    """What the instrument's bus put until then."""
    clock, sink = Clock(), Kept()
    (bus,) = buses(bench_of(BENCH), lambda _: Stranger, clock=clock, sink=sink)
    bus.start()
    while not until(sink):
        assert bus.is_alive()
        time.sleep(0.005)
    bus.stop(clock.t_ns())
    bus.join()
    return sink


@pytest.mark.parametrize("slams", [False, True])
@pytest.mark.parametrize("says", [None, 7, Answer({0: None}, ""), Answer({0: "4.5 W"}, ""), Answer({0: [1.0]}, "")])  # type: ignore[dict-item]
def test_nothing_a_driver_does_ends_its_bus(says: object, slams: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stranger, "says", says)
    monkeypatch.setattr(Stranger, "slams", slams)
    rows = polled(lambda sink: len(sink.readings()) >= 3).readings()
    assert {row.state for row in rows} <= {State.INVALID, State.MISSED}
    assert any("driver fault" in row.reason for row in rows)


def test_a_number_that_is_no_float_is_still_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stranger, "says", Answer({0: 4}, "4"))
    first, *_ = polled(lambda sink: bool(sink.good("power"))).good("power")
    assert (first.value, type(first.value)) == (4.0, float)


def test_a_driver_that_cannot_be_made_is_an_instrument_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """And it is tried again like any other: what was missing may be there by then."""
    monkeypatch.setattr(Stranger, "unmade", 2)
    monkeypatch.setattr(Stranger, "says", Answer({0: 4.0}, "4"))
    sink = polled(lambda sink: bool(sink.good("power")))
    assert [event.text for event in sink.events("link")] == [
        "meter: driver fault: FileNotFoundError: calibration.dat",
        "meter is back",
    ]


def test_check_names_an_instrument_whose_driver_cannot_be_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what is wrong with it."""
    monkeypatch.setattr(Stranger, "unmade", 1)
    (found,) = probe(bench_of(BENCH), lambda _: Stranger, Clock())
    assert (found.instrument.name, found.fault) == ("meter", "driver fault: FileNotFoundError: calibration.dat")
    assert [row.state for row in found.readings] == [State.MISSED]
