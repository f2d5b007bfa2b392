"""A bus accounts for every slot, whatever its instruments do.

The drivers here are scripted: what is under test is the bus. The same against real sockets and a real
pseudo-terminal is in tests/real.
"""

from __future__ import annotations

import itertools
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import ClassVar

import pytest

from benchlog.acquire.bus import ENDED, RAN_OVER, TURN_NS, Bus, bus_of, buses
from benchlog.acquire.slots import questions
from benchlog.acquire.station import RETRY_S
from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.driver import (
    Answer,
    BadReply,
    LinkLost,
    NoOptions,
    NoReply,
    Settings,
    UnaskedReply,
    WrongInstrument,
)
from benchlog.files import Table
from benchlog.model import State
from tests.acquire.kept import Kept
from tests.benches import bench_of, channel_toml, instrument_toml

PATIENCE_S = 30.0


@dataclass
class Script:
    """What the scripted driver does, and what was done to it."""

    asked: Callable[[str], Answer] = lambda _question: Answer({0: 1.0}, "1.0")
    opened: Callable[[], str] = lambda: "Example,SCRIPTED"
    calls: list[str] = field(default_factory=list)


class Scripted:
    """Looks its script up by instrument name."""

    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = True
    scripts: ClassVar[dict[str, Script]] = {}

    def __init__(self, settings: Settings) -> None:
        self.script = self.scripts[settings.name]
        self.settings = settings

    def open(self) -> str:
        self.script.calls.append("open")
        return self.script.opened()

    def ask(self, question: str) -> Answer:
        self.script.calls.append("ask")
        return self.script.asked(question)

    def close(self) -> None:
        self.script.calls.append("close")


@pytest.fixture
def scripts() -> dict[str, Script]:
    Scripted.scripts = {}
    return Scripted.scripts


def bench_with(*names: str, every: str = "20 ms") -> Bench:
    """Instruments of one channel each, of the same name."""
    tables = (
        instrument_toml(name, channel_toml(name, "", "W", ask="Q?", every=every), timeout="100 ms") for name in names
    )
    return bench_of(f'[bench]\nname = "scripted"\n{"".join(tables)}', drivers=lambda _: Scripted)


def run(bench: Bench, over: float | Callable[[Kept], bool], clock: Clock | None = None) -> tuple[Kept, list[Bus], int]:
    """All buses, for so many seconds or until ``over``; returns what they put, and where they were told to stop."""
    clock, sink = clock or Clock(), Kept()
    started = buses(bench, lambda _: Scripted, clock=clock, sink=sink)
    for bus in started:
        bus.start()
    begun = time.monotonic()
    while time.monotonic() < begun + over if isinstance(over, float) else not over(sink):
        assert time.monotonic() < begun + PATIENCE_S, "it never came to that"
        time.sleep(0.005)
    until_ns = clock.t_ns()
    for bus in started:
        bus.stop(until_ns)
    for bus in started:
        bus.join()
    return sink, started, until_ns


def so_many_good(number: int) -> Callable[[Kept], bool]:
    """However many slots a busy machine misses meanwhile."""
    return lambda sink: len(sink.good("meter")) >= number


def assert_every_slot_is_one_row(bench: Bench, sink: Kept, started: list[Bus], until_ns: int) -> None:
    for bus, instrument in zip(started, bench.instruments, strict=True):
        for question in questions(instrument):
            for channel in question.channels:
                rows = sink.readings(channel.name)
                first, end = (question.first_slot(t_ns - bus.turn_ns) for t_ns in (bus.from_ns, until_ns))
                assert len(rows) == end - first
                stamps = [row.t_ns for row in rows]
                assert len(set(stamps)) == len(stamps)
                good = [row.t_ns for row in rows if row.state is State.GOOD]
                assert good == sorted(good), "readings are in order of time"
                absent = {row.t_ns for row in rows if not row.took_ns and row.state is State.MISSED}
                assert all((t_ns - bus.turn_ns) % question.every_ns == 0 for t_ns in absent), (
                    "an empty slot stands where it was due"
                )


def test_a_good_instrument_fills_every_slot(scripts: dict[str, Script]) -> None:
    scripts["meter"] = Script()
    bench = bench_with("meter")
    sink, started, until_ns = run(bench, so_many_good(20))
    assert_every_slot_is_one_row(bench, sink, started, until_ns)
    assert all(r.value == 1.0 for r in sink.good("meter"))
    assert {r.reason for r in sink.readings("meter")} <= {"", RAN_OVER, ENDED}


def test_the_stamp_is_the_middle_of_the_exchange(scripts: dict[str, Script]) -> None:
    spans: list[tuple[int, int]] = []
    clock = Clock()

    def slow(_question: str) -> Answer:
        before = clock.t_ns()
        time.sleep(0.02)
        spans.append((before, clock.t_ns()))
        return Answer({0: 1.0}, "1.0")

    scripts["meter"] = Script(asked=slow)
    sink, _, _ = run(bench_with("meter", every="100 ms"), so_many_good(3), clock)
    good = sink.good("meter")
    assert len(good) == len(spans)
    for reading, (before, after) in zip(good, spans, strict=True):
        assert before <= reading.t_ns <= after
        assert reading.took_ns >= after - before
        assert abs(reading.t_ns - (before + after) / 2) < (reading.took_ns - (after - before)) / 2 + 1000


def test_an_exchange_that_overruns_costs_slots_and_says_so(scripts: dict[str, Script]) -> None:
    def slow(_question: str) -> Answer:
        time.sleep(0.07)
        return Answer({0: 1.0}, "1.0")

    scripts["meter"] = Script(asked=slow)
    bench = bench_with("meter")
    sink, started, until_ns = run(bench, so_many_good(5))
    assert_every_slot_is_one_row(bench, sink, started, until_ns)
    assert {r.reason for r in sink.readings("meter")} <= {"", RAN_OVER, ENDED}
    assert sum(r.reason == RAN_OVER for r in sink.readings("meter")) > 5


def test_a_dead_instrument_never_delays_another(scripts: dict[str, Script]) -> None:
    """One hangs in every exchange, one in every connection; the third keeps all its slots."""

    def hang(_question: str = "") -> Answer:
        time.sleep(0.2)
        raise NoReply("no reply within 0.2 s")

    def hang_open() -> str:
        time.sleep(0.4)
        raise LinkLost("no route to host")

    scripts["dead"], scripts["unreachable"], scripts["alive"] = Script(asked=hang), Script(opened=hang_open), Script()
    bench = bench_with("dead", "unreachable", "alive", every="40 ms")
    sink, started, until_ns = run(bench, 1.2)
    assert_every_slot_is_one_row(bench, sink, started, until_ns)
    # Behind either of the others it would keep one slot in five.
    assert len(sink.good("alive")) >= 0.7 * len(sink.readings("alive"))
    assert not sink.good("dead") + sink.good("unreachable")
    assert any("no route to host" in r.reason for r in sink.readings("unreachable"))
    assert len(sink.events("link")) == 2, "a dead instrument is one event, not one a try"


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        (NoReply("no reply within 0.1 s"), State.MISSED),
        (LinkLost("closed by the instrument"), State.MISSED),
        (WrongInstrument("another instrument answers"), State.MISSED),
        (BadReply("not a number", said=b"\xffgarbage"), State.INVALID),
        (ZeroDivisionError("a stranger's driver"), State.INVALID),
    ],
)
def test_after_any_fault_the_link_is_opened_again_before_a_question(
    scripts: dict[str, Script], fault: Exception, state: State
) -> None:
    turns = iter([None, fault])

    def once(_question: str) -> Answer:
        if exc := next(turns, None):
            raise exc
        return Answer({0: 1.0}, "1.0")

    script = scripts["meter"] = Script(asked=once)
    bench = bench_with("meter")
    sink, started, until_ns = run(bench, so_many_good(5))  # so it came back
    assert_every_slot_is_one_row(bench, sink, started, until_ns)
    assert script.calls[:6] == ["open", "ask", "ask", "close", "open", "ask"]
    bad = [r for r in sink.readings("meter") if r.reason not in ("", RAN_OVER, ENDED)]
    assert bad[0].state is state
    assert [e.text for e in sink.events("link")][-1] == "meter is back"
    if isinstance(fault, BadReply):
        assert any(r.said == "\\xffgarbage" for r in bad), "what it said is kept"


def test_an_unasked_reply_puts_the_answer_before_in_doubt(scripts: dict[str, Script]) -> None:
    turns = iter([None, UnaskedReply("said something unasked", said=b"7\n")])

    def once(_question: str) -> Answer:
        if exc := next(turns, None):
            raise exc
        return Answer({0: 1.0}, "1.0")

    scripts["meter"] = Script(asked=once)
    sink, _, _ = run(bench_with("meter"), lambda sink: bool(sink.events("suspect")))
    (suspect,) = sink.events("suspect")
    doubtful = [r for r in sink.readings("meter") if suspect.data["from_ns"] <= r.t_ns <= suspect.data["to_ns"]]
    assert [r.value for r in doubtful if r.state is State.GOOD] == [1.0]


def test_special_values_are_states_and_never_values(scripts: dict[str, Script]) -> None:
    said = iter([math.inf, -math.inf, math.nan])
    scripts["meter"] = Script(asked=lambda _q: Answer({0: next(said, 5.0)}, "9.9E37"))
    sink, _, _ = run(bench_with("meter"), so_many_good(3))
    states = [r.state for r in sink.readings("meter") if r.said]
    assert states == [State.OVER_RANGE, State.OVER_RANGE, State.INVALID]
    assert all(r.value is None for r in sink.readings("meter") if r.state is not State.GOOD)


def test_a_reply_without_the_field_is_a_bad_reply(scripts: dict[str, Script]) -> None:
    """A list cut short must not put the remaining numbers under the wrong names, and resynchronises."""
    text = """
        [bench]
        name = "x"
        [[instrument]]
        name = "meter"
        driver = "scripted"
        address = "a"
        channel = [
            {name = "forward", unit = "W", ask = "Q?", field = 0, every = "20 ms"},
            {name = "reflected", unit = "W", ask = "Q?", field = 1, every = "20 ms"},
        ]
    """
    bench = bench_of(text, drivers=lambda _: Scripted)
    script = scripts["meter"] = Script(asked=lambda _q: Answer({0: 40.0}, "40.0"))
    sink, _, _ = run(bench, lambda sink: script.calls.count("ask") >= 3)
    for name in ("forward", "reflected"):
        assert all(r.value is None for r in sink.readings(name))
        assert any("no field 1" in r.reason for r in sink.readings(name))
    assert script.calls[1:3] == ["ask", "close"]


def test_a_long_reconnection_costs_the_slots_it_ran_over(scripts: dict[str, Script]) -> None:
    """They stand where they were due, and the next question keeps its own slot."""
    opened = iter([0.0, 0.3])

    def slow_open() -> str:
        time.sleep(next(opened, 0.0))
        return "Example,SCRIPTED"

    turns = iter([None, NoReply("no reply within 0.1 s")])

    def once(_question: str) -> Answer:
        if exc := next(turns, None):
            raise exc
        return Answer({0: 1.0}, "1.0")

    scripts["meter"] = Script(asked=once, opened=slow_open)
    bench = bench_with("meter")
    sink, started, until_ns = run(bench, so_many_good(5))
    assert_every_slot_is_one_row(bench, sink, started, until_ns)
    assert sum(r.reason == RAN_OVER for r in sink.readings("meter")) >= 12


def test_tries_grow_more_seldom_until_it_answers(scripts: dict[str, Script]) -> None:
    tries: list[int] = []
    clock = Clock(factor=20.0)

    def dead() -> str:
        tries.append(clock.t_ns())
        raise LinkLost("connection refused")

    scripts["meter"] = Script(opened=dead)
    run(bench_with("meter", every="100 ms"), lambda _: len(tries) > 6, clock)
    gaps_s = [(b - a) / 1e9 for a, b in itertools.pairwise(tries)]
    for gap_s, wait_s in zip(gaps_s, RETRY_S, strict=False):
        assert gap_s >= wait_s, gaps_s
    # At the first slot after the wait; not each of them on a busy machine, where half a second is ten of this bench.
    assert min(gap_s - wait_s for gap_s, wait_s in zip(gaps_s[1:], RETRY_S[1:], strict=False)) < 1.0, gaps_s


def test_another_instrument_is_refused_and_named(scripts: dict[str, Script]) -> None:
    def impostor() -> str:
        raise WrongInstrument('"Other,1" answers instead of "^Example"')

    script = scripts["meter"] = Script(opened=impostor)
    sink, _, _ = run(bench_with("meter"), lambda sink: len(sink.readings("meter")) > 5)
    assert "ask" not in script.calls
    (event,) = sink.events("wrong-instrument")
    assert "Other,1" in event.text


def test_polling_is_on_the_clocks_grid(scripts: dict[str, Script]) -> None:
    """Deadlines are absolute: late wake-ups do not add up."""
    scripts["meter"] = Script()
    sink, _, _ = run(bench_with("meter", every="50 ms"), 0.8)
    late = [r.t_ns % 50_000_000 for r in sink.readings("meter") if r.state is State.GOOD]
    assert sorted(late)[len(late) // 2] < 25_000_000


def test_buses_are_due_one_after_the_other(scripts: dict[str, Script]) -> None:
    """As slots without an exchange say, which stand where they were due."""

    def dead() -> str:
        raise LinkLost("connection refused")

    names = ("first", "second", "third")
    for name in names:
        scripts[name] = Script(opened=dead)
    sink, _, _ = run(bench_with(*names), 0.2)
    for n, name in enumerate(names):
        assert {r.t_ns % 20_000_000 for r in sink.readings(name)} == {n * TURN_NS}


def test_a_sped_up_clock_keeps_the_plan(scripts: dict[str, Script]) -> None:
    scripts["meter"] = Script()
    bench = bench_with("meter", every="200 ms")
    sink, started, until_ns = run(bench, so_many_good(15), Clock(factor=10.0))
    assert until_ns >= 3 * 10**9 - 2 * 10**8, "fifteen slots of 200 ms"
    assert_every_slot_is_one_row(bench, sink, started, until_ns)


def test_instruments_on_one_gpib_board_share_a_bus() -> None:
    assert bus_of("GPIB0::5::INSTR") == bus_of("gpib0::7::INSTR") != bus_of("GPIB1::5::INSTR")
    assert bus_of("TCPIP::127.0.0.1::5025::SOCKET") != bus_of("TCPIP::127.0.0.1::5026::SOCKET")


def test_no_bus_outlives_its_stop(scripts: dict[str, Script]) -> None:
    scripts["meter"] = Script()
    run(bench_with("meter", every="10 s"), 0.05)
    assert not any(t.name.startswith("bus ") for t in threading.enumerate())
