"""Numbers as a record writes them: no more digits than the uncertainty carries, and always a unit."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal

from benchlog.analysis.results import Result

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


def with_uncertainty(result: Result, unit: str) -> str:
    """``141.2 ± 8.9 W``; ``not measured`` where there is no value."""
    if result.value is None or not math.isfinite(result.value):
        return "not measured"
    if result.expanded is None or not math.isfinite(result.expanded):
        return f"{f'{significant(result.value)} {unit}'.strip()} (U unknown)"
    value, expanded = rounded(result.value, result.expanded)
    return f"{value} ± {expanded} {unit}".strip()


def megahertz(hz: float) -> str:
    """``14.300 MHz``: to the hertz where it needs to be, never less than kilohertz."""
    text = f"{hz / 1e6:.6f}"
    kept = text.rstrip("0")
    return f"{kept}{'0' * max(0, 3 - len(kept.partition('.')[2]))} MHz"


def duration(seconds: float) -> str:
    """``12 s``, ``6 min 12 s``, ``8 h 0 min``."""
    if seconds < 10:
        return f"{significant(seconds, 2)} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60} min"
