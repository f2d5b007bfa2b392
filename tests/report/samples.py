"""Invented sessions for the report's tests: raw series as a store would hand them out, run through the real analysis.

All names, bands and powers are ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchlog.analysis.analyse import Analysis, analyse
from benchlog.analysis.results import SessionFacts
from benchlog.bench import Bench, bench_from
from benchlog.driver import NoOptions
from benchlog.files import TomlFile
from benchlog.model import Event, State
from benchlog.plan import Plan, plan_from
from benchlog.series import STATES, RawSeries

STARTED_NS = 1_795_597_389_250_000_000  # 2026-11-25T09:03:09.250Z

BENCH = """\
# The bench in the shed's north corner.
[bench]
name = "North bench"

[load]
continuous = "200 W"
cooling = "240 s"

[[instrument]]
name = "wattmeter"
driver = "any"
address = "TCPIP::127.0.0.1::5025::SOCKET"

[[instrument.channel]]
name = "power"
measures = "forward-power"
unit = "W"
ask = "MEAS:POW?"
every = "200 ms"
range = "250 W"
of_range = "{power_accuracy}"

[[instrument]]
name = "counter"
driver = "any"
address = "TCPIP::127.0.0.1::5026::SOCKET"

[[instrument.channel]]
name = "frequency"
measures = "frequency"
unit = "Hz"
ask = "MEAS:FREQ?"
every = "500 ms"
of_reading = "0.5 ppm"

[[instrument]]
name = "multimeter"
driver = "any"
address = "TCPIP::127.0.0.1::5027::SOCKET"

[[instrument.channel]]
name = "plate"
measures = "plate-voltage"
unit = "V"
ask = "MEAS:VOLT?"
every = "1 s"
scale = 100.0
of_reading = "1 %"

[[instrument.channel]]
name = "envelope"
measures = "temperature"
unit = "degC"
ask = "MEAS:TEMP?"
every = "1 s"
"""


class AnyDriver:
    """Stands where a driver's class is looked up; nothing here opens an instrument."""

    Options = NoOptions
    polled = True


@dataclass(frozen=True)
class Keyed:
    """One key-down of an invented session."""

    at_s: float
    lasts_s: float
    hz: float  # what the counter shows
    start_w: float
    end_w: float


@dataclass(frozen=True)
class Session:
    """Everything a record is made from."""

    facts: SessionFacts
    bench: Bench
    plan: Plan
    raw: dict[str, RawSeries]
    events: list[Event] = field(default_factory=list)


def bench(power_accuracy: str = "5 %", text: str = BENCH) -> Bench:
    return bench_from(
        TomlFile(Path("bench.toml"), text.replace("{power_accuracy}", power_accuracy)), lambda _: AnyDriver
    )


def plan(
    bands: Sequence[tuple[str, str, str]], *, more: str = 'max_droop = "10 %"\nmax_frequency_error = "300 Hz"\n'
) -> Plan:
    """From (name, dial, least power); ``more`` is the rest of each band's table."""
    tables = "\n".join(
        f'[[band]]\nname = "{name}"\ndial = "{dial}"\nmin_power = "{least}"\n{more}' for name, dial, least in bands
    )
    return plan_from(
        TomlFile(Path("plan.toml"), f'\n[transmitter]\nname = "Loan set 3"\nserial = "0042"\n\n{tables}\n\n')
    )


FIVE = [
    ("80 m", "3.650 MHz", "100 W"),
    ("40 m", "7.050 MHz", "100 W"),
    ("20 m", "14.300 MHz", "100 W"),
    ("15 m", "21.200 MHz", "90 W"),
    ("10 m", "28.300 MHz", "80 W"),
]


def session(
    the_bench: Bench,
    the_plan: Plan,
    keyed: Sequence[Keyed],
    *,
    lasts_s: float,
    kind: str = "sweep",
    lost: dict[str, list[tuple[float, float, State]]] | None = None,
    events: Sequence[Event] = (),
    slower: float = 1.0,
) -> Session:
    """Polls an invented transmitter. ``lost``: channel -> spans without good readings; ``slower`` stretches polling."""
    rng = np.random.default_rng(3)
    raw = {}
    for _, channel in the_bench.channels():
        t_s = np.arange(0.0, lasts_s, channel.every * slower) + 0.002
        value = _truth(channel.name, t_s, keyed, rng)
        state = np.where(np.isnan(value), STATES.index(State.INVALID), 0).astype(np.uint8)
        for start, stop, how in (lost or {}).get(channel.name, []):
            state[(t_s >= start) & (t_s < stop)] = STATES.index(how)
        value[state != 0] = np.nan
        t_ns = np.round(t_s * 1e9).astype(np.int64)
        raw[channel.name] = RawSeries(channel.name, t_ns, value, state, np.full(len(t_s), 1500, np.int64))
    facts = SessionFacts(
        7, kind, the_plan.transmitter.name, the_bench.name, STARTED_NS, STARTED_NS + round(lasts_s * 1e9), "5a" * 32
    )
    return Session(facts, the_bench, the_plan, raw, list(events))


def _truth(name: str, t_s: np.ndarray, keyed: Sequence[Keyed], rng: np.random.Generator) -> np.ndarray:
    down = np.zeros(len(t_s), bool)
    power, hz = np.zeros(len(t_s)), np.full(len(t_s), np.nan)
    for k in keyed:
        inside = (t_s >= k.at_s) & (t_s < k.at_s + k.lasts_s)
        since = t_s[inside] - k.at_s
        power[inside] = k.end_w + (k.start_w - k.end_w) * np.exp(-since / (0.3 * k.lasts_s))
        hz[inside] = k.hz
        down |= inside
    noise = rng.standard_normal(len(t_s))
    match name:
        case "power":
            return np.where(down, power + 0.4 * noise, 0.05 * np.abs(noise))
        case "frequency":
            return np.where(down, hz + 0.6 * noise, 0.0)  # a counter without a signal shows zero
        case "plate":
            return np.where(down, 7.4, 8.1) + 0.01 * noise
        case _:
            return 24 + 30 * (1 - np.exp(-t_s / 200)) + 0.05 * noise


IDENTITIES = [
    Event(10**6, "identity", "Example,Wattmeter,11,1.0", instrument="wattmeter"),
    Event(2 * 10**6, "identity", "Example,Counter,12,2.1", instrument="counter"),
]


def five_bands() -> Session:
    """A sweep in which everything is well, the dial a little low on all bands alike."""
    watts = (140, 140, 125, 110, 100)
    keyed = [
        Keyed(20 + 60 * i, 20, hz - 30, w * 1.01, w * 0.985)
        for i, (w, hz) in enumerate(zip(watts, (3.65e6, 7.05e6, 14.3e6, 21.2e6, 28.3e6), strict=True))
    ]
    return session(bench(), plan(FIVE), keyed, lasts_s=310, events=IDENTITIES)


def troubled() -> Session:
    """A sweep with tuning, a weak band, a wrong crystal, a lost meter and a silent counter."""
    keyed = [
        Keyed(10, 2, 3.65e6, 60, 62),
        Keyed(20, 20, 3.65e6 - 40, 141, 138),
        Keyed(80, 20, 7.05e6 - 55, 140, 112),
        Keyed(140, 20, 14.3e6 + 2100, 126, 123),
        Keyed(200, 20, 21.2e6 - 70, 60, 58),
        Keyed(260, 20, 28.3e6 - 70, 82, 80),
        Keyed(320, 20, 28.3e6 - 70, 82, 80),
    ]
    lost = {
        "power": [(328, 333.5, State.MISSED), (150, 151, State.OVER_RANGE)],
        "frequency": [(319, 345, State.MISSED)],
        "plate": [(120, 370, State.MISSED)],
    }
    events = [
        *IDENTITIES,
        Event(328 * 10**9, "link", "connection lost; trying again", instrument="wattmeter"),
        Event(333 * 10**9, "link", "back", instrument="wattmeter"),
        Event(
            120 * 10**9, "wrong-instrument", "Example,Scope,3 answers; expected ^Example,Multi", instrument="multimeter"
        ),
        Event(150 * 10**9, "note", "retuned the output <twice>"),
    ]
    more = 'max_droop = "10 %"\nmax_frequency_error = "300 Hz"\nmax_drift = "200 Hz/h"\n'
    return session(bench(), plan(FIVE, more=more), keyed, lasts_s=370, lost=lost, events=events)


def one_band() -> Session:
    """Readings from elsewhere: one band, one key-down."""
    keyed = [Keyed(5, 60, 10.12e6 + 25, 66, 64)]
    return session(bench(), plan([("30 m", "10.120 MHz", "60 W")]), keyed, lasts_s=75, kind="import")


def silence() -> Session:
    """Two minutes in which nobody keyed."""
    return session(bench(), plan(FIVE), [], lasts_s=120, kind="watch")


def long_watch(hours: float = 72.0) -> Session:
    """Days of keying on one band, polled coarsely so that the test stays quick; still 10^5 readings a channel."""
    keyed = [Keyed(600 + 1800 * i, 300, 10.12e6 + 10 + i * 0.2, 66, 63) for i in range(int(hours * 2) - 1)]
    more = 'max_droop = "10 %"\nmax_frequency_error = "300 Hz"\nmax_drift = "20 Hz/h"\n'
    the_plan = plan([("30 m", "10.120 MHz", "60 W")], more=more)
    return session(bench(), the_plan, keyed, lasts_s=hours * 3600, kind="watch", slower=10)


def analysed(session: Session) -> Analysis:
    return analyse(session.facts, session.bench, session.plan, session.raw, session.events)
