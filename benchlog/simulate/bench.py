"""The simulated bench as a whole: one transmitter, six instruments on their sockets, an operator, a lease."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.simulate import instruments, scenario
from benchlog.simulate.keybox import Cable, KeyBox, Mode
from benchlog.simulate.lease import Lease, held
from benchlog.simulate.operator import length_s, sweep_script
from benchlog.simulate.physics import Course, KeyChange, Moment, Truth
from benchlog.simulate.troubles import KINDS, Planned
from benchlog.simulate.wire import PtyWire, TcpWire, Trouble, Wire

INSTRUMENTS = ("wattmeter", "counter", "voltmeter", "ammeter", "multimeter", "thermometer")

Script = Literal["sweep", "free"]


class SimulatedBench:
    """Runs in this process for as long as its context lasts; ``process.BenchProcess`` runs one in its own.

    Entering it opens the sockets, announces them (``lease``) and writes ``bench_file`` and ``plan_file``. The
    transmitter's time 0 is when ``start`` is called; with script "free" that is at once, and ``key`` and ``band`` are
    the operator. All seconds are simulated ones, ``time_factor`` of which pass in a real one.

    Args:
        folder: where the two files go; made if it is missing.
        seed: decides all noise and every instrument's own error; the same seed gives the same sweep.
        troubles: what goes wrong with which instrument, and when.
        key_box: with one, ``bench_file`` has a key line, and its RTS keys the transmitter; the mode says what the box
            does when nobody speaks to it any more.

    Raises UsageError for a time factor that is not more than 0.
    """

    def __init__(
        self,
        folder: Path,
        *,
        seed: int = 1,
        time_factor: float = 1.0,
        truth: Truth = scenario.LOAN_SET_3,
        script: Script = "free",
        troubles: Iterable[Planned] = (),
        key_box: Mode | None = None,
    ) -> None:
        if not 0 < time_factor <= 1000:
            raise UsageError(f"a time factor of {time_factor:g}", cure="It must be more than 0, and at most 1000.")
        self.seed, self.time_factor, self.truth, self.script = seed, time_factor, truth, script
        self.bench_file, self.plan_file = folder / "bench.toml", folder / "plan.toml"
        self.addresses: dict[str, str] = {}
        self.key_box: KeyBox | None = None  # both are there once the bench is entered
        self.cable: Cable | None = None
        self._key_mode = key_box
        self._planned = tuple(troubles)
        self._wires: dict[str, Wire] = {}
        self._lock = threading.Lock()  # held while time begins, and while the key moves
        self._started = False
        self._running = Clock(time_factor), Course(truth, seed)
        self._end = threading.Event()
        self._trouble_maker: threading.Thread | None = None
        self._open = contextlib.ExitStack()

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as opened:
            for name, wire in self._instruments().items():
                self._wires[name] = opened.enter_context(wire)
                self.addresses[name] = wire.address
            if self._key_mode:
                self.key_box = opened.enter_context(KeyBox(mode=self._key_mode, keyed=self.key))
                self.cable = opened.enter_context(Cable(self.key_box.port))
                self.addresses["key"] = self.cable.address
            lease = Lease(tuple(self.addresses.values()), self.time_factor, os.getpid(), self.seed)
            opened.enter_context(held(lease))
            self.bench_file.parent.mkdir(parents=True, exist_ok=True)
            self.bench_file.write_text(scenario.bench_file(self.addresses), encoding="utf-8")
            self.plan_file.write_text(scenario.plan_file(self.truth), encoding="utf-8")
            self._open = opened.pop_all()
        if self.script == "free":
            self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, at: TracebackType | None) -> None:
        self._end.set()
        if self._trouble_maker is not None:
            self._trouble_maker.join()
        self._open.close()

    @property
    def script_s(self) -> float:
        """How long the operator's script takes; 0 without one."""
        if self.script == "free":
            return 0.0
        return length_s(self.truth, scenario.KEY_DOWN_S, scenario.REST_S)

    def start(self) -> None:
        """Time 0 is now: the operator begins, troubles count from here. Only the first call does anything."""
        with self._lock:
            if self._started:
                return
            self._started = True
            script = sweep_script(self.truth, scenario.KEY_DOWN_S, scenario.REST_S) if self.script == "sweep" else []
            clock = Clock(self.time_factor)
            self._running = clock, Course(self.truth, self.seed, script)
        if self._planned:
            self._trouble_maker = threading.Thread(
                target=self._make_trouble, args=(clock,), name="simulated troubles", daemon=True
            )
            self._trouble_maker.start()

    @property
    def began_ns(self) -> int:
        """Time 0, on the monotonic clock that all processes of a host share; before ``start`` it is not yet that."""
        clock, _ = self._running
        return clock.anchor_ns

    @property
    def t_s(self) -> float:
        """Simulated seconds since ``start``."""
        clock, _ = self._running
        return clock.t_ns() / 1e9

    @property
    def course(self) -> Course:
        """What is done to the transmitter, and what it truly shows at any time."""
        return self._running[1]

    def now(self, ahead_s: float = 0.0) -> Moment:
        """What the transmitter truly shows, now or so much later if nobody touches it."""
        clock, course = self._running
        return course.at(clock.t_ns() / 1e9 + ahead_s)

    def key(self, down: bool, drive: float = 1.0) -> None:
        """Press or let go, by hand; a script ends with that."""
        with self._changing() as (course, t_s, before):
            course.put(KeyChange(t_s, before.band, drive if down else 0.0))

    def band(self, name: str) -> None:
        """Switch to a band, with the key as it is; a script ends with that. Raises KeyError."""
        with self._changing() as (course, t_s, before):
            course.put(KeyChange(t_s, name, before.drive))

    def trouble(self, instrument: str, trouble: Trouble | str | None) -> None:
        """From now on this is wrong with that instrument (a kind of ``troubles.KINDS``, or one made to measure).

        None mends it. Raises KeyError for unknown names.
        """
        if isinstance(trouble, str):
            trouble = KINDS[trouble](1 / self.time_factor)
        self._wires[instrument].trouble = trouble

    @contextlib.contextmanager
    def _changing(self) -> Iterator[tuple[Course, float, Moment]]:
        with self._lock:
            clock, course = self._running
            t_s = clock.t_ns() / 1e9
            yield course, t_s, course.at(t_s)

    def _instruments(self) -> dict[str, Wire]:
        seed, pace = self.seed, 1 / self.time_factor
        temperature = instruments.thermometer(lambda: self.now(instruments.THERMOMETER_EVERY_S), seed, pace)
        return {
            "wattmeter": TcpWire(instruments.wattmeter(self.now, seed, pace)),
            "counter": TcpWire(instruments.counter(self.now, seed, pace)),
            "voltmeter": TcpWire(instruments.voltmeter(self.now, seed, pace)),
            "ammeter": PtyWire(instruments.ammeter(self.now, seed, pace)),
            "multimeter": TcpWire(instruments.multimeter(self.now, seed, pace)),
            "thermometer": PtyWire(stream=temperature),
        }

    def _make_trouble(self, clock: Clock) -> None:
        changes = [(plan.from_s, plan.instrument, plan.kind) for plan in self._planned]
        changes += [(plan.to_s, plan.instrument, "") for plan in self._planned if plan.to_s is not None]
        for t_s, instrument, kind in sorted(changes):
            if clock.wait_until(round(t_s * 1e9), self._end):
                return
            self.trouble(instrument, kind or None)
