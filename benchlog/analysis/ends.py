"""What a quantity is at a window's start and end, from few readings: their noise is taken from all windows together.

A voltmeter gives one reading a second, a heat run one value a key-down: too few in one window to show how their noise
hangs together. The same channel's noise about its curves in all windows of the session shows it better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.dips import spikes
from benchlog.analysis.fits import Fit, fit_exponential, fit_line
from benchlog.analysis.uncertainty import combine, correlation_time, rectangular
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_READINGS = 5
MARGIN = 4.0  # in AICc; "considerably less" support for the straight line (K. P. Burnham, D. R. Anderson, 2002, 2.6)


@dataclass(frozen=True, slots=True)
class Ends:
    """A straight or first-order exponential curve over a window, and what it shows there."""

    start_s: float
    lasts_s: float
    start: float
    end: float
    tau_s: float | None
    white_u_percent: float  # of 100 (start - end) / start, had the noise a variance of 1 and no memory
    residuals: Array  # (n,)

    @property
    def fitted(self) -> int:
        """How many parameters."""
        return 2 if self.tau_s is None else 3

    @property
    def percent(self) -> float:
        """What is lost from start to end."""
        return 100 * (self.start - self.end) / self.start

    def curve(self, t_s: Array) -> Array:
        """At session times (n,)."""
        x = np.asarray(t_s, dtype=float) - self.start_s
        if self.tau_s is None:
            gone = x / self.lasts_s
        else:
            gone = np.expm1(-x / self.tau_s) / math.expm1(-self.lasts_s / self.tau_s)
        return np.asarray(self.start + (self.end - self.start) * gone)


@dataclass(frozen=True, slots=True)
class Noise:
    """Of a channel about its curves; ``variance``: what the mean of n readings has, times n."""

    variance: float
    dof: float
    sd: float  # of single readings

    @classmethod
    def about(cls, curves: Sequence[Ends]) -> Noise | None:
        """None where no reading is left over to show noise."""
        left = np.concatenate([one.residuals for one in curves]) if curves else np.empty(0)
        fitted = sum(one.fitted for one in curves)
        if len(left) <= fitted:
            return None
        rss = float(left @ left)
        dof = max(len(left) / correlation_time(left, fitted) - fitted, 1.0)
        return cls(rss / dof, dof, math.sqrt(rss / (len(left) - fitted)))


def ends_of(t_s: Array, y: Array, window: tuple[float, float]) -> Ends | None:
    """Fit the good readings (n,) of one window; None below 5, over less than half of it, or not starting above zero.

    The exponential is taken where its AICc, as for white noise, is lower by more than 4. Single spikes are left out.
    """
    start_s, lasts_s = window[0], window[1] - window[0]
    if len(t_s) < MIN_READINGS or t_s[-1] - t_s[0] < lasts_s / 2:
        return None
    kept = ~spikes(t_s, y)
    x, y = t_s[kept] - start_s, y[kept]
    if len(x) < MIN_READINGS:
        return None
    line, bent = fit_line(x, y), fit_exponential(x, y)
    tau_s = None
    ends = np.array([[1.0, 0.0], [1.0, lasts_s]])
    fit = line
    if bent is not None and _aicc(bent) < _aicc(line) - MARGIN:
        fit, tau_s = bent, float(bent.b[2])
        left = math.exp(-lasts_s / tau_s)
        ends = np.array([[1.0, 1.0, 0.0], [1.0, left, bent.b[1] * left * lasts_s / tau_s**2]])
    start, end = (float(one) for one in (ends[:, :2] @ fit.b[:2]))
    if start <= 0:
        return None
    gradient = np.array([100 * end / start**2, -100 / start]) @ ends
    white = float(gradient @ fit.covariance @ gradient) * fit.dof / fit.rss if fit.rss > 0 and fit.dof else 0.0
    return Ends(start_s, lasts_s, start, end, tau_s, math.sqrt(white), fit.residuals)


def fallen(ends: Ends, noise: Noise | None, accuracy: Accuracy) -> Measured:
    """100 (start - end) / start with its budget: the channel's gain cancels, its zero c does not, -percent / start."""
    if noise is None:
        budget = [Component(math.inf, 0.0, "scatter, which so few readings do not show", "A")]
    else:
        u = ends.white_u_percent * math.sqrt(noise.variance)
        budget = [Component(u, noise.dof, f"scatter of {accuracy.channel} about its curve", "A")]
    if accuracy.offset:
        u = -ends.percent / ends.start * rectangular(accuracy.offset)
        budget.append(Component(u, source=f"zero of {accuracy.channel}", shared=accuracy.shared))
    if (step := rounding(accuracy.resolution, noise.sd if noise else 0.0)) > 0:
        for where, at in (("start", ends.end / ends.start), ("end", 1.0)):
            u = 100 * step * at / ends.start
            budget.append(Component(u, source=f"resolution of {accuracy.channel}, at the {where}"))
    return combine(ends.percent, budget)


def _aicc(fit: Fit) -> float:
    n, k = len(fit.residuals), len(fit.b) + 1
    if n - k - 1 <= 0:
        return math.inf
    floor = n * (1e-12 * float(np.max(np.abs(fit.b[:2])) or 1.0)) ** 2  # rounding is noise enough for a logarithm
    return n * math.log(max(fit.rss, floor, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
