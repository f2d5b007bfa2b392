"""A whole session: readings, bench file and plan file to the record (design section 6)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import chain

import numpy as np

from benchlog.analysis import findings, troubles
from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.bands import FrequencyResults, frequency_results, power_results
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.diagnosis import diagnosed
from benchlog.analysis.dial import dial_split
from benchlog.analysis.instruments import instrument_states
from benchlog.analysis.keydowns import KeyDown, Span, find_spans, gap_limit_s, key_line_spans
from benchlog.analysis.measure import measure_key_down, measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.passes import band_errors
from benchlog.analysis.results import BandResult, Finding, Record, SessionFacts
from benchlog.analysis.stability import stability
from benchlog.analysis.steps import Step, find_steps, hiss_of, step_findings
from benchlog.analysis.supply import voltage_noise
from benchlog.analysis.tuning import tuned
from benchlog.bench import Bench
from benchlog.cores import each, shared
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


@dataclass(frozen=True, slots=True)
class Moved:
    """What one band's frequency did."""

    steps: Sequence[Step]
    results: FrequencyResults


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

    def of_frequency(name: str) -> Moved:
        steps = find_steps(heard[name], hiss)
        return Moved(steps, frequency_results(heard[name], jumped=bool(steps)))

    found = each(
        {
            **{("frequency", name): partial(of_frequency, name) for name in named},
            **{("power", name): partial(power_results, heard[name]) for name in named},
            **{("stability", name): partial(stability, heard[name]) for name in named},
            "dial": lambda: dial_split(band_errors(heard), Accuracy.measuring(bench, "frequency")),
            "told": lambda: list(_told(bench, series, key_downs, events)),
        },
        worth=long,
    )
    moved: dict[str, Moved] = {name: found["frequency", name] for name in named}
    bands = tuple(
        BandResult(
            band=name,
            expected_hz=heard[name].band.expected_hz,
            key_downs=len(heard[name].key_downs),
            **found["power", name],
            **moved[name].results,
            stability=found["stability", name],
            tuning=tuned(heard[name], key_downs, session.kind, plan),
        )
        for name in named
    )
    noise = cache(lambda: voltage_noise(heard.values()))
    why = shared(lambda band: list(diagnosed(heard[band.band], band, noise)), bands, worth=long)
    told = (
        *findings.failed(bands),
        *chain.from_iterable(why),
        *step_findings({name: one.steps for name, one in moved.items()}, session.started_ns),
        *findings.dial_findings(found["dial"], bands),
        *found["told"],
    )
    instruments = instrument_states(bench, events, session.started_ns)
    return Analysis(Record(session, bands, found["dial"], told, _counts(series), instruments), key_downs, series)


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


def _told(
    bench: Bench, series: Mapping[str, Corrected], key_downs: Sequence[KeyDown], events: Sequence[Event]
) -> Iterator[Finding]:
    """What a reader must know whatever the results are."""
    yield from findings.unassigned(bench, key_downs)
    yield from troubles.stops(events)
    yield from findings.crossed_limits(bench, series)
    yield from findings.long_key_downs(bench, key_downs)
    yield from troubles.wrong_instruments(events)
    yield from troubles.gaps(bench, series, key_downs, events)
    yield from troubles.over_range(series, key_downs)
    yield from troubles.stuck(bench, series, key_downs)


def _counts(series: Mapping[str, Corrected]) -> dict[str, int]:
    return {
        state.value.replace("-", "_"): sum(int(np.count_nonzero(one.state == code)) for one in series.values())
        for code, state in enumerate(STATES)
    }
