"""Each band's frequency error freed of what the session did meanwhile: what ``dial_split`` splits.

Bands keyed in several passes make a table of errors, a row a band and a column a pass; median polish takes the
session's drift from pass to pass into the columns, and leaves each band its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import rounding
from benchlog.analysis.dial import BandError
from benchlog.analysis.fits import fit_line
from benchlog.analysis.onband import OnBand
from benchlog.analysis.polish import median_polish
from benchlog.analysis.uncertainty import WindowMean, combine, correlation_time, pool
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

# The variance of a median of so many over that of their mean, in normal noise: from 10 million draws of each.
MEDIAN = {1: 1.0, 2: 1.0, 3: 1.346, 4: 1.192, 5: 1.434, 6: 1.289, 7: 1.473, 8: 1.345}
SHOWS = 3.0  # standard uncertainties by which a slope must differ from the other bands' to count
MIN_BANDS = 3
ROUNDS = 10  # of taking the drift between passes out of the bands keyed before and after their middle


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


def passes(heard: Mapping[str, OnBand]) -> list[dict[str, list[tuple[float, WindowMean]]]]:
    """The bands' windows with frequency readings, (middle_s, mean) each, by pass.

    A pass ends where a band comes up again after another.
    """
    keyed = sorted(
        ((k.start_s + k.stop_s) / 2, name, mean)
        for name, one in heard.items()
        for k in one.key_downs
        if (mean := k.means.get("frequency")) is not None and mean.n
    )
    found: list[dict[str, list[tuple[float, WindowMean]]]] = []
    before = ""
    for at_s, name, mean in keyed:
        if not found or (name in found[-1] and name != before):
            found.append({})
        found[-1].setdefault(name, []).append((at_s, mean))
        before = name
    return found


def _rounding(one: OnBand) -> float:
    return rounding(one.accuracy("frequency").smallest_step(one.band.expected_hz), one.sd("frequency"))


def _plain(one: OnBand) -> Measured:
    mean = pool(one.windows("frequency"))
    assert mean is not None, "asked of bands that were heard"
    return Measured(mean.value - one.band.expected_hz, mean.u, mean.dof, mean.budget)


def _polished(
    heard: Mapping[str, OnBand], by_pass: Sequence[Mapping[str, list[tuple[float, WindowMean]]]]
) -> dict[str, Measured]:
    """Overall and row effect of each band; its uncertainty is what the cells scatter by, or disagree by if more."""
    table = np.full((len(heard), len(by_pass)), np.nan)
    at_s, variances = np.full(table.shape, np.nan), np.zeros(table.shape)
    for column, cells in enumerate(by_pass):
        for row, (name, one) in enumerate(heard.items()):
            if name in cells and (mean := pool([window for _, window in cells[name]])) is not None:
                table[row, column] = mean.value - one.band.expected_hz
                at_s[row, column] = np.mean([middle_s for middle_s, _ in cells[name]])
                variances[row, column] = mean.u**2 if math.isfinite(mean.u) else 0.0
    split = median_polish(table)
    for _ in range(ROUNDS):
        freed = table - _since(at_s, split.columns)
        split = median_polish(freed)
    there = np.isfinite(table)
    free = max(int(there.sum()) - sum(table.shape) + 1, 1)
    between = _left_over(freed) / free
    errors = {}
    for row, name in enumerate(heard):
        count = int(there[row].sum())
        within = float(variances[row].sum()) / count
        widening = MEDIAN.get(count, math.pi / 2) / count
        if between > within:
            words = f"what {count} passes disagree by"
            line = Component(math.sqrt(between * widening), float(free), words, "A")
        else:
            known = pool(heard[name].windows("frequency"))
            dof = known.dof if known is not None else 0.0
            line = Component(math.sqrt(within * widening), dof, f"scatter in {count} passes", "A")
        errors[name] = combine(split.overall + float(split.rows[row]), [line])
    return errors


def _left_over(table: Array) -> float:
    """Sum of squares about the additive fit by least squares, (r, c): a median's residuals overstate the noise."""
    row, column = np.nonzero(np.isfinite(table))
    design = np.column_stack([row[:, None] == np.arange(table.shape[0]), column[:, None] == np.arange(table.shape[1])])
    values = table[row, column]
    fitted = design @ np.linalg.lstsq(design.astype(float), values, rcond=None)[0]
    return float(np.sum((values - fitted) ** 2))


def _since(at_s: Array, columns: Array) -> Array:
    """(r, c) Hz by which the session had drifted at each key-down, from the middle of its pass on.

    By straight lines between the passes' middles, the first and the last one carried on.
    """
    middles = np.nanmedian(at_s, axis=0)
    slopes = np.diff(columns) / np.diff(middles)
    piece = np.clip(np.searchsorted(middles, at_s) - 1, 0, len(slopes) - 1)
    return np.asarray(columns[piece] + slopes[piece] * (at_s - middles[piece]) - columns)


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
