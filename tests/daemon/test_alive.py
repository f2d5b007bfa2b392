"""The watchdog is honest: a run's loop that hangs, or a timetable that does, is not reported as well."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.daemon import serving, unattended
from benchlog.daemon.serving import Daemon, Files
from benchlog.daemon.systemd import Manager
from benchlog.daemon.unattended import Job, Unattended
from benchlog.files import TomlFile
from benchlog.page.feed import Feed
from benchlog.plan import load_plan
from benchlog.timetable import timetable_from

ROOT = Path(__file__).parent.parent.parent
TEXT = '[[start]]\nname = "w"\nrun = "watch"\nlasts = "1 h"\nonce = 2999-01-01T00:00:00Z\n'


class Fed(Manager):
    """Counts."""

    def __init__(self) -> None:
        super().__init__({"WATCHDOG_USEC": "1"})
        self.times = 0

    def alive(self, status: str) -> None:
        self.times += 1


def test_a_run_whose_loop_hangs_is_not_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The instruments are asked for ever: the first sign of life never comes."""
    timetable = timetable_from(TomlFile(Path("t"), TEXT))
    hangs = threading.Event()
    monkeypatch.setattr(unattended, "look_round", lambda *_: hangs.wait(120) and [])
    monkeypatch.setattr(unattended, "SLOW_S", 0.2)
    config = ROOT / "config"
    job = Job(timetable.starts[0], 0, config / "bench.toml", config / "plan.toml", tmp_path / "s.benchlog", timetable)
    run = Unattended(job, cold_at=0.0, begun=lambda _: None, paused=lambda _: None, feed=Feed())
    run.start()
    deadline = time.monotonic() + 60
    while run.alive:
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert run.on
    run.stop("the test is over")
    hangs.set()
    assert run.join(60)
    assert run.outcome is not None
    assert run.outcome.session is None


def test_a_heat_run_waits_for_a_hot_load_and_can_be_stopped_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unattended, "look_round", lambda *_: pytest.fail("it did not wait"))
    text = '[[start]]\nname = "s"\nrun = "soak"\nmay_key = true\nonce = 2999-01-01T00:00:00Z\n'
    timetable = timetable_from(TomlFile(Path("t"), text))
    config = ROOT / "config"
    job = Job(timetable.starts[0], 0, config / "bench.toml", config / "plan.toml", tmp_path / "s.benchlog", timetable)
    run = Unattended(job, cold_at=time.monotonic() + 3600, begun=lambda _: None, paused=lambda _: None, feed=Feed())
    run.start()
    assert not run.join(0.2)
    assert run.alive
    run.stop("the test is over")
    assert run.join(60)
    assert run.outcome is not None
    assert (run.outcome.session, run.outcome.text) == (None, "the test is over")


def test_the_watchdog_starves_when_the_timetable_is_dead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "PULSE_S", 0.1)
    monkeypatch.setattr(serving, "PULSE_LATE_S", 1.0)
    monkeypatch.setattr(Daemon, "_pulse", pulse := Pulse(Daemon._pulse))
    files = Files(ROOT / "config/bench.toml", ROOT / "config/plan.toml", tmp_path / "s.benchlog")
    bench, plan = load_bench(files.bench, find), load_plan(files.plan)
    fed = Fed()
    daemon = Daemon(files, timetable_from(TomlFile(Path("t"), TEXT)), bench, plan, fed)
    daemon.open()
    try:
        daemon.turn()
        assert (fed.times, daemon.alive) == (1, True)
        pulse.beats = False
        deadline = time.monotonic() + 60
        while daemon.alive:
            assert time.monotonic() < deadline
            daemon.turn()
            time.sleep(0.02)
        before = fed.times
        daemon.turn()
        assert fed.times == before, "not fed any more"
        pulse.beats = True
        while not daemon.alive:
            assert time.monotonic() < deadline + 60
            daemon.turn()
            time.sleep(0.02)
        daemon._run = Hung()  # type: ignore[assignment]
        assert not daemon.alive, "the timetable alone is not enough"
        daemon._run = None
    finally:
        assert daemon.close("the test is over")


class Hung:
    """A run whose loop does not turn."""

    on, alive = True, False


class Pulse:
    """The scheduler's own beat, with a switch."""

    def __init__(self, beat: Any) -> None:
        self.beats, self._beat = True, beat

    def __get__(self, daemon: Any, owner: Any) -> Any:
        return lambda: self._beat(daemon) if self.beats else None
