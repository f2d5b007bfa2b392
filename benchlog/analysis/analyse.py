"""A whole session: readings, bench file and plan file to the record (design section 6)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import chain
from typing import Any

import numpy as np

from benchlog.analysis import findings, troubles
from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.bands import FrequencyResults, PowerResults, frequency_results, power_results
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.diagnosis import diagnosed
from benchlog.analysis.dial import dial_split
from benchlog.analysis.instruments import instrument_states
from benchlog.analysis.keydowns import KeyDown, Span, find_spans, gap_limit_s, key_line_spans
from benchlog.analysis.measure import measure_key_down, measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.passes import band_errors
from benchlog.analysis.results import BandResult, Dial, Finding, Record, SessionFacts, Tuned
from benchlog.analysis.steps import Step, find_steps, hiss_of, step_findings
from benchlog.analysis.supply import voltage_noise
from benchlog.analysis.tuning import tuned
from benchlog.bench import Bench
from benchlog.cores import shared
from benchlog.model import Event, SessionKind
from benchlog.plan import Plan
from benchlog.series import STATES

LONG = 1_000_000  # readings; of fewer the record is as soon made on one core


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
    long = sum(len(one.t_s) for one in series.values()) > LONG

    def measured(span: Span) -> KeyDown:
        return measure_key_down(span, series, bench, plan, session.kind)

    key_downs = tuple(shared(measured, _spans(bench, plan, series, events), worth=long))
    counted = {band.name: [k for k in key_downs if k.counts and k.band == band.name] for band in plan.bands}
    asked = _asked(session.kind, plan)
    heard = {band.name: OnBand(band, tuple(counted[band.name]), series, bench) for band in plan.bands}
    named = [name for name, one in heard.items() if name in asked or one.key_downs]
    hiss = hiss_of(heard.values())

    def of_frequency(name: str) -> tuple[list[Step], FrequencyResults]:
        steps = find_steps(heard[name], hiss)
        return steps, frequency_results(heard[name], jumped=bool(steps))

    def of_power(name: str) -> tuple[PowerResults, tuple[Tuned, ...]]:
        return power_results(heard[name]), tuned(heard[name], key_downs, session.kind, plan)

    jobs: list[Callable[[], Any]] = [lambda: list(_told(bench, series, key_downs, events))]  # the longest first
    jobs += [partial(part, name) for part in (of_frequency, of_power) for name in named]
    told, *parts = shared(lambda job: job(), jobs, worth=long)
    moved = dict(zip(named, parts, strict=False))
    made = dict(zip(named, parts[len(named) :], strict=True))
    bands = tuple(
        BandResult(
            band=name,
            expected_hz=heard[name].band.expected_hz,
            key_downs=len(heard[name].key_downs),
            **made[name][0],
            **moved[name][1],
            tuning=made[name][1],
        )
        for name in named
    )
    noise = cache(lambda: voltage_noise(heard.values()))
    why = shared(lambda band: list(diagnosed(heard[band.band], band, noise)), bands, worth=long)
    dial = _dial(heard, bench)
    jumps = step_findings({name: moved[name][0] for name in named}, session.started_ns)
    found = (
        *findings.failed(bands),
        *chain.from_iterable(why),
        *jumps,
        *findings.dial_findings(dial, bands),
        *told,
    )
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


def _told(
    bench: Bench, series: Mapping[str, Corrected], key_downs: Sequence[KeyDown], events: Sequence[Event]
) -> Iterator[Finding]:
    """What a reader must know whatever the results are."""
    yield from findings.unassigned(bench, key_downs)
    yield from troubles.stops(events)
    yield from findings.crossed_limits(bench, series)
    yield from findings.long_key_downs(bench, key_downs)
    yield from troubles.wrong_instruments(bench, events)
    yield from troubles.gaps(bench, series, key_downs, events)
    yield from troubles.over_range(series, key_downs)
    yield from troubles.stuck(bench, series, key_downs)


def _counts(series: Mapping[str, Corrected]) -> dict[str, int]:
    return {
        state.value.replace("-", "_"): sum(int(np.count_nonzero(one.state == code)) for one in series.values())
        for code, state in enumerate(STATES)
    }
