"""Sessions with planted truth: raw series built with numpy, bench and plan from their files' words.

All names, bands and powers are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import SessionFacts
from benchlog.analysis.uncertainty import WindowMean, pool, scatter
from benchlog.bench import Bench
from benchlog.model import Measured, State
from benchlog.plan import Plan
from benchlog.series import STATES, RawSeries
from tests.benches import analysed, bench_of, channel_toml, instrument_toml, plan_of

CODE = {state: STATES.index(state) for state in STATES}

BRIDGE = instrument_toml(
    "bridge", channel_toml("reflected", "reflected-power", "W", every="200 ms", range="25 W", of_range="2 %")
)
THERMOMETER = instrument_toml("thermometer", channel_toml("chassis", "temperature", "degC", every="2 s"))

PLAN = """
[transmitter]
name = "Loan set 3"
{bands}
[sweep]
key_down = "20 s"
rest = "10 s"
settle = "2 s"

[soak]
band = "{soak}"
key_down = "60 s"
rest = "120 s"
lasts = "8 h"
"""


def bench(power="", frequency="", limits="", power_unit="W", plate="", more="") -> Bench:
    """Three meters; the words are further keys of their channels' tables."""
    watts = channel_toml("power", "forward-power", power_unit, every="200 ms", range="250 W", more=power)
    hertz = channel_toml("frequency", "frequency", "Hz", every="500 ms", more=frequency)
    volts = channel_toml("plate", "plate-voltage", "V", every="1 s", scale=100.0, more=plate)
    meters = (
        instrument_toml("wattmeter", watts) + instrument_toml("counter", hertz) + instrument_toml("multimeter", volts)
    )
    return bench_of(f'[bench]\nname = "North bench"\n{limits}\n{meters}{more}')


def plan(*bands: str) -> Plan:
    """Bands as ``"40 m: 7.100 MHz, min_power 60 W, max_droop 10 %"``."""
    tables, first = [], bands[0].partition(":")[0]
    for band in bands:
        name, _, rest = band.partition(":")
        dial, *keys = (part.strip() for part in rest.split(","))
        lines = [f'name = "{name}"', f'dial = "{dial}"']
        lines += ['{} = "{}"'.format(*key.split(" ", 1)) for key in keys]
        tables.append("\n[[band]]\n" + "\n".join(lines) + "\n")
    return plan_of(PLAN.format(bands="".join(tables), soak=first))


FIVE = plan(
    "80 m: 3.600 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz",
    "40 m: 7.100 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz",
    "20 m: 14.200 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz",
    "15 m: 21.200 MHz, min_power 90 W, max_droop 10 %, max_frequency_error 300 Hz",
    "10 m: 28.300 MHz, min_power 80 W, max_droop 10 %, max_frequency_error 300 Hz",
)


def facts(kind="sweep") -> SessionFacts:
    return SessionFacts(1, kind, "Loan set 3", "North bench", 1_795_597_389_250_000_000, None, "0" * 64)


@dataclass
class Keying:
    """The key is down in [start_s, start_s + lasts_s): watts and hertz as functions of the time since."""

    start_s: float
    lasts_s: float
    watts: object
    hertz: object

    def inside(self, t):
        return (t >= self.start_s) & (t < self.start_s + self.lasts_s)


def level(value):
    return lambda x: np.full_like(x, value)


@dataclass
class Synthetic:
    """Keyings to raw series; noise by ``seed``; then whatever a test breaks in them."""

    keyings: list[Keying]
    seed: int = 0
    watts_noise: float = 0.3
    hertz_noise: float = 2.0
    lasts_s: float | None = None
    series: dict[str, RawSeries] = field(default_factory=dict)

    def __post_init__(self):
        rng = np.random.default_rng(self.seed)
        end_s = self.lasts_s or max(k.start_s + k.lasts_s for k in self.keyings) + 5
        t = slots(0.2, end_s, 0.031)
        power = 0.05 * rng.standard_normal(len(t))
        for k in self.keyings:
            at = k.inside(t)
            power[at] = k.watts(t[at] - k.start_s) + self.watts_noise * rng.standard_normal(at.sum())
        self.series["power"] = raw("power", t, power)
        t = slots(0.5, end_s, 0.117)
        hertz, state = np.full(len(t), np.nan), np.full(len(t), CODE[State.INVALID])
        for k in self.keyings:
            at = k.inside(t)
            hertz[at] = k.hertz(t[at] - k.start_s) + self.hertz_noise * rng.standard_normal(at.sum())
            state[at] = CODE[State.GOOD]
        self.series["frequency"] = raw("frequency", t, hertz, state)
        t = slots(1.0, end_s, 0.4)
        self.series["plate"] = raw("plate", t, 7.5 + 0.01 * rng.standard_normal(len(t)))

    def add(self, name, every_s, value, noise=0.0):
        """A channel (in the place of one of that name): ``value`` of session time (n,), and white noise."""
        end_s = self.lasts_s or max(k.start_s + k.lasts_s for k in self.keyings) + 5
        t = slots(every_s, end_s, 0.2)
        rng = np.random.default_rng([self.seed, *name.encode()])
        self.series[name] = raw(name, t, value(t) + noise * rng.standard_normal(len(t)))
        return self

    def spoil(self, name, from_s, to_s, state):
        """Turn the slots in [from_s, to_s] of a channel into another state."""
        old = self.series[name]
        at = (old.t_ns / 1e9 >= from_s) & (old.t_ns / 1e9 <= to_s)
        value = np.where(at, np.nan, old.value)
        self.series[name] = RawSeries(
            name, old.t_ns, value, np.where(at, CODE[state], old.state).astype(np.uint8), old.took_us
        )
        return self

    def put(self, name, from_s, to_s, value):
        """Set the good values in [from_s, to_s] to ``value``."""
        old = self.series[name]
        at = (old.t_ns / 1e9 >= from_s) & (old.t_ns / 1e9 <= to_s) & (old.state == CODE[State.GOOD])
        self.series[name] = RawSeries(name, old.t_ns, np.where(at, value, old.value), old.state, old.took_us)
        return self

    def drop(self, name, from_s, to_s):
        """Take the rows in [from_s, to_s] away, as an import may lack them."""
        old = self.series[name]
        kept = (old.t_ns / 1e9 < from_s) | (old.t_ns / 1e9 > to_s)
        self.series[name] = RawSeries(name, old.t_ns[kept], old.value[kept], old.state[kept], old.took_us[kept])
        return self

    def analysed(self, the_plan=FIVE, the_bench=None, kind="sweep", events=()) -> Analysis:
        return analysed(facts(kind), the_bench or bench(), the_plan, self.series, events)


def window(values, over_range=0) -> WindowMean:
    """(n,) readings of one window, their noise about their mean."""
    values = np.asarray(values, float)
    mean = float(values.mean()) if len(values) else np.nan
    return WindowMean(len(values), mean, scatter(values - mean), over_range)


def mean_of(values) -> Measured:
    """Mean of (n,) readings with type A uncertainty."""
    return pool([window(values)])


def slots(every_s, end_s, late_s):
    return np.arange(0, end_s, every_s) + late_s * every_s


def raw(name, t_s, value, state=None):
    state = np.zeros(len(t_s)) if state is None else state
    t_ns = np.round(np.asarray(t_s) * 1e9).astype(np.int64)
    return RawSeries(name, t_ns, np.asarray(value, float), state.astype(np.uint8), np.zeros(len(t_s), np.int64))


def sweep(powers, errors=None, the_plan=FIVE, seed=0, droop=0.0, tau_s=8.0, **more) -> Synthetic:
    """One 20 s key-down a band, 30 s apart. ``droop`` is the share lost for good with ``tau_s``."""
    errors = errors or [0.0] * len(powers)
    keyings = [
        Keying(
            5 + 30 * i,
            20,
            lambda x, p=p: p * (1 - droop * -np.expm1(-x / tau_s)),
            level(band.expected_hz + error),
        )
        for i, (band, p, error) in enumerate(zip(the_plan.bands, powers, errors, strict=True))
    ]
    return Synthetic(keyings, seed=seed, **more)


def kinds(analysis: Analysis):
    return [finding.kind for finding in analysis.record.findings]


def band(analysis: Analysis, name):
    return next(found for found in analysis.record.bands if found.band == name)
