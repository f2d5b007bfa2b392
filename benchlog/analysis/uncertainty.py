"""Uncertainty after JCGM 100:2008 (the GUM): scatter, accuracy limits, and how they join.

Type A, the scatter of readings: readings that follow one another closely repeat part of their noise, so n of
them are worth fewer. With the integrated correlation time tau, n_eff = n / tau, and the variance of the mean is
(sum of squared residuals / n) / (n_eff - fitted), which is s**2 / n where the noise is white.
Source: GUM 4.2.7; A. Zieba, Metrol. Meas. Syst. 17 (2010) 3-16 (effective number, unbiased variance).

Type B, an instrument's accuracy limits: rectangular, u = a / sqrt(3) (GUM 4.3.7), common to all readings of the
channel, so that no number of readings averages them away.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.root import root
from benchlog.model import Component, Measured

COVERAGE = 0.95
SHOWS_CORRELATION = 10  # readings
FEW_LAGS = 6  # sums of products one by one; all of them together, by FFT, cost as much as twenty
CONTENDS = 3.0  # combined standard uncertainties by which a value may trail the largest and still have been it
UNKNOWN = math.inf  # a standard uncertainty nothing is known of


@dataclass(frozen=True, slots=True)
class Scatter:
    """What the residuals of n readings about a fitted curve tell of their noise."""

    n: int
    sd: float  # as if the noise were white: n - fitted degrees of freedom
    n_eff: float  # how many independent readings they are worth
    dof: float  # n_eff - fitted, at least 1; 0 where nothing can be said
    variance: float  # of one reading, correlation allowed for

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of the mean of the readings."""
        return math.sqrt(self.variance / self.n_eff) if self.dof else UNKNOWN


def scatter(residuals: NDArray[np.float64], fitted: int = 1) -> Scatter:
    """Noise of readings from their residuals.

    Args:
        residuals: (n,) in order of time, finite; readings minus a curve with ``fitted`` parameters (a mean has one).
    Returns:
        ``dof`` is 0 and ``variance`` 0 where n <= fitted: no scatter can be seen.
    """
    n = len(residuals)
    if n <= fitted:
        return Scatter(n, 0.0, float(max(n, 1)), 0.0, 0.0)
    square_sum = float(residuals @ residuals)
    n_eff = n / correlation_time(residuals, fitted)
    dof = max(n_eff - fitted, 1.0)
    return Scatter(
        n=n,
        sd=math.sqrt(square_sum / (n - fitted)),
        n_eff=n_eff,
        dof=dof,
        variance=square_sum / n * n_eff / dof,
    )


def lagged_sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) sums of e(t) e(t+k), k = 0 to n - 1; over the first they are r_k (NIST/SEMATECH handbook 1.3.5.12)."""
    # By the power spectrum (Wiener-Khinchin); at least twice the length, so that the ends do not meet.
    size = _quick_length(2 * len(values) - 1)
    sums: NDArray[np.float64] = np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2, size)[: len(values)]
    return sums


@lru_cache(maxsize=256)
def _quick_length(least: int) -> int:
    """The shortest length from ``least`` on that has no prime factors but 2, 3 and 5."""
    odd: list[int] = [3**i * 5**j for i in range(12) for j in range(8)]
    return min(one << (-(-least // one) - 1).bit_length() for one in odd)


def correlation_time(residuals: NDArray[np.float64], fitted: int = 1) -> float:
    """Integrated correlation time of (n,) residuals, in readings: 1 for white noise, never less, at most n / 2.

    The larger of two estimates. One takes the noise for first-order autoregressive, tau = (1 + rho) / (1 - rho),
    which a short series still gives well; its r_1 comes out low by (p + (2 + 2p) rho) / n, p the fitted parameters,
    and is corrected (for p = 1: F. H. C. Marriott, J. A. Pope, Biometrika 41 (1954) 390-402). The other sums r_k up to
    the first that is not positive, and so sees what is slow beneath white noise. Fewer than 10 readings cannot show
    correlation, and are taken as they come, as the GUM's examples do.
    """
    n = len(residuals)
    if n < SHOWS_CORRELATION or not residuals.any():
        return 1.0
    first, total = _correlations(residuals)
    shrunk = max(1 - (2 + 2 * fitted) / n, 0.2)  # to first order in 1 / n: no use where little is left of it
    rho = (first + fitted / n) / shrunk
    rho = min(max(rho, 0.0), 1 - 2 / n)
    return min(max(1 + 2 * total, (1 + rho) / (1 - rho)), n / 2)


def _correlations(values: NDArray[np.float64]) -> tuple[float, float]:
    """(r_1, sum of (1 - k / n) r_k up to the first r_k that is not positive) of (n,) values.

    White noise has one soon: most are told by a product or two.
    """
    n, square = len(values), float(values @ values)
    first, total = 0.0, 0.0
    for k in range(1, min(FEW_LAGS, n)):
        r = float(values[:-k] @ values[k:]) / square
        if k == 1:
            first = r
        if r <= 0:
            return first, total
        total += (1 - k / n) * r
    sums = lagged_sums(values)[1:] / square
    up_to = int(np.argmax(sums <= 0)) if (sums <= 0).any() else len(sums)
    return first, float((1 - np.arange(1, up_to + 1) / n) @ sums[:up_to])


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity that lies anywhere within +/- half_width (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def combine(value: float, budget: Iterable[Component]) -> Measured:
    """The components of one value: root sum of squares, Welch-Satterthwaite (GUM 5.1.2, G.4.1).

    Those that name the same ``shared`` error are summed with their signs first (GUM 5.2.2, correlation +1 or -1).
    """
    lines = tuple(budget)
    parts = [(line.u, line.dof) for line in lines if not line.shared]
    for name in dict.fromkeys(line.shared for line in lines if line.shared):
        same = [line for line in lines if line.shared == name]
        parts.append((abs(sum(line.u for line in same)), min(line.dof for line in same)))
    # Without a degree of freedom nothing is known of a component, whatever its number.
    u = UNKNOWN if any(part and not dof for part, dof in parts) else math.hypot(*(part for part, _ in parts))
    if u == 0 or not math.isfinite(u):
        return Measured(value, u, math.inf if u == 0 else 0.0, lines)
    shrink = sum((part / u) ** 4 / dof for part, dof in parts if part != 0 and math.isfinite(dof))
    return Measured(value, u, 1 / shrink if shrink > 0 else math.inf, lines)


def scatter_of(budget: Iterable[Component]) -> float:
    """The standard uncertainty of the type A lines alone."""
    return combine(0.0, [line for line in budget if line.evaluated == "A"]).u


def through(budget: Iterable[Component], slope: float) -> list[Component]:
    """Budget lines of a quantity in what is worked out of it, by its partial derivative (JCGM 100, 5.1.2)."""
    return [replace(line, u=line.u * slope) for line in budget]


def coverage_factor(dof: float, coverage: float = COVERAGE) -> float:
    """Student's t for a two-sided interval. ``dof`` need not be whole: the distribution itself interpolates (G.4.1).

    Raises:
        ValueError: no degrees of freedom.
    """
    from scipy import special  # half the import time of this package; not needed before the first result

    if not dof > 0:
        raise ValueError("no degrees of freedom, no coverage factor")
    upper = (1 + coverage) / 2
    # stdtrit loses its footing for huge dof; from 1e6 on the normal quantile is the same to 3e-6.
    return float(special.ndtri(upper) if dof > 1e6 else special.stdtrit(dof, upper))


def expanded(measured: Measured, coverage: float = COVERAGE) -> tuple[float, float] | None:
    """(U, k), U = k u; None where the uncertainty is unknown."""
    if not math.isfinite(measured.u) or not measured.dof > 0:
        return None
    k = coverage_factor(measured.dof, coverage)
    return k * measured.u, k


@dataclass(frozen=True, slots=True)
class Joint:
    """Means of p quantities read together, and what ties them."""

    means: NDArray[np.float64]  # (p,)
    covariance: NDArray[np.float64]  # (p, p) of the means
    dof: float
    n: int  # readings of each

    def u(self, gradient: NDArray[np.float64]) -> float:
        """Standard uncertainty of a function of the means, (p,) its partial derivatives: to first order (GUM 5.2.2)."""
        return math.sqrt(max(float(gradient @ self.covariance @ gradient), 0.0))


def joint(
    readings: Sequence[NDArray[np.float64]],
    times: Sequence[NDArray[np.float64]] = (),
    along: NDArray[np.float64] | None = None,
) -> Joint | None:
    """Means and covariance of quantities that were read together (GUM 5.2.3, H.2), pooled over windows as in ``pool``.

    Args:
        readings: a (n, p) array for each window, in order of time, finite.
        times: (n,) each; where given, a window's straight trend counts as measured, not as noise, from 4 readings on.
        along: (p,) gradient of what is to be worked out; the autocorrelation of that sum is then allowed for.
    Returns:
        None where there is no reading, or none repeats, so that no scatter can be seen.
    """
    readings = [part for part in readings if len(part)]
    n = sum(len(part) for part in readings)
    if not n:
        return None
    total: NDArray[np.float64] = np.zeros((readings[0].shape[1],) * 2)
    dof, spread = 0.0, 0.0
    for i, part in enumerate(readings):
        residuals, fitted = _residuals(part, times[i] if times else None)
        seen = scatter(residuals @ along, fitted) if along is not None else None
        n_eff = seen.n_eff if seen and seen.dof else float(len(part))
        total += residuals.T @ residuals / len(part) * n_eff
        dof += max(n_eff - fitted, 1.0) if len(part) > fitted else 0.0
        spread += (len(part) / n) ** 2 / n_eff
    if not dof:
        return None
    return Joint(np.sum([part.sum(axis=0) for part in readings], axis=0) / n, total / dof * spread, dof, n)


def _residuals(part: NDArray[np.float64], t_s: NDArray[np.float64] | None) -> tuple[NDArray[np.float64], int]:
    centred = part - part.mean(axis=0)
    if t_s is None or len(part) <= 3 or t_s[-1] == t_s[0]:
        return centred, 1
    since = t_s - t_s.mean()
    return centred - np.outer(since, since @ centred / (since @ since)), 2


def largest(found: Sequence[Measured], what: str) -> Measured | None:
    """The largest of several values; None of none.

    The largest of n alike is likely one that its error made so. With the errors' standard uncertainty the same, it is
    off by less than c u in 95 % of cases where F(c)**n - F(-c)**n = 0.95, F being Student's distribution: its lines are
    widened by c / k, but for errors that all of them share. n counts its ``rivals``; where one stands clear, nothing is
    widened. ``what`` names them in the budget ("key-downs").
    """
    if not found:
        return None
    from scipy import special

    most = max(found, key=lambda one: one.value)
    if not math.isfinite(most.u) or not most.dof > 0:
        return most
    n = rivals(most.value, most, ((one.value, one) for one in found))
    if n < 3:  # for two alike, c is k
        return most
    quantile = root(lambda q: q**n - (1 - q) ** n - COVERAGE, 0.5, 1.0)
    wider = float(special.stdtrit(min(most.dof, 1e6), quantile)) / coverage_factor(most.dof)
    words = f", the worst of {n} {what} alike"
    return combine(
        most.value,
        [
            replace(line, u=line.u * wider, source=line.source + words) if not line.shared else line
            for line in most.budget
        ],
    )


def rivals(largest: float, most: Measured, others: Iterable[tuple[float, Measured]]) -> int:
    """How many could in truth be the largest, it included: by size they trail it by at most 3 combined u."""
    return sum(largest - size <= CONTENDS * math.hypot(one.u, most.u) for size, one in others)


@dataclass(frozen=True, slots=True)
class WindowMean:
    """One channel's readings in one window: their mean, and their noise about the curve they follow.

    The window's own trend (droop, drift) belongs to what is measured and so not to the noise.
    """

    n: int
    mean: float  # NaN where n is 0
    scatter: Scatter
    over_range: int  # readings in the window beyond the instrument's range: in no mean, and biasing it

    @property
    def lacking(self) -> bool:
        """Whether the window holds what its mean does not: readings over range, or none at all."""
        return self.over_range > 0 or not self.n


def pool(windows: Sequence[WindowMean], channel: str = "") -> Measured | None:
    """Mean of all readings in the windows, with the noise pooled over them; None where there is no reading.

    Windows are apart in time, so their noise is independent; its variance is taken to be one for all of them,
    which lets a window with a single reading borrow it. A single reading alone has an unknown uncertainty.
    """
    windows = [window for window in windows if window.n]
    n = sum(window.n for window in windows)
    if not n:
        return None
    mean = sum(window.n * window.mean for window in windows) / n
    dof = sum(window.scatter.dof for window in windows)
    if not dof:
        return combine(mean, [Component(UNKNOWN, 0.0, "scatter, which a single reading does not show", "A")])
    variance = sum(window.scatter.dof * window.scatter.variance for window in windows) / dof
    u = math.sqrt(variance * sum((window.n / n) ** 2 / window.scatter.n_eff for window in windows))
    worth = sum(window.scatter.n_eff for window in windows)
    words = f"scatter of {n} readings{channel and f' of {channel}'}, worth {worth:.0f} independent ones"
    return combine(mean, [Component(u, dof, words, "A")])
