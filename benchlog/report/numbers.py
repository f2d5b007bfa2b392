"""Numbers as a record writes them: no more digits than the uncertainty carries, and always a unit."""

from __future__ import annotations

import math

from benchlog.analysis.results import Result
from benchlog.analysis.wording import rounded, significant

__all__ = ["duration", "fitting", "megahertz", "rounded", "significant", "with_uncertainty"]


def with_uncertainty(result: Result, unit: str) -> str:
    """``141.2 ± 8.9 W``; ``not measured`` where there is no value."""
    if result.value is None or not math.isfinite(result.value):
        return "not measured"
    factor, unit = fitting(result.value, unit)
    if result.expanded is None or not math.isfinite(result.expanded):
        return f"{f'{significant(result.value * factor)} {unit}'.strip()} (U unknown)"
    value, expanded = rounded(result.value * factor, result.expanded * factor)
    return f"{value} ± {expanded} {unit}".strip()


def fitting(value: float, unit: str) -> tuple[float, str]:
    """(factor, unit) that a value is shown in: currents below an ampere in mA, as the trade names them."""
    return (1e3, "mA") if unit == "A" and abs(value) < 1 else (1.0, unit)


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
