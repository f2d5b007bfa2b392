"""Power droop over one window: a straight or a first-order exponential curve, and what it lost end to end."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.fits import Fit, fit_exponential, fit_line
from benchlog.analysis.uncertainty import combine, correlation_time, rectangular
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_READINGS = 5
MIN_SHARE = 0.5  # of the window that the readings must span
MARGIN = 4.0  # in AICc; what the exponential must be better by to be believed
SPIKE_SIGMAS = 5.0
SPIKE_FLOOR = 0.01  # of the level: what a coarse resolution may jump


@dataclass(frozen=True, slots=True)
class DroopFit:
    """The curve fitted over a window, and the droop read from it: 100 (start - end) / start."""

    shape: Literal["straight", "exponential"]
    start_s: float  # of the window
    stop_s: float
    start_w: float
    end_w: float
    tau_s: float | None  # time constant of the exponential
    percent: Measured

    def curve(self, t_s: Array) -> Array:
        """Watts at session times (n,)."""
        x = np.asarray(t_s, dtype=float) - self.start_s
        lasts = self.stop_s - self.start_s
        if self.tau_s is None:
            fallen = x / lasts
        else:
            fallen = np.expm1(-x / self.tau_s) / math.expm1(-lasts / self.tau_s)
        return np.asarray(self.start_w + (self.end_w - self.start_w) * fallen)


def fit_droop(
    t_s: Array, power_w: Array, window: tuple[float, float], accuracy: Accuracy | None = None
) -> DroopFit | None:
    """Fit the good readings of one window.

    Args:
        t_s, power_w: (n,) good readings inside the window, in order of time.
        window: (start_s, stop_s), where the droop is read from the curve.
        accuracy: of the channel. Its gain is common to start and end and cancels; its offset c does not:
            d(percent)/dc = -percent / start.
    Returns:
        None where the readings cannot tell: fewer than 5, or spanning less than half of the window, or the curve
        starts at no power.
    The exponential is taken where its AICc is lower by more than 4 (K. P. Burnham, D. R. Anderson, 2002, ch. 2.6:
    "considerably less" support for the other). Single spikes are left out: see ``spikes``.
    """
    start_s, stop_s = window
    if len(t_s) < MIN_READINGS or t_s[-1] - t_s[0] < MIN_SHARE * (stop_s - start_s):
        return None
    kept = ~spikes(t_s, power_w)
    x, y = t_s[kept] - start_s, power_w[kept]
    if len(x) < MIN_READINGS:
        return None
    lasts = stop_s - start_s
    line = fit_line(x, y)
    bent = fit_exponential(x, y)
    if bent is not None and aicc(bent) < aicc(line) - MARGIN:
        fit, tau_s = bent, float(bent.b[2])
        fallen = math.exp(-lasts / tau_s)
        ends = np.array([[1.0, 1.0, 0.0], [1.0, fallen, fit.b[1] * fallen * lasts / tau_s**2]])
        start_w, end_w = float(fit.b[0] + fit.b[1]), float(fit.b[0] + fit.b[1] * fallen)
    else:
        fit, tau_s = line, None
        ends = np.array([[1.0, 0.0], [1.0, lasts]])
        start_w, end_w = (float(w) for w in ends @ fit.b)
    if start_w <= 0:
        return None
    percent = 100 * (start_w - end_w) / start_w
    u_fit, dof = _fit_uncertainty(fit, np.array([100 * end_w / start_w**2, -100 / start_w]) @ ends)
    budget = [Component(u_fit, dof, f"scatter of {len(x)} readings about the curve", "A")]
    if accuracy and accuracy.offset:
        u_offset = -percent / start_w * rectangular(accuracy.offset)
        budget.append(Component(u_offset, source=f"zero of {accuracy.channel}", shared=accuracy.shared))
    shape: Literal["straight", "exponential"] = "straight" if tau_s is None else "exponential"
    return DroopFit(shape, start_s, stop_s, start_w, end_w, tau_s, combine(percent, budget))


def _fit_uncertainty(fit: Fit, gradient: Array) -> tuple[float, float]:
    """(u, dof) of a function of the parameters, the readings' correlation allowed for."""
    n, fitted = len(fit.residuals), len(fit.b)
    n_eff = n / correlation_time(fit.residuals, fitted)
    dof = max(n_eff - fitted, 1.0)
    # White noise would give rss / (n - fitted) per reading and n readings; it is rss / n * n_eff / dof, and n_eff.
    widening = (fit.dof / dof) if fit.dof else 1.0
    return math.sqrt(float(gradient @ fit.covariance @ gradient) * widening), dof


def aicc(fit: Fit) -> float:
    """Akaike's criterion for least squares, corrected for few readings; the noise variance counts as a parameter."""
    n, k = len(fit.residuals), len(fit.b) + 1
    if n - k - 1 <= 0:
        return math.inf
    # A perfect fit has no logarithm; the rounding of the values themselves is noise enough.
    floor = n * (1e-12 * float(np.max(np.abs(fit.b[:2])) or 1.0)) ** 2
    return n * math.log(max(fit.rss, floor, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def spikes(t_s: Array, values: Array) -> NDArray[np.bool_]:
    """Which of (n,) readings stand out alone from those around them.

    Hampel's test on what is left after a straight line: farther from the median of the nearest five than 5 robust
    standard deviations of such distances, and than 1 % of the level, so that a coarse resolution is no spike.
    """
    n = len(values)
    if n < MIN_READINGS:
        return np.zeros(n, dtype=bool)
    flat = values - float(fit_line(t_s, values).b[1]) * (t_s - t_s[0])
    medians = np.median(np.lib.stride_tricks.sliding_window_view(flat, 5), axis=1)
    around = np.concatenate([[medians[0]] * 2, medians, [medians[-1]] * 2])
    away = np.abs(flat - around)
    limit = max(SPIKE_SIGMAS * 1.4826 * float(np.median(away)), SPIKE_FLOOR * abs(float(np.median(values))))
    return np.asarray(away > limit)
