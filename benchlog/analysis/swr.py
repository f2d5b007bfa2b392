"""What a load does with power: reflection, standing waves, and power in its resistance.

Source: transmission-line theory as in any handbook of the trade; the load is 50 ohm (common practice).
"""

from __future__ import annotations

import math

LOAD_OHM = 50.0


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


def reflection_of_swr(ratio: float) -> float:
    """Magnitude of the reflection coefficient, (S - 1) / (S + 1). Raises ValueError: S below 1."""
    if not ratio >= 1:
        raise ValueError("a standing wave ratio is at least 1")
    return 1.0 if math.isinf(ratio) else (ratio - 1) / (ratio + 1)


def return_loss_db(gamma: float) -> float:
    """Positive decibels; inf for a perfect match."""
    return -20 * math.log10(gamma) if gamma else math.inf


def mismatch_loss_db(gamma: float) -> float:
    """What reflection costs of the forward power, in positive decibels; inf where all comes back."""
    return -10 * math.log10(1 - gamma**2) if gamma < 1 else math.inf


def rms_volts(power_w: float, ohm: float = LOAD_OHM) -> float:
    """RMS voltage across a resistance taking a power."""
    return math.sqrt(power_w * ohm)
