"""What readings look like from afar, so that a long session can be drawn without reading all of them.

Beside the seal of a stretch of one channel's readings (``seal``) lie the lowest, the mean and the highest value of
every ``PIECE`` of them, in the channel's own unit. Made by what seals, for drawing alone: no number of a record comes
of it, and ``verify`` makes it anew and says where it is not what the readings give. 25 bytes a piece, 0.4 a reading:

    float32  s from the stretch's first reading to the piece's first, little-endian as all of it
    float64  the lowest good value; 0 where there is none
    float64  the highest
    float32  the mean, above the lowest
    uint8    how many are good
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.model import State
from benchlog.series import STATES, RawSeries

PIECE = 64
_PIECE = np.dtype([("after_s", "<f4"), ("low", "<f8"), ("high", "<f8"), ("mean_above", "<f4"), ("good", "u1")])
_GOOD = STATES.index(State.GOOD)
_Stretch = tuple[int, int, int, bytes]  # t_ns of the first and the last reading, how many, their sketch


@dataclass(frozen=True, slots=True)
class Pieces:
    """Of one channel, in order of time. Shapes: (n,) each.

    ``low``, ``mean`` and ``high`` are in the channel's own unit, and mean nothing where ``good`` is 0. A piece's
    readings lie in [``from_s``, ``to_s``], session time, to a ten-millionth of the stretch's length.
    """

    from_s: NDArray[np.float64]
    to_s: NDArray[np.float64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]
    good: NDArray[np.int64]
    missing: NDArray[np.int64]

    def at(self, which: slice | NDArray[np.bool_]) -> Pieces:
        """Some of them."""
        times, values = (self.from_s[which], self.to_s[which]), (self.low[which], self.mean[which], self.high[which])
        return Pieces(*times, *values, self.good[which], self.missing[which])

    def within(self, span_s: tuple[float, float]) -> Pieces:
        """Those that reach into a span, as if all their readings lay there."""
        found = self.at((self.to_s >= span_s[0]) & (self.from_s <= span_s[1]))
        return replace(found, from_s=found.from_s.clip(*span_s), to_s=found.to_s.clip(*span_s))


def of(series: RawSeries) -> bytes:
    """The sketch of a stretch of readings; at least one."""
    starts = np.arange(0, len(series), PIECE)
    good = (series.state == _GOOD) & np.isfinite(series.value)
    made = np.zeros(len(starts), _PIECE)
    made["after_s"] = (series.t_ns[starts] - series.t_ns[0]) / 1e9
    made["good"] = np.add.reduceat(good, starts, dtype=np.int64)
    some = made["good"] > 0
    # Adding 0 makes one of the two zeros, so that the same readings give the same bytes everywhere.
    made["low"] = np.where(some, np.minimum.reduceat(np.where(good, series.value, np.inf), starts), 0.0) + 0.0
    made["high"] = np.where(some, np.maximum.reduceat(np.where(good, series.value, -np.inf), starts), 0.0) + 0.0
    with np.errstate(over="ignore"):  # absurd numbers; their mean is taken for the highest, see ``pieces``
        above = np.where(good, series.value - np.repeat(made["low"], PIECE)[: len(series)], 0.0)
        made["mean_above"] = np.add.reduceat(above, starts) / np.maximum(made["good"], 1)
    return made.tobytes()


def agrees(kept: bytes, series: RawSeries) -> bool:
    """A sketch is that of these readings. Means may differ by what another order of adding makes of them."""
    if len(kept) != -(-len(series) // PIECE) * _PIECE.itemsize:
        return False
    there, made = np.frombuffer(kept, _PIECE), np.frombuffer(of(series), _PIECE)
    exact = all(there[name].tobytes() == made[name].tobytes() for name in ("after_s", "low", "high", "good"))
    return exact and np.allclose(there["mean_above"], made["mean_above"], rtol=1e-5, atol=0.0)


def pieces(stretches: Sequence[_Stretch]) -> Pieces | None:
    """Of neighbouring stretches, in order of time; None where there is none, or not one of so many readings."""
    counts = [-(-rows // PIECE) for _, _, rows, _ in stretches]
    if not counts:
        return None
    if any(len(kept) != count * _PIECE.itemsize for count, (_, _, _, kept) in zip(counts, stretches, strict=True)):
        return None
    found = np.frombuffer(b"".join(kept for *_, kept in stretches), _PIECE)
    ends = np.cumsum(counts) - 1  # the last piece of each stretch
    first_ns, last_ns, rows = (np.array([stretch[i] for stretch in stretches]) for i in range(3))
    from_s = np.repeat(first_ns / 1e9, counts) + found["after_s"]
    to_s = np.append(from_s[1:], 0.0)
    to_s[ends] = last_ns / 1e9
    there = np.full(len(found), PIECE)
    there[ends] = rows - (np.array(counts) - 1) * PIECE
    good = np.minimum(found["good"].astype(np.int64), there)
    mean = np.minimum(found["low"] + found["mean_above"], found["high"])
    return Pieces(from_s, to_s, found["low"], mean, found["high"], good, there - good)
