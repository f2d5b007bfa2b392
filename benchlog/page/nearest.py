"""Which of the bench file's limits is nearest to being crossed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from benchlog.bench import Bench
from benchlog.keying.limits import ONLY_KEYED, swr, swr_from_w
from benchlog.model import Measure
from benchlog.quantities import SI_UNIT
from benchlog.runs.happenings import Latest, Tick

_BEYOND = 10.0  # so far beyond its limit that more says nothing


@dataclass(frozen=True, slots=True)
class Near:
    """One limit: 0 is as far away as can be, 1 at the limit."""

    limit: str  # as the bench file names it; load-heat for the load's budget
    channel: str | None
    value: float
    bound: float
    unit: str
    used: float

    def as_json(self) -> dict[str, Any]:
        """For the page."""
        return {
            "limit": self.limit,
            "channel": self.channel,
            "value": self.value,
            "bound": self.bound,
            "unit": self.unit,
            "used": round(self.used, 4),
        }


def nearest_limit(bench: Bench, tick: Tick) -> dict[str, Any] | None:
    """The one with most of it used; None where nothing is limited, or nothing can be told now."""
    near = max(_all(bench, tick), key=lambda one: one.used, default=None)
    return None if near is None else near.as_json()


def _all(bench: Bench, tick: Tick) -> Iterator[Near]:
    by_measure: dict[Measure, Latest] = {}
    for latest in tick.latest.values():
        if latest.channel.measures is not None:
            by_measure[latest.channel.measures] = latest
    keyed = tick.down_since_s is not None
    for measure, one in by_measure.items():
        if one.value is not None and math.isfinite(one.value):
            yield from _of_channel(bench, measure, one, one.value, keyed=keyed)
    if tick.down_since_s is not None and bench.limits.key_down:
        lasts_s = max(0.0, tick.t_s - tick.down_since_s)
        yield Near("key_down", None, lasts_s, bench.limits.key_down, "s", lasts_s / bench.limits.key_down)
    if tick.heat is not None:
        yield Near("load-heat", None, tick.heat, 1.0, "", tick.heat)
    yield from _worked_out(bench, by_measure)


def _of_channel(bench: Bench, measure: Measure, one: Latest, value: float, *, keyed: bool) -> Iterator[Near]:
    bounds = bench.limits.of(measure)
    if bounds is None:
        return
    low, high = bounds
    if low is not None and not keyed and measure in ONLY_KEYED:
        low = None
    unit = SI_UNIT[one.channel.dimension]
    middle = (low + high) / 2 if low is not None and high is not None else None
    if high is not None:
        yield Near(measure, one.channel.name, value, high, unit, _used(value, high, middle))
    if low is not None:
        yield Near(
            measure, one.channel.name, value, low, unit, _used(-value, -low, None if middle is None else -middle)
        )


def _used(value: float, bound: float, middle: float | None) -> float:
    """How much of an upper bound a value uses up: from the middle between two ends, or else from zero."""
    if middle is not None:
        return max(0.0, (value - middle) / (bound - middle))
    if bound > 0:
        return max(0.0, value / bound)
    return min(bound / value, _BEYOND) if value < 0 else _BEYOND


def _worked_out(bench: Bench, by_measure: dict[Measure, Latest]) -> Iterator[Near]:
    def value(measure: Measure) -> float | None:
        one = by_measure.get(measure)
        return one.value if one is not None and one.value is not None and math.isfinite(one.value) else None

    forward_w = value("forward-power")
    power = by_measure.get("forward-power")
    if forward_w is None or power is None:
        return
    reflected_w = value("reflected-power")
    least_w = swr_from_w(power.channel)
    if bench.limits.swr and reflected_w is not None and max(forward_w, reflected_w) > least_w:
        ratio = swr(forward_w, reflected_w)
        if math.isfinite(ratio):
            yield Near("swr", None, ratio, bench.limits.swr, "", (ratio - 1) / (bench.limits.swr - 1))
    volts, amperes = value("plate-voltage"), value("plate-current")
    if bench.limits.plate_dissipation and volts is not None and amperes is not None:
        left_w = max(0.0, volts * amperes - forward_w)
        bound_w = bench.limits.plate_dissipation
        yield Near("plate-dissipation", None, left_w, bound_w, "W", left_w / bound_w)
