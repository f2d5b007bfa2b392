"""Readings as they come, turned into happenings: the same detector and the same measuring as the record's."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator

import numpy as np

from benchlog.analysis.corrections import correct_all
from benchlog.analysis.keydowns import Detector, KeyDown, Span, band_at, gap_limit_s, thresholds
from benchlog.analysis.measure import measure_key_down
from benchlog.bench import Channel
from benchlog.model import Reading, State
from benchlog.plan import Band
from benchlog.runs.happenings import (
    Happening,
    KeyedDown,
    KeyedUp,
    Latest,
    LongEnough,
    Recognised,
    Tick,
    Trouble,
)
from benchlog.runs.safety import Safety
from benchlog.runs.session import Session
from benchlog.store.reader import StoreReader

_TROUBLES = {"link", "wrong-instrument", "clock", "store", "suspect", "guard", "limit"}
_TICK_S = 0.1  # real seconds; the guard of a key line wants to hear of a run at least every 0.3 s
_BEHIND_S = 0.03  # after the slots of every usual rate: it sees them soon, and no bus that is due waits for it
_FLUSH_S = 5.0


class Listener:
    """Follows one session's key.

    Yields a ``Tick`` several times a second and, between them, what happened. Every reading passes ``safety``.
    """

    def __init__(self, session: Session, safety: Safety) -> None:
        self._session, self._safety = session, safety
        bench, plan = session.bench, session.plan
        self._channels: dict[str, Channel] = {channel.name: channel for _, channel in bench.channels()}
        self._power = bench.measuring("forward-power")
        self._frequency = bench.measuring("frequency")
        every_s = self._power.every if self._power else 1.0
        self._detector = Detector(*thresholds(plan, meter=bench.meter), gap_s=gap_limit_s(np.empty(0), every_s))
        self._latest: dict[str, Latest] = {}
        self._hz: float | None = None  # the newest, for correction tables
        self._down_s: float | None = None
        self._recognised: tuple[Band | None] | None = None
        self._long_enough = False

    def listen(self, stop: threading.Event) -> Iterator[Happening]:
        """Until ``stop`` is set.

        Raises: StoreFailed where the store takes nothing any more; StoppedForSafety where a limit was crossed.
        """
        while not self._session.clock.wait_until(self._next_look_ns(), stop):
            self._safety.attend()
            self._session.look_after()
            for item in self._session.heard():
                if isinstance(item, Reading):
                    yield from self._take(item)
                elif item.kind == "key":
                    yield from self._edge(item.t_ns / 1e9, down=bool(item.data["down"]))
                elif item.kind in _TROUBLES:
                    yield Trouble(item)
            yield from self._hold()
            band = self._recognised[0] if self._recognised else None
            latest = {name: self._latest[name] for name in self._channels if name in self._latest}
            yield Tick(self._session.clock.t_ns() / 1e9, self._down_s, band, latest, self._safety.heat)

    def _next_look_ns(self) -> int:
        clock = self._session.clock
        every_ns, behind_ns = (round(real_s * 1e9 * clock.factor) for real_s in (_TICK_S, _BEHIND_S))
        return ((clock.t_ns() - behind_ns) // every_ns + 1) * every_ns + behind_ns

    def _take(self, reading: Reading) -> Iterator[Happening]:
        channel = self._channels[reading.channel]
        value = None if reading.value is None else channel.in_si(reading.value, self._hz)
        t_s = reading.t_ns / 1e9
        self._latest[channel.name] = Latest(channel, t_s, value, reading.state, reading.reason)
        if channel is self._power and not self._safety.holds_key:
            missing = math.inf if reading.state is State.OVER_RANGE else math.nan
            edge = self._detector.feed(t_s, missing if value is None else value)
            if edge is not None:
                yield from self._edge(edge.t_s, down=edge.down)
        self._safety.check(reading)
        if channel is self._frequency and value is not None:
            self._hz = value
            yield from self._recognise(t_s, value)

    def _edge(self, t_s: float, *, down: bool) -> Iterator[Happening]:
        self._safety.keyed(down, round(t_s * 1e9))
        if down:
            self._down_s, self._recognised, self._long_enough = t_s, None, False
            yield KeyedDown(t_s)
        elif self._down_s is not None:
            start_s, self._down_s, self._recognised = self._down_s, None, None
            self._detector.on_w, self._detector.off_w = thresholds(self._session.plan, meter=self._session.bench.meter)
            yield KeyedUp(self._measured(start_s, t_s))

    def _recognise(self, t_s: float, frequency_hz: float) -> Iterator[Happening]:
        if self._down_s is None or self._recognised is not None or t_s <= self._down_s:
            return
        band = band_at(frequency_hz, self._session.plan)
        self._recognised = (band,)
        if band is not None:
            self._detector.on_w, self._detector.off_w = thresholds(self._session.plan, band, self._session.bench.meter)
        yield Recognised(band, frequency_hz)

    def _hold(self) -> Iterator[Happening]:
        if self._safety.holds_key or self._down_s is None or self._long_enough:
            return
        if self._session.clock.t_ns() / 1e9 - self._down_s >= self._session.plan.sweep.key_down:
            self._long_enough = True
            yield LongEnough(self._recognised[0] if self._recognised else None)

    def _measured(self, start_s: float, stop_s: float) -> KeyDown:
        """From the store, as the record will be: what is shown now is what it will say."""
        session = self._session
        session.writer.flush(_FLUSH_S)
        reader = StoreReader.open(session.store)
        raw = reader.raw(session.id, (round(start_s * 1e9), round(stop_s * 1e9) + 1))
        series = correct_all(session.bench, raw, reader.events(session.id, "suspect"))
        return measure_key_down(Span(start_s, stop_s), series, session.bench, session.plan, session.kind)
