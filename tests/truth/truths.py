"""What each result of a record should say: the definitions, as functions of the true curves.

Windows are the analysis's own: by the contract they hang on when readings cross a threshold, so they are part of what
is measured, not of what is estimated. Slots are all planned ones inside a window, answered or not: a lost reading
does not change what the transmitter did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tests.truth.draw import Keyed, TrueBand
from tests.truth.world import World

Array = NDArray[np.float64]
Window = tuple[float, float]
THINNED = 400  # slots: what all pairs are looked at of, for the robust slope of a curve without noise


@dataclass(frozen=True)
class BandTruths:
    """One band's truths over its windows, in order of time, each inside the planted key-down of the same place."""

    world: World
    band: TrueBand
    windows: Sequence[Window]
    keyed: Sequence[Keyed]

    def curve(self, name: str, number: int, t_s: Array) -> Array:
        """The true curve of one key-down, by its place (-1: the last)."""
        k = self.keyed[number]
        return self.world.on_band(self.band, t_s, k.start_s, k.stop_s)[name]

    @cached_property
    def _slots(self) -> dict[str, list[Array]]:
        found: dict[str, list[Array]] = {}
        for name in ("power", "reflected", "frequency", "plate", "current"):
            t_s = self.world.slots(name)
            # A microsecond of slack, as the analysis has for slots that fall on a window's end.
            found[name] = [t_s[(t_s >= a - 1e-6) & (t_s <= b + 1e-6)] for a, b in self.windows]
        return found

    def at_slots(self, name: str, of: str | None = None) -> Array:
        """The true values of a channel at all its slots in the windows (or at the slots of another channel)."""
        return np.concatenate([self.curve(name, i, t_s) for i, t_s in enumerate(self._slots[of or name])])

    def times(self, name: str) -> Array:
        """Those slots."""
        return np.concatenate(self._slots[name])

    def mean(self, name: str) -> float:
        """Mean true value over the slots of the windows: of power, ``power_w``."""
        return float(self.at_slots(name).mean())

    def _ends(self, name: str) -> list[tuple[float, float]]:
        return [tuple(self.curve(name, i, np.array(ends))) for i, ends in enumerate(self.windows)]  # type: ignore[misc]

    @property
    def droops(self) -> list[float]:
        """100 (P_start - P_end) / P_start of each key-down, from the true power at its window's ends."""
        return [100 * (start - end) / start for start, end in self._ends("power")]

    def droop_percent(self) -> float:
        """The worst key-down's."""
        return float(max(self.droops))

    def droop_tau_s(self) -> float | None:
        """The planted time constant, where the droop is exponential: the output stage's alone."""
        return self.band.tau_s if self.band.shape == "exponential" and not self.band.sag else None

    def frequency_error_hz(self) -> float:
        """Mean true frequency over the slots, less the expected."""
        return float(np.mean(self.at_slots("frequency") - self.band.expected_hz))

    def own_by_window(self) -> list[float]:
        """The same of each window, without the drift or warm-up that all bands share."""
        return [
            float(np.mean(self.curve("frequency", i, t_s) - self.band.expected_hz - self.world.shift(t_s)))
            for i, t_s in enumerate(self._slots["frequency"])
        ]

    def step_hz(self, _first: int = 0, _last: int = 0) -> float:
        """The planted jump."""
        return self.band.step_hz

    def supply_percent(self, first: int, last: int) -> float:
        """100 (1 - (V_end / V_start)²), of the true voltage at a window's ends, or at the starts of two windows."""
        start, end = self._between("plate", first, last)
        return 100 * (1 - (end / start) ** 2)

    def stage_percent(self, first: int, last: int) -> float:
        """What is left of the true power's droop between the same times: 1 - (P_end / P_start) (V_start / V_end)²."""
        start, end = self._between("power", first, last)
        return 100 * (1 - end / start / (1 - self.supply_percent(first, last) / 100))

    def _between(self, name: str, first: int, last: int) -> tuple[float, float]:
        if first == last:
            return self._ends(name)[first]
        return self._ends(name)[first][0], self._ends(name)[last][0]

    def returned_percent(self, first: int, last: int) -> float:
        """By how much the true reflected share of the power rose over a window, or from one's mean to another's."""
        if first == last:
            (f0, f1), (r0, r1) = self._ends("power")[first], self._ends("reflected")[first]
            return 100 * (r1 / f1 - r0 / f0)
        shares = []
        for i in (first, last):
            t_s = self._slots["reflected"][i]
            shares.append(float(np.mean(self.curve("reflected", i, t_s) / self.curve("power", i, t_s))))
        return 100 * (shares[1] - shares[0])

    def drift_hz_per_h(self) -> float | None:
        """The contract's slope of the true curve: median over pairs of slots farther apart than the longest window.

        For a straight drift without movement in key-downs that is the planted slope. None below 10 minutes of span.
        """
        t_s, hz = self.times("frequency"), self.at_slots("frequency")
        if t_s[-1] - t_s[0] < 600:
            return None
        if len(t_s) > THINNED:
            kept = np.linspace(0, len(t_s) - 1, THINNED).astype(int)
            t_s, hz = t_s[kept], hz[kept]
        dt, df = t_s[None, :] - t_s[:, None], hz[None, :] - hz[:, None]
        far = dt > (max(b - a for a, b in self.windows) if len(self.windows) > 1 else 0.0)
        return float(np.median(df[far] / dt[far]) * 3600)

    def key_down_drift_hz(self) -> float:
        """f(window's end) - f(window's start) of the true curve, of the key-down where that is largest."""
        return float(max((end - start for start, end in self._ends("frequency")), key=abs))

    def warm_up(self) -> tuple[float, float, float] | None:
        """(by_hz, tau_s, final_hz) as planted; by_hz is what is left at the first reading."""
        p = self.world.planted
        if p.drift != "warm-up":
            return None
        first_s = float(self.times("frequency")[0])
        final = self.band.expected_hz + p.dial_hz + self.band.crystal_hz
        return p.warm_hz * float(np.exp(-first_s / p.warm_tau_s)), p.warm_tau_s, final

    def run_droop_percent(self) -> float | None:
        """100 (P_first - P_last) / P_first, of the first and last key-down's mean true power.

        Over the first part of their windows, of a length that all windows have, so that only the level counts.
        """
        if len(self.windows) < 2:
            return None
        part_s = min(b - a for a, b in self.windows) * (np.arange(200) + 0.5) / 200
        first, last = (float(self.curve("power", i, self.windows[i][0] + part_s).mean()) for i in (0, -1))
        return 100 * (first - last) / first

    def run_droop_tau_s(self) -> float | None:
        """The planted time constant, where the run's droop is exponential."""
        return self.band.run_tau_s if self.band.run_shape == "exponential" else None

    def swr(self) -> float:
        """Of the mean true reflected against the mean true forward power."""
        gamma = np.sqrt(self.mean("reflected") / self.mean("power"))
        return float((1 + gamma) / (1 - gamma))

    def delivered_w(self) -> float:
        """Mean true forward less mean true reflected power."""
        return self.mean("power") - self.mean("reflected")

    def input_w(self) -> float:
        """Mean true plate input, voltage times current, over the current's slots."""
        return float(np.mean(self.at_slots("plate", "current") * self.at_slots("current")))

    def efficiency_percent(self) -> float:
        """Mean true power over mean true plate input."""
        return 100 * self.mean("power") / self.input_w()

    def dissipation_w(self) -> float:
        """Mean true plate input less mean true power."""
        return self.input_w() - self.mean("power")


def dial_of(bands: dict[str, BandTruths]) -> tuple[float, dict[str, float]]:
    """(common, own by band): error_b = common + own_b, median(own) = 0.

    With one key-down a band, of the bands' true errors. Where each was keyed in several rounds, the record frees them
    of what the whole set did meanwhile: then error_b is the median over the rounds of what the band is off by besides
    the planted drift or warm-up that all bands share, and common has that too, as it is at the rounds' middles (the
    median over the rounds; a round's middle is the median of its key-downs').
    """
    several = len(next(iter(bands.values())).windows) > 1
    if several:
        errors = [float(np.median(one.own_by_window())) for one in bands.values()]
        middles = np.median([[(k.start_s + k.stop_s) / 2 for k in one.keyed] for one in bands.values()], axis=0)
        shared = float(np.median(next(iter(bands.values())).world.shift(middles)))
    else:
        errors, shared = [one.frequency_error_hz() for one in bands.values()], 0.0
    middle = float(np.median(errors))
    return middle + shared, {name: error - middle for name, error in zip(bands, errors, strict=True)}


def settled_between(truths: BandTruths, tolerance_hz: float, noise_hz: float) -> tuple[float, float]:
    """Between which session times a right ``settled_after_s`` lies.

    The first slot after which the true curve stays within tolerance / 4 of its value over the last minute, for a
    threshold wider and narrower by 3 standard deviations of the noise, give or take two readings.
    """
    t_s, hz = truths.times("frequency"), truths.at_slots("frequency")
    away = np.abs(hz - np.median(hz[t_s >= t_s[-1] - 60.0]))
    ends = []
    slack = 2  # readings: the reach of a median of five
    for sign, threshold in ((-1, tolerance_hz / 4 + 3 * noise_hz), (1, tolerance_hz / 4 - 3 * noise_hz)):
        outside = np.flatnonzero(away > threshold) if threshold > 0 else np.array([len(t_s) - 1])
        first = int(outside[-1]) + 1 if len(outside) else 0
        ends.append(float(t_s[min(max(first + sign * slack, 0), len(t_s) - 1)]))
    return ends[0], ends[1]
