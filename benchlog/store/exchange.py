"""Readings from elsewhere in, as a session of kind "import"; any session out, as CSV or Parquet.

What ``export_csv`` writes, ``import_csv`` reads back to the same readings: time, channel, value and state.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.bench import Bench
from benchlog.clock import Clock, rfc3339
from benchlog.errors import BenchlogError, UsageError
from benchlog.plan import Plan
from benchlog.series import STATES
from benchlog.store import rows
from benchlog.store.bulk import Rows, packed
from benchlog.store.connection import open_or_create, trouble
from benchlog.store.csv_rows import Column, read_csv
from benchlog.store.reader import StoredChannel, StoredSession, StoreReader
from benchlog.store.schema import migrate
from benchlog.store.whole import whole_file

_CHUNK = 100_000


def import_csv(csv_path: Path, store_path: Path, bench: Bench, plan: Plan) -> int:
    """A CSV file as a new session, in one transaction; returns the session's number.

    The session starts with the earliest reading and ends with the latest.
    Raises: BadFile with every bad row named by its line, nothing imported; BadStore; StoreFailed.
    """
    columns = read_csv(csv_path, [channel.name for _, channel in bench.channels()])
    started_ns = min(int(column.time_ns[0]) for column in columns.values())
    ended_ns = max(int(column.time_ns[-1]) for column in columns.values())
    clock = Clock(monotonic_ns=lambda: 0, utc_ns=lambda: started_ns)
    with closing(open_or_create(store_path)) as connection:
        migrate(connection, store_path)
        with trouble(store_path, "written"), rows.transaction(connection):
            session, channels = rows.add_session(connection, "import", bench, plan, clock)
            known = rows.Notes(connection)
            notes = [0, *(known.of(state, "so imported") for state in STATES[1:])]
            for name, column in columns.items():
                connection.executemany(rows.INSERT, _as_rows(channels[name], column, started_ns, notes))
            rows.close_session(connection, session, ended_ns, f"imported from {csv_path.name}")
    return session


def export_csv(reader: StoreReader, session_id: int, out: Path, *, force: bool = False) -> int:
    """``time,channel,value,state``, in order of time; returns the number of readings.

    RFC 4180 (CRLF), times in RFC 3339 with nine digits, values in the channel's unit with all their digits.
    Raises: UsageError, when ``out`` is there already, unless ``force``; BenchlogError, when it cannot be written.
    """
    session = reader.session(session_id)
    series = list(reader.raw(session.id).values())
    names = [one.channel for one in series]
    states = [state.value for state in STATES]
    t_ns = np.concatenate([one.t_ns for one in series])
    channel = np.repeat(np.arange(len(series)), [len(one) for one in series])
    value = np.concatenate([one.value for one in series])
    state = np.concatenate([one.state for one in series])
    order = np.lexsort((channel, t_ns))
    with _written(out, force, reader.path) as draft, draft.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(("time", "channel", "value", "state"))
        for start in range(0, len(order), _CHUNK):
            at = order[start : start + _CHUNK]
            writer.writerows(
                (_time(session.started_ns + t), names[c], repr(v) if s == 0 else "", states[s])
                for t, c, v, s in zip(
                    t_ns[at].tolist(), channel[at].tolist(), value[at].tolist(), state[at].tolist(), strict=True
                )
            )
    return len(order)


def export_parquet(reader: StoreReader, session_id: int, out: Path, *, force: bool = False) -> int:
    """Every column the store has, channel after channel in order of time; returns the number of readings.

    time (timestamp[ns, UTC]), channel, value (null where there is none), unit, measures, state, reason, took_us.
    Raises: as ``export_csv``.
    """
    from pyarrow import parquet

    session, schema = reader.session(session_id), _parquet_schema()
    found = reader.rows(session.channels)
    notes = reader.notes()
    with (
        _written(out, force, reader.path) as draft,
        draft.open("wb") as file,
        parquet.ParquetWriter(file, schema) as writer,
    ):
        for channel, table in zip(session.channels, found, strict=True):
            for start in range(0, len(table.t_ns), 10 * _CHUNK):
                some = table.part(slice(start, start + 10 * _CHUNK))
                writer.write_table(_parquet_table(schema, session, channel, some, notes))
    return sum(len(table.t_ns) for table in found)


def _parquet_schema() -> Any:
    import pyarrow as pa

    word = pa.dictionary(pa.int32(), pa.string())
    return pa.schema(
        [
            pa.field("time", pa.timestamp("ns", "UTC"), nullable=False),
            pa.field("channel", word, nullable=False),
            pa.field("value", pa.float64()),
            pa.field("unit", word, nullable=False),
            pa.field("measures", word),
            pa.field("state", word, nullable=False),
            pa.field("reason", word, nullable=False),
            pa.field("took_us", pa.int64(), nullable=False),
        ]
    )


def _parquet_table(
    schema: Any, session: StoredSession, channel: StoredChannel, found: Rows, notes: dict[int, Any]
) -> Any:
    import pyarrow as pa

    note = found.note
    used, index = np.unique(note, return_inverse=True)

    def words(of: list[str | None], places: Any) -> Any:
        return pa.DictionaryArray.from_arrays(pa.array(places, pa.int32()), pa.array(of, pa.string()))

    def same(word: str | None) -> Any:
        none = np.full(len(note), word is None)
        return words([word or ""], pa.array(np.zeros(len(note), np.int32), mask=none))

    return pa.table(
        [
            pa.array(session.started_ns + found.t_ns, pa.timestamp("ns", "UTC")),
            same(channel.name),
            pa.array(found.value, mask=note != 0),
            same(channel.unit),
            same(channel.measures),
            words([notes[n][0] for n in used.tolist()], index.astype(np.int32)),
            words([notes[n][1] for n in used.tolist()], index.astype(np.int32)),
            pa.array(found.took_us),
        ],
        schema=schema,
    )


@contextmanager
def _written(out: Path, force: bool, store: Path) -> Iterator[Path]:
    """A file beside ``out`` that takes its place once it is whole."""
    if out.exists() and out.samefile(store):
        raise UsageError("this is the store itself", where=str(out), cure="Name another file.")
    there = UsageError("this file is there already", where=str(out), cure="Name another, or say --force.")
    if out.exists() and not force:
        raise there
    try:
        with whole_file(out) as draft:
            yield draft
            if out.exists() and not force:  # somebody else's, made meanwhile
                raise there
    except OSError as exc:
        why = exc.strerror.lower() if exc.strerror else str(exc)
        raise BenchlogError(f"cannot be written: {why}", where=str(out), cure="Nothing was left there.") from exc


def _as_rows(channel: int, column: Column, started_ns: int, notes: list[int]) -> Iterator[rows.Row]:
    t_ns, how = column.time_ns - started_ns, [packed(0, note) for note in notes]
    for start in range(0, len(t_ns), _CHUNK):  # lists of Python's numbers, a chunk at a time
        at = slice(start, start + _CHUNK)
        for t, value, state in zip(
            t_ns[at].tolist(), column.value[at].tolist(), column.state[at].tolist(), strict=True
        ):
            yield channel, t, None if state else value, how[state]


@lru_cache(maxsize=4)
def _second(seconds: int) -> str:
    return rfc3339(seconds * 10**9, 0)[:-1]


def _time(epoch_ns: int) -> str:
    seconds, ns = divmod(epoch_ns, 10**9)
    return f"{_second(seconds)}.{ns:09d}Z"
