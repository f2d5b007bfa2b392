"""A whole session: readings, bench file and plan file to the record (design section 6)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.analysis import findings, troubles
from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.bands import band_result
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.diagnosis import diagnosed
from benchlog.analysis.dial import dial_split
from benchlog.analysis.instruments import instrument_states
from benchlog.analysis.keydowns import KeyDown, Span, find_spans, gap_limit_s, key_line_spans
from benchlog.analysis.measure import measure_key_down, measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.passes import band_errors
from benchlog.analysis.results import BandResult, Dial, Finding, Record, SessionFacts
from benchlog.analysis.steps import step_findings, steps_of
from benchlog.analysis.tuning import tuned
from benchlog.bench import Bench
from benchlog.model import Event, SessionKind
from benchlog.plan import Plan
from benchlog.series import STATES


@dataclass(frozen=True, slots=True)
class Analysis:
    """The record, and what figures are drawn from."""

    record: Record
    key_downs: tuple[KeyDown, ...]  # in order of time, tuning included
    series: Mapping[str, Corrected]


def analyse(
    session: SessionFacts, bench: Bench, plan: Plan, series: Mapping[str, Corrected], events: Sequence[Event] = ()
) -> Analysis:
    """The record of a session. The same arguments give the same record, whenever and in whatever order events come.

    Args:
        series: the channels in SI, in the bench file's order (``corrections``, which makes readings inside the spans
            of "suspect" events invalid).
    In a sweep every band of the plan has its result, in a soak those it is about, heard or not; beyond that those that
    were heard.
    """
    events = sorted(events, key=lambda event: event.t_ns)
    key_downs = tuple(
        measure_key_down(span, series, bench, plan, session.kind) for span in _spans(bench, plan, series, events)
    )
    counted = {band.name: [k for k in key_downs if k.counts and k.band == band.name] for band in plan.bands}
    asked = _asked(session.kind, plan)
    heard = {band.name: OnBand(band, tuple(counted[band.name]), series, bench) for band in plan.bands}
    steps = steps_of(heard)
    bands = tuple(
        replace(band_result(one, jumped=bool(steps[name])), tuning=tuned(one, key_downs, session.kind, plan))
        for name, one in heard.items()
        if name in asked or one.key_downs
    )
    dial = _dial(heard, bench)
    told = _findings(bench, series, key_downs, events, bands, dial)
    jumps = step_findings(steps, session.started_ns)
    found = (*findings.failed(bands), *diagnosed(heard, bands), *jumps, *told)
    instruments = instrument_states(bench, events, session.started_ns)
    return Analysis(Record(session, bands, dial, found, _counts(series), instruments), key_downs, series)


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
    return find_spans(power, measuring(series, "frequency"), plan, gap_limit_s(power.t_s, channel.every), channel.power)


def _dial(heard: Mapping[str, OnBand], bench: Bench) -> Dial | None:
    return dial_split(band_errors(heard), Accuracy.measuring(bench, "frequency"))


def _findings(
    bench: Bench,
    series: Mapping[str, Corrected],
    key_downs: Sequence[KeyDown],
    events: Sequence[Event],
    bands: Sequence[BandResult],
    dial: Dial | None,
) -> Iterator[Finding]:
    yield from findings.dial_findings(dial, bands)
    yield from findings.unassigned(bench, key_downs)
    yield from troubles.stops(events)
    yield from findings.crossed_limits(bench, series)
    yield from findings.long_key_downs(bench, key_downs)
    yield from troubles.wrong_instruments(bench, events)
    yield from troubles.gaps(bench, series, key_downs, events)
    yield from troubles.over_range(series, key_downs)
    yield from troubles.stuck(bench, series, key_downs)


def _counts(series: Mapping[str, Corrected]) -> dict[str, int]:
    total = np.zeros(len(STATES), dtype=int)
    for one in series.values():
        total += np.bincount(one.state, minlength=len(STATES))
    return {state.value.replace("-", "_"): int(count) for state, count in zip(STATES, total, strict=True)}
