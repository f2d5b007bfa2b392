"""Curves and marks over a whole session, drawn from the record's own results: droop over a run, warm-up, steps."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.fits import gone
from benchlog.analysis.results import BandResult
from benchlog.report.numbers import significant
from benchlog.report.session import counting, measuring

Array = NDArray[np.float64]
_POINTS = 80


def run_droop(analysis: Analysis, band: BandResult) -> tuple[Array, Array] | None:
    """(t_s, watts), (80,) each: the fall over a run that the record states; None where it states none.

    Percentage and time constant are the record's; the level is that which fits the windows' powers best.
    """
    percent = band.run_droop_percent.value
    heard = [k for k in counting(analysis) if k.band == band.band and k.window and k.power_w is not None]
    if percent is None or len(heard) < 2:
        return None
    middles = np.array([sum(k.window) / 2 for k in heard if k.window])
    watts = np.array([k.power_w for k in heard], dtype=float)
    start_s, lasts_s = middles[0], middles[-1] - middles[0]

    def left(t_s: Array) -> Array:
        return 1 - percent / 100 * gone(t_s - start_s, lasts_s, band.run_droop_tau_s.value)

    shape = left(middles)
    level_w = float(watts @ shape / (shape @ shape))
    t_s = np.linspace(start_s, middles[-1], _POINTS)
    return t_s, level_w * left(t_s)


def warm_up(analysis: Analysis, band: BandResult) -> tuple[Array, Array] | None:
    """(t_s, Hz off the expected frequency), (80,) each, from the band's first reading to its last."""
    frequency = measuring(analysis, "frequency")
    if band.warm_up is None or frequency is None:
        return None
    by_hz, tau_s, final_hz = (r.value for r in (band.warm_up.by_hz, band.warm_up.tau_s, band.warm_up.final_hz))
    windows = [k.window for k in counting(analysis) if k.band == band.band and k.window]
    if by_hz is None or tau_s is None or final_hz is None or not windows:
        return None
    t_s, _ = frequency.between(windows[0][0], windows[-1][1]).good()
    if not len(t_s):
        return None
    at_s = np.linspace(t_s[0], t_s[-1], _POINTS)
    return at_s, final_hz - band.expected_hz + by_hz * np.exp(-(at_s - t_s[0]) / tau_s)


def marks(analysis: Analysis) -> Iterator[tuple[float, str]]:
    """(t_s, what to write there): steps with their sizes, and when a frequency had settled."""
    for finding in analysis.record.findings:
        if finding.kind == "step" and finding.from_ns is not None:
            middle_ns = (finding.from_ns + (finding.to_ns or finding.from_ns)) / 2
            size = "" if finding.value is None else f" {finding.value:+.3g} Hz"
            yield middle_ns / 1e9, f"step{size}".replace("-", "−")
    for band in analysis.record.bands:
        # A frequency that never was outside has its first reading's time, which would mark nothing.
        if band.settled_after_s is not None and band.warm_up is not None:
            yield band.settled_after_s, f"settled {significant(band.settled_after_s / 60, 3)} min"
