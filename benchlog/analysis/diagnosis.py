"""What lies behind a band's results: the supply or the output stage, the match, the temperature.

Each finding carries its evidence and its own uncertainty, and is only told where the evidence is clear; where a
channel is not on the bench nothing is said of what it would show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache

from benchlog.analysis.match import mismatch
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import BandResult, Finding
from benchlog.analysis.supply import supply_findings, voltage_noise
from benchlog.analysis.warmth import follows_temperature


def diagnosed(heard: Mapping[str, OnBand], bands: Sequence[BandResult]) -> Iterator[Finding]:
    """``supply-sag``, ``output-stage``, ``mismatch``, and ``drift`` that follows the temperature, band by band.

    Args:
        heard: all that was heard of each band, by its name; bands: their results.
    """
    noise = cache(lambda: voltage_noise(heard.values()))
    for band in bands:
        one = heard[band.band]
        if not one.key_downs:
            continue
        worse = list(mismatch(one))
        yield from supply_findings(one, band, noise, mismatched=bool(worse))
        yield from worse
        yield from follows_temperature(one, band)
