"""Many readings out of a store as arrays.

Two ways to the same arrays. ADBC steps SQLite in C and fills Arrow columns: 10 M rows in 2.6 s of processor time,
where ``fetchall`` alone takes 6.3 s and has no arrays yet. Python's sqlite3, row by row into one structured array,
serves while this process has the file open, because ADBC's own copy of SQLite must not touch it then
(``connection``), and wherever ADBC fails: it needs no Arrow (60 MB) and never holds a row as Python objects.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.series import STATES, RawSeries
from benchlog.store.connection import open_existing, sole_use, trouble, uri

# A value is never NULL here: ADBC takes a column's type from its first rows, and those may all lack one.
_SELECT = (
    "SELECT t_ns, ifnull(value, 0.0) AS value, took_us, note FROM reading"
    " WHERE channel = ? AND t_ns >= ? AND t_ns < ? ORDER BY t_ns"
)
_ROW = np.dtype([("t_ns", np.int64), ("value", np.float64), ("took_us", np.int64), ("note", np.int64)])
_AT_ONCE = 65_536  # rows an Arrow chunk; the default of 1,024 takes half as long again
Span = tuple[int, int]
ALL: Span = (-(2**63), 2**63 - 1)


@dataclass(frozen=True, slots=True)
class Rows:
    """One channel's readings. Shapes: (n,) each; ``value`` is 0 where ``note`` is not."""

    t_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    took_us: NDArray[np.int64]
    note: NDArray[np.int64]

    def series(self, channel: str, states: dict[int, str]) -> RawSeries:
        """With the notes' states looked up."""
        codes = np.zeros(max(states) + 1, np.uint8)
        for note, state in states.items():
            codes[note] = [*STATES].index(state)  # type: ignore[arg-type]  # a StrEnum equals its text
        value = self.value.copy()
        value[self.note != 0] = np.nan
        return RawSeries(channel, self.t_ns, value, codes[self.note], self.took_us)


def read(path: Path, channels: Sequence[int], span: Span = ALL) -> list[Rows]:
    """The readings of each channel (by id) within [from, to). Raises StoreFailed, BadStore."""
    with sole_use(path) as alone:
        if alone and (found := _by_adbc(path, channels, span)) is not None:
            return found
    connection = open_existing(path, write=False)
    try:
        with trouble(path, "read"):
            connection.execute("BEGIN")
            return [plain(connection, channel, span) for channel in channels]
    finally:
        connection.close()


def plain(connection: sqlite3.Connection, channel: int, span: Span = ALL) -> Rows:
    """Through a connection that is open already."""
    found = np.fromiter(connection.execute(_SELECT, (channel, *span)), dtype=_ROW)
    return Rows(*(np.ascontiguousarray(found[name]) for name in ("t_ns", "value", "took_us", "note")))


def _by_adbc(path: Path, channels: Sequence[int], span: Span) -> list[Rows] | None:
    from adbc_driver_manager import Error
    from adbc_driver_sqlite import dbapi

    try:
        with dbapi.connect(uri(path, "ro")) as connection, connection.cursor() as cursor:
            cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": str(_AT_ONCE)})
            rows = []
            for channel in channels:
                cursor.execute(_SELECT, (channel, *span))
                table = cursor.fetch_arrow_table()
                if table.num_rows == 0:  # columns of no rows have no type
                    rows.append(Rows(*(np.empty(0, _ROW[name]) for name in ("t_ns", "value", "took_us", "note"))))
                else:
                    rows.append(Rows(*(column.to_numpy() for column in table.columns)))
            return rows
    except Error:
        return None  # sqlite3 will say what is wrong, or will manage
