"""The record as one HTML file that needs nothing else: no script, no request, figures inline.

Whatever comes from files or instruments is escaped by jinja2; only our own figures and style sheet are not.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from benchlog import __version__
from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import BandResult, InstrumentState, Result
from benchlog.bench import Bench, Channel
from benchlog.model import Event
from benchlog.plan import Plan
from benchlog.quantities import show
from benchlog.report import budget, further, keydowns, words
from benchlog.report.ending import Analysed
from benchlog.report.ending import ending as ending_of
from benchlog.report.numbers import duration, megahertz, significant, with_uncertainty
from benchlog.report.session import nothing_to_count, readings_sentence
from benchlog.report.summary import summary
from benchlog.report.words import PPM, QUANTITIES, Quantity

if TYPE_CHECKING:
    from benchlog.report.pictures import Pictures

EVENTS_LISTED = 100
_TELLING = ("wrong-instrument", "link", "reply", "suspect", "error-queue", "clock", "store", "note", "session")


def document(analysed: Analysed, pictures: Pictures | None = None) -> str:
    """The record of a stored session; ``pictures`` are its figures, where they are drawn already."""
    return render(
        analysed.analysis, analysed.bench, analysed.plan, analysed.events, ending=ending_of(analysed), pictures=pictures
    )


def render(
    analysis: Analysis,
    bench: Bench,
    plan: Plan,
    events: Iterable[Event],
    *,
    ending: str = "",
    pictures: Pictures | None = None,
) -> str:
    """The whole record. ``ending`` says how the session ended, as a sentence."""
    if pictures is None:
        from benchlog.report.pictures import drawn  # matplotlib takes half a second, and only this needs it

        pictures = drawn(analysis, bench, plan)
    record = analysis.record
    happened = sorted(events, key=lambda event: event.t_ns)
    template = environment().get_template("record.html.j2")
    return template.render(
        record=record,
        session=record.session,
        plan=plan,
        bench=bench,
        ending=ending,
        version=__version__,
        digest_for_print=re.sub(r"[^0-9a-f]", "", record.session.digest)[:16],  # stands inside the style sheet
        summary=summary(record),
        readings_sentence=readings_sentence(analysis),
        dial=words.dial_sentences(record.dial) if record.dial else [],
        instruments=_instruments(analysis, bench),
        unstated=bench.unstated,
        log=[e for e in happened if e.kind in _TELLING],
        log_most=EVENTS_LISTED,
        key_downs=keydowns.lines(analysis, bench, plan),
        key_downs_in_all=len(analysis.key_downs),
        bars=pictures.bars.values(),
        in_time=pictures.in_time.values(),
        close_ups=pictures.close_ups,
        others=pictures.others,
        rows=[_row(band) for band in record.bands],
        more=further.tables(further.more(record)),
        steady=pictures.steady,
        stability_aid=further.STABILITY_AID,
        budgets=budget.groups(record),
        budget_aid=budget.AID,
        cautions=words.CAUTIONS,
        caution=words.CAUTION,
        reading_aid=words.READING_AID,
    )


def environment() -> Environment:
    """Templates, and the filters they use; the record's, and those made like it."""
    # Autoescape is on for every template: the usual choice by file name would miss ".html.j2".
    env = Environment(
        loader=PackageLoader("benchlog", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters.update(
        svg=Markup,  # figures only; their own text is escaped by matplotlib
        stamp=words.stamp,
        when=words.finding_when,
        title=words.finding_title,
        duration=duration,
        minus=_minus,
        watts=lambda value: show(value, "W"),
    )
    env.globals.update(lasted=words.lasted, count=words.count)
    return env


_UNITS = r"[%±]|(?:W|V|A|mA|Hz|MHz|kHz|s|min|ppm|ppb|Hz/h|Hz/K)\b"


def _minus(text: str) -> str:
    """A number's hyphen as the minus sign it stands for; no line break between a number, its U and its unit."""
    text = re.sub(r"(?<![\w-])-(?=[\d.])", "−", text)
    return re.sub(rf"(?<=\d) (?={_UNITS})|(?<=±) (?=\d)", "\u00a0", text)


@dataclass(frozen=True, slots=True)
class Cell:
    """One result of one band: its value, the same in another unit, limit, verdict."""

    heading: str
    value: str
    also: str
    limit: str
    verdict: str
    css: str


@dataclass(frozen=True, slots=True)
class Row:
    """One band of the table."""

    band: str
    expected: str
    key_downs: int
    verdict: str
    css: str
    cells: Sequence[Cell]


def _row(band: BandResult) -> Row:
    judged = words.judge(band)
    ppm = "" if band.frequency_error_ppm.value is None else with_uncertainty(band.frequency_error_ppm, PPM.unit)
    also = {"frequency_error_hz": ppm}
    cells = [_cell(band.results[name], quantity, also.get(name, "")) for name, quantity in QUANTITIES.items()]
    cells[0] = replace(cells[0], value=words.power_text(band))
    return Row(
        band.band,
        megahertz(band.expected_hz),
        band.key_downs,
        words.VERDICT[judged.verdict],
        judged.verdict,
        cells,
    )


def _cell(result: Result, quantity: Quantity, also: str) -> Cell:
    return Cell(
        quantity.name.capitalize(),
        with_uncertainty(result, quantity.unit),
        also,
        words.limit_text(result, quantity),
        words.verdict_text(result) if result.value is not None else "",
        result.verdict if result.limit is not None else "no-limit",
    )


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel as the record's conditions list it."""

    name: str
    measures: str
    accuracy: str
    planned: int
    good: int
    no_signal: int  # of a counter, with the key up


def _instruments(analysis: Analysis, bench: Bench) -> list[Mapping[str, Any]]:
    """Every instrument of the bench: who it said it is (all answers, if they differ), calibration, channels."""
    states = {state.name: state for state in analysis.record.instruments}
    out: list[Mapping[str, Any]] = []
    for instrument in bench.instruments:
        state = states.get(instrument.name, InstrumentState(instrument.name))
        lines = []
        for channel in instrument.channel:
            series = analysis.series.get(channel.name)
            planned = 0 if series is None else len(series.value)
            good = 0 if series is None else int((series.value == series.value).sum())  # NaN is not itself
            silent = 0 if series is None else nothing_to_count(analysis, series)
            lines.append(ChannelLine(channel.name, _measures(channel), accuracy(channel), planned, good, silent))
        out.append(
            {
                "name": instrument.name,
                "driver": instrument.driver,
                "identities": state.identities,
                "calibration": words.calibration(state),
                "overdue": bool(state.overdue),
                "channels": lines,
            }
        )
    return out


def _measures(channel: Channel) -> str:
    kind = f" ({words.POWER_KIND[channel.power]})" if channel.power != "mean" else ""
    return f"{words.measure(channel.measures)}{kind}" if channel.measures else ""


def accuracy(channel: Channel) -> str:
    """``± (1 % of reading + 5 % of 250 W), resolution 0.1 W``; ``not stated`` where the bench file has none."""
    limits = []
    if channel.of_reading:
        limits.append(f"{_share(channel.of_reading)} of reading")
    if channel.of_range:
        limits.append(f"{_share(channel.of_range)} of {words.degrees(channel.range or '')}")
    parts = [f"± {limits[0]}" if len(limits) == 1 else f"± ({' + '.join(limits)})"] if limits else []
    if channel.reference_offset or channel.reference_uncertainty:
        known = f" ± {_share(channel.reference_uncertainty)} (k = 2)" if channel.reference_uncertainty else ""
        parts.append(f"time base off by {_share(channel.reference_offset)}{known}, corrected")
    if channel.correction:
        parts.append(f"corrected by {channel.correction}")
    if not parts:
        parts.append("not stated")
    if channel.resolution:
        parts.append(f"resolution {words.degrees(channel.resolution)}")
    return ", ".join(parts)


def _share(ratio: float) -> str:
    return f"{significant(ratio * 1e6)} ppm" if abs(ratio) < 1e-4 else f"{significant(ratio * 100)} %"
