"""One band's results out of its key-downs, each held against the plan's limit."""

from __future__ import annotations

from dataclasses import replace
from typing import TypedDict

from benchlog.analysis.bends import Window, common_time_constant
from benchlog.analysis.droop import belonging, noise_shared
from benchlog.analysis.frequency import drift, settled_after_s
from benchlog.analysis.movement import key_down_drift
from benchlog.analysis.onband import OnBand
from benchlog.analysis.power import (
    delivered_power,
    mean_of,
    output_stage,
    power_kind,
    standing_wave_ratio,
    stated_power,
)
from benchlog.analysis.results import Result, WarmUp
from benchlog.analysis.rundroop import RunDroop, run_droop
from benchlog.analysis.uncertainty import largest, through
from benchlog.analysis.verdicts import Sense, result
from benchlog.analysis.warmup import warm_up
from benchlog.emission import PowerKind
from benchlog.model import Measured


class PowerResults(TypedDict):
    """What the record says of a band's power, by the fields of ``BandResult``."""

    power_w: Result
    droop_percent: Result
    power_kind: PowerKind
    droop_tau_s: Result
    run_droop_percent: Result
    run_droop_tau_s: Result
    swr: Result
    delivered_w: Result
    efficiency_percent: Result
    dissipation_w: Result


class FrequencyResults(TypedDict):
    """What the record says of a band's frequency, likewise."""

    frequency_error_hz: Result
    frequency_error_ppm: Result
    drift_hz_per_h: Result
    settled_after_s: float | None
    key_down_drift_hz: Result
    warm_up: WarmUp | None


def power_results(heard: OnBand) -> PowerResults:
    """Of one band."""
    in_doubt = heard.lacking("forward-power")
    stage = output_stage(heard)
    over_run = run_droop([k.droop for k in heard.key_downs if k.droop], heard.accuracy("forward-power"))
    return PowerResults(
        power_w=result(stated_power(heard), heard.band.min_power, Sense.AT_LEAST, in_doubt=in_doubt),
        droop_percent=_worst_droop(heard, in_doubt=in_doubt),
        power_kind=power_kind(heard),
        droop_tau_s=_unlimited(common_time_constant(_falls(heard), heard.accuracy("forward-power"))),
        run_droop_percent=_run_droop(heard, over_run, in_doubt=in_doubt),
        run_droop_tau_s=_unlimited(over_run.time_constant if over_run else None),
        swr=_unlimited(standing_wave_ratio(heard)),
        delivered_w=_unlimited(delivered_power(heard)),
        efficiency_percent=_unlimited(stage.efficiency if stage else None),
        dissipation_w=_unlimited(stage.dissipation if stage else None),
    )


def frequency_results(heard: OnBand, *, jumped: bool) -> FrequencyResults:
    """Of one band. ``jumped``: its frequency has a step."""
    band, tolerance_hz, in_doubt = heard.band, heard.tolerance_hz, heard.lacking("frequency")
    tolerance_ppm = None if tolerance_hz is None else tolerance_hz / band.expected_hz * 1e6
    error = frequency_error(heard)
    ppm = error and scaled(error, 1e6 / band.expected_hz)
    t_s, hz = heard.readings("frequency")
    slope = drift(t_s, hz, heard.longest_window_s, heard.accuracy("frequency"))
    return FrequencyResults(
        frequency_error_hz=result(error, tidy(tolerance_hz), Sense.WITHIN, in_doubt=in_doubt),
        frequency_error_ppm=result(ppm, tidy(tolerance_ppm), Sense.WITHIN, in_doubt=in_doubt),
        drift_hz_per_h=result(slope, tidy(band.max_drift, 3600), Sense.WITHIN, in_doubt=in_doubt),
        settled_after_s=settled_after_s(t_s, hz, tolerance_hz),
        key_down_drift_hz=_unlimited(key_down_drift(heard)),
        warm_up=warm_up(heard, jumped=jumped),
    )


def frequency_error(heard: OnBand) -> Measured | None:
    """Hz, measured less expected, over the band's windows; None without readings."""
    mean = mean_of(heard, "frequency")
    return None if mean is None else replace(mean, value=mean.value - heard.band.expected_hz)


def _falls(heard: OnBand) -> list[Window]:
    """The power in each key-down's window, without what no curve must follow."""
    droops = [k.droop for k in heard.key_downs if k.window]
    windows = zip(droops, heard.per_window("forward-power"), strict=False)  # without the channel there is none
    masked = [(droop.kept if droop else belonging(t_s, watts), t_s, watts) for droop, (t_s, watts) in windows]
    return [(t_s[kept], watts[kept]) for kept, t_s, watts in masked]


def _worst_droop(heard: OnBand, *, in_doubt: bool) -> Result:
    """The worst key-down's droop; while one of them has none, the others meeting the limit proves nothing."""
    limit = tidy(heard.band.max_droop, 100)
    fits = [k.droop for k in heard.key_downs if k.droop is not None]
    if not fits:
        return Result.missing(limit)
    worst = largest(noise_shared(fits), "key-downs")
    return _of_all(heard, result(worst, limit, Sense.AT_MOST, in_doubt=in_doubt))


def _run_droop(heard: OnBand, found: RunDroop | None, *, in_doubt: bool) -> Result:
    """From the first key-down to the last; while one of them has no power to tell, no limit is met for certain."""
    limit = tidy(heard.band.max_run_droop, 100)
    return _of_all(heard, result(found.percent if found else None, limit, Sense.AT_MOST, in_doubt=in_doubt))


def _of_all(heard: OnBand, found: Result) -> Result:
    """Not a pass while some key-down has no droop: what it would have shown is not known."""
    lacking = any(k.droop is None for k in heard.key_downs)
    if lacking and found.verdict == "pass" and found.limit is not None:
        return replace(found, verdict="undecided", conformity=None)
    return found


def _unlimited(measured: Measured | None) -> Result:
    return result(measured, None, Sense.AT_MOST)


def scaled(measured: Measured, factor: float) -> Measured:
    """The same in a unit ``factor`` times finer, its budget too."""
    budget = through(measured.budget, factor)
    return Measured(measured.value * factor, measured.u * abs(factor), measured.dof, tuple(budget))


def tidy(limit: float | None, factor: float = 1.0) -> float | None:
    """A limit in the record's unit as the plan wrote it: 7 % is kept as 0.07, and 100 x 0.07 is not quite 7."""
    return None if limit is None else float(f"{limit * factor:.12g}")
