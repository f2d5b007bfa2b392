"""Single readings that stand out alone, and the step a series' values come in."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import median, median_of_five

Array = NDArray[np.float64]

FAR = 7.0  # standard deviations
STEPS = 2.5  # what a coarse resolution may jump by
MIN_READINGS = 5


def wild(values: Array) -> NDArray[np.bool_]:
    """Which of (n,) readings in a row stand out alone, or two together, from the five around them.

    As F. R. Hampel's test (J. Am. Stat. Assoc. 69 (1974) 383-393): farther from the median of five than 7 standard
    deviations, these from the median of the absolute differences between neighbours, which a trend does not enlarge. A
    step is no farther from the median of five than its neighbours. Values that come in coarse steps may have no
    scatter at all; 2.5 steps are never wild. Fewer than 5 readings: none is.
    """
    if len(values) < MIN_READINGS:
        return np.zeros(len(values), dtype=bool)
    away = np.abs(values - median_of_five(values))
    steps = values[1:] - values[:-1]
    trend = median(steps)
    sd = robust_sd(steps - trend) / math.sqrt(2)
    # The ends compare with a median two readings away, where trend and wander have moved on: only half as strictly.
    away[[0, 1, -2, -1]] = np.maximum(away[[0, 1, -2, -1]] - 2 * abs(trend), 0.0) / 2
    return np.asarray(away > max(FAR * sd, STEPS * resolution_of(values)))


def robust_sd(away: Array) -> float:
    """Standard deviation of (n,) deviations, n > 0, that a minority of outliers cannot move: 1.4826 x their median."""
    return 1.4826 * median(np.abs(away))


def resolution_of(values: Array) -> float:
    """The step that (n,) values come in, where they are so coarse that most repeat another; else 0."""
    ordered = np.sort(values)
    steps = ordered[1:] - ordered[:-1]
    steps = steps[steps > 0]
    if not len(steps) or 2 * (len(steps) + 1) > len(values):
        return 0.0
    real = steps[steps > 1e-9 * float(max(-ordered[0], ordered[-1]))]
    return float(real.min()) if len(real) else 0.0


def decimal_step(values: Array) -> float:
    """The largest power of ten, 1e-6 to 1000, that all (n,) values are multiples of: a counter's last digit; else 0."""
    if not len(values):
        return 0.0
    slack = 1e-9 + 4e-15 * float(np.max(np.abs(values)))
    for power in range(3, -7, -1):
        step = 10.0**power
        if np.all(np.abs(values - np.round(values / step) * step) <= slack):
            return step
    return 0.0
