"""Numbers in sentences and tables: no more digits than the uncertainty carries."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal

from benchlog.quantities import plain

_EXACT = Context(prec=800, rounding=ROUND_HALF_EVEN)  # any two floats fit, down to the smaller one's last place


def rounded(value: float, expanded: float) -> tuple[str, str]:
    """A value and its U as text: U to two significant digits, the value to the same place.

    Two are the most that GUM (JCGM 100:2008) 7.2.6 finds worth quoting. Where U is zero, so that nothing limits
    the value's digits, it has four. Both must be finite, U not negative.
    """
    if expanded == 0:
        return significant(value), "0"
    u = Decimal(expanded)
    step = Decimal(1).scaleb(u.adjusted() - 1)
    if _EXACT.quantize(u, step).adjusted() > u.adjusted():  # 0.0996 is 0.10, not 0.100
        step = step.scaleb(1)
    return _plain(_EXACT.quantize(Decimal(value), step)), _plain(_EXACT.quantize(u, step))


def significant(value: float, digits: int = 4) -> str:
    """A number without an uncertainty of its own, in plain notation, trailing zeros left off."""
    exact = Decimal(value)
    if not exact:
        return "0"
    kept = _plain(_EXACT.quantize(exact, Decimal(1).scaleb(exact.adjusted() - digits + 1)))
    return kept.rstrip("0").rstrip(".") if "." in kept else kept


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text if number else text.lstrip("-")  # -0.4 ± 12 is 0 ± 12


def plus_minus(value: float, expanded: float | None, unit: str) -> str:
    """``74.1 ± 3.1 W``, as ``rounded``. Without a known U, or with one of zero, the value alone, to four digits."""
    if expanded is None or not (math.isfinite(expanded) and math.isfinite(value)) or expanded <= 0:
        return plain(value, unit)
    return "{} ± {} {}".format(*rounded(value, expanded), unit)
