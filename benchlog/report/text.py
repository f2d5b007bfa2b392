"""The record for a terminal: rich renderables that fold at blanks, so no number is ever cut.

Verdicts are words; bold type only helps to find them. Names come from files and are shown as they are, never
read as markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich import box
from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import BandResult, Finding, InstrumentState, Record, Result
from benchlog.plan import Plan
from benchlog.report import budget, further, words
from benchlog.report.numbers import megahertz, with_uncertainty
from benchlog.report.session import readings_sentence
from benchlog.report.summary import summary
from benchlog.report.words import PPM, QUANTITIES, Quantity

Line = tuple[str, str]  # text, style

_BOLD = ("fail", "undecided")
_HEADINGS = ("Band", "Power", "Droop", "Frequency error", "Drift")


def render(analysis: Analysis, plan: Plan, *, ending: str = "") -> RenderableType:
    """The whole record; print it with a rich console of any width from about 70 columns up.

    ``ending`` says how the session ended, as a sentence.
    """
    record = analysis.record
    parts: list[RenderableType] = [*_head(record, plan, ending), Text()]
    parts += [Text(sentence, style="bold" if i == 0 else "") for i, sentence in enumerate(summary(record))]
    if record.bands:
        parts += [Text(), _Bands(record.bands), Text(), Text(words.READING_AID)]
    parts.append(Text())
    if more := further.more(record):
        parts += [Text("More about each band", style="bold"), *_more(more), Text()]
    if record.dial is not None:
        parts += [*map(Text, words.dial_sentences(record.dial)), Text()]
    if record.findings:
        parts += [Text("Findings", style="bold"), _findings(record.findings, record.session.started_ns), Text()]
    if record.instruments:
        parts += [Text("Instruments", style="bold"), *map(_instrument, record.instruments), Text()]
    parts += [Text(readings_sentence(analysis)), Text(f"Digest of the raw readings: {record.session.digest}")]
    parts += [Text(), Text(words.CAUTION, style="bold")]
    return Group(*parts)


def render_budgets(analysis: Analysis, plan: Plan, band: str | None = None) -> RenderableType:
    """The uncertainty budgets of the record, or of one band of it."""
    record = analysis.record
    found = budget.groups(record, band)
    parts: list[RenderableType] = [*_head(record, plan, "")]
    if not found:
        where = f" on {band}" if band else ""
        return Group(*parts, Text(), Text(f"Nothing was measured{where}, so there is no budget."))
    for group in found:
        parts += [Text(), _Budgets(group)]
    return Group(*parts, Text(), Text(budget.AID))


class _Budgets:
    """A group's budgets in columns of one width; lists where the terminal is too narrow for their numbers."""

    _HEADINGS = ("Source", "Type", "u", "ν", "Share")
    _LEAST_SOURCE = 16
    _GAP = 2

    def __init__(self, group: budget.Group) -> None:
        self._group = group
        self._rows = [[*map(self._row, one.lines), self._sum(one)] for one in group.budgets]

    @staticmethod
    def _row(line: budget.Line) -> tuple[str, ...]:
        return (line.source, line.evaluated, line.u, line.dof, line.share)

    @staticmethod
    def _sum(one: budget.Budget) -> tuple[str, ...]:
        return (one.coverage, "", one.combined, one.dof, "")

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        columns = list(zip(self._HEADINGS, *(row for rows in self._rows for row in rows), strict=True))
        source, *numbers = (max(map(cell_len, column)) for column in columns)
        room = options.max_width - sum(numbers) - self._GAP * len(numbers)
        yield Text(self._group.title, style="bold")
        for one, rows in zip(self._group.budgets, self._rows, strict=True):
            yield Text()
            yield Text.assemble((one.title, "bold"), f": {one.value}")
            if room < self._LEAST_SOURCE:
                yield from self._list(rows)
            else:
                yield self._table(rows, [min(source, room), *numbers])

    def _table(self, rows: Sequence[Sequence[str]], widths: Sequence[int]) -> Table:
        table = Table(box=None, pad_edge=False, padding=(0, self._GAP, 0, 0))
        for heading, width in zip(self._HEADINGS, widths, strict=True):
            left = heading in ("Source", "Type")
            # One blank belongs to the last column too, and is not printed.
            table.add_column(heading, justify="left" if left else "right", width=width, overflow="fold")
        for row in rows[:-1]:
            table.add_row(*map(Text, row))
        table.add_row(*("─" * width for width in widths))
        table.add_row(*map(Text, rows[-1]))
        return table

    def _list(self, rows: Sequence[Sequence[str]]) -> Iterator[Text]:
        for source, *numbers in rows:
            told = [f"{name} {part}" for name, part in zip(("type", "u", "ν", "share"), numbers, strict=True) if part]
            yield Text(f"  {source}: {', '.join(told)}")


def _more(found: Iterable[further.More]) -> Iterator[RenderableType]:
    """Each band's name, and below it what was found, a line for each."""
    steady = False
    for one in found:
        yield Text(one.band, style="bold")
        for fact in one.facts:
            yield Padding(Text(f"{fact.name}: {fact.line}", style="bold" if fact.css in _BOLD else ""), (0, 0, 0, 2))
        if one.stability:
            said = f"Stability: {'; '.join(at.line for at in one.stability)}"
            yield Padding(Text(said), (0, 0, 0, 2))
            steady = True
    if steady:
        yield Text()
        yield Text(further.STABILITY_AID)


def _head(record: Record, plan: Plan, ending: str) -> list[Text]:
    session = record.session
    serial = f", serial {plan.transmitter.serial}" if plan.transmitter.serial else ""
    when = f"{words.stamp(session.started_ns)} UTC"
    if lasted := words.lasted(record):
        when += f", for {lasted}"
    lines = [
        Text.assemble((f"{session.transmitter}{serial}", "bold")),
        Text(f"Session {session.id}, {session.kind}, on {session.bench}: {when}."),
    ]
    return [*lines, Text(ending)] if ending else lines


class _Bands:
    """A row of a few lines per band where numbers stay whole, a list where the terminal is too narrow for that."""

    def __init__(self, bands: Iterable[BandResult]) -> None:
        self._rows = [_row(band) for band in bands]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        widths = self._least_widths()
        if sum(widths) + 2 * (len(widths) - 1) <= options.max_width:
            yield self._table(widths)
        else:
            yield from self._list()

    def _least_widths(self) -> list[int]:
        """Whole lines for the numbers; a band's name and its drift may fold at their blanks."""
        widths = []
        for i, heading in enumerate(_HEADINGS):
            lines = [heading, *(text for row in self._rows for text, _ in row[i])]
            folds = i in (0, len(_HEADINGS) - 1)
            widths.append(max(len(part) for line in lines for part in (line.split() if folds else [line])))
        return widths

    def _table(self, widths: Sequence[int]) -> Table:
        table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=False, show_lines=True, padding=(0, 1, 0, 0))
        for heading, width in zip(_HEADINGS, widths, strict=True):
            table.add_column(heading, min_width=width)
        for row in self._rows:
            table.add_row(*(Text("\n").join(Text(*line) for line in lines) for lines in row))
        return table

    def _list(self) -> Iterator[Text]:
        for band, *results in self._rows:
            yield Text.assemble(*_joined(band))
            for heading, lines in zip(_HEADINGS[1:], results, strict=True):
                yield Text.assemble(f"  {heading}: ", *_joined(lines))


def _joined(lines: Iterable[Line]) -> list[Line]:
    parts: list[Line] = []
    for line in lines:
        parts += [(", ", ""), line] if parts else [line]
    return parts


def _row(band: BandResult) -> list[list[Line]]:
    cells = [
        [(band.band, "bold"), (megahertz(band.expected_hz), ""), (_keyed(band), "")],
        [(words.power_text(band), ""), *_cell(band.power_w, QUANTITIES["power_w"])[1:]],
        _cell(band.droop_percent, QUANTITIES["droop_percent"]),
        _frequency(band),
        _cell(band.drift_hz_per_h, QUANTITIES["drift_hz_per_h"]),
    ]
    return [[(text, style) for text, style in lines if text] for lines in cells]


def _keyed(band: BandResult) -> str:
    return words.count(band.key_downs, "key-down") if band.key_downs else "no key-down"


def _cell(result: Result, quantity: Quantity) -> list[Line]:
    verdict = words.verdict_text(result)
    return [
        (with_uncertainty(result, quantity.unit), ""),
        (words.limit_text(result, quantity), ""),
        (verdict if result.value is not None else "", "bold" if verdict in _BOLD else ""),
    ]


def _frequency(band: BandResult) -> list[Line]:
    value, limit, verdict = _cell(band.frequency_error_hz, QUANTITIES["frequency_error_hz"])
    if band.frequency_error_ppm.value is None:
        return [value, limit, verdict]
    return [value, (with_uncertainty(band.frequency_error_ppm, PPM.unit), ""), limit, verdict]


def _instrument(state: InstrumentState) -> RenderableType:
    said = f" ({'; then '.join(state.identities)})" if state.identities else ""
    calibration = Text(words.calibration(state), style="bold" if state.overdue else "")
    return Padding(Text.assemble(f"{state.name}{said}: calibration ", calibration), (0, 0, 0, 2))


def _findings(findings: Iterable[Finding], started_ns: int) -> Table:
    table = Table.grid(padding=(0, 1))
    table.add_column()
    table.add_column(overflow="fold")
    for finding in findings:
        when = words.finding_when(finding, started_ns)
        said = Text.assemble((words.finding_title(finding), "bold"), f": {finding.text}")
        table.add_row("-", said.append(f" ({when})") if when else said)
    return table
