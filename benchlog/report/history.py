"""All sessions of one transmitter over time, as people and scripts read them: summary, text, JSON, HTML."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from benchlog import __version__
from benchlog.analysis.compare import obstacle
from benchlog.analysis.results import BandResult, Result, SessionFacts
from benchlog.analysis.sameness import Errors, Taken
from benchlog.analysis.trend import MIN_SESSIONS, MIN_SPAN_DAYS, Point, Trend, trend
from benchlog.analysis.verdicts import Sense, result
from benchlog.clock import rfc3339
from benchlog.report import words
from benchlog.report.comparison import unbroken
from benchlog.report.numbers import megahertz, rounded, with_uncertainty
from benchlog.report.words import QUANTITIES

SCHEMA = "benchlog-history/1"
SHOWN = ("power_w", "droop_percent", "frequency_error_hz")
DAY_NS = 86400 * 10**9

READING_AID = (
    "± is the expanded uncertainty U at 95 %. A trend is the slope of a straight line through the sessions; its U "
    "holds how the sessions scatter about the line and what the instruments leave open, but for what is common to "
    "all of them. It is seen where it is larger than its U. It tells that the set changes, not why."
)


@dataclass(frozen=True, slots=True)
class Line:
    """A trend of one quantity on one band, or why there is none."""

    quantity: str
    trend: Trend | None
    slope: Result | None  # per year
    sessions: int  # that it rests on
    span_days: float
    left_out: Sequence[tuple[int, str]]  # session, why

    @property
    def seen(self) -> bool:
        """Larger than its U."""
        slope = self.slope
        return bool(
            slope and slope.value is not None and slope.expanded is not None and abs(slope.value) > slope.expanded
        )


@dataclass(frozen=True, slots=True)
class BandHistory:
    """One band in the sessions that heard it, in order of time."""

    band: str
    heard: Sequence[tuple[SessionFacts, BandResult]]
    lines: Sequence[Line]


@dataclass(frozen=True, slots=True)
class History:
    """All that is known of one transmitter, in order of time."""

    transmitter: str
    serial: str
    sessions: Sequence[SessionFacts]
    bands: Sequence[BandHistory]
    cautions: Sequence[str] = ()


def history(serial: str, taken: Sequence[Taken], vouched: Sequence[str] = (), cautions: Sequence[str] = ()) -> History:
    """The sessions of one transmitter, at least one, in any order; ``vouched`` as in ``sameness.Errors``."""
    ordered = sorted(taken, key=lambda one: one.analysis.record.session.started_ns)
    errors = Errors(ordered, vouched)
    # The plan's order of bands is the newest session's.
    names = dict.fromkeys(
        band.band for one in reversed(ordered) for band in one.analysis.record.bands if band.key_downs
    )
    bands = [_band(name, ordered, errors) for name in names]
    facts = [one.analysis.record.session for one in ordered]
    return History(facts[-1].transmitter, serial, facts, bands, cautions)


def _band(name: str, taken: Sequence[Taken], errors: Errors) -> BandHistory:
    heard = [
        (place, band)
        for place, one in enumerate(taken)
        for band in one.analysis.record.bands
        if band.band == name and band.key_downs
    ]
    lines = [_line(quantity, heard, taken, errors) for quantity in SHOWN]
    shown = [(taken[place].analysis.record.session, band) for place, band in heard]
    return BandHistory(name, shown, [line for line in lines if line is not None])


def _line(
    quantity: str, heard: Sequence[tuple[int, BandResult]], taken: Sequence[Taken], errors: Errors
) -> Line | None:
    """Through all sessions that can be compared with the newest that measured it."""
    measured = [(place, band) for place, band in heard if band.results[quantity].value is not None]
    if not measured:
        return None
    newest = taken[measured[-1][0]]
    points, left_out = [], []
    for place, band in measured:
        if why := obstacle(quantity, band.band, taken[place], newest):
            left_out.append((taken[place].analysis.record.session.id, why))
            continue
        found = band.results[quantity]
        shared = {
            line.shared: errors.key(place, line.shared)
            for line in found.budget
            if line.shared and line.evaluated == "B"
        }
        points.append(Point(day_of(taken[place].analysis.record.session), found, shared))
    line = trend(points)
    slope = result(line.slope, None, Sense.WITHIN) if line else None
    span = points[-1].day - points[0].day if points else 0.0
    return Line(quantity, line, slope, len(points), span, left_out)


def day_of(session: SessionFacts) -> float:
    """Days since 1970, UTC."""
    return session.started_ns / DAY_NS


def title(found: History) -> str:
    """``Loan set 3, serial 0042``."""
    return f"{found.transmitter}, serial {found.serial}" if found.serial else found.transmitter


def summary(found: History) -> list[str]:
    """What a reader wants to know first, as sentences; the first one stands alone."""
    first, last = found.sessions[0], found.sessions[-1]
    many = words.count(len(found.sessions), "session")
    span = f"from {_date(first)} to {_date(last)}" if _date(first) != _date(last) else f"on {_date(first)}"
    said = [f"{many} {span}, {words.count(len(found.bands), 'band')} heard."]
    said += _newest(found)
    short = []
    for band in found.bands:
        said += [_trend_sentence(band.band, line) for line in band.lines if line.seen]
        quiet = [line for line in band.lines if line.slope is not None and not line.seen]
        if quiet:
            above = ((QUANTITIES[q.quantity].name, _per_year(q)) for q in quiet)
            said.append(f"{band.band}: no trend seen in {words.unseen(above)}.")
        if all(line.slope is None for line in band.lines):
            short.append(band.band)
    if short:
        said.append(
            f"No trend can be told on {words.listed(short)}: it takes at least {MIN_SESSIONS} comparable sessions "
            f"that span {MIN_SPAN_DAYS:.0f} days."
        )
    return said


def _newest(found: History) -> Iterator[str]:
    """How the newest session's bands were judged."""
    newest = found.sessions[-1].id
    judged = {
        band.band: words.judge(one) for band in found.bands for session, one in band.heard if session.id == newest
    }
    by_verdict: dict[str, list[str]] = {}
    for name, verdict in judged.items():
        by_verdict.setdefault(words.VERDICT[verdict.verdict], []).append(name)
    if by_verdict:
        told = "; ".join(f"{verdict} on {words.listed(bands)}" for verdict, bands in by_verdict.items())
        yield f"The newest session, {newest}: {told}."


_WAYS = {"power_w": ("rises", "falls"), "droop_percent": ("grows", "shrinks")}


def _trend_sentence(band: str, line: Line) -> str:
    assert line.slope is not None  # as the caller has seen
    assert line.slope.value is not None
    assert line.slope.expanded is not None
    quantity = QUANTITIES[line.quantity]
    up, down = _WAYS.get(line.quantity, ("moves up", "moves down"))
    size = " ± ".join(rounded(abs(line.slope.value), line.slope.expanded))
    over = f"{words.count(line.sessions, 'session')} over {words.count(round(line.span_days), 'day')}"
    return f"{band}: {quantity.name} {up if line.slope.value > 0 else down} by {size} {quantity.unit} a year ({over})."


def _per_year(line: Line) -> str:
    expanded = line.slope.expanded if line.slope else None
    unit = QUANTITIES[line.quantity].unit
    return "an unknown amount" if expanded is None else f"{rounded(0.0, expanded)[1]} {unit} a year"


def left_out(found: History) -> Iterator[str]:
    """Which sessions a trend does not rest on, and why."""
    for band in found.bands:
        for line in band.lines:
            for session, why in line.left_out if line.slope is not None else ():
                yield f"{band.band}, {QUANTITIES[line.quantity].name}: session {session} is left out ({why})."


def _date(session: SessionFacts) -> str:
    return words.stamp(session.started_ns)[:10]


@dataclass(frozen=True, slots=True)
class Cell:
    """One result, as text."""

    value: str
    limit: str  # only where it is not the one above the table
    verdict: str
    css: str


@dataclass(frozen=True, slots=True)
class Row:
    """One session on one band, as text."""

    session: int
    date: str
    kind: str
    cells: Sequence[Cell]


@dataclass(frozen=True, slots=True)
class Block:
    """One band, as text."""

    band: str
    expected: str
    limits: str  # of the newest session
    rows: Sequence[Row]


def blocks(found: History) -> list[Block]:
    """Band by band, the oldest session first."""
    return [_block(band) for band in found.bands]


def _block(band: BandHistory) -> Block:
    newest = band.heard[-1][1]
    rows = [
        Row(session.id, _date(session), session.kind, [_cell(one, newest, quantity) for quantity in SHOWN])
        for session, one in band.heard
    ]
    limits = [(QUANTITIES[q].name, words.limit_text(newest.results[q], QUANTITIES[q])) for q in SHOWN]
    told = "; ".join(f"{name} {limit}" for name, limit in limits if limit)
    return Block(band.band, megahertz(newest.expected_hz), told, rows)


def _cell(band: BandResult, newest: BandResult, name: str) -> Cell:
    one, quantity = band.results[name], QUANTITIES[name]
    value = words.power_text(band) if name == "power_w" else with_uncertainty(one, quantity.unit)
    other = one.limit != newest.results[name].limit
    limit = (words.limit_text(one, quantity) or "no limit then") if other and one.value is not None else ""
    verdict = words.VERDICT[one.verdict] if one.value is not None and one.limit is not None else ""
    return Cell(value, limit, verdict, one.verdict)


def text(found: History) -> RenderableType:
    """For a terminal of any width from about 70 columns up."""
    said = summary(found)
    parts: list[RenderableType] = [Text(title(found), style="bold"), Text()]
    parts += [Text(caution, style="bold") for caution in found.cautions]
    parts += [Text(sentence, style="bold" if i == 0 else "") for i, sentence in enumerate(said)]
    for block in blocks(found):
        limits = f" ({block.limits})" if block.limits else ""
        parts += [Text(), Text.assemble((block.band, "bold"), f", {block.expected}{limits}"), _table(block)]
    parts += [Text(), *(Text(line) for line in left_out(found)), Text(READING_AID)]
    return Group(*parts)


def _table(block: Block) -> Table:
    table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for heading in ("Session", "Date (UTC)", "Kind", *(QUANTITIES[name].name.capitalize() for name in SHOWN)):
        table.add_column(heading, overflow="fold")
    for row in block.rows:
        table.add_row(str(row.session), row.date, row.kind, *(_shown(cell) for cell in row.cells))
    return table


def _shown(cell: Cell) -> Text:
    shown = Text(cell.value)
    if cell.limit:
        shown.append(f"\n{cell.limit}")
    if cell.verdict:
        shown.append(f"\n{cell.verdict}", style="bold" if cell.css in ("fail", "undecided") else "")
    return shown


def dumps(found: History) -> str:
    """``benchlog-history/1``, indented, a newline at the end."""
    tree = {
        "schema": SCHEMA,
        "transmitter": found.transmitter,
        "serial": found.serial,
        "summary": summary(found),
        "cautions": list(found.cautions),
        "sessions": [
            {"id": s.id, "kind": s.kind, "bench": s.bench, "started": rfc3339(s.started_ns), "digest": s.digest}
            for s in found.sessions
        ],
        "bands": [
            {
                "band": band.band,
                "sessions": [_session_json(session, one) for session, one in band.heard],
                "trends": {line.quantity: _trend_json(line) for line in band.lines},
            }
            for band in found.bands
        ],
    }
    return json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _session_json(session: SessionFacts, band: BandResult) -> dict[str, Any]:
    results = {name: band.results[name].as_json() for name in SHOWN}
    for one in results.values():
        del one["budget"]
    about = {"expected_hz": band.expected_hz, "key_downs": band.key_downs, "power_kind": band.power_kind}
    return {"session": session.id, "started": rfc3339(session.started_ns), **about, **results}


def _trend_json(line: Line) -> dict[str, Any]:
    slope = line.slope.as_json() if line.slope else {}
    return {
        "per_year": slope.get("value"),
        **{key: slope.get(key) for key in ("expanded", "k", "dof")},
        "seen": line.seen,
        "sessions": line.sessions,
        "span_days": round(line.span_days, 3),
        "left_out": [{"session": session, "why": why} for session, why in line.left_out],
        "budget": slope.get("budget", []),
    }


def html(found: History) -> str:
    """One page that needs nothing else, made like the record's."""
    from benchlog.report import compared_figures
    from benchlog.report.html import environment

    pictures = {
        QUANTITIES[name].name.capitalize(): [
            compared_figures.in_years(panel, number) for number, panel in enumerate(_panels(found, name))
        ]
        for name in SHOWN
    }
    template = environment().get_template("history.html.j2")
    return template.render(
        title=title(found),
        history=found,
        first=_date(found.sessions[0]),
        last=_date(found.sessions[-1]),
        summary=[unbroken(sentence, [band.band for band in found.bands]) for sentence in summary(found)],
        blocks=blocks(found),
        headings=[QUANTITIES[name].name.capitalize() for name in SHOWN],
        pictures={name: drawn for name, drawn in pictures.items() if drawn},
        left_out=list(left_out(found)),
        reading_aid=READING_AID,
        caution=words.CAUTION,
        version=__version__,
    )


def _panels(found: History, quantity: str) -> Iterator[Any]:
    from benchlog.report.compared_figures import Panel

    for band in found.bands:
        line = next((one for one in band.lines if one.quantity == quantity), None)
        if line is not None:
            days = [day_of(session) for session, _ in band.heard]
            results = [one.results[quantity] for _, one in band.heard]
            yield Panel(band.band, quantity, days, results, line.trend if line.seen else None)
