"""Figures of comparisons and histories, drawn like the record's. Importing this imports matplotlib."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby, pairwise

from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.ticker import MaxNLocator

from benchlog.analysis.compare import Compared, Comparison
from benchlog.analysis.results import Result
from benchlog.analysis.trend import Trend
from benchlog.report import words
from benchlog.report.drawing import (
    DATA,
    FIT,
    GRID,
    INK,
    LIMIT,
    PANEL,
    Picture,
    canvas,
    clipped,
    named_rows,
    plain_text,
    style,
    svg,
)
from benchlog.report.numbers import with_uncertainty
from benchlog.report.words import FURTHER, QUANTITIES, Quantity

ROOM = 0.12  # left free above and below what is drawn
_MARKERS = {"pass": "o", "fail": "X", "undecided": "D", "not-measured": "o"}


def differences(comparison: Comparison) -> Iterator[Picture]:
    """For power and frequency error a panel of all bands' differences with their intervals about zero."""
    for quantity in ("power_w", "frequency_error_hz"):
        found = [(band, one) for band, one in comparison.all if one.quantity == quantity and one.difference]
        if found:
            yield _differences(quantity, found)


def _differences(name: str, found: Sequence[tuple[str, Compared]]) -> Picture:
    quantity = QUANTITIES[name]
    names_px = min(120, 16 + 7 * max(len(band) for band, _ in found))
    told = []
    with style():
        figure, axes = canvas(PANEL, 34 * len(found) + 58, (names_px, 84, 38, 14))
        axes.grid(axis="y", visible=False)
        axes.grid(axis="x", color=GRID, linewidth=0.8)
        axes.axvline(0, color=INK, linewidth=0.8)
        for row, (band, one) in enumerate(found):
            assert one.difference is not None  # as chosen above
            assert one.difference.value is not None
            value, spread = one.difference.value, one.difference.expanded or 0.0
            axes.errorbar(value, row, xerr=spread, color=DATA, linewidth=1.6, capsize=4, marker="o", markersize=4)
            said = (one.change if one.change in ("better", "worse") else "real") if one.outcome == "real" else ""
            weight = "bold" if said == "worse" else "normal"
            transform = axes.get_yaxis_transform()
            axes.text(1.04, row, said or "none seen", transform=transform, va="center", fontweight=weight)
            told.append(f"{band} {with_uncertainty(one.difference, quantity.unit)}, {said or 'none seen'}")
        named_rows(axes, [band for band, _ in found])
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        axes.set_xlabel(f"difference in {quantity.name}, {quantity.unit}")
        alt = f"Difference in {quantity.name} on each band, second minus first session: {'; '.join(told)}."
        return Picture(quantity.name, alt, svg(figure, f"differences-{name.replace('_', '-')}", alt))


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity of one band over the years; ``days`` since 1970, in order of time."""

    band: str
    quantity: str
    days: Sequence[float]
    results: Sequence[Result]
    trend: Trend | None  # drawn only where it is real


def in_years(panel: Panel, number: int) -> Picture:
    """Values with their intervals, each session's limit, and the trend where there is one."""
    quantity = (QUANTITIES | FURTHER)[panel.quantity]
    known = [(day, one) for day, one in zip(panel.days, panel.results, strict=True) if one.value is not None]
    with style():
        figure, axes = canvas(PANEL, 210, (64, 12, 40, 26))
        ends = _span(panel.days)
        reach = _draw(axes, known)
        if panel.trend is not None:
            line = [panel.trend.at(day) for day in (known[0][0], known[-1][0])]
            axes.plot([known[0][0], known[-1][0]], line, color=FIT, linewidth=1.6, dashes=(4, 2))
        low, high = _limits(axes, quantity, panel, ends, reach)
        room = ROOM * (high - low) or 1.0
        axes.set_ylim(low - room, high + room)
        axes.set_xlim(*ends)  # matplotlib's dates are days since 1970
        locator = AutoDateLocator(minticks=2, maxticks=4)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        dates = ConciseDateFormatter(locator, show_offset=False, formats=_FORMATS)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_formatter(dates)
        axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        axes.set_ylabel(f"{quantity.name}, {quantity.unit}")
        plain_text(axes, 0, 1.05, clipped(panel.band, 30))
        parts = (f"{_day(day)} {_told(one, quantity)}" for day, one in known)
        alt = f"{quantity.name.capitalize()} on {panel.band} over time: {'; '.join(parts)}."
        return Picture(quantity.name, alt, svg(figure, f"years-{panel.quantity.replace('_', '-')}-{number}", alt))


_FORMATS = ["%Y", "%b %Y", "%d %b", "%H:%M", "%H:%M", "%H:%M:%S"]


def _draw(axes: Axes, known: Sequence[tuple[float, Result]]) -> tuple[float, float]:
    """Each session's dot and whisker; returns the lowest and highest place drawn at."""
    places: list[float] = []
    for day, one in known:
        assert one.value is not None  # as chosen by the caller
        spread = one.expanded or 0.0
        marker = _MARKERS[one.verdict]
        size = 6 if one.verdict in ("fail", "undecided") else 4
        fill = "none" if one.verdict == "undecided" else DATA
        axes.errorbar(day, one.value, yerr=spread, color=DATA, linewidth=1.4, capsize=3)
        axes.plot([day], [one.value], color=DATA, marker=marker, markersize=size, markerfacecolor=fill)
        places += [one.value - spread, one.value + spread]
    return min(places), max(places)


def _limits(
    axes: Axes, quantity: Quantity, panel: Panel, ends: tuple[float, float], reach: tuple[float, float]
) -> tuple[float, float]:
    """The limit as a stroke from half-way before each session to half-way after it; returns the reach with it.

    One that is far from all values is left out: it would flatten what is to be seen.
    """
    days = list(panel.days)
    edges = [ends[0], *((a + b) / 2 for a, b in pairwise(days)), ends[1]]
    low, high = reach
    near = 2 * (high - low) + 0.3 * max(abs(low), abs(high))
    first = 0
    for limit, run in groupby(one.limit for one in panel.results):
        last = first + len(list(run))
        for edge in () if limit is None else (limit, -limit) if quantity.limit.endswith("±") else (limit,):
            if reach[0] - near <= edge <= reach[1] + near:
                axes.hlines(edge, edges[first], edges[last], color=LIMIT, linewidth=1.6)
                low, high = min(low, edge), max(high, edge)
        first = last
    return low, high


def _span(days: Sequence[float]) -> tuple[float, float]:
    """With room at both ends, and never less than some days."""
    room = max(0.06 * (days[-1] - days[0]), 1.0)
    return days[0] - room, days[-1] + room


def _day(day: float) -> str:
    return datetime.fromtimestamp(day * 86400, UTC).strftime("%Y-%m-%d")


def _told(one: Result, quantity: Quantity) -> str:
    verdict = words.verdict_text(one)
    return f"{with_uncertainty(one, quantity.unit)}{f', {verdict}' if verdict else ''}"
