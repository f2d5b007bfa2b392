"""Droop over a run: the power of one key-down after the other, from the first to the last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.dips import odd_one
from benchlog.analysis.droop import DroopFit, bend, fall
from benchlog.model import Measured

Array = NDArray[np.float64]

MIN_KEY_DOWNS = 5
MIN_SPAN_S = 600.0
LONG_ENOUGH = 0.5  # of the median window
AVERAGED = 50  # points of a curve


@dataclass(frozen=True, slots=True)
class RunDroop:
    """What the first key-down had and the last has not, in percent, and how fast it went."""

    percent: Measured
    time_constant: Measured | None  # s; None where the course is straight, or its bend too faint


def run_droop(fits: Sequence[DroopFit], accuracy: Accuracy | None = None) -> RunDroop | None:
    """Power over a run, straight or exponential as in ``droop.fall``, read at the first and the last key-down.

    Args:
        fits: of the band's key-downs, in order of time.
        accuracy: of the forward power channel. Its gain cancels, its zero does not.
    Returns:
        None below 5 key-downs or 10 minutes.
    A key-down's power is its own curve's mean over the first part of its window, of a length that all have (those
    shorter than half of the median window are left out): so the droop within key-downs, and short dips, cancel. The
    uncertainty is from the scatter of key-downs about the course. One odd key-down (``dips.odd_one``), neither the
    first nor the last, is left out.
    """
    lengths = np.array([fit.stop_s - fit.start_s for fit in fits])
    usual = [fit for fit in fits if fit.stop_s - fit.start_s >= LONG_ENOUGH * float(np.median(lengths))]
    if len(usual) < MIN_KEY_DOWNS or usual[-1].start_s - usual[0].start_s < MIN_SPAN_S:
        return None
    part_s = min(fit.stop_s - fit.start_s for fit in usual)
    x = np.array([fit.start_s - usual[0].start_s for fit in usual])
    watts = np.array([_mean(fit, part_s) for fit in usual])
    lasts_s = float(x[-1])
    odd = odd_one(x, watts)
    if odd is not None:
        x, watts = np.delete(x, odd), np.delete(watts, odd)
    found = fall(x, watts, lasts_s, "key-downs", bend(x, watts))
    if found is None:
        return None
    return RunDroop(found.measured(accuracy), found.time_constant)


def _mean(fit: DroopFit, part_s: float) -> float:
    steps = (np.arange(AVERAGED) + 0.5) / AVERAGED
    return float(fit.curve(fit.start_s + part_s * steps).mean())
