"""The record's figures. Importing this imports matplotlib; ``html`` does so only when it renders."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.results import BandResult
from benchlog.bench import Bench
from benchlog.plan import Plan
from benchlog.quantities import show
from benchlog.report import curves, words
from benchlog.report.drawing import (
    FIT,
    INK,
    KEYED,
    LIMIT,
    LONG_DASHES,
    MISSING,
    NARROW,
    PANEL,
    TUNING,
    WIDE,
    WINDOW,
    Picture,
    canvas,
    clipped,
    level,
    line,
    plain_text,
    shade,
    style,
    svg,
    time_axis,
)
from benchlog.report.numbers import duration, fitting, significant
from benchlog.report.session import by_band, counting, in_bands, keyed, measuring, merged, span_s

_LEFT, _RIGHT, _BOTTOM = 58, 10, 38


def power_in_time(analysis: Analysis, bench: Bench, plan: Plan) -> Picture | None:
    """Forward power over the session, as the meter shows it; None where none was measured."""
    power = measuring(analysis, "forward-power")
    if power is None:
        return None
    # Hundreds of key-downs: the ways up and down would cover everything, so only what lies between them is drawn.
    crowded = 12 * len(analysis.key_downs) > WIDE
    watts = np.where(keyed(analysis, power), power.value, np.nan) if crowded else power.value

    run_curves = [(band, curve) for band in analysis.record.bands if (curve := curves.run_droop(analysis, band))]

    def draw(axes: Axes, columns: int) -> None:
        line(axes, power.t_s, watts, columns)
        for key_down in [] if crowded else counting(analysis):
            if key_down.window is not None and key_down.droop is not None:
                t_s = np.linspace(*key_down.window, 2 if key_down.droop.shape == "straight" else 20)
                axes.plot(t_s, key_down.droop.curve(t_s), color=FIT, linewidth=1.6, dashes=(4, 2))
        for name, spans in by_band(analysis).items():
            level(axes, plan.band(name).shown_power(bench.meter), spans)
        for _, curve in run_curves:
            axes.plot(*curve, color=FIT, linewidth=1.6, dashes=LONG_DASHES)
        if crowded:
            axes.set_ylabel("forward power, key down, W")
        else:
            least_w = min(band.shown_power(bench.meter) for band in plan.bands)
            axes.set_ylim(0, max(axes.get_ylim()[1], 0.2 * least_w))  # a meter's noise shall look like noise
            axes.set_ylabel("forward power, W")

    counted = words.count(len(counting(analysis)), "counted key-down")
    alt = (
        f"Forward power against time over {duration(span_s(analysis))}, with {counted} {in_bands(analysis)}. "
        f"{''.join(_told(band, curve) for band, curve in run_curves)}The numbers are in the table of results."
    )
    return _session_picture(analysis, power, np.isnan(power.value), "Forward power against time", alt, draw)


def frequency_in_time(analysis: Analysis, plan: Plan) -> Picture | None:
    """Measured minus expected frequency while the key was down on a known band; None where there is none."""
    frequency = measuring(analysis, "frequency")
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

    warm = [(band, curve) for band in analysis.record.bands if (curve := curves.warm_up(analysis, band))]
    marks = sorted(curves.marks(analysis))

    def draw(axes: Axes, columns: int) -> None:
        line(axes, frequency.t_s, error, columns)
        for _, curve in warm:
            axes.plot(*curve, color=FIT, linewidth=1.6, dashes=LONG_DASHES)
        for name, spans in by_band(analysis).items():
            tolerance = plan.band(name).max_frequency_error
            limit = None if tolerance is None else tolerance.at(plan.band(name).expected_hz)
            if limit is not None and limit < 20 * reach:  # a far wider one would flatten what is to be seen
                level(axes, limit, spans)
                level(axes, -limit, spans)
        axes.axhline(0, color=INK, linewidth=0.8)
        axes.set_ylabel("frequency error, Hz")
        _mark(axes, marks, span_s(analysis), columns)

    seen = f" Marked: {'; '.join(f'{text} after {duration(t_s)}' for t_s, text in marks)}." if marks else ""
    fitted = "".join(f" {band.band}: a warm-up curve is drawn." for band, _ in warm)
    alt = (
        f"Frequency error in hertz against time {in_bands(analysis)}, between {np.nanmin(error):.0f} and "
        f"{np.nanmax(error):.0f} Hz.{fitted}{seen} The means with their uncertainties are in the table of results."
    )
    missing = np.isnan(frequency.value) & keyed(analysis, frequency)  # with the key up there is nothing to count
    return _session_picture(analysis, frequency, missing, "Frequency error against time", alt, draw)


def _told(band: BandResult, curve: tuple[NDArray[np.float64], NDArray[np.float64]]) -> str:
    """A run's curve in words."""
    watts = curve[1]
    return f"Over the run {band.band} goes from {significant(watts[0])} W to {significant(watts[-1])} W. "


def _mark(axes: Axes, marks: Sequence[tuple[float, str]], whole_s: float, columns: int) -> None:
    """An upright line at each mark, and what it is where its words do not run into those before."""
    if not marks:
        return
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.28 * (high - low))  # room for the words above what was measured
    free_from = [0.0, 0.0, 0.0]
    for t_s, text in marks:
        axes.axvline(t_s, ymax=0.8, color=LIMIT, linewidth=1.2, dashes=(1, 2))
        width_px = 6.6 * len(text) + 8
        from_px = min(max(t_s / whole_s * columns - width_px / 2, 0), columns - width_px)
        row = next((i for i, free in enumerate(free_from) if from_px >= free), None)
        if row is not None:
            free_from[row] = from_px + width_px
            plain_text(axes, (from_px + 4) / columns, 0.935 - 0.065 * row, text)


def others_in_time(analysis: Analysis) -> Iterator[Picture]:
    """Every other channel that has a good reading, small."""
    for number, series in enumerate(analysis.series.values()):
        if series.measures in ("forward-power", "frequency") or not np.isfinite(series.value).any():
            continue
        with style():
            figure, axes = canvas(PANEL, 150, (58, _RIGHT, 36, 22))
            whole_s = span_s(analysis)
            _shade_keyed(axes, analysis, whole_s / PANEL)
            low, high = float(np.nanmin(series.value)), float(np.nanmax(series.value))
            factor, unit = fitting(max(abs(low), abs(high)), series.unit)
            line(axes, series.t_s, series.value * factor, PANEL - 68)
            axes.set_xlim(0, whole_s)
            _mark_missing(axes, series, np.isnan(series.value), whole_s / PANEL)
            time_axis(axes, whole_s, 5)
            said = words.measure(series.measures or "")
            about = f", {said}" if said not in series.channel else ""
            plain_text(axes, 0, 1.06, f"{series.channel}{about}, {words.degrees(unit)}")
            alt = f"{series.channel}{about} against time, from {show(low, series.unit)} to {show(high, series.unit)}."
            yield Picture(series.channel, alt, svg(figure, f"other-{number}", alt))


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
            whole_s = span_s(analysis)
            figure, axes = canvas(width, 300 if size == "wide" else 260, (_LEFT, _RIGHT, _BOTTOM, 34))
            _shade_keyed(axes, analysis, whole_s / columns)
            draw(axes, columns)
            axes.set_xlim(0, whole_s)
            _mark_missing(axes, series, missing, whole_s / columns)
            _label_bands(axes, analysis, whole_s, columns)
            time_axis(axes, whole_s, 8 if size == "wide" else 4)
            drawn.append(svg(figure, f"{name}-{size}", alt))
    return Picture(title, alt, *drawn)


def _shade_keyed(axes: Axes, analysis: Analysis, pixel_s: float) -> None:
    shade(axes, merged(((k.start_s, k.stop_s) for k in analysis.key_downs if not k.counts), pixel_s), TUNING)
    shade(axes, merged(((k.start_s, k.stop_s) for k in counting(analysis)), pixel_s), KEYED)
    shade(axes, merged((k.window for k in counting(analysis) if k.window), pixel_s), WINDOW)


def _mark_missing(axes: Axes, series: Corrected, missing: NDArray[np.bool_], pixel_s: float) -> None:
    """A strip along the foot where the channel has no good reading."""
    where = np.flatnonzero(missing)
    if not len(where):
        return
    half_s = float(np.median(np.diff(series.t_s))) / 2 if len(series.t_s) > 1 else pixel_s
    spans = merged(((series.t_s[i] - half_s, series.t_s[i] + half_s) for i in where), max(pixel_s, 2.2 * half_s))
    shade(axes, [(start, max(stop, start + 2 * pixel_s)) for start, stop in spans], MISSING, 0.0, 0.035)


def _label_bands(axes: Axes, analysis: Analysis, whole_s: float, columns: int) -> None:
    """Each run of key-downs on one band is named above it, in two rows where names would touch."""
    free_from = [-1e9, -1e9]
    for band, run in groupby(analysis.key_downs, key=lambda k: k.band):
        key_downs = list(run)
        name = clipped(band or "no band", 14)
        middle_px = (key_downs[0].start_s + key_downs[-1].stop_s) / 2 / whole_s * columns
        half_px = 3.5 * len(name) + 3
        row = next((i for i, free in enumerate(free_from) if middle_px - half_px >= free), None)
        if row is not None:
            free_from[row] = middle_px + half_px
            plain_text(axes, middle_px / columns, 1.02 + 0.06 * row, name, "center")
