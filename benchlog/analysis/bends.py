"""The time constant that the droops of a band's key-downs have in common.

The worst key-down's own would be picked by its noise. One transmitter warms with one time constant, so that all
key-downs tell of it; what they tell differently is in the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.droop import MOST_OF_TAU, unrounded
from benchlog.analysis.fits import FOR_A_BEND, mean, shared_tau
from benchlog.analysis.memory import memory
from benchlog.analysis.uncertainty import combine, coverage_factor
from benchlog.model import Component, Measured

Array = NDArray[np.float64]
Window = tuple[Array, Array]  # s, W; (n,) each

DIFFER = 0.95  # of chi-square; key-downs that differ more differ in truth


def common_time_constant(windows: Sequence[Window], accuracy: Accuracy) -> Measured | None:
    """tau of P = a + b exp(-t / tau), least squares over all key-downs at once, each with its own a and b.

    Args:
        windows: (t_s, power_w) good readings of each key-down's window, those that ``droop.belonging`` keeps.
        accuracy: of the channel; its resolution counts where the noise does not average it out.
    Returns:
        s; None where the key-downs together are straight, or bend too faintly to time: U of the rate 1 / tau above
        three quarters of it. U is half the width of the interval of tau that 1 / tau +/- U spans.
    """
    kept = [(t_s - t_s[0], y) for t_s, y in windows if len(t_s) >= FOR_A_BEND]
    if not kept:
        return None
    tau = shared_tau([(t_s, y, np.ones_like(y)) for t_s, y in kept])
    if tau is None:
        return None
    bent = [_profile(tau, *one) for one in kept]
    found = _scatter(bent)
    if found is None:
        return None
    lines = _rounded(kept, bent, accuracy)
    u, dof = found
    whole = combine(1.0, [Component(u, dof, f"scatter of the readings of {len(kept)} key-downs", "A"), *lines])
    half = whole.u * coverage_factor(whole.dof)
    if not half <= MOST_OF_TAU:
        return None
    return combine(
        tau, [Component(one.u * tau / (1 - half**2), one.dof, one.source, one.evaluated) for one in whole.budget]
    )


def _profile(tau: float, t_s: Array, y: Array) -> tuple[Array, Array]:
    """(residuals, what ln tau moves the curve by that a and b cannot follow), (n,) each."""
    x = np.exp(-t_s / tau)
    basis, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x]))
    centred = x - mean(x)
    spread = float(centred @ centred)
    slope = float(centred @ y) / spread if spread > 0 else 0.0
    moved = slope * x * t_s / tau
    return y - basis @ (basis.T @ y), moved - basis @ (basis.T @ moved)


def _scatter(bent: Sequence[tuple[Array, Array]]) -> tuple[float, float] | None:
    """(u, dof) of ln tau; wider where the key-downs, each by itself, differ more than their noise lets them."""
    from scipy import special

    remembered = memory([(residuals, 2) for residuals, _ in bent])
    total = sum(float(moved @ moved) for _, moved in bent)
    if remembered is None or not total > 0:
        return None
    variance, dof = remembered.of_sum([moved / total for _, moved in bent])
    chi2 = 0.0
    for residuals, moved in bent:
        own = float(moved @ moved)
        if own > 0:
            chi2 += (float(moved @ residuals) / own) ** 2 / remembered.of_sum([moved / own])[0]
    spare = len(bent) - 1
    differ = spare > 0 and chi2 > float(special.chdtri(spare, 1 - DIFFER))
    return (math.sqrt(variance * chi2 / spare), min(dof, spare)) if differ else (math.sqrt(variance), dof)


def _rounded(kept: Sequence[Window], bent: Sequence[tuple[Array, Array]], accuracy: Accuracy) -> list[Component]:
    """What rounding does to ln tau: readings on one tread of the staircase are off together.

    With w the weights of the readings, and m treads passed, u = rounding x sum |w| / sqrt(m), key-downs independent.
    """
    n = sum(len(residuals) for residuals, _ in bent)
    sd = math.sqrt(sum(float(one @ one) for one, _ in bent) / n)
    if (off := rounding(accuracy.resolution, unrounded(sd, accuracy.resolution))) <= 0:
        return []
    total, square = sum(float(moved @ moved) for _, moved in bent), 0.0
    for (_, y), (_, moved) in zip(kept, bent, strict=True):
        treads = max(abs(float(y[-1] - y[0])) / accuracy.resolution, 1.0)
        square += (off * float(np.abs(moved).sum()) / total) ** 2 / treads
    return [Component(math.sqrt(square), source=f"resolution of {accuracy.channel}")]
