"""What is so in one simulated session: the stated distribution of the truth trials.

Every number below is drawn anew for each session (or each of its bands) from the generator that ``seed`` and the
session's number give. All names, bands and powers are invented; sizes are what a valve set on a bench shows (common
practice, no source).

- kind: sweep 50 % (five bands, one key-down of 20 to 30 s each), watch 35 % (five bands, four key-downs of 20 to 30 s
  each, over 30 minutes), soak 15 % (one band, 40 key-downs of 60 s, 20 to 40 s of rest).
- noise of readings: white 40 %; "ar" 30 %, first-order autoregressive from reading to reading with rho 0.3, 0.6 or 0.8;
  "wandering" 30 %, half the variance white and half wandering over 0.5 or 1.5 s, as on the simulated bench.
  Standard deviations: power 0.2 to 1 % of its value, frequency 0.5 to 5 Hz, plate voltage 0.03 to 0.1 %, plate current
  0.1 to 0.4 %, all log-uniform.
- accuracy: half of the sessions have instruments without error, and a bench file that states none (what is left is
  type A); half have the limits in ``ACCURACY``, and each channel an error e x (of_reading x value + of_range x range)
  with one e for the session, rectangular in -1 to 1. The counter's is its reference's.
- resolution: a quarter of the sessions round power and frequency to steps of 0.3 to 3 standard deviations of the noise.
- power: 1.2 to 1.8 times the plan's. Droop inside a key-down: none 30 %, straight 35 %, exponential 35 % with tau 3 to
  15 s; it loses 1 to 6 % of the power by the key-down's end. Over a heat run each key-down begins lower than the one
  before by a straight (40 %) or exponential (40 %) course that loses 2 to 8 %, tau 400 to 1200 s.
- frequency: the dial off by -60 to 60 Hz on all bands, each crystal by 10 Hz (normal); inside a key-down it moves by
  up to 8 Hz with tau 10 s (one set in two). Over the session none 25 %, a straight drift of up to 60 Hz/h 40 %, or a
  warm-up 35 %, 40 to 150 Hz with tau 300 to 900 s, the same on all bands.
- load: SWR 1.05 to 1.6. Plate 800 V, current for an efficiency of 45 to 70 %.
- 40 % of the sessions are clean: no fault, and limits far away (what misses one nevertheless, as a long warm-up does,
  is no false finding).
- 20 % have a plan whose limits are the truth itself, 0.1 % to either side, which is where verdicts go wrong; no fault.
- 40 % have three to five of ``FAULTS``, each on a band of its own (a heat run: one), of the sizes in ``_plant``. A
  channel that gets stuck is one that shows its noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

Kind = Literal["sweep", "watch", "soak"]
Shape = Literal["none", "straight", "exponential"]

FAULTS = (
    "low-power",
    "droop",
    "drift",
    "frequency-error",
    "step",
    "band-crystal",
    "dial",
    "supply-sag",
    "output-stage",
    "mismatch",
    "stuck",
    "gap",
    "over-range",
)
LASTING = {"drift"}  # faults that a sweep is too short for
BANDS = (
    ("80 m", 3.6e6, 100.0),
    ("40 m", 7.1e6, 100.0),
    ("20 m", 14.2e6, 100.0),
    ("15 m", 21.2e6, 90.0),
    ("10 m", 28.3e6, 80.0),
)
RANGES = {"power": 250.0, "reflected": 50.0, "frequency": 50e6, "plate": 1000.0, "current": 0.5}
ACCURACY = {  # of_reading, of_range
    "power": (0.03, 0.01),
    "reflected": (0.03, 0.002),
    "frequency": (1e-6, 0.0),
    "plate": (0.01, 0.001),
    "current": (0.01, 0.002),
}
EVERY = {"power": 0.2, "reflected": 0.2, "frequency": 0.5, "plate": 0.5, "current": 0.5}
SETTLE_S = 2.0
PLATE_V = 800.0


@dataclass(frozen=True)
class Noise:
    """Of readings: standard deviations (of the value; frequency in Hz), and how one reading follows another."""

    kind: Literal["white", "ar", "wandering"]
    rho: float  # of "ar", from reading to reading
    over_s: float  # of "wandering"
    sd: dict[str, float]


@dataclass(frozen=True)
class TrueBand:
    """One band as it really is. Shares are of the power; times in s."""

    name: str
    expected_hz: float
    min_power_w: float
    power_w: float  # at the start of the first key-down
    shape: Shape = "none"  # of the droop inside a key-down that is the output stage's
    depth: float = 0.0  # what a straight one has lost at key-up, an exponential one for good
    tau_s: float = 8.0
    sag: float = 0.0  # what the plate supply's sag takes of the power for good, with sag_tau_s, in each key-down
    sag_tau_s: float = 8.0
    run_shape: Shape = "none"  # of the level from key-down to key-down
    run_depth: float = 0.0  # straight: lost at the session's end; exponential: for good
    run_tau_s: float = 600.0
    crystal_hz: float = 0.0
    moves_hz: float = 0.0  # inside each key-down, for good, with tau 10 s
    step_hz: float = 0.0
    step_at_s: float = np.inf
    swr: float = 1.2
    swr_grows: float = 0.0  # to swr + this at the session's end (a sweep: at the key-down's), straight
    current_a: float = 0.25
    max_droop: float = 0.10
    max_error_hz: float = 300.0
    max_drift_hz_per_h: float = 200.0


@dataclass(frozen=True)
class Keyed:
    """The key is down in [start_s, stop_s)."""

    start_s: float
    stop_s: float
    band: int


@dataclass(frozen=True)
class Planted:
    """One session's whole truth."""

    seed: int
    number: int
    kind: Kind
    bands: tuple[TrueBand, ...]
    key_downs: tuple[Keyed, ...]
    noise: Noise
    stated: bool  # the instruments have errors, and the bench file says how large
    error: dict[str, float]  # e of each channel, -1 to 1
    step: dict[str, float]  # resolution of a channel, 0: none
    dial_hz: float = 0.0
    drift: Literal["none", "straight", "warm-up"] = "none"
    drift_hz_per_h: float = 0.0
    warm_hz: float = 0.0  # at time 0
    warm_tau_s: float = 600.0
    at_limit: bool = False
    faults: dict[str, int] = field(default_factory=dict)  # kind to band (-1: the session's)
    missing: tuple[tuple[str, float, float], ...] = ()  # channel, from_s, to_s: slots not answered
    over: tuple[tuple[str, float, float], ...] = ()  # slots over range
    stuck: tuple[tuple[str, float, float], ...] = ()  # readings that repeat

    @property
    def lasts_s(self) -> float:
        """Where the readings end."""
        return self.key_downs[-1].stop_s + 5.0

    @property
    def clean(self) -> bool:
        """Nothing planted that a finding should tell of."""
        return not self.faults and not self.at_limit

    def generator(self, what: int) -> np.random.Generator:
        """Random numbers for one purpose, the same at every call."""
        return np.random.default_rng([self.seed, self.number, what])


def draw(
    seed: int, number: int, kind: Kind | None = None, noise: str | None = None, fault: str | None = None
) -> Planted:
    """Session ``number`` of the trial ``seed``; a kind, noise or fault that is given is not left to chance."""
    rng = np.random.default_rng([seed, number, 0])
    drawn_kind = rng.choice(["sweep", "watch", "soak"], p=[0.5, 0.35, 0.15])
    kind = kind or str(drawn_kind)  # type: ignore[assignment]
    names = BANDS if kind != "soak" else (BANDS[rng.integers(len(BANDS))],)
    bands = tuple(_band(rng, kind, *one) for one in names)
    stated = bool(rng.random() < 0.5)
    hiss = _noise(rng, noise)
    coarse = rng.random() < 0.25
    step = {
        "power": float(rng.uniform(0.3, 3)) * hiss.sd["power"] * 120.0 if coarse else 0.0,
        "frequency": float(rng.uniform(0.3, 3)) * hiss.sd["frequency"] if coarse else 0.0,
    }
    drift = str(rng.choice(["none", "straight", "warm-up"], p=[0.25, 0.4, 0.35]))
    planted = Planted(
        seed=seed,
        number=number,
        kind=kind,  # type: ignore[arg-type]
        bands=bands,
        key_downs=_key_downs(rng, kind, len(bands)),
        noise=hiss,
        stated=stated,
        error={name: float(rng.uniform(-1, 1)) if stated else 0.0 for name in EVERY},
        step={name: float(f"{value:.2g}") for name, value in step.items()},
        dial_hz=float(rng.uniform(-60, 60)),
        drift=drift,  # type: ignore[arg-type]
        drift_hz_per_h=float(rng.uniform(-60, 60)) if drift == "straight" else 0.0,
        warm_hz=float(rng.choice([-1, 1]) * rng.uniform(40, 150)) if drift == "warm-up" else 0.0,
        warm_tau_s=float(rng.uniform(300, 900)),
        at_limit=False,
    )
    luck = rng.random()
    if fault is None and luck < 0.6:
        return replace(planted, at_limit=bool(luck >= 0.4))
    return _with_faults(rng, planted, fault)


def _noise(rng: np.random.Generator, kind: str | None) -> Noise:
    drawn = str(rng.choice(["white", "ar", "wandering"], p=[0.4, 0.3, 0.3]))
    sd = {
        "power": _log(rng, 0.002, 0.01),
        "reflected": _log(rng, 0.002, 0.01),
        "frequency": _log(rng, 0.5, 5.0),
        "plate": _log(rng, 0.0003, 0.001),
        "current": _log(rng, 0.001, 0.004),
    }
    rho, over_s = float(rng.choice([0.3, 0.6, 0.8])), float(rng.choice([0.5, 1.5]))
    return Noise(kind or drawn, rho, over_s, sd)  # type: ignore[arg-type]


def _band(rng: np.random.Generator, kind: str, name: str, hz: float, min_w: float) -> TrueBand:
    watts = min_w * float(rng.uniform(1.2, 1.8))
    run = "none" if kind != "soak" else str(rng.choice(["none", "straight", "exponential"], p=[0.2, 0.4, 0.4]))
    shape = str(rng.choice(["none", "straight", "exponential"], p=[0.3, 0.35, 0.35]))
    return TrueBand(
        name,
        hz,
        min_w,
        watts,
        shape=shape,  # type: ignore[arg-type]
        depth=float(rng.uniform(0.01, 0.06)) if shape != "none" else 0.0,
        tau_s=float(rng.uniform(3, 15)),
        run_shape=run,  # type: ignore[arg-type]
        run_depth=float(rng.uniform(0.02, 0.08)) if run != "none" else 0.0,
        run_tau_s=float(rng.uniform(400, 1200)),
        crystal_hz=float(rng.normal(0, 10)),
        moves_hz=float(rng.uniform(-8, 8)) if rng.random() < 0.5 else 0.0,
        swr=float(rng.uniform(1.05, 1.6)),
        current_a=watts / float(rng.uniform(0.45, 0.70)) / PLATE_V,
    )


def _key_downs(rng: np.random.Generator, kind: str, bands: int) -> tuple[Keyed, ...]:
    """With starts that no slot knows of."""
    if kind == "soak":
        rest = rng.uniform(20, 40)
        return tuple(Keyed(at, at + 60.0, 0) for at in (5 + rng.random() + k * (60.0 + rest) for k in range(40)))
    rounds = 1 if kind == "sweep" else 4
    apart = 45.0 if kind == "sweep" else 1800.0 / (rounds * bands)
    starts = [5 + k * apart + rng.random() for k in range(rounds * bands)]
    return tuple(Keyed(at, at + rng.uniform(20, 30), k % bands) for k, at in enumerate(starts))


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _with_faults(rng: np.random.Generator, planted: Planted, fault: str | None) -> Planted:
    possible = [one for one in FAULTS if planted.kind != "sweep" or one not in LASTING]
    if planted.kind == "soak":
        possible = [one for one in possible if one not in ("band-crystal", "dial")]
    other_crystal = str(rng.choice(["frequency-error", "band-crystal"]))  # wrong in a session, not two
    wanted = [str(one) for one in rng.permutation([one for one in possible if one != other_crystal])]
    wanted = wanted[: rng.integers(3, 6)]
    if planted.kind == "soak":
        wanted = wanted[:1]
    if fault is not None:
        wanted = [fault] if fault in possible else []
    places = rng.permutation(len(planted.bands))
    for one, place in zip(wanted, places, strict=False):
        planted = _plant(rng, planted, one, int(place))
    return planted


def _plant(rng: np.random.Generator, planted: Planted, fault: str, place: int) -> Planted:
    """One fault, of a size that is drawn."""
    sign = float(rng.choice([-1, 1]))
    band = planted.bands[place]
    key_down = [k for k in planted.key_downs if k.band == place][int(rng.integers(0, 99)) % _rounds(planted)]
    inside = key_down.start_s + SETTLE_S + 0.5 + rng.uniform(0, 2)
    faults = planted.faults | {fault: -1 if fault == "dial" else place}
    planted = replace(planted, faults=faults)
    depth = float(rng.uniform(0.2, 0.4))
    tau_s = float(rng.uniform(4, 12))
    match fault:
        case "low-power":
            return _change(planted, place, power_w=band.min_power_w * float(rng.uniform(0.5, 0.95)))
        case "droop":
            shape = rng.choice(["straight", "exponential"])
            return _change(planted, place, shape=shape, depth=depth, tau_s=tau_s)
        case "drift":
            # Straight, on all bands at once: what they share drifts.
            return replace(planted, drift="straight", drift_hz_per_h=sign * float(rng.uniform(250, 1500)), warm_hz=0.0)
        case "frequency-error":
            return _change(planted, place, crystal_hz=sign * float(rng.uniform(380, 2500)))
        case "step":
            at_s = inside + rng.uniform(4, 10)
            return _change(planted, place, step_hz=sign * float(_log(rng, 8, 300)), step_at_s=at_s)
        case "band-crystal":
            return _change(planted, place, crystal_hz=sign * float(rng.uniform(200, 2500)))
        case "dial":
            return replace(planted, dial_hz=sign * float(rng.uniform(380, 1500)))
        case "supply-sag":  # in one of two the output stage has its part as well
            planted = _change(planted, place, sag=depth, sag_tau_s=tau_s)
            share = float(rng.uniform(0.4, 0.8)) if rng.random() < 0.5 else 0.0
            return _change(planted, place, shape="exponential" if share else "none", depth=share * depth, tau_s=tau_s)
        case "output-stage":
            return _change(planted, place, shape="exponential", depth=depth, tau_s=tau_s)
        case "mismatch":
            return _change(planted, place, swr_grows=float(rng.uniform(0.3, 2.0)))
        case "stuck":
            name, at_s = str(rng.choice(["power", "frequency"])), key_down.start_s + SETTLE_S + 0.2
            return replace(planted, stuck=((name, at_s, at_s + 16.6),), step=planted.step | {name: 0.0})
        case "gap":
            name = str(rng.choice(["power", "frequency"]))
            # In power shorter than the second that would end the key-down.
            lasts = rng.uniform(0.25, 0.7) if name == "power" else rng.uniform(0.6, 3.0)
            return replace(planted, missing=((name, inside, inside + lasts),))
    return replace(
        planted, over=((str(rng.choice(["power", "frequency"])), inside, inside + float(rng.uniform(0.6, 3))),)
    )


def _rounds(planted: Planted) -> int:
    return len(planted.key_downs) // len(planted.bands)


def _change(planted: Planted, place: int, **what: object) -> Planted:
    bands = list(planted.bands)
    bands[place] = replace(bands[place], **what)  # type: ignore[arg-type]
    return replace(planted, bands=tuple(bands))
