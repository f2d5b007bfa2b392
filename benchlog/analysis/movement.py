"""How far the frequency moves within a key-down: chirp and the warming of one keying."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import rounding
from benchlog.analysis.fits import Fit, aicc, fit_exponential, fit_line, mean
from benchlog.analysis.onband import OnBand
from benchlog.analysis.uncertainty import COVERAGE, combine, correlation_time, coverage_factor, rivals
from benchlog.analysis.wild import wild
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_READINGS = 5
MIN_SHARE = 0.5  # of the window that the readings must span


def key_down_drift(heard: OnBand) -> Measured | None:
    """By how much the frequency moves in a window of the band: in the key-down where it moves most; None without."""
    accuracy = heard.accuracy("frequency")
    windows = [k.window for k in heard.key_downs if k.window]
    moved = [movement(*part, window) for part, window in zip(heard.per_window("frequency"), windows, strict=True)]
    worst = worst_of([one for one in moved if one is not None])
    if worst is None:
        return None
    lines = [*worst.budget, *accuracy.difference(worst.value)]
    if (step := rounding(accuracy.resolution, heard.sd("frequency"))) > 0:
        lines.append(Component(step * math.sqrt(2), source=f"resolution of {accuracy.channel} at both ends"))
    return combine(worst.value, lines)


def movement(t_s: Array, frequency_hz: Array, window: tuple[float, float]) -> Measured | None:
    """Frequency at the window's end less that at its start, both on a curve fitted to the readings.

    Args:
        t_s, frequency_hz: (n,) good readings in the window, in order of time; single wild ones are left out.
    Returns:
        Hz, with type A uncertainty alone; None where the readings cannot tell: fewer than 5, or spanning less than
        half of the window.
    The curve is straight or exponential, whichever has the lower AICc (K. P. Burnham, D. R. Anderson, Model Selection
    and Multimodel Inference, 2002, ch. 2.6). What the other would have said counts as an error by its Akaike
    weight (ibid., ch. 4; from memory).
    Error: of 300 seeded windows each, of 20 and 60 s, flat, straight and exponential, in white and first-order noise,
        the 95 % interval held the movement in 94 to 98 %; a bend no larger than twice the noise in 88 to 93 %.
    """
    start_s, stop_s = window
    kept = ~wild(frequency_hz)
    x, y = t_s[kept] - start_s, frequency_hz[kept]
    if len(x) < MIN_READINGS or x[-1] - x[0] < MIN_SHARE * (stop_s - start_s):
        return None
    y = y - mean(y)  # an exponential's level need not carry the carrier's digits
    line, bent = fit_line(x, y), fit_exponential(x, y)
    by_line = _moved(line, stop_s - start_s)
    if bent is None:
        return combine(by_line[0], [_scatter(by_line, len(x))])
    by_bent = _moved(bent, stop_s - start_s)
    worth = len(x) / correlation_time(bent.residuals, 3)
    behind = aicc(line, worth) - aicc(bent, worth)  # the line, if positive
    taken, other = (by_bent, by_line) if behind > 0 else (by_line, by_bent)
    lines = [_scatter(taken, len(x))]
    weight = 1 / (1 + math.exp(min(abs(behind) / 2, 500.0)))
    # The readings contradict the exponential's value where its own uncertainty is far larger; then it says nothing.
    apart = weight * min((other[0] - taken[0]) ** 2, other[1] ** 2 + taken[1] ** 2)
    if apart > 0:
        lines.append(Component(math.sqrt(apart), taken[2], "shape of the curve: straight or exponential", "A"))
    return combine(taken[0], lines)


def worst_of(moved: Sequence[Measured]) -> Measured | None:
    """The one of largest absolute value; None of none.

    The largest of several alike is likely one whose error made it so. Its uncertainty is widened as if the interval
    had to hold for all that could be the worst (Sidak), its ``rivals``; where one stands clear, it is its own. Unlike
    ``uncertainty.largest`` this is of sizes: an error of either sign may have made it.
    """
    known = [one for one in moved if math.isfinite(one.u)] or list(moved)
    if not known:
        return None
    worst = max(known, key=lambda one: abs(one.value))
    if not math.isfinite(worst.u) or not worst.dof > 0:
        return worst
    n = rivals(abs(worst.value), worst, ((abs(one.value), one) for one in known))
    if n < 2:
        return worst
    wider = coverage_factor(worst.dof, COVERAGE ** (1 / n)) / coverage_factor(worst.dof) - 1
    # One error, seen larger: summed, not squared.
    name = "the worst key-down"
    whole = Component(worst.u, worst.dof, _words(worst), "A", shared=name)
    choice = f"choice of the worst among {n} key-downs that could be"
    return combine(worst.value, [whole, Component(worst.u * wider, worst.dof, choice, "A", shared=name)])


def _words(worst: Measured) -> str:
    return max(worst.budget, key=lambda line: abs(line.u)).source if worst.budget else "scatter"


def _scatter(moved: tuple[float, float, float], n: int) -> Component:
    return Component(moved[1], moved[2], f"scatter of {n} readings about the curve", "A")


def _moved(fit: Fit, lasts: float) -> tuple[float, float, float]:
    """(value, u, dof) of what a fitted curve moves by from 0 to ``lasts``, the readings' correlation allowed for."""
    if len(fit.b) == 2:
        gradient = np.array([0.0, lasts])
        value = float(fit.b[1]) * lasts
    else:
        amplitude, tau = float(fit.b[1]), float(fit.b[2])
        left = math.exp(-lasts / tau)
        gradient = np.array([0.0, left - 1, amplitude * left * lasts / tau**2])
        value = amplitude * (left - 1)
    widening, dof = fit.widening()
    return value, math.sqrt(float(gradient @ fit.covariance @ gradient) * widening), dof
