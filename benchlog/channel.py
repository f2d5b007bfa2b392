"""One channel of the bench file: what it reads, how well, and how a reading becomes a value in SI."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, PrivateAttr, model_validator

from benchlog.correction import CorrectionTable
from benchlog.emission import Meter
from benchlog.files import Duration, Ratio, Table
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
CORRECTABLE: tuple[Dimension, ...] = ("power", "voltage", "current")  # by a factor against frequency
WILD_REFERENCE = 1e-3  # a counter's time base is never off by so much, unless somebody wrote % for ppm


def _unit(text: str) -> str:
    dimension_of(text)
    return text


def _name(text: str) -> str:
    if not text.strip() or text != text.strip() or any(ord(c) < 32 for c in text):
        raise ValueError("a name needs at least one letter, and no blanks at its ends")
    return text


def beside(name: str) -> str:
    """The name of a file that lies beside the bench file. Raises ValueError for anything else."""
    if "/" in name or "\\" in name or name in (".", ".."):
        raise ValueError('a plain file name, like "coupler.csv": the table lies beside the bench file')
    return _name(name)


def _signed_share(found: object) -> float:
    share = parse(found, "ratio")
    if abs(share) >= WILD_REFERENCE:
        raise ValueError("a counter that far off is faulty, not calibrated; is it ppm that was meant?")
    return share


Name = Annotated[str, AfterValidator(_name)]


class Channel(Table):
    """One quantity of one instrument."""

    name: Name
    unit: Annotated[str, AfterValidator(_unit)]  # what the instrument reports
    measures: Measure | None = None  # None: logged and plotted only
    power: Meter = "mean"  # what a power meter's indication states
    ask: str = ""
    field: int | str | None = None  # which number of the reply
    every: Duration = 1.0
    range: str | None = None  # full scale, with its unit
    of_reading: Ratio = 0.0
    of_range: Ratio = 0.0
    resolution: str | None = None  # the smallest step it shows, with its unit; "0.01 dB" where it reports dBm
    scale: float = 1.0  # probe ratio or coupler factor; analysis only, never the raw value
    offset: str | None = None  # added after scale, with its unit
    correction: Annotated[str, AfterValidator(beside)] | None = None  # CSV file
    reference_offset: Annotated[float, BeforeValidator(_signed_share)] = 0.0  # of a counter's time base
    reference_uncertainty: Ratio = 0.0  # of the same, k = 2
    _table: CorrectionTable | None = PrivateAttr(None)

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
        if "power" in self.model_fields_set and dimension != "power":
            raise ValueError(f'power = "{self.power}" says what a power meter states; this is a {dimension}')
        if self.of_range and self.range is None:
            raise ValueError("of_range needs range, the full scale it is a share of")
        if self.resolution is not None and self.resolution.rstrip().endswith(("dBm", "dBW")):
            raise ValueError(f'resolution: "{self.resolution}" is a power, and a step in decibels is written "0.1 dB"')
        steps = None if self._step_db is not None else self.resolution
        for name, text in (("range", self.range), ("offset", self.offset), ("resolution", steps)):
            if text is not None:
                try:
                    parse(text, dimension)
                except ValueError as exc:
                    raise ValueError(f"{name}: {exc}") from None
        if self.resolution is not None and max(self.resolution_si, self.resolution_ratio) <= 0:
            raise ValueError("resolution: must be more than zero")
        if self.correction is not None and dimension not in CORRECTABLE:
            raise ValueError(f"correction: a table against frequency is for {', '.join(CORRECTABLE)}, not {dimension}")
        if (self.reference_offset or self.reference_uncertainty) and dimension != "frequency":
            raise ValueError(f"reference_offset and reference_uncertainty are a counter's; this is a {dimension}")
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
        """Added after ``scale``, before any factor; 0 where none is given."""
        return 0.0 if self.offset is None else _difference(self.offset, self.dimension)

    @property
    def resolution_si(self) -> float:
        """The smallest step in SI, before ``scale``; 0 where none is given, or only as dB."""
        if self.resolution is None or self._step_db is not None:
            return 0.0
        return _difference(self.resolution, self.dimension)

    @property
    def resolution_ratio(self) -> float:
        """The smallest step as a share of the reading, of an instrument that shows decibels; else 0."""
        return 0.0 if self._step_db is None else math.expm1(self._step_db * math.log(10) / 10)

    @property
    def _step_db(self) -> float | None:
        found = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*dB\s*", self.resolution or "", flags=re.ASCII)
        return float(found[1]) if found and self.unit in ("dBm", "dBW") else None

    @property
    def states_accuracy(self) -> bool:
        """Whether the bench file says anything of how far off it may be; else U holds nothing but scatter."""
        return bool(self.of_reading or self.of_range or self.correction or self.reference_uncertainty)

    @property
    def table(self) -> CorrectionTable | None:
        """What ``correction`` names, read."""
        return self._table

    def with_table(self, table: CorrectionTable | None) -> Channel:
        """The same channel, its table read."""
        found = self.model_copy()
        found._table = table
        return found

    def in_si(self, value: float, at_hz: float | None = None) -> float:
        """One reading of this channel in SI: (SI x scale + offset) x factor.

        The factor is the table's at the transmitter's frequency, its largest where that is not known (a limit then
        errs on the safe side); of a counter, what its time base is off by.
        """
        return (to_si(value, self.unit) * self.scale + self.offset_si) * self.factor(at_hz)

    def factor(self, at_hz: float | None) -> float:
        """As in ``in_si``."""
        if self._table is not None:
            return self._table.largest if at_hz is None else self._table.at(at_hz)
        return 1 + self.reference_offset

    @property
    def every_ns(self) -> int:
        """The polling period."""
        return round(self.every * 1e9)


def _difference(text: str, dimension: Dimension) -> float:
    """A quantity that is added to another, in SI: a temperature's zero does not enter."""
    zero = 0.0 if dimension == "power" else to_si(0.0, linear_unit(text))
    return parse(text, dimension) - zero


def linear_unit(text: str) -> str:
    """The unit in a written quantity: ``"5 degF"`` gives ``degF``."""
    unit = text.lstrip("+-0123456789.eE ").strip()
    linear(unit)
    return unit
