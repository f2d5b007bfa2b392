"""Numbers in the findings' sentences: no more digits than the uncertainty carries."""

from __future__ import annotations

import math

from benchlog.quantities import plain


def plus_minus(value: float, expanded: float | None, unit: str) -> str:
    """``74.1 ± 3.1 W``: U to two significant digits, the value to the same place (JCGM 100:2008, 7.2.6).

    Without a known U, or with one of zero, the value alone, to four digits.
    """
    if expanded is None or not (math.isfinite(expanded) and math.isfinite(value)) or expanded <= 0:
        return plain(value, unit)
    places = places_of(expanded)
    if places < 0:
        return f"{round(value, places):.0f} ± {round(expanded, places):.0f} {unit}"
    return f"{_unsigned_zero(f'{value:.{places}f}')} ± {expanded:.{places}f} {unit}"


def places_of(expanded: float) -> int:
    """Decimal places that show two significant digits of U, once rounded: 0.0996 is 0.10."""
    places = 1 - math.floor(math.log10(expanded))
    return places - 1 if round(expanded, places) >= 10 ** (2 - places) else places


def _unsigned_zero(text: str) -> str:
    return text if text.strip("-0.") else text.lstrip("-")
