"""The bench file: which instruments there are, what they measure, and what must not be exceeded.

``load_bench`` needs to know the drivers, because each has keys of its own; it is handed a lookup so that
this module stays below the drivers. All quantities are SI once read (ratios plain, degC).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchlog.channel import CORRECTABLE, DIMENSION_OF, Channel, Name, beside
from benchlog.correction import Tables, Texts, Wanted, read_tables, text_beside
from benchlog.driver import Driver
from benchlog.emission import Meter
from benchlog.errors import BadFile, Fault
from benchlog.files import Duration, Power, Table, TomlFile, key, validate
from benchlog.model import Measure
from benchlog.quantities import Dimension, dimension_of, parse

__all__ = ["DIMENSION_OF", "Bench", "Channel", "Instrument", "Name"]  # beside what is written here


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as exc:
        raise ValueError(f"not a pattern (regular expression): {exc}") from None
    return text


def _day(found: object) -> object:
    if isinstance(found, str):
        try:
            return date.fromisoformat(found if _DAY.fullmatch(found) else "")
        except ValueError:
            raise ValueError('a day is written "2026-03-01"') from None
    return found


_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", flags=re.ASCII)  # RFC 3339 full-date

Pattern = Annotated[str, AfterValidator(_pattern)]
Day = Annotated[date, BeforeValidator(_day)]


class Instrument(Table):
    """One instrument on one link."""

    name: Name
    driver: str
    address: str = ""
    identity: Pattern = ""
    timeout: Duration = 1.0
    setup: tuple[str, ...] = ()
    calibrated: Day | None = None
    due: Day | None = None  # the last day the calibration holds
    options: dict[str, Any] = Field(default_factory=dict)
    channel: tuple[Channel, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.calibrated and self.due and self.due <= self.calibrated:
            raise ValueError(f"due ({self.due}) must be after calibrated ({self.calibrated})")
        return self

    @property
    def typed(self) -> bool:
        """A person reads it, and types what it shows (``benchlog enter``)."""
        return self.driver == "typed"

    def overdue(self, day: date) -> bool | None:
        """Whether the calibration had run out on a day (UTC); None where the bench file does not say when it does."""
        return None if self.due is None else day > self.due


class Load(Table):
    """The dummy load."""

    continuous: Power
    cooling: Duration


def _bounds(dimension: Dimension) -> BeforeValidator:
    def read(found: object) -> object:
        if not (isinstance(found, tuple) and len(found) == 2 and all(isinstance(x, str) for x in found)):
            raise ValueError('a limit is written ["low", "high"], with "" for an open end')
        low, high = (parse(x, dimension) if x else None for x in found)
        if low is None and high is None:
            raise ValueError("both ends are open: this limits nothing")
        if low is not None and high is not None and low >= high:
            raise ValueError("the low end must be below the high end")
        return (low, high)

    return BeforeValidator(read)


PowerBounds = Annotated[tuple[float | None, float | None] | None, _bounds("power")]
VoltageBounds = Annotated[tuple[float | None, float | None] | None, _bounds("voltage")]
CurrentBounds = Annotated[tuple[float | None, float | None] | None, _bounds("current")]


def _swr(found: object) -> object:
    if isinstance(found, bool) or not isinstance(found, int | float) or not 1 < found < math.inf:
        raise ValueError("a standing wave ratio is a plain number above 1, without quotes: 3.0")
    return float(found)


class Limits(Table):
    """What must not be exceeded: (low, high) in SI for any ``measures`` name, and what is worked out of several.

    ``swr`` needs forward and reflected power; ``plate-dissipation`` (plate voltage x plate current - forward power)
    needs all three.
    """

    key_down: Duration | None = None
    then: Literal["end", "pause"] = "end"  # what a heat run does about a crossing, once the key is up
    forward_power: PowerBounds = Field(None, alias="forward-power")
    reflected_power: PowerBounds = Field(None, alias="reflected-power")
    drive_power: PowerBounds = Field(None, alias="drive-power")
    frequency: Annotated[tuple[float | None, float | None] | None, _bounds("frequency")] = None
    plate_voltage: VoltageBounds = Field(None, alias="plate-voltage")
    bias_voltage: VoltageBounds = Field(None, alias="bias-voltage")
    heater_voltage: VoltageBounds = Field(None, alias="heater-voltage")
    line_voltage: VoltageBounds = Field(None, alias="line-voltage")
    alc: VoltageBounds = None
    plate_current: CurrentBounds = Field(None, alias="plate-current")
    grid_current: CurrentBounds = Field(None, alias="grid-current")
    temperature: Annotated[tuple[float | None, float | None] | None, _bounds("temperature")] = None
    swr: Annotated[float | None, BeforeValidator(_swr)] = None
    plate_dissipation: Power | None = Field(None, alias="plate-dissipation")

    def of(self, measure: Measure) -> tuple[float | None, float | None] | None:
        """The (low, high) of one measure, None where there is no limit."""
        bounds: tuple[float | None, float | None] | None = getattr(self, measure.replace("-", "_"))
        return bounds


class KeyLineOptions(Table):
    """What every key line's ``[key.options]`` may say."""

    timeout: Duration = 0.2  # of one exchange; the whole way to "up" has one second

    @model_validator(mode="after")
    def _soon(self) -> Self:
        if self.timeout > 0.3:
            raise ValueError("timeout must be at most 300 ms: a key line that answers later cannot be kept safe")
        return self


class ScpiKeyOptions(KeyLineOptions):
    """A relay: what closes it, what opens it and, where it can tell, the question it answers with 1 or 0."""

    down: Name
    up: Name
    ask: str = ""
    baud: int = Field(9600, gt=0)  # of a serial address


class ModbusKeyOptions(KeyLineOptions):
    """One coil of one unit; ``baud`` and ``parity`` for RTU on a serial address."""

    unit: int = Field(1, ge=0, le=255)
    coil: int = Field(0, ge=0, le=65535)
    baud: int = Field(9600, gt=0)
    parity: Literal["none", "even", "odd"] = "none"


KEY_OPTIONS: dict[str, type[KeyLineOptions]] = {
    "serial-line": KeyLineOptions,
    "scpi": ScpiKeyOptions,
    "modbus-coil": ModbusKeyOptions,
}


class KeyLine(Table):
    """The line that keys the transmitter."""

    driver: Literal["serial-line", "scpi", "modbus-coil"]
    address: Name
    line: Literal["rts", "dtr"] | None = None  # of a serial-line
    from_page: bool = False  # the live page may key down, in a sweep that keys
    options: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _line_of_a_port(self) -> Self:
        if (self.driver == "serial-line") != (self.line is not None):
            raise ValueError('line = "rts" or "dtr" belongs to the driver "serial-line", and to no other')
        return self


class BenchName(Table):
    """The ``[bench]`` table."""

    name: Name


class _BenchTables(Table):
    bench: BenchName
    load: Load | None = None
    limits: Limits = Limits()
    key: KeyLine | None = None
    instrument: tuple[Instrument, ...] = Field(min_length=1)


@dataclass(frozen=True)
class Bench:
    """A bench file that has no faults, with the words it was read from."""

    source: TomlFile
    name: str
    load: Load | None
    limits: Limits
    key: KeyLine | None
    instruments: tuple[Instrument, ...]
    options: Mapping[str, Table]  # instrument name -> its driver's own keys, validated
    key_options: KeyLineOptions | None = None  # of the key line, validated
    tables: Mapping[str, str] = field(default_factory=dict)  # the correction tables beside it, word for word, by name

    def channels(self) -> Iterator[tuple[Instrument, Channel]]:
        """All channels, in the file's order."""
        for instrument in self.instruments:
            for channel in instrument.channel:
                yield instrument, channel

    @property
    def addresses(self) -> list[str]:
        """Everything on the bench that is talked to: the instruments and the key line."""
        key = [self.key.address] if self.key else []
        return [instrument.address for instrument in self.instruments if instrument.address] + key

    @property
    def meter(self) -> Meter:
        """What the forward power channel's indication states."""
        channel = self.measuring("forward-power")
        return channel.power if channel else "mean"

    def measuring(self, measure: Measure) -> Channel | None:
        """The channel that analysis uses for a measure; there is at most one."""
        return next((channel for _, channel in self.channels() if channel.measures == measure), None)

    @property
    def unstated(self) -> list[str]:
        """Channels that verdicts rest on, of whose accuracy nothing is stated: their U is too small."""
        judged = (self.measuring("forward-power"), self.measuring("frequency"))
        return [channel.name for channel in judged if channel is not None and not channel.states_accuracy]


DriverLookup = Callable[[str], type[Driver] | str]
"""A driver's name to its class, or to the reason there is none (with what to do)."""


def load_bench(path: Path, drivers: DriverLookup) -> Bench:
    """Read a bench file, and the tables beside it. Raises BadFile with every fault found."""
    return bench_from(TomlFile.read(path), drivers)


def bench_from(source: TomlFile, drivers: DriverLookup, tables: Texts | None = None) -> Bench:
    """The same from words already read: a session keeps its bench file, and its ``tables``, word for word.

    Raises BadFile.
    """
    read = validate(_BenchTables, source.tables)
    faults = read if isinstance(read, list) else []
    options: dict[str, Table] = {}
    for i, table in enumerate(_instrument_tables(source.tables)):
        checked = _driver_options(table, i, drivers)
        if isinstance(checked, list):
            faults.extend(checked)
        elif isinstance(table.get("name"), str):
            options[table["name"]] = checked
    key_options = _key_options(source.tables)
    if isinstance(key_options, list):
        faults.extend(key_options)
    corrections = read_tables(_wanted(source.tables), tables or text_beside(source.path.parent))
    faults.extend(corrections.faults)
    if not isinstance(read, list):
        faults.extend(_across(read))
    if faults or isinstance(key_options, list) or isinstance(read, list):
        raise BadFile(source.path, faults)
    instruments = tuple(_with_tables(instrument, corrections) for instrument in read.instrument)
    return Bench(
        source=source,
        name=read.bench.name,
        load=read.load,
        limits=read.limits,
        key=read.key,
        instruments=instruments,
        options=options,
        key_options=key_options,
        tables=corrections.texts,
    )


def _wanted(tables: Mapping[str, Any]) -> Iterator[Wanted]:
    """The tables that are named in a file which may have any faults; those are told elsewhere."""
    for i, instrument in enumerate(_instrument_tables(tables)):
        channels = instrument.get("channel")
        for j, channel in enumerate(channels if isinstance(channels, list) else ()):
            try:
                name, dimension = beside(channel["correction"]), dimension_of(channel["unit"])
            except (KeyError, TypeError, ValueError):
                continue
            if dimension in CORRECTABLE:
                where = key(("instrument", i, "channel", j, "correction"), tables)
                yield Wanted(where, name, dimension)


def _with_tables(instrument: Instrument, tables: Tables) -> Instrument:
    channels = (
        channel.with_table(tables.of[channel.correction, channel.dimension]) if channel.correction else channel
        for channel in instrument.channel
    )
    return instrument.model_copy(update={"channel": tuple(channels)})


def beyond_tables(bench: Bench, places: Mapping[str, float]) -> list[Fault]:
    """Frequencies in Hz, by the band's name, that a correction table of the bench does not reach."""
    return [
        Fault(
            f"{channel.table.name} for {channel.name}",
            "",
            f"the table goes from {channel.table.span}, and {band} is on {hz / 1e6:.6f} MHz; extend the table: "
            "nothing is guessed beyond its ends",
        )
        for _, channel in bench.channels()
        if channel.table is not None
        for band, hz in places.items()
        if channel.table.misses(hz)
    ]


def calibration_advice(bench: Bench, today: date) -> list[str]:
    """What is wrong with the instruments' calibrations on a day."""
    said = []
    for instrument in bench.instruments:
        if instrument.calibrated and instrument.calibrated > today:
            said.append(f"{instrument.name}: calibrated on {instrument.calibrated}, a day that has not come yet")
        if instrument.overdue(today):
            said.append(f"{instrument.name}: its calibration was due on {instrument.due}; every record will say so")
    return said


def _instrument_tables(tables: Mapping[str, Any]) -> list[dict[str, Any]]:
    found = tables.get("instrument")
    return [t for t in found if isinstance(t, dict)] if isinstance(found, list) else []


def _key_options(tables: Mapping[str, Any]) -> KeyLineOptions | list[Fault] | None:
    key = tables.get("key")
    model = KEY_OPTIONS.get(str(key.get("driver"))) if isinstance(key, dict) else None
    if not isinstance(key, dict) or model is None:
        return None  # no key line, or the tables' own check has said what is wrong
    options = key.get("options", {})
    return validate(model, options, at=("key", "options")) if isinstance(options, dict) else None


def _driver_options(table: dict[str, Any], index: int, drivers: DriverLookup) -> Table | list[Fault]:
    driver = table.get("driver")
    if not isinstance(driver, str):
        return []  # the tables' own check has said so
    name = table.get("name")
    at = f"instrument[{index}]" + (f' "{name}"' if isinstance(name, str) else "")
    found = drivers(driver)
    if isinstance(found, str):
        return [Fault(f"{at}.driver", f'"{driver}"', found)]
    faults = []
    if found.polled and not table.get("address"):
        faults.append(Fault(f"{at}.address", "", f'this key is missing; the driver "{driver}" needs it'))
    try:
        options = validate(found.Options, table.get("options") or {}, at=(at, "options"))
    except Exception as exc:  # noqa: BLE001 - a stranger's own check may raise anything
        what = " ".join(f"{type(exc).__name__}: {exc}".split())
        options = [Fault(f"{at}.options", "", f'the driver "{driver}" cannot take them: {what}')]
    if isinstance(options, list):
        return faults + options
    return faults or options


def _across(read: _BenchTables) -> list[Fault]:
    """Faults that no single table shows: names, addresses and measures used twice, a table without a frequency."""
    faults = []
    channels = [c for i in read.instrument for c in i.channel]
    for what, names, why in (
        (
            "instrument",
            [i.name for i in read.instrument],
            "two instruments of one name; readings could not be told apart",
        ),
        (
            "channel",
            [c.name for c in channels],
            "two channels of one name; names are unique across the whole bench",
        ),
        ("address", [i.address for i in read.instrument if i.address], "two instruments at one address"),
        (
            "measures",
            [c.measures for c in channels if c.measures],
            "two channels measure this; leave `measures` off the one that is only to be logged",
        ),
    ):
        faults += [Fault(what, f'"{name}"', why) for name, count in Counter(names).items() if count > 1]
    if any(channel.correction for channel in channels) and not any(c.measures == "frequency" for c in channels):
        faults.append(Fault("correction", "", 'a table against frequency needs a channel that measures "frequency"'))
    return faults
