"""A frequency that follows the temperature, told apart from one that only changes while the temperature does.

Two curves that both rise always correlate, so it takes more than a good fit: a straight line in temperature must
describe the frequency clearly better than curves in time alone, cubic or exponential with a trend over the session,
each also with what repeats from key-down to key-down. Noise that follows itself is allowed for in all of them alike.
It is still "follows", never "is caused by".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import aicc_price, fit_exponential, fit_line, median
from benchlog.analysis.frequency import MIN_SPAN_S
from benchlog.analysis.keydowns import gap_limit_s
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import BandResult, Finding
from benchlog.analysis.uncertainty import combine, expanded
from benchlog.analysis.wording import plus_minus
from benchlog.model import Component, Measured
from benchlog.quantities import show

Array = NDArray[np.float64]

MIN_RANGE_K = 3.0
MARGIN = 10.0  # in AICc: "essentially no support" for the other (K. P. Burnham, D. R. Anderson, 2002, ch. 2.6)
MIN_EXPLAINED = 0.5
SHARE_OF_TOLERANCE = 1 / 4  # of max_frequency_error; less is settled
BLOCKS = 400
MIN_BLOCKS = 20
SMOOTH_S = 10.0
_LAG1 = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 0.995)
_TAUS = 24


@dataclass(frozen=True, slots=True)
class Together:
    """One band's frequency and temperature over a session, block by block; shapes (n,)."""

    t_s: Array
    phase_s: Array  # since the window began
    hertz: Array
    celsius: Array

    @property
    def range_k(self) -> float:
        """Between which temperatures nearly all of it was: the 5th and the 95th percentile."""
        low, high = np.percentile(self.celsius, [5, 95])
        return float(high - low)


def follows_temperature(heard: OnBand, found: BandResult) -> Iterator[Finding]:
    """One finding where a band's frequency moved enough to matter, and follows the temperature channel."""
    one = measuring(heard.series, "temperature")
    both = together(heard)
    if one is None or both is None or both.range_k < MIN_RANGE_K:
        return
    slope, explained = hertz_per_kelvin(heard, both)
    interval = expanded(slope)
    if interval is None or explained < MIN_EXPLAINED or not _matters(heard, found, slope, interval[0], both.range_k):
        return
    if not better_than_time(both):
        return
    low, high = (show(float(c), one.unit, 3) for c in np.percentile(both.celsius, [5, 95]))
    yield Finding(
        "drift",
        f"{heard.band.name}: the frequency follows {one.channel} ({low} to {high}): "
        f"{plus_minus(slope.value, interval[0], 'Hz/K')} explains {100 * explained:.0f} % of the drift, "
        "better than time alone does",
        band=heard.band.name,
        channel=one.channel,
        from_ns=round(float(both.t_s[0]) * 1e9),
        to_ns=round(float(both.t_s[-1]) * 1e9),
        value=slope.value,
        expanded=interval[0],
    )


def _matters(heard: OnBand, found: BandResult, slope: Measured, guard: float, range_k: float) -> bool:
    """Whether the change is real, and a quarter of the tolerance or more, or the drift failed anyhow."""
    if abs(slope.value) <= guard:
        return False
    if found.drift_hz_per_h.verdict == "fail":
        return True
    tolerance_hz = heard.tolerance_hz
    return tolerance_hz is not None and (abs(slope.value) - guard) * range_k > tolerance_hz * SHARE_OF_TOLERANCE


def together(heard: OnBand) -> Together | None:
    """Frequency readings with the temperature at their times, read off between its readings, averaged into blocks.

    None where the two do not go together for 10 minutes and 20 blocks. Frequencies farther from any temperature
    reading than its gap limit are left out.
    """
    one = measuring(heard.series, "temperature")
    parts = heard.per_window("frequency")
    if one is None or not parts:
        return None
    at_s, celsius = one.good()
    t_s, hertz = heard.readings("frequency")
    if len(at_s) < 2 or len(t_s) < MIN_BLOCKS:
        return None
    starts = [k.window[0] for k in heard.key_downs if k.window]
    phase_s = np.concatenate([t - start for (t, _), start in zip(parts, starts, strict=True)])
    channel = heard.bench.measuring("temperature")
    limit_s = gap_limit_s(at_s, channel.every if channel else 0.0)
    after = np.clip(np.searchsorted(at_s, t_s), 1, len(at_s) - 1)
    near = (np.abs(at_s[after] - t_s) <= limit_s) | (np.abs(t_s - at_s[after - 1]) <= limit_s)
    window = np.repeat(np.arange(len(parts)), [len(t) for t, _ in parts])[near]
    t_s, hertz, phase_s = t_s[near], hertz[near], phase_s[near]
    if len(t_s) < MIN_BLOCKS or t_s[-1] - t_s[0] < MIN_SPAN_S:
        return None
    # No block reaches over a rest: a curve in time would not be, at its middle, what it is on average.
    opens = np.flatnonzero(np.diff(window, prepend=-1))
    size = -(-len(t_s) // BLOCKS)
    edges = np.concatenate([np.arange(i, j, size) for i, j in pairwise([*opens, len(t_s)])] + [[len(t_s)]])
    sizes = np.diff(edges)
    after = after[near]
    before_c, after_c = _smooth(at_s, celsius, np.array([after - 1, after]))
    share = np.clip((t_s - at_s[after - 1]) / (at_s[after] - at_s[after - 1]), 0, 1)
    columns = (t_s, phase_s, hertz, before_c + share * (after_c - before_c))
    return Together(*(np.add.reduceat(column, edges[:-1]) / sizes for column in columns))


def _smooth(t_s: Array, celsius: Array, at: NDArray[np.intp]) -> Array:
    """Running means over ``SMOOTH_S``, which no chassis outruns: a thermometer's noise would blur the relation.

    Of (n,) readings, about those ``at`` which they are asked for.
    """
    reach = int(SMOOTH_S / 2 / max(median(np.diff(t_s)), 1e-9))
    if not 0 < reach < len(celsius) / 2:
        return celsius[at]
    sums = np.concatenate([[0.0], np.cumsum(celsius - celsius[0])])
    # As many on either side: at the ends fewer, so that the mean does not lag.
    either = np.minimum(reach, np.minimum(at, len(celsius) - 1 - at))
    return np.asarray(celsius[0] + (sums[at + either + 1] - sums[at - either]) / (2 * either + 1))


def hertz_per_kelvin(heard: OnBand, both: Together) -> tuple[Measured, float]:
    """(slope in Hz/K, share of the frequency's variance that it explains); least squares, correlation allowed for."""
    fit = fit_line(both.celsius, both.hertz)
    away = both.hertz - both.hertz.mean()
    total = float(away @ away)
    slope = float(fit.b[1])
    widening, dof = fit.widening()
    u = float(fit.u[1]) * math.sqrt(widening)
    scatter = Component(u, dof, f"scatter about the line, worth {dof + 2:.0f} independent readings", "A")
    accuracy = heard.accuracy("temperature")
    # A thermometer's gain error is the slope's; its zero is not.
    budget = [scatter, *heard.accuracy("frequency").difference(slope), *accuracy.difference(slope)]
    return combine(slope, budget), 1 - fit.rss / total if total > 0 else 0.0


def better_than_time(both: Together) -> bool:
    """Whether a line in temperature beats every curve in time by ``MARGIN``."""
    one = np.ones_like(both.t_s)
    with_warmth = _support(np.column_stack([one, both.celsius - both.celsius.mean()]), both.hertz)
    return all(_support(columns, both.hertz, more) - with_warmth > MARGIN for columns, more in _rivals(both))


def _rivals(both: Together) -> Iterator[tuple[Array, int]]:
    """Columns of each curve in time, and how many parameters it has beyond them (a time constant that was sought)."""
    x = (both.t_s - both.t_s[0]) / (both.t_s[-1] - both.t_s[0])
    longest_s = float(both.phase_s.max())
    phase = both.phase_s / longest_s if longest_s > 0 else both.phase_s
    single = bool(np.all(np.diff(both.phase_s) > 0))  # one window only: the phase is the time
    one = np.ones_like(x)
    taus = [*np.geomspace(0.01, 5.0, _TAUS)]
    if (bent := fit_exponential(x, both.hertz)) is not None:
        taus.append(float(bent.b[2]))  # a warm-up that is exponential, exactly so
    curves: list[tuple[Sequence[Array], int]] = [([one, x, x**2, x**3], 0)]
    curves += [([one, x, np.exp(-x / tau)], 1) for tau in taus]
    for curve, more in curves:
        yield np.column_stack(curve), more
        if not single:
            yield np.column_stack([*curve, phase, phase**2]), more


def _support(columns: Array, y: Array, more: int = 0) -> float:
    """AICc of a linear model with first-order autoregressive noise, the best of a few correlations; less is better.

    Args:
        columns: (n, p); y: (n,); more: parameters beyond the columns.
    Source: exact likelihood of a regression with AR(1) errors (S. J. Prais, C. B. Winsten, 1954, from memory); AICc as
    in ``fits.aicc``.
    """
    n = len(y)
    k = columns.shape[1] + more + 2  # with the noise's variance and correlation
    # Readings without noise would fit without limit; a billionth of their spread is noise enough.
    floor = n * (1e-9 * float(np.ptp(y)) + 1e-300) ** 2
    best = math.inf
    for rho in _LAG1:
        first = math.sqrt(1 - rho**2)
        a = np.vstack([first * columns[:1], columns[1:] - rho * columns[:-1]])
        b = np.concatenate([first * y[:1], y[1:] - rho * y[:-1]])
        parameters = np.linalg.lstsq(a, b, rcond=None)[0]
        left = b - a @ parameters
        best = min(best, n * math.log(max(float(left @ left), floor) / n) - math.log(1 - rho**2))
    return float(best + aicc_price(n, k))
