"""Raw readings to SI values: unit, scale, offset, correction; and which of them analysis may use.

value(t) = (SI(raw) x scale + offset) x factor. The factor of a correction table is that at the good frequency reading
nearest in time; of a counter, what its time base is off by. Beyond a table's ends these hold: bench and plan have been
looked at together for bands out there (``bench.beyond_tables``), and nothing else counts. Without any frequency
reading the table's largest factor stands, as it does for the limits while a session runs; no band can be told then.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.bench import Bench, Channel
from benchlog.model import Event, Measure, State
from benchlog.quantities import SI_UNIT, linear, to_si
from benchlog.series import STATES, RawSeries

GOOD, OVER_RANGE, INVALID, MISSED = (
    STATES.index(state) for state in (State.GOOD, State.OVER_RANGE, State.INVALID, State.MISSED)
)


@dataclass(frozen=True, slots=True)
class Corrected:
    """One channel in SI, with the bench file's scale and offset applied.

    Shapes (n,): ``t_s`` session time, increasing; ``value`` NaN where not good; ``state`` as in ``RawSeries``. Not
    to be written to: what needs no correction is the raw readings' own.
    """

    channel: str
    measures: Measure | None
    unit: str  # SI
    t_s: NDArray[np.float64]
    value: NDArray[np.float64]
    state: NDArray[np.uint8]

    def between(self, from_s: float, to_s: float) -> Corrected:
        """The slots with from_s <= t <= to_s, without copying them.

        A window's ends often fall on readings, give or take a rounding: a microsecond of slack takes them in always.
        """
        i, j = self.t_s.searchsorted(from_s - 1e-6, "left"), self.t_s.searchsorted(to_s + 1e-6, "right")
        return Corrected(self.channel, self.measures, self.unit, self.t_s[i:j], self.value[i:j], self.state[i:j])

    def good(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(t_s, value) of the good readings alone; not to be written to, for where all are good they are no copy."""
        kept = self.state == GOOD
        if kept.all():
            return self.t_s, self.value
        return self.t_s[kept], self.value[kept]

    def over_range(self) -> int:
        """How many readings were beyond the instrument's range."""
        return int(np.count_nonzero(self.state == OVER_RANGE))


def correct(
    channel: Channel,
    raw: RawSeries,
    suspect_ns: Iterable[tuple[int, int]] = (),
    frequency: Corrected | None = None,
) -> Corrected:
    """SI values of one channel.

    Args:
        frequency: the corrected channel that measures it, for the factor of a table.
        suspect_ns: spans, ends included, whose readings may answer another question: they become invalid.
    """
    state, t_s = raw.state, raw.t_ns / 1e9
    for from_ns, to_ns in suspect_ns:
        doubtful = (raw.t_ns >= from_ns) & (raw.t_ns <= to_ns) & ((state == GOOD) | (state == OVER_RANGE))
        state = np.where(doubtful, np.uint8(INVALID), state)
    with np.errstate(over="ignore"):  # an absurd number of dBm; made invalid below
        value = _linear(_si(raw.value, channel.unit), channel.scale, channel.offset_si)
        value = _linear(value, _factor(channel, t_s, frequency))
    # A value that is good and yet no finite number would poison every mean it enters.
    if not (finite := np.isfinite(value)).all():
        state = np.where((state == GOOD) & ~finite, np.uint8(INVALID), state)
    if state.any():
        value = np.where(state == GOOD, value, np.nan)
    return Corrected(channel.name, channel.measures, SI_UNIT[channel.dimension], t_s, value, state)


def suspect_spans(events: Iterable[Event]) -> dict[str, list[tuple[int, int]]]:
    """By instrument, the session times in ns from and to which its readings may answer another question."""
    spans: dict[str, list[tuple[int, int]]] = {}
    for event in events:
        if event.kind == "suspect" and "from_ns" in event.data and "to_ns" in event.data:
            spans.setdefault(event.instrument, []).append((int(event.data["from_ns"]), int(event.data["to_ns"])))
    return spans


class Corrector:
    """The channels of a session, corrected one after the other: their raw readings need never be in memory together.

    The channel that measures frequency must come first where ``needs_frequency``.
    """

    def __init__(self, bench: Bench, events: Iterable[Event] = ()) -> None:
        self._of = {channel.name: (instrument, channel) for instrument, channel in bench.channels()}
        self.needs_frequency = any(channel.table is not None for _, channel in self._of.values())
        self._frequency: Corrected | None = None
        self._suspect_ns = suspect_spans(events)

    def __call__(self, raw: RawSeries) -> Corrected:
        """SI values of a channel of the bench."""
        instrument, channel = self._of[raw.channel]
        suspect_ns = self._suspect_ns.get(instrument.name, ())
        if channel.measures != "frequency":
            return correct(channel, raw, suspect_ns, self._frequency)
        self._frequency = correct(channel, raw, suspect_ns)
        return self._frequency


def correct_all(bench: Bench, raw: Mapping[str, RawSeries], events: Iterable[Event] = ()) -> dict[str, Corrected]:
    """All channels of the bench that have readings, by name, in the bench file's order."""
    corrected = Corrector(bench, events)
    there = [channel for _, channel in bench.channels() if channel.name in raw]
    found = {
        channel.name: corrected(raw[channel.name])
        for channel in sorted(there, key=lambda one: one.measures != "frequency")
    }
    return {channel.name: found[channel.name] for channel in there}


def nearest(t_s: NDArray[np.float64], at_s: NDArray[np.float64]) -> NDArray[np.intp]:
    """(m,) index of that of (n,) increasing times, n at least 1, which is nearest to each of (m,)."""
    if len(t_s) == 1:
        return np.zeros(len(at_s), dtype=np.intp)
    after = np.clip(np.searchsorted(t_s, at_s), 1, len(t_s) - 1)
    return np.where(at_s - t_s[after - 1] <= t_s[after] - at_s, after - 1, after)


def _factor(channel: Channel, t_s: NDArray[np.float64], frequency: Corrected | None) -> NDArray[np.float64] | float:
    """At each of (n,) times."""
    at_s, hz = frequency.good() if frequency is not None and channel.table is not None else (t_s[:0], t_s[:0])
    if channel.table is None or not len(hz):
        return channel.factor(None)
    return channel.table.at(hz[nearest(at_s, t_s)])


def _si(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    try:
        factor, offset = linear(unit)
    except ValueError:  # dBm, dBW
        return to_si(0.0, unit) * 10 ** (values / 10)
    return _linear(values, factor, offset)


def _linear(
    values: NDArray[np.float64], factor: NDArray[np.float64] | float, offset: float = 0.0
) -> NDArray[np.float64]:
    """(n,) values times a factor plus an offset; the values themselves, not copied, where that changes nothing."""
    if isinstance(factor, np.ndarray) or factor != 1:
        values = values * factor
    return values + offset if offset else values
