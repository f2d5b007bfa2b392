"""A set that warms up: the frequency nears its final value exponentially over a session's key-downs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import Fit, aicc, fit_exponential, fit_line
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import WarmUp
from benchlog.analysis.uncertainty import combine, correlation_time
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component

Array = NDArray[np.float64]

MANY = 8  # key-downs; from so many on, each is one point
POINTS = 400  # of fewer key-downs, readings are averaged into about so many points
MIN_POINTS = 6
MARGIN = 10.0  # in AICc: "essentially no" support for the other shape (Burnham and Anderson 2002, ch. 2.6)
SPAN_SHARE = 1 / 2  # of the span: a longer time constant is not seen, only guessed
KNOWN = 1 / 2  # of itself: what a time constant may be uncertain by (expanded) and still be called known


def warm_up(heard: OnBand, *, jumped: bool) -> WarmUp | None:
    """The band's warm-up over all its windows, t from its first reading; None where the readings do not show one.

    That is where an exponential is not better than a straight line and than no change by more than 10 in AICc, its
    points counted for as many as they are worth; where its time constant is beyond half of the span or shorter than
    twice the time between points; where the time constant's U is more than half of it; and where the frequency
    ``jumped``.
    """
    parts = heard.tame_frequency
    t, hz = points(parts)
    # A jump bends the curve too, and its time constant would mean nothing.
    if jumped or len(t) < MIN_POINTS:
        return None
    first_s = float(parts[0][0][0])
    # Differences from what is expected: an exponential's level need not carry the carrier's digits.
    fit = fit_warm_up(t - first_s, hz - heard.band.expected_hz)
    if fit is None:
        return None
    widening, dof = fit.widening()
    what = f"scatter of {len(t)} points about the curve"
    level, by, tau = (
        combine(float(value), [Component(float(u) * math.sqrt(widening), dof, what, "A")])
        for value, u in zip(fit.b, fit.u, strict=True)
    )
    accuracy = heard.accuracy("frequency")
    final_hz = level.value + heard.band.expected_hz
    type_b = accuracy.components(final_hz, sd=heard.sd("frequency"), at_hz=heard.band.expected_hz)
    found = WarmUp(
        by_hz=result(combine(by.value, [*by.budget, *accuracy.difference(by.value)]), None, Sense.WITHIN),
        tau_s=result(tau, None, Sense.WITHIN),
        final_hz=result(combine(final_hz, [*level.budget, *type_b]), None, Sense.WITHIN),
    )
    guard = found.tau_s.expanded
    return None if guard is None or guard > KNOWN * tau.value else found


def points(parts: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    """(t_s, value), (n,) each, to fit: a key-down's mean each, of a few key-downs the means of shorter stretches.

    What the frequency does in every key-down alike is then no part of the scatter.
    """
    if not parts:
        return np.empty(0), np.empty(0)
    size = math.ceil(sum(len(t_s) for t_s, _ in parts) / POINTS)
    t, y = [], []
    for t_s, values in parts:
        count = 1 if len(parts) >= MANY else max(len(t_s) // size, 1)
        edges = np.linspace(0, len(t_s), count + 1).astype(int)
        sizes = np.diff(edges)
        t.append(np.add.reduceat(t_s, edges[:-1]) / sizes)
        y.append(np.add.reduceat(values, edges[:-1]) / sizes)
    return np.concatenate(t), np.concatenate(y)


def fit_warm_up(x: Array, y: Array) -> Fit | None:
    """The exponential through (n,) points, n >= 4, if they show one (see ``warm_up``); else None."""
    bent = fit_exponential(x, y)
    if bent is None:
        return None
    tau = float(bent.b[2])
    if not 2 * float(np.median(np.diff(x))) <= tau <= SPAN_SHARE * float(x[-1] - x[0]):
        return None
    worth = len(x) / correlation_time(bent.residuals, 3)
    off = y - y.mean()
    level = Fit(np.array([y.mean()]), np.zeros((1, 1)), float(off @ off), len(x) - 1, off)
    best = min(aicc(fit_line(x, y), worth), aicc(level, worth))
    return bent if aicc(bent, worth) < best - MARGIN else None
