"""The record's figures. Importing this imports matplotlib; ``html`` does so only when it renders."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from benchlog.analysis.results import BandResult, Record
from benchlog.plan import Band, Plan
from benchlog.quantities import show
from benchlog.report import words
from benchlog.report.drawing import (
    DATA,
    FIT,
    GRID,
    INK,
    KEYED,
    LIMIT,
    MISSING,
    TUNING,
    WINDOW,
    Picture,
    canvas,
    decimated,
    merged,
    shade,
    style,
    svg,
    time_axis,
)
from benchlog.report.numbers import duration, significant, with_uncertainty
from benchlog.report.words import QUANTITIES

if TYPE_CHECKING:  # analysis brings scipy, and is not needed to draw what it found
    from benchlog.analysis.analyse import Analysis
    from benchlog.analysis.corrections import Corrected
    from benchlog.analysis.keydowns import KeyDown

WIDE, NARROW, PANEL = 720, 350, 340  # px
_LEFT, _RIGHT, _BOTTOM = 58, 10, 38


def power_in_time(analysis: Analysis, plan: Plan) -> Picture | None:
    """Forward power over the session; None where none was measured."""
    power = _measuring(analysis, "forward-power")
    if power is None:
        return None
    # Hundreds of key-downs: the ways up and down would cover everything, so only what lies between them is drawn.
    crowded = 12 * len(analysis.key_downs) > WIDE
    watts = np.where(_keyed(analysis, power), power.value, np.nan) if crowded else power.value

    def draw(axes: Axes, columns: int) -> None:
        _line(axes, power.t_s, watts, columns)
        for key_down in [] if crowded else _counting(analysis):
            if key_down.window is not None and key_down.droop is not None:
                t_s = np.linspace(*key_down.window, 2 if key_down.droop.shape == "straight" else 20)
                axes.plot(t_s, key_down.droop.curve(t_s), color=FIT, linewidth=1.6, dashes=(4, 2))
        for name, spans in _by_band(analysis).items():
            _level(axes, plan.band(name).min_power, spans)
        if crowded:
            axes.set_ylabel("forward power, key down, W")
        else:
            least_w = min(band.min_power for band in plan.bands)
            axes.set_ylim(0, max(axes.get_ylim()[1], 0.2 * least_w))  # a meter's noise shall look like noise
            axes.set_ylabel("forward power, W")

    counted = words.count(len(_counting(analysis)), "counted key-down")
    alt = (
        f"Forward power against time over {duration(_span_s(analysis))}, with {counted} {_in_bands(analysis)}. "
        "The numbers are in the table of results."
    )
    return _session_picture(analysis, power, np.isnan(power.value), "Forward power against time", alt, draw)


def frequency_in_time(analysis: Analysis, plan: Plan) -> Picture | None:
    """Measured minus expected frequency while the key was down on a known band; None where there is none."""
    frequency = _measuring(analysis, "frequency")
    if frequency is None:
        return None
    error = np.full(len(frequency.t_s), np.nan)
    for key_down in analysis.key_downs:
        if key_down.band is not None:
            span = key_down.window or (key_down.start_s, key_down.stop_s)
            inside = slice(*np.searchsorted(frequency.t_s, span))
            error[inside] = frequency.value[inside] - plan.band(key_down.band).expected_hz
    if np.isnan(error).all():
        return None
    reach = float(np.nanmax(np.abs(error)))

    def draw(axes: Axes, columns: int) -> None:
        _line(axes, frequency.t_s, error, columns)
        for name, spans in _by_band(analysis).items():
            tolerance = plan.band(name).max_frequency_error
            limit = None if tolerance is None else tolerance.at(plan.band(name).expected_hz)
            if limit is not None and limit < 20 * reach:  # a far wider one would flatten what is to be seen
                _level(axes, limit, spans)
                _level(axes, -limit, spans)
        axes.axhline(0, color=INK, linewidth=0.8)
        axes.set_ylabel("frequency error, Hz")

    alt = (
        f"Frequency error in hertz against time {_in_bands(analysis)}, between {np.nanmin(error):.0f} and "
        f"{np.nanmax(error):.0f} Hz. The means with their uncertainties are in the table of results."
    )
    missing = np.isnan(frequency.value) & _keyed(analysis, frequency)  # with the key up there is nothing to count
    return _session_picture(analysis, frequency, missing, "Frequency error against time", alt, draw)


def close_ups(analysis: Analysis, plan: Plan) -> Iterator[Picture]:
    """For each band the key-down with the worst droop: power, window and fitted curve."""
    power = _measuring(analysis, "forward-power")
    for number, band in enumerate(plan.bands):
        fitted = [
            (k.droop.percent.value, k) for k in _counting(analysis) if k.band == band.name and k.droop and k.window
        ]
        if power is not None and fitted:
            _, worst = max(fitted, key=lambda pair: pair[0])
            yield _close_up(power, band, worst, f"close-{number}")


def _close_up(power: Corrected, band: Band, key_down: KeyDown, name: str) -> Picture:
    fit, window, start_s = key_down.droop, key_down.window, key_down.start_s
    assert fit is not None  # as chosen above
    assert window is not None
    lasted_s = key_down.stop_s - start_s
    margin_s = 0.04 * lasted_s
    near = slice(*np.searchsorted(power.t_s, (start_s - margin_s, key_down.stop_s + margin_s)))
    inside = power.value[slice(*np.searchsorted(power.t_s, window))]
    shown = [*inside[np.isfinite(inside)], fit.start_w, fit.end_w]
    span_w = max(max(shown) - min(shown), 0.05 * max(shown))  # a steady carrier shall look steady
    low, high = min(shown) - 0.3 * span_w, max(shown) + 0.3 * span_w
    with style():
        figure, axes = canvas(PANEL, 190, (64, _RIGHT, 36, 22))
        shade(axes, [(0, lasted_s)], KEYED)
        shade(axes, [(window[0] - start_s, window[1] - start_s)], WINDOW)
        t_s, watts = decimated(power.t_s[near] - start_s, power.value[near], PANEL)
        axes.plot(t_s, watts, color=DATA, linewidth=0, marker="o", markersize=2.4, markeredgewidth=0)
        fit_s = np.linspace(*window, 40)
        axes.plot(fit_s - start_s, fit.curve(fit_s), color=FIT, linewidth=1.6, dashes=(4, 2))
        if low - span_w < band.min_power < high + span_w:  # a far limit would flatten what is to be seen
            axes.axhline(band.min_power, color=LIMIT, linewidth=1.2)
            low, high = min(low, band.min_power - 0.2 * span_w), max(high, band.min_power + 0.2 * span_w)
        axes.set_ylim(max(0.0, low), high)
        axes.set_xlim(-margin_s, lasted_s + margin_s)
        axes.set_xlabel("seconds of key-down")
        axes.set_ylabel("forward power, W")
        title = f"{band.name}: {significant(fit.start_w)} W to {significant(fit.end_w)} W"
        _plain_text(axes, 0, 1.04, title)
        shape = "falling straight" if fit.shape == "straight" else "settling exponentially"
        alt = f"Power during one key-down on {title}, {shape}, droop {fit.percent.value:.1f} percent."
        return Picture(band.name, alt, svg(figure, name, alt))


def others_in_time(analysis: Analysis) -> Iterator[Picture]:
    """Every other channel that has a good reading, small."""
    for number, series in enumerate(analysis.series.values()):
        if series.measures in ("forward-power", "frequency") or not np.isfinite(series.value).any():
            continue
        with style():
            figure, axes = canvas(PANEL, 150, (58, _RIGHT, 36, 22))
            span_s = _span_s(analysis)
            _shade_keyed(axes, analysis, span_s / PANEL)
            _line(axes, series.t_s, series.value, PANEL - 68)
            axes.set_xlim(0, span_s)
            _mark_missing(axes, series, np.isnan(series.value), span_s / PANEL)
            time_axis(axes, span_s, 5)
            about = f", {series.measures}" if series.measures and series.measures != series.channel else ""
            unit = {"degC": "°C"}.get(series.unit, series.unit)
            _plain_text(axes, 0, 1.06, f"{series.channel}{about}, {unit}")
            low, high = float(np.nanmin(series.value)), float(np.nanmax(series.value))
            alt = f"{series.channel}{about} against time, from {show(low, series.unit)} to {show(high, series.unit)}."
            yield Picture(series.channel, alt, svg(figure, f"other-{number}", alt))


def bars(record: Record, quantity: str) -> Picture | None:
    """A quantity of all bands with its interval against the limit; None where no band has a value.

    ``quantity`` is ``power_w`` (a lower limit) or ``frequency_error_hz`` (a limit both ways).
    """
    bands = list(record.bands)
    results = [band.results[quantity] for band in bands]
    if not any(result.value is not None for result in results):
        return None
    about = QUANTITIES[quantity]
    height = 34 * len(bands) + 58
    names_px = min(120, 16 + 7 * max(len(band.band) for band in bands))
    with style():
        figure, axes = canvas(PANEL, height, (names_px, 84, 38, 14))
        axes.grid(axis="y", visible=False)
        axes.grid(axis="x", color=GRID, linewidth=0.8)
        for row, result in enumerate(results):
            if result.limit is not None:
                edges = [result.limit] if quantity == "power_w" else [-result.limit, result.limit]
                axes.vlines(edges, row - 0.38, row + 0.38, color=LIMIT, linewidth=2.2)
            if result.value is not None:
                if quantity == "power_w":
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
        else:
            axes.axvline(0, color=INK, linewidth=0.8)
        axes.set_ylim(len(bands) - 0.45, -0.55)
        axes.set_yticks(range(len(bands)))
        for label, band in zip(axes.set_yticklabels([b.band for b in bands]), bands, strict=True):
            label.set_parse_math(False)
            label.set_text(_clipped(band.band, 16))
        axes.tick_params(axis="y", length=0)
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


def _session_picture(
    analysis: Analysis,
    series: Corrected,
    missing: NDArray[np.bool_],
    title: str,
    alt: str,
    draw: Callable[[Axes, int], None],
) -> Picture:
    """What both figures of the whole session share; ``draw`` adds the quantity, given axes and their width in px."""
    name = title.lower().replace(" ", "-")
    drawn = []
    for size, width in (("wide", WIDE), ("narrow", NARROW)):
        with style():
            columns = width - _LEFT - _RIGHT
            span_s = _span_s(analysis)
            figure, axes = canvas(width, 300 if size == "wide" else 260, (_LEFT, _RIGHT, _BOTTOM, 34))
            _shade_keyed(axes, analysis, span_s / columns)
            draw(axes, columns)
            axes.set_xlim(0, span_s)
            _mark_missing(axes, series, missing, span_s / columns)
            _label_bands(axes, analysis, span_s, columns)
            time_axis(axes, span_s, 8 if size == "wide" else 4)
            drawn.append(svg(figure, f"{name}-{size}", alt))
    return Picture(title, alt, *drawn)


def _line(axes: Axes, t_s: NDArray[np.float64], value: NDArray[np.float64], columns: int) -> None:
    """A line, with a dot where a reading has no neighbour to draw a line to."""
    t_s, value = decimated(t_s, value, columns)
    axes.plot(t_s, value, color=DATA, linewidth=1.2)
    lacking = np.concatenate(([True], np.isnan(value), [True]))
    alone = ~lacking[1:-1] & lacking[:-2] & lacking[2:]
    axes.plot(t_s[alone], value[alone], color=DATA, linewidth=0, marker="o", markersize=1.8, markeredgewidth=0)


def _level(axes: Axes, limit: float, spans: Sequence[tuple[float, float]]) -> None:
    """A limit, drawn where it holds."""
    axes.hlines([limit] * len(spans), *zip(*spans, strict=True), color=LIMIT, linewidth=1.2)


def _shade_keyed(axes: Axes, analysis: Analysis, pixel_s: float) -> None:
    shade(axes, merged(((k.start_s, k.stop_s) for k in analysis.key_downs if not k.counts), pixel_s), TUNING)
    shade(axes, merged(((k.start_s, k.stop_s) for k in _counting(analysis)), pixel_s), KEYED)
    shade(axes, merged((k.window for k in _counting(analysis) if k.window), pixel_s), WINDOW)


def _keyed(analysis: Analysis, series: Corrected) -> NDArray[np.bool_]:
    """(n,) whether the key was down at each of the channel's slots."""
    keyed = np.zeros(len(series.t_s), bool)
    for key_down in analysis.key_downs:
        keyed[slice(*np.searchsorted(series.t_s, (key_down.start_s, key_down.stop_s)))] = True
    return keyed


def _mark_missing(axes: Axes, series: Corrected, missing: NDArray[np.bool_], pixel_s: float) -> None:
    """A strip along the foot where the channel has no good reading."""
    where = np.flatnonzero(missing)
    if not len(where):
        return
    half_s = float(np.median(np.diff(series.t_s))) / 2 if len(series.t_s) > 1 else pixel_s
    spans = merged(((series.t_s[i] - half_s, series.t_s[i] + half_s) for i in where), max(pixel_s, 2.2 * half_s))
    shade(axes, [(start, max(stop, start + 2 * pixel_s)) for start, stop in spans], MISSING, 0.0, 0.035)


def _label_bands(axes: Axes, analysis: Analysis, span_s: float, columns: int) -> None:
    """Each run of key-downs on one band is named above it, in two rows where names would touch."""
    free_from = [-1e9, -1e9]
    for band, run in groupby(analysis.key_downs, key=lambda k: k.band):
        key_downs = list(run)
        name = _clipped(band or "no band", 14)
        middle_px = (key_downs[0].start_s + key_downs[-1].stop_s) / 2 / span_s * columns
        half_px = 3.5 * len(name) + 3
        row = next((i for i, free in enumerate(free_from) if middle_px - half_px >= free), None)
        if row is not None:
            free_from[row] = middle_px + half_px
            _plain_text(axes, middle_px / columns, 1.02 + 0.06 * row, name, "center")


def _plain_text(axes: Axes, x: float, y: float, text: str, align: str = "left") -> None:
    """A file's words in axes coordinates; dollar signs in them are no formula."""
    axes.text(x, y, text, transform=axes.transAxes, ha=align, va="bottom", parse_math=False)


def _clipped(name: str, most: int) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"


def _measuring(analysis: Analysis, measure: str) -> Corrected | None:
    found = next((s for s in analysis.series.values() if s.measures == measure), None)
    return found if found is not None and np.isfinite(found.value).any() else None


def _counting(analysis: Analysis) -> list[KeyDown]:
    return [k for k in analysis.key_downs if k.counts]


def _by_band(analysis: Analysis) -> dict[str, list[tuple[float, float]]]:
    """Where in the session each band was keyed; key-downs that are near each other on its scale made one."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for key_down in analysis.key_downs:
        if key_down.band is not None:
            spans.setdefault(key_down.band, []).append((key_down.start_s, key_down.stop_s))
    return {name: merged(found, _span_s(analysis) / 12) for name, found in spans.items()}


def _span_s(analysis: Analysis) -> float:
    ends = [float(s.t_s[-1]) for s in analysis.series.values() if len(s.t_s)]
    return max([*ends, *(k.stop_s for k in analysis.key_downs)], default=1.0) or 1.0


def _in_bands(analysis: Analysis) -> str:
    names: Sequence[str] = list(_by_band(analysis))
    return f"on {words.listed(names)}" if names else "on no band of the plan"
