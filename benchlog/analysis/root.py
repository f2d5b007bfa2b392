"""Where a function crosses zero. scipy.optimize has such a search, at 16 to 25 MB in a logger that runs for days."""

from __future__ import annotations

from collections.abc import Callable

LAST_DIGITS = 4e-16  # relative: neighbouring floats


def root(of: Callable[[float], float], low: float, high: float) -> float:
    """Where a continuous function is zero between two places at which its signs differ, to the last digits.

    Those are the larger's of the place itself and of how far the two were apart.
    By inverse quadratic interpolation where three points let it be trusted, else by halving: T. R. Chandrupatla,
    Adv. Eng. Softw. 28 (1997) 145-149 (from memory). Raises ValueError: the signs do not differ.
    """
    far, near = low, high  # with one sign each
    at_far, at_near = of(far), of(near)
    if at_far == 0 or at_near == 0:
        return far if at_far == 0 else near
    if (at_far > 0) == (at_near > 0):
        raise ValueError("no change of sign")
    share = 0.5  # of the way from near to far: where to look next
    while True:
        place = near + share * (far - near)
        found = of(place)
        if (found > 0) == (at_near > 0):
            before, at_before = near, at_near
        else:
            before, at_before, far, at_far = far, at_far, near, at_near
        near, at_near = place, found
        best = near if abs(at_near) < abs(at_far) else far
        least = LAST_DIGITS * max(abs(best), abs(high - low)) / abs(far - near)
        if found == 0 or least > 0.5:
            return best
        along, up = (near - far) / (before - far), (at_near - at_far) / (at_before - at_far)
        if up**2 < along and (1 - up) ** 2 < 1 - along:
            share = at_near / (at_far - at_near) * at_before / (at_far - at_before)
            share += (before - near) / (far - near) * at_near / (at_before - at_near) * at_far / (at_before - at_far)
        else:
            share = 0.5
        share = min(max(share, least), 1 - least)
