"""Pairs of sessions with planted truth: what a set does twice, seen by one meter or by two."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchlog.analysis.compare import Compared, compare
from benchlog.analysis.sameness import Taken
from benchlog.model import Event
from tests.analysis.synthetic import bench, facts, plan, raw
from tests.benches import analysed

PLAN = plan("20 m: 14.200 MHz, min_power 60 W, max_droop 10 %, max_frequency_error 300 Hz")
OF_READING, OF_RANGE, PPM = 0.03, 0.02, 1e-6  # of 250 W


@dataclass(frozen=True)
class Truth:
    """What the set does: watts at the window's start, share lost over the window, hertz off the dial."""

    watts: float
    droop: float
    off_hz: float

    @property
    def of(self) -> dict[str, float]:
        mean = self.watts * (1 - self.droop / 2)
        still = {"key_down_drift_hz": 0.0}
        return {"power_w": mean, "droop_percent": 100 * self.droop, "frequency_error_hz": self.off_hz, **still}


@dataclass(frozen=True)
class Meter:
    """Errors inside the accuracy: each one number between -1 and 1, for all readings of the channel."""

    power: float
    frequency: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Meter:
        return cls(*rng.uniform(-1, 1, 2))


def said(number: int) -> list[Event]:
    """Who the instruments say they are."""
    names = {"wattmeter": f"Example,SIM-W250,W{number:04d},1", "counter": f"Example,SIM-F30,F{number:04d},2"}
    return [Event(0, "identity", text, instrument=name) for name, text in names.items()]


SEEN_BY = bench(
    power=f'of_reading = "{100 * OF_READING} %"\nof_range = "{100 * OF_RANGE} %"', frequency='of_reading = "1 ppm"'
)


def noise(rng: np.random.Generator, n: int, sd: float, phi: float) -> np.ndarray:
    """First-order autoregressive; white where phi is 0."""
    white = rng.standard_normal(n) * sd * np.sqrt(1 - phi**2)
    out = np.empty(n)
    last = rng.standard_normal() * sd
    for i in range(n):
        last = out[i] = phi * last + white[i]
    return out


def taken(truth: Truth, meter: Meter, rng: np.random.Generator, number: int = 1, phi: float = 0.0) -> Taken:
    """One key-down of 20 s, its window from 2 s to 19.5 s, as the meter shows it."""
    t = np.arange(0.031, 26, 0.25)
    down = (t >= 2) & (t < 22)
    watts = np.where(down, truth.watts * (1 - truth.droop * (t - 4) / 17.5), 0.0)
    watts = np.where(down, watts + meter.power * (OF_READING * watts + OF_RANGE * 250), 0.0)
    hertz = (14.2e6 + truth.off_hz) * (1 + PPM * meter.frequency) + noise(rng, down.sum(), 2.0, phi)
    series = {
        "power": raw("power", t, watts + np.where(down, noise(rng, len(t), 0.5, phi), 0.0)),
        "frequency": raw("frequency", t[down], hertz),
    }
    return Taken(analysed(facts(), SEEN_BY, PLAN, series), SEEN_BY, said(number))


def pairs(
    n: int, *, one_meter: bool, changed: bool, seed: int, phi: float = 0.0
) -> Iterator[tuple[str, float, Compared]]:
    """(quantity, true difference, what was found), for each of n pairs."""
    rng = np.random.default_rng(seed)
    for _ in range(n):
        before = Truth(rng.uniform(80, 140), rng.uniform(0.01, 0.08), rng.uniform(-200, 200))
        after = before
        if changed:
            after = Truth(before.watts * rng.uniform(0.8, 1.2), rng.uniform(0.01, 0.08), rng.uniform(-200, 200))
        meter = Meter.drawn(rng)
        other = meter if one_meter else Meter.drawn(rng)
        a = taken(before, meter, rng, 1, phi)
        b = taken(after, other, rng, 1 if one_meter else 2, phi)
        for _, one in compare(a, b).all:
            yield one.quantity, after.of[one.quantity] - before.of[one.quantity], one
