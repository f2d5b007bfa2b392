"""One instrument on a bus: its link, its faults and the way back, and what its answers mean.

A station never raises: whatever an instrument or its driver does ends as readings and events.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from math import isfinite
from typing import Protocol

from benchlog.acquire.slots import Question, questions
from benchlog.bench import Channel, Instrument
from benchlog.clock import Clock
from benchlog.driver import (
    Answer,
    BadReply,
    Driver,
    InstrumentError,
    Settings,
    UnaskedReply,
    WrongInstrument,
)
from benchlog.files import Table
from benchlog.model import Event, EventKind, Reading, State

RETRY_S = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0)  # a meter switched back on is heard again well within a rest
STEADY_S = 30.0  # what fails again sooner comes and goes, and is back only once it has been good for so long
_SAID = 200  # characters of a bad reply worth keeping
_Found = Sequence[tuple[Channel, float]]
_good = Reading.good


class Sink(Protocol):
    """Where readings and events go. ``put`` returns at once and never raises; any thread may call it."""

    def put(self, item: Reading | Event, /) -> None:
        """Take one."""
        ...


class Station:
    """One instrument, driven by one bus thread.

    Args:
        driver: the class; an object of it lives as long as the station, so that it remembers who answered first. It is
            made when it is first opened: one that cannot be made is an instrument that is not there.
        options: the instrument's own keys, validated.
    """

    def __init__(
        self, instrument: Instrument, driver: type[Driver], options: Table, *, clock: Clock, sink: Sink
    ) -> None:
        self.instrument = instrument
        self.name = instrument.name
        self.questions = questions(instrument)
        self.identity: str | None = None
        self.fault = "not connected yet"  # why there is no link; "" while there is one
        self._clock, self._now, self._put = clock, clock.t_ns, sink.put
        self._retry_ns = 0
        self._failures = 0  # in this outage
        # Faults of this outage told as events, by their kind: a dead instrument is one, not one a try. What exactly was
        # wrong each time stands in the row of each slot.
        self._told: set[type[Exception]] = set()
        self._relapsed = False  # it comes and goes
        self._good_ns: int | None = None  # since when it answers well, in an outage
        self._back_ns: int | None = None  # when it was last told to be back
        self._previous_ns: int | None = None  # when the exchange before began
        self._driver: Driver | None = None
        self._driver_class = driver
        self._settings = Settings(
            name=instrument.name,
            address=instrument.address,
            timeout_s=clock.real_s(instrument.timeout),
            setup=instrument.setup,
            identity=instrument.identity,
            options=options,
            note=self._note,
        )

    def connect(self) -> None:
        """Open the link; on failure remember why, and when to try again."""
        try:
            if self._driver is None:
                self._driver = self._driver_class(self._settings)
            identity = self._driver.open()
        except Exception as exc:  # noqa: BLE001 - a stranger's driver may raise anything; the logger goes on
            self._lost(exc)
            return
        if identity != self.identity:
            self._event("identity", identity or "cannot say who it is", identity=identity)
        self.identity = identity
        self.fault = ""

    def ready(self) -> None:
        """Try to come back, where the link is lost and it is time to."""
        if self.fault and self._now() >= self._retry_ns:
            self.connect()

    def poll(self, question: Question, due_ns: int) -> None:
        """Fill one slot: ask and stamp, or say why not."""
        driver, now, put = self._driver, self._now, self._put
        if self.fault or driver is None:
            self.miss(question, due_ns, self.absence)
            return
        before = now()
        try:
            answer = driver.ask(question.ask)
            values, age_s = answer.values, answer.age_s
            if len(values) == 1 and question.sole is not None:  # nearly always
                (value,) = values.values()
                found: _Found = ((question.sole, float(value)),)
            else:
                found = _picked(question, answer)
        except Exception as exc:  # noqa: BLE001 - as in connect
            self._bad_exchange(question, due_ns, before, exc)
            return
        after = now()
        if self._failures:
            self._answered()
        if age_s is None:
            took_ns = after - before
            t_ns = after - took_ns // 2
        else:
            oldest, newest = map(self._session_ns, age_s)
            t_ns, took_ns = after - (oldest + newest) // 2, oldest - newest
        for channel, value in found:
            if isfinite(value):
                put(_good(channel.name, t_ns, value, took_ns))
            else:
                self._no_value(channel, t_ns, took_ns, value, answer.said)
        self._previous_ns = before

    def miss(self, question: Question, due_ns: int, reason: str) -> None:
        """Account for a slot nothing was asked in."""
        for channel in question.channels:
            self._put(Reading(channel.name, due_ns, None, 0, State.MISSED, reason))

    @property
    def absence(self) -> str:
        """Why there is nobody to ask; empty while there is."""
        return f"no link: {self.fault}" if self.fault else ""

    def close(self) -> None:
        """Let go of the link."""
        with contextlib.suppress(Exception):  # a stranger's may raise here too, and the other stations go on
            if self._driver is not None:
                self._driver.close()

    def _answered(self) -> None:
        """Back at once; where it comes and goes, not before it has been good for a while."""
        now = self._now()
        if self._good_ns is None:
            self._good_ns = now
        if self._relapsed and now - self._good_ns < STEADY_S * 1e9:
            return
        if self._told:
            self._event("link", f"{self.name} is back")
            self._back_ns = now
        self._told.clear()
        self._failures, self._relapsed = 0, False

    def _session_ns(self, real_s: float) -> int:
        return round(real_s * 1e9 * self._clock.factor)

    def _no_value(self, channel: Channel, t_ns: int, took_ns: int, value: float, said: str) -> None:
        if math.isnan(value):
            state, reason = State.INVALID, "the instrument says: not a number"
        else:
            state, reason = State.OVER_RANGE, "the instrument says: over range"
        self._put(Reading(channel.name, t_ns, None, took_ns, state, reason, said))

    def _bad_exchange(self, question: Question, due_ns: int, before: int, exc: Exception) -> None:
        took_ns = self._now() - before
        said = exc.said[:_SAID] if isinstance(exc, InstrumentError) else ""
        answered = isinstance(exc, BadReply) or not isinstance(exc, InstrumentError)
        state = State.INVALID if answered else State.MISSED
        for channel in question.channels:
            self._put(Reading(channel.name, due_ns, None, took_ns, state, _what(exc), said))
        if isinstance(exc, UnaskedReply) and self._previous_ns is not None:
            text = f"{self.name} said something unasked; its answer before may belong to another question"
            self._event("suspect", text, from_ns=self._previous_ns, to_ns=before, said=said)
        elif isinstance(exc, BadReply) and type(exc) not in self._told:
            self._event("reply", f"{self.name}: {_what(exc)}", question=question.ask, said=said)
        self._lost(exc)

    def _lost(self, exc: Exception) -> None:
        """Close, and try again soon at first, then ever more seldom."""
        self.close()
        self.fault = _what(exc)
        self._previous_ns = self._good_ns = None
        now = self._now()
        if type(exc) not in self._told:
            text = self.fault
            if not self._told and self._back_ns is not None and now - self._back_ns < STEADY_S * 1e9:
                self._relapsed, text = True, f"comes and goes: {text}"
            kind: EventKind = "wrong-instrument" if isinstance(exc, WrongInstrument) else "link"
            self._event(kind, f"{self.name}: {text}")
            self._told.add(type(exc))
        wait_s = RETRY_S[min(self._failures, len(RETRY_S) - 1)]
        self._failures += 1
        self._retry_ns = now + round(wait_s * 1e9)

    def _event(self, kind: EventKind, text: str, **data: object) -> None:
        self._put(Event(self._now(), kind, text, instrument=self.name, data=data))

    def _note(self, kind: str, text: str) -> None:
        self._event("error-queue" if kind == "error-queue" else "note", text)


def _picked(question: Question, answer: Answer) -> _Found:
    """Each channel's number out of the reply; BadReply where the reply does not hold it."""
    values, found = answer.values, list[tuple[Channel, float]]()
    for channel in question.channels:
        place: int | str | None = channel.field
        if place is None and len(values) == 1:
            (place,) = values
        elif place is None:
            place = channel.name if channel.name in values else 0
        if place not in values:
            raise BadReply(f"the reply has no field {place!r}", said=answer.said)
        found.append((channel, float(values[place])))
    return found


def _what(exc: Exception) -> str:
    return exc.what if isinstance(exc, InstrumentError) else f"driver fault: {type(exc).__name__}: {exc}"
