"""A session through its whole life: real store, real threads, one scripted instrument."""

from __future__ import annotations

import math
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.driver import Answer, Driver, NoOptions, NoReply, Settings
from benchlog.errors import StoreFailed
from benchlog.files import Table
from benchlog.model import Reading
from benchlog.runs import session as sessions
from benchlog.runs.conduct import conduct
from benchlog.runs.happenings import Happening, KeyedDown, KeyedUp, LongEnough, Recognised, Tick, Wanted
from benchlog.runs.safety import heat_left
from benchlog.runs.session import Session
from benchlog.runs.sweep import TUNING_S, sweep, tap_s
from benchlog.runs.watch import watch
from benchlog.store.reader import StoreReader
from benchlog.store.writer import SessionWriter
from tests.benches import bench_of, plan_of

BENCH = """
[bench]
name = "scripted"
[[instrument]]
name = "meter"
driver = "scripted"
address = "here"
channel = [
    {name = "power", measures = "forward-power", unit = "W", ask = "Q?", field = "w", every = "500 ms"},
    {name = "frequency", measures = "frequency", unit = "Hz", ask = "Q?", field = "hz", every = "500 ms"},
]
"""
PLAN = """
[transmitter]
name = "Loan set 3"
[sweep]
key_down = "4 s"
settle = "1 s"
rest = "1 s"
[[band]]
name = "80 m"
dial = "3.6 MHz"
min_power = "100 W"
[[band]]
name = "40 m"
dial = "7.1 MHz"
min_power = "100 W"
"""
FACTOR = 5.0  # a busy machine may stall for 0.3 s before it looks like a gap


class Transmitter:
    """Answers for the meter: (watts, hertz) at a session time."""

    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = True
    clock: ClassVar[Clock]
    makes: ClassVar[Callable[[float], tuple[float, float] | None]]

    def __init__(self, settings: Settings) -> None:
        pass

    def open(self) -> str:
        return "Example,SCRIPTED"

    def ask(self, question: str) -> Answer:
        made = type(self).makes(self.clock.t_ns() / 1e9)
        if made is None:
            raise NoReply("no reply")
        watts, hertz = made
        return Answer({"w": watts, "hz": hertz}, "")

    def close(self) -> None:
        pass


class Host:
    """A host whose date the test sets; its monotonic clock is the real one."""

    stepped_ns = 0

    def utc_ns(self) -> int:
        return time.time_ns() + self.stepped_ns


@pytest.fixture
def host() -> Host:
    return Host()


def the_transmitter(_: str) -> type[Driver]:
    """A ``bench.DriverLookup``."""
    return Transmitter


def scripted(text: str) -> Bench:
    """A bench whose instruments are the transmitter's."""
    return bench_of(text, drivers=the_transmitter)


@pytest.fixture
def session(tmp_path: Path, host: Host) -> Session:
    clock = Clock(FACTOR, utc_ns=host.utc_ns)
    Transmitter.clock = clock
    Transmitter.makes = staticmethod(lambda _t: (0.0, float("nan")))
    return Session(
        "sweep",
        scripted(BENCH),
        plan_of(PLAN),
        store=tmp_path / "s.benchlog",
        clock=clock,
        drivers=the_transmitter,
    )


@pytest.fixture
def stop() -> Iterator[threading.Event]:
    """Set in the end, so that a run that goes wrong fails its test and does not hang it."""
    event = threading.Event()
    timer = threading.Timer(40.0, event.set)
    timer.start()
    yield event
    timer.cancel()
    timer.join()


def keyed(*spans: tuple[float, float, float]) -> Callable[[float], tuple[float, float] | None]:
    """120 W on a frequency within each (from, to, hertz)."""

    def makes(t_s: float) -> tuple[float, float]:
        for from_s, to_s, hertz in spans:
            if from_s <= t_s < to_s:
                return 120.0, hertz
        return 0.0, float("nan")

    return staticmethod(makes)  # type: ignore[return-value]


def kinds(happenings: list[Happening]) -> list[str]:
    return [type(happening).__name__ for happening in happenings if not isinstance(happening, Tick)]


def test_a_sweep_goes_by_what_it_hears(session: Session, stop: threading.Event) -> None:
    """A tap, then the band it did not ask for, then the one it did; it ends by itself."""
    Transmitter.makes = keyed((1, 2.5, 3.6e6), (4, 12, 7.1e6 + 30), (14, 22, 3.6e6))
    with session:
        happenings = list(sweep(session, stop))
    assert kinds(happenings) == [
        "Wanted",
        *("KeyedDown", "Recognised", "KeyedUp"),  # the tap
        *("KeyedDown", "Recognised", "LongEnough", "KeyedUp", "Wanted"),
        *("KeyedDown", "Recognised", "LongEnough", "KeyedUp"),
    ]
    asked = [h.band.name for h in happenings if isinstance(h, Wanted)]
    heard = [h.key_down for h in happenings if isinstance(h, KeyedUp)]
    assert asked == ["80 m", "80 m"]
    assert [(k.band, k.counts) for k in heard] == [("80 m", False), ("40 m", True), ("80 m", True)]
    assert heard[1].power_w == pytest.approx(120.0)
    assert heard[1].frequency_hz == pytest.approx(7.1e6 + 30)
    assert session.ending == "every band measured"


def test_what_is_no_band_of_the_plan_is_said_so(session: Session, stop: threading.Event) -> None:
    Transmitter.makes = keyed((1, 4, 5.0e6))
    happenings: list[Happening] = []
    with session:
        for happening in watch(session, stop):
            happenings.append(happening)
            if isinstance(happening, KeyedUp):
                stop.set()
    (recognised,) = [h for h in happenings if isinstance(h, Recognised)]
    assert (recognised.band, recognised.frequency_hz) == (None, 5.0e6)
    assert session.ending == "ended by the operator"


def test_a_key_down_whose_readings_stop_is_not_held_down_for_ever(session: Session, stop: threading.Event) -> None:
    def makes(t_s: float) -> tuple[float, float] | None:
        return None if t_s > 4 else (120.0, 3.6e6)

    Transmitter.makes = staticmethod(makes)
    with session:
        happenings = []
        for happening in watch(session, stop):
            happenings.append(happening)
            if isinstance(happening, KeyedUp) or (isinstance(happening, Tick) and happening.t_s > 30):
                stop.set()
    (up,) = [h for h in happenings if isinstance(h, KeyedUp)]
    assert up.key_down.stop_s == pytest.approx(3.5, abs=0.3), "the last slot that was answered"
    assert not any(isinstance(h, LongEnough | KeyedDown) for h in happenings[happenings.index(up) :])


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_a_stepped_host_clock_is_an_event_and_moves_nothing(
    session: Session, host: Host, step_s: int, stop: threading.Event
) -> None:
    with session:
        for happening in watch(session, stop):
            if isinstance(happening, Tick) and happening.t_s > 3:
                host.stepped_ns = step_s * 10**9
            if isinstance(happening, Tick) and happening.t_s > 8:
                stop.set()
    reader = StoreReader.open(session.store)
    (event,) = [e for e in reader.events(session.id) if e.kind == "clock"]
    assert event.data["step_s"] == pytest.approx(step_s, abs=0.2)
    power = reader.raw(session.id)["power"]
    gaps = (power.t_ns[1:] - power.t_ns[:-1]) / 1e9
    assert gaps.min() > 0
    assert gaps.max() < 3.0, "no hole, no jump of an hour"


def test_a_store_that_takes_nothing_ends_the_run_and_says_so(
    session: Session, monkeypatch: pytest.MonkeyPatch, stop: threading.Event
) -> None:
    """Another program holds the lock for good."""
    monkeypatch.setattr(sessions, "STORE_PATIENCE_S", 1.0)
    monkeypatch.setattr("benchlog.store.writer.PATIENCE_S", 1.0)
    with (
        closing(sqlite3.connect(session.store)) as other,
        pytest.raises(StoreFailed, match="could not be kept"),
        session,
    ):
        for happening in watch(session, stop):
            if isinstance(happening, Tick) and happening.t_s > 5 and not other.in_transaction:
                assert session.writer.flush()
                other.execute("BEGIN IMMEDIATE")
    with closing(sqlite3.connect(session.store)) as db:
        assert db.execute("SELECT count(*) FROM reading").fetchone()[0] > 10, "what was committed is kept"


def limited(session: Session, limits: str) -> Session:
    """The same session on a bench with limits."""
    session.bench = scripted(f"[limits]\n{limits}\n{BENCH}")
    return session


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ('forward-power = ["", "110 W"]', "power: 120 W is above the limit of 110 W"),
        ('key_down = "6 s"', "longer than the 6 s allowed"),
    ],
)
def test_a_limit_crossed_while_a_person_keys_ends_the_run(
    session: Session, limits: str, says: str, stop: threading.Event
) -> None:
    Transmitter.makes = keyed((2, 60, 3.6e6))
    done = conduct(limited(session, limits), stop, lambda _: None)
    assert done.stopped is not None
    assert says in str(done.stopped)
    reader = StoreReader.open(session.store)
    (event,) = [e for e in reader.events(session.id) if e.kind == "limit"]
    assert says in event.text
    assert reader.session(session.id).ended_ns is not None


def test_a_limit_means_nothing_while_the_key_is_up(session: Session, stop: threading.Event) -> None:
    """A plate supply that is switched off is below its low limit, and no danger."""
    Transmitter.makes = keyed((4, 12, 3.6e6))

    def tell(happening: Happening) -> None:
        if isinstance(happening, KeyedUp):
            stop.set()

    done = conduct(limited(session, 'forward-power = ["50 W", ""]'), stop, tell)
    assert done.stopped is None
    assert session.ending.startswith("ended by the operator")


def test_the_loads_heat_follows_the_measured_power(session: Session, stop: threading.Event) -> None:
    """First order: 120 W into a load for 100 W, for one time constant: 1.2 x (1 - 1/e)."""
    session.bench = scripted(f'[load]\ncontinuous = "100 W"\ncooling = "10 s"\n{BENCH}')
    Transmitter.makes = keyed((2, 12, 3.6e6))
    heat: list[float | None] = []

    def tell(happening: Happening) -> None:
        if isinstance(happening, Tick):
            heat.append(happening.heat)
        if isinstance(happening, KeyedUp):
            stop.set()

    conduct(session, stop, tell)
    assert heat[0] == pytest.approx(0, abs=1e-6)
    assert max(heat) == pytest.approx(1.2 * 0.632, abs=0.05)


def test_the_load_is_as_hot_as_earlier_sessions_left_it(session: Session, tmp_path: Path) -> None:
    """Two time constants of rest leave 1/e squared of it."""
    text = f'[load]\ncontinuous = "100 W"\ncooling = "100 s"\n{BENCH}'
    bench = scripted(text)
    host = Host()
    first = SessionWriter.begin(
        session.store, kind="soak", bench=bench, plan=session.plan, clock=Clock(utc_ns=host.utc_ns)
    )
    for second in range(101):
        first.put(Reading("power", second * 10**9, 120.0))
    first.end("done")
    host.stepped_ns = 300 * 10**9
    later = Session(
        "soak", bench, session.plan, store=session.store, clock=Clock(utc_ns=host.utc_ns), drivers=the_transmitter
    )
    later.id = 2
    hot = 1.2 * (1 - math.exp(-1.0))
    assert heat_left(later) == pytest.approx(hot * math.exp(-2.0), rel=0.02)


@pytest.mark.parametrize("unit", ["mW", "dBm"])
def test_the_heat_is_that_of_the_channel_as_it_was_then(tmp_path: Path, unit: str) -> None:
    """A meter that says milliwatts now said watts before, and was called otherwise: the load is as hot as it is."""
    text = BENCH + '[load]\ncontinuous = "100 W"\ncooling = "300 s"\n'
    host = Host()
    earlier = text.replace('name = "power"', 'name = "forward"')
    before = bench_of(earlier)
    writer = SessionWriter.begin(
        tmp_path / "s.benchlog", kind="watch", bench=before, plan=plan_of(PLAN), clock=Clock(utc_ns=host.utc_ns)
    )
    for n in range(301):
        writer.put(Reading("forward", n * 10**9, 120.0))
    writer.end("done")
    host.stepped_ns = 300 * 10**9
    after = bench_of(text.replace('unit = "W"', f'unit = "{unit}"'))
    later = Session(
        "soak",
        after,
        plan_of(PLAN),
        store=tmp_path / "s.benchlog",
        clock=Clock(utc_ns=host.utc_ns),
        drivers=the_transmitter,
    )
    later.id = 2
    assert heat_left(later) == pytest.approx(1.2 * (1 - math.exp(-1.0)), rel=0.02)


@given(st.floats(1.5, 3600.0))
def test_a_tap_for_tuning_has_a_length_and_never_counts(key_down_s: float) -> None:
    assert 0 < tap_s(key_down_s) < key_down_s / 2
    assert tap_s(key_down_s) <= TUNING_S
