"""What lies behind a band's results: the supply or the output stage, the match, the temperature.

Each finding carries its evidence and its own uncertainty, and is only told where the evidence is clear; where a
channel is not on the bench nothing is said of what it would show.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchlog.analysis.match import mismatch
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import BandResult, Finding
from benchlog.analysis.supply import Asked, supply_findings
from benchlog.analysis.warmth import follows_temperature


def diagnosed(heard: OnBand, found: BandResult, noise: Asked) -> Iterator[Finding]:
    """``supply-sag``, ``output-stage``, ``mismatch``, and ``drift`` that follows the temperature, of one band.

    Args:
        noise: the plate voltage's over the whole session (``supply.voltage_noise``), asked for only where needed.
    """
    if not heard.key_downs:
        return
    worse = list(mismatch(heard))
    yield from supply_findings(heard, found, noise, mismatched=bool(worse))
    yield from worse
    yield from follows_temperature(heard, found)
