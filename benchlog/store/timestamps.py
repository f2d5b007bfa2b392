"""RFC 3339 date and time, read to the nanosecond; ``clock.rfc3339`` writes it.

Read as the RFC's section 5.6 has it: T and Z in either case, a blank in place of T (its note allows that),
``Z`` or a numeric offset, ``-00:00`` as UTC. Up to nine digits of fraction; more would be lost, so they are a fault.
A leap second (``:60``, only where UTC can have one: at the end of a month) is counted as POSIX time counts it, as the
first second of the next day: 1990-12-31T23:59:60.5Z is 1991-01-01T00:00:00.5Z.
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache

_FORM = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:[Zz]|([+-])(\d\d):(\d\d))", flags=re.ASCII
)
_EPOCH = date(1970, 1, 1).toordinal()
EXAMPLE = "2026-11-25T09:03:09.25Z"


def epoch_ns(text: str) -> int:
    """Nanoseconds since 1970-01-01T00:00:00Z, exactly.

    Raises:
        ValueError: not RFC 3339, no such date or time, finer than a nanosecond, or beyond what 64 bits hold
            (1678 to 2261); the message says which.
    """
    form = _FORM.fullmatch(text)
    if form is None:
        raise ValueError(f"not an RFC 3339 time; one is written like {EXAMPLE}")
    day, hour, minute, second, fraction, sign, offset_h, offset_m = form.groups()
    h, m, s = int(hour), int(minute), int(second)
    if h > 23 or m > 59 or s > 60:
        raise ValueError("no such time of day")
    minutes = _days(day) * 1440 + h * 60 + m
    if sign:
        if int(offset_h) > 23 or int(offset_m) > 59:
            raise ValueError("no such offset from UTC; at most 23:59")
        offset = int(offset_h) * 60 + int(offset_m)
        minutes += offset if sign == "-" else -offset
    if s == 60 and not _ends_a_month(minutes):
        raise ValueError("a 60th second is there only as a leap second, at 23:59 UTC on the last day of a month")
    ns = 0
    if fraction:
        if len(fraction) > 9:
            raise ValueError("finer than a nanosecond; at most nine digits of fraction")
        ns = int(fraction.ljust(9, "0"))
    total = (minutes * 60 + s) * 10**9 + ns
    if not -(2**63) <= total < 2**63:
        raise ValueError("outside the years 1678 to 2261")
    return total


@lru_cache(maxsize=64)
def _days(day: str) -> int:
    try:
        return date.fromisoformat(day).toordinal() - _EPOCH
    except ValueError:
        raise ValueError("no such date") from None


def _ends_a_month(minutes: int) -> bool:
    """Whether the minute (since 1970, UTC) is the last of a month."""
    days, left = divmod(minutes + 1, 1440)
    return left == 0 and date.fromordinal(_EPOCH + days).day == 1
