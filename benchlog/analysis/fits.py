"""Curves through readings: straight line, first-order exponential, and the line no outlier can move.

Least squares throughout; ``weights`` multiply the squares. Covariances are those of white noise; who fits
correlated readings scales them (``Fit.widening``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.root import root
from benchlog.analysis.uncertainty import correlation_time

Array = NDArray[np.float64]

FOR_A_BEND = 8  # points; fewer tell a bend too seldom, and its time constant wrongly


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters b (p,), their covariance (p, p), residual sum of squares, degrees of freedom, residuals (n,)."""

    b: Array
    covariance: Array
    rss: float
    dof: int
    residuals: Array

    @property
    def sd(self) -> float:
        """Residual standard deviation."""
        return math.sqrt(self.rss / self.dof) if self.dof else 0.0

    @property
    def u(self) -> Array:
        """Standard uncertainties of the parameters."""
        return np.sqrt(np.diag(self.covariance))

    def widening(self) -> tuple[float, float]:
        """(factor, dof) that correlated residuals ask for: of the covariance, and in the place of ``dof``.

        White noise would give rss / (n - p) per reading and n readings; it is rss / n * n_eff / dof, and n_eff
        (``uncertainty``).
        """
        n, fitted = len(self.residuals), len(self.b)
        dof = max(n / correlation_time(self.residuals, fitted) - fitted, 1.0)
        return self.dof / dof if self.dof else 1.0, dof

    @property
    def misfit(self) -> float:
        """``rss``, or what the rounding of the values themselves comes to: a perfect fit has no logarithm."""
        return max(self.rss, self._floor)

    @property
    def perfect(self) -> bool:
        """Rounding explains what is left."""
        return self.rss <= self._floor

    @property
    def _floor(self) -> float:
        return max(len(self.residuals) * (1e-12 * float(np.max(np.abs(self.b[:2])) or 1.0)) ** 2, 1e-300)


def fit_line(x: Array, y: Array) -> Fit:
    """y = b0 + b1 x through (n,) points. Raises ValueError: fewer than 3 of them, or all at one x."""
    if len(x) < 3:
        raise ValueError("a line with its uncertainty needs three points")
    residuals, slope, spread, middle, level = _about_line(x, y)
    rss = float(residuals @ residuals)
    variance = rss / (len(x) - 2)
    var_slope = variance / spread
    covariance = np.array(
        [[variance / len(x) + middle**2 * var_slope, -middle * var_slope], [-middle * var_slope, var_slope]]
    )
    return Fit(np.array([level - slope * middle, slope]), covariance, rss, len(x) - 2, residuals)


def off_line(x: Array, y: Array) -> Array:
    """(n,) residuals of the line alone, without its uncertainty. Raises ValueError: all at one x."""
    return _about_line(x, y)[0]


def _about_line(x: Array, y: Array) -> tuple[Array, float, float, float, float]:
    """(residuals, slope, sum of squares in x, mean x, mean y), from centred values.

    A line's level at a far-away x = 0 would lose the digits.
    """
    middle, level = mean(x), mean(y)
    centred = x - middle
    spread = float(centred @ centred)
    if spread == 0:
        raise ValueError("all points at one place")
    slope = float(centred @ y) / spread
    return (y - level) - slope * centred, slope, spread, middle, level


def fit_exponential(x: Array, y: Array, weights: Array | None = None) -> Fit | None:
    """y = b0 + b1 exp(-x / b2), b2 > 0, through (n,) points; None where they show no such curve.

    b2 as ``shared_tau`` finds it: no starting values to guess wrong. Raises ValueError: fewer than 4 points.
    """
    if len(x) < 4:
        raise ValueError("an exponential with its uncertainty needs four points")
    weights = np.ones_like(y) if weights is None else weights
    tau = shared_tau([(x, y, weights)])
    if tau is None:
        return None
    root, falling, total = np.sqrt(weights), np.exp(-x / tau), float(weights.sum())
    middle, level = float(weights @ falling) / total, float(weights @ y) / total
    centred, off = falling - middle, y - level
    pull = weights * centred
    height = float(pull @ off) / float(pull @ centred)
    residuals = off - height * centred
    cost = float(residuals**2 @ weights)
    slopes = np.column_stack([root, root * falling, root * height * falling * x / tau**2])
    try:
        inverse = np.linalg.inv(np.linalg.qr(slopes, mode="r"))
    except np.linalg.LinAlgError:
        return None
    b = np.array([level - height * middle, height, tau])
    return Fit(b, inverse @ inverse.T * (cost / (len(x) - 3)), cost, len(x) - 3, residuals)


def shared_tau(windows: Sequence[tuple[Array, Array, Array]]) -> float | None:
    """The time constant of first-order exponentials through (x, y, weights), (n,) each, with a level and height each.

    For every time constant the best levels and heights follow by linear least squares, so that a search over one
    number finds the valley, and the root of the cost's slope its floor (variable projection: G. H. Golub, V. Pereyra,
    SIAM J. Numer. Anal. 10 (1973) 413-432). It is sought between the smallest step in x and 20 times the longest span;
    beyond, the curve is a step or a straight line. None where there is no valley, or no window has 4 different x.
    """
    steps = [found for x, _, _ in windows if len(found := _steps(x)) >= 3]
    if not steps:
        return None
    shortest, longest = min(float(one.min()) for one in steps), max(float(np.ptp(x)) for x, _, _ in windows)
    taus = shortest / 2 * (40 * longest / shortest) ** _FROM_SHORTEST_TO_LONGEST
    sums = [_Sums.of(*one) for one in windows]
    best = int(np.argmin(np.sum([one.costs(taus) for one in sums], axis=0)))
    if best in (0, len(taus) - 1):
        return None

    @cache  # the search begins where the valley was looked for
    def slope(log_tau: float) -> float:
        return math.fsum(one.slope(math.exp(log_tau)) for one in sums)

    around = math.log(taus[best - 1]), math.log(taus[best + 1])
    if not slope(around[0]) < 0 < slope(around[1]):
        return None
    return math.exp(root(slope, *around))


_FROM_SHORTEST_TO_LONGEST = np.linspace(0.0, 1.0, 60)


def _steps(x: Array) -> Array:
    """Between the different values of (n,), in order: as they stand, which they nearly always do, or sorted."""
    steps = x[1:] - x[:-1]
    return steps if (steps > 0).all() else np.diff(np.unique(x))


@dataclass(frozen=True, slots=True)
class _Sums:
    """One window's points, as least squares asks for their sums with f = exp(-x / tau); (n,) each."""

    x: Array
    w: Array  # of sum 1
    w_x: Array
    w_off: Array  # off: y less its mean
    w_off_x: Array
    square: float  # sum of w off**2
    total: float  # of the weights as they were

    @classmethod
    def of(cls, x: Array, y: Array, weights: Array) -> _Sums:
        """Of points (n,) each."""
        total = float(weights.sum())
        w = weights / total
        off = y - w @ y
        return cls(x, w, w * x, w * off, w * off * x, float(w @ off**2), total)

    def costs(self, taus: Array) -> Array:
        """(k,) sums of weighted squares left by the best level and height at each of (k,) time constants."""
        falling = np.multiply.outer(-1 / taus, self.x)
        np.exp(falling, out=falling)
        falling -= (falling @ self.w)[:, None]
        along, spread = falling @ self.w_off, np.square(falling, out=falling) @ self.w
        gained = np.divide(along**2, spread, out=np.zeros_like(taus), where=spread > 0)
        return np.asarray(self.total * (self.square - gained))

    def slope(self, tau: float) -> float:
        """Half of what that sum grows by with the logarithm of the time constant."""
        falling = np.exp(self.x / -tau)
        centred = falling - self.w @ falling
        spread = float(self.w @ centred**2)
        height = float(self.w_off @ centred) / spread if spread > 0 else 0.0
        left = float(self.w_off_x @ falling) - height * float((self.w_x * falling) @ centred)
        return -self.total * height * left / tau


def aicc_price(worth: float, k: int) -> float:
    """What k parameters cost in AICc; infinite where the readings are too few for them."""
    return math.inf if worth - k - 1 <= 0 else 2 * k + 2 * k * (k + 1) / (worth - k - 1)


def aicc(fit: Fit, worth: float) -> float:
    """Akaike's criterion for least squares, corrected for few readings; the noise variance counts as a parameter.

    ``worth``: how many independent readings the n are; infinite where they are too few for so many parameters.
    """
    n = len(fit.residuals)
    return worth * math.log(fit.misfit / n) + aicc_price(worth, len(fit.b) + 1)


def gone(x: Array, lasts: float, tau: float | None) -> Array:
    """(n,) how much of a straight (tau None) or first-order fall from 0 to ``lasts`` has happened at x: 0 to 1."""
    return np.asarray(x / lasts if tau is None else np.expm1(-x / tau) / math.expm1(-lasts / tau))


def median_of_five(values: Array) -> Array:
    """(n,) running median, the first and last whole one carried on to the ends. Five values at least."""
    a, b, c, d, e = (values[i : len(values) - 4 + i] for i in range(5))
    low, high = np.maximum(np.minimum(a, b), np.minimum(c, d)), np.minimum(np.maximum(a, b), np.maximum(c, d))
    middle = np.maximum(np.minimum(low, high), np.minimum(e, np.maximum(low, high)))
    return np.concatenate([middle[:1], middle[:1], middle, middle[-1:], middle[-1:]])


def mean(values: Array) -> float:
    """Of (n,) values, n > 0: the same sum as ``numpy.mean``, which for few of them takes three times as long."""
    return float(np.add.reduce(values)) / len(values)


def median(values: Array) -> float:
    """Of (n,) finite values, n > 0: ``numpy.median`` without its search for NaN and axes, which takes twice as long."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    two = np.partition(values, (half - 1, half))
    return float((two[half - 1] + two[half]) / 2)


def theil_sen(x: Array, y: Array, apart: float = 0.0) -> tuple[float, float]:
    """(slope, intercept) of (n,) points: median of the slopes between all more than ``apart`` apart in x (Sen 1968).

    The intercept is the median of y - slope x. Raises ValueError: no two points that far apart.
    """
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    slopes = []
    for i in range(len(x) - 1):
        dx = x[i + 1 :] - x[i]
        far = int(np.searchsorted(dx, apart, "right"))
        if far < len(dx):
            slopes.append((y[i + 1 + far :] - y[i]) / dx[far:])
    if not slopes:
        raise ValueError("no two points far enough apart")
    slope = median(np.concatenate(slopes))
    return slope, median(y - slope * x)
