"""A driver of a stranger's that does what no driver should: all of it ends as rows, and the bus goes on."""

from __future__ import annotations

import time
from typing import Any, ClassVar

import pytest

from benchlog.acquire.bus import buses
from benchlog.clock import Clock
from benchlog.driver import Answer, NoOptions, Settings
from benchlog.files import Table
from benchlog.model import Event, Reading, State
from tests.benches import bench_of

BENCH = """
[bench]
name = "Somebody's"
[[instrument]]
name = "meter"
driver = "a stranger's"
address = "here"
channel = [{name = "power", unit = "W", ask = "Q?", every = "20 ms"}]
"""


class Stranger:
    """Answers with whatever the test says, and may raise on being closed."""

    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = True
    says: ClassVar[Any] = None
    slams: ClassVar[bool] = False

    def __init__(self, settings: Settings) -> None:
        pass

    def open(self) -> str:
        return "me"

    def ask(self, question: str) -> Answer:
        return self.says  # type: ignore[no-any-return]

    def close(self) -> None:
        if self.slams:
            raise RuntimeError("the door")


class Kept(list[Reading | Event]):
    put = list.append


@pytest.mark.parametrize("slams", [False, True])
@pytest.mark.parametrize("says", [None, 7, Answer({0: None}, ""), Answer({0: "4.5 W"}, ""), Answer({0: [1.0]}, "")])  # type: ignore[dict-item]
def test_nothing_a_driver_does_ends_its_bus(says: object, slams: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stranger, "says", says)
    monkeypatch.setattr(Stranger, "slams", slams)
    clock, sink = Clock(), Kept()
    (bus,) = buses(bench_of(BENCH), lambda _: Stranger, clock=clock, sink=sink)
    bus.start()
    while sum(isinstance(item, Reading) for item in list(sink)) < 3:
        assert bus.is_alive()
        time.sleep(0.005)
    bus.stop(clock.t_ns())
    bus.join()
    rows = [item for item in sink if isinstance(item, Reading)]
    assert {row.state for row in rows} <= {State.INVALID, State.MISSED}
    assert any("driver fault" in row.reason for row in rows)


def test_a_number_that_is_no_float_is_still_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stranger, "says", Answer({0: 4}, "4"))
    clock, sink = Clock(), Kept()
    (bus,) = buses(bench_of(BENCH), lambda _: Stranger, clock=clock, sink=sink)
    bus.start()
    while not any(isinstance(item, Reading) and item.value == 4.0 for item in list(sink)):
        assert bus.is_alive()
        time.sleep(0.005)
    bus.stop(clock.t_ns())
    bus.join()
