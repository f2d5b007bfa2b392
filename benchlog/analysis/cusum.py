"""Tabular CUSUM: sums of deviations from a target that build up once a level has shifted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Sums(NamedTuple):
    """The upper and the lower sum after each of (n,) values, both never below 0."""

    high: Array
    low: Array

    def alarm(self, h: float) -> int | None:
        """Which value first takes a sum beyond h; None where none does."""
        beyond = np.flatnonzero((self.high > h) | (self.low > h))
        return int(beyond[0]) if len(beyond) else None


def cusum(values: Array, target: float, k: float) -> Sums:
    """high(i) = max(0, high(i-1) + x(i) - target - k), low(i) = max(0, low(i-1) + target - k - x(i)).

    Args:
        values: (n,) in order of time, any unit, which is the sums' too.
        k: what a deviation must exceed to count, usually half the shift to be found.
    Source: E. S. Page, Biometrika 41 (1954) 100-115; NIST/SEMATECH e-Handbook 6.3.2.3. Each sum is a running
        total less the lowest it has been, which needs no loop.
    """
    return Sums(_above(values - target - k), _above(target - k - values))


def _above(steps: Array) -> Array:
    total = np.cumsum(steps)
    lowest = np.minimum.accumulate(np.minimum(total, 0.0))
    return np.asarray(total - lowest)
