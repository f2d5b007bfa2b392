"""A band's power in the terms of its rating; what comes back from the load; what the output stage makes of its input.

Sources: ITU Radio Regulations 1.156 to 1.159 and ITU-R SM.326-7 for the relations (``benchlog.emission``);
JCGM 100:2008, 5.2 and H.2, for quantities that were read together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.corrections import nearest
from benchlog.analysis.fits import median
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.swr import delivered, measured_swr
from benchlog.analysis.uncertainty import UNKNOWN, combine, joint, pool, rectangular, through
from benchlog.emission import MEANT, PowerKind
from benchlog.model import Component, Measure, Measured
from benchlog.plan import Band

Array = NDArray[np.float64]
Together = tuple[list[Array], list[Array]]

INPUTS: tuple[Measure, Measure, Measure] = ("forward-power", "plate-voltage", "plate-current")
TOGETHER_S = 1.0  # readings of one instant are at most so far apart, or half a period of the slowest channel


def mean_of(heard: OnBand, measure: Measure, shared_with: Measure | None = None) -> Measured | None:
    """Mean of a measure over the band's windows, with everything that is uncertain about it; None without readings.

    Args:
        shared_with: only the windows in which that was read as well.
    """
    windows = [
        k.means[measure]
        for k in heard.key_downs
        if measure in k.means and (shared_with is None or (shared_with in k.means and k.means[shared_with].n))
    ]
    accuracy = heard.accuracy(measure)
    mean = pool(windows, accuracy.channel)
    if mean is None:
        return None
    type_b = accuracy.components(mean.value, sd=heard.sd(measure), at_hz=heard.band.expected_hz)
    return combine(mean.value, [*mean.budget, *type_b])


def power_kind(heard: OnBand) -> PowerKind:
    """What ``stated_power`` states: what the plan says that the rating does, else what the meter does."""
    return heard.band.rated or heard.bench.meter


def stated_power(heard: OnBand) -> Measured | None:
    """Watts of forward power over the band's windows, in the rating's terms.

    Returns None without readings, and where no fixed relation leads from what the meter states to what the rating
    does: that is a fault of the files, and never guessed at.
    """
    mean = mean_of(heard, "forward-power")
    return None if mean is None else in_terms_of_rating(heard, mean)


def in_terms_of_rating(heard: OnBand, shown: Measured) -> Measured | None:
    """Watts that the forward meter shows, as the rating states them: value and budget times ``Emission.factor``.

    A line of the budget says by which relation, with the part of the modulation depth's uncertainty (rectangular,
    within +/- ``depth_within``); it is zero where the relation is exact for the signal that was sent.
    """
    band, meter = heard.band, heard.bench.meter
    factor = band.sent.factor(meter, band.rated)
    if factor is None:
        return None
    if band.rated is None or (factor == 1 and band.rated == meter):
        return shown
    value = shown.value * factor
    lines = through(shown.budget, factor)
    u = value * band.sent.sensitivity(meter, band.rated) * rectangular(band.depth_within or 0.0)
    return combine(value, [*lines, Component(u, source=_relation(band, heard, factor))])


def _relation(band: Band, heard: OnBand, factor: float) -> str:
    assert band.rated is not None
    return f"{MEANT[heard.bench.meter]} x {factor:.4g} is {MEANT[band.rated]} (ITU-R SM.326): {band.sent.described}"


def standing_wave_ratio(heard: OnBand) -> Measured | None:
    """SWR from the mean forward and reflected powers of the windows with both; ``swr.measured_swr`` says how.

    Returns None as that does, without either channel, and where readings were over range, for what is left of such a
    window has the wrong mean.
    """
    both = _both_ways(heard)
    return measured_swr(*both) if both else None


def delivered_power(heard: OnBand) -> Measured | None:
    """Watts that stay in the load, in the rating's terms; None as ``standing_wave_ratio``."""
    both = _both_ways(heard)
    watts = delivered(*both) if both else None
    return in_terms_of_rating(heard, watts) if watts else None


def _both_ways(heard: OnBand) -> tuple[Measured, Measured] | None:
    """(forward, reflected) watts, both as the forward meter states them."""
    channel = heard.bench.measuring("reflected-power")
    if channel is None or _over_range(heard, ("forward-power", "reflected-power")):
        return None
    forward = mean_of(heard, "forward-power", shared_with="reflected-power")
    reflected = mean_of(heard, "reflected-power", shared_with="forward-power")
    if forward is None or reflected is None:
        return None
    if channel.power != heard.bench.meter:
        ways = heard.band.sent.indicated(channel.power), heard.band.sent.indicated(heard.bench.meter)
        if ways[0] is None or ways[1] is None:
            return None
        factor = ways[1] / ways[0]
        reflected = combine(reflected.value * factor, through(reflected.budget, factor))
    return forward, reflected


@dataclass(frozen=True, slots=True)
class Stage:
    """What the output stage makes of its input."""

    efficiency: Measured  # percent of the plate input V I that is forward power
    dissipation: Measured  # watts of it that stay in the plate, the plate circuit's own loss among them


def output_stage(heard: OnBand) -> Stage | None:
    """Of one band, from readings taken together; None as ``_in_and_out``."""
    found = _in_and_out(heard)
    if found is None:
        return None
    (watts, volts, amperes), readings = found
    percent = 100 * watts / (volts * amperes)
    return Stage(
        _worked_out(heard, readings, percent, percent / np.array([watts, -volts, -amperes])),
        _worked_out(heard, readings, volts * amperes - watts, np.array([-1.0, amperes, volts])),
    )


def _in_and_out(heard: OnBand) -> tuple[Array, Together] | None:
    """Means (3,) of W, V, A from readings taken together, and those.

    None where one of the three is not measured, or over range, or reads no input; and where the envelope is not
    steady: a plate current that follows dots, two tones or speech has no mean that V I could be worked out from.
    """
    if not heard.band.sent.steady or _over_range(heard, INPUTS):
        return None
    readings = together(heard)
    if not readings[1]:
        return None
    means = np.concatenate(readings[1]).mean(axis=0)
    return (means, readings) if np.all(means[1:] > 0) else None


def _worked_out(heard: OnBand, readings: Together, value: float, gradient: Array) -> Measured:
    """A function of the three inputs: type A with their covariances, type B of each channel (GUM 5.2.2, 5.1.2)."""
    times, parts = readings
    found = joint(parts, times, along=gradient)
    names = "power, plate voltage and plate current"
    if found is None:
        lines = [Component(UNKNOWN, 0.0, f"scatter of {names}, which a single reading does not show", "A")]
        return combine(value, lines)
    lines = [Component(found.u(gradient), found.dof, f"scatter of {found.n} readings of {names} together", "A")]
    for measure, mean, slope in zip(INPUTS, found.means, gradient, strict=True):
        type_b = heard.accuracy(measure).components(float(mean), sd=heard.sd(measure), at_hz=heard.band.expected_hz)
        lines += through(type_b, float(slope))
    return combine(value, lines)


def together(heard: OnBand) -> Together:
    """Forward power, plate voltage and plate current at the times of the slowest of them.

    Returns:
        ([(n,) s], [(n, 3) W, V, A]) for each window with any; the nearest readings of the other two, dropped where
        one is farther than 1 s, or half of the slowest channel's period if that is longer.
    """
    channels = [measuring(heard.series, measure) for measure in INPUTS]
    times: list[Array] = []
    parts: list[Array] = []
    for k in heard.key_downs:
        if k.window is None or any(one is None for one in channels):
            continue
        inside = [one.between(*k.window).good() for one in channels if one is not None]
        if not all(len(t_s) for t_s, _ in inside):
            continue
        slowest = min(inside, key=lambda part: len(part[0]))[0]
        near_s = max(TOGETHER_S, median(np.diff(slowest)) / 2 if len(slowest) > 1 else 0.0)
        near = [nearest(t_s, slowest) for t_s, _ in inside]
        apart = [np.abs(t_s[i] - slowest) for (t_s, _), i in zip(inside, near, strict=True)]
        kept = np.maximum.reduce(apart) <= near_s
        if kept.any():
            times.append(slowest[kept])
            parts.append(np.column_stack([y[i] for (_, y), i in zip(inside, near, strict=True)])[kept])
    return times, parts


def _over_range(heard: OnBand, measures: Sequence[Measure]) -> bool:
    return any(window.over_range for measure in measures for window in heard.windows(measure))
