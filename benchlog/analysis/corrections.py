"""Raw readings to SI values: unit, scale, offset; and which of them analysis may use."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

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

    Shapes (n,): ``t_s`` session time, increasing; ``value`` NaN where not good; ``state`` as in ``RawSeries``.
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
        i, j = np.searchsorted(self.t_s, from_s - 1e-6, "left"), np.searchsorted(self.t_s, to_s + 1e-6, "right")
        return replace(self, t_s=self.t_s[i:j], value=self.value[i:j], state=self.state[i:j])

    def good(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(t_s, value) of the good readings alone."""
        kept = self.state == GOOD
        return self.t_s[kept], self.value[kept]

    def over_range(self) -> int:
        """How many readings were beyond the instrument's range."""
        return int(np.count_nonzero(self.state == OVER_RANGE))


def correct(channel: Channel, raw: RawSeries, suspect_ns: Iterable[tuple[int, int]] = ()) -> Corrected:
    """SI values of one channel.

    Args:
        suspect_ns: spans, ends included, whose readings may answer another question: they become invalid.
    """
    state = raw.state
    for from_ns, to_ns in suspect_ns:
        doubtful = (raw.t_ns >= from_ns) & (raw.t_ns <= to_ns) & ((state == GOOD) | (state == OVER_RANGE))
        state = np.where(doubtful, np.uint8(INVALID), state)
    with np.errstate(over="ignore"):  # an absurd number of dBm; made invalid below
        value = _si(raw.value, channel.unit) * channel.scale + channel.offset_si
    # A value that is good and yet no finite number would poison every mean it enters.
    state = np.where((state == GOOD) & ~np.isfinite(value), np.uint8(INVALID), state)
    value = np.where(state == GOOD, value, np.nan)
    return Corrected(channel.name, channel.measures, SI_UNIT[channel.dimension], raw.t_ns / 1e9, value, state)


def correct_all(bench: Bench, raw: Mapping[str, RawSeries], events: Iterable[Event] = ()) -> dict[str, Corrected]:
    """All channels of the bench that have readings, by name, in the bench file's order."""
    spans: dict[str, list[tuple[int, int]]] = {}
    for event in events:
        if event.kind == "suspect" and "from_ns" in event.data and "to_ns" in event.data:
            spans.setdefault(event.instrument, []).append((int(event.data["from_ns"]), int(event.data["to_ns"])))
    return {
        channel.name: correct(channel, raw[channel.name], spans.get(instrument.name, ()))
        for instrument, channel in bench.channels()
        if channel.name in raw
    }


def _si(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    try:
        factor, offset = linear(unit)
    except ValueError:  # dBm, dBW
        return to_si(0.0, unit) * 10 ** (values / 10)
    return values * factor + offset
