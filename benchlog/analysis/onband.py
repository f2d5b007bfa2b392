"""All that a session holds about one band: what every result of the band is made from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.measure import measuring
from benchlog.analysis.uncertainty import WindowMean
from benchlog.analysis.wild import wild
from benchlog.bench import Bench
from benchlog.model import Measure
from benchlog.plan import Band

Array = NDArray[np.float64]


@dataclass(frozen=True)
class OnBand:
    """One band of the plan, its counted key-downs in order of time, and the session's channels.

    What several results begin with is worked out once, and not by each that wants it.
    """

    band: Band
    key_downs: Sequence[KeyDown]
    series: Mapping[str, Corrected]
    bench: Bench

    @property
    def tolerance_hz(self) -> float | None:
        """The plan's ``max_frequency_error`` in Hz."""
        tolerance = self.band.max_frequency_error
        return tolerance.at(self.band.expected_hz) if tolerance else None

    def accuracy(self, measure: Measure) -> Accuracy:
        """Of the channel that measures it, on this band."""
        return Accuracy.measuring(self.bench, measure).at(self.band.expected_hz)

    def windows(self, measure: Measure) -> list[WindowMean]:
        """What was measured in each key-down's window, in order of time; a window without readings has n = 0."""
        return [k.means[measure] for k in self.key_downs if measure in k.means]

    def sd(self, measure: Measure) -> float:
        """Standard deviation of single readings about what each window's readings follow, pooled over the windows."""
        known = [window.scatter for window in self.windows(measure) if window.scatter.dof]
        dof = sum(one.dof for one in known)
        return math.sqrt(sum(one.dof * one.sd**2 for one in known) / dof) if dof else 0.0

    def lacking(self, measure: Measure) -> bool:
        """Whether some window holds what its mean does not."""
        return any(window.lacking for window in self.windows(measure))

    def per_window(self, measure: Measure) -> list[tuple[Array, Array]]:
        """(t_s, value) of the good readings of each window, (n,) each; empty where the bench has no such channel."""
        one = measuring(self.series, measure)
        return [one.between(*k.window).good() for k in self.key_downs if k.window] if one else []

    @cached_property
    def tame_frequency(self) -> list[tuple[Array, Array]]:
        """(t_s, Hz) of each window without its wild readings, windows that have none left out."""
        return [(t_s[kept], hz[kept]) for t_s, hz in self.per_window("frequency") if (kept := ~wild(hz)).any()]

    def readings(self, measure: Measure) -> tuple[Array, Array]:
        """(t_s, value) of the good readings of all windows, (n,)."""
        parts = self.per_window(measure)
        if not parts:
            return np.empty(0), np.empty(0)
        return np.concatenate([t_s for t_s, _ in parts]), np.concatenate([values for _, values in parts])

    @property
    def longest_window_s(self) -> float:
        """0 where there is only one window, or none."""
        lengths = [k.window[1] - k.window[0] for k in self.key_downs if k.window]
        return max(lengths) if len(lengths) > 1 else 0.0
