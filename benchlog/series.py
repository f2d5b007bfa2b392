"""One channel's readings as arrays: what the store hands out and analysis takes in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.model import State

STATES: tuple[State, ...] = (State.GOOD, State.OVER_RANGE, State.INVALID, State.MISSED)
"""A state's place here is its code in ``RawSeries.state``."""


@dataclass(frozen=True, slots=True)
class RawSeries:
    """All slots of one channel in one session, in order of time, exactly as stored.

    Shapes: (n,) each. ``t_ns`` int64, session time, strictly increasing; ``value`` float64, in the channel's own unit,
    NaN where the slot has no value; ``state`` uint8, index into ``STATES``; ``took_us`` int64.
    """

    channel: str
    t_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    state: NDArray[np.uint8]
    took_us: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.t_ns)

    @classmethod
    def empty(cls, channel: str) -> RawSeries:
        """A channel nothing was planned for."""
        return cls(channel, np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8), np.empty(0, np.int64))
