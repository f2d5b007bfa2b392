"""A run on a real terminal: what must be in sight stays in sight."""

from __future__ import annotations

import io
import os
import select
import sys
import time

import pytest
from rich.console import Console

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.cli.screen import Screen
from benchlog.model import Event, State
from benchlog.plan import load_plan
from benchlog.runs.happenings import Latest, Tick, Trouble, Wanted
from tests.cli.conftest import ROOT

STEPS = ("To tune 20 m:", "1  drive at minimum", "7  this band's core peaks low")


def test_what_stands_on_the_screen_is_in_the_trades_units(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(sys, "stderr", out)
    bench = load_bench(ROOT / "config/bench.toml", find)
    found = {
        channel.name: Latest(channel, 1.0, value, State.GOOD, "")
        for _, channel in bench.channels()
        if (value := {"grid current": 0.0042, "stage temperature": 66.4, "frequency": 10.12e6}.get(channel.name))
    }
    screen = Screen(load_plan(ROOT / "config/plan.toml"), key_down_s=20.0, prompt="")
    Console(file=out, width=160).print(screen._standing(Tick(9.0, None, None, found)))
    for part in ("grid current: 4.2 mA", "stage temperature: 66.4 °C", "frequency: 10.120000 MHz"):
        assert part in out.getvalue()


def test_the_tuning_steps_stay_below_whatever_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nine troubles scroll by after the band was asked for; the last picture still ends with the band's steps."""
    for name, value in (("TERM", "xterm"), ("COLUMNS", "80"), ("LINES", "24")):
        monkeypatch.setenv(name, value)
    plan = load_plan(ROOT / "config/plan.toml")
    ours, theirs = os.openpty()
    seen = ""
    with os.fdopen(theirs, "w") as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        with Screen(plan, key_down_s=20.0, prompt="Key down when ready.") as screen:
            screen.show(Wanted(plan.band("20 m"), 1, 2, 0.0))
            for i in range(9):
                screen.show(Trouble(Event(i, "link", f"trouble {i}")))
            screen.show(Tick(9.0, None, None, {}))
            ends = time.monotonic() + 60.0
            while STEPS[-1] not in seen.rpartition("trouble 8")[2] and time.monotonic() < ends:
                if select.select([ours], [], [], 0.1)[0]:
                    seen += os.read(ours, 65536).decode()
    os.close(ours)
    last = seen.rpartition("trouble 8")[2]
    assert all(step in last for step in STEPS)
    assert [last.index(step) for step in STEPS] == sorted(last.index(step) for step in STEPS)
    assert STEPS[-1] not in seen.partition("trouble 0")[0], "in sight below, and not printed a second time"
