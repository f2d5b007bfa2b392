"""Noise that is a function of time: ask at any moment, as often as you like, and the answer is the same.

Nothing is drawn in order, so two pollers, or one that polls twice as fast, see the same bench. All values have
zero mean and unit variance; the physics scales them.
"""

from __future__ import annotations

import math
from hashlib import blake2b
from statistics import NormalDist

WHITE_TICK_S = 0.01
"""White noise holds still for this long; two readings further apart than this are independent."""

_NORMAL = NormalDist()


def uniform(seed: int, what: str, index: int = 0) -> float:
    """One number in (0, 1) that only the three arguments decide."""
    digest = blake2b(f"{seed}/{what}/{index}".encode(), digest_size=8).digest()
    return (int.from_bytes(digest, "big") + 0.5) / 2**64


def white(seed: int, what: str, t_s: float) -> float:
    """Standard normal, independent from one tick to the next."""
    return _normal(seed, what, math.floor(t_s / WHITE_TICK_S))


def wandering(seed: int, what: str, t_s: float, over_s: float) -> float:
    """Standard normal at every moment, and correlated over ``over_s`` seconds.

    Between independent normals a and b at multiples of ``over_s`` it is a cos(x) + b sin(x), x from 0 to a quarter
    turn: continuous, and of unit variance everywhere because cos² + sin² = 1. Moments further apart than
    2 ``over_s`` are independent.
    """
    whole, part = divmod(t_s / over_s, 1.0)
    a, b = (_normal(seed, f"{what}~", int(whole) + i) for i in (0, 1))
    return a * math.cos(part * math.pi / 2) + b * math.sin(part * math.pi / 2)


def _normal(seed: int, what: str, index: int) -> float:
    return _NORMAL.inv_cdf(uniform(seed, what, index))
