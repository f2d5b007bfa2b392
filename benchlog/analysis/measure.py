"""One key-down measured from the readings in its span alone: live at each key-up, and by ``analyse`` later."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.droop import DroopFit, fit_droop
from benchlog.analysis.fits import mean, off_line
from benchlog.analysis.keydowns import KeyDown, Span, band_of, counts, window_of
from benchlog.analysis.turns import Turn, dip, highest, peak
from benchlog.analysis.uncertainty import WindowMean, scatter
from benchlog.bench import Bench
from benchlog.model import Measure, SessionKind
from benchlog.plan import Plan

Array = NDArray[np.float64]


def measure_key_down(
    span: Span, series: Mapping[str, Corrected], bench: Bench, plan: Plan, kind: SessionKind
) -> KeyDown:
    """Band, window, means, droop and turns of one key-down.

    Args:
        series: corrected channels by name; only what lies within the key-down is looked at, so that more may be in.
    """
    window = window_of(span, plan)
    band = band_of(span, measuring(series, "frequency"), plan)
    key_down = KeyDown(
        span.start_s,
        span.stop_s,
        band.name if band else None,
        counts(span.stop_s - span.start_s, window, kind, plan),
        window,
        turns={} if kind == "soak" else _turns(series, bench, span),
    )
    if window is None:
        return key_down
    droop = None
    means: dict[Measure, WindowMean] = {}
    for one in series.values():
        if one.measures is None:
            continue
        inside = one.between(*window)
        if one.measures == "forward-power":
            accuracy = Accuracy.measuring(bench, "forward-power").at(band.expected_hz if band else None)
            droop = fit_droop(*inside.good(), window, accuracy)
        means[one.measures] = window_mean(inside, droop if one.measures == "forward-power" else None)
    return replace(key_down, means=means, droop=droop)


def _turns(series: Mapping[str, Corrected], bench: Bench, span: Span) -> dict[Measure, Turn]:
    """Where grid current peaked and where plate current dipped in one key-down."""

    def inside(measure: Measure) -> Corrected | None:
        one = measuring(series, measure)
        return one.between(span.start_s, span.stop_s) if one else None

    typed = {channel.name for instrument, channel in bench.channels() if instrument.typed}
    found: dict[Measure, Turn | None] = {}
    if (grid := inside("grid-current")) is not None:
        found["grid-current"] = highest(*grid.good()) if grid.channel in typed else peak(*grid.good())
    if (plate := inside("plate-current")) is not None:
        power = inside("forward-power")
        found["plate-current"] = dip(*plate.good(), *(power.good() if power else (np.empty(0), np.empty(0))))
    return {measure: turn for measure, turn in found.items() if turn is not None}


def measuring(series: Mapping[str, Corrected], measure: Measure) -> Corrected | None:
    """The channel that measures something; the bench file allows one at most."""
    return next((one for one in series.values() if one.measures == measure), None)


def window_mean(inside: Corrected, droop: DroopFit | None = None) -> WindowMean:
    """Mean of the readings inside a window, with their noise about the droop curve or else a straight line."""
    t_s, values = inside.good()
    n = len(values)
    if not n:
        return WindowMean(0, math.nan, scatter(values), inside.over_range())
    level = mean(values)
    residuals, fitted = values - level, 1
    if droop is not None:
        residuals, fitted = values - droop.curve(t_s), droop.parameters
    elif n > 3:
        residuals, fitted = off_line(t_s, values), 2
    return WindowMean(n, level, scatter(residuals, fitted), inside.over_range())
