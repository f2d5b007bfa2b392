"""A whole session: readings, bench file and plan file to the record (design section 6)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis import findings, troubles
from benchlog.analysis.corrections import Corrected, correct_all
from benchlog.analysis.frequency import BandError, dial_split, drift, settled_after_s
from benchlog.analysis.keydowns import KeyDown, Span, find_spans, gap_limit_s, key_line_spans
from benchlog.analysis.measure import measure_key_down, measuring
from benchlog.analysis.results import BandResult, Dial, Finding, Record, Result, SessionFacts
from benchlog.analysis.uncertainty import Accuracy, WindowMean, combine, pool
from benchlog.analysis.verdicts import Sense, result
from benchlog.bench import Bench
from benchlog.model import Event, Measure, Measured, SessionKind
from benchlog.plan import Band, Plan
from benchlog.series import STATES, RawSeries

__all__ = ["Analysis", "analyse", "measure_key_down"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Analysis:
    """The record, and what figures are drawn from."""

    record: Record
    key_downs: tuple[KeyDown, ...]  # in order of time, tuning included
    series: Mapping[str, Corrected]


def analyse(
    session: SessionFacts, bench: Bench, plan: Plan, raw: Mapping[str, RawSeries], events: Sequence[Event] = ()
) -> Analysis:
    """The record of a session. The same arguments give the same record, whenever and in whatever order they come.

    Readings inside "suspect" events' spans count, and are counted, as invalid. In a sweep every band of the plan has
    its result, in a soak those it is about, heard or not; beyond that those that were heard.
    """
    events = sorted(events, key=lambda event: event.t_ns)
    series = correct_all(bench, raw, events)
    key_downs = tuple(
        measure_key_down(span.start_s, span.stop_s, series, bench, plan, session.kind)
        for span in _spans(bench, plan, series, events)
    )
    counted = {band.name: [k for k in key_downs if k.counts and k.band == band.name] for band in plan.bands}
    asked = _asked(session.kind, plan)
    bands = tuple(
        _band_result(band, counted[band.name], bench, series)
        for band in plan.bands
        if band.name in asked or counted[band.name]
    )
    dial = _dial(plan, counted, bench)
    found = tuple(_findings(bench, series, key_downs, events, bands, dial))
    return Analysis(Record(session, bands, dial, found, _counts(series)), key_downs, series)


def _asked(kind: SessionKind, plan: Plan) -> set[str]:
    """The bands a session owes a result, heard or not."""
    if kind == "sweep":
        return {band.name for band in plan.bands}
    return set(plan.soak.bands) if kind == "soak" and plan.soak else set()


def _spans(bench: Bench, plan: Plan, series: Mapping[str, Corrected], events: Sequence[Event]) -> list[Span]:
    ends = [float(one.t_s[-1]) for one in series.values() if len(one.t_s)]
    by_key_line = key_line_spans(events, max(ends, default=0.0))
    if by_key_line is not None:
        return by_key_line
    power, channel = measuring(series, "forward-power"), bench.measuring("forward-power")
    if power is None or channel is None:
        return []
    return find_spans(power, measuring(series, "frequency"), plan, gap_limit_s(power.t_s, channel.every))


def _band_result(band: Band, key_downs: Sequence[KeyDown], bench: Bench, series: Mapping[str, Corrected]) -> BandResult:
    power = [k.power for k in key_downs if k.power is not None]
    frequency = [k.frequency for k in key_downs if k.frequency is not None]
    tolerance_hz = band.max_frequency_error.at(band.expected_hz) if band.max_frequency_error else None
    tolerance_ppm = None if tolerance_hz is None else tolerance_hz / band.expected_hz * 1e6
    error = _frequency_error(band, frequency, bench)
    ppm = error and Measured(error.value / band.expected_hz * 1e6, error.u / band.expected_hz * 1e6, error.dof)
    hz_in_doubt, watts_in_doubt = _lacking(frequency), _lacking(power)
    t_s, hz = _in_windows(series, "frequency", key_downs)
    longest_s = max((k.window[1] - k.window[0] for k in key_downs if k.window), default=0.0)
    slope = drift(t_s, hz, longest_s if len(key_downs) > 1 else 0.0, _accuracy(bench, "frequency"))
    return BandResult(
        band=band.name,
        expected_hz=band.expected_hz,
        key_downs=len(key_downs),
        power_w=result(_power(power, bench), band.min_power, Sense.AT_LEAST, in_doubt=watts_in_doubt),
        droop_percent=_worst_droop(band, key_downs, in_doubt=watts_in_doubt),
        frequency_error_hz=result(error, _tidy(tolerance_hz), Sense.WITHIN, in_doubt=hz_in_doubt),
        frequency_error_ppm=result(ppm, _tidy(tolerance_ppm), Sense.WITHIN, in_doubt=hz_in_doubt),
        drift_hz_per_h=result(slope, _tidy(band.max_drift, 3600), Sense.WITHIN, in_doubt=hz_in_doubt),
        settled_after_s=settled_after_s(t_s, hz, tolerance_hz),
    )


def _power(windows: Sequence[WindowMean], bench: Bench) -> Measured | None:
    mean = pool(windows)
    if mean is None:
        return None
    return combine(mean.value, [(mean.u, mean.dof), (_accuracy(bench, "forward-power").u(mean.value), math.inf)])


def _frequency_error(band: Band, windows: Sequence[WindowMean], bench: Bench) -> Measured | None:
    mean = pool(windows)
    if mean is None:
        return None
    u_counter = _accuracy(bench, "frequency").u(mean.value)
    return combine(mean.value - band.expected_hz, [(mean.u, mean.dof), (u_counter, math.inf)])


def _worst_droop(band: Band, key_downs: Sequence[KeyDown], *, in_doubt: bool) -> Result:
    """The worst key-down's droop; while one of them has none, the others meeting the limit proves nothing."""
    limit = _tidy(band.max_droop, 100)
    fits = [k.droop for k in key_downs if k.droop is not None]
    if not fits:
        return Result.missing(limit)
    worst = max(fits, key=lambda fit: fit.percent)
    found = result(Measured(worst.percent, worst.u, worst.dof), limit, Sense.AT_MOST, in_doubt=in_doubt)
    if len(fits) < len(key_downs) and found.verdict == "pass" and limit is not None:
        return replace(found, verdict="undecided")
    return found


def _lacking(windows: Sequence[WindowMean]) -> bool:
    """Whether some window holds what its mean does not: readings over range, or none at all."""
    return any(window.over_range or not window.n for window in windows)


def _in_windows(series: Mapping[str, Corrected], measure: Measure, key_downs: Sequence[KeyDown]) -> tuple[Array, Array]:
    one = measuring(series, measure)
    parts = [one.between(*k.window).good() for k in key_downs if k.window] if one else []
    if not parts:
        return np.empty(0), np.empty(0)
    return np.concatenate([t_s for t_s, _ in parts]), np.concatenate([values for _, values in parts])


def _dial(plan: Plan, counted: Mapping[str, Sequence[KeyDown]], bench: Bench) -> Dial | None:
    errors = {}
    for band in plan.bands:
        windows = [k.frequency for k in counted[band.name] if k.frequency is not None]
        if (mean := pool(windows)) is not None:
            tolerance_hz = band.max_frequency_error.at(band.expected_hz) if band.max_frequency_error else None
            error = Measured(mean.value - band.expected_hz, mean.u, mean.dof)
            errors[band.name] = BandError(error, band.expected_hz, tolerance_hz)
    return dial_split(errors, _accuracy(bench, "frequency"))


def _findings(
    bench: Bench,
    series: Mapping[str, Corrected],
    key_downs: Sequence[KeyDown],
    events: Sequence[Event],
    bands: Sequence[BandResult],
    dial: Dial | None,
) -> Iterator[Finding]:
    yield from findings.failed(bands)
    yield from findings.dial_findings(dial)
    yield from findings.unassigned(bench, key_downs)
    yield from troubles.stops(events)
    yield from findings.crossed_limits(bench, series)
    yield from findings.long_key_downs(bench, key_downs)
    yield from troubles.wrong_instruments(bench, events)
    yield from troubles.gaps(bench, series, key_downs, events)
    yield from troubles.over_range(series, key_downs)
    yield from troubles.stuck(series, key_downs)


def _counts(series: Mapping[str, Corrected]) -> dict[str, int]:
    total = np.zeros(len(STATES), dtype=int)
    for one in series.values():
        total += np.bincount(one.state, minlength=len(STATES))
    return {state.value.replace("-", "_"): int(count) for state, count in zip(STATES, total, strict=True)}


def _accuracy(bench: Bench, measure: Measure) -> Accuracy:
    channel = bench.measuring(measure)
    return Accuracy.of(channel) if channel else Accuracy()


def _tidy(limit: float | None, factor: float = 1.0) -> float | None:
    """A limit in the record's unit as the plan wrote it: 7 % is kept as 0.07, and 100 x 0.07 is not quite 7."""
    return None if limit is None else float(f"{limit * factor:.12g}")
