"""Planted truth as true curves, and as the readings a bench would have stored; both as arrays.

With x the time since key-down, L the key-down's length, T the session's, and k a key-down::

    stage   E = 1 - depth x / L                        straight
            E = 1 - depth (1 - exp(-x / tau))          exponential; 1 where there is none
    supply  S = 1 - a (1 - exp(-x / sag_tau)),  (1 - a)² = 1 - sag   of the plate voltage
    run     R = 1 - run_depth t_k / T                  straight
            R = 1 - run_depth (1 - exp(-t_k / run_tau))
    power   P = power_w E R S²,  voltage V = 800 V S,  current I = current_a E R
    load    SWR = swr + swr_grows t / T                reflected = P ((SWR - 1) / (SWR + 1))²
    frequency f = expected + dial + crystal + drift t + warm exp(-t / warm_tau) + moves (1 - exp(-x / 10 s)) + step

so that power follows the square of the voltage and, for the rest, the current (as in ``benchlog.simulate.physics``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.model import State
from benchlog.series import STATES, RawSeries
from tests.truth.draw import ACCURACY, EVERY, PLATE_V, RANGES, Noise, Planted, TrueBand

Array = NDArray[np.float64]
CODE = {state: np.uint8(STATES.index(state)) for state in STATES}
MOVES_TAU_S = 10.0
PROBE = 100.0  # of the plate voltage
QUIET_W = 0.02  # what power meters show with the key up


@dataclass(frozen=True)
class World:
    """True curves at any times (n,); 0 (frequency NaN) where the key is up."""

    planted: Planted

    def keyed(self, t_s: Array) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """(which key-down began last, whether it is still on)."""
        starts = np.array([k.start_s for k in self.planted.key_downs])
        stops = np.array([k.stop_s for k in self.planted.key_downs])
        which = np.maximum(np.searchsorted(starts, t_s, "right") - 1, 0)
        return which, (t_s >= starts[which]) & (t_s < stops[which])

    def true(self, t_s: Array) -> dict[str, Array]:
        """The true power, reflected, frequency, plate and current at session times, by channel."""
        which, on = self.keyed(t_s)
        key_downs, bands = self.planted.key_downs, self.planted.bands
        out = {name: np.zeros(len(t_s)) for name in EVERY}
        out["frequency"][:] = np.nan
        out["plate"][:] = PLATE_V * 1.08
        for number in np.unique(which[on]):
            at = on & (which == number)
            k = key_downs[number]
            found = self.on_band(bands[k.band], t_s[at], k.start_s, k.stop_s)
            for name, values in found.items():
                out[name][at] = values
        return out

    def on_band(self, band: TrueBand, t_s: Array, start_s: float, stop_s: float) -> dict[str, Array]:
        """One key-down."""
        p = self.planted
        x = t_s - start_s
        stage = 1 - band.depth * self._course(band.shape, x, stop_s - start_s, band.tau_s)
        run = 1 - band.run_depth * self._course(band.run_shape, np.array([start_s]), p.lasts_s, band.run_tau_s)
        supply = 1 + (1 - np.sqrt(1 - band.sag)) * np.expm1(-x / band.sag_tau_s)
        power = band.power_w * stage * run * supply**2
        grown = np.clip(t_s / p.lasts_s, 0, 1) if p.kind != "sweep" else x / (stop_s - start_s)
        swr = band.swr + band.swr_grows * grown
        step = np.where(t_s >= band.step_at_s, band.step_hz, 0.0)
        moved = -band.moves_hz * np.expm1(-x / MOVES_TAU_S)
        return {
            "power": power,
            "reflected": power * ((swr - 1) / (swr + 1)) ** 2,
            "frequency": band.expected_hz + p.dial_hz + band.crystal_hz + self.shift(t_s) + step + moved,
            "plate": PLATE_V * supply,
            "current": band.current_a * stage * run,
        }

    def shift(self, t_s: Array) -> Array:
        """Hz by which the drift and the warm-up have moved all bands at session times (n,)."""
        p = self.planted
        return np.asarray(p.drift_hz_per_h * t_s / 3600 + p.warm_hz * np.exp(-t_s / p.warm_tau_s))

    @staticmethod
    def _course(shape: str, x: Array, lasts_s: float, tau_s: float) -> Array:
        if shape == "straight":
            return x / lasts_s
        return -np.expm1(-x / tau_s) if shape == "exponential" else np.zeros_like(x)

    def slots(self, name: str) -> Array:
        """Session times of a channel's readings: its polling plan, and a lateness of its own."""
        late = {"power": 0.031, "reflected": 0.033, "frequency": 0.117, "plate": 0.21, "current": 0.26}[name]
        return np.arange(0.0, self.planted.lasts_s, EVERY[name]) + late * EVERY[name]

    def readings(self) -> dict[str, RawSeries]:
        """What the store would hand out."""
        return {name: self._read(number, name) for number, name in enumerate(EVERY)}

    def _read(self, number: int, name: str) -> RawSeries:
        p = self.planted
        t_s = self.slots(name)
        true = self.true(t_s)[name]
        of_reading, of_range = ACCURACY[name]
        off = p.error[name] * (of_reading * true + of_range * RANGES[name])
        rng = p.generator(10 + number)
        sd = p.noise.sd[name] if name == "frequency" else p.noise.sd[name] * true
        values = true + off + sd * noise(rng, len(t_s), EVERY[name], p.noise)
        if name != "frequency":
            _, on = self.keyed(t_s)
            values = np.where(on, values, true + QUIET_W * RANGES[name] / 250 * rng.standard_normal(len(t_s)))
        if step := p.step.get(name, 0.0):
            values = np.round(values / step) * step
        state = np.where(np.isfinite(values), CODE[State.GOOD], CODE[State.INVALID])
        values = values / (PROBE if name == "plate" else 1.0)
        for spans, code in ((p.missing, CODE[State.MISSED]), (p.over, CODE[State.OVER_RANGE])):
            for channel, from_s, to_s in spans:
                if channel == name:
                    at = (t_s >= from_s) & (t_s <= to_s) & (state == CODE[State.GOOD])
                    state, values = np.where(at, code, state), np.where(at, np.nan, values)
        for channel, from_s, to_s in p.stuck:
            if channel == name:
                at = (t_s >= from_s) & (t_s <= to_s) & (state == CODE[State.GOOD])
                values = np.where(at, values[np.argmax(at)], values)
        return RawSeries(
            name, np.round(t_s * 1e9).astype(np.int64), values, state.astype(np.uint8), np.zeros(len(t_s), np.int64)
        )


def noise(rng: np.random.Generator, n: int, every_s: float, kind: Noise) -> Array:
    """(n,) of unit variance, ``every_s`` apart."""
    white = rng.standard_normal(n)
    if kind.kind == "ar":
        from scipy.signal import lfilter

        fed = np.concatenate([white[:1], white[1:] * np.sqrt(1 - kind.rho**2)])
        return np.asarray(lfilter([1.0], [1.0, -kind.rho], fed))
    if kind.kind == "wandering":
        # As benchlog.simulate.noise.wandering: a cos + b sin between independent normals over_s apart.
        place = np.arange(n) * every_s / kind.over_s + rng.random()
        whole = place.astype(int)
        knots = rng.standard_normal(int(whole[-1]) + 2)
        turn = (place - whole) * np.pi / 2
        return np.asarray((white + knots[whole] * np.cos(turn) + knots[whole + 1] * np.sin(turn)) / np.sqrt(2))
    return white
