"""What stands behind a page: the daemon, or one attended run."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.model import Event
from benchlog.page import scene
from benchlog.page.feed import Feed
from benchlog.runs.session import KeyFor, Session

ARMED_FROM_S, ARMED_UNTIL_S = 1.0, 5.0  # after arming, when a key-down is accepted: a press and hold
UP_WHY = "keyed up from the page"
STOP_WHY = "stopped by the operator"

Went = Literal["goes-on", "ends"]


class Refused(UsageError):
    """The run that is on does not do this; nothing was done."""


@dataclass
class OnAir:
    """The run that is on, as far as a page may move it. Every method returns at once, from any thread."""

    session: Session
    end: Callable[[str], None]  # cleanly, the key up first; returns at once
    feed: Feed
    _armed: tuple[str, float] | None = field(default=None, init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)

    def key_up(self) -> Went:
        """The key up as soon as can be; what becomes of the run. Raises Refused, where a person holds the key."""
        session = self.session
        self._disarm()
        if not scene.holds_key(session):
            self.feed.alarm("KEY UP: asked for from the page. A person holds the key; only their hand can key up.")
            raise Refused(
                "a person holds the key: only their hand can key up",
                where=f"{session.kind} session",
                cure="Tell them. It is shown as an alarm on every page.",
            )
        self._note("key up asked for from the page")
        if session.kind == "sweep":
            session.up_asked.set()
            return "goes-on"
        self.end(UP_WHY)
        return "ends"

    def arm(self) -> str:
        """The first half of a press and hold: a word that makes the second half good for a while. Raises Refused."""
        if self.session.kind == "soak":
            self._may_say_set()
        else:
            self._may_key()
        nonce = secrets.token_urlsafe(16)
        with self._lock:
            self._armed = (nonce, time.monotonic())
        return nonce

    def key_down(self, nonce: str, span: KeyFor) -> None:
        """The second half of a key-down; whatever is wrong disarms. Raises Refused."""
        self._may_key()
        self._held(nonce, "key-down")
        tick = self.feed.tick
        if self.session.up_asked.is_set() or (tick is not None and tick.down_since_s is not None):
            raise Refused("the key is down already, or about to go up", where="key-down", cure="Wait until it is up.")
        if not self.session.asked.empty():
            raise Refused("a key-down is asked for already", where="key-down", cure="Wait for it.")
        self._note(f"key down for {span} asked for from the page")
        self.session.asked.put(span)

    def band_set(self, nonce: str, band: str) -> None:
        """The second half of saying that the next band is set: the heat run goes on with it. Raises Refused."""
        self._may_say_set()
        self._held(nonce, "band-set")
        if band != self.feed.awaits_band:
            raise Refused(f"the run waits for {self.feed.awaits_band}, not for {band}", where="band-set",
                          cure="Look at the band it asks for.")  # fmt: skip
        if not self.session.asked.empty():
            raise Refused("that was said already", where="band-set", cure="The run goes on with it.")
        self._note(f"{band} is set, said from the page")
        self.session.asked.put("measuring")

    def _held(self, nonce: str, where: str) -> None:
        """What was armed is used up, and was held neither too short nor too long. Raises Refused."""
        with self._lock:
            armed, self._armed = self._armed, None
        if armed is None or not secrets.compare_digest(armed[0].encode(), nonce.encode()):
            raise Refused("not armed", where=where, cure="Press and hold: arm first.")
        held_s = time.monotonic() - armed[1]
        if not ARMED_FROM_S <= held_s <= ARMED_UNTIL_S:
            how = "too soon" if held_s < ARMED_FROM_S else "too late"
            cure = f"Hold for {ARMED_FROM_S:g} s, and no longer than {ARMED_UNTIL_S:g} s."
            raise Refused(f"{how} after arming", where=where, cure=cure)

    def _may_say_set(self) -> None:
        if self.feed.awaits_band is None:
            raise Refused("the run waits for no band", where=f"{self.session.kind} session",
                          cure="It asks when it is time for the next.")  # fmt: skip
        self._from_page()

    def _may_key(self) -> None:
        session = self.session
        if not session.keys or session.kind != "sweep":
            raise Refused(
                f"this {session.kind} keys nothing when asked to",
                where="key-down",
                cure="The page keys in `benchlog sweep --key --page` alone.",
            )
        self._from_page()

    def _from_page(self) -> None:
        if not scene.may_key(self.session):
            raise Refused(
                "the bench file does not let the page key",
                where=str(self.session.bench.source.path),
                cure="Say from_page = true in its [key], if you mean it.",
            )

    def _disarm(self) -> None:
        with self._lock:
            self._armed = None

    def _note(self, text: str) -> None:
        self.session.put(Event(self.session.clock.t_ns(), "note", text))


class House(Protocol):
    """What the API asks of it, from threads of its own."""

    store: Path
    feed: Feed

    @property
    def on_air(self) -> OnAir | None:
        """The run that is on; None between runs."""
        ...

    def status(self) -> dict[str, Any]:
        """How things stand, as JSON."""
        ...

    def stop_run(self, why: str) -> int | None:
        """End the run that is on, cleanly, the key up first. Its session, 0 where it has none yet; None: no run."""
        ...


class Attended:
    """One run with a person at the terminal that began it."""

    def __init__(self, bench: str, transmitter: str, store: Path) -> None:
        self.store, self.feed = store, Feed()
        self._bench, self._transmitter = bench, transmitter
        self._since_ns = time.time_ns()
        self._air: OnAir | None = None
        self._last: dict[str, Any] | None = None
        self._failed = ""

    def begin(self, session: Session, stop: threading.Event) -> None:
        """A run is about to begin."""

        def end(why: str) -> None:
            session.why = session.why or why
            stop.set()

        self.feed.begin(session)
        self._air = OnAir(session, end, self.feed)

    def over(self, how: Literal["ended", "stopped", "failed"], text: str) -> None:
        """It is over."""
        air, self._air = self._air, None
        session = (air.session.id or None) if air else None
        self._last = {"entry": air.session.kind if air else "", "session": session, "how": how, "text": text}
        self.feed.end(text, how=how)

    @property
    def on_air(self) -> OnAir | None:
        """As ``House.on_air``."""
        air = self._air
        return air if air is not None and air.session.id else None

    def stop_run(self, why: str) -> int | None:
        """As ``House.stop_run``."""
        air = self._air
        if air is None:
            return None
        air.end(why)
        return air.session.id

    def status(self) -> dict[str, Any]:
        """As the daemon's, without a timetable."""
        air = self._air
        run = None
        if air is not None:
            session = air.session
            run = {
                "entry": session.kind,
                "kind": session.kind,
                "phase": "ending" if session.why else "running",
                "session": session.id or None,
                "continues": None,
                **scene.standing(self.feed.tick, session.clock.started_ns),
            }
        return {
            "schema": "benchlog-daemon/1",
            "started": rfc3339(self._since_ns, 0),
            "bench": self._bench,
            "transmitter": self._transmitter,
            "store": str(self.store),
            "alive": True,
            "store_fault": None,
            "run": run,
            "last": self._last,
            "next": [],
            "missed": [],
            "calibration": [],
        }
