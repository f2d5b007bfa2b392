"""One band's results out of its key-downs, each held against the plan's limit."""

from __future__ import annotations

from dataclasses import replace

from benchlog.analysis.frequency import drift, settled_after_s
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import BandResult, Result
from benchlog.analysis.uncertainty import combine, pool
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component, Measure, Measured


def band_result(heard: OnBand) -> BandResult:
    """Everything the record says of one band."""
    band = heard.band
    tolerance_hz = heard.tolerance_hz
    tolerance_ppm = None if tolerance_hz is None else tolerance_hz / band.expected_hz * 1e6
    error = _frequency_error(heard)
    ppm = error and scaled(error, 1e6 / band.expected_hz)
    hz_in_doubt, watts_in_doubt = heard.lacking("frequency"), heard.lacking("forward-power")
    t_s, hz = heard.readings("frequency")
    slope = drift(t_s, hz, heard.longest_window_s, heard.accuracy("frequency"))
    return BandResult(
        band=band.name,
        expected_hz=band.expected_hz,
        key_downs=len(heard.key_downs),
        power_w=result(_power(heard), band.min_power, Sense.AT_LEAST, in_doubt=watts_in_doubt),
        droop_percent=_worst_droop(heard, in_doubt=watts_in_doubt),
        frequency_error_hz=result(error, tidy(tolerance_hz), Sense.WITHIN, in_doubt=hz_in_doubt),
        frequency_error_ppm=result(ppm, tidy(tolerance_ppm), Sense.WITHIN, in_doubt=hz_in_doubt),
        drift_hz_per_h=result(slope, tidy(band.max_drift, 3600), Sense.WITHIN, in_doubt=hz_in_doubt),
        settled_after_s=settled_after_s(t_s, hz, tolerance_hz),
    )


def _power(heard: OnBand) -> Measured | None:
    mean = pool(heard.windows("forward-power"))
    if mean is None:
        return None
    return combine(mean.value, [*mean.budget, *_type_b(heard, "forward-power", mean.value)])


def _frequency_error(heard: OnBand) -> Measured | None:
    mean = pool(heard.windows("frequency"))
    if mean is None:
        return None
    off_hz = mean.value - heard.band.expected_hz
    return combine(off_hz, [*mean.budget, *_type_b(heard, "frequency", mean.value)])


def _type_b(heard: OnBand, measure: Measure, value: float) -> list[Component]:
    return heard.accuracy(measure).components(value, sd=heard.sd(measure), at_hz=heard.band.expected_hz)


def _worst_droop(heard: OnBand, *, in_doubt: bool) -> Result:
    """The worst key-down's droop; while one of them has none, the others meeting the limit proves nothing."""
    limit = tidy(heard.band.max_droop, 100)
    fits = [k.droop for k in heard.key_downs if k.droop is not None]
    if not fits:
        return Result.missing(limit)
    worst = max(fits, key=lambda fit: fit.percent.value)
    found = result(worst.percent, limit, Sense.AT_MOST, in_doubt=in_doubt)
    if len(fits) < len(heard.key_downs) and found.verdict == "pass" and limit is not None:
        return replace(found, verdict="undecided")
    return found


def scaled(measured: Measured, factor: float) -> Measured:
    """The same in a unit ``factor`` times finer, its budget too."""
    budget = tuple(replace(line, u=line.u * factor) for line in measured.budget)
    return Measured(measured.value * factor, measured.u * abs(factor), measured.dof, budget)


def tidy(limit: float | None, factor: float = 1.0) -> float | None:
    """A limit in the record's unit as the plan wrote it: 7 % is kept as 0.07, and 100 x 0.07 is not quite 7."""
    return None if limit is None else float(f"{limit * factor:.12g}")
