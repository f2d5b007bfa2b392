"""Rows of readings straight off the pages of a damaged store, for where SQLite finds no way to them any more.

A page between the table's root and its rows, once lost, hides all rows below it from SQLite, though they are as they
were. What is found here has lost its order and its neighbours, and may be of a page that was given up long ago: it is
worth only what a seal says of it.

Source: "Database File Format" of the SQLite project: 1.6 (b-tree pages; types 2 and 10 are those of an index, and of a
table WITHOUT ROWID, as ``reading`` is), 2.1 (record format).
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from benchlog.store.bulk import unpacked

Cell = tuple[int, float | None, int, int]  # t_ns, value, took_us, note
Spans = Sequence[tuple[int, int]]  # half open, in order

INTERIOR, LEAF = 2, 10
_COLUMNS = (4, 5)  # channel, t_ns, value, how; before step 6, the latter as took_us and note
_LONGEST = 64  # bytes of a row: six of header, five numbers of at most eight
_SIZES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)  # bytes of a value, by its serial type
_REAL = 7


def readings(image: Path, page: int, wanted: Mapping[int, Spans]) -> dict[int, dict[int, Cell]]:
    """Of each channel (by id), what lies within its spans, by t_ns."""
    found: dict[int, dict[int, Cell]] = {channel: {} for channel in wanted}
    starts = {channel: [start for start, _ in spans] for channel, spans in wanted.items()}
    with image.open("rb") as file:
        while content := file.read(page):
            if len(content) < page or content[0] not in (INTERIOR, LEAF):
                continue
            for channel, cell in _cells(content):
                if channel in wanted:
                    at = bisect_right(starts[channel], cell[0]) - 1
                    if at >= 0 and cell[0] < wanted[channel][at][1]:
                        found[channel][cell[0]] = cell
    return found


def _cells(content: bytes) -> Iterator[tuple[int, Cell]]:
    """(channel, the rest) of each cell that is a row of readings."""
    interior = content[0] == INTERIOR
    start = 12 if interior else 8
    count = min(int.from_bytes(content[3:5], "big"), (len(content) - start) // 2)
    for at in struct.unpack_from(f">{count}H", content, start):
        at += 4 if interior else 0  # the page below it
        if at >= len(content) - 2 or content[at] > _LONGEST:
            continue
        row = _row(content[at + 1 : at + 1 + content[at]])
        if row is not None:
            yield row


def _row(record: bytes) -> tuple[int, Cell] | None:
    """None where this is no row of readings. All its lengths and types take one byte."""
    if not record or record[0] - 1 not in _COLUMNS or len(record) < record[0]:
        return None
    numbers: list[int | float | None] = []
    at = record[0]
    for kind in record[1 : record[0]]:
        if kind >= len(_SIZES):
            return None
        part = record[at : at + _SIZES[kind]]
        if len(part) < _SIZES[kind]:
            return None
        at += _SIZES[kind]
        if kind == 0:
            numbers.append(None)
        elif kind == _REAL:
            numbers.append(struct.unpack(">d", part)[0])
        else:
            numbers.append(int.from_bytes(part, "big", signed=True) if part else kind - 8)
    if at != len(record):
        return None
    channel, t_ns, value, *how = numbers
    if not isinstance(channel, int) or not isinstance(t_ns, int):
        return None
    whole = [number for number in how if isinstance(number, int)]
    if len(whole) < len(how):
        return None
    took_us, note = whole if len(whole) == 2 else unpacked(whole[0])
    return channel, (t_ns, None if value is None else float(value), took_us, note)
