"""Where a reading turned while the key was down: peaks, dips, and when it first left its rest.

A dip is what is tuned for: the lowest reading with higher ones on both sides of it within one key-down, and with no
less power than on the weaker of these sides. So neither the rise at key-down nor the fall at key-up is one, nor what
less drive, sagging mains or a short key-up take away; nor a course that only falls.

A single wild reading is neither peak nor dip: what goes farther beyond both its neighbours than they go beyond theirs
does not count (where a smooth course turns it goes a third as far at most). ``wild.wild`` is of no use here: the way to
a peak is what it would take for scatter, and a peak of two readings for wild.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import median
from benchlog.analysis.wild import MIN_READINGS, STEPS, resolution_of, robust_sd

Array = NDArray[np.float64]

DEPTH = 0.03  # of the lower side; what a needle shows at all. Common practice, no source
NOISY = 8.0  # standard deviations of the noise; two thousand readings of it spread over seven
TURNS_BY = 0.3145  # the median of how far white noise goes beyond both its neighbours, from 2 million draws
SLACK = 0.02  # of the power, which scatters by itself
HOLE = 3.0  # times the usual between two readings
MOVES = 0.02  # of the farthest that the reading went from its rest: a needle's width. Common practice, no source


@dataclass(frozen=True, slots=True)
class Turn:
    """An extreme reading of one key-down."""

    t_s: float
    value: float  # SI
    beyond: float = 0.0  # how much farther the course may have gone between two readings, SI; inf: nobody knows


def peak(t_s: Array, values: Array) -> Turn | None:
    """The highest of (n,) readings of one key-down, in any order, NaN where there is none; None below five."""
    standing = _standing(t_s, values)
    return standing.turn(int(np.argmax(standing.values))) if len(standing.values) else None


def highest(t_s: Array, values: Array) -> Turn | None:
    """The highest of (n,) finite readings that a person took: nobody types a wild one and lets it stand."""
    if not len(values):
        return None
    at = int(np.argmax(values))
    return Turn(float(t_s[at]), float(values[at]))


def dip(t_s: Array, values: Array, power_t_s: Array, power_w: Array) -> Turn | None:
    """The lowest dip in (n,) readings of one key-down, in any order, NaN where there is none; None without one.

    Args:
        power_t_s, power_w: (m,) forward power of the same key-down, finite, in order of time; with m = 0 power is not
            looked at.
    """
    standing = _standing(t_s, values)
    t_s, values = standing.t_s, standing.values
    if len(values) < 3:
        return None
    low = np.full(1, -math.inf)
    before = np.concatenate([low, np.maximum.accumulate(values)[:-1]])
    after = np.concatenate([np.maximum.accumulate(values[::-1])[-2::-1], low])
    side = np.minimum(before, after)
    least = max(NOISY * standing.noise, STEPS * resolution_of(values))
    deep = np.flatnonzero(side - values >= np.maximum(DEPTH * np.abs(side), least))
    power = np.interp(t_s, power_t_s, power_w) if len(power_t_s) else np.ones(len(t_s))
    for i in deep[np.argsort(values[deep], kind="stable")]:
        left, right = int(np.argmax(values[:i])), i + 1 + int(np.argmax(values[i + 1 :]))
        if power[i] >= (1 - SLACK) * min(power[left], power[right]):
            return standing.turn(int(i))
    return None


def first_move(rest: Array, t_s: Array, values: Array, least: float = 0.0) -> Turn | None:
    """When (n,) readings of one key-down first left the rest they had before it; None where they did not.

    Two in a row count, by more than ``least``, than 2 % of the farthest that any two in a row went, and than the
    noise and the steps of the readings at rest.

    Args:
        rest: (m,) readings with the key up, finite; from five on.
        t_s, values: in order of time, finite.
    """
    if len(rest) < MIN_READINGS or len(values) < 2:
        return None
    level = median(rest)
    noise = robust_sd(rest - level)
    away = np.abs(values - level)
    both = np.minimum(away[:-1], away[1:])
    enough = max(least, MOVES * float(both.max()), NOISY * noise, STEPS * resolution_of(rest))
    moved = np.flatnonzero(both > enough)
    return Turn(float(t_s[moved[0]]), float(values[moved[0]])) if len(moved) else None


@dataclass(frozen=True, slots=True)
class _Standing:
    """The readings of one key-down that count, (n,) in order of time."""

    t_s: Array
    values: Array
    place: NDArray[np.int64]  # among all readings: where it skips, one was taken out
    all_t_s: Array  # (m,) of all readings
    noise: float  # standard deviation of all

    def turn(self, i: int) -> Turn:
        """The extreme at ``i``, and how far the course may have gone beyond it; inf where readings lack beside it.

        Of a parabola, sampled anywhere along it, what lies beyond the extreme reading is at most an eighth of the way
        to the second one beside it, on the side where that is shorter; a third, where one reading lacks between.
        A resonance is flatter farther out, and may go a quarter and a half of that way. At the first or the last
        reading that counts, the course may have come from, or gone on, as far as a whole step.
        """
        n, values = len(self.values), self.values
        first, last = (int(self.place[i - 1]) if i else 0), (int(self.place[i + 1]) if i + 1 < n else -1)
        around = self.all_t_s[first : None if last < 0 else last + 1]
        usual_s = median(np.diff(self.all_t_s))
        if np.diff(around).max() > HOLE * usual_s:
            beyond = math.inf
        elif 0 < i < n - 1:
            ways = [abs(float(values[i] - values[j])) for j in (i - 2, i + 2) if 0 <= j < n]
            whole = last - first == 2 and self.t_s[i + 1] - self.t_s[i - 1] < 2.5 * usual_s
            beyond = min(ways, default=float(np.ptp(values))) / (4 if whole else 2)
        else:
            beyond = abs(float(values[i] - values[1 if i == 0 else i - 1])) if n > 1 else math.inf
        return Turn(float(self.t_s[i]), float(values[i]), beyond)


def _standing(t_s: Array, values: Array) -> _Standing:
    """None that stands out alone, and neither the first nor the last, which may be of the ramp and have nothing on one
    side to be held against."""
    there = np.isfinite(values)
    order = np.argsort(t_s[there], kind="stable")
    t_s, values = t_s[there][order], values[there][order]
    if len(values) < MIN_READINGS:
        return _Standing(t_s[:0], values[:0], np.empty(0, np.int64), t_s, 0.0)
    left, inner, right = values[:-2], values[1:-1], values[2:]
    beyond = np.maximum(inner - np.maximum(left, right), np.minimum(left, right) - inner)
    steps = np.abs(np.diff(values))
    edge = np.full(1, math.inf)
    theirs = np.minimum(np.concatenate([edge, steps[:-2]]), np.concatenate([steps[2:], edge]))
    # Beside a wild reading its neighbours stand out too, though less.
    none = np.full(1, -math.inf)
    beside = np.maximum(np.concatenate([none, beyond[:-1]]), np.concatenate([beyond[1:], none]))
    place = 1 + np.flatnonzero((beyond <= theirs) | (beyond < beside))
    noise = median(np.maximum(beyond, 0.0)) / TURNS_BY
    return _Standing(t_s[place], values[place], place, t_s, noise)
