"""A valve transmitter on its dummy load, as a function of time.

``Truth`` is what is so, as plain data: plant a fault with ``dataclasses.replace`` and compare what a record finds.
``Course`` is what was done to the transmitter (bands switched, key up and down); ``Course.at(t)`` is what its
sockets show at one moment. States move by closed-form exponentials from one key change to the next, so an
answer does not depend on when, or how often, anybody asked.

With e the drive (0 at key-up, 1 at full drive), h the output stage's heat and s the supply's (both 0 to 1), y and z
how far the grid and the plate circuit are off their resonance, in half-bandwidths (0 when tuned), and l the level::

    dh/dt = (e - h) / tau    tau = heating_s while keyed, cooling_s at rest          first order, both
    ds/dt = (e - s) / supply_tau_s

    grid      g  = l / sqrt(1 + y²)                                                  1: about to draw current
    grid curr Ig = grid_a max(g - 1, 0) while keyed                                  A
    level ctl Va = alc_v max(g - 1, 0) while keyed                                   V
    emission  E  = e min(g, 1) (1 - droop h), or straight: (1 - droop x / droop_over_s)   of the band's full current
    current   Ip = plate_current_a E (1 + off_tune z² / (1 + z²))                    A
    voltage   Vp = open_v m - supply_ohm Ip - slow_sag_v s                           V, m = mains (1 at nominal)
    forward   P  = power_w E (Vp / Vr)² / (1 + z²)                                   W, Vr = Vp cold, at nominal mains
    load    SWR  = load_swr + swr_rises_per_h t
    reflected Pr = P ((SWR - 1) / (SWR + 1))²                                        W
    frequency f  = dial_hz + dial_error_hz + crystal_error_hz + warm_up_hz exp(-(t + on_before_s) / warm_up_s)
                   + drift_hz_per_h t, + step_hz from step_at_s on                    Hz
    stage     T  = ambient_c + stage_rise_c h                                        degC

The level control keeps the emission where it is once the grid draws current (g > 1); the heats go by e as it is set,
whatever the circuits are tuned to, for nobody stays off tune for long. A single tuned circuit's current falls by
1 / sqrt(1 + z²) off resonance (the universal resonance curve of the handbooks); that plate current rises there, and by
how much, is common practice, no source.

In this, x is the time since the key went down (at most droop_over_s), m less by a ``MainsSag`` while one lasts,
and noise on P, Vp, Ip, Ig, Va, f, T and, slowly, on m. So a band makes exactly ``power_w`` when it is keyed cold, the
figures of heat are the usual first-order ones, and power falls with the square of the plate voltage.
Source: common practice for a class-C or linear output stage on an unregulated supply; no maker's data.
"""

from __future__ import annotations

import math
import threading
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass

from benchlog.simulate.noise import wandering, white


@dataclass(frozen=True, slots=True)
class BandTruth:
    """One band of the set, cold, at nominal mains and full drive."""

    name: str
    dial_hz: float  # where the operator sets the dial
    power_w: float
    plate_current_a: float
    droop: float = 0.02  # share of the emission lost when the output stage is as hot as it gets
    droop_over_s: float | None = None  # lost straight, in so long after each key-down, instead of with the heat
    crystal_error_hz: float = 0.0
    drift_hz_per_h: float = 0.0  # of the crystal, straight, from time 0 on
    step_hz: float = 0.0  # by which the crystal jumps, once, at step_at_s
    step_at_s: float = math.inf
    load_swr: float = 1.1  # of the dummy load at time 0
    swr_rises_per_h: float = 0.0
    grid_a: float = 0.008  # for each whole by which the grid is driven above where it draws current
    alc_v: float = -6.0  # for the same


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations. White from reading to reading, and wandering over ``wander_s`` or ``mains_s``."""

    power: float = 0.004  # of the power; as much again wanders
    frequency_hz: float = 1.5  # as much again wanders
    plate_v: float = 0.6
    plate_current: float = 0.003  # of the current
    stage_c: float = 0.05
    grid_current: float = 0.005  # of the current
    alc_v: float = 0.01
    wander_s: float = 1.5
    mains: float = 0.003  # of the mains voltage
    mains_s: float = 40.0


@dataclass(frozen=True, slots=True)
class MainsSag:
    """The mains is lower by ``share`` from one time to another, as when something large runs in the house."""

    from_s: float
    to_s: float
    share: float


@dataclass(frozen=True, slots=True)
class Truth:
    """A transmitter as it really is."""

    name: str
    serial: str
    bands: tuple[BandTruth, ...]
    dial_error_hz: float = 0.0  # common to all bands
    warm_up_hz: float = 0.0  # how far the frequency is off when just switched on
    warm_up_s: float = 900.0
    on_before_s: float = 0.0  # switched on so long before time 0
    open_v: float = 900.0  # plate supply without load
    supply_ohm: float = 200.0
    off_tune: float = 1.0  # share by which plate current is higher far off the plate circuit's resonance
    slow_sag_v: float = 0.0  # what a tired supply loses on top, under lasting load
    supply_tau_s: float = 8.0
    ambient_c: float = 23.0
    stage_rise_c: float = 55.0  # where full drive, for good, would bring the output stage
    heating_s: float = 25.0
    cooling_s: float = 45.0
    mains: float = 1.0
    mains_sags: tuple[MainsSag, ...] = ()
    noise: Noise = Noise()

    def band(self, name: str) -> BandTruth:
        """By name. Raises KeyError."""
        for band in self.bands:
            if band.name == name:
                return band
        raise KeyError(name)

    def cold_v(self, band: BandTruth) -> float:
        """Plate voltage at full drive, cold, at nominal mains."""
        return self.open_v - self.supply_ohm * band.plate_current_a


@dataclass(frozen=True, slots=True)
class Knob:
    """Turned evenly from one setting to another, and left there."""

    start: float
    stop: float
    over_s: float = 0.0

    def at(self, passed_s: float) -> float:
        """Where it stands so long after it was begun to be turned."""
        share = min(max(passed_s / self.over_s, 0.0), 1.0) if self.over_s else 1.0
        return self.start + (self.stop - self.start) * share


TUNED = Knob(0.0, 0.0)
JUST_MOVES = Knob(1.05, 1.05)
"""A level at which the level control just moves: what is left once a set is tuned."""


@dataclass(frozen=True, slots=True)
class KeyChange:
    """From ``t_s`` on, this band is switched and driven so hard: 0 is key-up, 1 full drive; and knobs are turned.

    ``grid`` and ``plate`` are half-bandwidths off resonance, ``level`` is 1 where the grid, tuned, is about to draw
    current.
    """

    t_s: float
    band: str
    drive: float
    grid: Knob = TUNED
    plate: Knob = TUNED
    level: Knob = JUST_MOVES


@dataclass(frozen=True, slots=True)
class Moment:
    """What the transmitter's sockets show at one time; ``frequency_hz`` is None without a signal."""

    t_s: float
    band: str
    drive: float
    forward_w: float
    reflected_w: float
    frequency_hz: float | None
    plate_v: float
    plate_a: float
    stage_c: float
    grid_a: float = 0.0
    alc_v: float = 0.0


@dataclass(frozen=True, slots=True)
class _Stage:
    """A key change with the heats that stood when it came, and since when the key has been down (or up)."""

    change: KeyChange
    heat: float
    supply_heat: float
    since_s: float


class Course:
    """What is done to one transmitter from time 0 on, and what it shows at any time. Safe to share between threads.

    It starts cold, on its first band, key up. Changes may lie in the future: a script is put in at once.
    """

    def __init__(self, truth: Truth, seed: int = 0, changes: Iterable[KeyChange] = ()) -> None:
        self.truth, self.seed = truth, seed
        self._lock = threading.Lock()
        self._stages = [_Stage(KeyChange(0.0, truth.bands[0].name, 0.0), 0.0, 0.0, 0.0)]
        for change in changes:
            self.put(change)

    def put(self, change: KeyChange) -> None:
        """Add a change; whatever was planned for its time or later is dropped.

        Raises: KeyError for an unknown band, ValueError for a time before 0 or a drive outside 0 to 1.
        """
        self.truth.band(change.band)
        if change.t_s < 0 or not 0 <= change.drive <= 1:
            raise ValueError(f"time must be 0 or later, drive 0 to 1: {change}")
        with self._lock:
            before = [stage for stage in self._stages if stage.change.t_s < change.t_s]
            heat, supply_heat = self._heats(before[-1], change.t_s) if before else (0.0, 0.0)
            same = bool(before) and (before[-1].change.drive > 0) == (change.drive > 0)
            since_s = before[-1].since_s if same else change.t_s
            self._stages = [*before, _Stage(change, heat, supply_heat, since_s)]

    def changes(self) -> list[KeyChange]:
        """All of them, in order; the first is the switch-on at time 0."""
        with self._lock:
            return [stage.change for stage in self._stages]

    def at(self, t_s: float) -> Moment:
        """What everything stands at. Times before 0 show time 0's state."""
        with self._lock:
            stages = self._stages
        stage = stages[max(bisect_right(stages, t_s, key=lambda s: s.change.t_s) - 1, 0)]
        heat, supply_heat = self._heats(stage, t_s)
        truth, noise, drive = self.truth, self.truth.noise, stage.change.drive
        band = truth.band(stage.change.band)

        passed_s = max(t_s - stage.since_s, 0.0)
        tired = heat if band.droop_over_s is None else min(passed_s / band.droop_over_s, 1.0)
        turned_s = max(t_s - stage.change.t_s, 0.0)
        at_grid = stage.change.level.at(turned_s) / math.hypot(1.0, stage.change.grid.at(turned_s))
        over = max(at_grid - 1.0, 0.0) if drive else 0.0
        resonance = 1 / (1 + stage.change.plate.at(turned_s) ** 2)
        emission = drive * min(at_grid, 1.0) * (1 - band.droop * tired)
        mains = truth.mains * (1 + noise.mains * wandering(self.seed, "mains", t_s, noise.mains_s))
        mains -= truth.mains * sum(sag.share for sag in truth.mains_sags if sag.from_s <= t_s < sag.to_s)
        true_a = band.plate_current_a * emission * (1 + truth.off_tune * (1 - resonance))
        true_v = truth.open_v * mains - truth.supply_ohm * true_a - truth.slow_sag_v * supply_heat
        flicker = noise.power * (self._white("power", t_s) + self._wandering("power", t_s))
        forward_w = band.power_w * emission * (true_v / truth.cold_v(band)) ** 2 * resonance * (1 + flicker)
        swr = band.load_swr + band.swr_rises_per_h * max(t_s, 0.0) / 3600
        return Moment(
            t_s=t_s,
            band=band.name,
            drive=drive,
            forward_w=forward_w,
            reflected_w=forward_w * ((swr - 1) / (swr + 1)) ** 2,
            frequency_hz=self._frequency_hz(band, t_s) if drive else None,
            plate_v=true_v + noise.plate_v * self._white("plate-v", t_s),
            plate_a=true_a * (1 + noise.plate_current * self._white("plate-a", t_s)),
            stage_c=truth.ambient_c + truth.stage_rise_c * heat + noise.stage_c * self._white("stage", t_s),
            grid_a=band.grid_a * over * (1 + noise.grid_current * self._white("grid-a", t_s)),
            alc_v=band.alc_v * over + noise.alc_v * self._white("alc-v", t_s),
        )

    def _frequency_hz(self, band: BandTruth, t_s: float) -> float:
        truth, noise = self.truth, self.truth.noise
        drift = truth.warm_up_hz * math.exp(-(max(t_s, 0.0) + truth.on_before_s) / truth.warm_up_s)
        drift += band.drift_hz_per_h * max(t_s, 0.0) / 3600 + (band.step_hz if t_s >= band.step_at_s else 0.0)
        jitter = noise.frequency_hz * (self._white("frequency", t_s) + self._wandering("frequency", t_s))
        return band.dial_hz + truth.dial_error_hz + band.crystal_error_hz + drift + jitter

    def _heats(self, stage: _Stage, t_s: float) -> tuple[float, float]:
        """Of the output stage and of the supply, at a time in this stage."""
        passed_s, drive = max(t_s - stage.change.t_s, 0.0), stage.change.drive
        tau_s = self.truth.heating_s if drive else self.truth.cooling_s
        return (
            drive + (stage.heat - drive) * math.exp(-passed_s / tau_s),
            drive + (stage.supply_heat - drive) * math.exp(-passed_s / self.truth.supply_tau_s),
        )

    def _white(self, what: str, t_s: float) -> float:
        return white(self.seed, what, t_s)

    def _wandering(self, what: str, t_s: float) -> float:
        return wandering(self.seed, what, t_s, self.truth.noise.wander_s)
