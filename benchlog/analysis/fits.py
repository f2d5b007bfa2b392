"""Curves through readings: straight line, first-order exponential, and the line no outlier can move.

Least squares throughout; ``weights`` multiply the squares. Covariances are those of white noise; who fits
correlated readings scales them (``uncertainty.scatter``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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


def fit_line(x: Array, y: Array) -> Fit:
    """y = b0 + b1 x. Raises ValueError: fewer than 3 points, or all at one x."""
    if len(x) < 3:
        raise ValueError("a line with its uncertainty needs three points")
    middle = float(x.mean())
    centred = x - middle
    spread = float(centred @ centred)
    if spread == 0:
        raise ValueError("all points at one place")
    slope = float(centred @ y) / spread
    mean = float(y.mean())
    # Residuals and parameters from centred values: b0 at a far-away x = 0 would lose the digits.
    residuals = (y - mean) - slope * centred
    rss = float(residuals @ residuals)
    variance = rss / (len(x) - 2)
    var_slope = variance / spread
    covariance = np.array(
        [[variance / len(x) + middle**2 * var_slope, -middle * var_slope], [-middle * var_slope, var_slope]]
    )
    return Fit(np.array([mean - slope * middle, slope]), covariance, rss, len(x) - 2, residuals)


def fit_exponential(x: Array, y: Array, weights: Array | None = None) -> Fit | None:
    """y = b0 + b1 exp(-x / b2), b2 > 0; None where the data show no such curve.

    For every b2 the best b0 and b1 follow by linear least squares, so a search over one number finds the
    valley, and Gauss-Newton its floor: no starting values to guess wrong. b2 is sought between the smallest step
    in x and 20 times its span; beyond, the curve is a step or a straight line.
    Raises ValueError: fewer than 4 points.
    """
    if len(x) < 4:
        raise ValueError("an exponential with its uncertainty needs four points")
    root = np.ones_like(y) if weights is None else np.sqrt(weights)
    steps = np.diff(np.unique(x))
    if len(steps) < 3:
        return None
    taus = np.geomspace(float(steps.min()) / 2, 20 * float(x.max() - x.min()), 60)
    best = int(np.argmin(_costs(taus, x, y, root**2)))
    if best in (0, len(taus) - 1):
        return None  # no valley inside
    linear, cost = _linear_part(taus[best], x, y, root)
    b = np.array([*linear, taus[best]])
    for _ in range(50):
        step = np.linalg.lstsq(_slopes(b, x) * root[:, None], (y - _curve(b, x)) * root, rcond=None)[0]
        while True:
            trial = b + step
            trial_cost = float(np.sum((root * (y - _curve(trial, x))) ** 2)) if trial[2] > 0 else math.inf
            # The cost is flat at its floor: steps that its rounding hides still lead to it.
            if trial_cost <= cost * (1 + 1e-13) or np.all(np.abs(step) <= 1e-15 * np.abs(b)):
                break
            step = step / 2
        if not trial_cost <= cost * (1 + 1e-13):
            break
        done = bool(np.all(np.abs(step) <= 1e-12 * np.abs(trial)))
        b, cost = trial, trial_cost
        if done:
            break
    if not taus[0] < b[2] < taus[-1]:
        return None
    jacobian = _slopes(b, x) * root[:, None]
    dof = len(x) - 3
    triangle = np.linalg.qr(jacobian, mode="r")
    try:
        inverse = np.linalg.inv(triangle)
    except np.linalg.LinAlgError:
        return None
    return Fit(b, inverse @ inverse.T * (cost / dof), cost, dof, y - _curve(b, x))


def _curve(b: Array, x: Array) -> Array:
    return np.asarray(b[0] + b[1] * np.exp(-x / b[2]))


def _slopes(b: Array, x: Array) -> Array:
    falling = np.exp(-x / b[2])
    return np.column_stack([np.ones_like(x), falling, b[1] * falling * x / b[2] ** 2])


def _costs(taus: Array, x: Array, y: Array, weights: Array) -> Array:
    """(k,) sums of weighted squares left by the best b0 and b1 at each of (k,) time constants."""
    falling = np.exp(-x / taus[:, None])
    centred = falling - (falling @ weights / weights.sum())[:, None]
    off = y - weights @ y / weights.sum()
    spread = centred**2 @ weights
    slopes = np.divide(centred @ (weights * off), spread, out=np.zeros_like(taus), where=spread > 0)
    left: Array = (off - slopes[:, None] * centred) ** 2 @ weights
    return left


def _linear_part(tau: float, x: Array, y: Array, root: Array) -> tuple[Array, float]:
    columns = np.column_stack([root, root * np.exp(-x / tau)])
    b: Array = np.asarray(np.linalg.lstsq(columns, root * y, rcond=None)[0], dtype=np.float64)
    misfit = root * y - columns @ b
    return b, float(misfit @ misfit)


def theil_sen(x: Array, y: Array, apart: float = 0.0) -> tuple[float, float]:
    """(slope, intercept): median of the slopes between all points more than ``apart`` apart in x (Sen 1968).

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
    slope = float(np.median(np.concatenate(slopes)))
    return slope, float(np.median(y - slope * x))
