"""The bench file: which instruments there are, what they measure, and what must not be exceeded.

``load_bench`` needs to know the drivers, because each has keys of its own; it is handed a lookup so that
this module stays below the drivers. All quantities are SI once read (ratios plain, degC).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchlog.driver import Driver
from benchlog.errors import BadFile, Fault
from benchlog.files import Duration, Power, Ratio, Table, TomlFile, validate
from benchlog.model import Measure
from benchlog.quantities import Dimension, dimension_of, linear, parse, to_si

DIMENSION_OF: dict[Measure, Dimension] = {
    "forward-power": "power",
    "reflected-power": "power",
    "drive-power": "power",
    "frequency": "frequency",
    "plate-voltage": "voltage",
    "bias-voltage": "voltage",
    "heater-voltage": "voltage",
    "line-voltage": "voltage",
    "alc": "voltage",
    "plate-current": "current",
    "grid-current": "current",
    "temperature": "temperature",
}


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as exc:
        raise ValueError(f"not a pattern (regular expression): {exc}") from None
    return text


def _unit(text: str) -> str:
    dimension_of(text)
    return text


def _name(text: str) -> str:
    if not text.strip() or text != text.strip() or any(ord(c) < 32 for c in text):
        raise ValueError("a name needs at least one letter, and no blanks at its ends")
    return text


Name = Annotated[str, AfterValidator(_name)]
Pattern = Annotated[str, AfterValidator(_pattern)]


class Channel(Table):
    """One quantity of one instrument."""

    name: Name
    unit: Annotated[str, AfterValidator(_unit)]  # what the instrument reports
    measures: Measure | None = None  # None: logged and plotted only
    ask: str = ""
    field: int | str | None = None  # which number of the reply
    every: Duration = 1.0
    range: str | None = None  # full scale, with its unit
    of_reading: Ratio = 0.0
    of_range: Ratio = 0.0
    scale: float = 1.0  # probe ratio or coupler factor; analysis only, never the raw value
    offset: str | None = None  # added after scale, with its unit

    @model_validator(mode="before")
    @classmethod
    def _whole_numbers(cls, table: Any) -> Any:
        if isinstance(table, dict) and type(table.get("scale")) is int:  # TOML's 10 is as good as 10.0
            return {**table, "scale": float(table["scale"])}
        return table

    @model_validator(mode="after")
    def _consistent(self) -> Channel:
        dimension = dimension_of(self.unit)
        if self.measures and DIMENSION_OF[self.measures] != dimension:
            raise ValueError(f'unit "{self.unit}" is a {dimension}, {self.measures} is a {DIMENSION_OF[self.measures]}')
        if self.of_range and self.range is None:
            raise ValueError("of_range needs range, the full scale it is a share of")
        for name, text in (("range", self.range), ("offset", self.offset)):
            if text is not None:
                try:
                    parse(text, dimension)
                except ValueError as exc:
                    raise ValueError(f"{name}: {exc}") from None
        if self.range is not None and self.range_si <= 0:
            raise ValueError("range: must be more than zero")
        if self.scale == 0:
            raise ValueError("scale: must not be zero")
        return self

    @property
    def dimension(self) -> Dimension:
        """Of the channel's values."""
        return dimension_of(self.unit)

    @property
    def range_si(self) -> float:
        """Full scale of the instrument in SI, before ``scale``; 0 where none is given."""
        return 0.0 if self.range is None else parse(self.range, self.dimension)

    @property
    def offset_si(self) -> float:
        """A difference, so a temperature's zero does not enter."""
        if self.offset is None:
            return 0.0
        zero = 0.0 if self.dimension == "power" else to_si(0.0, linear_unit(self.offset))
        return parse(self.offset, self.dimension) - zero

    def in_si(self, value: float) -> float:
        """One reading of this channel in SI, with scale and offset applied."""
        return to_si(value, self.unit) * self.scale + self.offset_si

    @property
    def every_ns(self) -> int:
        """The polling period."""
        return round(self.every * 1e9)


def linear_unit(text: str) -> str:
    """The unit in a written quantity: ``"5 degF"`` gives ``degF``."""
    unit = text.lstrip("+-0123456789.eE ").strip()
    linear(unit)
    return unit


class Instrument(Table):
    """One instrument on one link."""

    name: Name
    driver: str
    address: str = ""
    identity: Pattern = ""
    timeout: Duration = 1.0
    setup: tuple[str, ...] = ()
    options: dict[str, Any] = Field(default_factory=dict)
    channel: tuple[Channel, ...] = Field(min_length=1)


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

    def measuring(self, measure: Measure) -> Channel | None:
        """The channel that analysis uses for a measure; there is at most one."""
        return next((channel for _, channel in self.channels() if channel.measures == measure), None)


DriverLookup = Callable[[str], type[Driver] | str]
"""A driver's name to its class, or to the reason there is none (with what to do)."""


def load_bench(path: Path, drivers: DriverLookup) -> Bench:
    """Read a bench file. Raises BadFile with every fault found."""
    return bench_from(TomlFile.read(path), drivers)


def bench_from(source: TomlFile, drivers: DriverLookup) -> Bench:
    """The same from words already read: a session keeps its bench file word for word."""
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
    if not isinstance(read, list):
        faults.extend(_across(read))
    if faults or isinstance(key_options, list) or isinstance(read, list):
        raise BadFile(source.path, faults)
    return Bench(source, read.bench.name, read.load, read.limits, read.key, read.instrument, options, key_options)


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
    options = validate(found.Options, table.get("options") or {}, at=(at, "options"))
    if isinstance(options, list):
        return faults + options
    return faults or options


def _across(read: _BenchTables) -> list[Fault]:
    """Faults that no single table shows: names, addresses and measures used twice, limits nobody measures."""
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
    return faults
