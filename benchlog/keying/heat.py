"""The dummy load's heat budget: how long may be keyed, how long to rest. Pure; standard library only.

First order: at constant power the rise over ambient goes exponentially, with the load's thermal time constant,
towards a final value proportional to power; the continuous rating is the power whose final rise is the highest
allowed. The state is that rise as a fraction of the highest allowed, 0 cold, 1 at the limit. The form is the
thermal-overload curve of IEC 60255-149, there with currents squared (from memory).

It knows nothing of ambient, of a fan that stops or of hot spots: a load's own thermometer is better.
"""

from __future__ import annotations

import math


class HeatBudget:
    """One load's heat so far.

    Args:
        continuous_w: what the load stands for ever, in W.
        cooling_s: its thermal time constant, in s.
        fraction: how hot it is now; 0 is cold.

    Raises ValueError for a rating or time constant that is not more than 0, or a fraction below 0.
    """

    def __init__(self, continuous_w: float, cooling_s: float, fraction: float = 0.0) -> None:
        if not (continuous_w > 0 and cooling_s > 0 and fraction >= 0):
            raise ValueError(f"no heat budget from {continuous_w} W, {cooling_s} s, {fraction}")
        self.continuous_w, self.cooling_s, self.fraction = continuous_w, cooling_s, fraction

    def advance(self, for_s: float, power_w: float = 0.0) -> float:
        """So long at this power; returns the new fraction."""
        k = power_w / self.continuous_w
        self.fraction = k + (self.fraction - k) * math.exp(-for_s / self.cooling_s)
        return self.fraction

    def wait_s(self, power_w: float, for_s: float) -> float:
        """How long to rest before this power may stay on for so long; 0 for at once, inf for never."""
        k = power_w / self.continuous_w
        # The hottest start from which it still ends at 1 or below, and no start above 1.
        spent = for_s / self.cooling_s
        start = 1.0 if k <= 1 else (k - (k - 1) * math.exp(spent) if spent < 700 else -math.inf)
        if self.fraction <= start:
            return 0.0
        if start <= 0:
            return math.inf
        return self.cooling_s * math.log(self.fraction / start)
