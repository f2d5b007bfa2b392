"""A running session's readings in memory, at a constant size however long it runs.

Each channel has levels of buckets: the finest of a tenth of a second, each further level twice as wide, and of each
the newest 2,048. The last minutes are there in full, the whole run more coarsely; a question is answered from the
finest level that reaches back far enough. A bucket is the lowest and the highest value,
their mean, and how many slots had one and how many had none: no extreme is lost by being looked at from afar.

Which readings fall into which bucket does not depend on the order they come in.
"""

from __future__ import annotations

import math
import threading
from array import array
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from benchlog.bench import Channel
from benchlog.model import Event, Reading

FINEST_S = 0.1
BUCKETS = 2048
MOST_POINTS = 2000
_LEVELS = 24  # the widest bucket is 9 days


@dataclass(frozen=True, slots=True)
class Buckets:
    """Part of a channel, bucket by bucket, in order of time; all of one length.

    ``t_s`` is each bucket's middle; ``low``, ``mean`` and ``high`` are None where ``n`` is 0. Buckets without a
    slot are left out.
    """

    bucket_s: float
    t_s: list[float]
    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]
    n: list[int]
    missing: list[int]


class Trend:
    """All channels of one session. ``take`` and ``buckets`` may be called from any thread.

    A correction table's factor is of the newest frequency, as in what is told live.
    """

    def __init__(self, channels: Mapping[str, Channel]) -> None:
        self._channels = dict(channels)
        self._tracks = {name: Track() for name in channels}
        self._aside: deque[Reading] = deque()
        self._lock = threading.Lock()
        self._hz: float | None = None  # the newest

    def take(self, item: Reading | Event, /) -> None:
        """One reading as it passes; events are passed over. On a bus's thread, so it is only laid aside here."""
        if isinstance(item, Reading):
            self._aside.append(item)

    def sort_in(self) -> None:
        """What was laid aside; several times a second, or it grows."""
        with self._lock:
            while self._aside:
                item = self._aside.popleft()
                if (channel := self._channels.get(item.channel)) is None:
                    continue
                value = None if item.value is None else channel.in_si(item.value, self._hz)
                if channel.measures == "frequency" and value is not None:
                    self._hz = value
                self._add(item.channel, item.t_ns / 1e9, value)

    def typed(self, channel: Channel, t_ns: int, value: float) -> float:
        """One that a person typed; what it is in SI."""
        self.sort_in()
        with self._lock:
            found = channel.in_si(value, self._hz)
            self._add(channel.name, t_ns / 1e9, found)
        return found

    def _add(self, name: str, t_s: float, value: float | None) -> None:
        self._tracks[name].add(t_s, value if value is not None and math.isfinite(value) else None)

    def buckets(self, name: str, from_s: float, to_s: float, points: int) -> Buckets:
        """Raises KeyError for a channel that is not there."""
        self.sort_in()
        with self._lock:
            return self._tracks[name].between(from_s, to_s, points)


class Track:
    """One channel."""

    def __init__(self) -> None:
        self._levels = [_Level(FINEST_S)]

    def add(self, t_s: float, value: float | None) -> None:
        """One slot, in any order; before the session's start there is none."""
        if t_s < 0:
            return
        while t_s >= BUCKETS * self._levels[-1].width_s and len(self._levels) < _LEVELS:
            self._levels.append(_Level.above(self._levels[-1]))
        for level in self._levels:
            level.add(math.floor(t_s / level.width_s), value)

    def between(self, from_s: float, to_s: float, points: int) -> Buckets:
        """From the finest level that has the start still, neighbours put together to at most ``points`` buckets."""
        from_s = max(0.0, from_s)
        level = next((level for level in self._levels if level.reaches(from_s)), self._levels[-1])
        return level.between(from_s, to_s, points)


class _Level:
    """Buckets of one width. Slot ``k % BUCKETS`` holds bucket k, the newest that fell there."""

    def __init__(self, width_s: float) -> None:
        self.width_s = width_s
        self._which = array("q", [-1]) * BUCKETS
        self._low = array("d", [math.inf]) * BUCKETS
        self._high = array("d", [-math.inf]) * BUCKETS
        self._total = array("d", [0.0]) * BUCKETS
        self._n = array("q", [0]) * BUCKETS
        self._missing = array("q", [0]) * BUCKETS
        self._newest = -1

    @classmethod
    def above(cls, finer: _Level) -> _Level:
        """Twice as wide, with all that the finer one has; made before that loses anything."""
        level = cls(2 * finer.width_s)
        for slot, k in enumerate(finer._which):
            if k >= 0:
                at = level._slot(k // 2)
                level._low[at] = min(level._low[at], finer._low[slot])
                level._high[at] = max(level._high[at], finer._high[slot])
                level._total[at] += finer._total[slot]
                level._n[at] += finer._n[slot]
                level._missing[at] += finer._missing[slot]
        return level

    def _slot(self, k: int) -> int:
        """Where bucket k is, emptied if another was there; -1 where a newer one is."""
        slot = k % BUCKETS
        if self._which[slot] > k:
            return -1
        if self._which[slot] < k:
            self._which[slot] = k
            self._low[slot], self._high[slot], self._total[slot] = math.inf, -math.inf, 0.0
            self._n[slot] = self._missing[slot] = 0
            self._newest = max(self._newest, k)
        return slot

    def add(self, k: int, value: float | None) -> None:
        slot = self._slot(k)
        if slot < 0:
            return
        if value is None:
            self._missing[slot] += 1
            return
        self._low[slot] = min(self._low[slot], value)
        self._high[slot] = max(self._high[slot], value)
        self._total[slot] += value
        self._n[slot] += 1

    def reaches(self, from_s: float) -> bool:
        """Whether nothing after that is lost."""
        return math.floor(from_s / self.width_s) > self._newest - BUCKETS

    def between(self, from_s: float, to_s: float, points: int) -> Buckets:
        first = max(math.floor(from_s / self.width_s), self._newest - BUCKETS + 1)
        stop = min(math.ceil(to_s / self.width_s), self._newest + 1)
        at_once = max(1, -(-(stop - first) // points))
        found = Buckets(at_once * self.width_s, [], [], [], [], [], [])
        for k in range(first, stop, at_once):
            slots = [j % BUCKETS for j in range(k, min(k + at_once, stop)) if self._which[j % BUCKETS] == j]
            n = sum(self._n[slot] for slot in slots)
            missing = sum(self._missing[slot] for slot in slots)
            if n + missing:
                found.t_s.append((k + at_once / 2) * self.width_s)
                found.low.append(min(self._low[slot] for slot in slots) if n else None)
                found.mean.append(math.fsum(self._total[slot] for slot in slots) / n if n else None)
                found.high.append(max(self._high[slot] for slot in slots) if n else None)
                found.n.append(n)
                found.missing.append(missing)
        return found
