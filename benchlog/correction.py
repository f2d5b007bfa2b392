"""Correction tables: what a calibration found against frequency, as a CSV file beside the bench file.

RFC 4180, UTF-8 (a byte-order mark may be there). The header is ``frequency,correction,uncertainty``, in any order of
columns; the cells are written as in the bench file, with units. ``correction`` is what a corrected value must be
multiplied by ("1.023"), or what must be added to it ("2.3 %", and for powers "0.10 dB"); ``uncertainty`` is that of the
corrected value, expanded with k = 2 as calibration certificates state it (common practice, no source), in "%" or "dB".
"""

from __future__ import annotations

import hashlib
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, overload

from benchlog.errors import Fault
from benchlog.files import shortened
from benchlog.quantities import Dimension, parse, show
from benchlog.rfc4180 import header_faults, records

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

COLUMNS = ("frequency", "correction", "uncertainty")
K = 2.0
"""Coverage factor of what certificates state."""
MOST_FAULTS = 50
_PLAIN = re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*", flags=re.ASCII)
_DECIBEL = re.compile(r"(.*\S)\s*dB\s*", flags=re.DOTALL)
_NEPER = math.log(10) / 10  # of a power ratio's relative change, per dB

Texts = Callable[[str], str]
"""The words of a table by its name. Raises ValueError, saying what is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class CorrectionTable:
    """Factors against frequency; between two rows linear in frequency, beyond the ends those hold.

    Shapes: (n,) each, n at least 1. The straight line between two rows is taken as it is: what the truth may stray
    from it there is in no uncertainty.
    """

    name: str  # the file's
    sha256: str
    hz: tuple[float, ...]  # strictly increasing
    factor: tuple[float, ...]
    relative_u: tuple[float, ...]  # standard uncertainty of a corrected value, a share of it

    @overload
    def at(self, hz: float) -> float: ...
    @overload
    def at(self, hz: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def at(self, hz: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """The factor at a frequency, or at (m,) frequencies."""
        from numpy import interp  # the guard of a key line reads bench files too, and has no use for it

        found: float | NDArray[np.float64] = interp(hz, self.hz, self.factor)
        return found

    def relative_u_at(self, hz: float) -> float:
        """Standard uncertainty of a corrected value at a frequency, as a share of it."""
        from numpy import interp

        return float(interp(hz, self.hz, self.relative_u))

    @property
    def largest(self) -> float:
        """The largest factor: what stands where the frequency is not known, so that a limit errs on the safe side."""
        return max(self.factor)

    def misses(self, hz: float) -> bool:
        """Whether a frequency is beyond the ends."""
        return not self.hz[0] <= hz <= self.hz[-1]

    @property
    def span(self) -> str:
        """For people: ``3.5 MHz to 30 MHz``."""
        return f"{show(self.hz[0], 'Hz', 7)} to {show(self.hz[-1], 'Hz', 7)}"


def text_beside(folder: Path) -> Texts:
    """Tables as files of a folder."""

    def read(name: str) -> str:
        try:
            return (folder / name).read_bytes().decode()
        except FileNotFoundError:
            raise ValueError(f"no such file in {folder.absolute()}; put it beside the bench file") from None
        except OSError as exc:
            raise ValueError(f"cannot be read: {(exc.strerror or str(exc)).lower()}") from None
        except UnicodeDecodeError as exc:
            line = exc.object.count(b"\n", 0, exc.start) + 1
            raise ValueError(f"not UTF-8 text (line {line}); save the file as UTF-8") from None

    return read


def text_kept(tables: Mapping[str, str]) -> Texts:
    """Tables that were kept with something else, by name."""

    def read(name: str) -> str:
        try:
            return tables[name]
        except KeyError:
            raise ValueError("this table was not kept; the store has been altered") from None

    return read


@dataclass(frozen=True, slots=True)
class Wanted:
    """A table that some channel names."""

    where: str  # the key that names it
    name: str
    dimension: Dimension


@dataclass(frozen=True)
class Tables:
    """All tables of a bench file: the words of each, what they mean for each dimension, and what is wrong with them."""

    texts: Mapping[str, str]
    of: Mapping[tuple[str, Dimension], CorrectionTable]
    faults: tuple[Fault, ...]


def read_tables(wanted: Iterable[Wanted], read: Texts) -> Tables:
    """Each table once, however many channels name it."""
    texts: dict[str, str] = {}
    of: dict[tuple[str, Dimension], CorrectionTable] = {}
    faults: list[Fault] = []
    seen: set[tuple[str, Dimension]] = set()
    for one in wanted:
        if (one.name, one.dimension) in seen:
            continue
        seen.add((one.name, one.dimension))
        try:
            texts[one.name] = texts[one.name] if one.name in texts else read(one.name)
        except ValueError as exc:
            faults.append(Fault(one.where, f'"{one.name}"', str(exc)))
            continue
        table = table_from(one.name, texts[one.name], one.dimension)
        if isinstance(table, CorrectionTable):
            of[one.name, one.dimension] = table
        else:
            faults += table
    return Tables(texts, of, tuple(faults))


def table_from(name: str, text: str, dimension: Dimension) -> CorrectionTable | list[Fault]:
    """A table for a channel of a dimension, or every fault in it, each named by its line."""
    faults: list[Fault] = []
    rows = list(_rows(name, text, dimension, faults))
    for (_, before, *_), (line, hz, *_) in pairwise(rows):
        if hz <= before:
            cure = f"frequencies must increase, and the row before has {show(before, 'Hz', 12)}; sort the rows"
            faults.append(Fault(f"{name} line {line}, frequency", show(hz, "Hz", 12), cure))
    if faults:
        told = faults[:MOST_FAULTS]
        more = len(faults) - len(told)
        return [*told, Fault(name, "", f"{more} more faults")] if more else told
    if not rows:
        return [Fault(name, "", "no rows; give at least one line below the header")]
    _, hz_, factor, relative_u = zip(*rows, strict=True)
    return CorrectionTable(name, hashlib.sha256(text.encode()).hexdigest(), hz_, factor, relative_u)


def _rows(name: str, text: str, dimension: Dimension, faults: list[Fault]) -> Iterator[tuple[int, float, float, float]]:
    """(line, hz, factor, relative u) of each row that has no fault."""
    lines = io.StringIO(text.removeprefix("\ufeff"), newline="")
    rows = records(lines, lambda line, why: faults.append(Fault(f"{name} line {line}", "", why)))
    head = next(rows, None)
    if head is None:
        if not faults:
            faults.append(Fault(f"{name} line 1", "", f"empty; its first line must be {','.join(COLUMNS)}"))
        return
    first, header = head
    wrong = list(header_faults(header, COLUMNS))
    if wrong:
        where = f"{name} line {first}, header"
        faults += [Fault(where, _shown(column) if column else "", problem) for column, problem in wrong]
        return
    at = {column: i for i, column in enumerate(header)}
    readers: dict[str, Callable[[str], float]] = {
        "frequency": lambda cell: _positive(parse(cell, "frequency")),
        "correction": lambda cell: _factor(cell, dimension),
        "uncertainty": lambda cell: _relative_u(cell, dimension),
    }
    for line, record in rows:
        if len(record) != len(header):
            many = f"{len(record)} fields; the header has {len(header)}"
            faults.append(Fault(f"{name} line {line}", _shown(",".join(record)), many))
            continue
        read = {}
        for column in COLUMNS:
            cell = record[at[column]]
            try:
                read[column] = readers[column](cell)
            except ValueError as exc:
                faults.append(Fault(f"{name} line {line}, {column}", _shown(cell), str(exc)))
        if len(read) == len(COLUMNS):
            yield line, *(read[column] for column in COLUMNS)  # type: ignore[misc]  # three of them


def _factor(cell: str, dimension: Dimension) -> float:
    if _PLAIN.fullmatch(cell):
        return _positive(_finite(float(cell)))
    if (decibels := _decibels(cell, dimension)) is not None:
        try:
            return _positive(_finite(10 ** (decibels / 10)))
        except OverflowError:
            return _finite(math.inf)
    try:
        share = parse(cell, "ratio")
    except ValueError:
        decibel = ', or "0.10 dB"' if dimension == "power" else ""
        raise ValueError(f'a correction is written as a factor "1.023", as "2.3 %"{decibel}') from None
    return _positive(1 + share)


def _relative_u(cell: str, dimension: Dimension) -> float:
    """Of the expanded uncertainty; a dB is ln(10) / 10 of a power (first order, as JCGM 100 propagates)."""
    decibels = _decibels(cell, dimension)
    try:
        share = parse(cell, "ratio") if decibels is None else decibels * _NEPER
    except ValueError:
        decibel = ' or "0.05 dB"' if dimension == "power" else ""
        raise ValueError(f'an uncertainty (k = 2) is written "1.5 %"{decibel}') from None
    if not 0 <= _finite(share) < 1:
        raise ValueError("an uncertainty must not be negative, and is less than 100 %")
    return share / K


def _decibels(cell: str, dimension: Dimension) -> float | None:
    found = _DECIBEL.fullmatch(cell)
    if found is None or not _PLAIN.fullmatch(found[1]):
        return None
    if dimension != "power":
        raise ValueError(f'decibels are taken for powers only, and this is a {dimension}; write "1.023" or "2.3 %"')
    return float(found[1])


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError("not a finite number")
    return number


def _positive(number: float) -> float:
    if number <= 0:
        raise ValueError("must be more than zero")
    return number


def _shown(cell: str) -> str:
    text = shortened(cell)
    return f'"{text}"' if text.isprintable() else ascii(text)
