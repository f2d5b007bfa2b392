"""Overlapping Allan deviation of a band's frequency, on stretches without a gap."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.corrections import GOOD, Corrected
from benchlog.analysis.fits import median
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import Stability
from benchlog.analysis.uncertainty import COVERAGE
from benchlog.analysis.wild import wild

Array = NDArray[np.float64]

EVEN = 0.25  # of the time between readings: what polling may be early or late by
SHARE = 1 / 3  # of the longest stretch: the longest averaging time
MIN_READINGS = 3


def stability(heard: OnBand) -> tuple[Stability, ...]:
    """Of one band; empty where it has no three readings in a row.

    Of the relative frequency y = (f - expected) / expected, which has no unit, in the stretches of the band's windows
    that no missing, bad or wild reading interrupts. Nothing is taken out of it: drift shows at long averaging times.
    """
    frequency = measuring(heard.series, "frequency")
    if frequency is None:
        return ()
    inside = [frequency.between(*k.window) for k in heard.key_downs if k.window]
    steps = [np.diff(one.t_s) for one in inside]
    if not sum(map(len, steps)):
        return ()
    every_s = median(np.concatenate(steps))
    expected_hz = heard.band.expected_hz
    found = [(hz - expected_hz) / expected_hz for one in inside for hz in stretches(one, every_s)]
    return allan(found, every_s)


def stretches(one: Corrected, every_s: float) -> list[Array]:
    """The values of each run of good readings ``every_s`` apart, in order of time: what no gap interrupts.

    Slots that are not good, slots that are not there, and single wild readings all end a run.
    """
    kept = one.state == GOOD
    kept[kept] = ~wild(one.value[kept])
    at = np.flatnonzero(kept)
    apart = (np.diff(at) > 1) | (np.abs(np.diff(one.t_s[at]) - every_s) > EVEN * every_s)
    return [one.value[run] for run in np.split(at, np.flatnonzero(apart) + 1) if len(run)]


def degrees_of_freedom(n: int, m: int) -> float:
    """Of the overlapping Allan variance of n times ``m`` readings averaged, for white frequency noise (table 5)."""
    return (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)


def allan(parts: Sequence[Array], every_s: float, factors: Sequence[int] = ()) -> tuple[Stability, ...]:
    """Overlapping Allan deviation of evenly sampled stretches, pooled.

    Args:
        parts: relative frequencies, (n,) each, ``every_s`` apart within a stretch; no difference is ever taken across
            two of them.
        factors: averaging times in readings; without them 1, 2, 4 ...
    Returns:
        For averaging times up to a third of the longest stretch: the square root of the
        stretches' variances weighted by their numbers of terms, with its 95 % interval from chi-square. Empty
        where no stretch has three readings.
    Error: equivalent degrees of freedom are those of white frequency noise, which a counter's readings have; summed
        over the stretches. Where the frequency wanders, long averaging times have fewer, and the interval is narrow.
    Source: W. J. Riley, NIST SP 1065 (2008), 5.2.4 (deviation), 5.3.3 and table 5 (degrees of freedom, interval). By
        its own formulas, not by a library: that takes half a second to load, of every record.
    """
    longest = max((len(part) for part in parts), default=0)
    if longest < MIN_READINGS:
        return ()
    from scipy.special import chdtri

    wanted = np.asarray(sorted(factors) or [2**i for i in range(longest.bit_length())])
    wanted = wanted[wanted <= longest * SHARE]
    squares, terms, edf = np.zeros((3, len(wanted)))
    for part in parts:
        fits = wanted[wanted <= len(part) * SHARE]
        if not len(fits):
            continue
        # Time deviations; of their second differences the straight part has none, and would cost digits.
        x = np.concatenate([[0.0], np.cumsum(part - part.mean())])
        for i, m in enumerate(fits.tolist()):
            twice = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
            squares[i] += float(twice @ twice) / (2 * m**2)
            terms[i] += len(twice)
            edf[i] += max(degrees_of_freedom(len(x), m), 1.0)
    found = []
    for m, square, count, free in zip(wanted, squares, terms, edf, strict=True):
        variance = square / count
        low, high = (free * variance / chdtri(free, (1 - sign * COVERAGE) / 2) for sign in (1, -1))
        found.append(
            Stability(float(m * every_s), math.sqrt(variance), math.sqrt(low), math.sqrt(high), round(float(count)))
        )
    return tuple(found)
