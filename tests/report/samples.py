"""Invented sessions for the report's tests: raw series as a store would hand them out, run through the real analysis.

All names, bands and powers are ours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import Finding, InstrumentState, Result, Revision, SessionFacts, Stability, WarmUp
from benchlog.analysis.uncertainty import combine
from benchlog.analysis.verdicts import Sense, result
from benchlog.bench import Bench
from benchlog.model import Component, Event, State
from benchlog.plan import Plan
from benchlog.series import STATES, RawSeries
from tests import benches
from tests.benches import bench_of, plan_of

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


Truth = Callable[[str, np.ndarray, Sequence[Keyed], np.random.Generator], np.ndarray]


def bench(power_accuracy: str = "5 %", text: str = BENCH) -> Bench:
    return bench_of(text.replace("{power_accuracy}", power_accuracy))


def plan(
    bands: Sequence[tuple[str, str, str]], *, more: str = 'max_droop = "10 %"\nmax_frequency_error = "300 Hz"\n'
) -> Plan:
    """From (name, dial, least power); ``more`` is the rest of each band's table."""
    tables = "\n".join(
        f'[[band]]\nname = "{name}"\ndial = "{dial}"\nmin_power = "{least}"\n{more}' for name, dial, least in bands
    )
    return plan_of(f'\n[transmitter]\nname = "Loan set 3"\nserial = "0042"\n\n{tables}\n\n')


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
    truth: Truth | None = None,
) -> Session:
    """Polls an invented transmitter. ``lost``: channel -> spans without good readings; ``slower`` stretches polling.

    ``truth`` says what a channel shows at (n,) times; None: what ``_truth`` says.
    """
    rng = np.random.default_rng(3)
    raw = {}
    for _, channel in the_bench.channels():
        t_s = np.arange(0.0, lasts_s, channel.every * slower) + 0.002
        value = (truth or _truth)(channel.name, t_s, keyed, rng)
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
    return benches.analysed(session.facts, session.bench, session.plan, session.raw, session.events)


RICH_BENCH = """
[[instrument]]
name = "ammeter"
driver = "any"
address = "TCPIP::127.0.0.1::5028::SOCKET"
calibrated = "2025-08-20"
due = "2026-08-20"

[[instrument.channel]]
name = "current"
measures = "plate-current"
unit = "mA"
ask = "MEAS:CURR?"
every = "1 s"
of_reading = "1 %"

[[instrument.channel]]
name = "reflected"
measures = "reflected-power"
unit = "W"
ask = "MEAS:REFL?"
every = "1 s"
of_reading = "5 %"
"""


def rich() -> Session:
    """Most of an hour: a heat run on 20 m that warms up, steps once and loses power, and three other bands.

    10 m is weak, its plate supply sags and its match gets worse; 15 m droops to about what it may.
    """
    keyed = [
        Keyed(30, 60, 7.05e6 - 20, 141, 140),
        *(Keyed(150 + 180 * i, 60, 14.3e6 + 40, 128, 125) for i in range(14)),
        Keyed(2700, 60, 21.2e6 - 35, 118, 106.6),
        Keyed(2820, 60, 28.3e6 - 60, 82, 78),
    ]
    text = BENCH + RICH_BENCH
    more = 'max_droop = "10 %"\nmax_frequency_error = "300 Hz"\nmax_drift = "200 Hz/h"\n'
    return session(
        bench(text=text), plan(FIVE, more=more), keyed, lasts_s=2920, kind="watch", events=IDENTITIES, truth=_rich_truth
    )


def _rich_truth(name: str, t_s: np.ndarray, keyed: Sequence[Keyed], rng: np.random.Generator) -> np.ndarray:
    value = _truth("temperature" if name in ("current", "reflected") else name, t_s, keyed, rng)
    if name in ("current", "reflected"):
        value = np.abs(value - value) + 0.02 * np.abs(rng.standard_normal(len(t_s)))
    for k in keyed:
        inside = (t_s >= k.at_s) & (t_s < k.at_s + k.lasts_s)
        since, weak = t_s[inside] - k.at_s, k.hz > 28e6
        kept = 1 - (0.06 if weak else 0.01) * (1 - np.exp(-since / 12))  # of the plate voltage
        match name:
            case "power":
                value[inside] *= kept**2 * (1 - 0.08 * (1 - np.exp(-t_s[inside] / 900)))
            case "plate":
                value[inside] *= kept
            case "current":
                value[inside] += 230
            case "reflected":
                value[inside] += (0.3 + (0.12 * since if weak else 0)) * k.end_w / 100
            case "frequency":
                value[inside] += 90 * np.exp(-(t_s[inside] - 150) / 500) * (14e6 < k.hz < 15e6)
                value[inside] += 45 * (t_s[inside] > 1800) * (14e6 < k.hz < 15e6)
    return value


def enriched(analysis: Analysis) -> Analysis:
    """``rich`` with results, findings and instruments made by hand where analysis may find others, or none."""
    record = analysis.record
    lines = [Component(0.21, 41.0, "scatter of 95 readings", "A"), Component(0.4, source="gain of power", shared="g")]

    def found(value: float, scale: float = 1.0, limit: float | None = None) -> Result:
        budget = [replace(line, u=line.u * scale) for line in lines]
        return result(combine(value, budget), limit, Sense.AT_MOST)

    bands = []
    for band in record.bands:
        changes: dict[str, Any] = {
            "swr": found(1.32, 0.1),
            "delivered_w": found(band.power_w.value - 0.4),
            "efficiency_percent": found(61.3, 2.0),
            "dissipation_w": found(78.1, 6.0),
            "key_down_drift_hz": found(-3.2, 2.0),
            "stability": tuple(
                Stability(0.5 * 2**i, 4.2e-8 / 2 ** (i / 2), 3.9e-8 / 2 ** (i / 2), 4.2e-8 / 2 ** (i / 3), 900 >> i)
                for i in range(6 if band.band == "20 m" else 3)
            ),
        }
        if band.band == "20 m":
            changes |= {
                "run_droop_percent": found(7.6, limit=5.0),
                "run_droop_tau_s": found(905.0, 100.0),
                "settled_after_s": 1502.0,
                "warm_up": WarmUp(found(90.0, 4.0), found(500.0, 30.0), found(14300063.0, 5.0)),
            }
        bands.append(replace(band, **changes))
    ns = 10**9
    findings = [
        *(f for f in record.findings if f.kind in ("low-power", "frequency-error")),
        Finding(
            "supply-sag",
            "10 m: of 12.2 ± 1.1 % droop, 11.6 ± 1.3 % follows the plate supply (738 V to 694 V), 0.6 ± 1.2 % is the "
            "output stage; power taken to go with the square of the plate voltage (common practice)",
            band="10 m",
            from_ns=2822 * ns,
            to_ns=2879 * ns,
            value=11.6,
            expanded=1.3,
        ),
        Finding(
            "mismatch",
            "10 m: the match gets worse within a key-down: SWR 1.11 to 1.66, reflected power 0.3 % to 6.2 % of forward",
            band="10 m",
            from_ns=2822 * ns,
            to_ns=2879 * ns,
        ),
        Finding(
            "step",
            "20 m: the frequency jumps by +45.1 ± 2.2 Hz",
            band="20 m",
            from_ns=1760 * ns,
            to_ns=1812 * ns,
            value=45.1,
            expanded=2.2,
        ),
        Finding("gap", "power: 3 readings lacking (3 not answered)", channel="power", from_ns=5 * ns, to_ns=6 * ns),
    ]
    instruments = (
        InstrumentState("wattmeter", date(2026, 3, 1), date(2027, 3, 1), False, ("Example,Wattmeter,11,1.0",)),
        InstrumentState("counter", identities=("Example,Counter,12,2.1",)),
        InstrumentState("multimeter", date(2026, 1, 10)),
        InstrumentState("ammeter", date(2025, 8, 20), date(2026, 8, 20), True),
    )
    revision = Revision(1, STARTED_NS + 86_400 * 40 * ns, "1.1", "with the wattmeter's new certificate", 1)
    return replace(
        analysis,
        record=replace(
            record,
            session=replace(record.session, revision=revision),
            bands=tuple(bands),
            findings=tuple(findings),
            instruments=instruments,
        ),
    )
