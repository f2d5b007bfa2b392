"""When the key was down, and on which band (design section 6).

``Detector`` is the one definition of a key-down by power: fed sample by sample while a session runs, and run over
whole arrays by ``power_spans`` afterwards. Where the session has key-line events, these say it instead.

Missing samples neither start nor end anything by themselves; a stretch of more than ``gap_s`` without a usable
sample ends a key-down at the last sample before it, so that two key-downs are never bridged by silence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.corrections import OVER_RANGE, Corrected
from benchlog.analysis.droop import DroopFit
from benchlog.analysis.fits import median
from benchlog.analysis.turns import Turn
from benchlog.analysis.uncertainty import WindowMean
from benchlog.emission import Meter
from benchlog.model import Event, Measure, SessionKind
from benchlog.plan import WINDOW_END_S, Band, Plan

ON, OFF = 0.10, 0.05  # of the band's min_power
AGREE_S = 0.3
WITHIN = 0.01  # of the band's expected frequency
_TICK_S = 1e-6  # slack for comparing differences of session times held in floats


@dataclass(frozen=True, slots=True)
class Edge:
    """The key went down or up, at the first sample of the agreeing run; or up at the last, where readings ceased."""

    t_s: float
    down: bool


@dataclass(frozen=True, slots=True)
class Span:
    """[start_s, stop_s); the stop may be only where readings, or the session, ceased."""

    start_s: float
    stop_s: float


@dataclass(frozen=True, slots=True)
class KeyDown:
    """One key-down and what was measured in its window."""

    start_s: float
    stop_s: float
    band: str | None  # None: its frequency is within 1 % of no band of the plan, or unknown
    counts: bool  # False: tuning, or too short for a window; shown, but in no result
    window: tuple[float, float] | None
    means: Mapping[Measure, WindowMean] = field(default_factory=dict)  # over the window, of every channel that measures
    droop: DroopFit | None = None
    turns: Mapping[Measure, Turn] = field(default_factory=dict)  # peak of the grid current, dip of the plate current

    @property
    def lasted_s(self) -> float:
        """From key-down to key-up."""
        return self.stop_s - self.start_s

    @property
    def power_w(self) -> float | None:
        """Mean forward power over the window."""
        return self._mean("forward-power")

    @property
    def frequency_hz(self) -> float | None:
        """Mean frequency over the window."""
        return self._mean("frequency")

    def _mean(self, measure: Measure) -> float | None:
        found = self.means.get(measure)
        return found.mean if found is not None and found.n else None


class Detector:
    """Key-downs out of forward power, one sample at a time.

    Down once power has stayed above ``on_w`` for ``AGREE_S``, up once it has stayed below ``off_w`` as long. Both
    thresholds may be changed at any time, as when the band becomes known. Over-range power is fed as ``inf``,
    a missing sample as NaN.
    """

    def __init__(self, on_w: float, off_w: float, gap_s: float = 1.0) -> None:
        self.on_w, self.off_w, self.gap_s = on_w, off_w, gap_s
        self.down = False
        self._run_start_s: float | None = None  # first sample of the run that speaks for a change
        self._last_s: float | None = None  # last usable sample

    def feed(self, t_s: float, power_w: float) -> Edge | None:
        """One sample, in order of time. Returns the edge that it completes, stamped where its run began."""
        last_s = self._last_s
        cut = None
        if last_s is not None and t_s - last_s > self.gap_s + _TICK_S:
            self._run_start_s = self._last_s = None
            if self.down:
                self.down = False
                cut = Edge(last_s, down=False)
        if power_w != power_w:  # NaN
            return cut
        self._last_s = t_s
        changing = power_w < self.off_w if self.down else power_w > self.on_w
        if not changing:
            self._run_start_s = None
            return cut
        if self._run_start_s is None:
            self._run_start_s = t_s
        if cut is not None or t_s - self._run_start_s < AGREE_S - _TICK_S:
            return cut
        edge = Edge(self._run_start_s, down=not self.down)
        self.down = edge.down
        self._run_start_s = None
        return edge

    def finish(self) -> Edge | None:
        """No more samples: a key still down is taken to go up with the last of them."""
        if not self.down or self._last_s is None:
            return None
        self.down, self._run_start_s = False, None
        return Edge(self._last_s, down=False)


def power_spans(
    t_s: NDArray[np.float64], power_w: NDArray[np.float64], on_w: float, off_w: float, gap_s: float = 1.0
) -> list[Span]:
    """Key-downs of (n,) samples in order of time; NaN where missing, inf where over range."""
    usable = ~np.isnan(power_w)
    t_s, power_w = t_s[usable], power_w[usable]
    silent = np.flatnonzero(np.diff(t_s) > gap_s + _TICK_S) + 1
    spans: list[Span] = []
    start_s = 0.0
    for i, j in pairwise([0, *silent.tolist(), len(t_s)]):
        detector = Detector(on_w, off_w, gap_s=math.inf)  # there is no gap from i to j
        telling = i + _telling(t_s[i:j], power_w[i:j], on_w, off_w)
        edges = [*map(detector.feed, t_s[telling].tolist(), power_w[telling].tolist()), detector.finish()]
        for edge in edges:
            if edge is not None and edge.down:
                start_s = edge.t_s
            elif edge is not None:
                spans.append(Span(start_s, edge.t_s))
    return spans


def _telling(t_s: NDArray[np.float64], power_w: NDArray[np.float64], on_w: float, off_w: float) -> NDArray[np.intp]:
    """Which of (n,) usable samples, no gap among them, a detector must be fed: it makes no difference of the others.

    Of each run of samples on the same side of both thresholds: the first, those about where it has lasted long enough
    to agree, and the last.
    """
    side = (power_w > on_w) + 2 * (power_w < off_w).astype(np.int8)
    first = np.concatenate([[0], np.flatnonzero(np.diff(side)) + 1])[: len(side)]
    last = np.append(first[1:], len(side))[: len(first)] - 1
    agreed = np.searchsorted(t_s, t_s[first] + AGREE_S - _TICK_S)
    about = [np.clip(agreed + by, first, last) for by in (-1, 0, 1)]  # rounding may make it the one before or after
    return np.unique(np.concatenate([first, last, *about]))


def find_spans(
    power: Corrected, frequency: Corrected | None, plan: Plan, gap_s: float = 1.0, meter: Meter = "mean"
) -> list[Span]:
    """Key-downs by forward power, in two passes.

    The first looks with the weakest band's thresholds, which finds every key-down and, on a stronger band, more
    than it should of what leaks through; the second looks at each again with its own band's.
    """
    watts = detection_power(power)
    rough = power_spans(power.t_s, watts, *thresholds(plan, meter=meter), gap_s)
    edges = [*np.searchsorted(power.t_s, [span.start_s for span in rough]), len(watts)]
    spans: list[Span] = []
    for span, (i, j) in zip(rough, pairwise(edges), strict=True):
        own = thresholds(plan, band_of(span, frequency, plan), meter)
        # Up to the next key-down, so that the samples which agree on this one's end are in.
        spans += (
            [span] if own == thresholds(plan, meter=meter) else power_spans(power.t_s[i:j], watts[i:j], *own, gap_s)
        )
    return spans


def detection_power(series: Corrected) -> NDArray[np.float64]:
    """Forward power as the detector wants it: over range is above any threshold."""
    return np.where(series.state == OVER_RANGE, np.inf, series.value)


def gap_limit_s(t_s: NDArray[np.float64], every_s: float) -> float:
    """How long readings may be away before it counts: 1 s, or 3 periods of a slower channel.

    The period is the bench file's, or that of the readings, (n,) times, where they were taken more slowly (an import).
    """
    steps, short_s = np.diff(t_s), max(every_s, 1 / 3)
    if 2 * np.count_nonzero(steps <= short_s) > len(steps):  # then so is their median, which takes far longer
        return max(1.0, 3 * every_s)
    own_s = median(steps) if len(t_s) > 2 else 0.0
    return max(1.0, 3 * max(every_s, own_s))


def band_at(frequency_hz: float, plan: Plan) -> Band | None:
    """The band whose expected frequency is nearest, if within 1 % of it."""
    nearest = min(plan.bands, key=lambda band: abs(frequency_hz - band.expected_hz))
    return nearest if abs(frequency_hz - nearest.expected_hz) <= WITHIN * nearest.expected_hz else None


def band_of(span: Span, frequency: Corrected | None, plan: Plan) -> Band | None:
    """The band of one key-down, by the median of its frequency readings: those in its window, if there are any."""
    if frequency is None:
        return None
    for from_s, to_s in (window_of(span, plan) or (math.inf, -math.inf), (span.start_s, span.stop_s)):
        _, hz = frequency.between(from_s, to_s).good()
        if len(hz):
            return band_at(median(hz), plan)
    return None


def thresholds(plan: Plan, band: Band | None = None, meter: Meter = "mean") -> tuple[float, float]:
    """(on_w, off_w) of a band as the meter shows them; of the weakest one while the band is unknown."""
    watts = band.shown_power(meter) if band else min(other.shown_power(meter) for other in plan.bands)
    return ON * watts, OFF * watts


def window_of(span: Span | KeyDown, plan: Plan) -> tuple[float, float] | None:
    """From settle after key-down to 0.5 s before key-up; None where nothing is left between."""
    start_s, stop_s = span.start_s + plan.sweep.settle, span.stop_s - WINDOW_END_S
    return (start_s, stop_s) if start_s < stop_s else None


def counts(lasted_s: float, window: tuple[float, float] | None, kind: SessionKind, plan: Plan) -> bool:
    """Whether a key-down enters the results: in a sweep, one shorter than half the planned time is tuning."""
    if window is None:
        return False
    return kind != "sweep" or lasted_s >= plan.sweep.key_down / 2 - _TICK_S


def key_line_spans(events: Sequence[Event], end_s: float) -> list[Span] | None:
    """Key-downs by the key line's own events, in order of time; None where there are none and power must tell."""
    edges = [event for event in events if event.kind == "key" and "down" in event.data]
    if not edges:
        return None
    spans: list[Span] = []
    start_s: float | None = None
    for event in edges:
        if event.data["down"]:
            start_s = event.t_ns / 1e9 if start_s is None else start_s
        elif start_s is not None:
            spans.append(Span(start_s, event.t_ns / 1e9))
            start_s = None
    if start_s is not None and start_s < end_s:
        spans.append(Span(start_s, end_s))
    return spans
