"""Readings that people type, taken out of the store and told to whoever looks, whichever way they came in.

The page writes one through its API, `benchlog enter` from a process of its own: both commit it to the store, and from
there, once a second and after each of the page's own, what is new is told.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from benchlog.clock import rfc3339
from benchlog.errors import BenchlogError
from benchlog.page.house import House
from benchlog.runs.session import Session
from benchlog.store.reader import StoredChannel, StoreReader

EVERY_S = 1.0


@dataclass
class _Followed:
    """One session's needles, and the entries that were told: each one's channel and moment."""

    session: Session
    channels: tuple[StoredChannel, ...]
    told: set[tuple[str, int]] = field(default_factory=set)


class Needles:
    """Follows one house's runs; by itself, from a thread of its own, between ``start`` and ``close``."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._followed: _Followed | None = None
        self._turn = threading.Lock()
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._follow, name="the page's needles", daemon=True)

    def start(self) -> None:
        """From now on."""
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._ends.set()
        self._thread.join(5.0)

    def look(self) -> None:
        """Tell what is new, in order. Raises BadStore, StoreFailed."""
        with self._turn:
            followed = self._now()
            if followed is None:
                return
            reader = StoreReader(self._house.store)
            found = reader.rows(followed.channels)
            new = [
                (t_ns, channel.name, value)
                for channel, rows in zip(followed.channels, found, strict=True)
                for t_ns, value in zip(rows.t_ns.tolist(), rows.value.tolist(), strict=True)
                if (channel.name, t_ns) not in followed.told
            ]
            if not new:
                return
            session, corrected = followed.session, _corrected(reader, followed.session.id)
            for t_ns, name, value in sorted(new):
                channel = next(one for _, one in session.bench.channels() if one.name == name)
                wrong_ns = corrected.get((name, t_ns))
                entered = {
                    "entry": str(t_ns),
                    "channel": name,
                    "value": value,
                    "unit": channel.unit,
                    "t_s": t_ns / 1e9,
                    "time": rfc3339(session.clock.started_ns + t_ns),
                    "corrects": None if wrong_ns is None else str(wrong_ns),
                }
                followed.told.add((name, t_ns))
                self._house.feed.typed(entered, channel, t_ns, value)

    def _now(self) -> _Followed | None:
        """The run that is on, where its bench has needles."""
        air = self._house.on_air
        if air is None:
            return None
        if self._followed is None or self._followed.session is not air.session:
            session = air.session
            typed = {channel.name for instrument, channel in session.bench.channels() if instrument.typed}
            stored = StoreReader(self._house.store).session(session.id).channels if typed else ()
            self._followed = _Followed(session, tuple(one for one in stored if one.name in typed))
        return self._followed if self._followed.channels else None

    def _follow(self) -> None:
        while not self._ends.wait(EVERY_S):
            try:
                self.look()
            except BenchlogError:
                continue  # the run itself tells of a store in trouble; this tries again


def _corrected(reader: StoreReader, session: int) -> dict[tuple[str, int], int]:
    """By channel and moment of what stands for it: the moment of the wrong entry."""
    return {
        (event.channel, int(event.data["corrected_by_ns"])): int(event.data["from_ns"])
        for event in reader.events(session, "suspect")
        if {"from_ns", "corrected_by_ns"} <= set(event.data)
    }
