"""What a load does with power: reflection, standing waves, and what stays in it.

Source: transmission-line theory as in any handbook of the trade.
"""

from __future__ import annotations

import math

from benchlog.analysis.uncertainty import combine, expanded, through
from benchlog.model import Measured


def reflection(forward_w: float, reflected_w: float) -> float:
    """Magnitude of the reflection coefficient, sqrt(Pr / Pf), 0 to 1.

    Raises:
        ValueError: no forward power, or more comes back than went out: a wrong reading, never a load.
    """
    if not (forward_w > 0 and 0 <= reflected_w <= forward_w):
        raise ValueError(f"no passive load returns {reflected_w:g} W of {forward_w:g} W")
    return math.sqrt(reflected_w / forward_w)


def swr(forward_w: float, reflected_w: float) -> float:
    """Standing wave ratio, 1 to inf (all comes back). Raises ValueError as ``reflection``."""
    gamma = reflection(forward_w, reflected_w)
    return math.inf if gamma == 1 else (1 + gamma) / (1 - gamma)


def measured_swr(forward: Measured, reflected: Measured) -> Measured | None:
    """Standing wave ratio out of two measured powers, in one unit; U is the larger side of its interval.

    Near a perfect match the ratio is no straight function of the reflected power, and first-order propagation fails
    (JCGM 101:2008, 9.4). So the interval of reflected / forward at 95 %, cut off at 0, is put through the formula, and
    the budget's lines are scaled so that k u is its larger side. The errors of the two powers are taken for
    independent: where they come from one instrument, part of them cancels, and the interval is wider than it need be.

    Returns None where no passive load does that: no forward power, or more reflected than forward, or less than none,
    by more than U. Where the interval reaches total reflection, u is unknown (inf).
    """
    share = reflected_share(forward, reflected)
    interval = expanded(share) if share else None
    if share is None or share.value >= 1:
        return None
    at = max(share.value, 0.0)
    value = swr(1.0, at)
    if interval is None:
        return Measured(value, math.inf, 0.0, share.budget) if share.value >= 0 else None
    half = interval[0]
    if share.value + half < 0:
        return None
    if half == 0:
        return Measured(value, 0.0, math.inf, share.budget)
    if share.value + half >= 1:
        return Measured(value, math.inf, 0.0, share.budget)
    far = max(swr(1.0, max(share.value + half, 0.0)) - value, value - swr(1.0, max(share.value - half, 0.0)))
    return combine(value, through(share.budget, far / half))


def reflected_share(forward: Measured, reflected: Measured) -> Measured | None:
    """Reflected / forward power with the budget lines of both; None where there is no forward power."""
    if not forward.value > 0:
        return None
    share = reflected.value / forward.value
    lines = through(reflected.budget, 1 / forward.value) + through(forward.budget, -share / forward.value)
    return combine(share, lines)


def delivered(forward: Measured, reflected: Measured) -> Measured | None:
    """Watts that stay in the load: forward less reflected power; None where more comes back than went out.

    The errors of the two are taken for independent, as in ``measured_swr``.
    """
    if not forward.value > 0 or reflected.value >= forward.value:
        return None
    return combine(forward.value - reflected.value, [*forward.budget, *through(reflected.budget, -1.0)])
