"""Each band's frequency error freed of what the session did meanwhile: what ``dial_split`` splits.

Bands keyed in several passes make a table of errors, a row a band and a column a pass; median polish takes the
session's drift from pass to pass into the columns, and leaves each band its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import rounding
from benchlog.analysis.course import common_course
from benchlog.analysis.dial import BandError
from benchlog.analysis.fits import fit_line
from benchlog.analysis.onband import OnBand
from benchlog.analysis.polish import median_polish
from benchlog.analysis.uncertainty import UNKNOWN, WindowMean, combine, correlation_time, pool
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

# The variance of a band's own in a polished table of so many passes over that of their mean, in normal noise: from
# 6,000 tables of 3 to 9 bands each. A column's median is a little of each band's error, so that it is more than that of
# a lone median.
POLISHED = {1: 1.0, 2: 1.0, 3: 1.39, 4: 1.27, 5: 1.48, 6: 1.39, 7: 1.52, 8: 1.45}
SHOWS = 3.0  # standard uncertainties by which a slope must differ from the other bands' to count
MIN_BANDS = 3
DISAGREE = 0.05  # chance that an F test takes equal variances for different ones


@dataclass(frozen=True, slots=True)
class Moving:
    """How one band's frequency moved in its windows."""

    at_s: float  # middle of the windows
    slope: float  # Hz/s
    u: float


def band_errors(heard: Mapping[str, OnBand]) -> dict[str, BandError]:
    """The frequency errors that ``dial_split`` takes, of the bands that were heard.

    With one pass they are the means over the bands' windows. A band may then have been keyed while the set still
    warmed up, which looks as if it were off by itself: where its frequency moves in its windows otherwise than the
    other bands' do, it may have gone on so until the middle of the session, and ``moving_hz`` says how far.
    """
    heard = {name: one for name, one in heard.items() if pool(one.windows("frequency")) is not None}
    by_pass = passes(heard)
    wide = sum(len(cells) >= MIN_BANDS for cells in by_pass) > 1
    errors = _polished(heard, by_pass) if wide else {name: _plain(one) for name, one in heard.items()}
    moving = {} if wide else _moving(heard)
    return {
        name: BandError(errors[name], one.band.expected_hz, one.tolerance_hz, _rounding(one), moving.get(name, 0.0))
        for name, one in heard.items()
    }


class Keyed(NamedTuple):
    """One key-down with frequency readings."""

    middle_s: float
    band: str
    read_s: float  # mean time of the readings
    mean: WindowMean


def passes(heard: Mapping[str, OnBand]) -> list[dict[str, list[Keyed]]]:
    """The key-downs with frequency readings, by pass and band. A pass ends where a band comes up after another."""
    keyed = sorted(one for name, band in heard.items() for one in _keyed(name, band))
    found: list[dict[str, list[Keyed]]] = []
    before = ""
    for one in keyed:
        if not found or (one.band in found[-1] and one.band != before):
            found.append({})
        found[-1].setdefault(one.band, []).append(one)
        before = one.band
    return found


def _keyed(name: str, band: OnBand) -> Iterator[Keyed]:
    windowed = [k for k in band.key_downs if k.window]
    for k, (t_s, _) in zip(windowed, band.per_window("frequency"), strict=True):
        if len(t_s):
            yield Keyed((k.start_s + k.stop_s) / 2, name, float(t_s.mean()), k.means["frequency"])


def _rounding(one: OnBand) -> float:
    return rounding(one.accuracy("frequency").smallest_step(one.band.expected_hz), one.sd("frequency"))


def _plain(one: OnBand) -> Measured:
    mean = pool(one.windows("frequency"))
    assert mean is not None, "asked of bands that were heard"
    return Measured(mean.value - one.band.expected_hz, mean.u, mean.dof, mean.budget)


def _polished(heard: Mapping[str, OnBand], by_pass: Sequence[Mapping[str, list[Keyed]]]) -> dict[str, Measured]:
    """Overall and row effect of each band, once the table is free of the course that all bands take inside a pass."""
    table = np.full((len(heard), len(by_pass)), np.nan)
    read_s, middle_s, variances = table.copy(), table.copy(), table.copy()
    for column, cells in enumerate(by_pass):
        for row, (name, one) in enumerate(heard.items()):
            if name in cells and (mean := pool([keyed.mean for keyed in cells[name]])) is not None:
                table[row, column] = mean.value - one.band.expected_hz
                variances[row, column] = mean.u**2 if math.isfinite(mean.u) else np.nan
                sizes = [keyed.mean.n for keyed in cells[name]]
                read_s[row, column] = np.average([keyed.read_s for keyed in cells[name]], weights=sizes)
                middle_s[row, column] = np.mean([keyed.middle_s for keyed in cells[name]])
    course = common_course(table, read_s, np.nanmedian(middle_s, axis=0))
    freed = table - course.since
    split = median_polish(freed)
    noise = [_within(one, cells) for one, cells in zip(heard.values(), variances, strict=True)]
    together = [row for row in range(len(heard)) if row != course.odd]
    between = _left_over(freed[together])
    differ = _differ(between, [noise[row] for row in together])
    errors = {}
    for row, name in enumerate(heard):
        count = int(np.isfinite(table[row]).sum())
        source = f"what {count} passes disagree by"
        if row == course.odd:
            found = _Variance(float(np.nansum(split.residuals[row] ** 2)) / (count - 1), count - 1.0)
        elif differ or not noise[row].dof:
            found = between
        else:
            found, source = _pooled(noise[row], between), f"scatter in {count} passes"
        u = math.sqrt(found.value * POLISHED.get(count, math.pi / 2) / count) if found.dof else UNKNOWN
        errors[name] = combine(split.overall + float(split.rows[row]), [Component(u, found.dof, source, "A")])
    return errors


@dataclass(frozen=True, slots=True)
class _Variance:
    """Of one cell of the table; 0 degrees of freedom: nothing is known of it."""

    value: float
    dof: float


def _within(one: OnBand, variances: Array) -> _Variance:
    """What the scatter of a band's readings lets its cells scatter by."""
    known = pool(one.windows("frequency"))
    there = variances[np.isfinite(variances)]
    return _Variance(float(there.mean()), known.dof) if known is not None and len(there) else _Variance(0.0, 0.0)


def _differ(between: _Variance, within: Sequence[_Variance]) -> bool:
    """Whether cells disagree by more than their readings' scatter lets them (F test).

    Two estimates of one variance are otherwise pooled, for the larger of them would be too large.
    """
    from scipy import special

    known = [one for one in within if one.dof]
    dof = sum(one.dof for one in known)
    usual = sum(one.dof * one.value for one in known) / dof if dof else 0.0
    if not usual or not between.dof:
        return bool(between.dof)
    return bool(special.fdtrc(between.dof, dof, between.value / usual) < DISAGREE)


def _pooled(one: _Variance, other: _Variance) -> _Variance:
    dof = one.dof + other.dof
    return _Variance((one.dof * one.value + other.dof * other.value) / dof, dof)


def _left_over(table: Array) -> _Variance:
    """About the additive fit by least squares, (r, c): a median's residuals overstate the noise."""
    row, column = np.nonzero(np.isfinite(table))
    design = np.column_stack([row[:, None] == np.unique(row), column[:, None] == np.unique(column)]).astype(float)
    values = table[row, column]
    fitted = design @ np.linalg.lstsq(design, values, rcond=None)[0]
    dof = len(values) - design.shape[1] + 1
    return _Variance(float(np.sum((values - fitted) ** 2)) / dof if dof > 0 else 0.0, float(max(dof, 0)))


def _moving(heard: Mapping[str, OnBand]) -> dict[str, float]:
    slopes = {name: found for name, one in heard.items() if (found := _slope(one)) is not None}
    if len(slopes) < MIN_BANDS:
        return {}
    usual = float(np.median([one.slope for one in slopes.values()]))
    middle_s = float(np.median([one.at_s for one in slopes.values()]))
    return {
        name: abs((one.slope - usual) * (one.at_s - middle_s))
        for name, one in slopes.items()
        if abs(one.slope - usual) > SHOWS * one.u
    }


def _slope(one: OnBand) -> Moving | None:
    """The mean slope over a band's windows, from a line through each."""
    found = []
    for t_s, hz in one.per_window("frequency"):
        if len(t_s) < 5:
            continue
        line = fit_line(t_s, hz)
        found.append((float(t_s.mean()), float(line.b[1]), float(line.u[1]) ** 2 * correlation_time(line.residuals, 2)))
    if not found:
        return None
    at_s, slopes, variances = np.array(found).T
    return Moving(float(at_s.mean()), float(slopes.mean()), math.sqrt(float(variances.sum())) / len(found))
