"""A session's fingerprint: the same readings give the same digest, on any machine, with any tool.

SHA-256, as lower-case hex, over these bytes, all numbers little-endian:

    "benchlog-digest/1", LF, SHA-256 of the bench file (hex), LF, SHA-256 of the plan file (hex), LF,
    for each correction table of the bench file, in order of name: its SHA-256 (hex), a blank, its name in UTF-8, LF,
    the session's started_ns as decimal text, LF;
    then for each channel, in order of name (by Unicode code point):
        uint32  length of the name in UTF-8 bytes, then those bytes
        uint64  number of readings n
        int64   t_ns, n times, ascending
        float64 value, n times; where there is none, the NaN 0x7FF8000000000000
        uint8   state, n times: 0 good, 1 over-range, 2 invalid, 3 missed
        int64   took_us, n times
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator, Mapping

import numpy as np

from benchlog.series import RawSeries


class Digest:
    """A session's fingerprint, a channel at a time: a long session never has to be in memory at once.

    Channels without readings count too. ``tables``: words by name.
    """

    def __init__(
        self, bench_sha256: str, plan_sha256: str, started_ns: int, tables: Mapping[str, str] | None = None
    ) -> None:
        head = f"benchlog-digest/1\n{bench_sha256}\n{plan_sha256}\n"
        for name, text in sorted((tables or {}).items()):
            head += f"{hashlib.sha256(text.encode()).hexdigest()} {name}\n"
        head += f"{started_ns}\n"
        self._sha = hashlib.sha256(head.encode())

    def add(self, series: RawSeries) -> None:
        """The next channel; the caller keeps the order of names."""
        name = series.channel.encode()
        self._sha.update(struct.pack("<I", len(name)) + name + struct.pack("<Q", len(series)))
        for array in arrays(series):
            self._sha.update(array)

    def hexdigest(self) -> str:
        """So far."""
        return self._sha.hexdigest()


def arrays(series: RawSeries) -> Iterator[memoryview]:
    """The four arrays of a channel as bytes, in the digest's order."""
    value, lacking = series.value, np.isnan(series.value)
    if lacking.any():
        value = np.where(lacking, np.nan, value)  # one NaN for all
    for array in (
        series.t_ns.astype("<i8", copy=False),
        value.astype("<f8", copy=False),
        series.state.astype("u1", copy=False),
        series.took_us.astype("<i8", copy=False),
    ):
        yield np.ascontiguousarray(array).data
