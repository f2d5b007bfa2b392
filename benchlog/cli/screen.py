"""A run on a terminal: what happened as lines, how things stand as one line that stays.

Everything goes to standard error, so that standard output carries the record alone. Where that is no terminal
(a log file, a pipe) only the lines are printed.
"""

from __future__ import annotations

from types import TracebackType
from typing import Self

from rich.columns import Columns
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from benchlog.model import State
from benchlog.plan import Band, Plan
from benchlog.quantities import SI_UNIT
from benchlog.report.numbers import duration
from benchlog.report.told import dial, heard, live, told
from benchlog.runs.happenings import (
    Begun,
    Happening,
    KeyedDown,
    KeyedUp,
    Latest,
    LongEnough,
    Recognised,
    Resting,
    Tick,
    Trouble,
    Wanted,
)


class Screen:
    """Shows one run; a context manager that gives the terminal back. ``prompt`` follows each band asked for."""

    def __init__(self, plan: Plan, *, key_down_s: float, prompt: str) -> None:
        self._plan, self._key_down_s, self._prompt = plan, key_down_s, prompt
        self._console = Console(stderr=True, highlight=False)
        self._live = Live(Text(), console=self._console, refresh_per_second=8, transient=True)
        self._rest_until_s = 0.0
        self._steps: list[str] = []

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._live.stop()

    def say(self, text: str, style: str = "") -> None:
        """One line that stays. Names come from files: never read as markup."""
        self._console.print(Text(text, style=style), soft_wrap=not self._console.is_terminal)

    def alarm(self, text: str) -> None:
        """What must not be overlooked."""
        self._console.bell()
        self.say(text, "bold reverse")

    def show(self, happening: Happening) -> None:
        """Tell one happening."""
        match happening:
            case Begun(session_id, store):
                self.say(f"Session {session_id} in {store}. Ctrl-C ends it and keeps everything.")
            case Tick():
                if self._console.is_terminal:
                    self._live.update(self._standing(happening))
            case Wanted():
                self._rest_until_s = happening.rest_until_s
                self._want(happening)
            case Resting(until_s, done):
                self._rest_until_s = until_s
                if done == 0:
                    self.say(f"The key is up until {duration(until_s)} into the session.")
            case KeyedDown():
                pass  # the standing line shows it, and what was heard follows at once
            case Recognised(band, frequency_hz):
                self.say(heard(band, frequency_hz))
            case LongEnough():
                self._console.bell()
                self.say("Long enough: key up.", "bold")
            case KeyedUp(key_down):
                self.say(told(key_down, self._plan), "bold")
            case Trouble(event):
                self.say(f"! {event.text}", "bold")

    def _want(self, wanted: Wanted) -> None:
        band = wanted.band
        self.say("")
        self.say(f"Band {wanted.done + 1} of {wanted.of}: {band.name}, dial {dial(band)}, {band.mode}", "bold")
        self._steps = steps(self._plan, band)
        if not self._console.is_terminal:  # there they stay in sight, below all lines
            for line in self._steps:
                self.say(line)
        self.say(f"  {self._prompt}")

    def _standing(self, tick: Tick) -> RenderableType:
        if tick.down_since_s is not None:
            down_s = max(0.0, tick.t_s - tick.down_since_s)
            band = f"{tick.band.name}  " if tick.band else ""
            head = Text(f"{band}KEY DOWN {down_s:4.0f} s of {self._key_down_s:.0f} s", style="bold reverse")
        elif (left_s := self._rest_until_s - tick.t_s) > 0:
            head = Text(f"key up; the load rests for another {left_s:.0f} s")
        else:
            head = Text("key up")
        values = [Text(_value(latest), no_wrap=True) for latest in tick.latest.values()]
        if tick.heat is not None:
            values.append(Text(f"load: {100 * tick.heat:.0f} % of its heat", no_wrap=True))
        checklist = [Text(), *map(Text, self._steps)] if self._steps else []
        return Group(head, Columns(values, padding=(0, 3)), *checklist)


def steps(plan: Plan, band: Band) -> list[str]:
    """The plan's checklist for a band, as lines; empty where it has none."""
    found = plan.sweep.steps(band)
    return [f"  To tune {band.name}:", *(f"  {i:2}  {step}" for i, step in enumerate(found, 1))] if found else []


def _value(latest: Latest) -> str:
    name = latest.channel.name
    if latest.value is None:
        return f"{name}: {'over range' if latest.state is State.OVER_RANGE else '--'}"
    return f"{name}: {live(latest.value, SI_UNIT[latest.channel.dimension])}"
