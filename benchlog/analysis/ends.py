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

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.dips import spikes
from benchlog.analysis.droop import Loss, lost
from benchlog.analysis.fits import aicc, fit_exponential, fit_line, gone
from benchlog.analysis.uncertainty import combine, correlation_time
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_READINGS = 5
MARGIN = 4.0  # in AICc; "considerably less" support for the straight line (K. P. Burnham, D. R. Anderson, 2002, 2.6)


@dataclass(frozen=True, slots=True)
class Ends:
    """A straight or first-order exponential curve over a window, and what it shows there."""

    start_s: float
    lasts_s: float
    loss: Loss
    white_u_percent: float  # of 100 (start - end) / start, had the noise a variance of 1 and no memory
    residuals: Array  # (n,)

    @property
    def parameters(self) -> int:
        """How many were fitted."""
        return 2 if self.loss.tau is None else 3

    def curve(self, t_s: Array) -> Array:
        """At session times (n,)."""
        x = np.asarray(t_s, dtype=float) - self.start_s
        loss = self.loss
        return loss.start + (loss.end - loss.start) * gone(x, self.lasts_s, loss.tau)


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
        fitted = sum(one.parameters for one in curves)
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
    fit, bent = fit_line(x, y), fit_exponential(x, y)
    if bent is not None and aicc(bent, len(x)) < aicc(fit, len(x)) - MARGIN:
        fit = bent
    loss = lost(fit, lasts_s)
    if loss is None:
        return None
    variance = float(loss.gradient @ fit.covariance @ loss.gradient)
    white = variance * fit.dof / fit.rss if fit.rss > 0 and fit.dof else 0.0
    return Ends(start_s, lasts_s, loss, math.sqrt(white), fit.residuals)


def fallen(ends: Ends, noise: Noise | None, accuracy: Accuracy) -> Measured:
    """The percentage lost, with its budget."""
    if noise is None:
        budget = [Component(math.inf, 0.0, "scatter, which so few readings do not show", "A")]
    else:
        u = ends.white_u_percent * math.sqrt(noise.variance)
        budget = [Component(u, noise.dof, f"scatter of {accuracy.channel} about its curve", "A")]
    budget += ends.loss.of_the_meter(accuracy, noise.sd if noise else 0.0)
    return combine(ends.loss.percent, budget)
