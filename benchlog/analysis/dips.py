"""Readings that say nothing of a curve: single spikes, and short dips that recover by themselves.

A dip (a brown-out, a dropped contact) belongs to the mean of a window, for that power was not made; but it is no
droop, and must not bend the curve a droop is read from.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import FOR_A_BEND, Fit, fit_exponential, fit_line, median, median_of_five
from benchlog.analysis.wild import robust_sd

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MIN_READINGS = 5
SIGMAS = 5.0  # robust standard deviations from what is around
SHOULDERS = 2.5  # the same, for readings beside those
FLOOR = 0.01  # of the level
STEPS = 2.5  # of the resolution, if that is more: noise of half a step jumps by one often, by three hardly ever
COARSEST = 0.1  # of the level: what jumps by more is no step of a resolution
ALIKE = 1e-9  # of the level: values closer than that are the same
LONGEST = 1 / 6  # of the window: a longer one is no dip, but how the transmitter behaves
MOST = 1 / 4  # of the readings; if more stand out, none does
AT_AN_END = 2  # readings; more of them at an end of the window have not recovered, or never were on the curve
CANDIDATES = 5  # farthest from a curve through all, which an odd one bends towards itself
SHAPES = 15  # time constants tried


def spikes(t_s: Array, values: Array) -> Mask:
    """Which of (n,) readings stand out alone from those around them.

    Hampel's test on what is left after a straight line: farther from the median of the nearest five than 5 robust
    standard deviations of such distances, than 1 % of the level, and than 2.5 steps of readings that are rounded.
    """
    n = len(values)
    if n < MIN_READINGS:
        return np.zeros(n, dtype=bool)
    flat = values - float(fit_line(t_s, values).b[1]) * (t_s - t_s[0])
    away = np.abs(flat - median_of_five(flat))
    return np.asarray(away > max(SIGMAS * robust_sd(away), _floor(values)))


def dips(t_s: Array, values: Array, bent: Fit | None) -> Mask:
    """Which of (n,) readings lie in short dips (or bumps), with their shoulders.

    A dip is a run of readings farther than 5 robust standard deviations, than 1 % of the level, and than 2.5 steps of
    rounded readings, from the straight or exponential curve of least absolute deviations, which a minority of readings
    cannot move; it lasts at most a sixth of the readings' span, and readings on the curve are on both sides of it.
    ``bent``: the exponential of least squares through them, if they have one.
    """
    n = len(values)
    none = np.zeros(n, dtype=bool)
    if n < 2 * MIN_READINGS or not _worth_a_look((bent or fit_line(t_s, values)).residuals, values):
        return none
    away = np.abs(values - _least_absolute(t_s, values))
    sd, floor = robust_sd(away), _floor(values)
    out = away > max(SIGMAS * sd, floor)
    beside = away > max(SHOULDERS * sd, floor / 2)
    longest_s = LONGEST * (t_s[-1] - t_s[0])
    found = none.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], beside, [False]]).astype(int)))
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        recovers = (i > 0 and j < n) or j - i <= AT_AN_END
        if out[i:j].any() and recovers and t_s[j - 1] - t_s[i] <= longest_s:
            found[i:j] = True
    return found if np.count_nonzero(found) <= MOST * n else none


def odd_one(x: Array, y: Array) -> int | None:
    """Which of (n,) points does not belong to the straight or exponential curve of the others; None: all do.

    The largest externally studentised residual against Student's t, at 1 % over all points (R. D. Cook, S. Weisberg,
    Residuals and Influence in Regression, 1982, ch. 2.2.2; from memory). A first or last point is never odd: nothing
    on its far side says that the curve did not go there. Fewer than 5 points cannot tell.
    """
    from scipy import special

    n = len(x)
    if n < MIN_READINGS:
        return None
    whole = _least(x, y)
    worst_first = 1 + np.argsort(-np.abs(whole.residuals[1:-1]), kind="stable")
    floor = (1e-9 * float(np.max(np.abs(y)))) ** 2
    for i in worst_first[:CANDIDATES]:
        others = np.arange(n) != i
        left = _least(x[others], y[others])
        gain = max(whole.rss - left.rss, 0.0) / (max(left.rss, floor) / left.dof)
        if math.sqrt(gain) > float(special.stdtrit(left.dof, 1 - 0.005 / n)):
            return int(i)
    return None


def _least(x: Array, y: Array) -> Fit:
    """The curve of least squares; a bent one needs more than twice as many points as it has parameters."""
    bent, line = fit_exponential(x, y) if len(x) >= FOR_A_BEND else None, fit_line(x, y)
    return bent if bent is not None and bent.rss < line.rss else line


def _worth_a_look(residuals: Array, values: Array) -> bool:
    """Whether any reading is farther from a least-squares curve than the noise from reading to reading allows."""
    steps = robust_sd(np.diff(values)) / math.sqrt(2)
    noise = min(steps, robust_sd(residuals))
    return bool(np.max(np.abs(residuals)) > max((SIGMAS - 1) * noise, _floor(values) / 2))


def _least_absolute(t_s: Array, values: Array) -> Array:
    """(n,) the curve of least absolute deviations, by iteratively reweighted least squares for all shapes at once."""
    x = t_s - t_s[0]
    taus = x[-1] * np.geomspace(1 / 40, 3, SHAPES)
    rows = np.vstack([x / x[-1], np.expm1(-x / taus[:, None])])
    level = median(values)
    tiny = 1e-6 * abs(level) or 1e-12
    away = np.ones_like(rows)
    curves = rows
    for _ in range(25):
        weights = 1 / np.maximum(np.abs(away), tiny)
        total = weights.sum(axis=1, keepdims=True)
        centred = rows - (weights * rows).sum(axis=1, keepdims=True) / total
        middle = (weights * values).sum(axis=1, keepdims=True) / total
        spread = (weights * centred**2).sum(axis=1, keepdims=True)
        slope = (weights * centred * (values - middle)).sum(axis=1, keepdims=True) / np.maximum(spread, 1e-300)
        curves = middle + slope * centred
        away = values - curves
    best: Array = curves[int(np.argmin(np.abs(away).sum(axis=1)))]
    return best


def _floor(values: Array) -> float:
    """What readings may jump by without being odd: a share of the level, or what a coarse resolution makes them.

    Readings that most often repeat would have no robust standard deviation, and each step would stand out.
    """
    level = abs(median(values))
    gaps = np.diff(np.unique(values))
    gaps = gaps[gaps > ALIKE * level]
    steps = STEPS * float(gaps.min()) if len(gaps) and _repeat(values, len(gaps)) else 0.0
    return max(FLOOR * level, min(steps, COARSEST * level))


def _repeat(values: Array, gaps: int) -> bool:
    """Whether (n,) values lie on few enough different ones to be rounded: on average three on each."""
    return 3 * (gaps + 1) <= len(values)
