"""Figures that set bands side by side, or show one band's frequency over averaging times. Imports matplotlib."""

from __future__ import annotations

from collections.abc import Iterator

from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from benchlog.analysis.results import BandResult, Record
from benchlog.report import words
from benchlog.report.drawing import (
    DATA,
    GRID,
    INK,
    KEYED,
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
from benchlog.report.further import in_parts, steadiness
from benchlog.report.numbers import duration, with_uncertainty
from benchlog.report.words import QUANTITIES

DRAWN_FROM = 5  # averaging times: fewer are told by the table alone


def bars(record: Record, quantity: str) -> Picture | None:
    """A quantity of all bands with its interval against the limit; None where no band has a value.

    ``quantity`` is a name in ``QUANTITIES``: a limit that holds both ways is drawn on both sides.
    """
    bands = list(record.bands)
    results = [band.results[quantity] for band in bands]
    if not any(result.value is not None for result in results):
        return None
    about = QUANTITIES[quantity]
    both_ways = about.limit.startswith("within")
    height = 34 * len(bands) + 58
    names_px = min(120, 16 + 7 * max(len(band.band) for band in bands))
    with style():
        figure, axes = canvas(PANEL, height, (names_px, 96, 38, 14))
        axes.grid(axis="y", visible=False)
        axes.grid(axis="x", color=GRID, linewidth=0.8)
        for row, result in enumerate(results):
            if result.limit is not None:
                edges = [-result.limit, result.limit] if both_ways else [result.limit]
                axes.vlines(edges, row - 0.38, row + 0.38, color=LIMIT, linewidth=2.2)
            if result.value is not None:
                if not both_ways:
                    axes.barh(row, result.value, height=0.34, color=KEYED, edgecolor=DATA, linewidth=0.8)
                spread = result.expanded or 0.0
                axes.errorbar(
                    result.value, row, xerr=spread, color=DATA, linewidth=1.6, capsize=4, marker="o", markersize=4
                )
            verdict = words.verdict_text(result) or words.VERDICT[result.verdict]
            axes.text(
                1.04,
                row,
                verdict,
                transform=axes.get_yaxis_transform(),
                va="center",
                fontweight="bold" if verdict in ("fail", "undecided") else "normal",
                parse_math=False,
            )
        if quantity == "power_w":
            axes.set_xlim(left=0)
        else:  # a droop may be none, or even a rise
            axes.axvline(0, color=INK, linewidth=0.8)
        named_rows(axes, [band.band for band in bands])
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        axes.set_xlabel(f"{about.name}, {about.unit}")
        parts = (f"{b.band} {_with_verdict(b, quantity)}" for b in bands)
        alt = f"{about.name.capitalize()} of each band with its uncertainty, against the limit: {'; '.join(parts)}."
        return Picture(about.name, alt, svg(figure, f"bars-{quantity.replace('_', '-')}", alt))


def _with_verdict(band: BandResult, quantity: str) -> str:
    result = band.results[quantity]
    if result.value is None:
        return "not measured"
    limit = words.limit_text(result, QUANTITIES[quantity])
    said = [with_uncertainty(result, QUANTITIES[quantity].unit), limit, words.verdict_text(result)]
    return ", ".join(part for part in said if part)


def stabilities(record: Record) -> Iterator[Picture]:
    """Allan deviation against averaging time with its intervals, both axes logarithmic; of each band with enough."""
    for number, band in enumerate(record.bands):
        if len(band.stability) < DRAWN_FROM:
            continue
        unit, factor = in_parts(band.stability)
        tau_s = [one.tau_s for one in band.stability]
        deviation = [one.deviation * factor for one in band.stability]
        below = [(one.deviation - one.low) * factor for one in band.stability]
        above = [(one.high - one.deviation) * factor for one in band.stability]
        with style():
            figure, axes = canvas(PANEL, 210, (64, 12, 38, 22))
            axes.grid(axis="x", color=GRID, linewidth=0.8)
            axes.set_xscale("log")
            axes.set_yscale("log")
            axes.errorbar(
                tau_s, deviation, yerr=[below, above], color=DATA, linewidth=1.2, capsize=3, marker="o", markersize=4
            )
            ends = (band.stability[0].low * factor, band.stability[-1].low * factor, *deviation)
            spans = (tau_s[-1] / tau_s[0], max(ends) / max(min(ends), 1e-12))
            for axis, span in zip((axes.xaxis, axes.yaxis), spans, strict=True):
                axis.set_major_locator(LogLocator(10, subs=(1, 2, 5) if span < 50 else (1,), numticks=12))
                axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
                axis.set_minor_locator(NullLocator())
            axes.set_xlabel("averaging time, s")
            axes.set_ylabel(f"Allan deviation, {unit}")
            plain_text(axes, 0, 1.04, clipped(band.band, 30))
            told = steadiness(band)
            alt = (
                f"Overlapping Allan deviation on {band.band} against averaging time, with 95 percent intervals: "
                f"{told[0].deviation} over {duration(tau_s[0])}, {told[-1].deviation} over {duration(tau_s[-1])}."
            )
            yield Picture(band.band, alt, svg(figure, f"stability-{number}", alt))
