"""A run's happenings as numbered messages, and the picture they add up to.

One feed serves all runs of a daemon, or the one of an attended command. The run puts, from its own thread, and never
waits: a message is a dict in a bounded ring, turned into text by the first viewer that reads it. Viewers have no queue
of their own: each knows the number of the last message it had, and takes what the ring has after that. Who was away
for longer than the ring reaches gets the picture anew, and is told of the gap.
"""

from __future__ import annotations

import json
import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from benchlog.analysis.keydowns import KeyDown
from benchlog.bench import Channel
from benchlog.clock import rfc3339
from benchlog.model import Event
from benchlog.page import scene
from benchlog.page.nearest import nearest_limit
from benchlog.page.trend import Trend
from benchlog.report.record_json import finite
from benchlog.report.told import told
from benchlog.runs.happenings import (
    Begun,
    Happening,
    KeyedDown,
    KeyedUp,
    LongEnough,
    Recognised,
    Resting,
    Tick,
    Trouble,
    Wanted,
)
from benchlog.runs.session import Session

SCHEMA = "benchlog-page/1"
MOST = 4_000  # messages kept for who comes back
KEPT_S = 600.0
TICK_S = 0.15  # real seconds between two ticks at least: every second one of a run that is on
MOST_LISTED = 200  # key-downs, findings and typed readings in the picture, the newest


@dataclass(slots=True)
class Message:
    """One thing told to every viewer."""

    number: int
    kind: str
    data: Mapping[str, Any]
    at: float  # time.monotonic
    _text: str = field(default="", repr=False)

    @property
    def text(self) -> str:
        """``data`` as JSON on one line; made once, by whoever needs it first."""
        if not self._text:
            self._text = json.dumps(finite(self.data), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return self._text


class Feed:
    """Takes happenings from one thread, and serves any number of readers on others."""

    def __init__(self, *, most: int = MOST, kept_s: float = KEPT_S) -> None:
        self.server = secrets.token_hex(4)  # tells the numbers of this start from another's
        self._kept_s = kept_s
        self._ring: deque[Message] = deque(maxlen=most)
        self._number = 0
        self._lock = threading.Lock()  # held for microseconds: no text is made inside
        self._wakers: list[Callable[[], None]] = []
        self._key_up: list[Callable[[int], None]] = []
        self._session: Session | None = None
        self._trend: Trend | None = None
        self._picture: dict[str, Any] = {}
        self._tick: Tick | None = None
        self._ticked_at = -math.inf
        self._held: Tick | None = None  # came too soon after the one before

    # The run's side. Nothing here waits for a viewer.

    def begin(self, session: Session) -> None:
        """A run is about to begin: its readings are followed from now on. Call before the session starts."""
        self._session, self._tick, self._held = session, None, None
        self._trend = Trend({channel.name: channel for _, channel in session.bench.channels()})
        session.taps.append(self._trend.take)

    def tell(self, happening: Happening) -> None:
        """Take one happening of the run."""
        if isinstance(happening, Tick):
            self._take_tick(happening)
            return
        if self._held is not None:  # told first: it is of before
            self._emit_tick(self._held)
        match happening:
            case Begun(session_id):
                self._begun(session_id)
            case Wanted(band, done, of, rest_until_s):
                rest = {"until_s": rest_until_s} if rest_until_s > self._now_s() else None
                data = {"band": band.name, "done": done, "of": of, "rest_until_s": rest_until_s}
                awaits = band.name if self._picture.get("kind") == "soak" else None
                self._put("wanted", data, wanted=data, resting=rest, awaits_band=awaits)
            case Resting(until_s, done):
                data = {"until_s": until_s, "done": done}
                self._put("resting", data, resting=data, awaits_band=None)
            case KeyedDown(t_s):
                key = {"down": True, "since_s": t_s, "band": None, "long_enough": False}
                self._put("keyed-down", {"t_s": t_s}, key=key, resting=None)
            case Recognised(band, frequency_hz):
                data = {
                    "band": band.name if band else None,
                    "frequency_hz": frequency_hz,
                    "error_hz": frequency_hz - band.expected_hz if band else None,
                }
                self._put("recognised", data, key={**self._picture.get("key", {}), "band": data["band"]})
            case LongEnough(band):
                self._put(
                    "long-enough",
                    {"band": band.name if band else None},
                    key={**self._picture.get("key", {}), "long_enough": True},
                )
            case KeyedUp(key_down):
                self._keyed_up(key_down)
            case Trouble(event):
                self._trouble(event)

    def typed(self, data: Mapping[str, Any], channel: Channel, t_ns: int, value: float) -> None:
        """A reading was typed in; ``data`` is what the API answered."""
        trend = self._trend
        value_si = channel.in_si(value) if trend is None else trend.typed(channel, t_ns, value)
        latest = {"t_s": t_ns / 1e9, "value": value_si, "state": "good"}
        self._put("typed", {**data, "latest": latest}, listed="typed")

    def results(self, session_id: int, bands: list[Any], findings: list[Any], *, final: bool) -> None:
        """What the record says so far."""
        session = self._session
        if session is None or self._picture.get("session") != session_id:
            return
        data = {"session": session_id, "bands": bands, "findings": findings, "final": final}
        self._put("band-results", data, results=bands, findings=findings[-MOST_LISTED:])

    def alarm(self, text: str) -> None:
        """What no viewer must overlook."""
        self._put("alarm", {"text": text, "t_s": self._now_s()}, listed="alarms")

    def end(self, text: str, *, how: str) -> None:
        """The run is over, and kept; ``how`` is ended, stopped (for safety) or failed."""
        if self._held is not None:
            self._emit_tick(self._held)
        if not self._picture:
            self._put("ended", {"session": None, "how": how, "text": text, "t_s": None})
            return
        data = {
            "session": self._picture["session"],
            "how": how,
            "text": text,
            "t_s": self._now_s(),
        }
        self._put("ended", data, ended=data, key=scene.KEY_UP, resting=None, awaits_band=None, phase="ended")
        self._look(data["session"])

    # The viewers' side.

    def waken(self, waker: Callable[[], None]) -> None:
        """Call this after every message, from the thread that put it; it must neither wait nor raise."""
        self._wakers.append(waker)

    def on_key_up(self, look: Callable[[int], None]) -> None:
        """Call this with the session's number after every key-up and at the end; as ``waken``."""
        self._key_up.append(look)

    @property
    def trend(self) -> Trend | None:
        """Of the run that is on, or was last."""
        return self._trend

    @property
    def session(self) -> Session | None:
        """The run's that is on, or was last."""
        return self._session

    @property
    def tick(self) -> Tick | None:
        """The newest, told or not."""
        return self._tick

    def ended(self, session_id: int) -> bool:
        """Whether that run is over."""
        picture = self._picture
        return bool(picture) and picture["session"] == session_id and picture["ended"] is not None

    @property
    def awaits_band(self) -> str | None:
        """The band that a heat run waits for: it keys once somebody says that it is set."""
        found: str | None = self._picture.get("awaits_band")
        return found

    @property
    def last(self) -> int:
        """The newest message's number."""
        return self._number

    def event_id(self, number: int) -> str:
        """As a viewer knows a message."""
        return f"{self.server}-{number}"

    def number_of(self, event_id: str) -> int | None:
        """Its number; None for another start's, or none of ours."""
        server, _, number = event_id.partition("-")
        if server != self.server or not number.isascii() or not number.isdigit() or len(number) > 15:
            return None
        return int(number) if int(number) <= self._number else None

    def after(self, number: int, most: int = 100) -> list[Message] | None:
        """What came after a message, the oldest first, at most so many; None where the ring reaches not so far back."""
        with self._lock:
            if number > self._number:
                return None
            first = self._ring[0].number if self._ring else self._number + 1
            if number + 1 < first:
                return None
            return list(islice(self._ring, number + 1 - first, number + 1 - first + most))

    def snapshot(self) -> tuple[int, dict[str, Any]]:
        """The newest message's number, and the picture that all messages until then add up to."""
        with self._lock:
            number, picture, tick = self._number, dict(self._picture), self._tick
        run: dict[str, Any] | None = None
        if picture:
            run = picture
            run["t_s"] = self._now_s() if run["ended"] is None else run["ended"]["t_s"]
            run["latest"] = scene.latest(tick) if tick else {}
            run["latest"] |= {one["channel"]: one["latest"] for one in run["typed"]}
            run["load_heat"] = _rounded(tick.heat) if tick else None
            run["nearest_limit"] = self._nearest(tick) if tick and run["ended"] is None else None
        return number, {"schema": SCHEMA, "server": self.server, "at": rfc3339(time.time_ns()), "run": run}

    # Both.

    def _now_s(self) -> float:
        session = self._session
        return round(session.clock.t_ns() / 1e9, 3) if session else 0.0

    def _put(self, kind: str, data: Mapping[str, Any], *, listed: str = "", **picture: Any) -> None:
        """Tell it, and change the picture: ``listed`` names a list that it goes to the end of."""
        now = time.monotonic()
        with self._lock:
            self._number += 1
            self._ring.append(Message(self._number, kind, data, now))
            while self._ring[0].at < now - self._kept_s:
                self._ring.popleft()
            if listed and self._picture:
                picture[listed] = [*self._picture[listed][-MOST_LISTED + 1 :], data]
            if picture and self._picture:
                self._picture = {**self._picture, **picture}
        for waker in self._wakers:
            waker()

    def _look(self, session_id: int) -> None:
        for look in self._key_up:
            look(session_id)

    def _begun(self, session_id: int) -> None:
        assert self._session is not None, "begin comes first"
        picture = scene.opening(self._session, session_id)
        with self._lock:
            self._picture = picture
        self._put("begun", picture)

    def _take_tick(self, tick: Tick) -> None:
        self._tick = tick
        if self._trend is not None:
            self._trend.sort_in()
        now = time.monotonic()
        if now - self._ticked_at < TICK_S:
            self._held = tick
        else:
            self._emit_tick(tick)

    def _emit_tick(self, tick: Tick) -> None:
        self._held, self._ticked_at = None, time.monotonic()
        down_s = None if tick.down_since_s is None else round(max(0.0, tick.t_s - tick.down_since_s), 3)
        data = {
            "t_s": round(tick.t_s, 3),
            "key_down_s": down_s,
            "band": tick.band.name if tick.band else None,
            "latest": scene.latest(tick),
            "load_heat": _rounded(tick.heat),
            "nearest_limit": self._nearest(tick),
        }
        self._put("tick", data)

    def _nearest(self, tick: Tick) -> dict[str, Any] | None:
        return nearest_limit(self._session.bench, tick) if self._session else None

    def _keyed_up(self, key_down: KeyDown) -> None:
        assert self._session is not None
        data = scene.key_down(key_down, self._session.plan) | {"text": told(key_down, self._session.plan)}
        self._put("keyed-up", data, listed="key_downs", key=scene.KEY_UP)
        self._look(self._picture["session"])

    def _trouble(self, event: Event) -> None:
        data = {
            "t_s": event.t_ns / 1e9,
            "kind": event.kind,
            "instrument": event.instrument or None,
            "channel": event.channel or None,
            "text": event.text,
        }
        self._put("trouble", data, listed="troubles")


def _rounded(fraction: float | None) -> float | None:
    return None if fraction is None else round(fraction, 5)
