"""Series of stored sessions at a constant size, whatever their length.

A part of a session that has few rows is read as it is. A longer one is drawn from the sketches that were made when the
session ended (``store.sketch``). Where those will not do - an older benchlog ended the session, a correction is not the
same for all readings of a piece (a table, dBm), or the readings do not come evenly - it is read once, in parts that fit
into memory, into 65,536 buckets a channel, which are remembered: every further question is answered out of those.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.corrections import GOOD, Corrected, correct, suspect_spans
from benchlog.bench import Bench, Channel
from benchlog.errors import UsageError
from benchlog.model import Event
from benchlog.page.trend import Buckets
from benchlog.quantities import SI_UNIT, linear
from benchlog.runs.records import bench_of
from benchlog.series import RawSeries
from benchlog.store.reader import StoredChannel, StoredSession, StoreReader
from benchlog.store.sketch import PIECE, Pieces

FEW_ROWS = 30_000  # read at once: some tens of ms
MOST_RUNS = 20  # of pieces with doubtful readings among them, each read by itself
UNEVEN = 2.0  # a piece this many times as long as it should be
GAP = 8.0  # slots without a row, which no session has: a seal was lost
PART_ROWS = 1_000_000  # about 40 MB
FINE = 65_536
MOST_KEPT = 64  # channels; 3 MB each at most


class _Fine:
    """Buckets of one channel from ``from_s`` on. Shapes: (n,) each."""

    def __init__(self, from_s: float, width_s: float, n: int) -> None:
        self.from_s, self.width_s = from_s, width_s
        self.low, self.high = np.full(n, np.inf), np.full(n, -np.inf)
        self.total = np.zeros(n)
        self.n, self.missing = np.zeros(n, np.int64), np.zeros(n, np.int64)

    def add(self, found: Pieces) -> None:
        """More, in SI and in order of time among themselves; a piece counts where its middle lies."""
        at = np.floor(((found.from_s + found.to_s) / 2 - self.from_s) / self.width_s).astype(np.int64)
        inside = slice(*np.searchsorted(at, [0, len(self.n)]))
        at, found = at[inside], found.at(inside)
        starts = np.flatnonzero(np.diff(at, prepend=-1))
        if not len(starts):
            return
        into, some = at[starts], found.good > 0
        self.low[into] = np.minimum(self.low[into], np.minimum.reduceat(np.where(some, found.low, np.inf), starts))
        self.high[into] = np.maximum(self.high[into], np.maximum.reduceat(np.where(some, found.high, -np.inf), starts))
        self.total[into] += np.add.reduceat(np.where(some, found.mean * found.good, 0.0), starts)
        self.n[into] += np.add.reduceat(found.good, starts)
        self.missing[into] += np.add.reduceat(found.missing, starts)

    def between(self, from_s: float, to_s: float, points: int) -> Buckets:
        """Neighbours put together until there are at most ``points``."""
        first = min(max(0, math.floor((from_s - self.from_s) / self.width_s)), len(self.n))
        stop = min(max(first, math.ceil((to_s - self.from_s) / self.width_s)), len(self.n))
        at_once = max(1, -(-(stop - first) // points))
        starts = np.arange(first, stop, at_once)
        if not len(starts):
            return Buckets(self.width_s, [], [], [], [], [], [])
        part = slice(first, stop)
        n = np.add.reduceat(self.n[part], starts - first)
        missing = np.add.reduceat(self.missing[part], starts - first)
        low = np.minimum.reduceat(self.low[part], starts - first)
        high = np.maximum.reduceat(self.high[part], starts - first)
        total = np.add.reduceat(self.total[part], starts - first)
        width_s = self.width_s * at_once
        kept = np.flatnonzero(n + missing)
        some = n[kept] > 0

        def told(values: NDArray[np.float64]) -> list[float | None]:
            return [float(one) if any_ else None for one, any_ in zip(values[kept], some, strict=True)]

        return Buckets(
            bucket_s=width_s,
            t_s=(self.from_s + starts[kept] * self.width_s + width_s / 2).tolist(),
            low=told(low),
            mean=told(total / np.maximum(n, 1)),
            high=told(high),
            n=n[kept].tolist(),
            missing=missing[kept].tolist(),
        )


@dataclass(frozen=True, slots=True)
class _Source:
    """A channel as it is stored, and what the bench file and the session's events say of it."""

    stored: StoredChannel
    channel: Channel
    suspect: list[tuple[int, int]]


class StoredSeries:
    """By each session's newest revision, as its record is. Of one store; from any thread."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._kept: OrderedDict[tuple[int, str, int, str], _Fine] = OrderedDict()
        self._lock = threading.Lock()
        self._reading = threading.Lock()  # one long session is read at a time

    def buckets(
        self, session: StoredSession, name: str, from_s: float | None, to_s: float | None, points: int
    ) -> tuple[str, float, float, Buckets]:
        """(SI unit, from, to, what is there); None for the session's start and end.

        Raises: UsageError for a channel that is not there; StoreFailed, BadStore.
        """
        stored = next((channel for channel in session.channels if channel.name == name), None)
        if stored is None:
            known = ", ".join(channel.name for channel in session.channels)
            raise UsageError(f'no channel "{name}"', where=f"session {session.id}", cure=f"There are {known}.")
        reader = StoreReader(self._store)
        revision = reader.revisions(session.id)[-1] if session.revision is not None else None
        bench, events = bench_of(session, revision), reader.events(session.id, "suspect")
        source = _source(session, bench, name, events)
        # A table's factor is of the frequency at that moment.
        counter = bench.measuring("frequency") if source.channel.table is not None else None
        frequency = _source(session, bench, counter.name, events) if counter else None
        first_s, last_s = _ends(reader, stored)
        from_s = first_s if from_s is None else from_s
        to_s = last_s if to_s is None else to_s
        unit = SI_UNIT[source.channel.dimension]
        start_s, stop_s = max(from_s, first_s), min(to_s, last_s)
        if stop_s <= start_s:
            return unit, from_s, to_s, Buckets(0.0, [], [], [], [], [], [])
        few = (stop_s - start_s) / (stored.every_ns / 1e9) <= FEW_ROWS
        if few or session.digest is None:
            fine = _Fine(start_s, max((stop_s - start_s) / points, 1e-6), points)
            self._read(reader, source, frequency, fine, (start_s, stop_s), few=few)
        elif (drawn := _from_sketch(reader, session, source, (start_s, stop_s), points)) is not None:
            fine = drawn
        else:
            key = (session.id, session.digest, revision.number if revision else 0, name)
            fine = self._whole(reader, key, source, frequency, (first_s, last_s))
        return unit, from_s, to_s, fine.between(start_s, stop_s, points)

    def _whole(
        self,
        reader: StoreReader,
        key: tuple[int, str, int, str],
        source: _Source,
        frequency: _Source | None,
        ends_s: tuple[float, float],
    ) -> _Fine:
        with self._lock:
            if found := self._kept.get(key):
                self._kept.move_to_end(key)
                return found
        with self._reading:
            with self._lock:
                if found := self._kept.get(key):
                    return found
            fine = _Fine(ends_s[0], max((ends_s[1] - ends_s[0]) / FINE, 1e-6), FINE)
            self._read(reader, source, frequency, fine, ends_s)
        with self._lock:
            self._kept[key] = fine
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return fine

    def _read(
        self,
        reader: StoreReader,
        source: _Source,
        frequency: _Source | None,
        into: _Fine,
        span_s: tuple[float, float],
        *,
        few: bool = False,
    ) -> None:
        step_ns = max(source.stored.every_ns, 1_000) * PART_ROWS
        from_ns, to_ns = math.floor(span_s[0] * 1e9), math.ceil(span_s[1] * 1e9) + 1
        for start_ns in range(from_ns, to_ns, step_ns):
            span = (start_ns, min(start_ns + step_ns, to_ns))
            counted = None
            if frequency is not None:
                counted = _corrected(reader, frequency, reader.widened(frequency.stored, span), few=few)
            found = _corrected(reader, source, span, counted, few=few)
            into.add(_singly(found))


def _ends(reader: StoreReader, stored: StoredChannel) -> tuple[float, float]:
    """First and last reading's time; the last slot lies inside."""
    ends = reader.ends(stored)
    if ends is None:
        return 0.0, 0.0
    return ends[0] / 1e9, ends[1] / 1e9 + 1e-6


def _source(session: StoredSession, bench: Bench, name: str, events: list[Event]) -> _Source:
    stored = next(one for one in session.channels if one.name == name)
    instrument, channel = next((i, c) for i, c in bench.channels() if c.name == name)
    return _Source(stored, channel, suspect_spans(events).get(instrument.name, []))


def _from_sketch(
    reader: StoreReader, session: StoredSession, source: _Source, span_s: tuple[float, float], points: int
) -> _Fine | None:
    """None where the sketches are not there, or would not do."""
    channel, every_s = source.channel, source.stored.every_ns / 1e9
    if channel.table is not None or not _is_straight(channel):
        return None
    found = reader.sketch(session.id, source.stored, (math.floor(span_s[0] * 1e9), math.ceil(span_s[1] * 1e9)))
    if found is None:
        return None
    longest_s = float((found.to_s - found.from_s).max())
    between_s = np.append(found.from_s, span_s[1]) - np.append(span_s[0], found.to_s)
    if longest_s > UNEVEN * PIECE * every_s or between_s.max() > GAP * every_s:
        return None
    found, width_s = found.within(span_s), max((span_s[1] - span_s[0]) / points, longest_s, 1e-6)
    fine = _Fine(span_s[0], width_s, min(points, math.ceil((span_s[1] - span_s[0]) / width_s)))
    # What may answer another question is told apart reading by reading: those pieces are read as they are.
    slack_s, doubtful = every_s / 1e3, np.zeros(len(found.good), bool)
    for low_ns, high_ns in source.suspect:
        doubtful |= (found.to_s >= low_ns / 1e9 - slack_s) & (found.from_s <= high_ns / 1e9 + slack_s)
    edges = np.flatnonzero(np.diff(doubtful, prepend=False, append=False)).reshape(-1, 2)
    if len(edges) > MOST_RUNS or doubtful.sum() * PIECE > FEW_ROWS:
        return None
    for first, stop in edges.tolist():
        to_s = found.from_s[stop] - slack_s if stop < len(doubtful) else span_s[1]
        span = round((found.from_s[first] - slack_s) * 1e9), round(to_s * 1e9)
        part = _corrected(reader, source, span, few=True)
        fine.add(_singly(part))
    fine.add(_in_si(channel, found.at(~doubtful)))
    return fine


def _in_si(channel: Channel, found: Pieces) -> Pieces:
    """Of a channel without a table: as its readings are corrected, and as good as those then are."""

    def corrected(values: NDArray[np.float64]) -> NDArray[np.float64]:
        none = np.zeros(len(values), np.int64)
        return correct(channel, RawSeries(channel.name, none, values, none.astype(np.uint8), none)).value

    low, mean, high = (corrected(values) for values in (found.low, found.mean, found.high))
    good = np.where(np.isfinite(low) & np.isfinite(high), found.good, 0)
    missing = found.missing + found.good - good
    # A negative scale turns them round.
    return Pieces(found.from_s, found.to_s, np.minimum(low, high), mean, np.maximum(low, high), good, missing)


def _singly(found: Corrected) -> Pieces:
    """Readings, each a piece of its own."""
    good = (found.state == GOOD).astype(np.int64)
    return Pieces(found.t_s, found.t_s, found.value, found.value, found.value, good, 1 - good)


def _is_straight(channel: Channel) -> bool:
    """The mean of some readings in SI is what becomes of their mean."""
    try:
        linear(channel.unit)
    except ValueError:
        return False
    return True


def _corrected(
    reader: StoreReader,
    source: _Source,
    span: tuple[int, int],
    frequency: Corrected | None = None,
    *,
    few: bool = False,
) -> Corrected:
    rows = reader.few_rows(source.stored, span) if few else reader.rows((source.stored,), span)[0]
    states = {note: state for note, (state, _, _) in reader.notes().items()}  # read last: it names all that rows use
    return correct(source.channel, rows.series(source.stored.name, states), source.suspect, frequency)
