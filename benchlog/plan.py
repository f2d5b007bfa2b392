"""The plan file: one transmitter, its bands, what each must reach, and how a run goes about it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchlog.bench import Bench, Name, beyond_tables
from benchlog.emission import MEANT, SIGNALS, WORDS, Emission, Meter, Mode, PowerKind, Signal
from benchlog.errors import BadFile, Fault
from benchlog.files import Drift, Duration, Frequency, Power, Ratio, Table, TomlFile, validate
from benchlog.quantities import parse

WINDOW_END_S = 0.5  # left out before the key goes up


@dataclass(frozen=True, slots=True)
class FrequencyTolerance:
    """Written in Hz or in ppm."""

    hz: float | None = None
    ppm: float | None = None

    def at(self, expected_hz: float) -> float:
        """In Hz, at one frequency."""
        return self.hz if self.hz is not None else (self.ppm or 0.0) * expected_hz / 1e6


def _tolerance(found: object) -> object:
    try:
        tolerance = FrequencyTolerance(hz=parse(found, "frequency"))
    except ValueError:
        try:
            tolerance = FrequencyTolerance(ppm=parse(found, "ratio") * 1e6)
        except ValueError:
            raise ValueError('written like "300 Hz" or "30 ppm"') from None
    if (tolerance.hz if tolerance.hz is not None else tolerance.ppm or 0.0) <= 0:
        raise ValueError("must be more than zero")
    return tolerance


def _steps(found: object) -> object:
    if not isinstance(found, list | tuple):
        raise ValueError('a list of steps, like ["drive at minimum", "dip the plate current"]')
    return tuple(found)


def _step(text: str) -> str:
    if not text.strip():
        raise ValueError("an empty step; write what is to be done, or leave it out")
    if any(ord(c) < 32 for c in text):
        raise ValueError("a step is one line")
    return text.strip()


Steps = Annotated[tuple[Annotated[str, AfterValidator(_step)], ...], BeforeValidator(_steps)]


class Band(Table):
    """One band: where the dial stands and what the transmitter must show there."""

    name: Name
    dial: Frequency | None = None
    segment: Frequency | None = None  # with reading: a set whose dial counts up from the segment's edge
    reading: Annotated[float, BeforeValidator(lambda found: parse(found, "frequency"))] | None = None
    mode: Mode = "cw"
    tone: Frequency | None = None  # audio tone fed to a sideband transmitter
    min_power: Power
    rated: PowerKind | None = None  # what min_power states; None: what the meter states
    signal: Signal | None = None  # what is sent while it is measured; None: "one-tone" with a tone, else "carrier"
    depth: Ratio | None = None  # of AM, to which the tone modulates
    depth_within: Ratio | None = None  # how well that is known: +/- so much, in the same per cent
    max_droop: Ratio | None = None
    max_run_droop: Ratio | None = None  # from the first key-down to the last
    max_frequency_error: Annotated[FrequencyTolerance, BeforeValidator(_tolerance)] | None = None
    max_drift: Drift | None = None  # Hz/s once read
    tuning: Steps = ()  # what a sweep reminds the operator of, after those of [sweep]

    @model_validator(mode="after")
    def _consistent(self) -> Band:
        if (self.dial is None) == (self.segment is None):
            raise ValueError('give either dial = "14.300 MHz", or segment = "14.2 MHz" with reading = "100 kHz"')
        if (self.segment is None) != (self.reading is None):
            raise ValueError("segment and reading belong together")
        if self.reading is not None and self.reading < 0:
            raise ValueError("reading must not be negative")
        if self.tone is not None and self.mode not in ("usb", "lsb"):
            raise ValueError(f'a tone shifts the carrier only in "usb" and "lsb"; mode is "{self.mode}"')
        if self.sent.signal not in SIGNALS[self.mode]:
            allowed = ", ".join(f'"{signal}"' for signal in SIGNALS[self.mode])
            raise ValueError(f'signal = "{self.signal}" is none of "{self.mode}"; that takes {allowed}')
        if self.tone is not None and self.sent.signal != "one-tone":
            raise ValueError(f'a tone makes the signal "one-tone", not "{self.signal}": leave one of the two keys out')
        if self.rated == "carrier" and self.mode in ("usb", "lsb"):
            raise ValueError(f'rated = "carrier": "{self.mode}" has no carrier to rate; write "pep" or "mean"')
        if (self.depth is not None or self.depth_within is not None) and self.mode != "am":
            raise ValueError(f'depth and depth_within are of "am"; mode is "{self.mode}"')
        if not 0 < self.sent.depth <= 1:
            raise ValueError("depth must be more than zero and at most 100 %")
        return self

    @property
    def dial_hz(self) -> float:
        """What the dial says."""
        return self.dial if self.dial is not None else (self.segment or 0.0) + (self.reading or 0.0)

    @property
    def expected_hz(self) -> float:
        """Where the RF should be: the dial, or the dial with the tone above or below it."""
        shift = {"usb": 1.0, "lsb": -1.0}.get(self.mode, 0.0) * (self.tone or 0.0)
        return self.dial_hz + shift

    @property
    def sent(self) -> Emission:
        """What the transmitter is made to send while it is measured."""
        signal = self.signal or ("one-tone" if self.tone is not None else "carrier")
        return Emission(self.mode, signal, 1.0 if self.depth is None else self.depth)

    def shown_power(self, meter: Meter) -> float:
        """``min_power`` as a meter of that kind shows it; unchanged where no fixed relation tells."""
        return self.min_power / (self.sent.factor(meter, self.rated) or 1.0)


class Transmitter(Table):
    """Whose record it is."""

    name: Name
    serial: str = ""


class Sweep(Table):
    """How long each band is keyed."""

    key_down: Duration = 20.0
    rest: Duration = 40.0
    settle: Annotated[float, BeforeValidator(lambda found: parse(found, "time")), Field(ge=0)] = 2.0
    tuning: Steps = ()  # of every band

    def steps(self, band: Band) -> tuple[str, ...]:
        """How a band is tuned: what is done on every band, then what is its own."""
        return (*self.tuning, *band.tuning)

    @model_validator(mode="after")
    def _window_left(self) -> Sweep:
        if self.key_down - self.settle - WINDOW_END_S < 1.0:
            raise ValueError(f"key_down must leave at least 1 s after settle and before the last {WINDOW_END_S} s")
        return self


def _one_or_several(found: object) -> object:
    return (found,) if isinstance(found, str) else found


class Soak(Table):
    """A heat run: cycles of key-down and rest, for hours; on several bands one after the other, so long on each."""

    bands: Annotated[tuple[str, ...], BeforeValidator(_one_or_several)] = Field(alias="band", min_length=1)
    key_down: Duration
    rest: Duration
    lasts: Duration


class _PlanTables(Table):
    transmitter: Transmitter
    band: tuple[Band, ...] = Field(min_length=1)
    sweep: Sweep = Sweep()
    soak: Soak | None = None


@dataclass(frozen=True)
class Plan:
    """A plan file that has no faults, with the words it was read from."""

    source: TomlFile
    transmitter: Transmitter
    bands: tuple[Band, ...]
    sweep: Sweep
    soak: Soak | None

    def band(self, name: str) -> Band:
        """By name. Raises KeyError."""
        try:
            return next(band for band in self.bands if band.name == name)
        except StopIteration:
            raise KeyError(name) from None


def load_plan(path: Path) -> Plan:
    """Read a plan file. Raises BadFile with every fault found."""
    return plan_from(TomlFile.read(path))


def plan_from(source: TomlFile) -> Plan:
    """The same from words already read: a session keeps its plan file word for word. Raises BadFile."""
    read = validate(_PlanTables, source.tables)
    if isinstance(read, list):
        raise BadFile(source.path, read)
    names = Counter(band.name for band in read.band)
    faults = [Fault("band", f'"{name}"', "two bands of one name") for name, n in names.items() if n > 1]
    places = Counter(band.expected_hz for band in read.band)
    faults += [
        Fault("band", f"{hz / 1e6:.6f} MHz", "two bands expect this frequency; they could not be told apart")
        for hz, n in places.items()
        if n > 1
    ]
    for name in read.soak.bands if read.soak else ():
        if name not in names:
            faults.append(Fault("soak.band", f'"{name}"', f"no such band; known: {', '.join(names)}"))
    if faults:
        raise BadFile(source.path, faults)
    return Plan(source, read.transmitter, read.band, read.sweep, read.soak)


def unanswerable(plan: Plan, bench: Bench) -> list[Fault]:
    """The bands whose rating the bench's power meter cannot answer for: no fixed relation leads from one to the other.

    Neither file shows it alone.
    """
    channel = bench.measuring("forward-power")
    if channel is None:
        return []
    return [
        Fault(
            f'band[{i}] "{band.name}".rated',
            f'"{band.rated}"',
            f"the power meter states {MEANT[channel.power]}, and no fixed relation leads from that to "
            f"{MEANT[band.rated]} with {WORDS[band.sent.signal]} on {band.mode}; "
            f'send another signal, or write what the meter states: rated = "{channel.power}"',
        )
        for i, band in enumerate(plan.bands)
        if band.rated is not None and band.sent.factor(channel.power, band.rated) is None
    ]


def refuse_misfits(bench: Bench, plan: Plan) -> None:
    """Raises BadFile with what neither file shows alone: bands that the tables or the power meter do not answer for."""
    if faults := beyond_tables(bench, {band.name: band.expected_hz for band in plan.bands}):
        raise BadFile(bench.source.path, faults)
    if faults := unanswerable(plan, bench):
        raise BadFile(plan.source.path, faults)
