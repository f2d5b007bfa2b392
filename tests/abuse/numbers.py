"""What a number is, said again without a line of the program's: the judge of values that a parser hands out."""

from __future__ import annotations

import math
from decimal import Decimal, InvalidOperation

_DIGITS = set("0123456789")
_ALLOWED = _DIGITS | set("+-.eE")


def number(text: str) -> float | None:
    """IEEE 488.2 7.7.2 (NRf): the nearest double; None for what is no such number, or beyond all doubles."""
    text = text.strip(" \t\n\r\f\v")
    if not text or set(text) - _ALLOWED or not set(text) & _DIGITS:
        return None
    try:
        exact = Decimal(text)
    except InvalidOperation:
        return None
    try:
        found = float(exact)
    except OverflowError:
        return None
    return found if math.isfinite(found) else None


def reading(text: str) -> float | None:
    """The same with SCPI-1999's markers (7.2.1) for what they mean: inf, -inf, nan; None for no number."""
    found = number(text)
    if found is None:
        return None
    return {9.9e37: math.inf, -9.9e37: -math.inf, 9.91e37: math.nan, -9.91e37: math.nan}.get(found, found)


def same(one: float, other: float) -> bool:
    """Equal to the last bit, or both no number."""
    return one == other or (math.isnan(one) and math.isnan(other))
