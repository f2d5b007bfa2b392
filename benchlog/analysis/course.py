"""The course that the frequencies of all bands take together, over a session in which each is keyed several times."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import aicc_price

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

TRIED = 60  # time constants, twice
LONGEST = 20.0  # of the session; beyond, the course is straight
EXACT = 1e-9  # of what the errors differ by: less misfit than this is rounding


class Course(NamedTuple):
    """What moved all bands, and which band went a way of its own."""

    since: Array  # (r, c) Hz, from the middle of its pass to each key-down; NaN where there was none
    odd: int | None  # the row of a band that does not follow the others


class _Shape(NamedTuple):
    rss: float
    parameters: int
    since: Array  # (r, c)


def common_course(table: Array, at_s: Array, middles: Array) -> Course:
    """The course of y = own(band) + course(t), by least squares.

    Args:
        table: (r, c) Hz, a row a band and a column a pass, at session times ``at_s`` (r, c); NaN where not keyed.
            Every row and column has a value; two columns at least.
        middles: (c,) session times that the passes stand for, increasing.
    It is straight, or exponential as of a set that warms up, or from pass to pass as it comes: whatever has the lowest
    AICc (K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2002, ch. 2). At most one band may
    go a way of its own, as one whose oscillator jumps does: that costs a parameter for each of its cells.
    """
    there = np.isfinite(table)
    n, levels = int(there.sum()), len(table)
    exact = max(n * (EXACT * float(np.ptp(table[there]))) ** 2, 1e-300)
    best, found = math.inf, None
    for odd in (None, *np.flatnonzero(there.sum(axis=1) > 1).tolist()):
        followed = there.copy()
        if odd is not None:
            followed[odd] = False
        spent = levels + 1 + (0 if odd is None else int(there[odd].sum()) - 1)  # and the variance
        for shape in _shapes(table, at_s, middles, followed):
            aicc = n * math.log(max(shape.rss, exact) / n) + aicc_price(n, spent + shape.parameters)
            if found is None or aicc < best:
                best, found = aicc, Course(shape.since, odd)
    assert found is not None, "a straight line always fits"
    return found


def _shapes(table: Array, at_s: Array, middles: Array, followed: NDArray[np.bool_]) -> Iterator[_Shape]:
    row = np.nonzero(followed)[0]
    t_s, y = at_s[followed], _less_own(table[followed], row)

    def shape(basis: Array, since: Array, nonlinear: int = 0) -> _Shape:
        """(n, p) at the key-downs and (r, c, p) since the middles of the passes."""
        basis = _less_own(basis, row)
        factors = np.linalg.lstsq(basis, y, rcond=None)[0]
        return _Shape(float(np.sum((y - basis @ factors) ** 2)), basis.shape[1] + nonlinear, since @ factors)

    yield shape(t_s[:, None], (at_s - middles)[..., None])
    if (tau := _time_constant(t_s, y, row)) is not None:
        at_middles = np.exp(-(middles - t_s.min()) / tau)
        at_all = np.exp(-(at_s - t_s.min()) / tau)
        yield shape(at_all[followed][:, None], (at_all - at_middles)[..., None], nonlinear=1)
    if len(middles) > 2:
        legs = _legs(at_s, middles)
        yield shape(legs[followed], legs - _legs(middles, middles))


def _less_own(values: Array, row: Rows) -> Array:
    """(n,) or (n, p) less the mean of each row's: what is the band's own."""
    counts = np.bincount(row)
    sums = np.zeros((len(counts), *values.shape[1:]))
    np.add.at(sums, row, values)
    return np.asarray(values - (sums.T / np.maximum(counts, 1)).T[row])


def _time_constant(t_s: Array, y: Array, row: Rows) -> float | None:
    """Of the exponential that leaves least; None where that is a step or a straight line."""
    gaps = np.diff(np.unique(t_s))
    if not len(gaps):
        return None
    ends = float(gaps.min()), LONGEST * float(np.ptp(t_s))
    for _ in range(2):
        taus = np.geomspace(*ends, TRIED)
        moved = _less_own(np.exp(-(t_s - t_s.min())[:, None] / taus), row)
        spread = np.sum(moved**2, axis=0)
        gained = np.divide((y @ moved) ** 2, spread, out=np.zeros(TRIED), where=spread > 0)
        best = int(np.argmax(gained))
        if best in (0, TRIED - 1):
            return None
        ends = float(taus[best - 1]), float(taus[best + 1])
    return float(taus[best])


def _legs(at_s: Array, middles: Array) -> Array:
    """(..., p) parts of a course of straight legs between the passes' middles, the first and last leg carried on.

    Leg k runs from 0 at middle k to 1 at middle k + 1.
    """
    from_s, to_s = middles[:-1], middles[1:]
    place = (at_s[..., None] - from_s) / (to_s - from_s)
    low, high = np.zeros(len(from_s)), np.ones(len(from_s))
    low[0], high[-1] = -np.inf, np.inf
    return np.asarray(np.clip(place, low, high))
