"""Readings in CSV (RFC 4180) to arrays, or every fault in them.

The header is ``time,channel,value`` and optionally ``state``, in any order of columns; rows in any order of time.
``state`` is good (or empty), over-range, invalid or missed; ``value`` is given exactly where the state is good.
Without a stated state, SCPI's markers are taken for what they mean: 9.9E37 and -9.9E37 over range, 9.91E37 invalid;
beside ``good`` they are a fault, because they are never values. Lines without anything on them are passed over.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import BadFile, Fault
from benchlog.files import nearest, shortened
from benchlog.model import State
from benchlog.rfc4180 import header_faults, records
from benchlog.series import STATES
from benchlog.store.timestamps import epoch_ns

MOST_FAULTS = 50
_COLUMNS = ("time", "channel", "value", "state")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", flags=re.ASCII)
_GOOD = STATES.index(State.GOOD)
_CODES = {state.value: code for code, state in enumerate(STATES)}
_MARKERS = {9.9e37: STATES.index(State.OVER_RANGE), -9.9e37: STATES.index(State.OVER_RANGE)}
_MARKERS |= {9.91e37: STATES.index(State.INVALID), -9.91e37: STATES.index(State.INVALID)}


@dataclass(frozen=True, slots=True)
class Column:
    """One channel's rows in order of time. Shapes: (n,) each; UTC ns; value is NaN where not good."""

    time_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    state: NDArray[np.uint8]


@dataclass(slots=True)
class _Gathered:
    time_ns: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    state: array[int] = field(default_factory=lambda: array("B"))
    line: array[int] = field(default_factory=lambda: array("q"))


class _Faults:
    """The first fifty by line, and how many there are."""

    def __init__(self) -> None:
        self.first: list[tuple[int, Fault]] = []
        self.count = 0

    def add(self, line: int, column: str, found: str, problem: str) -> None:
        self.count += 1
        if len(self.first) < MOST_FAULTS:
            where = f"line {line}" + (f", {column}" if column else "")
            self.first.append((line, Fault(where, _shown(found) if found else "", problem)))

    def told(self, path: Path) -> BadFile:
        faults = [fault for _, fault in sorted(self.first, key=lambda at: at[0])]
        if self.count > len(faults):
            faults.append(Fault("further lines", "", f"{self.count - len(faults)} more faults"))
        return BadFile(path, faults, kept="Nothing was imported.")


def read_csv(path: Path, channels: Sequence[str]) -> dict[str, Column]:
    """The rows of each channel that has any. Raises BadFile with the faults found, each named by its line."""
    faults = _Faults()
    gathered: dict[str, _Gathered] = {}
    try:
        # A byte that is not UTF-8 becomes half a surrogate pair, and so a fault of its own line.
        with path.open(newline="", encoding="utf-8-sig", errors="surrogateescape") as file:
            _gather(file, channels, gathered, faults)
    except OSError as exc:
        raise BadFile(path, [Fault("file", "", (exc.strerror or str(exc)).lower())]) from None
    columns = {name: _in_order(name, found, faults) for name, found in gathered.items()}
    if not faults.count and not columns:
        faults.add(1, "", "", "no readings; only a header")
    if faults.count:
        raise faults.told(path)
    return columns


def _gather(file: Iterable[str], channels: Sequence[str], gathered: dict[str, _Gathered], faults: _Faults) -> None:
    rows = records(file, lambda line, why: faults.add(line, "", "", why))
    head = next(rows, None)
    if head is None:
        if not faults.count:
            faults.add(1, "", "", "the file is empty; its first line must be time,channel,value")
        return
    first, header = head
    wrong = list(header_faults(header, _COLUMNS, optional=("state",)))
    if wrong:
        for name, problem in wrong:
            faults.add(first, "header", name, problem)
        return
    at = {name: i for i, name in enumerate(header)}
    known = set(channels)
    for line, record in rows:
        if len(record) != len(header):
            comma = "; a number takes a point, not a comma" if len(record) == len(header) + 1 else ""
            faults.add(line, "", ",".join(record), f"{len(record)} fields; the header has {len(header)}{comma}")
            continue
        name, time_text = record[at["channel"]], record[at["time"]]
        before = faults.count
        if name not in known:
            faults.add(line, "channel", name, f"no such channel in the bench file{nearest(name, channels)}")
        time_ns = 0
        try:
            time_ns = epoch_ns(time_text)
        except ValueError as exc:
            faults.add(line, "time", time_text, str(exc))
        state_text = record[at["state"]] if "state" in at else ""
        try:
            value, state = _reading(record[at["value"]], state_text)
        except _Unfit as exc:
            faults.add(line, *exc.args)
            continue
        if faults.count == before:
            column = gathered.get(name) or gathered.setdefault(name, _Gathered())
            column.time_ns.append(time_ns)
            column.value.append(value)
            column.state.append(state)
            column.line.append(line)


class _Unfit(Exception):
    """column, found, problem"""


def _reading(value_text: str, state_text: str) -> tuple[float, int]:
    if state_text and state_text not in _CODES:
        raise _Unfit("state", state_text, f"not one of the known states{nearest(state_text, list(_CODES))}")
    code = _CODES[state_text or "good"]
    if code != _GOOD:
        if value_text:
            raise _Unfit("value", value_text, f'a reading that is "{state_text}" has no value; leave it empty')
        return math.nan, code
    if not value_text:
        raise _Unfit("value", "", "missing; give a number, or one of the states over-range, invalid, missed")
    if not _NUMBER.fullmatch(value_text):
        raise _Unfit("value", value_text, "not a number; one is written like 98.2 or -1.5e-3, without a unit")
    value = float(value_text)
    if not math.isfinite(value):
        raise _Unfit("value", value_text, "too large a number")
    if value in _MARKERS:
        if state_text:
            raise _Unfit("value", value_text, "SCPI's marker for a reading without a value, and the state says good")
        return math.nan, _MARKERS[value]
    return value, code


def _in_order(name: str, found: _Gathered, faults: _Faults) -> Column:
    time_ns = np.frombuffer(found.time_ns, np.int64)
    order = np.argsort(time_ns, kind="stable")
    time_ns = time_ns[order]
    lines = np.frombuffer(found.line, np.int64)[order]
    for i in np.flatnonzero(np.diff(time_ns) == 0):
        faults.add(int(lines[i + 1]), "time", "", f'"{name}" has a reading at this time already, on line {lines[i]}')
    return Column(time_ns, np.frombuffer(found.value)[order], np.frombuffer(found.state, np.uint8)[order])


def _shown(found: str) -> str:
    if any("\udc80" <= c <= "\udcff" for c in found):
        found = found.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace") + " (not UTF-8)"
    return f'"{shortened(found)}"'
