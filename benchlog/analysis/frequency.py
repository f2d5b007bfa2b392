"""What a band's frequency does over a session: drift and settling."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.fits import aicc, fit_exponential, fit_line, median, median_of_five, theil_sen
from benchlog.analysis.uncertainty import UNKNOWN, combine, correlation_time, scatter
from benchlog.analysis.wild import robust_sd, wild
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_SPAN_S = 600.0
BLOCKS = 400  # readings are averaged into at most so many before all pairs of them are looked at
PARTED = 4.0  # times the time between readings: what parts two key-downs
MIN_GROUPS = 5  # key-downs that show by how much they differ from one another
MANY = 8  # key-downs, whose common shape can be looked at more closely
FEW_SHAPE, SHAPE = 3, 6  # terms of that shape, of few key-downs and of many
MIN_FREE = 8  # readings beyond what is fitted, that scatter within key-downs is taken from
DIFFER = 0.8  # of an F ratio's distribution: beyond it, key-downs differ by more than their readings' noise
TRIALS = 100  # whose root mean square is good to 7 %
SETTLED_SHARE = 1 / 4  # of max_frequency_error
WATCHED_SHARE = 1 / 3  # of the span, that a frequency must have stayed to be called settled
FINAL_S = 60.0  # the final value is the median of the last minute's readings


@dataclass(frozen=True, slots=True)
class Noise:
    """Of points: standard deviation, and how many of them are worth an independent one."""

    sd: float
    worth: float
    step: float = 0.0  # that values are rounded to


def drift(
    t_s: Array, frequency_hz: Array, longest_window_s: float, accuracy: Accuracy | None = None
) -> Measured | None:
    """Robust slope in Hz/h of all readings in a band's windows.

    Args:
        t_s, frequency_hz: (n,) good readings in a band's windows, in order of time.
        longest_window_s: slopes are taken between readings farther apart than one window, so that what the
            frequency does within each key-down is not taken for what it does over the session; with one window
            only, between all of them.
    Returns:
        None below 10 minutes of span. Where the course is bent (a warm-up) the slope is still that of the whole
        course, and the bend no uncertainty of it: that is from the readings' scatter about the course
        (``_scatter``), or, where whole key-downs lie off a smooth course by more than that tells (F ratio), from the
        scatter of their means. Unknown below 4 readings.
    Error: of 421 bands of simulated watches and heat runs (tests/truth, type A) the 95 % interval held the slope in
        97 %: no drift 97 %, straight 97 %, warm-up 96 %; first-order noise 94 %, wandering 97 %; where a coarse
        counter dominates in all of 71. With fewer than 5 key-downs wander from one to the next cannot be told
        from their course.
    """
    if not len(t_s) or t_s[-1] - t_s[0] < MIN_SPAN_S:
        return None
    t, hz = _blocks(t_s, frequency_hz)
    t = (t - t[0]) / 3600
    apart_h = longest_window_s / 3600
    apart_h = apart_h if apart_h < t[-1] / 2 else 0.0
    try:
        slope, _ = theil_sen(t, hz, apart_h)
    except ValueError:
        return None
    lines = [Component(UNKNOWN, 0.0, "scatter, which fewer than 4 readings do not show", "A")]
    if len(t) >= 4:
        lines = _scatter(t_s, frequency_hz, apart_h, accuracy or Accuracy())
    return combine(slope, [*lines, *_type_b(slope, t[-1], frequency_hz, accuracy)])


def _scatter(t_s: Array, hz: Array, apart_h: float, accuracy: Accuracy) -> list[Component]:
    """What scatter and rounding do to the median of the slopes between all readings; their course may be bent."""
    starts = _starts(t_s)
    kept = np.concatenate([~wild(part) for part in np.split(hz, starts[1:])])
    t_s, hz = t_s[kept] - t_s[0], hz[kept] - median(hz)
    starts = _starts(t_s)
    if len(t_s) - len(starts) - SHAPE < MIN_FREE:
        starts = starts[:1]
    if len(starts) > 1:
        residuals, fitted, smooth = _within(t_s, hz, starts)
    else:
        t_s, hz = _blocks(t_s, hz)
        residuals, fitted = _about(t_s, hz)
        smooth = hz - residuals
    seen = scatter(residuals, fitted)
    worth = seen.n / seen.n_eff  # readings to an independent one
    most = BLOCKS if len(t_s) <= BLOCKS else BLOCKS // 2
    t, course = _blocks(t_s / 3600, hz - residuals, most)
    each = len(t_s) / len(t)
    noise = Noise(math.sqrt(seen.variance * min(worth / each, 1.0)), max(worth / each, 1.0))
    # Which pairs of key-downs decide hangs on their levels: as they were read, or smooth, what leaves more open.
    u, course = max(
        ((_spread(t, one, noise, apart_h), one) for one in (course, _blocks(t_s, smooth, most)[1])),
        key=lambda pair: pair[0],
    )
    lines = []
    if accuracy.resolution > 0 and each == 1:
        # What is left of the scatter once rounding is taken out of it, and what rounding adds to that.
        fine = math.sqrt(max(seen.variance - accuracy.resolution**2 / 12, (accuracy.resolution / 10) ** 2))
        coarse = _spread(t, course, replace(noise, sd=fine, step=accuracy.resolution), apart_h)
        if coarse > u:
            source = f"resolution of {accuracy.channel}, which slopes come in steps of"
            lines.append(Component(math.sqrt(coarse**2 - u**2), source=source))
    if len(starts) >= MIN_GROUPS:
        sizes = np.diff(np.append(starts, len(t_s)))
        means, at = np.add.reduceat(hz, starts) / sizes, np.add.reduceat(t_s, starts) / sizes
        off, fitted = _about(at, means)
        dof = float(len(starts) - fitted)
        t, course = _blocks(at / 3600, means - off, BLOCKS // 2)
        sd = math.sqrt(float(off @ off) / dof * len(t) / len(at))
        between = _spread(t, course, Noise(sd, 1.0), 0.0)
        if _differ(between / u if u else 0.0, dof, seen.dof):
            return [Component(between, dof, f"scatter of {len(starts)} key-downs about their course", "A"), *lines]
    words = f"scatter about the course, worth {seen.n_eff:.0f} independent readings"
    return [Component(u, seen.dof, words, "A"), *lines]


def _starts(t_s: Array) -> NDArray[np.intp]:
    """Where each key-down's readings begin."""
    steps = np.diff(t_s)
    return np.concatenate([[0], np.flatnonzero(steps > PARTED * median(steps)) + 1])


def _within(t_s: Array, hz: Array, starts: NDArray[np.intp]) -> tuple[Array, int, Array]:
    """(residuals, parameters, smooth): a smooth course of all, a shape key-downs have alike, and each one's own level.

    ``smooth`` is the course without the levels of their own.
    """
    t, y = _blocks(t_s, hz)
    sizes = np.diff(np.append(starts, len(t_s)))
    since = t_s - np.repeat(t_s[starts], sizes)
    since /= float(since.max())

    def free(values: Array) -> Array:
        """Of each key-down's own level."""
        return np.asarray(values - np.repeat(np.add.reduceat(values, starts) / sizes, sizes))

    smooth, _ = _about(t, y)
    order = SHAPE if len(starts) >= MANY else FEW_SHAPE
    shape = np.column_stack([free(np.cos(k * np.arccos(2 * since - 1))) for k in range(1, order + 1)])
    course = np.interp(t_s, t, y - smooth)
    flat = free(hz - course)
    alike = shape @ np.linalg.lstsq(shape, flat, rcond=None)[0]
    return flat - alike, len(starts) + order + 1, course + alike


def _about(x: Array, y: Array) -> tuple[Array, int]:
    """(residuals, parameters) of the line or the exponential through the points, by AICc."""
    line = fit_line(x, y)
    bent = fit_exponential(x, y) if len(x) > 4 else None
    if bent is None:
        return line.residuals, 2
    worth = len(x) / correlation_time(bent.residuals, 3)
    return (bent.residuals, 3) if aicc(bent, worth) < aicc(line, worth) else (line.residuals, 2)


def _spread(t_h: Array, course: Array, noise: Noise, apart_h: float) -> float:
    """Hz/h: by how much noise takes the median of all slopes off that of the course, root mean square.

    By simulation (JCGM 101:2008, clause 7), the same numbers every time: on a bent course the median lies between
    the slopes of some pairs of key-downs and those of others, and no first-order formula tells how noise moves it.
    """
    if not noise.sd > 0:
        return 0.0
    before, after = np.nonzero(t_h[None, :] - t_h[:, None] > apart_h)
    if not len(before):
        return UNKNOWN
    hours = t_h[after] - t_h[before]
    rng = np.random.default_rng(0)
    hiss = noise.sd * rng.standard_normal((TRIALS, len(t_h)))
    repeats = (noise.worth - 1) / (noise.worth + 1)  # first-order autoregressive
    begins = np.zeros(len(t_h), dtype=bool)
    begins[_starts(t_h)] = True
    for i in np.flatnonzero(~begins):
        hiss[:, i] = repeats * hiss[:, i - 1] + math.sqrt(1 - repeats**2) * hiss[:, i]
    true = median((course[after] - course[before]) / hours)
    shown = course + hiss
    if noise.step > 0:
        shown = np.round(shown / noise.step + rng.random((TRIALS, 1))) * noise.step
    off = [median((y[after] - y[before]) / hours) - true for y in shown]
    return math.sqrt(math.fsum(one**2 for one in off) / TRIALS)


def _type_b(slope: float, span_h: float, hz: Array, accuracy: Accuracy | None) -> list[Component]:
    accuracy = accuracy or Accuracy()
    lines = accuracy.difference(slope)
    sd = robust_sd(np.diff(hz)) / math.sqrt(2)
    if (step := rounding(accuracy.resolution, sd)) > 0:
        lines.append(Component(step * math.sqrt(2) / span_h, source=f"resolution of {accuracy.channel} at both ends"))
    return lines


def _differ(ratio: float, dof_between: float, dof_within: float) -> bool:
    from scipy import special

    return bool(dof_within > 0 and special.fdtr(dof_between, dof_within, ratio**2) > DIFFER)


def _blocks(t: Array, y: Array, most: int = BLOCKS) -> tuple[Array, Array]:
    if len(t) <= most:
        return t, y
    edges = np.linspace(0, len(t), most + 1).astype(int)
    sizes = np.diff(edges)
    return np.add.reduceat(t, edges[:-1]) / sizes, np.add.reduceat(y, edges[:-1]) / sizes


def settled_after_s(t_s: Array, frequency_hz: Array, tolerance_hz: float | None) -> float | None:
    """Session time after which the frequency stays within a quarter of ``tolerance_hz`` of its final value.

    Args:
        t_s, frequency_hz: (n,) good readings in a band's windows, in order of time.
    Returns:
        None where it cannot be told: no tolerance, less than 10 minutes of span, or it has stayed for less than a
        third of the span, when it may as well be still on its way. Medians of five keep one wild reading from
        counting. Where it never was outside, the first reading's time: settled when first seen.
    """
    if tolerance_hz is None or len(t_s) < 5 or t_s[-1] - t_s[0] < MIN_SPAN_S:
        return None
    final = median(frequency_hz[t_s >= t_s[-1] - FINAL_S])
    outside = np.flatnonzero(np.abs(median_of_five(frequency_hz) - final) > tolerance_hz * SETTLED_SHARE)
    first = int(outside[-1]) + 1 if len(outside) else 0
    if first >= len(t_s) or t_s[-1] - t_s[first] < WATCHED_SHARE * (t_s[-1] - t_s[0]):
        return None
    return float(t_s[first])
