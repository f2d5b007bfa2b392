"""Many readings out of a store as arrays.

Two ways to the same arrays. ADBC steps SQLite in C and fills Arrow columns: 10 M rows in 1.8 s of processor time,
where ``fetchall`` takes 6.6 s, and ``numpy.array`` of what it gives 3.8 s more. Python's sqlite3, row by row into one
structured array, serves a small file, and any while this process has it open, because ADBC's own copy of SQLite must
not touch it then (``connection``), and wherever ADBC fails: it needs no Arrow (60 MB) and never holds a row as Python
objects.

What a column costs is as much as the search for the row, so two that are small are kept and travel as one: ``how``.
ADBC's plain interface is used, for its DB-API brings all of pyarrow.dataset, and that brings pandas: 0.4 s. While it
reads, the interpreter is free: channels that need not be of one moment are read by as many threads as there are
cores, ahead of who takes them.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchlog import ahead
from benchlog.cores import cores
from benchlog.series import STATES, RawSeries
from benchlog.store.connection import open_existing, sole_use, trouble, uri, version
from benchlog.store.schema import COMPACT

if TYPE_CHECKING:  # 60 MB
    from adbc_driver_manager import AdbcConnection, AdbcStatement

_TOOK_BITS = 40
_TOOK = (1 << _TOOK_BITS) - 1  # an exchange of 12 days
_SELECT = "SELECT t_ns, {value}, {how} FROM reading WHERE channel = {channel:d}{within} ORDER BY t_ns"
_WITHIN = " AND t_ns >= {:d} AND t_ns < {:d}"  # to compare each row with a span's end costs a sixth more
# ADBC takes a column's type from its first rows, and fails where those had no value and later ones have. Only then is
# a value asked for that is never NULL: it costs a sixth more.
_AS_STORED, _NEVER_NULL = "value", "ifnull(value, 0.0)"
_ROW = np.dtype([("t_ns", np.int64), ("value", np.float64), ("how", np.int64)])
_SMALL = 8 << 20  # bytes of a file whose 300,000 rows are here before Arrow is even imported
_AT_ONCE = 65_536  # rows an Arrow chunk; the default of 1,024 takes half as long again
_FIRST = 65_536  # rows there is room for at first
_STATES = "SELECT id, state FROM note"
Span = tuple[int, int]
ALL: Span = (-(2**63), 2**63 - 1)


@dataclass(frozen=True, slots=True)
class Rows:
    """One channel's readings. Shapes: (n,) each; ``value`` is NaN or 0 where there is none, ``how`` as selected."""

    t_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    how: NDArray[np.int64]

    @property
    def note(self) -> NDArray[np.int64]:
        """By number; 0 is good."""
        return self.how >> _TOOK_BITS

    @property
    def took_us(self) -> NDArray[np.int64]:
        """How long the exchange took."""
        return self.how & _TOOK

    def part(self, at: slice) -> Rows:
        """Some of the rows."""
        return Rows(self.t_ns[at], self.value[at], self.how[at])

    def series(self, channel: str, states: dict[int, str]) -> RawSeries:
        """With the notes' states looked up."""
        bad = np.flatnonzero(self.how > _TOOK)  # those with a note
        state = np.zeros(len(self.how), np.uint8)
        if not len(bad):
            return RawSeries(channel, self.t_ns, self.value, state, self.how)
        codes = np.zeros(max(states) + 1, np.uint8)
        for number, name in states.items():
            codes[number] = [*STATES].index(name)  # type: ignore[arg-type]  # a StrEnum equals its text
        state[bad] = codes[self.how[bad] >> _TOOK_BITS]
        value = self.value.copy()
        value[bad] = np.nan
        return RawSeries(channel, self.t_ns, value, state, self.took_us)


def packed(took_us: int, note: int) -> int:
    """How a row came about, as one number. Raises ValueError for what would pass for another row's."""
    if not 0 <= took_us <= _TOOK or note < 0:
        raise ValueError(f"a time taken ({took_us} us), or a note ({note}), that no row ever had")
    return took_us | note << _TOOK_BITS


def unpacked(how: int) -> tuple[int, int]:
    """(took_us, note)."""
    return how & _TOOK, how >> _TOOK_BITS


def read(path: Path, channels: Sequence[int], span: Span = ALL, *, few: bool = False) -> list[Rows]:
    """The readings of each channel (by id) within [from, to), all from one moment. Raises StoreFailed, BadStore.

    ``few``: some ten thousand are expected, so Arrow is not worth its import, wherever in a large file they are.
    """
    with sole_use(path) as alone:
        if not few and alone and _large(path) and (found := _by_adbc(path, channels, span)) is not None:
            return found
    connection = open_existing(path, write=False)
    try:
        with trouble(path, "read"):
            connection.execute("BEGIN")
            return [plain(connection, channel, span) for channel in channels]
    finally:
        connection.close()


def each(path: Path, channels: Sequence[tuple[int, str]], take: Callable[[RawSeries], object]) -> None:
    """Hand over all readings of each channel (id, name), one after the other, each from a moment of its own.

    While ``take`` looks at one the next are read, as many as there are cores: all of them are never in memory. It must
    not open the store. Raises StoreFailed, BadStore.
    """
    left = deque(channels)
    with sole_use(path) as alone:
        if alone and _large(path):
            _each_by_adbc(path, left, take)
    if not left:
        return
    connection = open_existing(path, write=False)
    try:
        for channel, name in left:
            with trouble(path, "read"):
                connection.execute("BEGIN")
                raw = plain(connection, channel).series(name, dict(connection.execute(_STATES)))
                connection.execute("COMMIT")
            take(raw)
    finally:
        connection.close()


def _large(path: Path) -> bool:
    return path.stat().st_size > _SMALL


def plain(connection: sqlite3.Connection, channel: int, span: Span = ALL) -> Rows:
    """Through a connection that is open already."""
    found = np.fromiter(connection.execute(_select(version(connection), _AS_STORED, channel, span)), dtype=_ROW)
    return Rows(*(np.ascontiguousarray(found[name]) for name in ("t_ns", "value", "how")))


def _by_adbc(path: Path, channels: Sequence[int], span: Span) -> list[Rows] | None:
    """None where it cannot: sqlite3 will say what is wrong, or will manage."""
    from adbc_driver_manager import Error

    try:
        with _of_one_moment(path) as (connection, steps):
            return [_rows(connection, steps, channel, span) for channel in channels]
    except (Error, OSError):
        return None


def _each_by_adbc(path: Path, left: deque[tuple[int, str]], take: Callable[[RawSeries], object]) -> None:
    """As ``each``; what was taken is no longer in ``left``."""
    from adbc_driver_manager import Error

    def series(channel: int, name: str) -> RawSeries:
        with _of_one_moment(path) as (connection, steps):
            rows = _rows(connection, steps, channel, ALL)
            return rows.series(name, dict(zip(*_columns(connection, _STATES), strict=True)))

    with ThreadPoolExecutor(cores()) as readers:
        coming = deque(readers.submit(series, *one) for one in islice(left, cores() + 1))
        ahead.load()
        while coming:
            try:
                raw = coming.popleft().result()
            except (Error, OSError):
                readers.shutdown(cancel_futures=True)
                return
            left.popleft()
            if len(left) > len(coming):
                coming.append(readers.submit(series, *left[len(coming)]))
            take(raw)


@contextmanager
def _of_one_moment(path: Path) -> Iterator[tuple[AdbcConnection, int]]:
    """A connection in one transaction, and the store's version."""
    import adbc_driver_sqlite
    from adbc_driver_manager import AdbcConnection

    with adbc_driver_sqlite.connect(uri(path, "ro")) as database, AdbcConnection(database) as connection:
        connection.set_autocommit(False)
        yield connection, int(_columns(connection, "PRAGMA user_version")[0][0])


def _columns(connection: AdbcConnection, select: str) -> list[list[Any]]:
    """Of a few rows."""
    from adbc_driver_manager import AdbcStatement

    with AdbcStatement(connection) as statement:
        return [column.to_pylist() for column in _asked(statement, select).read_all().columns]


def _asked(statement: AdbcStatement, select: str) -> Any:
    from pyarrow import RecordBatchReader

    statement.set_options(**{"adbc.sqlite.query.batch_rows": str(_AT_ONCE)})
    statement.set_sql_query(select)
    stream, _ = statement.execute_query()
    return RecordBatchReader.from_stream(stream)


def _select(steps: int, value: str, channel: int, span: Span) -> str:
    """With its numbers written out: to bind them, ADBC would take an Arrow batch."""
    how = "how" if steps >= COMPACT else f"took_us | (note << {_TOOK_BITS})"
    return _SELECT.format(value=value, how=how, channel=channel, within="" if span == ALL else _WITHIN.format(*span))


def _rows(connection: AdbcConnection, steps: int, channel: int, span: Span) -> Rows:
    def found(value: str) -> Rows:
        return _filled(connection, _select(steps, value, channel, span))

    try:
        return found(_AS_STORED)
    except OSError:
        return found(_NEVER_NULL)


def _filled(connection: AdbcConnection, select: str) -> Rows:
    """Batch by batch into arrays that grow: all batches first, and then a copy of them, is twice the fresh memory.

    That was a third of the time: the system hands memory out by the page, and clears each.
    """
    from adbc_driver_manager import AdbcStatement

    rows, n = Rows(np.empty(_FIRST, np.int64), np.empty(_FIRST), np.empty(_FIRST, np.int64)), 0
    arrays = rows.t_ns, rows.value, rows.how
    with AdbcStatement(connection) as statement:
        for batch in _asked(statement, select):
            if n + len(batch) > len(arrays[0]):
                _resize(arrays, n + n // 2 + len(batch))
            for array, column in zip(arrays, batch.columns, strict=True):
                # Of nothing but NULL, a column has no type that means anything.
                array[n : n + len(batch)] = column.to_numpy(zero_copy_only=False)
            n += len(batch)
    _resize(arrays, n)
    return rows


def _resize(arrays: Sequence[NDArray[Any]], n: int) -> None:
    for array in arrays:
        array.resize(n, refcheck=False)  # nobody has seen them yet
