"""How the noise of readings hangs together, and what it then does to anything that is linear in them.

The noise is taken as part white and part first-order autoregressive: r_k = a rho**k. How much of each nobody knows, so
that every a and rho of a grid is weighed by how likely it makes the residuals, and what follows is the mean over them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.uncertainty import lagged_sums

Array = NDArray[np.float64]

SHOWS_MEMORY = 60  # readings; with fewer, what is weighed is mostly the grid itself
SHARES = (0.25, 0.5, 0.75, 1.0)  # of the variance that is not white
LENGTHS = 8  # correlation lengths tried
SHORTEST, LONGEST = 0.5, 1 / 8  # readings; of the readings of the longest window
WHITE = 0.6  # prior weight of noise without memory
# The grid's noises, (G,) each: white, and every share of every length.
_SHARE, _LENGTH = np.append(0.0, np.repeat(SHARES, LENGTHS)), np.append(0, np.tile(np.arange(LENGTHS), len(SHARES)))


@dataclass(frozen=True, slots=True)
class Memory:
    """What each of the grid's G kinds of noise makes the variance, and its weight."""

    longest: int  # readings of the longest window: the grid's
    variance: Array  # (G,) of one reading
    weight: Array  # (G,) sums to 1
    dof: float  # of each variance

    def of_sum(self, parts: Sequence[Array]) -> tuple[float, float]:
        """(variance, dof) of the sum of w e, for weights w (n,) of each window's readings; windows are independent.

        Each noise of the grid leaves a scaled inverse chi-square of ``dof``; what all of them leave together is taken
        for one too, with the same mean and variance of the logarithm: so dof counts that the memory is not known.
        """
        each = np.zeros(len(self.variance))
        for part in parts:
            lags = lagged_sums(part)
            each += lags[0] + 2 * _SHARE * (_decays(len(part), self.longest) @ lags[1:])[_LENGTH]
        each *= self.variance
        if not each.min() > 0:
            return 0.0, self.dof
        mean = float(self.weight @ np.log(each))
        spread = float(self.weight @ np.log(each) ** 2) - mean**2
        dof = max(2 / (max(spread, 0.0) + 2 / self.dof), 1.0)
        return math.exp(mean + 1 / self.dof - 1 / dof), dof


def memory(windows: Sequence[tuple[Array, int]]) -> Memory | None:
    """From residuals (n,) in order of time and the number of parameters fitted, of each window.

    None where they are too few to show it, fewer than 60 in all, or perfect.
    The likelihood is that of the residuals' cosine transform, whose terms are nearly independent with the noise's
    spectrum as their variances (P. Whittle, Ark. Mat. 2 (1953) 423-434; the cosine form from memory). The first terms,
    as many as there are parameters, are what the curve has taken, and say nothing. Of the variance all values are
    alike likely on a logarithmic scale.
    """
    from scipy.fft import dct

    spare = sum(len(residuals) - fitted for residuals, fitted in windows)
    if sum(len(residuals) for residuals, _ in windows) < SHOWS_MEMORY or spare <= 0:
        return None
    longest = max(len(residuals) for residuals, _ in windows)
    square, logs = np.zeros(len(_SHARE)), np.zeros(len(_SHARE))
    for residuals, fitted in windows:
        if (n := len(residuals)) > fitted:
            square += _inverse(n, longest)[:, fitted:] @ np.asarray(dct(residuals, norm="ortho")[fitted:]) ** 2
            logs += _logs(n, fitted, longest)
    if not square.min() > 0:
        return None
    likely = -0.5 * logs - spare / 2 * np.log(square)
    prior = np.where(_SHARE > 0, (1 - WHITE) / (len(_SHARE) - 1), WHITE)
    weight = prior * np.exp(likely - likely.max())
    return Memory(longest, square / spare, weight / weight.sum(), float(spare))


# A session's key-downs are as long as one another, most of them, give or take a reading.
@lru_cache(maxsize=8)
def _decays(n: int, longest: int) -> Array:
    """exp(-k / length) of each length, k = 1 to n - 1: (LENGTHS, n - 1)."""
    return np.asarray(np.exp(-np.arange(1, n) / _lengths(longest)))


@lru_cache(maxsize=8)
def _inverse(n: int, longest: int) -> Array:
    """1 / spectrum of each noise, (G, n)."""
    rho, at = np.exp(-1 / _lengths(longest)), np.cos(math.pi * np.arange(n) / n)
    alike = (1 - rho**2) / (1 - 2 * rho * at + rho**2)
    return np.asarray(1 / (1 - _SHARE[:, None] + _SHARE[:, None] * alike[_LENGTH]))


@lru_cache(maxsize=64)
def _logs(n: int, fitted: int, longest: int) -> Array:
    """(G,) sums of the spectra's logarithms, without the first terms."""
    return np.asarray(-np.log(_inverse(n, longest)[:, fitted:]).sum(axis=1))


def _lengths(longest: int) -> Array:
    """(LENGTHS, 1) readings."""
    lengths: Array = np.geomspace(SHORTEST, LONGEST * longest, LENGTHS)
    return lengths[:, None]
