"""A transmitter over the years: the straight line through one quantity of several sessions.

A session's value has an error of its own (scatter) and errors that it shares with other sessions (an instrument's
accuracy, where it is the same instrument). The line is fitted by weights from the first alone; the second go through
the fitted slope with their signs (JCGM 100:2008, 5.2.2), so that what is common to all sessions does not tilt it, and
what is not does not average away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.results import Result
from benchlog.analysis.uncertainty import combine, scatter_of
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_SESSIONS = 4
MIN_SPAN_DAYS = 30.0
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Point:
    """One session's result; ``errors`` names, for each ``shared`` of its budget, which error that is among sessions."""

    day: float
    result: Result
    errors: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Trend:
    """The line: at ``mean_day`` it is at ``mean``; its slope is per year."""

    slope: Measured
    mean_day: float
    mean: float

    def at(self, day: float) -> float:
        """The line's value."""
        return self.mean + self.slope.value * (day - self.mean_day) / DAYS_A_YEAR


def trend(points: Sequence[Point]) -> Trend | None:
    """Weighted straight line through sessions' results, in the quantity's unit per year.

    Args:
        points: in any order; those without a value or a known U are left out.
    Returns:
        None for fewer than 4 sessions, or within less than 30 days.
    Sessions scatter by more than their readings tell (tuning, mains, weather): a variance between sessions is added
    to each one's own until the line fits, sum(w r**2) = n - 2 (R. C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377-385),
    and the slope's scatter has n - 2 degrees of freedom.
    """
    known = [p for p in points if p.result.value is not None and p.result.expanded is not None]
    known.sort(key=lambda p: p.day)
    if len(known) < MIN_SESSIONS or known[-1].day - known[0].day < MIN_SPAN_DAYS:
        return None
    years = np.array([p.day for p in known]) / DAYS_A_YEAR
    years -= (start := float(years.mean()))
    values = np.array([p.result.value for p in known], dtype=float)
    own = np.array([scatter_of(p.result.budget) for p in known])
    weights = _weights(years, values, own)
    middle = float(weights @ years / weights.sum())
    spread = float(weights @ (years - middle) ** 2)
    share = weights * (years - middle) / spread  # of each value in the slope
    slope, mean = float(share @ values), float(weights @ values / weights.sum())
    left = values - mean - slope * (years - middle)
    misfit = float(weights @ left**2) / (len(known) - 2)
    scatter = math.sqrt(max(misfit, 1.0) / spread)
    lines = [Component(scatter, len(known) - 2, f"scatter of {len(known)} sessions about the line", "A")]
    lines += _type_b(known, share)
    return Trend(combine(slope, lines), (middle + start) * DAYS_A_YEAR, mean)


def _weights(x: Array, y: Array, own: Array) -> Array:
    """1 / (own variance + variance between sessions), the latter no more than the scatter about the line demands."""
    floor = 1e-9 * (float(np.max(np.abs(y))) or 1.0)  # sessions without any scatter of their own weigh alike
    own = np.hypot(own, floor)

    def misfit(between: float) -> float:
        weights = 1 / (own**2 + between)
        middle_x, middle_y = weights @ x / weights.sum(), weights @ y / weights.sum()
        slope = weights @ ((x - middle_x) * (y - middle_y)) / (weights @ (x - middle_x) ** 2)
        return float(weights @ (y - middle_y - slope * (x - middle_x)) ** 2) - (len(x) - 2)

    low, high = 0.0, float(np.ptp(y)) ** 2 + float(np.max(own)) ** 2
    if misfit(0.0) > 0:
        for _ in range(100):  # halving until nothing is left to halve: the misfit falls as the variance grows
            between = (low + high) / 2
            low, high = (between, high) if misfit(between) > 0 else (low, between)
    else:
        high = 0.0
    return np.asarray(1 / (own**2 + high))


def _type_b(known: Sequence[Point], share: Array) -> list[Component]:
    """Each error through the slope: those that sessions share summed with their signs, as one line."""
    alone: list[Component] = []
    common: dict[str, list[Component]] = {}
    for part, point in zip(share, known, strict=True):
        for line in point.result.budget:
            if line.evaluated == "A":
                continue
            through = replace(line, u=float(part) * line.u)
            if line.shared:
                common.setdefault(point.errors[line.shared], []).append(through)
            else:
                alone.append(through)
    for name, lines in common.items():
        u, dof = sum(line.u for line in lines), min(line.dof for line in lines)
        source = lines[0].source if len(lines) == 1 else f"{lines[0].source}, common to {len(lines)} sessions"
        alone.append(Component(u, dof, source, shared=name))
    return alone
